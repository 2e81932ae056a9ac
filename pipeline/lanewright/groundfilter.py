"""Ground filter: which returns came from the ground, told from heights alone.

A progressive morphological filter of the family of Pingel, Clarke & McBride 2013 (SMRF,
doi:10.1016/j.isprsjprs.2012.12.002): the lowest return of each cell is opened with ever wider
windows; what an opening takes off faster than terrain could fall is an object; the rest, with
the gaps filled, is a provisional ground that each return is held against. It works on rasters,
so points may come in blocks: once for the lowest heights, once to be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numba import njit
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from scipy import ndimage

from lanewright.grid import Grid

Raster = NDArray[np.float32]
Coordinates = NDArray[np.float64]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class FilterSettings(BaseModel):
    """What the ground filter takes for an object; defaults measured on the ISPRS filter test."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)

    cell: Positive = Field(1.0, description="side of the filter's raster cells in metres")
    window: Positive = Field(
        18.0, description="half the width in metres of the widest object to take off the ground"
    )
    slope: Positive = Field(
        0.15, description="rise over run above which an opening's cut is an object, not terrain"
    )
    low_slope: Positive = Field(
        5.0, description="rise over run around a lone cell that makes it a false low return"
    )
    threshold: Positive = Field(
        0.45, description="metres above or below the provisional ground that still are ground"
    )
    slope_scale: NotNegative = Field(
        1.2, description="metres of further tolerance per unit of the ground's rise over run"
    )


@dataclass(frozen=True)
class Provisional:
    """Ground as the filter first sees it, to hold returns against.

    Attributes
    ----------
    surface
        Height [m], (rows, cols); full, NaN only if the whole input was empty.
    slope
        Its gradient [rise over run].
    taken
        Cells whose lowest return stands for ground; all others were filled from around.
    """

    surface: Raster
    slope: Raster
    taken: NDArray[np.bool_]


def lowest_raster(grid: Grid) -> Raster:
    """Empty raster for `add_lowest`: NaN in every cell."""
    return np.full(grid.shape, np.nan, np.float32)


def add_lowest(lowest: Raster, grid: Grid, x: Coordinates, y: Coordinates, z: Coordinates) -> None:
    """Lower `lowest` in place to the lowest of the points in each cell; others are left out."""
    row, col = grid.rowcol(x, y)
    _add_lowest(lowest, row, col, np.asarray(z, np.float64))


def provisional_ground(lowest: Raster, cell: float, settings: FilterSettings) -> Provisional:
    """Ground under the lowest returns.

    Parameters
    ----------
    lowest
        Height [m] of the lowest return per cell, (rows, cols); NaN where there is none.
    cell
        Side of a cell [m].
    settings
        Limits between terrain and objects.

    Returns
    -------
    Provisional
        On the cells of `lowest`.
    """
    seen = np.isfinite(lowest)
    if not seen.any():
        void = np.full(lowest.shape, np.nan, np.float32)
        return Provisional(void, void.copy(), seen)
    base = np.float32(np.median(lowest[seen]))
    heights = fill_gaps(lowest - base)
    low = _cut(-heights, cell, settings.low_slope, cell)
    objects = _cut(heights, cell, settings.slope, settings.window)
    taken = seen & ~low & ~objects
    if not taken.any():
        taken = seen
    surface = fill_gaps(np.where(taken, heights, np.float32(np.nan)))
    down, right = np.gradient(np.pad(surface, ((0, 1), (0, 1)), mode="edge"), cell)
    slope = np.hypot(down, right)[:-1, :-1].astype(np.float32)
    return Provisional(surface + base, slope, taken)


def is_ground(
    height: NDArray[np.floating], slope: NDArray[np.floating], settings: FilterSettings
) -> NDArray[np.bool_]:
    """Whether returns lie near enough to the provisional ground.

    Parameters
    ----------
    height
        Height of each return over the provisional ground [m], negative below; NaN is not ground.
    slope
        Gradient of the provisional ground there [rise over run].
    settings
        Tolerances.
    """
    near: NDArray[np.bool_] = np.abs(height) <= settings.threshold + settings.slope_scale * slope
    return near


