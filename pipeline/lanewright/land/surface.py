"""Triangulated surface through ground points, and thinning that bounds their number."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.land import mesh

# Sums are kept to this grain [m]: integers add up to the same in any order, floats do not.
_GRAIN = mesh.GRAIN


class GroundSums:
    """At most one ground point per grid cell, whatever number of points is added.

    Sums are whole millimetres, so the result depends neither on the order of the points nor on
    how they were cut into blocks. A cell with one point gives that point to the millimetre, a
    cell with several their mean.

    Parameters
    ----------
    grid
        Cells to thin to; points outside it are left out.
    """

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self._count = np.zeros(grid.shape, np.int32)
        # Of east, south and height.
        self._sums = np.zeros((3, *grid.shape), np.int64)

    def add(self, x: Floats, y: Floats, z: Floats) -> None:
        """Add a block of points [m]; ValueError if any height is not finite."""
        if not np.isfinite(z).all():
            raise ValueError("ground heights must be finite")
        row, col = self.grid.rowcol(x, y)
        _add_sums(
            row,
            col,
            _grains(np.asarray(x) - self.grid.left),
            _grains(self.grid.top - np.asarray(y)),
            _grains(z),
            self._count,
            self._sums,
        )

    def points(self) -> tuple[Floats, Floats, Floats]:
        """x, y, z [m] of one point per occupied cell, row by row from the north."""
        held = self._count > 0
        scale = _GRAIN / self._count[held]
        return (
            self.grid.left + self._sums[0][held] * scale,
            self.grid.top - self._sums[1][held] * scale,
            self._sums[2][held] * scale,
        )


def triangulate(
    x: Floats,
    y: Floats,
    z: Floats,
    grid: Grid,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Linear surface through the points at cell centres, and how far each centre is from one.

    Inside the convex hull of the points heights come from their Delaunay triangulation; outside
    it from the nearest point. Points that share x and y to the millimetre count as one at their
    mean height. The order of the points does not matter.

    Parameters
    ----------
    x, y, z
        Ground points [m], also from around the grid: context makes its rim better.
    grid
        Where the surface is wanted.

    Returns
    -------
    surface
        Height [m], (rows, cols) float32. NaN everywhere if no three points span a triangle.
    distance
        From the cell centre to the nearest point, within a cell's diagonal [m], (rows, cols)
        float32; infinite everywhere without points. Large values mark cells that were filled
        rather than measured.

    Raises
    ------
    ValueError
        If a coordinate is not finite.
    """
    east, south, height = _distinct(x, y, z, grid)
    if not len(east):
        nothing = np.full(grid.shape, np.nan, np.float32)
        return nothing, np.full(grid.shape, np.inf, np.float32)

    distance, nearest = _nearest(east, south, grid)
    surface = mesh.linear(east, south, height, grid)
    if np.isfinite(surface).any():
        surface = np.where(np.isnan(surface), height[nearest], surface)
    return surface.astype(np.float32), distance


def _nearest(
    east: Floats, south: Floats, grid: Grid
) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Distance [m] from each cell centre to a point of the nearest cell that holds one, and which.

    At most a cell's diagonal more than to the very nearest point, and many times faster.
    """
    col, row = (np.floor(v / grid.cell).astype(np.int64) for v in (east, south))
    # Points may lie around the grid too.
    before_row, before_col = max(0, -row.min()), max(0, -col.min())
    rows = max(grid.rows, row.max() + 1) + before_row
    cols = max(grid.cols, col.max() + 1) + before_col
    which = np.full((rows, cols), -1, np.int32)
    which[row + before_row, col + before_col] = np.arange(len(east), dtype=np.int32)
    place = ndimage.distance_transform_edt(which < 0, return_distances=False, return_indices=True)
    here = np.s_[before_row : before_row + grid.rows, before_col : before_col + grid.cols]
    nearest = which[place[0][here], place[1][here]]
    centre_east = (np.arange(grid.cols) + 0.5) * grid.cell
    centre_south = ((np.arange(grid.rows) + 0.5) * grid.cell)[:, None]
    distance = np.hypot(east[nearest] - centre_east, south[nearest] - centre_south)
    return distance.astype(np.float32), nearest


def _grains(metres: Floats) -> NDArray[np.int64]:
    return np.rint(np.asarray(metres) / _GRAIN).astype(np.int64)


def _metres(grains: NDArray[np.int64]) -> Floats:
    return grains * np.float64(_GRAIN)


def _distinct(x: Floats, y: Floats, z: Floats, grid: Grid) -> tuple[Floats, Floats, Floats]:
    """Points in metres east and south of the grid's corner, one per place, sorted."""
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(z).all()):
        raise ValueError("ground points must be finite")
    east = _grains(np.asarray(x) - grid.left)
    south = _grains(grid.top - np.asarray(y))
    height = np.asarray(z, np.float64)
    if not len(east):
        return height, height, height
    # One key sorts several times faster than two; places reach no farther than 2^31 mm.
    order = np.argsort((south << 32) + east, kind="stable")
    east, south = east[order], south[order]
    fresh = np.concatenate(([True], (np.diff(east) != 0) | (np.diff(south) != 0)))
    if fresh.all():
        return _metres(east), _metres(south), height[order]
    # Shared places: by height too, so that their mean does not depend on the order given.
    order = order[np.lexsort((height[order], east, south))]
    first = np.flatnonzero(fresh)
    shared = np.diff(np.append(first, len(east)))
    mean: Floats = np.add.reduceat(height[order], first) / shared
    return _metres(east[first]), _metres(south[first]), mean


@njit(cache=True, nogil=True)
def _add_sums(row, col, east, south, z, count, sums):  # type: ignore[no-untyped-def]
    rows, cols = count.shape
    for i in range(len(row)):
        r, c = row[i], col[i]
        if 0 <= r < rows and 0 <= c < cols:
            count[r, c] += 1
            sums[0, r, c] += east[i]
            sums[1, r, c] += south[i]
            sums[2, r, c] += z[i]
