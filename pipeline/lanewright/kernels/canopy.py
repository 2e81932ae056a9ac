"""Highest returns of cells, and the tops of crowns."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def stamp(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    height: NDArray[np.float64],
    left: float,
    top: float,
    cell: float,
    radius: float,
    out: NDArray[np.float32],
) -> None:
    """Raise `out` to the height of each return in all cells that its footprint touches."""
    rows, cols = out.shape
    for i in range(x.size):
        col0 = math.floor((x[i] - radius - left) / cell)
        col1 = math.floor((x[i] + radius - left) / cell)
        row0 = math.floor((top - y[i] - radius) / cell)
        row1 = math.floor((top - y[i] + radius) / cell)
        for row in range(max(row0, 0), min(row1, rows - 1) + 1):
            for col in range(max(col0, 0), min(col1, cols - 1) + 1):
                # Nearest place of the cell to the return.
                near_x = min(max(x[i], left + col * cell), left + (col + 1) * cell)
                near_y = min(max(y[i], top - (row + 1) * cell), top - row * cell)
                if (near_x - x[i]) ** 2 + (near_y - y[i]) ** 2 <= radius * radius and (
                    math.isnan(out[row, col]) or height[i] > out[row, col]
                ):
                    out[row, col] = height[i]


@njit(cache=True, nogil=True)
def tops(
    height: NDArray[np.floating],
    cell: float,
    lowest: float,
    constant: float,
    square: float,
    widest: float,
    out: NDArray[np.bool_],
) -> None:
    """Mark cells that no cell within half a crown's width overtops.

    The width is constant + square * height**2, at most `widest` [m], and never less than the eight
    cells around. Of equals the first in reading order stays.
    """
    rows, cols = height.shape
    for row in range(rows):
        for col in range(cols):
            h = height[row, col]
            if not h >= lowest:
                continue
            half = max(min(constant + square * h * h, widest) / 2.0 / cell, 1.5)
            reach = int(half)
            is_top = True
            for dr in range(-reach, reach + 1):
                if not is_top:
                    break
                for dc in range(-reach, reach + 1):
                    r, c = row + dr, col + dc
                    if dr * dr + dc * dc > half * half or not (0 <= r < rows and 0 <= c < cols):
                        continue
                    other = height[r, c]
                    if other > h or (other == h and (dr < 0 or (dr == 0 and dc < 0))):
                        is_top = False
                        break
            out[row, col] = is_top


@njit(cache=True, nogil=True)
def profiles(
    crown: NDArray[np.int32],
    trees: int,
    code: NDArray[np.uint8],
    table: NDArray[np.float32],
    solid_code: int,
    total: NDArray[np.float64],
    cells: NDArray[np.int64],
) -> None:
    """Sum of the density of each layer over the cells of each crown, numbered from 1."""
    rows, cols, layers = code.shape
    for row in range(rows):
        for col in range(cols):
            tree = crown[row, col] - 1
            if tree < 0:
                continue
            cells[tree] += 1
            for k in range(layers):
                if code[row, col, k] != solid_code:
                    total[tree, k] += np.float64(table[code[row, col, k]])
