"""Growth that reaches a cell farther, or less far, in random patches."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def _share(seed: np.uint64, row: int, col: int) -> float:
    """Share from 0 to 1 that belongs to a patch (splitmix64, Steele et al. 2014)."""
    z = seed + np.uint64(row) * np.uint64(0x9E3779B97F4A7C15)
    z += np.uint64(col) * np.uint64(0xC2B2AE3D27D4EB4F)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return np.float64(z >> np.uint64(11)) / 9007199254740992.0


@njit(cache=True, nogil=True)
def moved(
    code: NDArray[np.uint8],
    way: int,
    side: int,
    reach: float,
    seed: np.uint64,
    out: NDArray[np.uint8],
) -> None:
    """Write codes whose growth reaches a cell farther (`way` 1) or less far (-1) in some patches.

    A patch is `side` cells wide and is chosen with chance `reach`. In it each voxel takes the most,
    or the least, of itself and of those across its four sides.
    """
    rows, cols, layers = code.shape
    for row in range(rows):
        for col in range(cols):
            line = out[row, col]
            for k in range(layers):
                line[k] = code[row, col, k]
            if _share(seed, row // side, col // side) >= reach:
                continue
            for n in range(4):
                r = row + (1 if n == 0 else -1 if n == 1 else 0)
                c = col + (1 if n == 2 else -1 if n == 3 else 0)
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    continue
                for k in range(layers):
                    if way > 0:
                        line[k] = max(line[k], code[r, c, k])
                    else:
                        line[k] = min(line[k], code[r, c, k])
