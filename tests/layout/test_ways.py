"""Straight ways and the lines of fire that they come into, against one shape at a time."""

import numpy as np
import pytest
import shapely

from lanewright.base.bits import flags_of
from lanewright.layout.ways import LOOK, course_of
from lanewright.settings.layout import LayoutSettings
from layout_worlds import among, grounds, holes_of


@pytest.mark.parametrize("seed", range(3))
def test_a_way_comes_into_the_lines_of_fire_that_it_crosses(seed):
    """What a way goes through by more than a square is found, what it misses by one is not."""
    rng = np.random.default_rng(seed)
    ends = rng.uniform(40, 360, (14, 2))
    turn = rng.uniform(0, 2 * np.pi, 14)
    tees = ends + 70 * np.column_stack([np.cos(turn), np.sin(turn)])
    made = among(holes_of([[tuple(a), tuple(b)] for a, b in zip(ends, tees, strict=True)]))
    course = course_of(made, grounds().footing, np.array([200.0, 20.0]), LayoutSettings())
    under = flags_of(course.fire)
    looked = crossed = 0
    for a in range(14):
        for b in range(14):
            way = course.way[a, b]
            if way < 0:
                continue
            line = shapely.LineString([made.basket[a], made.tee[b]])
            for hole, fire in enumerate(made.fire):
                if hole in (a, b):
                    assert not under[way, hole]
                    continue
                looked += 1
                if line.intersection(fire.buffer(-LOOK)).length > LOOK:
                    assert under[way, hole]
                    crossed += 1
                elif not line.intersects(fire.buffer(LOOK)):
                    assert not under[way, hole]
    assert looked > 50
    assert crossed > 3


def test_some_candidates_keep_their_ways_and_lines_of_fire():
    rng = np.random.default_rng(4)
    starts = rng.uniform(60, 340, (12, 2))
    made = among(holes_of([[tuple(p), (p[0] + 40, p[1] + 30)] for p in starts]))
    course = course_of(made, grounds().footing, np.array([200.0, 20.0]), LayoutSettings())
    rows = np.array([1, 4, 5, 9])
    some = course.take(rows)
    stops = np.r_[rows, 12]
    for a, first in enumerate(stops):
        for b, then in enumerate(stops):
            assert (some.way[a, b] < 0) == (course.way[first, then] < 0)
            if some.way[a, b] >= 0:
                mine = flags_of(some.fire)[some.way[a, b], : len(rows)]
                theirs = flags_of(course.fire)[course.way[first, then]][rows]
                assert (mine == theirs).all()
