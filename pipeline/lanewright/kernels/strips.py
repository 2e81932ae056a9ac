"""How likely each square lies in a long straight strip without stems."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


class Squares(NamedTuple):
    """What was found about each square, and would be found in wood; arrays (rows, cols).

    `stops` and `tops` are pulses stopped low over the ground and probable tops in the width of a
    strip per step along it; `usual_stops` and `usual_tops` what wood would show there, `stems` how
    many would stand there. A strip ends where the ground is not `open`.
    """

    stops: NDArray[np.float32]
    usual_stops: NDArray[np.float32]
    tops: NDArray[np.float32]
    usual_tops: NDArray[np.float32]
    stems: NDArray[np.float32]
    open: NDArray[np.bool_]


class Strip(NamedTuple):
    """What is taken for granted of strips.

    `bare` is the share of a wood's stems and stops that are left in a strip without stems; `stems`
    the share of tops that are stems, `true` the chance that tops say anything at all; `few` the
    chance that a square lies in such a strip, before anything was seen.
    """

    bare: float
    stems: float
    true: float
    few: float


@njit(cache=True, nogil=True)
def _log_chance(stops: float, usual: float, stems: float) -> float:
    """Log chance of so many stops, up to what does not depend on the stems.

    Stems are as many as they happen to be, and each stops some pulses: a negative binomial.
    """
    return (
        math.lgamma(stems + stops)
        - math.lgamma(stems)
        - stems * math.log1p(usual / stems)
        + stops * math.log(usual / (stems + usual) + 1e-12)
    )


@njit(cache=True, nogil=True)
def _odds(
    stops: float, usual: float, stems: float, tops: tuple[float, float], strip: Strip
) -> float:
    """How many times likelier what was found is in a strip than in wood."""
    low = _log_chance(stops, strip.bare * usual, strip.bare * stems)
    low -= _log_chance(stops, usual, stems)
    said = strip.stems * tops[1] + tops[0] * math.log(1.0 - strip.stems)
    said = 1.0 - strip.true + strip.true * math.exp(min(said, 30.0))
    return said * math.exp(min(low, 30.0))


@njit(cache=True, nogil=True, parallel=True)
def strip_chance(
    squares: Squares, steps: NDArray[np.int64], strip: Strip, out: NDArray[np.float32]
) -> None:
    """Chance that each open square lies in a strip without stems, writes `out` (rows, cols).

    `steps` (directions, reach, 2) are rows and columns to go from a square, nearest first; a strip
    runs both ways. Directions are equally likely.
    """
    rows, cols = squares.open.shape
    directions, reach = steps.shape[0], steps.shape[1]
    for row in prange(rows):
        for col in range(cols):
            out[row, col] = 0.0
            if not squares.open[row, col]:
                continue
            total = 0.0
            for d in range(directions):
                stops = np.float64(squares.stops[row, col])
                usual = np.float64(squares.usual_stops[row, col])
                tops = np.float64(squares.tops[row, col])
                usual_tops = np.float64(squares.usual_tops[row, col])
                stems = np.float64(squares.stems[row, col])
                for side in (-1, 1):
                    for n in range(reach):
                        r, c = row + side * steps[d, n, 0], col + side * steps[d, n, 1]
                        if r < 0 or c < 0 or r >= rows or c >= cols or not squares.open[r, c]:
                            break
                        stops += squares.stops[r, c]
                        usual += squares.usual_stops[r, c]
                        tops += squares.tops[r, c]
                        usual_tops += squares.usual_tops[r, c]
                        stems += squares.stems[r, c]
                total += _odds(stops, usual, stems + 1e-3, (tops, usual_tops), strip)
            odds = total / directions * strip.few / (1.0 - strip.few)
            out[row, col] = odds / (1.0 + odds)
