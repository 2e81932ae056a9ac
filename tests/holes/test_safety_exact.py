"""Room between holes to the figure: each limit just met and just missed, settings of their own."""

from dataclasses import replace
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from hole_worlds import CORNER, ROOMY
from lanewright.base.grid import Grid
from lanewright.holes import safety
from lanewright.holes.fairways import envelopes, fairways
from lanewright.settings.levels import level_named

LEVELS = (level_named("blue"),)
OPEN = leg_worlds.bare(300.0, 1.0)
TWO_THIRDS = 2 * np.sqrt(2 * np.log(3))
"""Axes of the ellipse that holds two thirds of a plane normal spread, in standard deviations."""


def holes(*lines, **columns):
    """Holes with lines given as places from the south-west corner; each one throw by default."""
    data = {
        "hole_id": np.arange(1, len(lines) + 1), "level": "blue", "finish": "straight",
        "legs": [()] * len(lines),
    }  # fmt: skip
    shapes = [shapely.LineString(np.array(line) + CORNER) for line in lines]
    return gpd.GeoDataFrame(data | columns, geometry=shapes, crs=leg_worlds.CRS)


def throws(*lines, **columns):
    """Legs numbered from 1, likewise."""
    made = holes(*lines, **columns).drop(columns=["legs", "hole_id"])
    return made.assign(leg_id=np.arange(1, len(lines) + 1))


def pairs_of(frame, settings, legs=None, among=None):
    found = safety.conflicts(frame, legs, LEVELS, OPEN, settings, among)
    rows = zip(found["first"], found["second"], found["reason"], strict=True)
    return [(int(first), int(second), reason) for first, second, reason in rows]


def with_settings(**changes):
    return ROOMY.model_copy(update=changes)


# ---------------------------------------------------------------------------------------------
# Pairs


@pytest.mark.parametrize("length", [60.0, 0.5])
@pytest.mark.parametrize(("degrees", "past"), [(30.9, True), (31.1, False)])
def test_past_a_basket_is_looked_for_a_degree_wider_than_the_cone_opens(degrees, past, length):
    """A hole that starts 25 m past a basket and leads straight away, so far off the line of play.

    30 m are asked for there, and the cone opens 30 degrees to a side.
    """
    settings = with_settings(behind=(30.0, 30.0), far_deg=30.0, near_deg=0.001)
    turn = np.radians(degrees)
    away = np.array([np.sin(turn), np.cos(turn)])
    basket = np.array([100.0, 120.0])
    frame = holes([basket - (0, length), basket], [basket + 25 * away, basket + 95 * away])
    assert pairs_of(frame, settings) == ([(0, 1, "past the basket")] if past else [])


@pytest.mark.parametrize(("beyond", "inside"), [(24, True), (28, False)])
def test_a_cone_reaches_past_the_landing_zone_of_any_hole(beyond, inside):
    """A throw of 100 m and a right angle: 1.25 times as far, whichever row the hole stands in."""
    settings = with_settings(near_deg=10.0, far_deg=10.0)
    short = [(20, 20), (20, 80)]
    first, second = [(100, 40), (100, 140)], [(100, 140), (200, 140)]
    other = [(100, 140 + beyond), (30, 150 + beyond)]
    frame = holes(short, [*first, second[1]], other, legs=[(1,), (2, 3), (4,)])
    legs = throws(short, first, second, other)
    expected = [(1, 2, "in the danger cone")] if inside else []
    assert pairs_of(frame, settings, legs) == expected


def found_of(*rows):
    """Broken rules as first, second, rule, distance, distance asked."""
    return safety._Found(*(np.array(column) for column in zip(*rows, strict=True)))


def test_of_each_pair_the_rule_broken_worst_is_kept_in_order_of_holes():
    """A sixth of what is asked is worse than a half, though it is more metres of more."""
    found = found_of(
        (1, 2, 4, 6, 10), (0, 3, 1, 5, 10), (0, 3, 0, 10, 60), (0, 1, 5, 4, 8), (0, 1, 2, 2, 4),
        (1, 2, 0, 9, 10),
    )  # fmt: skip
    kept = found.worst(4)
    # Of two broken as badly the earlier rule is named.
    assert list(zip(*vars(kept).values(), strict=True)) == [
        (0, 1, 2, 2, 4), (0, 3, 0, 10, 60), (1, 2, 4, 6, 10),
    ]  # fmt: skip


