"""Where water goes from cell to cell: flooding hollows, steepest descent, spreading."""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

# Eight neighbours, clockwise from east, and their D8 codes (as in ArcInfo and pyflwdir).
_ROWS = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.int64)
_COLS = np.array([1, 1, 0, -1, -1, -1, 0, 1], dtype=np.int64)
_CODES = np.array([1, 2, 4, 8, 16, 32, 64, 128], dtype=np.uint8)
_STEPS = np.array([1.0, np.sqrt(2.0)] * 4)

OUTLET = np.uint8(0)
VOID = np.uint8(247)


def flood(
    surface: NDArray[np.float64], outlets: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.int64]]:
    """Let water rise from the outlets over all known ground, lowest spill first.

    Parameters
    ----------
    surface : (rows, cols)
        Heights; NaN is unknown.
    outlets : (rows, cols)
        Known cells that water leaves by.

    Returns
    -------
    filled : (rows, cols)
        Height of the lowest way out from each cell, never under its own.
    came_from : (rows, cols)
        D8 code towards the neighbour each cell was flooded from; 0 at outlets, 247 unknown.
    order
        Flat indices of the cells reached, in the order in which the flood reached them.

    Notes
    -----
    Priority flood (Barnes, Lehman and Mulla 2014, Computers & Geosciences 62). Cells of one
    filled level are taken lowest ground first: the flood dives from a spill to the floor of the
    hollow and rises from there, so its way back leads down to the floor and out over the spill,
    along the bed instead of straight across a filled flat.
    """
    filled = np.full(surface.shape, np.nan)
    came_from = np.full(surface.shape, VOID, dtype=np.uint8)
    order = np.empty(surface.size, dtype=np.int64)
    reached = _flood(np.ascontiguousarray(surface), outlets, filled, came_from, order)
    return filled, came_from, order[:reached]


@njit(cache=True, nogil=True)
def _flood(z, outlets, filled, came_from, order):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    queue = [(0.0, 0.0, np.int64(0)) for _ in range(0)]
    for row in range(rows):
        for col in range(cols):
            if outlets[row, col] and not np.isnan(z[row, col]):
                filled[row, col] = z[row, col]
                came_from[row, col] = OUTLET
                queue.append((z[row, col], z[row, col], np.int64(row * cols + col)))
    heapq.heapify(queue)
    reached = 0
    while len(queue) > 0:
        level, _, at = heapq.heappop(queue)
        order[reached] = at
        reached += 1
        row, col = at // cols, at % cols
        for k in range(8):
            r, c = row + _ROWS[k], col + _COLS[k]
            if r < 0 or r >= rows or c < 0 or c >= cols:
                continue
            if came_from[r, c] != VOID or np.isnan(z[r, c]):
                continue
            filled[r, c] = max(level, z[r, c])
            came_from[r, c] = _CODES[(k + 4) % 8]
            heapq.heappush(queue, (filled[r, c], z[r, c], np.int64(r * cols + c)))
    return reached


def ranks(order: NDArray[np.int64], shape: tuple[int, int]) -> NDArray[np.int64]:
    """Place of each cell in `order`; -1 where it is not in it."""
    rank = np.full(shape[0] * shape[1], -1, dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank.reshape(shape)


def steepest(
    surface: NDArray[np.float64],
    filled: NDArray[np.float64],
    came_from: NDArray[np.uint8],
    rank: NDArray[np.int64],
) -> NDArray[np.uint8]:
    """D8 code of steepest descent of every cell, the flood's way back where nothing lies lower.

    Parameters
    ----------
    surface, filled, came_from, rank : (rows, cols)
        Heights, and what the flood made of them.

    Returns
    -------
    (rows, cols)
        0 at outlets, 247 where unknown. Each step leads to a cell the flood reached earlier, so
        there are no loops.
    """
    code = np.empty(surface.shape, dtype=np.uint8)
    _steepest(np.ascontiguousarray(surface), filled, came_from, rank, code)
    return code


@njit(cache=True, nogil=True)
def _drop(z, filled, rank, row, col, k):  # type: ignore[no-untyped-def]
    """Fall to neighbour k per cell width, on filled ground and on the ground itself.

    Negative where the neighbour is no way to go.
    """
    rows, cols = z.shape
    r, c = row + _ROWS[k], col + _COLS[k]
    if r < 0 or r >= rows or c < 0 or c >= cols:
        return -1.0, -1.0
    if rank[r, c] < 0 or rank[r, c] > rank[row, col]:
        return -1.0, -1.0
    high = (filled[row, col] - filled[r, c]) / _STEPS[k]
    return high, (z[row, col] - z[r, c]) / _STEPS[k]


@njit(cache=True, nogil=True, parallel=True)
def _steepest(z, filled, came_from, rank, code):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    for each in prange(rows):
        row = np.int64(each)
        for col in range(cols):
            towards = came_from[row, col]
            if towards in (VOID, OUTLET):
                code[row, col] = towards
                continue
            best, best_ground = 0.0, 0.0
            for k in range(8):
                drop, ground = _drop(z, filled, rank, row, col, k)
                if drop > best:
                    best = drop
                    towards = _CODES[k]
                elif best == 0.0 and drop == 0.0 and ground > best_ground:
                    best_ground = ground
                    towards = _CODES[k]
            code[row, col] = towards


def spread(
    surface: NDArray[np.float64],
    filled: NDArray[np.float64],
    came_from: NDArray[np.uint8],
    order: NDArray[np.int64],
    exponent: float = 1.1,
) -> NDArray[np.float64]:
    """Cells that drain through each cell when water spreads over all lower neighbours.

    Parameters
    ----------
    surface, filled, came_from, order
        As for `steepest` and `flood`.
    exponent
        Shares go with slope to this power (Freeman 1991, Computers & Geosciences 17(3): 1.1).

    Returns
    -------
    (rows, cols)
        Count of cells, its own included; NaN where unknown.
    """
    area = np.where(came_from == VOID, np.nan, 1.0)
    rank = ranks(order, surface.shape)
    _spread(np.ascontiguousarray(surface), filled, came_from, order, rank, exponent, area)
    return area


@njit(cache=True, nogil=True)
def _spread(z, filled, came_from, order, rank, exponent, area):  # type: ignore[no-untyped-def]
    cols = z.shape[1]
    share = np.empty(8)
    for i in range(len(order) - 1, -1, -1):
        row, col = order[i] // cols, order[i] % cols
        towards = came_from[row, col]
        if towards == OUTLET:
            continue
        total, total_ground = 0.0, 0.0
        for k in range(8):
            drop, ground = _drop(z, filled, rank, row, col, k)
            if drop > 0.0:
                total += drop**exponent
            elif drop == 0.0 and ground > 0.0:
                total_ground += ground**exponent
        for k in range(8):
            drop, ground = _drop(z, filled, rank, row, col, k)
            share[k] = 0.0
            if total > 0.0:
                if drop > 0.0:
                    share[k] = drop**exponent / total
            elif total_ground > 0.0:
                if drop == 0.0 and ground > 0.0:
                    share[k] = ground**exponent / total_ground
            elif towards == _CODES[k]:
                share[k] = 1.0
        for k in range(8):
            if share[k] > 0.0:
                area[row + _ROWS[k], col + _COLS[k]] += area[row, col] * share[k]
