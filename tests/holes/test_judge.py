"""Holes are fair and worth playing by what their throws are, written out in plain words."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

import leg_worlds
from hole_worlds import BLUE, legs_of
from lanewright.holes.holes import make_holes
from lanewright.holes.judge import by_one_throw, carried_by, judged, with_choice
from lanewright.holes.wording import unfair_in_words, worth_in_words
from lanewright.legs.interest import COLUMNS, COMPONENTS, interest
from lanewright.settings.holes import HoleSettings
from lanewright.settings.judge import InterestSettings
from lanewright.settings.levels import levels_named

WEIGHTS = InterestSettings()


def hole_of(throws=2, lands=0.9, **more):
    """One hole over legs of 80 and 40 m, or of the first alone."""
    legs = legs_of((50, 50, 50, 130), (50, 131, 50, 171), **more).legs
    chain = np.array([[0, 1, -1] if throws == 2 else [0, -1, -1]])
    share = np.array([lands if throws == 2 else np.nan])
    return {k: v[0] for k, v in judged(legs, chain, share, 2 / 3, WEIGHTS).items()}


def test_a_tunnel_counts_by_its_share_a_drop_wherever_it_is_the_green_at_the_end():
    got = hole_of(
        interest_tunnel=[0.9, 0.0], interest_framed=[0.3, 0.6], interest_drop=[0.0, 0.7],
        interest_green=[1.0, 0.2],
    )  # fmt: skip
    assert got["interest_tunnel"] == pytest.approx(0.9 * 2 / 3)
    assert got["interest_framed"] == pytest.approx(0.3 * 2 / 3 + 0.6 / 3)
    assert got["interest_drop"] == 0.7
    assert got["interest_green"] == 0.2
    parts = {name: np.array([got[name]]) for name in COLUMNS}
    assert got["interest"] == pytest.approx(interest(parts, WEIGHTS)[0])


@pytest.mark.parametrize(
    ("unfair", "lands", "said", "promise"),
    [
        (["", ""], 0.9, "", True),
        (["", "gap"], 0.9, "gap", True),
        (["way", "gap, way"], 0.9, "gap, way", True),
        (["wet", ""], 0.9, "wet", False),
        (["", ""], 0.6, "landing", False),
        (["landing", ""], 0.9, "landing", False),
    ],
)
def test_a_hole_is_as_fair_as_its_least_fair_throw_and_landing(unfair, lands, said, promise):
    got = hole_of(lands=lands, unfair=unfair)
    assert got["unfair"] == said
    assert got["fair"] == ("no" if said else "yes")
    assert (got["score"] > 0) == (not said)
    assert (got["promise"] > 0) == promise


@pytest.mark.parametrize("name", COMPONENTS)
def test_each_thing_switched_off_changes_what_a_kept_hole_is_worth(name):
    """Through the stage's own steps, to the table that is published."""
    legs = legs_of((150, 100, 150, 180), **{f"interest_{name}": 0.8})

    def score(weights):
        found = make_holes(
            leg_worlds.bare(400.0, 1.0), (BLUE,), legs, HoleSettings(), weights=weights
        )
        return found.holes["score"].iloc[0]

    off = WEIGHTS.model_copy(update={name: 0.0})
    assert score(WEIGHTS) > score(off) > 0


def test_a_wooded_hole_goes_before_a_bare_one_and_an_unfair_one_comes_last():
    legs = legs_of(
        (50, 100, 50, 180), (200, 100, 200, 180), (330, 100, 330, 180),
        interest_framed=[0.0, 0.9, 0.9], clear_rate=[1.0, 0.75, 0.5], unfair=["", "", "gap"],
    )  # fmt: skip
    holes = make_holes(leg_worlds.bare(400.0, 1.0), (BLUE,), legs, HoleSettings()).holes
    assert holes["tee_id"].tolist() == [2, 1, 3]
    assert holes["score"].iloc[2] == 0
    assert "not fair as it is" in holes["sentence"].iloc[2]


