"""Which throws a published score adds up: planned work, other levels' tees, nothing unknown."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lanewright.holes.expected import Flown, score_of
from lanewright.publish.scoring import now_words, others_words, score_words, with_scores
from lanewright.settings.levels import levels_named

BLUE, RED = levels_named(("blue", "red"))
LEGS = pd.DataFrame(
    [
        # leg, tee, end, level, length, clear rate, where most fail
        (1, 10, 20, "blue", 90.0, 0.6, 40.0),
        (2, 20, 30, "blue", 70.0, 0.9, 50.0),
        (3, 10, 20, "red", 90.0, 0.5, 40.0),
        (4, 11, 20, "red", 60.0, 0.8, 20.0),
        (5, 12, 21, "blue", 80.0, np.nan, np.nan),
        (6, 13, 22, "blue", 80.0, 0.7, np.nan),
    ],
    columns=["leg_id", "tee_id", "end_id", "level", "length_m", "clear_rate", "fail_at_m"],
).assign(
    pinch_at_m=25.0, lands_wet_share=0.02, unsafe_share=0.05, landing_long_m=20.0,
    landing_wide_m=8.0, landing_bearing_deg=90.0, landing_past_m=2.0,
)  # fmt: skip
LINES = [shapely.LineString([(0, 0, 0), (length, 0, 0)]) for length in LEGS["length_m"]]
TEES = pd.DataFrame({"hole_id": [7], "position": "tee", "level": "red", "leg_id": 4})
NONE = TEES.iloc[:0]
PLANS = pd.DataFrame({"leg_id": [1, 2], "pieces": [3, 0], "promised": [0.85, 0.2]})


def scored(texts, positions=NONE, plans=PLANS.iloc[:0]):
    layout = gpd.GeoDataFrame(
        {"hole_id": [7 + i for i in range(len(texts))], "legs": texts, "level": "blue"},
        geometry=[shapely.Point(0, 0)] * len(texts),
    )
    legs = gpd.GeoDataFrame(LEGS, geometry=LINES)
    return with_scores(layout, legs, positions, plans, (BLUE, RED))


def flown(leg, **changed):
    """A leg of the table by its columns; all lie to the east, as their ellipses do."""
    row = LEGS.set_index("leg_id").loc[leg]
    known = {"length": row["length_m"], "clear": row["clear_rate"], "drops_at": row["fail_at_m"]}
    same = {"wet": 0.02, "lost": 0.05, "long": 20.0, "wide": 8.0, "turn": 0.0, "past": 2.0}
    return Flown(**known | same | changed)


def test_work_counts_where_it_is_planned_and_the_score_as_it_stands_is_told():
    row = scored(["1 2"], plans=PLANS).iloc[0]
    done = score_of([flown(1, clear=0.85), flown(2)], BLUE)
    assert row["expected_score"] == pytest.approx(done.mean)
    assert row["expected_score_sd"] == pytest.approx(done.sd)
    assert row["likeliest_score"] == done.likeliest
    assert row["likeliest_share"] == pytest.approx(done.chances.max())
    stands = score_of([flown(1), flown(2)], BLUE)
    assert row["expected_score_now"] == pytest.approx(stands.mean)
    assert now_words(row).startswith(f"{stands.mean:.1f} before")
    assert score_words(row) == f"{done.mean:.1f}\u00a0±\u00a0{done.sd:.1f}"


def test_another_level_plays_from_its_own_tee_else_from_where_it_was_flown():
    """Its second throw was flown for blue alone: 70 m are two throws of 56 m for red."""
    second = flown(2, throws=2)
    for positions, first in ((TEES, 4), (NONE, 3)):
        row = scored(["1 2"], positions).iloc[0]
        score = score_of([flown(first), second], RED)
        assert row["expected_others"] == f"red {score.mean:.1f}\u00a0±\u00a0{score.sd:.1f}"
        assert others_words(row) == f"blue {score_words(row)}; {row['expected_others']}"


def test_what_nobody_flew_or_saw_is_not_scored():
    table = scored(["5", "6"])
    assert table["expected_score"].isna().tolist() == [True, False]
    assert table["expected_others"].isna().all()  # red has no throw from these tees
    assert score_words(table.iloc[0].dropna()) == ""
    # Where no throw failed, one that does is taken to drop at the narrowest place.
    wanted = score_of([flown(6, drops_at=25.0)], BLUE)
    assert table["expected_score"][1] == pytest.approx(wanted.mean)
