"""Holes made of planted legs: how throws join, what is measured, which are kept."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from hole_worlds import chains, legs_of
from lanewright.base import schema
from lanewright.holes import holes as made
from lanewright.holes.links import with_legs_of
from lanewright.holes.measure import Played
from lanewright.holes.measure import measured as measured_of
from lanewright.holes.wording import as_layer
from lanewright.holes.zones import landing_share
from lanewright.legs.legs import Legs
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.judge import InterestSettings
from lanewright.settings.levels import level_named

BLUE, RED = level_named("blue"), level_named("red")
SETTINGS = HoleSettings()


def written(found):
    """The holes as they are written out."""
    return as_layer(found.holes, found.links, found.pars, found.legs)


def test_a_throw_goes_on_where_another_starts_within_a_few_metres():
    legs = legs_of((50, 50, 50, 130), (53, 132, 53, 205), (60, 132, 60, 200))
    assert chains(legs) == {(0,), (1,), (2,), (0, 1)}


def test_three_throws():
    legs = legs_of((50, 50, 50, 130), (50, 132, 50, 205), (50, 208, 50, 280))
    assert chains(legs) == {(0,), (1,), (2,), (0, 1), (1, 2), (0, 1, 2)}
    assert (0, 1, 2) not in chains(legs, settings=HoleSettings(most_legs=2))


def test_only_the_first_throw_may_be_longer_than_a_fairway_throw():
    """80 % of 101 m: 80.8 m."""
    short = legs_of((50, 50, 50, 150), (50, 152, 50, 232))
    long = legs_of((50, 50, 50, 150), (50, 152, 50, 234))
    assert (0, 1) in chains(short)
    assert (0, 1) not in chains(long)


@pytest.mark.parametrize(("bend", "ok"), [(95, True), (105, False)])
def test_bends(bend, ok):
    way = 70 * np.array([np.sin(np.radians(bend)), np.cos(np.radians(bend))])
    legs = legs_of((150, 50, 150, 130), (150, 131, *(np.array([150, 131]) + way)))
    # Straightness would end it too: at 105 degrees tee and basket still lie 0.61 of it apart.
    assert ((0, 1) in chains(legs)) is ok


def test_a_bend_needs_a_reason():
    legs = legs_of((100, 50, 100, 130), (100, 131, 150, 180))
    assert (0, 1) in chains(legs, bars=lambda a, b: np.full(len(a), 0.4))
    assert (0, 1) not in chains(legs, bars=lambda a, b: np.zeros(len(a)))
    straight = legs_of((100, 50, 100, 130), (100, 131, 105, 200))
    assert (0, 1) in chains(straight, bars=lambda a, b: np.zeros(len(a)))


def test_a_landing_zone_must_take_two_thirds_of_the_throws():
    legs = legs_of((50, 50, 50, 130), (50, 132, 50, 205))
    assert (0, 1) in chains(legs, lands=np.array([0.67, 0.0]))
    assert (0, 1) not in chains(legs, lands=np.array([0.66, 1.0]))


def test_share_that_lands_well_follows_the_spread_of_throws():
    """A meadow strip, its edges at plus and minus one standard deviation of the aim: 68 %."""
    spread = 80 * np.tan(np.radians(BLUE.lateral_sd_deg))
    world = leg_worlds.bare(300.0, 0.5)
    x, _ = leg_worlds.centres(world)
    world = leg_worlds.planted(world, np.abs(x - 150) > spread, 1.0, high=3.0)
    legs = legs_of((150, 100, 150, 180))
    (share,) = landing_share(world, (BLUE,), legs.legs, 20.0)
    assert share == pytest.approx(0.683, abs=0.12)  # in sevenths
    wide = leg_worlds.planted(leg_worlds.bare(300.0, 0.5), np.abs(x - 150) > 30, 1.0)
    assert landing_share(wide, (BLUE,), legs.legs, 20.0) == 1.0


@pytest.mark.parametrize("spoiled", ["water", "wet", "slope_pct"])
def test_water_wet_and_steep_ground_take_no_landing(spoiled):
    world = leg_worlds.bare(300.0, 1.0)
    there = np.full(world.grid.shape, 30.0 if spoiled == "slope_pct" else True)
    world = replace(world, **{spoiled: there})
    assert landing_share(world, (BLUE,), legs_of((150, 100, 150, 180)).legs, 20.0) == 0.0


# ---------------------------------------------------------------------------------------------
# What is measured


def measured(legs, *rows, levels=(BLUE,), settings=SETTINGS):
    chain = np.full((len(rows), 3), -1)
    for i, row in enumerate(rows):
        chain[i, : len(row)] = row
    lands = np.full(len(legs.legs), 0.8)
    return measured_of(Played(legs.legs, lands), chain, levels, levels[0], settings)


def test_a_hole_of_two_throws():
    legs = legs_of(
        (50, 50, 50, 130), (50, 131, 120, 131), rise_m=[4.0, -1.0],
        effective_length_m=[92.0, 67.0], pinch_width_m=[9.0, 6.0], carry_water_m=[0.0, 12.0],
        lane_kind=["open", "tunnel"], finish=["left", "right"],
    )  # fmt: skip
    hole = measured(legs, (0, 1), levels=(BLUE, RED)).iloc[0]
    assert hole["length_m"] == pytest.approx(150)
    assert hole["rise_m"] == pytest.approx(3)
    assert hole["effective_length_m"] == pytest.approx(159)  # three metres for each of climb
    assert hole["clear_rate"] == pytest.approx(0.81)
    assert hole["bend_deg"] == pytest.approx(-90)  # to the right
    assert hole["forced"] == 1
    assert hole["carry_water_m"] == 12
    assert (hole["pinch_width_m"], hole["pinch_at_m"]) == (6.0, pytest.approx(80 + 35))
    assert hole["finish"] == "left"
    assert hole["wooded_share"] == pytest.approx(70 / 150)
    assert hole["lane_kind"] == "open"
    assert hole["landing_share"] == pytest.approx(0.8)
    assert hole["foliage"] == pytest.approx((80 * 1.1 + 70 * 0.85) / 150)
    # Forced to the landing: one throw there, one more from 67 m, and two to finish.
    assert hole["par"] == 4
    assert hole["par_blue"] == 4
    assert hole["par_red"] >= 4
    assert hole["par_source"] == "our default"


def test_a_miss_costs_more_over_water():
    legs = legs_of((50, 50, 50, 130), (150, 50, 150, 130), carry_water_m=[0.0, 20.0])
    dry, wet = measured(legs, (0,), (1,))["miss_cost"]
    assert 0 < dry < wet
    assert wet == pytest.approx(2 * 0.1)  # the throw and a penalty, one time in ten


def test_score_falls_with_any_weak_throw_and_a_poor_landing():
    legs = legs_of((50, 50, 50, 130), (50, 131, 50, 200), score=[0.9, 0.4])
    one, both = measured(legs, (0,), (0, 1))["score"]
    plain = InterestSettings().plain  # nothing on this land makes a hole interesting
    assert one == pytest.approx(plain * 0.9)
    assert both == pytest.approx(plain * np.sqrt(0.9 * 0.4) * np.sqrt(0.8))


# ---------------------------------------------------------------------------------------------
# What is kept


def many(count=300, seed=0, size=400.0):
    rng = np.random.default_rng(seed)
    throws = []
    while len(throws) < count:
        tee, angle = rng.uniform(40, size - 40, 2), rng.uniform(0, 2 * np.pi)
        end = tee + rng.uniform(68, 100) * np.array([np.cos(angle), np.sin(angle)])
        if (end > 40).all() and (end < size - 40).all():
            throws.append((*tee, *end))
    return legs_of(
        *throws, score=rng.uniform(0.4, 1, count),
        finish=rng.choice(["left", "right", "straight"], count),
    )  # fmt: skip


def test_candidates_are_spread_kinds_mixed_and_documented():
    world, legs = leg_worlds.bare(400.0, 1.0), many()
    found = made.make_holes(world, (BLUE,), legs, HoleSettings(keep=60))
    frame = schema.conform("holes", written(found))
    assert len(frame) == 60
    assert frame["hole_id"].tolist() == list(range(1, 61))
    assert frame["finish"].value_counts().min() >= 12
    squares = {(int(p.x // 100), int(p.y // 100)) for p in frame.geometry.centroid}
    assert len(squares) >= 14  # of 16, some of it too near the border
    used = {int(i) for text in frame["legs"] for i in text.split()}
    assert found.leg_ids.tolist() == sorted(used)
    assert all(text.endswith(".") and len(text) < 250 for text in frame["sentence"])
    assert frame["route"].eq("safe").all()


def test_candidates_hold_many_that_fit_together():
    from lanewright.holes import safety

    world, legs = leg_worlds.bare(400.0, 1.0), many()
    found = made.make_holes(world, (BLUE,), legs, HoleSettings(keep=60))
    pairs = safety.conflicts(
        with_legs_of(found.holes, found.links), legs.legs, (BLUE,), world, SafetySettings()
    )
    clash = np.zeros((60, 60), bool)
    clash[pairs["first"], pairs["second"]] = clash[pairs["second"], pairs["first"]] = True
    best = 0
    for start in range(60):  # greedy from each hole
        kept, free = [start], ~clash[start]
        free[start] = False
        while free.any():
            i = np.flatnonzero(free)[clash[np.ix_(free, free)].sum(1).argmin()]
            kept.append(i)
            free &= ~clash[i]
            free[i] = False
        best = max(best, len(kept))
    # 10 ha of open land in holes of 84 m that keep 37 m apart
    assert best >= 9


def test_holes_by_the_border_and_over_a_road_are_left_out():
    world = leg_worlds.bare(400.0, 1.0)
    road = leg_worlds.box(200, 0, 206, 400)
    world = replace(world, keep_out=road)
    legs = legs_of((100, 100, 100, 180), (160, 200, 240, 200), (8, 100, 8, 180))
    found = made.make_holes(world, (BLUE,), legs, SETTINGS)
    assert found.links["leg_id"].tolist() == [1]


def test_own_holes_are_kept_named_and_bent():
    world = leg_worlds.bare(400.0, 1.0)
    legs = legs_of(
        (100, 100, 100, 180),
        (8.5, 100.5, 8.5, 180.5),
        (8.5, 180.5, 80.5, 180.5),
        origin=["search", "own", "own"],
    )
    own = pd.DataFrame({"name": "Old barn", "level": "blue", "throw": [0, 1], "leg_id": [2, 3]})
    found = made.make_holes(world, (BLUE,), replace(legs, own=own), SETTINGS)
    own = found.holes[found.holes["origin"] == "own"].iloc[0]
    assert (own["name"], own["throws"]) == ("Old barn", 2)
    mine = found.links[found.links["hole_id"] == own["hole_id"]]
    assert mine["leg_id"].tolist() == [2, 3]
    assert own["bend_deg"] == pytest.approx(-90)
    assert len(found.holes) == 2


def test_without_lidar_holes_come_from_the_ground_alone():
    legs = many(40)
    unknown = ["clear_rate", "clear_rate_low", "clear_rate_high", "clear_rate_leaf_on",
               "pinch_width_m", "pinch_at_m"]  # fmt: skip
    table = legs.legs.assign(**dict.fromkeys(unknown, np.nan), lane_kind=None)
    found = made.make_holes(
        leg_worlds.bare(400.0, 1.0), (BLUE,), Legs(legs.tee_sites, legs.basket_sites, table),
        HoleSettings(keep=10),
    )  # fmt: skip
    frame = schema.conform("holes", written(found))
    assert len(frame) == 10
    assert frame["clear_rate"].isna().all()
    assert frame["lane_kind"].isna().all()
    assert frame["score"].between(0, 1).all()
    assert not frame["sentence"].str.contains("nan|None").any()


@pytest.mark.parametrize(("clear", "said"), [(0.6, True), (0.7, False)])
def test_a_hole_that_fewer_than_two_thirds_pass_says_so(clear, said):
    legs = legs_of((150, 100, 150, 180), clear_rate=clear)
    found = made.make_holes(leg_worlds.bare(400.0, 1.0), (BLUE,), legs, SETTINGS)
    assert ("tight, 60 % of throws pass" in found.holes["sentence"].iloc[0]) is said


def test_no_legs_make_no_holes_and_say_so():
    legs = legs_of((100, 100, 100, 180))
    none = Legs(legs.tee_sites, legs.basket_sites, legs.legs.iloc[:0])
    found = made.make_holes(leg_worlds.bare(400.0, 1.0), (BLUE,), none, SETTINGS)
    assert schema.conform("holes", written(found)).empty
    assert schema.conform("hole_positions", found.positions).empty
    assert found.leg_ids.size == 0
    assert "no candidate holes" in found.warnings[0]


def test_without_several_throws_that_is_said():
    found = made.make_holes(
        leg_worlds.bare(400.0, 1.0), (BLUE,), legs_of((100, 100, 100, 180)), SETTINGS
    )
    assert "more than one throw" in found.warnings[0]


# ---------------------------------------------------------------------------------------------
# Greens


def green_of(world, throw=(150, 60, 150, 150), slope=4.0):
    legs = legs_of(throw, landing_slope_pct=slope)
    found = made.make_holes(world, (BLUE,), legs, HoleSettings())
    return found.holes.iloc[0]


def test_what_lies_beyond_a_green_is_reported():
    world = leg_worlds.bare(300.0, 1.0)
    x, y = leg_worlds.centres(world)
    pond = replace(world, water=(y > 162) & (y < 175))
    hole = green_of(pond)
    assert "water 12 m" in hole["green"] or "water 13 m" in hole["green"]
    assert "behind" in hole["green"]
    assert hole["trouble_m"] == pytest.approx(12.5, abs=1.0)
    cliff = replace(world, ground=np.where(x > 158, 190, 200).astype("f4"))
    assert "a drop" in green_of(cliff)["green"]
    assert "right" in green_of(cliff)["green"]
    assert green_of(world)["green"] == "gentle, open"
    assert np.isnan(green_of(world)["trouble_m"])
    unseen = replace(world, canopy_height=np.full_like(world.canopy_height, np.nan))
    assert green_of(unseen)["green"] == "gentle"


def test_trees_frame_a_green_from_where_they_stand():
    world = leg_worlds.bare(300.0, 1.0)
    x, y = leg_worlds.centres(world)
    left = leg_worlds.planted(world, (x < 142) & (y > 120), 1.0, high=12.0)
    assert green_of(left)["green"] == "gentle, trees left"
    all_round = leg_worlds.planted(
        world, (np.hypot(x - 150, y - 150) > 8) & ~((abs(x - 150) < 4) & (y < 150)), 1.0, high=12.0
    )
    assert "walled in by trees" in green_of(all_round)["green"]


def test_steep_greens_score_less():
    world = leg_worlds.bare(300.0, 1.0)
    scores = [green_of(world, slope=s)["score"] for s in (5.0, 15.0, 24.0, 35.0)]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] > scores[-1]


def test_pairs_name_one_another():
    frame = gpd.GeoDataFrame(
        {
            "hole_id": [1, 2, 3], "throws": [2, 1, 1], "twin": ["a", "a", "b"],
            "second": [np.nan, True, np.nan],
        },
        geometry=shapely.points([[0, 0]] * 3),
    )  # fmt: skip
    named = made._routes(frame)
    assert named["route"].tolist() == ["safe", "bold", "safe"]
    assert named["pair_id"].tolist()[:2] == [2, 1]
    assert pd.isna(named["pair_id"].iloc[2])
