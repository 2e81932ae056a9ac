"""The compiled chance of a strip without stems against one that goes square by square."""

import math

import numpy as np
import pytest
from scipy import stats

from lanewright.kernels.strips import Squares, Strip, strip_chance


def plainly(squares, steps, strip, row, col):
    """Chance of one square: every direction's sums, their odds by scipy's distributions."""
    odds = []
    for direction in steps:
        places = [(row, col)]
        for side in (-1, 1):
            for away in direction:
                at = row + side * away[0], col + side * away[1]
                inside = 0 <= at[0] < squares.open.shape[0] and 0 <= at[1] < squares.open.shape[1]
                if not inside or not squares.open[at]:
                    break
                places.append(at)
        stops, usual, tops, usual_tops, stems = (
            sum(float(values[at]) for at in places) for values in squares[:5]
        )

        def seen(stems, usual, stops=stops):
            # Stems as they happen to be, each stopping some: a negative binomial.
            return stats.nbinom.pmf(round(stops), stems, stems / (stems + usual))

        low = seen(strip.bare * (stems + 1e-3), strip.bare * usual) / seen(stems + 1e-3, usual)
        # Tops that are no stems stay: a Poisson count of the others.
        high = stats.poisson.pmf(round(tops), (1 - strip.stems) * usual_tops)
        high /= stats.poisson.pmf(round(tops), usual_tops)
        odds.append(low * (1 - strip.true + strip.true * high))
    total = np.mean(odds) * strip.few / (1 - strip.few)
    return total / (1 + total)


def test_chances_like_plain_ones():
    rng = np.random.default_rng(3)
    shape = (14, 11)
    squares = Squares(
        rng.poisson(0.3, shape).astype(np.float32),
        rng.uniform(0.2, 0.6, shape).astype(np.float32),
        rng.poisson(0.2, shape).astype(np.float32),
        rng.uniform(0.1, 0.3, shape).astype(np.float32),
        rng.uniform(0.05, 0.2, shape).astype(np.float32),
        rng.random(shape) > 0.1,
    )
    steps = np.array(
        [[[0, 1], [0, 2], [0, 3]], [[1, 0], [2, 1], [3, 1]], [[-1, 1], [-2, 2], [-3, 3]]]
    )
    strip = Strip(0.1, 0.6, 0.4, 0.2)
    out = np.full(shape, -1, np.float32)
    strip_chance(squares, steps, strip, out)
    assert (out[~squares.open] == 0).all()
    for row, col in np.argwhere(squares.open):
        plain = plainly(squares, steps, strip, row, col)
        assert out[row, col] == pytest.approx(plain, rel=1e-4), (row, col)
    assert np.ptp(out[squares.open]) > 0.3


def test_what_is_surely_in_wood_and_surely_in_a_strip():
    """Twelve stops expected and none seen, as with Poisson odds; twelve seen."""
    one = np.ones((1, 1), np.float32)
    steps = np.zeros((4, 0, 2), np.int64)
    for stops, low, high in ((0, 0.97, 1.0), (12, 0.0, 0.01)):
        squares = Squares(stops * one, 12 * one, 0 * one, 0 * one, 400 * one, one > 0)
        out = np.zeros((1, 1), np.float32)
        strip_chance(squares, steps, Strip(0.05, 0.6, 0.5, 0.001), out)
        assert low < out[0, 0] < high
        if stops == 0:
            odds = math.exp(12 * 0.95) * 0.001 / 0.999
            assert out[0, 0] == pytest.approx(odds / (1 + odds), rel=0.01)
