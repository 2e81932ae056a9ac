"""Strips without stems: rides, tracks and lanes under crowns that lean in from both sides.

A survey of 2 pulses/m2 meets a stem with a third of a pulse, and crowns over a lane have tops as
those of a wood have. One cell says little; sixty metres in a row, in which no pulse was stopped
where the wood beside it stops a dozen and where fewer tops were found, say much. What was found
along each straight strip is held against what the wood around it would show and against a strip
without stems.

Figures are ours, chosen on planted woods (`tests/truth_worlds.py`): stems there stop twice the
pulses that `stems.evidence` expects of them, for its stem is a thin one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.kernels import strips as kernel
from lanewright.kernels.strips import Squares, Strip

SQUARE = 1.0  # m
WIDE = 5.0  # m, of a strip
SPREAD = 2.0  # m aside of its middle line to which a strip holds
REACH = 45  # squares each way
DIRECTIONS = 32
BARE = 0.05  # share of a wood's stems, and stops, left in a strip without stems
TRUE = 0.5  # chance that tops say anything: a flat roof has as many over a lane
FEW = 0.05  # chance of lying in such a strip, before
SHOWS = 2.0  # pulses that a stem stops over those expected of a thin one
USUAL = 60.0  # m, side of the square of wood that a strip is held against
SMOOTH = 15.0  # m over which the prior is spread: tops are counted by themselves
LEAST, MOST = 1.0, 2.5  # times the stops expected that wood may be said to show
HOLDS = 2.0  # stops that hold it at what is expected
TURNS = 3  # strips are left out of the wood around others


class Ground(NamedTuple):
    """What is known of each cell; arrays (rows, cols).

    `prior` stems expected before pulses are asked, `stops` pulses stopped low over the ground,
    `expected` those that one stem would stop, `clear` whether no brush grows.
    """

    prior: Floats
    stops: Raster
    expected: Raster
    clear: Flags


def strip_chance(tops: Floats, ground: Ground, cell: float, are_stems: float) -> Floats:
    """Chance that each cell lies in a strip without stems.

    Parameters
    ----------
    tops : (rows, cols)
        Probable tops by cell.
    ground
        What is known of each cell.
    cell
        Side of a cell [m].
    are_stems
        Share of tops that are stems, 0-1.

    Returns
    -------
    (rows, cols)
        0 among brush, and where no wood stands.
    """
    times = max(1, round(SQUARE / cell))
    side = times * cell
    clear = ground.clear & (ground.prior > 0)
    # Over squares of a metre, and from here on in these.
    share = _sums(clear, times) / times**2
    open_ = share > 0.5
    even = _around(ground.prior * clear, SMOOTH / cell)
    even /= np.maximum(_around(clear.astype(float), SMOOTH / cell), 1e-9)
    stops = _sums(ground.stops * clear, times)
    usual = _sums(ground.expected * even * clear, times) * SHOWS
    found = _sums(tops * clear, times)
    stand = _sums(even * clear, times)
    angle = np.pi * np.arange(DIRECTIONS)[:, None] / DIRECTIONS
    away = np.arange(1, REACH + 1)
    steps = np.stack([np.rint(away * np.sin(angle)), np.rint(away * np.cos(angle))], -1)
    steps = steps.astype(np.int64)
    strip = Strip(BARE, are_stems, TRUE, FEW)
    wide = max(1, round(WIDE / side))
    chance = np.zeros(open_.shape, np.float32)
    for _ in range(TURNS):
        wood = (1 - chance) * open_
        near = _around(stops * wood, USUAL / side) * (USUAL / side) ** 2
        here = _around(usual * wood, USUAL / side) * (USUAL / side) ** 2
        more = np.clip((HOLDS + near) / (HOLDS + here), LEAST, MOST)
        trees = _around(found * wood, USUAL / side) / np.maximum(_around(wood, USUAL / side), 1e-9)
        # A step along a strip is one square long and as wide as the strip.
        stop, usual_stop, top, usual_top, stem = (
            (_around(values, wide) * wide).astype(np.float32)
            for values in (stops, usual * more, found, trees * open_, stand * more)
        )
        found_there = Squares(stop, usual_stop, top, usual_top, stem, open_)
        kernel.strip_chance(found_there, steps, strip, chance)
        chance = _widened(chance, SPREAD / side)
    back = np.repeat(np.repeat(chance, times, 0), times, 1)
    return np.asarray(back[: clear.shape[0], : clear.shape[1]] * clear, float)


def _sums(values: Floats | Raster | Flags, times: int) -> Floats:
    """Sums over squares of so many cells; what lacks at the last row and column is 0."""
    rows, cols = values.shape
    whole = np.pad(values.astype(float), ((0, -rows % times), (0, -cols % times)))
    shape = whole.shape[0] // times, times, whole.shape[1] // times, times
    return np.asarray(whole.reshape(shape).sum((1, 3)))


def _around(values: NDArray[np.floating], wide: float) -> Floats:
    """Mean over a square about each place, so many places wide; 0 beyond the border."""
    return np.asarray(ndi.uniform_filter(values, 2 * round((wide - 1) / 2) + 1, mode="constant"))


def _widened(chance: Raster, by: float) -> Raster:
    """The highest chance within so many squares: a strip is wider than its middle line."""
    far = int(by)
    near = np.hypot(*np.mgrid[-far : far + 1, -far : far + 1]) <= by
    return np.asarray(ndi.grey_dilation(chance, footprint=near))
