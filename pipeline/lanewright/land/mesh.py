"""The plane of each triangle between points, at cell centres; many points by blocks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
import startinpy
from numba import njit
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.grid import Grid

GRAIN = 0.001
"""Points are distinct to this [m]."""

MOST = 1_500_000
"""Points of one triangulation, which takes some 430 bytes for each."""

EACH = 500_000
"""Points of a block, on the average; with what lies around it at most some four times as many."""

AROUND = (0.1, 0.5)
"""Shares of a block's side by which it looks around itself, one after the other."""

# Points enter the triangulation along a snake through squares of this side, so that each lands
# near the one before: measured 65 times faster than random order on a million points.
_SNAKE = 10.0


class Box(NamedTuple):
    """Metres east and south of the corner of a grid."""

    west: float
    north: float
    east: float
    south: float


def linear(east: Floats, south: Floats, height: Floats, grid: Grid, most: int = MOST) -> Floats:
    """Height at cell centres on the Delaunay triangulation of points; NaN outside its hull.

    More than `most` points are triangulated block by block. A block looks around itself until the
    circles through the corners of its triangles lie within what it sees: then they are those of
    all points together. Where no point lies for half a block around, they may be others.

    Parameters
    ----------
    east, south, height : (points,)
        Metres from the grid's corner, one per place, sorted by `south`.
    grid
        Where heights are wanted.
    most
        Points of one triangulation.
    """
    surface = np.full(grid.shape, np.nan)
    if len(east) <= most:
        points, triangles = _triangles(east, south, height)
        _fill_triangles(points, triangles, grid.cell, surface)
        return surface
    known = Box(east.min(), south[0], east.max(), south[-1])
    hull = _hull(east, south)
    shapely.prepare(hull)
    density = len(east) / max((known.east - known.west) * (known.south - known.north), 1.0)
    step = max(8, round(np.sqrt(EACH * most / MOST / density) / grid.cell))
    for row in range(0, grid.rows, step):
        for col in range(0, grid.cols, step):
            rows, cols = min(step, grid.rows - row), min(step, grid.cols - col)
            surface[row : row + rows, col : col + cols] = _block(
                (east, south, height), grid.window(row, col, rows, cols), grid, (known, hull)
            )
    return surface


def _block(
    points: tuple[Floats, Floats, Floats], part: Grid, grid: Grid, ends: tuple[Box, shapely.Polygon]
) -> Floats:
    """Heights of one block; `ends` are the box and the hull of all points."""
    known, hull = ends
    west, north = part.left - grid.left, grid.top - part.top
    block = Box(west, north, west + part.cols * part.cell, north + part.rows * part.cell)
    side = max(part.rows, part.cols) * part.cell
    east_at = west + (np.arange(part.cols) + 0.5) * part.cell
    south_at = north + (np.arange(part.rows) + 0.5) * part.cell
    for share in AROUND:
        seen = _seen(block, share * side, known)
        first, end = np.searchsorted(points[1], (seen.north, seen.south))
        inside = (points[0][first:end] >= seen.west) & (points[0][first:end] <= seen.east)
        east, south, height = (v[first:end][inside] for v in points)
        surface = np.full(part.shape, np.nan)
        if len(east) < 3:
            continue
        corners, triangles = _triangles(east - west, south - north, height)
        _fill_triangles(corners, triangles, part.cell, surface)
        corners[:, :2] += west, north
        if not _sound(corners, triangles, block, seen, known):
            continue
        row, col = np.nonzero(np.isnan(surface))
        if not shapely.contains_xy(hull, east_at[col], south_at[row]).any():
            break
    return surface


def _seen(block: Box, around: float, known: Box) -> Box:
    """What a block looks at; without end where no point lies beyond."""
    west, north = block.west - around, block.north - around
    east, south = block.east + around, block.south + around
    return Box(
        west if west > known.west else -np.inf,
        north if north > known.north else -np.inf,
        east if east < known.east else np.inf,
        south if south < known.south else np.inf,
    )


