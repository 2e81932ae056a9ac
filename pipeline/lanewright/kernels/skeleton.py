"""A thinned mask as a graph: its branches from node to node, cell by cell."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# East, south-east, south ... north-east; the odd ones are diagonal, the way back is four further.
_DOWN = np.array([0, 1, 1, 1, 0, -1, -1, -1])
_ALONG = np.array([1, 1, 0, -1, -1, -1, 0, 1])


@njit(cache=True, nogil=True)
def link(thin: NDArray[np.bool_], links: NDArray[np.uint8]) -> int:
    """Set in `links`, uint8 bits by direction, which neighbours a cell joins; how many in all.

    A diagonal counts only where no way around the corner does, so that a bend of three cells is no
    junction.
    """
    rows, cols = thin.shape
    total = 0
    for row in range(rows):
        for col in range(cols):
            links[row, col] = 0
            if not thin[row, col]:
                continue
            for d in range(8):
                r, c = row + _DOWN[d], col + _ALONG[d]
                if not (0 <= r < rows and 0 <= c < cols) or not thin[r, c]:
                    continue
                if d % 2 == 1 and (thin[row, c] or thin[r, col]):
                    continue
                links[row, col] |= np.uint8(1 << d)
                total += 1
    return total


@njit(cache=True, nogil=True)
def _count(bits: int) -> int:
    n = 0
    while bits:
        bits &= bits - 1
        n += 1
    return n


@njit(cache=True, nogil=True)
def trace(
    links: NDArray[np.uint8],
    left: NDArray[np.uint8],
    cells: NDArray[np.int64],
    start: NDArray[np.int64],
) -> int:
    """Walk every link once and write the branches; how many.

    Branches run between cells that do not have exactly two neighbours; a ring without such a cell
    begins and ends at its first one. `left` is a copy of `links` that is used up, `cells` (n, 2)
    takes row and column, `start` where each branch begins in it, and at last where they end.
    """
    rows, cols = links.shape
    branches, used = 0, 0
    for rings in range(2):
        for row in range(rows):
            for col in range(cols):
                if left[row, col] == 0 or (rings == 0 and _count(links[row, col]) == 2):
                    continue
                for first in range(8):
                    if not left[row, col] >> first & 1:
                        continue
                    start[branches] = used
                    branches += 1
                    cells[used, 0], cells[used, 1] = row, col
                    used += 1
                    r, c, d = row, col, first
                    while True:
                        left[r, c] &= np.uint8(255 ^ (1 << d))
                        r, c = r + _DOWN[d], c + _ALONG[d]
                        back = (d + 4) % 8
                        left[r, c] &= np.uint8(255 ^ (1 << back))
                        cells[used, 0], cells[used, 1] = r, c
                        used += 1
                        if _count(links[r, c]) != 2 or (r == row and c == col):
                            break
                        for onward in range(8):
                            if onward != back and links[r, c] >> onward & 1:
                                d = onward
                                break
    start[branches] = used
    return branches
