"""Lanes and openings of a real wood, against a surface model that somebody else made of it.

`bcts_dsm_5m.tif` is the highest point per 5 m as the lasR package computes and ships it.
"""

from pathlib import Path
from types import SimpleNamespace

import laspy
import numpy as np
import pytest
import rasterio
import shapely
from scipy.interpolate import LinearNDInterpolator

from lanewright.base.grid import Grid
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import sort_vegetation
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.vegetation import VegetationSettings
from lanewright.sources.points import Points
from memory import MemoryPoints

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def wood(real_data: Path):
    """Grid, ground and lanes of the two tiles."""
    tiles = [laspy.read(path) for path in sorted((real_data / "bcts-12").glob("*.laz"))]

    def both(name: str, kind: str):
        return np.concatenate([np.asarray(getattr(tile, name)) for tile in tiles]).astype(kind)

    points = Points(
        both("x", "f8"), both("y", "f8"), both("z", "f8"), both("return_number", "u1"),
        both("number_of_returns", "u1"), both("classification", "u1"), both("gps_time", "f8"),
        both("point_source_id", "u2"),
    )  # fmt: skip
    bounds = (points.x.min(), points.y.min(), points.x.max(), points.y.max())
    grid = Grid.over(bounds, 0.5, tiles[0].header.parse_crs().to_wkt())
    low = points.classification == 2
    x, y = grid.xy(*np.indices(grid.shape))
    known = np.column_stack([points.x[low] - grid.left, points.y[low] - grid.top])
    surface = LinearNDInterpolator(known, points.z[low])
    ground = surface(x - grid.left, y - grid.top).astype(np.float32)
    vegetation = sort_vegetation(MemoryPoints(points, grid), grid, ground, VegetationSettings())
    survey = SimpleNamespace(grid=grid, inside=np.isfinite(ground))
    terrain = SimpleNamespace(water=np.zeros(grid.shape, dtype=bool))
    return grid, ground, find_lanes(survey, terrain, vegetation, LanesSettings())


def test_openings_are_low_in_the_surface_model(wood, real_data):
    grid, ground, found = wood
    with rasterio.open(real_data / "bcts-12" / "bcts_dsm_5m.tif") as file:
        rows, cols = np.indices(file.shape)
        x, y = file.xy(rows.ravel(), cols.ravel())
        top = file.read(1, masked=True).astype(float).filled(np.nan).ravel()
    row, col = grid.rowcol(np.asarray(x), np.asarray(y))
    here = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    height = np.full(top.shape, np.nan)
    height[here] = top[here] - ground[row[here], col[here]]
    # Cells of 5 m wholly within an opening, away from its edge.
    within = shapely.union_all(found.openings.geometry.to_numpy()).buffer(-3.6)
    inner = shapely.contains_xy(within, x, y) & np.isfinite(height)
    assert inner.sum() > 50
    assert np.median(height[inner]) < 1.5
    assert np.mean(height[inner] < 3) > 0.9
    assert np.nanmedian(height[~inner]) > 5


def test_lanes_run_over_free_columns(wood):
    grid, _, found = wood
    assert len(found.lanes) >= 2  # of 40 m and more
    for line in found.lanes.geometry:
        points = shapely.get_coordinates(shapely.segmentize(line, grid.cell / 2))
        row, col = grid.rowcol(points[:, 0], points[:, 1])
        width = found.free_width[row, col]
        # NaN is bridged, and counts in the share; 0 is a scattered hit on the line, no wall.
        assert np.mean(width == 0) < 0.1
        assert np.mean(width > 0) > 0.5
    assert found.lanes["roof_share"].between(0, 1).all()
    assert (found.lanes["unknown_share"] <= 0.5).all()