def classify(
    x: Coordinates,
    y: Coordinates,
    z: Coordinates,
    ground: Provisional,
    grid: Grid,
    settings: FilterSettings,
) -> NDArray[np.bool_]:
    """Which of a block of returns are ground; `grid` is the one `ground` lies on."""
    height = np.asarray(z) - sample(ground.surface, grid, x, y)
    return is_ground(height, sample(ground.slope, grid, x, y), settings)


def sample(raster: Raster, grid: Grid, x: Coordinates, y: Coordinates) -> NDArray[np.float64]:
    """Bilinear value of a full raster at points; beyond its rim that of the nearest cell."""
    row = (grid.top - np.asarray(y)) / grid.cell - 0.5
    col = (np.asarray(x) - grid.left) / grid.cell - 0.5
    out: NDArray[np.float64] = ndimage.map_coordinates(
        raster, np.vstack((row, col)), output=np.float64, order=1, mode="nearest"
    )
    return out


def fill_gaps(raster: Raster) -> Raster:
    """Fill NaN cells with a smooth surface from the known ones, which stay as they are.

    The raster is averaged to half its size until nothing is missing; on the way back each gap
    starts from the coarser surface and is relaxed towards the mean of its neighbours (a membrane:
    the Laplace equation). An all-NaN raster comes back as it is.
    """
    known = np.isfinite(raster)
    if known.all() or not known.any():
        return raster.astype(np.float32)
    out = np.where(known, raster, 0).astype(np.float32)
    rows, cols = out.shape
    padding = ((0, rows % 2), (0, cols % 2))
    quads = np.pad(out, padding).reshape(-(-rows // 2), 2, -1, 2)
    held = np.pad(known, padding).reshape(quads.shape).sum(axis=(1, 3))
    with np.errstate(invalid="ignore"):
        coarse = np.where(held > 0, quads.sum(axis=(1, 3)) / held, np.nan).astype(np.float32)
    _spread(fill_gaps(coarse), known, out)
    _relax(out, known, 20)
    return out


def _cut(heights: Raster, cell: float, slope: float, window: float) -> NDArray[np.bool_]:
    """Cells that openings up to a window [m] lower by more than slope times the window."""
    flagged = np.zeros(heights.shape, np.bool_)
    eroded = previous = heights
    for radius in range(1, max(1, round(window / cell)) + 1):
        eroded = _step(eroded, radius % 2 == 0, True)
        opened = eroded
        for step in range(1, radius + 1):
            opened = _step(opened, step % 2 == 0, False)
        flagged |= previous - opened > slope * radius * cell
        previous = opened
    return flagged


@njit(cache=True, nogil=True)
def _add_lowest(lowest, row, col, z):  # type: ignore[no-untyped-def]
    rows, cols = lowest.shape
    for i in range(len(row)):
        r, c = row[i], col[i]
        if 0 <= r < rows and 0 <= c < cols:
            height = np.float32(z[i])
            if not lowest[r, c] <= height:
                lowest[r, c] = height


@njit(cache=True, nogil=True)
def _step(heights, square, erode):  # type: ignore[no-untyped-def]
    """Erode or dilate by the 3 x 3 square or its cross; taking turns they make an octagon.

    What lies outside the raster takes no part.
    """
    rows, cols = heights.shape
    sign = np.float32(1 if erode else -1)
    out = np.empty_like(heights)
    across = np.empty_like(heights)
    for r in range(rows):
        for c in range(cols):
            best = sign * heights[r, c]
            if c > 0:
                best = min(best, sign * heights[r, c - 1])
            if c + 1 < cols:
                best = min(best, sign * heights[r, c + 1])
            across[r, c] = best
    for r in range(rows):
        for c in range(cols):
            best = across[r, c]
            for s in (r - 1, r + 1):
                if 0 <= s < rows:
                    best = min(best, across[s, c] if square else sign * heights[s, c])
            out[r, c] = sign * best
    return out


@njit(cache=True, nogil=True)
def _spread(coarse, known, out):  # type: ignore[no-untyped-def]
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
def _relax(heights, known, rounds):  # type: ignore[no-untyped-def]
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
