"""Lines through the middle of free space, joined and cut."""

import numpy as np
import pytest
from skimage.draw import line

from lanewright.growth.centrelines import centre_lines, cut_at_bends, length_of, resampled, smoothed
from lanewright.growth.freewidth import width_between


def lines(free: np.ndarray, max_bend: float = 45.0, shortest: float = 0.0):
    width = width_between(~free, 1.0)
    return centre_lines(width >= 3, np.ones_like(free), width, max_bend, shortest)


def test_a_crossing_is_passed_straight():
    free = np.zeros((101, 101), dtype=bool)
    free[46:55, 5:96] = True
    free[5:96, 46:55] = True
    found = sorted(lines(free), key=length_of)[-2:]
    spans = [np.ptp(path, axis=0).round() for path in found]
    assert sorted(int(s.argmax()) for s in spans) == [0, 1]
    assert all(s.max() > 75 and s.min() < 10 for s in spans)


def test_a_short_step_aside_is_followed_into_the_way_that_goes_on():
    """East along row 40, six cells aside at 45 degrees, east again; ways leave at both corners.

    The one at the first corner turns by 30 degrees only, less than the step and more than the way.
    """
    thin = np.zeros((80, 110), dtype=bool)
    for (r0, c0), (r1, c1) in [
        ((40, 5), (40, 45)), ((40, 45), (46, 51)), ((46, 51), (46, 105)),
        ((40, 45), (20, 80)), ((46, 51), (76, 36)),
    ]:  # fmt: skip
        thin[line(r0, c0, r1, c1)] = True
    width = np.full(thin.shape, 3.0, dtype=np.float32)
    longest = max(centre_lines(thin, np.ones_like(thin), width, 60.0, 0.0, 20), key=length_of)
    assert sorted(np.ptp(longest, axis=0)) == [6, 100]


def test_the_wide_way_goes_on_where_two_are_as_straight():
    free = np.zeros((121, 121), dtype=bool)
    rows, cols = np.indices(free.shape)
    free[54:67, 5:60] = True
    ahead = cols >= 58
    # Two ways fork at the same angle, one much wider.
    free |= ahead & (np.abs(rows - 60 - (cols - 58) * 0.36) < 6)
    free |= ahead & (np.abs(rows - 60 + (cols - 58) * 0.36) < 2)
    longest = max(lines(free & (cols < 116)), key=length_of)
    far = longest[longest[:, 1].argmax()]
    assert far[0] > 70


def test_rings_dots_and_nothing():
    free = np.zeros((60, 60), dtype=bool)
    assert lines(free) == []
    free[30, 30] = True
    assert lines(free) == []
    rows, cols = np.indices(free.shape)
    ring = np.abs(np.hypot(rows - 30, cols - 30) - 20) < 3
    found = lines(ring)
    assert sum(map(length_of, found)) == pytest.approx(2 * np.pi * 20, rel=0.08)
    assert lines(ring, shortest=200) == []


@pytest.mark.parametrize("turn", [0, 30, 59])
def test_gentle_arcs_stay_whole(turn):
    angle = np.radians(np.linspace(0, turn, 80))
    arc = np.column_stack([np.cumsum(np.sin(angle)), np.cumsum(np.cos(angle))])
    assert cut_at_bends(arc, 60, 6) == [slice(0, 80)]


def test_a_corner_is_cut_at_the_corner():
    along = np.arange(79)
    path = np.column_stack([np.maximum(along - 39, 0), np.minimum(along, 39)])
    first, second = cut_at_bends(path, 60, 6)
    assert first.stop - 1 == second.start == pytest.approx(39, abs=2)
    assert (first.start, second.stop) == (0, len(path))


def test_resampling_and_smoothing_keep_the_ends():
    rng = np.random.default_rng(5)
    path = np.cumsum(rng.normal(size=(50, 2)), axis=0)
    even = resampled(path, 0.5)
    np.testing.assert_allclose(even[[0, -1]], path[[0, -1]])
    np.testing.assert_allclose(smoothed(even, 3.0)[[0, -1]], path[[0, -1]])
    straight = np.column_stack([np.arange(30.0), 2 * np.arange(30.0)])
    np.testing.assert_allclose(smoothed(straight, 2.0), straight, atol=1e-9)
