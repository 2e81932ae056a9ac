"""Scores: check values of effective length, and that every score is monotone and within 0 and 1."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lanewright.base.units import FOOT
from lanewright.legs import scores
from lanewright.settings.legs import ScoreSettings


@pytest.mark.parametrize(
    ("length", "rise", "expected"), [(400, 20, 460), (400, -20, 340), (200, -60, 100)]
)
def test_effective_length_adds_three_per_climb_and_keeps_half(length, rise, expected):
    """Three of length per one of climb, PDGA course material; the floor is ours. In feet."""
    got = scores.effective_length(np.array(length * FOOT), np.array(rise * FOOT))
    assert got / FOOT == pytest.approx(expected)


share = st.floats(0, 1)
percent = st.floats(0, 100)


@given(share, share, share, share)
def test_a_clearer_leg_never_scores_lower(a, b, c, d):
    low, high = sorted((a, b)), sorted((c, d))
    assert scores.clearance(low[0], high[0]) <= scores.clearance(low[1], high[1]) + 1e-12


@given(percent, percent, percent, percent, percent)
def test_steeper_never_scores_higher(flat, steep, side, tee, landing):
    flat, steep = sorted((flat, steep))
    for sign in (1, -1):
        assert scores.grade(sign * steep, side, tee, landing) <= scores.grade(
            sign * flat, side, tee, landing
        )
    assert scores.grade(side, steep, tee, landing) <= scores.grade(side, flat, tee, landing)
    assert scores.grade(side, tee, steep, landing) <= scores.grade(side, tee, flat, landing)
    assert scores.grade(side, tee, landing, steep) <= scores.grade(side, tee, landing, flat)
    assert 0 <= scores.grade(steep, side, tee, landing) <= 1


@given(share, share, st.floats(0, 300), st.floats(0, 300))
def test_wetter_never_scores_higher(dry, wet, near, far):
    dry, wet = sorted((dry, wet))
    near, far = sorted((near, far))
    assert scores.drainage(wet, near, 60.0) <= scores.drainage(dry, near, 60.0)
    assert scores.drainage(dry, far, 60.0) <= scores.drainage(dry, near, 60.0)


@given(st.lists(share, min_size=3, max_size=3), st.integers(0, 2), share)
def test_total_lies_between_the_worst_and_the_best_and_rises_with_each(parts, which, other):
    weights = ScoreSettings()
    arrays = [np.array([p]) for p in parts]
    total = scores.total(*arrays, weights)[0]
    assert min(parts) - 1e-9 <= total <= max(parts) + 1e-9
    better = list(arrays)
    better[which] = np.maximum(arrays[which], other)
    assert scores.total(*better, weights)[0] >= total - 1e-12


def test_without_lidar_the_other_two_scores_decide():
    one = np.ones(1)
    got = scores.total(np.full(1, np.nan), one * 0.25, one, ScoreSettings(grade=1, drainage=1))
    assert got[0] == pytest.approx(0.5)
    assert scores.total(one * 0, one, one, ScoreSettings())[0] == 0


def test_figures_of_each_score_are_those_of_its_curve():
    """The bends that the module's head names, common practice: figures by hand."""
    assert scores.clearance(np.array(0.5), np.array(0.25)) == pytest.approx(0.4375)
    assert scores.clearance(np.array(1.0), np.array(1.0)) == 1.0
    climbs = [(0, 1.0), (5, 1.0), (10, 0.8), (15, 0.5), (20, 0.25), (-10, 1.0), (-30, 0.5)]
    for pct, expected in climbs:
        assert scores.grade(np.array(float(pct)), 0.0, 0.0, 0.0) == pytest.approx(expected)
    assert scores.grade(np.array(0.0), 20.0, 6.0, 25.0) == pytest.approx(0.6 * 0.9 * 0.5)
    assert scores.drainage(np.array(0.25), np.array(0.0), 40.0) == pytest.approx(0.75)
    assert scores.drainage(np.array(np.nan), np.array(50.0), 40.0) == pytest.approx(0.5)


def test_where_only_the_clearance_counts_land_without_lidar_is_left_out():
    only = ScoreSettings(clearance=1, grade=0, drainage=0)
    both = np.array([np.nan, 0.25])
    assert scores.total(both, np.full(2, 0.3), np.full(2, 0.3), only).tolist() == [1.0, 0.25]


def test_scores_that_rounding_puts_outside_0_and_1_count_as_0_and_1():
    one, over = np.ones(1), np.full(1, 1 + 1e-9)
    for under in ((-1e-9 * one, one, one), (one, -1e-9 * one, one), (one, one, -1e-9 * one)):
        assert scores.total(*under, ScoreSettings())[0] == 0
    assert scores.total(over, over, over, ScoreSettings())[0] == 1
