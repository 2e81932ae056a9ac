"""Holes in order and numbered, and held against the rules row by row."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

import leg_worlds
from hole_worlds import BLUE, CORNER, ROOMY, legs_of
from lanewright.base.schema import LAYERS
from lanewright.holes.chains import PLACES
from lanewright.holes.measure import Played
from lanewright.holes.rules import Rules, numbered
from lanewright.settings.holes import HoleSettings
from lanewright.settings.judge import InterestSettings

OPEN = leg_worlds.bare(300.0, 1.0)


def rules_of(scene=OPEN, settings=None, **safety):
    return Rules(
        scene, (BLUE,), settings or HoleSettings(), ROOMY.model_copy(update=safety),
        InterestSettings(),
    )  # fmt: skip


def rows_of(legs, *chains, score):
    """Candidate holes over rows of legs, as the search measures them."""
    lines = legs.geometry.to_numpy()
    ends = [(*lines[c[0]].coords[0][:2], *lines[c[-1]].coords[-1][:2]) for c in chains]
    return pd.DataFrame(ends, columns=PLACES).assign(
        chain=[np.array([*c, *[-1] * (3 - len(c))]) for c in chains],
        origin="search", name=None, level="blue", finish="straight", score=score, promise=score,
        tee_id=1, end_id=1,
    )  # fmt: skip


def test_holes_that_fit_are_told_by_the_rows_they_came_in():
    """The poorer hole comes first and fades to a road 40 m off: 60 m are asked for there."""
    legs = legs_of((100, 60, 100, 160), (60, 60, 60, 160), finish=["right", "straight"]).legs
    rows = rows_of(legs, (0,), (1,), score=[0.2, 0.9])
    rules = rules_of(
        replace(OPEN, keep_out=leg_worlds.box(140, 0, 150, 155)), keep_out=(30.0, 30.0),
        fade_side=2.0,
    )  # fmt: skip
    played = Played(legs, np.ones(2))
    assert rules.fit(played, rows).tolist() == [False, True]
    assert rules.fit(played, rows.iloc[::-1]).tolist() == [True, False]


def test_legs_that_are_added_bring_how_they_land():
    """One more comes down in a pond, one on ground a little too steep, one on good ground."""
    x, y = leg_worlds.centres(OPEN)
    scene = replace(
        OPEN, water=(x < 120) & (y > 100), slope_pct=np.where(x > 200, 13.0, 2.0).astype(np.float32)
    )
    legs = legs_of(
        (20, 20, 90, 20), (60, 70, 60, 150), (250, 70, 250, 150), (160, 70, 160, 150)
    ).legs
    for steepest, lands in ((12.0, 0.0), (14.0, 1.0)):
        rules = rules_of(scene, HoleSettings(landing_slope=steepest))
        played = rules.with_more(Played(legs.iloc[:1], np.array([0.25])), legs)
        assert played.lands.tolist() == [0.25, 0.0, lands, 1.0]
        assert played.legs is legs


def test_holes_clash_only_with_those_that_may_follow_them():
    """The second starts in the cone past the first's landing zone, 27 m from its basket.

    The third's tee is too near the first's, but it is no short walk from either basket.
    """
    legs = legs_of(
        (100, 40, 100, 140), (100, 140, 122, 142), (102, 160, 190, 165), (105, 40, 190, 40)
    ).legs
    rows = rows_of(legs, (0, 1), (2,), (3,), score=[0.1, 0.5, 0.9])
    rules = rules_of(near_deg=10.0, far_deg=10.0, tees=10.0)
    assert rules.clashes(Played(legs, np.ones(4)), rows).tolist() == [[0, 1]]
    wide = rules_of(near_deg=0.001, far_deg=0.001, tees=10.0)
    assert wide.clashes(Played(legs, np.ones(4)), rows).tolist() == []


ORDER = (
    # own first, by name; then by level, the best score, the best promise, and the sites
    ("own", "a", "red", 0.1, 0.1, 9, 9),
    ("own", "b", "blue", 0.2, 0.1, 8, 9),
    ("own", None, "red", 0.0, 0.0, 9, 9),
    ("search", None, "blue", 0.9, 0.1, 7, 9),
    ("search", None, "blue", 0.8, 0.9, 6, 9),
    ("search", None, "blue", 0.8, 0.5, 1, 5),
    ("search", None, "blue", 0.8, 0.5, 1, 7),
    ("search", None, "blue", 0.8, 0.5, 2, 1),
    ("search", None, "red", 0.99, 0.99, 0, 0),
)


def test_holes_are_numbered_the_designers_own_first_then_the_best_of_each_level():
    legs = legs_of(*((20 + 30 * k, 40, 20 + 30 * k, 100) for k in range(9))).legs
    legs["leg_id"] = 101 + np.arange(9)
    names = ["origin", "name", "level", "score", "promise", "tee_id", "end_id"]
    rows = pd.DataFrame(ORDER, columns=names).assign(
        chain=[np.array([k, -1, -1]) for k in range(9)]
    )
    mixed = [5, 8, 2, 7, 0, 6, 3, 1, 4]
    frames = [rows.iloc[mixed[:3]], rows.iloc[:0], rows.iloc[mixed[3:]]]
    made = numbered(frames, legs, OPEN)
    assert made["legs"].tolist() == [(101 + k,) for k in range(9)]
    assert made.columns[0] == "hole_id"
    assert made["hole_id"].tolist() == list(range(1, 10))
    assert made.index.tolist() == list(range(9))
    as_given = numbered(frames, legs, OPEN, in_order=False)
    assert as_given["legs"].tolist() == [(101 + k,) for k in mixed]
    assert as_given.index.tolist() == list(range(9))
    assert as_given["hole_id"].tolist() == list(range(1, 10))


def test_a_hole_has_the_line_of_its_throws_with_their_heights_where_the_land_lies():
    legs = legs_of((100, 40, 100, 140), (100, 140, 160, 140)).legs
    rows = rows_of(legs, (0, 1), score=0.5)
    made = numbered([rows], legs, OPEN)
    assert made.crs == OPEN.grid.crs
    (line,) = made.geometry
    flown = [(100, 40, 201.4), (100, 90, 204.0), (100, 140, 200.9)]
    on = [(100, 140, 201.4), (130, 140, 204.0), (160, 140, 200.9)]
    places = np.array(line.coords) - [*CORNER, 0]
    assert places == pytest.approx(np.array([*flown, *on]))


def test_no_holes_have_the_columns_of_the_layer():
    legs = legs_of((100, 40, 100, 140)).legs
    none = numbered([rows_of(legs, (0,), score=0.5).iloc[:0]], legs, OPEN)
    assert isinstance(none, gpd.GeoDataFrame)
    assert none.crs == OPEN.grid.crs
    assert none.empty
    assert none.columns.tolist()[:-1] == [c.name for c in LAYERS["holes"].columns]