def test_a_hole_of_one_route_has_no_other():
    """Three in a row, 30 m apart where 35 are asked for, two of them routes of one; one far off."""
    frame = holes(*([(x, 40), (x, 140)] for x in (20, 120, 150, 180)))
    frame["pair_id"] = pd.array([None, 3, 2, None], dtype="Int64")
    settings = with_settings(fairway=(35.0, 35.0))
    near = "fairways too near"
    expected = [(1, 2, "routes of one hole"), (1, 3, near), (2, 3, near)]
    assert pairs_of(frame, settings) == expected
    found = safety.conflicts(frame, None, LEVELS, OPEN, settings).iloc[0]
    assert (found["distance_m"], found["needed_m"]) == (0.0, 1.0)


def test_routes_that_are_first_and_last_of_the_holes_stand_for_one_another():
    """The last is 30 m from the one between them, the first far away on the other side."""
    frame = holes([(40, 40), (40, 140)], [(150, 40), (150, 140)], [(180, 40), (180, 140)])
    frame["pair_id"] = pd.array([3, None, 1], dtype="Int64")
    assert pairs_of(frame, with_settings(fairway=(35.0, 35.0))) == [
        (0, 1, "fairways too near"), (0, 2, "routes of one hole"), (1, 2, "fairways too near"),
    ]  # fmt: skip


def test_rows_without_another_route_are_taken_as_they_are():
    frame = holes([(40, 40), (40, 140)], [(70, 40), (70, 140)])
    frame["pair_id"] = pd.array([None, None], dtype="Int64")
    assert pairs_of(frame, with_settings(fairway=(35.0, 35.0))) == [(0, 1, "fairways too near")]


# ---------------------------------------------------------------------------------------------
# Trees between


def land_of_numbers():
    """30 rows by 50 columns of 2 m; the share of trees tells which cell was looked at."""
    grid = Grid(leg_worlds.CRS, 1000.0, 5000.0, 2.0, 30, 50)
    row, col = np.mgrid[:30, :50]
    return SimpleNamespace(grid=grid, trees_around=row**2 + 1000.0 * col**2)


def test_trees_are_looked_for_at_nine_places_in_the_middle_of_ninths():
    """36 m east and 18 m south: at 2, 6, 10 … m and 1, 3, 5 … m from the start; and back."""
    scene = land_of_numbers()
    a, b = np.array([[1010.0, 4990.0]]), np.array([[1046.0, 4972.0]])
    col = (10 + 2 + 4 * np.arange(9)) // 2
    row = (10 + 1 + 2 * np.arange(9)) // 2
    looked = (row**2 + 1000.0 * col**2).mean()
    assert safety.trees_between(scene, a, b) == pytest.approx([looked])
    both = safety.trees_between(scene, np.r_[a, b, a], np.r_[b, a, a + 0.5])
    assert both == pytest.approx([looked, looked, 4**2 + 1000 * 5**2])


# ---------------------------------------------------------------------------------------------
# A hole by itself


def alone(frame, settings, legs=None, **land):
    return safety.alone(frame, legs, LEVELS, replace(OPEN, **land), settings)


def test_what_is_asked_is_met_where_it_is_just_kept():
    """30 m with what is added to be sure; a throw of 100 m asks for the whole of it."""
    settings = with_settings(keep_out=(30.0 - safety.SLACK, 0.0), fade_side=1.0)
    frame = holes([(100, 60), (100, 160)])
    for apart, ok in ((30.0, True), (29.99, False), (29.0, False)):
        # An edge of a power of two, so that not even the last digit of the distance is off.
        road = leg_worlds.box(100 + apart, 50, 140, 178)
        found = alone(frame, settings, keep_out=road)
        assert found.empty is ok
        if not ok:
            assert found[["hole", "distance_m"]].to_numpy().tolist() == [[0, pytest.approx(apart)]]
            assert found["needed_m"][0] == pytest.approx(30.0)


