"""What took the land: squares that hold no tee or basket, by the test that left no cell of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Ints, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import patches

OUTSIDE, BORDER, ROOM, UNSEEN = (
    "outside the property",
    "near the property line",
    "no room",
    "not seen",
)
REASONS = (
    "none",
    OUTSIDE,
    BORDER,
    "unknown ground",
    "near a keep-out",
    "near a building",
    "near water",
    "on likely wet ground",
    "on possibly wet ground",
    "too steep",
    ROOM,
    UNSEEN,
)
"""In the order in which squares are tested; the place of each is its code in rasters and tables."""


@dataclass(frozen=True)
class Refused:
    """Squares of the land by the reason that they hold no site.

    Attributes
    ----------
    what
        "tee" or "basket".
    codes
        Place in `REASONS` of the first test that left no cell of a square, 0 where a site stands
        (rows, cols of squares).
    side
        Cells along a square's side.
    alone
        Squares that would hold a site but for this one test, by place in `REASONS`.
    """

    what: str
    codes: NDArray[np.uint8]
    side: int
    alone: Ints

    @property
    def counts(self) -> dict[str, int]:
        """Squares without a site, by the reason."""
        squares = np.bincount(self.codes.ravel(), minlength=len(REASONS))
        return dict(zip(REASONS[1:], squares[1:].tolist(), strict=True))


def raster_of(refused: Refused, grid: Grid) -> Raster:
    """Codes of `REASONS` on the run's grid (rows, cols)."""
    whole = np.repeat(np.repeat(refused.codes, refused.side, 0), refused.side, 1)
    return np.asarray(whole[: grid.rows, : grid.cols], np.float32)


def table_of(refused: Iterable[Refused], grid: Grid) -> gpd.GeoDataFrame:
    """Layer `refused_squares`: a row for each reason that refused a tee or a basket.

    The squares of the rows of one use add up to all squares of the grid; shares are of those that
    lie in the property.
    """
    rows: list[dict[str, object]] = []
    shapes: list[shapely.MultiPolygon] = []
    for one in refused:
        squares = np.bincount(one.codes.ravel(), minlength=len(REASONS))
        inside = max(int(squares.sum() - squares[REASONS.index(OUTSIDE)]), 1)
        codes = raster_of(one, grid).astype(np.int32)
        parts: list[list[shapely.Polygon]] = [[] for _ in REASONS]
        for outline, number in patches(codes + 1, grid):
            parts[number - 1].append(outline)
        for code in np.flatnonzero(squares):
            shape = shapely.MultiPolygon(parts[code])
            outside = REASONS[code] == OUTSIDE
            rows.append(
                {
                    "use": one.what,
                    "code": int(code),
                    "reason": REASONS[code],
                    "squares": int(squares[code]),
                    "area_ha": shape.area / 1e4,
                    "share": np.nan if outside else squares[code] / inside,
                    "squares_alone": int(one.alone[code]),
                }
            )
            shapes.append(shape)
    names = ["use", "code", "reason", "squares", "area_ha", "share", "squares_alone"]
    frame = {name: [row[name] for row in rows] for name in names}
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=grid.crs)
