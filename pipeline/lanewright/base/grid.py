"""The one georeference that every raster of a run shares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray


@dataclass(frozen=True)
class Grid:
    """North-up square cells in a projected metric CRS; row 0 is the northernmost.

    Attributes
    ----------
    crs
        WKT of the coordinate reference system.
    left, top
        Outer corner of cell (0, 0) [m].
    cell
        Side of a cell [m].
    rows, cols
        Shape of every raster on the grid.
    """

    crs: str
    left: float
    top: float
    cell: float
    rows: int
    cols: int

    def __post_init__(self) -> None:
        if not (self.cell > 0 and self.rows > 0 and self.cols > 0):
            raise ValueError(f"a grid needs cells: {self.cell} m, {self.rows} x {self.cols}")

    @classmethod
    def over(
        cls, bounds: tuple[float, float, float, float], cell: float, crs: str, align: float = 0.0
    ) -> Grid:
        """Smallest grid over `bounds` (left, bottom, right, top) with corners on multiples.

        `align` [m] is the multiple that corners fall on; by default `cell`.
        """
        step = max(align, cell)
        left = math.floor(bounds[0] / step) * step
        bottom = math.floor(bounds[1] / step) * step
        right = math.ceil(bounds[2] / step) * step
        top = math.ceil(bounds[3] / step) * step
        rows = max(1, round((top - bottom) / cell))
        cols = max(1, round((right - left) / cell))
        return cls(crs, left, top, cell, rows, cols)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return self.rows, self.cols

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top [m]."""
        return (
            self.left,
            self.top - self.rows * self.cell,
            self.left + self.cols * self.cell,
            self.top,
        )

    @property
    def transform(self) -> Affine:
        """Affine from (col, row) to (x, y), as rasterio wants it."""
        return Affine(self.cell, 0.0, self.left, 0.0, -self.cell, self.top)

    def rowcol(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of points; may lie outside the grid."""
        col = np.floor((np.asarray(x) - self.left) / self.cell).astype(np.int64)
        row = np.floor((self.top - np.asarray(y)) / self.cell).astype(np.int64)
        return row, col

    def nearest(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of points; for one beyond the edge those of the nearest cell."""
        row, col = self.rowcol(x, y)
        return np.clip(row, 0, self.rows - 1), np.clip(col, 0, self.cols - 1)

    def xy(
        self, row: NDArray[np.int64], col: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Coordinates of cell centres."""
        x = self.left + (np.asarray(col, np.float64) + 0.5) * self.cell
        y = self.top - (np.asarray(row, np.float64) + 0.5) * self.cell
        return x, y

    def coarser(self, factor: int) -> Grid:
        """Grid of cells `factor` times as wide from the same corner, covering at least this one."""
        return Grid(
            self.crs,
            self.left,
            self.top,
            self.cell * factor,
            -(-self.rows // factor),
            -(-self.cols // factor),
        )

    def window(self, row: int, col: int, rows: int, cols: int) -> Grid:
        """Part of the grid that starts at (row, col); may reach outside this one."""
        return Grid(
            self.crs,
            self.left + col * self.cell,
            self.top - row * self.cell,
            self.cell,
            rows,
            cols,
        )