def test_more_is_asked_behind_a_basket_only_of_what_lies_behind_that_basket():
    """50 m from a shed, and 100 m of a throw that ends 10 m before it, or 60 m past it."""
    settings = with_settings(keep_out=(50.0, 50.0), fade_side=2.0)
    shed = leg_worlds.box(150, 90, 160, 100)
    frame = holes([(100, 60), (100, 160)], [(155, 210), (155, 110)], [(250, 60), (250, 95)])
    found = alone(frame, settings, keep_out=shed)
    assert found["hole"].tolist() == [1]
    assert found["needed_m"].tolist() == pytest.approx([100 + safety.SLACK])


@pytest.mark.parametrize(("share", "wooded"), [(0.5, True), (0.49, False), (0.35, False)])
def test_trees_count_as_standing_between_from_a_tenth_more_than_is_asked(share, wooded):
    """0.4 is the setting; with trees 21 m are asked for, and 40 without."""
    settings = with_settings(building=(40.0, 21.0), sheltered=0.4)
    scene = replace(OPEN, buildings=leg_worlds.box(130, 0, 140, 300))
    scene.__dict__["trees_around"] = np.full(scene.grid.shape, share, np.float32)
    found = safety.alone(holes([(100, 60), (100, 160)]), None, LEVELS, scene, settings)
    assert found.empty is wooded


def test_the_side_a_leg_fades_to_is_its_own_not_the_holes():
    """Two throws, the first to the right: 20 m are asked for there, 40 where it fades to."""
    settings = with_settings(keep_out=(20.0, 20.0), fade_side=2.0)
    first, second = [(100, 40), (100, 140)], [(100, 140), (30, 140)]
    frame = holes([*first, second[1]], legs=[(1, 2)])
    road = leg_worlds.box(130, 0, 140, 180)
    for finish, ok in (("right", False), ("left", True), ("straight", True)):
        legs = throws(first, second, finish=[finish, "straight"])
        assert alone(frame, settings, legs, keep_out=road).empty is ok


def test_each_hole_and_reason_has_a_row_for_its_worst_place():
    """A house beside the second hole and a path beside both, at 10, 12 and 8 m."""
    settings = with_settings(building=(20.0, 20.0), path=(15.0, 15.0))
    frame = holes([(100, 60), (100, 160)], [(200, 60), (200, 160)])
    path = shapely.LineString(CORNER + np.array([(108, 0), (108, 300), (212, 300), (212, 0)]))
    house = leg_worlds.box(180, 145, 190, 155)
    found = alone(frame, settings, paths=path, buildings=house)
    assert found.index.tolist() == [0, 1, 2]
    assert found[["hole", "reason"]].to_numpy().tolist() == [
        [0, "path too near"], [1, "building too near"], [1, "path too near"],
    ]  # fmt: skip
    assert found["distance_m"].to_numpy() == pytest.approx([8.0, 10.0, 12.0])
    # At the far end of a throw of 100 m the whole distance is asked for.
    assert found["needed_m"].to_numpy() - safety.SLACK == pytest.approx([15.0, 20.0, 15.0])


@pytest.mark.parametrize(("metres", "wire", "found"), [(24, 2.5, 0), (27, 2.5, 1), (27, 2.0, 0)])
def test_places_within_reach_of_a_wire_are_counted_three_metres_each(metres, wire, found):
    """Places every 3 m along the hole, 2 m beside the wire, and one more: 30 m are allowed."""
    settings = with_settings(wire=wire, wire_along=30.0)
    line = shapely.LineString(CORNER + np.array([(102.0, 90.0), (102.0, 90.0 + metres)]))
    wires = gpd.GeoDataFrame(geometry=[line], crs=leg_worlds.CRS)
    rows = alone(holes([(100, 60), (100, 150)]), settings, wires=wires)
    assert len(rows) == found
    if found:
        assert rows.loc[0].tolist() == [0, "along wires", 2.0, 2.5]


# ---------------------------------------------------------------------------------------------
# Places of a hole


