"""Open lidar tiles as the arrays the stages take, made with general-purpose tools only."""

from pathlib import Path

import laspy
import numpy as np
import rasterio
import shapely
from rasterio.features import rasterize
from scipy.interpolate import LinearNDInterpolator

from lanewright.grid import Grid
from lanewright.water import Tally


def tile(path: Path, cell: float, left_out: tuple[int, ...] = (7, 17, 18, 26, 64, 65, 66, 67)):
    """Grid, linear surface through class 2 (NaN outside its hull) and tally of a tile."""
    las = laspy.read(path)
    x, y, z = (np.asarray(a, dtype=np.float64) for a in (las.x, las.y, las.z))
    kind = np.asarray(las.classification)
    grid = Grid.over(
        (x.min(), y.min() - 1e-6, x.max() + 1e-6, y.max()),
        cell,
        las.header.parse_crs().to_wkt() if las.header.parse_crs() else "EPSG:32631",
    )
    ground = kind == 2
    here = np.array([grid.left, grid.top, 0.0])
    points = np.column_stack((x, y, z))[ground] - here
    centre_x, centre_y = grid.xy(*np.indices(grid.shape))
    surface = LinearNDInterpolator(points[:, :2], points[:, 2])(
        centre_x - grid.left, centre_y - grid.top
    ).astype(np.float32)
    valid = ~np.isin(kind, left_out)
    # The footprint is the hull of the points, as a survey's own outline would be.
    hull = shapely.MultiPoint(np.column_stack((x, y))).convex_hull
    covered = rasterize([hull], out_shape=grid.shape, transform=grid.transform).astype(bool)
    return grid, surface, tally(grid, x[valid], y[valid], z[valid], kind[valid], covered)


def tally(grid: Grid, x, y, z, kind, covered=None) -> Tally:
    row, col = grid.rowcol(x, y)
    at = row * grid.cols + col
    size = grid.rows * grid.cols
    wet = kind == 9
    count = np.bincount(at[wet], minlength=size)
    total = np.bincount(at[wet], weights=z[wet], minlength=size)
    level = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return Tally(
        np.bincount(at, minlength=size).reshape(grid.shape).astype(np.uint16),
        count.reshape(grid.shape).astype(np.uint16),
        level.reshape(grid.shape).astype(np.float32),
        np.ones(grid.shape, bool) if covered is None else covered,
    )


def raster(path: Path):
    """Grid and surface of a single-band raster, nodata as NaN."""
    with rasterio.open(path) as file:
        surface = file.read(1, masked=True).astype(np.float32).filled(np.nan)
        move = file.transform
        crs = file.crs.to_wkt() if file.crs else "EPSG:26915"
    return Grid(crs, move.c, move.f, move.a, *surface.shape), surface
