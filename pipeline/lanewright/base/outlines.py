"""From cells to shapes and back: the only room beside the ends that rasterio enters."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import geometry_mask, rasterize, shapes

from lanewright.base.grid import Grid


def patches(
    regions: NDArray[np.int32] | NDArray[np.bool_], grid: Grid
) -> Iterator[tuple[shapely.Polygon, int]]:
    """Connected cells of one number as polygons along their sides, each with its number.

    Parameters
    ----------
    regions : (rows, cols)
        Numbers from 1, or a mask; 0 belongs to none. Cells that meet at a corner do not connect.
    grid
        Where the cells lie.
    """
    numbers = np.ascontiguousarray(regions, np.int32)
    for outline, number in shapes(numbers, numbers > 0, 4, grid.transform):
        yield shapely.geometry.shape(outline), int(number)


def shapes_of_each(
    groups: list[tuple[NDArray[np.int64], NDArray[np.int64]]], grid: Grid
) -> list[shapely.MultiPolygon]:
    """Each group of cells, given by row and column, as polygons along their sides.

    All groups are drawn on one sheet, a strip for each: to trace them one by one takes six times
    as long.
    """
    if not groups:
        return []
    starts = [(int(row.min()), int(col.min())) for row, col in groups]
    high = [int(row.max()) - r0 + 2 for (row, _), (r0, _) in zip(groups, starts, strict=True)]
    wide = [int(col.max()) - c0 + 1 for (_, col), (_, c0) in zip(groups, starts, strict=True)]
    top = np.cumsum([0, *high])
    sheet = np.zeros((int(top[-1]), max(wide)), np.int32)
    for i, ((row, col), (r0, c0)) in enumerate(zip(groups, starts, strict=True)):
        sheet[top[i] + row - r0, col - c0] = i + 1
    parts: list[list[shapely.Polygon]] = [[] for _ in groups]
    for outline, number in shapes(sheet, sheet > 0, 4):
        i = int(number) - 1
        window = grid.window(*starts[i], high[i], wide[i])
        corner, step = np.array([window.left, window.top]), np.array([grid.cell, -grid.cell])
        first = np.array([0, top[i]])
        rings = [corner + (np.array(ring) - first) * step for ring in outline["coordinates"]]
        parts[i].append(shapely.Polygon(rings[0], rings[1:]))
    return [shapely.MultiPolygon(each) for each in parts]


def cells_of(shape: shapely.Geometry, grid: Grid) -> NDArray[np.bool_]:
    """Cells whose centre lies in the shape (rows, cols)."""
    if shape.is_empty:
        return np.zeros(grid.shape, bool)
    return np.asarray(geometry_mask([shape], grid.shape, grid.transform, invert=True), bool)


def cells_of_any(
    drawn: Iterable[shapely.Geometry], grid: Grid, *, touched: bool = False
) -> NDArray[np.bool_]:
    """Cells whose centre lies in any of the shapes, or that any touches (rows, cols)."""
    listed = list(drawn)
    if not listed:
        return np.zeros(grid.shape, bool)
    burnt = rasterize(
        listed, grid.shape, transform=grid.transform, all_touched=touched, dtype=np.uint8
    )
    return np.asarray(burnt, bool)


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
    for outline, number in patches(regions, grid):
        parts.append(outline)
        owner.append(number)
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