def test_no_holes_have_no_places():
    none = fairways(holes([(0, 0), (0, 9)]).iloc[:0], None, LEVELS, ROOMY)
    assert {name: len(value) for name, value in vars(none).items()} == dict.fromkeys(vars(none), 0)
    assert all(vars(none)[name].dtype.kind == "i" for name in ("hole", "fades", "leg", "leg_level"))
    assert envelopes(none, LEVELS, 0, ROOMY).tolist() == []


def test_a_hole_whose_legs_nobody_knows_is_one_throw():
    frame = holes([(40, 40), (40, 100)], legs=[(7, 8)], finish="left")
    for legs in (None, throws([(0, 0), (0, 30)])):
        ways = fairways(frame, legs, LEVELS, ROOMY)
        assert ways.leg_hole.tolist() == [0]
        assert set(ways.fades.tolist()) == {1}
    assert set(fairways(frame.assign(finish="straight"), None, LEVELS, ROOMY).fades) == {0}


def test_a_throw_shorter_than_a_step_has_its_two_ends():
    ways = fairways(holes([(40, 40), (42, 40)]), None, LEVELS, ROOMY)
    assert ways.along.tolist() == [0, 2]
    assert ways.left.tolist() == [2, 0]
    # Nobody saw where it lands, so the aim spreads it: blue's 2.5 degrees.
    assert ways.spread == pytest.approx([0, 2 * np.tan(np.radians(2.5))])


@pytest.mark.parametrize(("length", "spread"), [(1.5, 6.0), (0.5, 3.0)])
def test_a_short_throw_spreads_as_it_landed_and_shorter_than_a_metre_less(length, spread):
    line = [(40, 40), (40, 40 + length)]
    legs = throws(line, landing_long_m=6 * TWO_THIRDS, landing_wide_m=6 * TWO_THIRDS,
                  landing_bearing_deg=0.0)  # fmt: skip
    ways = fairways(holes(line, legs=[(1,)]), legs, LEVELS, ROOMY)
    assert ways.spread[-1] == pytest.approx(spread)


def test_landings_are_turned_against_the_way_from_end_to_end():
    """Thrown on a bow to the north-north-east, 30 degrees; the long axis lies 30 degrees further.

    So it stands across at half its length, the short one at 0.87 of its own.
    """
    end = 40 + 80 * np.array([np.sin(np.radians(30)), np.cos(np.radians(30))])
    line = [(40, 40), (50, 90), end]
    legs = throws(line, landing_long_m=9 * TWO_THIRDS, landing_wide_m=4 * TWO_THIRDS,
                  landing_bearing_deg=60.0)  # fmt: skip
    ways = fairways(holes(line, legs=[(1,)]), legs, LEVELS, ROOMY)
    assert ways.spread[-1] == pytest.approx(np.hypot(9 * 0.5, 4 * np.sqrt(0.75)))


def test_lines_of_fire_cover_every_throw_of_every_hole_a_metre_wide_at_least():
    """Two throws and one: every fairway lies within, and at the tees a metre beside it, no more."""
    first, second, other = [(40, 40), (40, 120)], [(40, 120), (110, 120)], [(200, 150), (200, 60)]
    frame = holes([*first, second[1]], other, legs=[(1, 2), (3,)])
    legs = throws(first, second, other)
    settings = ROOMY.model_copy(update={"sds": 2.0})
    ways = fairways(frame, legs, LEVELS, settings)
    shapes = envelopes(ways, LEVELS, 2, settings)
    assert all(shape.covers(line) for shape, line in zip(shapes, frame.geometry, strict=True))
    assert shapes[0].bounds[1] - CORNER[1] == pytest.approx(40 - 1)
    assert shapes[1].bounds[3] - CORNER[1] == pytest.approx(150 + 1)
    # Blue's aim spreads 2.5 degrees, its speed 4 %, which is 1.59 times as much of the length.
    for reach, end, length in (
        (shapes[0].bounds[2] - CORNER[0], 110, 70), (60 - (shapes[1].bounds[1] - CORNER[1]), 0, 90),
    ):  # fmt: skip
        wide = 2.0 * np.tan(np.radians(2.5)) * length
        assert reach - end == pytest.approx(2.0 * 1.59 * 0.04 * length + wide, abs=0.2)
