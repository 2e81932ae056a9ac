"""The compiled density kernels against plain ones that take the formulas voxel by voxel."""

import itertools
import math

import numpy as np
import pytest
from scipy import ndimage

from lanewright.kernels.density import (
    Odds,
    Pulses,
    agree,
    chance_at,
    log_odds,
    mixed,
    not_alone,
    of_air,
    share,
    update,
    update_over,
)

SHAPE = (5, 6, 9)


@pytest.fixture
def rng():
    return np.random.default_rng(3)


def some_pulses(rng):
    stops = (rng.integers(0, 3000, SHAPE) * (rng.random(SHAPE) < 0.4)).astype(np.int32)
    return Pulses(stops, rng.integers(0, 9000, SHAPE).astype(np.int32), 1 / 840, 0.25 / 840)


def test_a_step_of_the_chain_is_a_gamma_posterior(rng):
    pulses = some_pulses(rng)
    before = rng.uniform(0, 1, SHAPE).astype(np.float32)
    mean = before.copy()
    update(mean, pulses, 0.7)
    for at in np.ndindex(SHAPE):
        stops, passes = pulses.stops[at] / 840, pulses.passes[at] * 0.25 / 840
        assert mean[at] == pytest.approx((0.7 * before[at] + stops) / (0.7 + passes), rel=1e-5)


@pytest.mark.parametrize("window", [(1, 1, 2), (2, 4, 0), (3, 0, 4)])
def test_a_step_over_a_window_takes_the_sums_of_its_pulses(rng, window):
    half, up, floor = window
    pulses = some_pulses(rng)
    sums = [np.zeros(SHAPE, np.int32) for _ in range(2)]
    for (row, col, k), (r, c, n) in itertools.product(np.ndindex(SHAPE), np.ndindex(SHAPE)):
        together = (k < floor) == (n < floor)
        if max(abs(r - row), abs(c - col)) <= half and abs(n - k) <= up and together:
            for out, counts in zip(sums, pulses[:2], strict=True):
                out[row, col, k] += counts[r, c, n]
    before = rng.uniform(0, 1, SHAPE).astype(np.float32)
    mean = before.copy()
    update_over(mean, pulses, window, 0.7)
    expected = (0.7 * before + sums[0] / 840) / (0.7 + sums[1] * 0.25 / 840)
    np.testing.assert_allclose(mean, expected, rtol=1e-5)


def test_shares_and_mixtures(rng):
    pulses = some_pulses(rng)
    mean = rng.uniform(0, 1, SHAPE).astype(np.float32)
    chance = np.empty_like(mean)
    chance_at(mean, 0.1, chance)
    part = np.empty(SHAPE, np.int32)
    share(pulses.stops, chance, part)
    dense, thin = (rng.uniform(0, 1, SHAPE).astype(np.float32) for _ in range(2))
    both = dense.copy()
    mixed(chance, both, thin)
    for at in np.ndindex(SHAPE):
        q = mean[at] / (mean[at] + 0.1)
        assert chance[at] == pytest.approx(q, rel=1e-5)
        assert part[at] == pytest.approx(pulses.stops[at] * q, abs=0.51)
        assert both[at] == pytest.approx(q * dense[at] + (1 - q) * thin[at], rel=1e-5)


def test_log_odds_of_a_poisson_count(rng):
    """Against the ratio of two Poisson likelihoods and the lean of the density around."""
    pulses, odds = some_pulses(rng), Odds(0.004, 0.05, 0.12, 0.3, 1.0)
    mean = np.exp(rng.uniform(-6, 1, SHAPE)).astype(np.float32)
    growth = np.exp(rng.uniform(-4, 1, SHAPE)).astype(np.float32)
    thin = np.exp(rng.uniform(-8, -2, SHAPE)).astype(np.float32)
    searched = (rng.integers(0, 20000, SHAPE) * (rng.random(SHAPE) < 0.7)).astype(np.int32)
    out = np.empty_like(mean)
    log_odds(pulses, mean, growth, thin, searched, odds, out)
    for at in np.ndindex(SHAPE):
        n, path = pulses.stops[at] / 840, pulses.passes[at] * 0.25 / 840
        air = max(thin[at], 0.004)
        dense = max(growth[at], 0.05, 2 * air)
        likelihood = n * math.log(dense * path + 1e-300) - dense * path
        likelihood -= n * math.log(air * path + 1e-300) - air * path
        even = np.average([0.12, dense / 2], weights=[1, searched[at] * 0.25 / 840])
        lean = 0.3 * np.clip(math.log((mean[at] + 1e-6) / even), -1, 1)
        assert out[at] == pytest.approx(likelihood + lean, rel=1e-3, abs=1e-3)


def test_what_stopped_alone_proves_no_growth(rng):
    around, before = some_pulses(rng), rng.uniform(0, 1, SHAPE).astype(np.float32)
    stops = (around.stops * rng.random(SHAPE)).astype(np.int32)
    chance = before.copy()
    not_alone(chance, stops, around, 1.5, 0.4)
    for at in np.ndindex(SHAPE):
        n, thin = stops[at] / 840, 0.4 * around.passes[at] * 0.25 / 840
        proved = max((n - 0.5) / 1.5, n / thin - 1) if n else 1
        assert chance[at] == pytest.approx(before[at] * np.clip(proved, 0, 1), rel=1e-3, abs=1e-4)


def test_stops_beside_growth_are_not_of_air(rng):
    stops = some_pulses(rng).stops
    chance = (rng.uniform(0, 1, SHAPE) ** 20).astype(np.float32)
    out = np.empty_like(stops)
    of_air(stops, chance, out)
    near = ndimage.maximum_filter(chance, 3)
    np.testing.assert_allclose(out, stops * (1 - near), atol=1.0)
    assert (out > 0).sum() > 20


def agree_plainly(odds, chance, floor, beside, above, gain):
    out = np.empty(SHAPE)
    for row, col, k in np.ndindex(SHAPE):
        total = float(odds[row, col, k])
        for r, c, n in np.ndindex(SHAPE):
            aside = abs(r - row), abs(c - col)
            if n == k and max(aside) == 1:
                say = beside if min(aside) == 0 else beside / 2
            elif aside == (0, 0) and 0 < abs(n - k) <= 2 and (n < floor) == (k < floor):
                say = above if abs(n - k) == 1 else above / 2
            else:
                continue
            total += say * (float(chance[r, c, n]) - 0.5)
        out[row, col, k] = 1 / (1 + math.exp(-np.clip(gain * total, -15, 15)))
    return out


@pytest.mark.parametrize("floor", [0, 1, 2, 4])
def test_a_round_like_a_plain_one(rng, floor):
    odds = rng.normal(0, 1, SHAPE).astype(np.float32)
    chance = rng.uniform(0, 1, SHAPE).astype(np.float32)
    out = np.empty_like(odds)
    agree(odds, chance, floor, (0.4, 0.6), 2.0, out)
    np.testing.assert_allclose(
        out, agree_plainly(odds, chance, floor, 0.4, 0.6, 2.0), rtol=1e-4, atol=1e-6
    )
