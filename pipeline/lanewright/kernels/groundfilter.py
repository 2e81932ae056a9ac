"""Kernels of the ground filter: lowest returns, openings, growing on, filling gaps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

SECTORS = 16
LEAST_POINTS = 5  # in a half disc, to fit a plane
COMPANY = 3  # cells as low around one that make it a sound low return


class HalfDiscs(NamedTuple):
    """Cells of a disc as seen from its centre, and the sector of the circle each lies in."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    sector: NDArray[np.int64]


class Planes(NamedTuple):
    """Which planes of ground grow on.

    How far above and below one a cell may lie, the scatter about it (all in metres), and its
    steepest gradient (metres per cell).
    """

    above: float
    below: float
    roughness: float
    steepest: float


@njit(cache=True, nogil=True)
def add_lowest(lowest, row, col, z):  # type: ignore[no-untyped-def]
    """Lower `lowest` in place to the lowest of the points in each cell."""
    rows, cols = lowest.shape
    for i in range(len(row)):
        r, c = row[i], col[i]
        if 0 <= r < rows and 0 <= c < cols and np.isfinite(z[i]):
            height = np.float32(z[i])
            if not lowest[r, c] <= height:
                lowest[r, c] = height


@njit(cache=True, nogil=True, parallel=True)
def lone_low(heights, seen, radius, depth):  # type: ignore[no-untyped-def]
    """Cells with fewer than a few others around that are as low, or nearly."""
    rows, cols = heights.shape
    out = np.zeros(heights.shape, np.bool_)
    for r in prange(rows):
        for c in range(cols):
            if not seen[r, c]:
                continue
            limit = heights[r, c] + depth
            company = 0
            for ring in range(1, radius + 1):
                for i in range(max(0, r - ring), min(rows, r + ring + 1)):
                    edge = i == r - ring or i == r + ring
                    step = 1 if edge else 2 * ring
                    for j in range(c - ring, c + ring + 1, step):
                        if 0 <= j < cols and seen[i, j] and heights[i, j] <= limit:
                            company += 1
                if company >= COMPANY:
                    break
            out[r, c] = company < COMPANY
    return out


@njit(cache=True, nogil=True)
def step(heights, square, erode):  # type: ignore[no-untyped-def]
    """Erode or dilate by the 3 x 3 square or its cross; taking turns they make an octagon.

    What lies outside the raster takes no part.
    """
    rows, cols = heights.shape
    out = np.empty_like(heights)
    for r in range(rows):
        above, below = max(r - 1, 0), min(r + 1, rows - 1)
        for c in range(cols):
            left, right = max(c - 1, 0), min(c + 1, cols - 1)
            if erode:
                best = min(heights[r, left], heights[r, c], heights[r, right])
                best = min(best, heights[above, c], heights[below, c])
                if square:
                    best = min(best, heights[above, left], heights[above, right])
                    best = min(best, heights[below, left], heights[below, right])
            else:
                best = max(heights[r, left], heights[r, c], heights[r, right])
                best = max(best, heights[above, c], heights[below, c])
                if square:
                    best = max(best, heights[above, left], heights[above, right])
                    best = max(best, heights[below, left], heights[below, right])
            out[r, c] = best
    return out


@njit(cache=True, nogil=True, parallel=True)
def run_on(heights, taken, sound, discs, planes):  # type: ignore[no-untyped-def]
    """Cells not taken that the plane of taken cells in some half disc beside them runs into.

    Moments are summed by sector, then half discs by turning: one sector in, one out.
    """
    row, col, sector = discs
    above, below, roughness, steepest = planes
    rows, cols = heights.shape
    out = np.zeros(heights.shape, np.bool_)
    radius = 0
    for k in range(len(row)):
        radius = max(radius, row[k])
    for r in prange(rows):
        sums = np.empty((SECTORS, 10))
        half = np.empty(10)
        for c in range(cols):
            if taken[r, c] or not sound[r, c]:
                continue
            here = heights[r, c]
            sums[:] = 0.0
            highest = -np.inf
            for k in range(len(row)):
                i, j = r + row[k], c + col[k]
                if i < 0 or j < 0 or i >= rows or j >= cols or not taken[i, j]:
                    continue
                x, y, z = float(col[k]), float(row[k]), float(heights[i, j] - here)
                highest = max(highest, z)
                s = sums[sector[k]]
                s[0] += 1.0
                s[1] += x
                s[2] += y
                s[3] += z
                s[4] += x * x
                s[5] += x * y
                s[6] += y * y
                s[7] += x * z
                s[8] += y * z
                s[9] += z * z
            # No plane of a slope that is let grow reaches up here from below.
            if highest < -above - steepest * radius:
                continue
            for first in range(SECTORS):
                half[:] = 0.0
                for turn in range(SECTORS // 2):
                    half += sums[(first + turn) % SECTORS]
                n = half[0]
                if n < LEAST_POINTS:
                    continue
                mx, my, mz = half[1] / n, half[2] / n, half[3] / n
                xx = half[4] / n - mx * mx
                xy = half[5] / n - mx * my
                yy = half[6] / n - my * my
                xz = half[7] / n - mx * mz
                yz = half[8] / n - my * mz
                zz = half[9] / n - mz * mz
                determinant = xx * yy - xy * xy
                # points nearly in line carry no plane
                if determinant < 6e-4 * radius**4:
                    continue
                gx = (xz * yy - yz * xy) / determinant
                gy = (yz * xx - xz * xy) / determinant
                if gx * gx + gy * gy > steepest * steepest:
                    continue
                if zz - gx * xz - gy * yz > roughness * roughness:
                    continue
                plane = mz - gx * mx - gy * my
                if -above <= plane <= below:
                    out[r, c] = True
                    break
    return out


@njit(cache=True, nogil=True)
def spread(coarse, known, out):  # type: ignore[no-untyped-def]
    """Bilinear start for the unknown cells from a raster of half the size."""
    rows, cols = out.shape
    last_r, last_c = coarse.shape[0] - 1, coarse.shape[1] - 1
    for r in range(rows):
        y = min(max((r - 0.5) / 2, 0.0), float(last_r))
        i = int(y)
        i1 = min(i + 1, last_r)
        fy = y - i
        for c in range(cols):
            if known[r, c]:
                continue
            x = min(max((c - 0.5) / 2, 0.0), float(last_c))
            j = int(x)
            j1 = min(j + 1, last_c)
            fx = x - j
            top = coarse[i, j] * (1 - fx) + coarse[i, j1] * fx
            bottom = coarse[i1, j] * (1 - fx) + coarse[i1, j1] * fx
            out[r, c] = top * (1 - fy) + bottom * fy


@njit(cache=True, nogil=True)
def relax(heights, known, rounds):  # type: ignore[no-untyped-def]
    """Move unknown cells to the mean of their neighbours, like the squares of a chessboard."""
    rows, cols = heights.shape
    for half in range(2 * rounds):
        for r in range(rows):
            for c in range((r + half) % 2, cols, 2):
                if known[r, c]:
                    continue
                total = 0.0
                n = 0
                if r > 0:
                    total += heights[r - 1, c]
                    n += 1
                if r + 1 < rows:
                    total += heights[r + 1, c]
                    n += 1
                if c > 0:
                    total += heights[r, c - 1]
                    n += 1
                if c + 1 < cols:
                    total += heights[r, c + 1]
                    n += 1
                heights[r, c] = total / n
