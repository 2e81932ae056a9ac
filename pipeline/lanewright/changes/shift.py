"""How far one survey lies off another: sideways by their surfaces, upward by their ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi
from skimage.registration import phase_cross_correlation

from lanewright.base.arrays import Flags, Raster

DETAIL = 8.0
"""Shapes wider than this are smoothed away before surfaces are matched, so that hills do not drown
crowns, roofs and banks [m]; ours."""

BOX = 60.0
"""Side of the squares whose shifts are found one by one [m]; their scatter is the error."""

FINENESS = 20
"""Parts of a cell to which shifts are found."""

LEAST_LIKE = 0.3
"""Correlation of both surfaces below which a shift means nothing; ours."""

LEVEL = 1.0
"""Rise over run up to which ground is compared: on walls a shift sideways looks like one upward."""

_TALLEST = 5.0  # m; one tall crown that was felled must not outweigh all that still stands


@dataclass(frozen=True)
class Shift:
    """What has to be added to the earlier survey to bring it over the later one.

    Attributes
    ----------
    east, north, up
        [m].
    sideways_error
        Standard error of the shift sideways [m]; NaN where nothing could be measured.
    up_scatter
        Robust scatter of the rise from cell to cell [m], no error of `up`; NaN likewise.
    likeness
        Correlation of both surfaces after the shift; under `LEAST_LIKE` no shift sideways is given.
    """

    east: float
    north: float
    up: float
    sideways_error: float
    up_scatter: float
    likeness: float


def find_shift(
    ground: Raster, canopy: Raster, ground_then: Raster, canopy_then: Raster, cell: float
) -> Shift:
    """Measure how an earlier survey lies off.

    Parameters
    ----------
    ground, canopy, ground_then, canopy_then : (rows, cols)
        Height of the ground, and of the vegetation over it, now and then [m]; NaN unknown.
    cell
        Side of the cells [m].
    """
    now = _detail(ground + np.nan_to_num(canopy), cell)
    then = _detail(ground_then + np.nan_to_num(canopy_then), cell)
    rows, cols, error = _sideways(now, then, cell)
    moved = moved_by(then, rows, cols)
    both = np.isfinite(now) & np.isfinite(moved)
    likeness = _correlation(now[both], moved[both])
    if not likeness >= LEAST_LIKE:
        rows = cols = 0.0
        error = np.nan
    up, up_scatter = _upward(ground, moved_by(ground_then, rows, cols), cell)
    return Shift(cols * cell, -rows * cell, up, error, up_scatter, likeness)


def moved_by(raster: Raster, rows: float, cols: float) -> Raster:
    """A raster moved down and right by parts of cells, linearly; what comes from outside is NaN."""
    if rows == 0 and cols == 0:
        return raster
    known = ndi.shift(np.isfinite(raster).astype(np.float32), (rows, cols), order=1, cval=0.0)
    values = ndi.shift(np.nan_to_num(raster), (rows, cols), order=1, mode="nearest")
    return np.where(known > 0.999, values, np.nan).astype(np.float32)


def _detail(surface: Raster, cell: float) -> Raster:
    """Surface over its smoothed self, bounded; NaN unknown."""
    known = np.isfinite(surface)
    sigma = DETAIL / cell
    weight = ndi.gaussian_filter(known.astype(np.float32), sigma)
    middle = float(np.nanmedian(surface)) if known.any() else 0.0
    smooth = ndi.gaussian_filter(np.where(known, surface - middle, 0).astype(np.float32), sigma)
    detail = surface - middle - smooth / np.maximum(weight, 1e-6)
    bounded: Raster = np.clip(detail, -_TALLEST, _TALLEST).astype(np.float32)
    return bounded


def _sideways(now: Raster, then: Raster, cell: float) -> tuple[float, float, float]:
    """Rows and columns to move the earlier surface by, and the standard error [m]."""
    side = max(8, round(BOX / cell))
    found = []
    for top in range(0, now.shape[0], side):
        for left in range(0, now.shape[1], side):
            box = slice(top, top + side), slice(left, left + side)
            both = np.isfinite(now[box]) & np.isfinite(then[box])
            if both.mean() < 0.5 or both.size < side**2 // 2:
                continue
            a, b = np.where(both, now[box], 0), np.where(both, then[box], 0)
            if a.std() < 0.05 or b.std() < 0.05:  # a lawn matches itself anywhere
                continue
            shift, _, _ = phase_cross_correlation(  # type: ignore[no-untyped-call]
                a, b, upsample_factor=FINENESS, normalization=None
            )
            found.append(shift)
    if not found:
        return 0.0, 0.0, np.nan
    shifts = np.array(found)
    middle = np.median(shifts, axis=0)
    # Standard error of a median, from the robust scatter; both factors are the normal law's.
    scatter = 1.4826 * np.median(np.abs(shifts - middle), axis=0)
    error = 1.2533 * float(np.hypot(*scatter)) * cell / np.sqrt(len(shifts))
    return float(middle[0]), float(middle[1]), error if len(shifts) > 2 else np.nan


def _upward(ground: Raster, ground_then: Raster, cell: float) -> tuple[float, float]:
    """Median rise of the ground, and its robust scatter from cell to cell [m]."""
    steep = np.hypot(*np.gradient(np.asarray(ground, float), cell))
    rise: NDArray[np.float64] = (ground - ground_then)[steep <= LEVEL]
    rise = rise[np.isfinite(rise)]
    if len(rise) == 0:
        return 0.0, np.nan
    middle = float(np.median(rise))
    return middle, 1.4826 * float(np.median(np.abs(rise - middle)))


def _correlation(a: Raster, b: Raster) -> float:
    if len(a) < 100 or a.std() == 0 or b.std() == 0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def known_in_both(*rasters: Raster) -> Flags:
    """Cells that every raster knows."""
    return np.asarray(np.logical_and.reduce([np.isfinite(raster) for raster in rasters]))
