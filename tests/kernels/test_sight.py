"""Sight lines and what lies around a place, against plain Python that looks cell by cell."""

import math

import numpy as np
import pytest

from lanewright.kernels.around import around, furthest_down
from lanewright.kernels.sight import sight

ROWS, COLS, REACH = 24, 31, 14


def rays(count):
    turn = 2 * np.pi * np.arange(count) / count
    return np.column_stack([-np.cos(turn), np.sin(turn)])


def land(seed):
    rng = np.random.default_rng(seed)
    ground = rng.uniform(0, 6, (ROWS, COLS)).astype(np.float32)
    ground[rng.random((ROWS, COLS)) < 0.03] = np.nan
    places = rng.integers((0, 0), (ROWS, COLS), (9, 2))
    return rng, ground, places[np.isfinite(ground[places[:, 0], places[:, 1]])]


def cells(place, way, far):
    """Cells of a ray in order, up to the border."""
    for step in range(1, far + 1):
        r = math.floor(place[0] + step * way[0] + 0.5)
        c = math.floor(place[1] + step * way[1] + 0.5)
        if not (0 <= r < ROWS and 0 <= c < COLS):
            return
        yield step, r, c


@pytest.mark.parametrize("seed", range(4))
def test_a_cell_is_seen_when_nothing_before_it_reaches_the_line_of_sight(seed):
    _, ground, places = land(seed)
    eyes = ground[places[:, 0], places[:, 1]].astype(float) + 1.6
    longest = np.zeros((len(places), 12), np.int64)
    seen = np.zeros_like(longest)
    sight(ground, places, eyes, rays(12), REACH, longest, seen)
    for i, place in enumerate(places):
        for d, way in enumerate(rays(12)):
            far, count, passed = 0, 0, []
            for step, r, c in cells(place, way, REACH):
                top = float(ground[r, c])
                if math.isnan(top):
                    break
                # The line from the eye to this top, at each cell before it.
                if all(
                    height < eyes[i] + (top - eyes[i]) * before / step - 1e-9
                    for before, height in passed
                ):
                    far, count = step, count + 1
                passed.append((step, top))
            assert (longest[i, d], seen[i, d]) == (far, count)


@pytest.mark.parametrize("seed", range(4))
def test_rise_fall_and_the_first_marked_cell(seed):
    rng, ground, places = land(seed)
    marked = rng.random((ROWS, COLS)) < 0.1
    rise, fall = np.zeros((len(places), 8)), np.zeros((len(places), 8))
    first = np.zeros((len(places), 8), np.int64)
    around(ground, marked, places, rays(8), REACH, rise, fall, first)
    for i, place in enumerate(places):
        for d, way in enumerate(rays(8)):
            heights, hit = [], 0
            for step, r, c in cells(place, way, REACH):
                if not hit and marked[r, c]:
                    hit = step
                if math.isnan(ground[r, c]):
                    break
                heights.append(float(ground[r, c]) - float(ground[tuple(place)]))
            assert rise[i, d] == pytest.approx(max([0.0, *heights]))
            assert fall[i, d] == pytest.approx(max([0.0, *(-h for h in heights)]))
            assert first[i, d] == hit


@pytest.mark.parametrize("seed", range(4))
def test_the_lowest_end_within_a_throw(seed):
    rng, ground, places = land(seed)
    ends = rng.random((ROWS, COLS)) < 0.5
    ends &= np.isfinite(ground)
    best, cell = np.zeros(len(places)), places.astype(np.int64).copy()
    furthest_down(ground, ends, places, rays(16), 4, REACH, best, cell)
    for i, place in enumerate(places):
        base = float(ground[tuple(place)])
        falls = [
            base - float(ground[r, c])
            for way in rays(16)
            for step, r, c in cells(place, way, REACH)
            if step >= 4 and ends[r, c]
        ]
        most = max([0.0, *falls])
        assert best[i] == pytest.approx(most)
        if most > 0:
            assert base - float(ground[tuple(cell[i])]) == pytest.approx(most)
