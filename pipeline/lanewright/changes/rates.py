"""How fast the canopy grew between two surveys, by how high it stood."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Raster
from lanewright.base.rows import Row

BANDS = (0.5, 2.0, 5.0, 10.0, 20.0, np.inf)
"""Heights then [m]: brush, thicket, young trees, trees, tall trees; ours."""

BLOCK = 50.0
"""Side of the squares whose means are taken for independent [m]; ours."""

FEW = 3
"""Squares under which no error can be given."""


def growth_by_height(
    canopy: Raster, canopy_then: Raster, chosen: Flags, cell: float, years: float
) -> list[Row]:
    """Mean rise of the canopy per year, with its standard error, by height at the first survey.

    Parameters
    ----------
    canopy, canopy_then : (rows, cols)
        Height of the vegetation now and then [m]; NaN unknown.
    chosen : (rows, cols)
        Where nothing was felled or built.
    cell
        Side of the cells [m].
    years
        Between both surveys; NaN gives rates and errors of None.

    Returns
    -------
    list of dict
        `from_m`, `to_m` (None: no upper end), `area_ha`, `m_per_year`, `error_m_per_year`
        (standard error from the scatter of squares of 50 m, one for each survey pair; what the
        surveys differ by themselves is not in it).
    """
    side = max(1, round(BLOCK / cell))
    rows, cols = np.indices(canopy.shape)
    block = rows // side * (canopy.shape[1] // side + 1) + cols // side
    rise = canopy - canopy_then
    known = chosen & np.isfinite(rise)
    found: list[Row] = []
    for low, high in itertools.pairwise(BANDS):
        band = known & (canopy_then >= low) & (canopy_then < high)
        if not band.any():
            continue
        mean, error = _mean_and_error(np.asarray(rise[band], float), block[band])
        found.append(
            {
                "from_m": low,
                "to_m": None if np.isinf(high) else high,
                "area_ha": round(float(band.sum()) * cell**2 / 1e4, 3),
                "m_per_year": None if np.isnan(years) else round(mean / years, 3),
                "error_m_per_year": (
                    None if np.isnan(years) or np.isnan(error) else round(error / years, 3)
                ),
            }
        )
    return found


def _mean_and_error(values: NDArray[np.float64], block: NDArray[np.int64]) -> tuple[float, float]:
    """Mean, and its standard error with blocks as the unit (Cochran 1977, ratio estimator)."""
    _, number = np.unique(block, return_inverse=True)
    count = np.bincount(number)
    total = np.bincount(number, weights=values)
    mean = float(total.sum() / count.sum())
    n = len(count)
    if n < FEW:
        return mean, np.nan
    off = total - mean * count
    return mean, float(np.sqrt(n / (n - 1) * (off**2).sum()) / count.sum())
