"""Open lidar tiles and terrain models as the arrays the stages take."""

from functools import cache
from pathlib import Path

import laspy
import numpy as np
import rasterio
import shapely
from rasterio.features import rasterize

from lanewright.base.grid import Grid
from lanewright.land.plan import plan
from lanewright.land.reading import read_points
from lanewright.land.surface import triangulate
from lanewright.land.survey import Survey, lay_survey
from lanewright.land.water import Tally
from lanewright.settings.config import Config
from lanewright.store import Store

ARTEFACTS = (7, 17, 18, 26, 64, 65, 66, 67)


def survey_of(config: Config, store: Store) -> Survey:
    """The stages that lead to a survey."""
    found = plan(config)
    cloud = store.step(read_points, found.points) if found.points is not None else None
    return store.step(lay_survey, cloud, found.grid, found.land, found.elevation)


@cache
def points(path: Path):
    """x, y, z, class of all points but noise, bridges and artefacts; WKT of the CRS."""
    las = laspy.read(path)
    crs = las.header.parse_crs()
    kind = np.asarray(las.classification)
    keep = ~np.isin(kind, ARTEFACTS)
    x, y, z = (np.asarray(a, dtype=np.float64)[keep] for a in (las.x, las.y, las.z))
    return x, y, z, kind[keep], crs.to_wkt() if crs else "EPSG:32631"


@cache
def tile(path: Path, cell: float, share: float = 1.0):
    """Grid, surface through class 2 (NaN outside its hull) and tally of a tile.

    `share` below 1 thins the points at random.
    """
    x, y, z, kind, crs = points(path)
    if share < 1:
        keep = np.random.default_rng(0).random(len(x)) < share
        x, y, z, kind = x[keep], y[keep], z[keep], kind[keep]
    grid = Grid.over((x.min(), y.min() - 1e-6, x.max() + 1e-6, y.max()), cell, crs)
    ground = kind == 2
    surface, _ = triangulate(x[ground], y[ground], z[ground], grid)
    surface[~_hull(grid, x[ground], y[ground])] = np.nan
    # The footprint is the hull of the points, as a survey's own outline would be.
    return grid, surface, tally(grid, x, y, z, kind, _hull(grid, x, y))


def _hull(grid: Grid, x, y):
    hull = shapely.convex_hull(shapely.linestrings(np.column_stack((x, y))))
    return rasterize([hull], out_shape=grid.shape, transform=grid.transform).astype(bool)


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