def test_two_throws_that_one_plays_are_called_that():
    holes = pd.DataFrame(
        {
            "hole_id": [1, 2, 3, 4], "pair_id": pd.array([2, 1, 4, 3], dtype="Int64"),
            "throws": [2, 1, 2, 1], "clear_rate": [0.5, 0.8, 0.5, 0.4], "fair": "yes",
        }
    )  # fmt: skip
    got = by_one_throw(holes, 2 / 3)
    assert got[0] == 0.8
    assert np.isnan(got[1:]).all()
    assert by_one_throw(holes, 0.8)[0] == 0.8  # just enough
    holes["fair"] = ["yes", "no", "yes", "yes"]
    assert np.isnan(by_one_throw(holes, 2 / 3)).all()


def test_one_throw_is_not_played_by_one_throw():
    holes = pd.DataFrame(
        {"hole_id": [1, 2], "pair_id": pd.array([2, 1], dtype="Int64"), "throws": 1,
         "clear_rate": 0.9, "fair": "yes"}
    )  # fmt: skip
    assert np.isnan(by_one_throw(holes, 0.5)).all()


def test_a_hole_of_one_route_is_not_played_by_another():
    holes = pd.DataFrame(
        {"hole_id": [1, 2], "pair_id": pd.array([None, None], dtype="Int64"), "throws": [2, 1],
         "clear_rate": [0.5, 0.8], "fair": "yes"}
    )  # fmt: skip
    assert np.isnan(by_one_throw(holes, 0.1)).all()


def test_worth_is_lost_with_hard_throws_and_poor_landings():
    """The geometric mean of how easy the throws are, times the root of what lands well."""
    worth = hole_of(ease=[1.0, 1.0], lands=1.0)["interest"]
    assert hole_of(ease=[0.9, 0.4], lands=1.0)["promise"] == pytest.approx(worth * 0.6)
    assert hole_of(ease=[1.0, 1.0], lands=0.81)["promise"] == pytest.approx(worth * 0.9)
    assert hole_of(ease=[0.9, 0.4], lands=0.81)["score"] == pytest.approx(worth * 0.54)
    one = hole_of(throws=1, ease=[0.5, 0.1])
    assert one["promise"] == pytest.approx(one["interest"] * 0.5)


def test_holes_are_judged_each_by_its_own_throws():
    """Of two throws and of one, together as by themselves."""
    legs = legs_of((50, 50, 50, 130), (50, 131, 50, 171), ease=[0.9, 0.4]).legs
    chains, lands = np.array([[0, 1, -1], [1, -1, -1]]), np.array([0.81, np.nan])
    both = judged(legs, chains, lands, 2 / 3, WEIGHTS)
    for k in range(2):
        one = judged(legs, chains[[k]], lands[[k]], 2 / 3, WEIGHTS)
        assert {name: value[k] for name, value in both.items()} == {
            name: value[0] for name, value in one.items()
        }


def test_the_landing_that_is_asked_for_is_enough():
    assert hole_of(lands=2 / 3)["fair"] == "yes"
    assert hole_of(lands=np.nextafter(2 / 3, 0))["fair"] == "no"


def test_the_narrowest_gap_of_a_hole_is_that_of_its_worst_throw():
    assert hole_of(gap_share=[0.9, 0.7])["gap_share"] == 0.7
    assert hole_of(throws=1, gap_share=[0.9, 0.7])["gap_share"] == 0.9


