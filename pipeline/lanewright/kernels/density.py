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
    voxel's own pulses: `lean` times the logarithm of the density around over `even`, that no
    farther from 0 than `most`.
    """

    air: float
    least: float
    even: float
    lean: float
    most: float


@njit(cache=True, nogil=True)
def update(mean: NDArray[np.float32], pulses: Pulses, hold: float) -> None:
    """One step of a chain of Gamma priors, in place: `hold` metres of path keep the mean before."""
    rows, cols, layers = mean.shape
    per_pulse, per_path = np.float32(pulses.per_pulse), np.float32(pulses.per_path)
    held = np.float32(hold)
    for row in range(rows):
        for col in range(cols):
            line, stops, passes = mean[row, col], pulses.stops[row, col], pulses.passes[row, col]
            for k in range(layers):
                line[k] = (held * line[k] + np.float32(stops[k]) * per_pulse) / (
                    held + np.float32(passes[k]) * per_path
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
    odds: Odds,
    out: NDArray[np.float32],
) -> None:
    """Write the log odds of growth against air in each voxel by its own pulses.

    `mean` is the density [1/m] that wider windows expect, `growth` that of growth
    about here, `thin` that of what is hardly growth.
    """
    rows, cols, layers = mean.shape
    per_pulse, per_path = np.float32(pulses.per_pulse), np.float32(pulses.per_path)
    floor, least = np.float32(odds.air), np.float32(odds.least)
    even, lean, most = np.float32(odds.even), np.float32(odds.lean), np.float32(odds.most)
    tiny, two = np.float32(1e-6), np.float32(2.0)
    for row in range(rows):
        for col in range(cols):
            stops, passes = pulses.stops[row, col], pulses.passes[row, col]
            for k in range(layers):
                air = max(thin[row, col, k], floor)
                dense = max(growth[row, col, k], least, two * air)
                around = np.float32(math.log((mean[row, col, k] + tiny) / even))
                total = lean * max(-most, min(around, most))
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
    total = np.empty(layers, np.float32)
    for row in range(rows):
        for col in range(cols):
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
            for k in range(1, layers):
                if k != floor:
                    total[k] += above * (line[k - 1] - half)
                    total[k - 1] += above * (line[k] - half)
            for k in range(2, layers):
                if k != floor and k != floor + 1:
                    total[k] += above * half * (line[k - 2] - half)
                    total[k - 2] += above * half * (line[k] - half)
            for k in range(layers):
                x = max(-most, min(total[k] * times, most))
                out[row, col, k] = one / (one + np.float32(math.exp(-x)))


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
