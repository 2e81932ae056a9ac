"""The compiled stem kernel against a plain one that goes band by band."""

import math

import numpy as np
import pytest

from lanewright.kernels.density import Pulses
from lanewright.kernels.stems import Stem, stem_odds


def odds_plainly(stops, passes, around, stem):
    """Log odds of one cell from pulses and metres of path by layer."""
    total = best = 0.0
    for low in range(stem.first, stem.last, stem.band):
        part = slice(low, min(low + stem.band, stem.last))
        expected = stem.rate * passes[part].sum()
        without = (passes[part] * around[part]).sum()
        if without > expected:
            continue
        found = stops[part].sum()
        speaks = min(found * math.log(1 + expected / (without + 1e-4)), stem.most)
        best = max(best, speaks)
        total += speaks - expected
    return total - stem.alone * best


def test_odds_and_what_is_left_to_twigs():
    rng = np.random.default_rng(8)
    shape = (6, 7, 20)
    stops = (rng.integers(0, 2000, shape) * (rng.random(shape) < 0.3)).astype(np.int32)
    passes = rng.integers(0, 6000, shape).astype(np.int32)
    around = np.exp(rng.uniform(-7, 0, shape)).astype(np.float32)
    stem = Stem(0.2, 2, 17, 4, 3.0, 0.5, -3.5)
    odds, twigs = np.empty(shape[:2], np.float32), np.empty_like(stops)
    stem_odds(Pulses(stops, passes, 1 / 840, 0.25 / 840), around, stem, odds, twigs)
    for at in np.ndindex(shape[:2]):
        plain = odds_plainly(stops[at] / 840, passes[at] * 0.25 / 840, around[at], stem)
        assert odds[at] == pytest.approx(plain, rel=1e-3, abs=1e-3)
        chance = 1 / (1 + math.exp(-(plain - 3.5)))
        for k in range(shape[2]):
            stands = 2 <= k < 17 and around[at][k] <= 0.2
            left = 1 - chance * 0.2 / (0.2 + around[at][k] + 1e-4) if stands else 1.0
            assert twigs[at][k] == pytest.approx(stops[at][k] * left, abs=1.5)
    assert (odds > 1).any()
    assert (odds < -1).any()
