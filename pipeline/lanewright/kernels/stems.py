"""What pulses say for and against a stem in each cell."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from lanewright.kernels.density import Pulses


class Stem(NamedTuple):
    """How a stem somewhere in a cell shows.

    `rate` stopped pulses per metre of path in its cell; `first`, `last` and `band` the layers that
    are looked at and how many go together; `most` log odds that one band may speak for a stem, and
    `alone` the share of the best band's that does not count; `prior` log odds before.
    """

    rate: float
    first: int
    last: int
    band: int
    most: float
    alone: float
    prior: float


@njit(cache=True, nogil=True)
def stem_odds(
    pulses: Pulses,
    around: NDArray[np.float32],
    stem: Stem,
    odds: NDArray[np.float32],
    twigs: NDArray[np.int32],
) -> None:
    """Log odds that pulses give for a stem in each cell, and the stops that are left to twigs.

    Bands where growth stops more pulses than a stem would say nothing.

    `around` is the rate [1/m] at which rays are stopped beside the cell, as they would be in it
    without a stem. Writes `odds` (rows, cols) and `twigs`, stops without the share of stems.
    """
    rows, cols, layers = pulses.stops.shape
    per_pulse, per_path = np.float32(pulses.per_pulse), np.float32(pulses.per_path)
    rate, most = np.float32(stem.rate), np.float32(stem.most)
    tiny, one = np.float32(1e-4), np.float32(1.0)
    for row in range(rows):
        for col in range(cols):
            total = top = np.float32(0.0)
            for low in range(stem.first, stem.last, stem.band):
                stops = path = without = np.float32(0.0)
                for k in range(low, min(low + stem.band, stem.last)):
                    way = np.float32(pulses.passes[row, col, k]) * per_path
                    stops += np.float32(pulses.stops[row, col, k]) * per_pulse
                    path += way
                    without += way * around[row, col, k]
                expected = rate * path
                if without > expected:
                    continue  # among growth a stem hardly shows
                for_it = np.float32(0.0)
                if stops > 0.0:
                    for_it = stops * np.float32(math.log(one + expected / (without + tiny)))
                for_it = min(for_it, most)
                top = max(top, for_it)
                total += for_it - expected
            total -= np.float32(stem.alone) * top
            odds[row, col] = total
            chance = one / (one + np.float32(math.exp(-(total + np.float32(stem.prior)))))
            for k in range(layers):
                left = one
                if stem.first <= k < stem.last and around[row, col, k] <= rate:
                    left -= chance * rate / (rate + around[row, col, k] + tiny)
                part = np.float32(pulses.stops[row, col, k]) * left
                twigs[row, col, k] = np.int32(part + np.float32(0.5))
