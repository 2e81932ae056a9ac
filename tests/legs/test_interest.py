"""What makes a throw interesting, to the figure: against a slow twin, and on land worked by hand.

The figures are those that the head of `legs/interest.py` gives: common practice, no source. They
stand here a second time, so that neither place changes alone.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

import leg_worlds
from lanewright.legs.interest import COLUMNS, Ways, components
from lanewright.scene import Scene

ROWS, COLS = 70, 90  # of 1 m: wider than high, so that a row taken for a column is noticed
POINTS = 41


def small() -> Scene:
    """Bare level land of `ROWS` by `COLS` cells."""
    world = leg_worlds.bare(float(COLS), 1.0)
    cut = {
        name: array[:ROWS]
        for name, array in vars(world).items()
        if isinstance(array, np.ndarray) and array.shape[:2] == world.grid.shape
    }
    return replace(world, grid=world.grid.window(0, 0, ROWS, COLS), **cut)


def rough(rng, height) -> Scene:
    """Land on which no two cells are alike: heights, gaps in them, trees and single layers."""
    world, shape = small(), (ROWS, COLS)
    ground = np.where(rng.random(shape) < 0.02, np.nan, 200 + height * rng.random(shape))
    layers = (rng.random((*shape, 64)) < 0.03).astype(np.uint64) << np.arange(64, dtype=np.uint64)
    return replace(
        world,
        ground=ground.astype(np.float32),
        blocked=layers.sum(-1, dtype=np.uint64),
        canopy_height=np.where(rng.random(shape) < 0.1, 8, 0).astype(np.float32),
    )


def cell(world, x, y):
    """Row and column of a point, or of the nearest cell."""
    row = math.floor(world.grid.top - y)
    return min(max(row, 0), ROWS - 1), min(max(math.floor(x - world.grid.left), 0), COLS - 1)


def straight_to(first, last, i):
    """Where a flight without its curve is at point `i`, in x or y."""
    return first + (last - first) * i / (POINTS - 1)


def ways_over(world, rng, legs) -> Ways:
    """Bent paths in all directions, at all heights from under the ground to over the layers."""
    turn, curve = rng.uniform(0, 2 * np.pi, (2, legs, 1))
    along = np.linspace(0, rng.uniform(15, 45, (legs, 1)), POINTS, axis=1)[..., 0]
    aside = 8 * np.sin(curve + along / 12)
    x = world.grid.left + rng.uniform(5, COLS - 5, (legs, 1))
    x = x + along * np.cos(turn) - aside * np.sin(turn)
    y = world.grid.top - rng.uniform(5, ROWS - 5, (legs, 1))
    y = y + along * np.sin(turn) + aside * np.cos(turn)
    layer = rng.choice([-2, -1, 0, 1, 2, 30, 62, 63, 64, 65], x.shape)
    z = np.empty(x.shape)
    for k in range(legs):
        for i in range(POINTS):
            under = (straight_to(a[k, 0], a[k, -1], i) for a in (x, y))
            ground = world.ground[cell(world, *under)]
            z[k, i] = (200 if np.isnan(ground) else ground) + 0.25 * (layer[k, i] + 0.5)
    return Ways(
        x=x, y=y, z=z, roofed=rng.random(x.shape) < 0.5, bent=rng.random(legs) < 0.8,
        water=rng.uniform(0, 50, legs), most_carry=60.0, trouble=rng.uniform(0, 0.2, legs),
    )  # fmt: skip


def ramp(value, start, end):
    """0 up to `start`, 1 from `end`; 0 where nobody knows."""
    return 0.0 if np.isnan(value) else min(max((value - start) / (end - start), 0.0), 1.0)


def framed_plainly(world, x, y, towards):
    """Trees to the sides of one point of a leg that runs `towards` [rad]."""
    sides = []
    for side in (towards + math.pi / 2, towards - math.pi / 2):
        walls = [0.0]
        for off in (2, 4, 6, 8, 10, 12):
            at = cell(world, x + off * math.cos(side), y + off * math.sin(side))
            brush = any(int(world.blocked[at]) >> k & 1 for k in range(2, 20))  # 0.5 to 5 m
            if brush or world.canopy_height[at] > 4:
                walls.append(1 - ramp(off, 6, 15))
        sides.append(max(walls))
    return 0.75 * min(sides) + 0.25 * max(sides)


def barred_plainly(world, way, k):
    """Share of the points of the straight flight that growth bars."""
    count = 0
    for i in range(POINTS):
        at = cell(world, *(straight_to(a[k, 0], a[k, -1], i) for a in (way.x, way.y)))
        height = way.z[k, i] - float(world.ground[at])
        if 0 <= height < 16:  # false where the ground is not known
            count += int(world.blocked[at]) >> int(height / 0.25) & 1
    return count / POINTS


def falls_plainly(world, way, k):
    """How far the ground falls around the end [m], ahead and aside."""
    x, y = way.x[k], way.y[k]
    came = math.degrees(math.atan2(y[-1] - y[-6], x[-1] - x[-6]))
    end, most = world.ground[cell(world, x[-1], y[-1])], 0.0
    for turn in (0, 22.5, 45, 67.5, 90, 112.5, -22.5, -45, -67.5, -90, -112.5):
        for far in (6, 10, 15):
            ray = math.radians(came + turn)
            at = cell(world, x[-1] + far * math.cos(ray), y[-1] + far * math.sin(ray))
            most = max(most, float(end - world.ground[at]))  # NaN is never more
    return most


def components_plainly(world, way, k):
    """Slow twin of `components` for one leg."""
    x, y = way.x[k], way.y[k]
    ground = [float(world.ground[cell(world, *point)]) for point in zip(x, y, strict=True)]
    towards = math.atan2(y[-1] - y[0], x[-1] - x[0])
    both = [framed_plainly(world, *point, towards) for point in zip(x, y, strict=True)]
    under = [straight_to(ground[0], ground[-1], i) - ground[i] for i in range(POINTS)]
    hollow = max([0.0, *(h for h in under if not np.isnan(h))])
    return (
        np.mean(both),
        np.mean([b if roof else 0 for b, roof in zip(both, way.roofed[k], strict=True)]),
        ramp(barred_plainly(world, way, k), 0, 0.15) if way.bent[k] else 0,
        max(ramp(way.water[k] / max(way.most_carry, 1), 0.1, 0.6), ramp(hollow, 2, 6)),
        ramp(ground[0] - ground[-1], 2, 8),
        ramp(falls_plainly(world, way, k), 0.75, 3),
        ramp(way.trouble[k], 0.02, 0.15),
        ramp(ground[0] - world.ground_around[cell(world, x[0], y[0])], 0.5, 4),
    )


@pytest.mark.parametrize("height", [2.5, 9.0])
def test_each_component_equals_its_slow_twin(height):
    """Low land for the fall at the green, high land for drops, hollows and views."""
    rng = np.random.default_rng(7)
    world = rough(rng, height)
    way = ways_over(world, rng, 60)
    got = components(world, way)
    assert tuple(got) == COLUMNS
    plain = np.array([components_plainly(world, way, k) for k in range(len(way.x))])
    for name, expected in zip(COLUMNS, plain.T, strict=True):
        np.testing.assert_allclose(got[name], expected, atol=1e-6, err_msg=name)


def line(world, start, end, z=201.1, **given) -> Ways:
    """One leg from here to there, metres from the south-west corner of `world`."""
    left, bottom = world.grid.bounds[:2]
    x = left + np.linspace(start[0], end[0], POINTS)[None]
    y = bottom + np.linspace(start[1], end[1], POINTS)[None]
    none = {
        "roofed": np.ones(x.shape, bool), "bent": np.ones(1, bool), "water": np.zeros(1),
        "most_carry": 60.0, "trouble": np.zeros(1),
    }  # fmt: skip
    return Ways(x=x, y=y, z=np.full(x.shape, z), **(none | given))


@pytest.mark.parametrize(
    ("start", "end", "seen"),
    [
        ((45.5, 10.5), (45.5, 30.5), True),  # the ditch lies ahead
        ((25.5, 30.5), (45.5, 30.5), True),  # to the left
        ((65.5, 30.5), (45.5, 30.5), True),  # to the right
        ((45.5, 60.5), (45.5, 30.5), False),  # behind: the player has passed it
    ],
)
def test_ground_that_falls_on_one_side_counts_unless_it_is_back_along_the_way(start, end, seen):
    """A ditch 1.5 m deep 10 m north of the end: (1.5 - 0.75) / (3 - 0.75) makes 1/3."""
    world = small()
    rows, cols = np.mgrid[:ROWS, :COLS]
    ditch = (np.abs(rows + 0.5 - (ROWS - 40.5)) < 1.6) & (np.abs(cols - 45) < 2)
    world = replace(world, ground=np.where(ditch, 198.5, 200).astype(np.float32))
    got = components(world, line(world, start, end))["interest_green"][0]
    assert got == pytest.approx(1 / 3 if seen else 0)


def test_trees_on_one_side_make_a_quarter_of_a_frame_and_unseen_layers_bar_nothing():
    """A row of trees 4 m north of a leg that runs west, with one layer shut over all the land."""
    world = small()
    canopy = np.zeros((ROWS, COLS), np.float32)
    canopy[ROWS - 35] = 8.0
    world = replace(world, canopy_height=canopy, blocked=np.full((ROWS, COLS), 1 << 40, np.uint64))
    way = line(world, (70.5, 30.5), (20.5, 30.5))
    for height, shut in ((9.9, 0), (10.1, 1), (10.2, 1), (10.3, 0)):  # layer 40: 10 to 10.25 m
        got = components(world, replace(way, z=np.full(way.x.shape, 200 + height)))
        assert got["interest_framed"][0] == got["interest_tunnel"][0] == 0.25
        assert got["interest_shaped"][0] == shut


def test_a_level_that_is_asked_for_no_carry_is_measured_against_1_m():
    world = small()
    way = line(world, (10.5, 20.5), (60.5, 50.5), water=np.array([0.35]), most_carry=0.0)
    assert components(world, way)["interest_carry"][0] == pytest.approx((0.35 - 0.1) / 0.5)
