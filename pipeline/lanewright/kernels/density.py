"""Contact density of voxels from pulses that stopped and passed: air and growth kept apart.

Windows are summed in whole numbers, all else goes voxel by voxel in float32 in a fixed order, so
where a block begins changes nothing. The model stands in `lanewright.growth.density`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from lanewright.kernels.columns import across, roll


class Pulses(NamedTuple):
    """Whole counts of stopped pulses and of paths (rows, cols, layers).

    `per_pulse` pulses to a count of `stops`, `per_path` metres to a count of `passes`.
    """

    stops: NDArray[np.int32]
    passes: NDArray[np.int32]
    per_pulse: float
    per_path: float


class Odds(NamedTuple):
    """How growth is distinguished from air.

    `air` and `least` are densities [1/m] that air and growth have at the least. Log odds before a
    voxel's own pulses: `lean` times the logarithm of the density around over an even one, that no
    farther from 0 than `most`. Even is half the density of growth, for there its edge lies; where
    less than a metre of path was searched more and more `unseen` [1/m], lest a thicket that no
    pulse saw opens: the higher it is, the more such space opens.
    """

    air: float
    least: float
    unseen: float
    lean: float
    most: float


@njit(cache=True, nogil=True)
def update(mean: NDArray[np.float32], pulses: Pulses, hold: float) -> None:
    """One step of a chain of Gamma priors, in place: `hold` metres of path keep the mean before."""
    for row in range(mean.shape[0]):
        per = np.float32(pulses.per_pulse), np.float32(pulses.per_path), np.float32(hold)
        _update(mean[row], pulses.stops[row], pulses.passes[row], per)


@njit(cache=True, nogil=True)
def update_over(
    mean: NDArray[np.float32], pulses: Pulses, window: tuple[int, int, int], hold: float
) -> None:
    """`update` with the pulses of a window about each voxel: `columns.window_sum` of both counts.

    `window` is its half width in cells and in layers, and the layer where it is parted.
    """
    half, half_layers, floor = window
    stops = np.zeros(mean.shape[1:], np.int32)
    passes, all_stops, all_passes = np.zeros_like(stops), np.empty_like(stops), np.empty_like(stops)
    per = np.float32(pulses.per_pulse), np.float32(pulses.per_path), np.float32(hold)
    for row in range(-half, mean.shape[0]):
        roll(stops, pulses.stops, row, half)
        roll(passes, pulses.passes, row, half)
        if row >= 0:
            across(stops, half, half_layers, floor, all_stops)
            across(passes, half, half_layers, floor, all_passes)
            _update(mean[row], all_stops, all_passes, per)


@njit(cache=True, nogil=True)
def _update(
    mean: NDArray[np.float32],
    stops: NDArray[np.int32],
    passes: NDArray[np.int32],
    per: tuple[np.float32, np.float32, np.float32],
) -> None:
    """`update` of a row; `per` pulse, per path, and what is held."""
    per_pulse, per_path, held = per
    cols, layers = mean.shape
    for col in range(cols):
        line, stopped, passed = mean[col], stops[col], passes[col]
        for k in range(layers):
            line[k] = (held * line[k] + np.float32(stopped[k]) * per_pulse) / (
                held + np.float32(passed[k]) * per_path
            )


@njit(cache=True, nogil=True)
def chance_at(mean: NDArray[np.float32], even: float, out: NDArray[np.float32]) -> None:
    """Write a first chance of growth where the density is `mean`: one half at `even` [1/m]."""
    rows, cols, layers = mean.shape
    half = np.float32(even)
    for row in range(rows):
        for col in range(cols):
            for k in range(layers):
                out[row, col, k] = mean[row, col, k] / (mean[row, col, k] + half)


@njit(cache=True, nogil=True)
def share(counts: NDArray[np.int32], chance: NDArray[np.float32], out: NDArray[np.int32]) -> None:
    """Write the part of whole counts that goes with a chance, rounded."""
    rows, cols, layers = counts.shape
    for row in range(rows):
        for col in range(cols):
            for k in range(layers):
                part = np.float32(counts[row, col, k]) * chance[row, col, k]
                out[row, col, k] = np.int32(part + np.float32(0.5))


@njit(cache=True, nogil=True)
def log_odds(
    pulses: Pulses,
    mean: NDArray[np.float32],
    growth: NDArray[np.float32],
    thin: NDArray[np.float32],
    searched: NDArray[np.int32],
    odds: Odds,
    out: NDArray[np.float32],
) -> None:
    """Write the log odds of growth against air in each voxel by its own pulses.

    `mean` is the density [1/m] that wider windows expect, `growth` that of growth
    about here, `thin` that of what is hardly growth, `searched` the passes in a window about here.
    """
    rows, cols, layers = mean.shape
    per_pulse, per_path = np.float32(pulses.per_pulse), np.float32(pulses.per_path)
    floor, least = np.float32(odds.air), np.float32(odds.least)
    unseen, lean, most = np.float32(odds.unseen), np.float32(odds.lean), np.float32(odds.most)
    tiny, half, one, two = np.float32(1e-6), np.float32(0.5), np.float32(1.0), np.float32(2.0)
    low, high = np.float32(0.999 * math.exp(-odds.most)), np.float32(1.001 * math.exp(odds.most))
    for row in range(rows):
        for col in range(cols):
            stops, passes = pulses.stops[row, col], pulses.passes[row, col]
            for k in range(layers):
                air = max(thin[row, col, k], floor)
                dense = max(growth[row, col, k], least, two * air)
                path = np.float32(searched[row, col, k]) * per_path
                even = (unseen + path * half * dense) / (one + path)
                ratio = (mean[row, col, k] + tiny) / even
                around = -most if ratio < low else most
                if low <= ratio <= high:  # else its logarithm is beyond `most`
                    around = max(-most, min(np.float32(math.log(ratio)), most))
                total = lean * around
                total -= np.float32(passes[k]) * per_path * (dense - air)
                if stops[k] > 0:
                    total += np.float32(stops[k]) * per_pulse * np.float32(math.log(dense / air))
                out[row, col, k] = total


@njit(cache=True, nogil=True)
def agree(
    odds: NDArray[np.float32],
    chance: NDArray[np.float32],
    floor: int,
    says: tuple[float, float],
    gain: float,
    out: NDArray[np.float32],
) -> None:
    """One round in which each voxel minds its neighbours: mean field of an Ising model.

    The first of `says` is the weight of a neighbour across a side of the cell, half of it across a
    corner; the second that of the layers over and under, half of it of the next but one. Layers
    below `floor` and those from it upwards do not mind each other, nor what lies outside the block.
    Log odds are taken times `gain` before they become a chance.
    """
    rows, cols, layers = odds.shape
    half, one, most = np.float32(0.5), np.float32(1.0), np.float32(15.0)
    beside, above = np.float32(says[0]), np.float32(says[1])
    times = np.float32(gain)
    line_odds = np.empty((cols, layers), np.float32)
    against, room = line_odds.reshape(-1), _room(cols * layers)
    for row in range(rows):
        for col in range(cols):
            total = line_odds[col]
            for k in range(layers):
                total[k] = odds[row, col, k]
            for r in range(row - 1, row + 2):
                for c in range(col - 1, col + 2):
                    if (r == row and c == col) or r < 0 or c < 0 or r >= rows or c >= cols:
                        continue
                    say = beside if r == row or c == col else beside * half
                    line = chance[r, c]
                    for k in range(layers):
                        total[k] += say * (line[k] - half)
            line = chance[row, col]
            _over_and_under(line[:floor], above, total[:floor])
            _over_and_under(line[floor:], above, total[floor:])
            for k in range(layers):
                total[k] = -max(-most, min(total[k] * times, most))
        chances = out[row].reshape(-1)
        _exp(against, room, chances)
        for k in range(chances.size):
            chances[k] = one / (one + chances[k])


@njit(cache=True, nogil=True, inline="always")
def _over_and_under(line: NDArray[np.float32], say: np.float32, total: NDArray[np.float32]) -> None:
    """Add what the layers over and under say, and the next but one half as much."""
    half = np.float32(0.5)
    for step in range(1, 3):
        n = max(line.size - step, 0)
        low, high, under, over = line[:n], line[step:], total[:n], total[step:]
        for k in range(n):
            over[k] += say * (low[k] - half)
        for k in range(n):
            under[k] += say * (high[k] - half)
        say *= half


class _Room(NamedTuple):
    """Room for `_exp`: bits of 2**(j / 32), less j where whole steps are added; floats and bits."""

    powers: NDArray[np.int64]
    steps: NDArray[np.float64]
    whole: NDArray[np.int64]
    scale: NDArray[np.float64]
    bits: NDArray[np.int64]


@njit(cache=True, nogil=True)
def _room(size: int) -> _Room:
    powers, steps, scale = 2.0 ** (np.arange(32) / 32), np.empty(size), np.empty(size)
    bits = powers.view(np.int64) - (np.arange(32) << 47)
    return _Room(bits, steps, steps.view(np.int64), scale, scale.view(np.int64))


@njit(cache=True, nogil=True)
def _exp(x: NDArray[np.float32], room: _Room, out: NDArray[np.float32]) -> None:
    """exp(x) for x within 80 of 0: as the C library rounds it, but several at once.

    2**(whole steps of 1/32) times a cubic for the rest, in float64: method and coefficients of
    ARM's optimized routines (`math/expf.c`), which are glibc's as well.
    """
    powers, steps, whole, scale, bits = room
    per, to_whole = 32 / math.log(2), 1.5 * 2.0**52
    for k in range(x.size):
        steps[k] = np.float64(x[k]) * per + to_whole
    for k in range(x.size):
        bits[k] = powers[whole[k] & 31] + (whole[k] << 47)
    for k in range(x.size):
        rest = np.float64(x[k]) * per - (steps[k] - to_whole)
        high = 1.6938359250920212e-06 * rest + 0.00023459809789509004
        out[k] = np.float32((high * (rest * rest) + (0.021660849396613134 * rest + 1.0)) * scale[k])


@njit(cache=True, nogil=True)
def not_alone(
    chance: NDArray[np.float32],
    stops: NDArray[np.int32],
    around: Pulses,
    few: float,
    least: float,
) -> None:
    """Take the chance of growth, in place, from what stopped alone in a well searched place.

    Half a pulse stopped by growth in the window of `around` proves none and `few` pulses more do;
    so does a rate of twice `least` [1/m], where few pulses came to see it, and `least` does not.

    `stops` are those of `around` that go with growth.
    """
    rows, cols, layers = chance.shape
    per_pulse, per_path = np.float32(around.per_pulse), np.float32(around.per_path)
    half, one = np.float32(0.5), np.float32(1.0)
    zero, tiny = np.float32(0.0), np.float32(1e-6)
    more, rate = np.float32(few), np.float32(least)
    for row in range(rows):
        for col in range(cols):
            for k in range(layers):
                n = np.float32(stops[row, col, k]) * per_pulse
                if n == zero:
                    continue
                thin = rate * np.float32(around.passes[row, col, k]) * per_path
                proved = max((n - half) / more, (n - thin) / (thin + tiny))
                chance[row, col, k] *= max(zero, min(proved, one))


@njit(cache=True, nogil=True)
def of_air(stops: NDArray[np.int32], chance: NDArray[np.float32], out: NDArray[np.int32]) -> None:
    """Write the stops that go with air: not with growth there or in a voxel that touches it."""
    rows, cols, layers = chance.shape
    one, surely = np.float32(1.0), np.float32(0.9999)
    for row in range(rows):
        for col in range(cols):
            for k in range(layers):
                out[row, col, k] = 0
                near = chance[row, col, k]
                if stops[row, col, k] == 0 or near > surely:
                    continue
                for r in range(max(row - 1, 0), min(row + 2, rows)):
                    for c in range(max(col - 1, 0), min(col + 2, cols)):
                        for layer in range(max(k - 1, 0), min(k + 2, layers)):
                            near = max(near, chance[r, c, layer])
                out[row, col, k] = np.int32(np.float32(stops[row, col, k]) * (one - near))


@njit(cache=True, nogil=True)
def mixed(
    chance: NDArray[np.float32], growth: NDArray[np.float32], air: NDArray[np.float32]
) -> None:
    """Mean density [1/m] where growth has a chance and air the rest; written over `growth`."""
    rows, cols, layers = chance.shape
    one = np.float32(1.0)
    for row in range(rows):
        for col in range(cols):
            for k in range(layers):
                part = chance[row, col, k]
                thin = (one - part) * air[row, col, k]
                growth[row, col, k] = part * growth[row, col, k] + thin
