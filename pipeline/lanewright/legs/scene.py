"""The land with everything around it that a throw or a person must mind."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.growth.columns import blocked
from lanewright.growth.lanes import Lanes
from lanewright.growth.vegetation import Vegetation
from lanewright.kernels import march
from lanewright.land.ground import Ground
from lanewright.land.survey import Survey
from lanewright.land.terrain import Terrain
from lanewright.settings.legs import LegsSettings


@dataclass(frozen=True)
class Scene:
    """All that sites and throws meet; arrays (rows, cols) on one grid.

    Attributes
    ----------
    grid
        Georeference.
    ground
        Height of the ground [m]; NaN unknown.
    slope_pct, wetness, height_above_drainage
        Shape of the ground; NaN unknown.
    water, wet
        Open water; wet ground.
    blocked, searched
        Column masks, bit k for k to k + 1 layers of 0.25 m above the ground: too dense to throw
        through; searched by lidar.
    density, table
        Codes of the contact density (rows, cols, 64), and the density [1/m] of each code (256,).
    canopy_height
        Top of the vegetation over the ground [m]; NaN unknown.
    free_width
        Width free at throwing height [m]; NaN where too little was searched.
    lane_kind
        0 none, 1 open, 2 edge, 3 lane, 4 tunnel.
    land, keep_out
        The property, and where nobody may throw or walk, with its buffers.
    trees
        Probable trees: `dbh_cm`, `crown_base_m` and a point each.
    """

    grid: Grid
    ground: Raster
    slope_pct: Raster
    wetness: Raster
    height_above_drainage: Raster
    water: Flags
    wet: Flags
    blocked: NDArray[np.uint64]
    searched: NDArray[np.uint64]
    density: NDArray[np.uint8]
    table: Raster
    canopy_height: Raster
    free_width: Raster
    lane_kind: NDArray[np.uint8]
    land: shapely.Geometry
    keep_out: shapely.Geometry
    trees: gpd.GeoDataFrame

    def __post_init__(self) -> None:
        for name in (
            "ground", "slope_pct", "wetness", "height_above_drainage", "water", "wet", "blocked",
            "searched", "canopy_height", "free_width", "lane_kind",
        ):  # fmt: skip
            shape = getattr(self, name).shape
            if shape != self.grid.shape:
                raise ValueError(f"{name} has shape {shape}, the grid {self.grid.shape}")


def scene_of(
    survey: Survey,
    ground: Ground,
    terrain: Terrain,
    vegetation: Vegetation | None,
    lanes: Lanes | None,
    settings: LegsSettings,
) -> Scene:
    """Gather what throws meet from the stages before; without lidar the land is bare and unseen."""
    shape = survey.grid.shape
    if vegetation is None or lanes is None:
        nothing = np.zeros(shape, np.uint64)
        stands = nothing, nothing, np.zeros((*shape, march.LAYERS), np.uint8)
        table = np.zeros(256, np.float32)
        canopy = width = np.full(shape, np.nan, np.float32)
        kind = np.zeros(shape, np.uint8)
        trees = gpd.GeoDataFrame({"dbh_cm": [], "crown_base_m": []}, geometry=[])
    else:
        columns = vegetation.columns
        closed = blocked(columns, settings.blocked_density)
        stands = closed, columns.searched, columns.density
        table, canopy, trees = columns.table, vegetation.canopy_height, vegetation.trees
        width, kind = lanes.free_width, lanes.kind
    level = terrain.water_level
    return Scene(
        grid=survey.grid,
        ground=np.where(np.isfinite(level), level, ground.surface).astype(np.float32),
        slope_pct=terrain.slope_pct,
        wetness=terrain.wetness,
        height_above_drainage=terrain.height_above_drainage,
        water=terrain.water,
        wet=terrain.wet,
        blocked=stands[0],
        searched=stands[1],
        density=stands[2],
        table=table,
        canopy_height=canopy,
        free_width=width,
        lane_kind=kind,
        land=survey.land,
        keep_out=survey.keep_out,
        trees=trees,
    )