@pytest.mark.parametrize(
    ("cost", "choice"), [(0.2, 0.0), (0.7, 0.5), (1.2, 1.0), (1.7, 0.5), (3.0, 0.0)]
)
def test_a_choice_is_fullest_where_misses_cost_what_boldness_saves(cost, choice):
    """One throw saved; misses of the safe way cost 0.2."""
    parts = {name: np.zeros(3) for name in COLUMNS}
    holes = gpd.GeoDataFrame(
        {
            "hole_id": [1, 2, 3], "pair_id": pd.array([2, 1, None], dtype="Int64"),
            "throws": [2, 1, 1], "miss_cost": [0.2, cost, 0.3], "score": 0.2, "promise": 0.2,
            "interest": WEIGHTS.plain, **parts,
        }
    )  # fmt: skip
    got = with_choice(holes, WEIGHTS)
    assert got["interest_risk"].tolist() == pytest.approx([choice, choice, 0.0])
    worth = interest(parts | {"interest_risk": np.full(3, choice)}, WEIGHTS)[0]
    assert got["interest"].tolist() == pytest.approx([worth, worth, WEIGHTS.plain])
    assert got["score"].tolist() == pytest.approx([0.2 * worth / WEIGHTS.plain] * 2 + [0.2])
    assert got["promise"].tolist() == got["score"].tolist()
    most = with_choice(holes.assign(score=0.99, promise=0.99), WEIGHTS)
    assert most["score"].max() <= 1.0
    assert most["promise"].max() <= 1.0


@pytest.mark.parametrize(("cost", "choice"), [(1.2, 0.5), (2.2, 1.0), (3.2, 0.5)])
def test_two_throws_saved_are_weighed_against_twice_the_cost(cost, choice):
    """Misses of the safe way cost 0.2; two ways of as many throws leave nothing to choose."""
    holes = gpd.GeoDataFrame(
        {
            "hole_id": [1, 2, 3, 4], "pair_id": pd.array([2, 1, 4, 3], dtype="Int64"),
            "throws": [3, 1, 2, 2], "miss_cost": [0.2, cost, 0.2, cost], "score": 0.2,
            "promise": 0.2, "interest": WEIGHTS.plain,
            **{name: np.zeros(4) for name in COLUMNS}, "interest_risk": 0.1,
        }
    )  # fmt: skip
    got = with_choice(holes, WEIGHTS)
    assert got["interest_risk"].tolist() == pytest.approx([choice, choice, 0.1, 0.1])


def test_water_is_said_to_be_carried_by_those_whose_carry_reaches_it():
    levels = [SimpleNamespace(name=n, carry=c) for n, c in (("a", 50.0), ("b", 40.0), ("c", 2.0))]
    carry = np.array([0.0, 2.9, 3.0, 40.0, 40.1, 50.0, 50.1])
    assert carried_by(carry, levels) == [None, None, "a, b", "a, b", "a", "a", "none"]
    assert carried_by(carry[:4], levels[:2]) == [None, None, None, None]


def test_water_that_one_level_of_three_may_be_asked_for_is_said_first():
    """Longest carries: blue 67 m, white 55 m, red 43 m (our defaults, trade table D)."""
    legs = legs_of((150, 100, 150, 180), carry_water_m=60.0)
    world = leg_worlds.bare(400.0, 1.0)
    three = levels_named(("blue", "white", "red"))
    hole = make_holes(world, three, legs, HoleSettings()).holes.iloc[0]
    assert hole["carried_by"] == "blue"
    assert hole["sentence"].startswith("Only blue should be asked to carry its 60 m of water")
    short = legs_of((150, 100, 150, 180), carry_water_m=30.0)
    hole = make_holes(world, three, short, HoleSettings()).holes.iloc[0]
    assert hole["carried_by"] is None
    assert hole["sentence"].startswith("80 m")


def test_words_name_the_figure_and_the_most_first():
    said = unfair_in_words({"unfair": "gap, wet", "gap_share": 0.512})
    assert said == "its narrowest gap lets 51 % of throws pass, too much of the ground is wet"
    assert unfair_in_words({"unfair": ""}) == unfair_in_words({}) == ""
    row = {"interest_drop": 0.5, "interest_framed": 0.9, "interest_green": 0.1}
    assert worth_in_words(row) == "framed by trees, a drop"