def _sound(points: Floats, triangles: NDArray[np.int64], block: Box, seen: Box, known: Box) -> bool:
    """Whether no point unseen can lie in the circle of a triangle that touches the block."""
    x, y = points[:, 0][triangles], points[:, 1][triangles]
    touches = (x.min(1) < block.east) & (x.max(1) > block.west)
    touches &= (y.min(1) < block.south) & (y.max(1) > block.north)
    x, y = x[touches], y[touches]
    # Centre of the circle, from the first corner.
    bx, by, cx, cy = x[:, 1] - x[:, 0], y[:, 1] - y[:, 0], x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]
    twice = 2 * (bx * cy - by * cx)
    with np.errstate(divide="ignore", invalid="ignore"):
        across = (cy * (bx**2 + by**2) - by * (cx**2 + cy**2)) / twice
        along = (bx * (cx**2 + cy**2) - cx * (bx**2 + by**2)) / twice
    radius, across, along = np.hypot(across, along), across + x[:, 0], along + y[:, 0]
    wide = _reach(radius, along, known.north, known.south)
    high = _reach(radius, across, known.west, known.east)
    within: Flags = (across - wide >= seen.west) & (across + wide <= seen.east)
    within &= (along - high >= seen.north) & (along + high <= seen.south)
    return bool(within.all())


def _reach(radius: Floats, at: Floats, low: float, high: float) -> Floats:
    """Half the width of circles centred `at`, as far as they lie between `low` and `high`."""
    off = np.maximum(np.maximum(low - at, at - high), 0.0)
    found: Floats = np.sqrt(np.maximum(radius**2 - off**2, 0.0))
    return found


def _hull(east: Floats, south: Floats) -> shapely.Polygon:
    """Convex hull of all points, by runs of them, so that few are held as shapes at once."""
    runs = [
        shapely.get_coordinates(
            shapely.convex_hull(shapely.multipoints(np.column_stack((east[k:end], south[k:end]))))
        )
        for k in range(0, len(east), EACH)
        for end in (k + EACH,)
    ]
    return shapely.convex_hull(shapely.multipoints(np.concatenate(runs)))


def _triangles(east: Floats, south: Floats, height: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Corners (n, 3) and triangles of distinct points; no triangle if they lie on a line."""
    mesh = startinpy.DT()
    mesh.snap_tolerance = GRAIN / 2  # distinct points already lie a grain apart
    order = _snake(east, south)
    mesh.insert(np.column_stack((east, south, height))[order])
    triangles = np.asarray(mesh.triangles, dtype=np.int64).reshape(-1, 3)
    return np.array(mesh.points, dtype=np.float64).reshape(-1, 3), triangles


def _snake(east: Floats, south: Floats) -> NDArray[np.int64]:
    """Order along rows of squares, every other row backwards, so that neighbours follow."""
    band = np.floor(south / _SNAKE).astype(np.int64)
    along = np.floor(east / _SNAKE).astype(np.int64)
    along = np.where(band % 2 == 0, along, -along)
    within = np.rint((east - np.floor(east / _SNAKE) * _SNAKE) / GRAIN).astype(np.int64)
    return np.argsort((band << 40) + (along << 16) + within, kind="stable")


@njit(cache=True, nogil=True)
def _fill_triangles(points, triangles, cell, surface):  # type: ignore[no-untyped-def]
    """Write the plane of each triangle into the cells whose centres it covers, rim included."""
    rows, cols = surface.shape
    slack = 1e-9  # of a triangle's side: a centre on a shared edge must belong to one of the two
    for t in range(len(triangles)):
        ax, ay, az = points[triangles[t, 0]]
        bx, by, bz = points[triangles[t, 1]]
        cx, cy, cz = points[triangles[t, 2]]
        double_area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if double_area == 0:
            continue
        r0 = max(0, int(np.ceil(min(ay, by, cy) / cell - 0.5 - slack)))
        r1 = min(rows - 1, int(np.floor(max(ay, by, cy) / cell - 0.5 + slack)))
        c0 = max(0, int(np.ceil(min(ax, bx, cx) / cell - 0.5 - slack)))
        c1 = min(cols - 1, int(np.floor(max(ax, bx, cx) / cell - 0.5 + slack)))
        for r in range(r0, r1 + 1):
            py = (r + 0.5) * cell
            for c in range(c0, c1 + 1):
                px = (c + 0.5) * cell
                wb = ((px - ax) * (cy - ay) - (cx - ax) * (py - ay)) / double_area
                wc = ((bx - ax) * (py - ay) - (px - ax) * (by - ay)) / double_area
                if wb >= -slack and wc >= -slack and wb + wc <= 1 + slack:
                    surface[r, c] = az + wb * (bz - az) + wc * (cz - az)
