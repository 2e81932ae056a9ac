"""Outlines of numbered regions of a grid as polygons that share their borders."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes

from lanewright.base.grid import Grid


def outlines(regions: NDArray[np.int32], grid: Grid) -> list[shapely.MultiPolygon]:
    """One valid shape per region, freed of the staircase of cells.

    Parameters
    ----------
    regions : (rows, cols)
        1 to n; 0 belongs to none.
    grid
        Where the cells lie.

    Returns
    -------
    list of MultiPolygon
        Outline of region 1, 2 … n; empty where a number has no cell. Neighbours keep a common
        border without gap or overlap.
    """
    count = int(regions.max(initial=0))
    parts: list[shapely.Polygon] = []
    owner: list[int] = []
    for outline, number in shapes(
        regions.astype(np.int32), mask=regions > 0, transform=grid.transform
    ):
        parts.append(shapely.geometry.shape(outline))
        owner.append(int(number))
    if parts:
        # The tolerance is a length whose square is the area a dropped corner may have: the
        # staircase of a diagonal has corners of half a cell.
        parts = list(shapely.coverage_simplify(np.array(parts), 0.75 * grid.cell))
    grouped: list[list[shapely.Polygon]] = [[] for _ in range(count)]
    for part, number in zip(parts, owner, strict=True):
        grouped[number - 1].append(part)
    return [_whole(group) for group in grouped]


def _whole(parts: list[shapely.Polygon]) -> shapely.MultiPolygon:
    merged = shapely.union_all(parts) if len(parts) > 1 else shapely.MultiPolygon(parts)
    if not merged.is_valid:
        merged = shapely.make_valid(merged)
    flat = [p for p in shapely.get_parts(merged) if p.geom_type == "Polygon" and p.area > 0]
    return shapely.MultiPolygon(flat)
