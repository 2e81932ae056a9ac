"""Stage terrain: slope and aspect, open water, drainage, and where the ground is wet."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.kernels.relief import facing, gradient, steepness
from lanewright.land.drainage import drain, fill, wetness_index
from lanewright.land.ground import Ground
from lanewright.land.resample import blocks_mean, blocks_sum, factor_to, repeat, smooth
from lanewright.land.survey import Survey
from lanewright.land.water import Tally, find_water, flatten
from lanewright.land.wetground import LIKELY, POSSIBLE, find_wet_ground
from lanewright.settings.terrain import TerrainSettings
from lanewright.store import stage

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Terrain:
    """Shape of the ground and where water stands or gathers; arrays (rows, cols).

    Attributes
    ----------
    slope_pct
        Steepness [percent]; NaN unknown.
    aspect_deg
        Direction the ground falls to [degrees clockwise from north]; NaN unknown or level.
    ponding
        Depth a closed hollow would hold before it spills [m]; 0 elsewhere, NaN unknown.
    wetness
        Topographic wetness index of the coarse model; NaN unknown or open water.
    height_above_drainage
        Height above the drainage line or water that a cell drains to [m]; NaN where the way
        there leaves the survey.
    water, wet, maybe_wet
        Open water; ground that is likely wet; ground that is possibly wet. No cell is two of them.
    wet_known
        Whether the land's own shape is known: without it nobody knows where water gathers, and no
        ground is called wet or dry.
    water_level
        Height of the water surface [m]; NaN on land.
    water_bodies
        `water_id, source, level_m, area_m2`; MultiPolygon.
    wet_ground
        `wet_id, evidence, certainty, depth_to_water_m, ponding_m, area_m2`; MultiPolygon. See
        `wetground.WetGround`.
    drainage
        `drain_id, order, upslope_ha, length_m, fall_pct`; LineString, upper end first.
    """

    slope_pct: Raster
    aspect_deg: Raster
    ponding: Raster
    wetness: Raster
    height_above_drainage: Raster
    water: Flags
    wet: Flags
    maybe_wet: Flags
    water_level: Raster
    water_bodies: gpd.GeoDataFrame
    wet_ground: gpd.GeoDataFrame
    drainage: gpd.GeoDataFrame
    wet_known: bool = True


@stage("terrain", version=3)
def find_terrain(
    survey: Survey, ground: Ground, water: shapely.MultiPolygon, settings: TerrainSettings
) -> Terrain:
    """Slope, water, drainage and wet ground of a survey, with drawn water; see `shape_terrain`.

    Points whose heights are above ground already say nothing of where water gathers; without an
    elevation model drainage and wet ground are then unknown.
    """
    terrain = shape_terrain(survey.grid, ground.surface, survey.tally, water.geoms, settings)
    if survey.heights_given and survey.elevation is None:
        return _of_no_shape(terrain)
    if survey.inside.any():
        log.info(
            "%.1f %% of the property is likely wet, %.1f %% possibly; %d drainage lines",
            100 * terrain.wet[survey.inside].mean(),
            100 * terrain.maybe_wet[survey.inside].mean(),
            len(terrain.drainage),
        )
    return terrain


def _of_no_shape(terrain: Terrain) -> Terrain:
    """The terrain without what only the land's own shape could say."""
    unknown = np.full(terrain.water.shape, np.nan, np.float32)
    dry = np.zeros(terrain.water.shape, bool)
    return replace(
        terrain,
        ponding=unknown,
        wetness=unknown,
        height_above_drainage=unknown,
        wet=dry,
        maybe_wet=dry,
        wet_ground=terrain.wet_ground.iloc[:0],
        drainage=terrain.drainage.iloc[:0],
        wet_known=False,
    )


def shape_terrain(
    grid: Grid,
    surface: Raster,
    tally: Tally | None,
    known_water: Iterable[shapely.Geometry],
    settings: TerrainSettings,
) -> Terrain:
    """Slope, water, drainage and wet ground of a terrain model.

    Parameters
    ----------
    grid
        Georeference of the arrays.
    surface : (rows, cols)
        Ground heights [m]; NaN unknown.
    tally
        What the lidar counted per cell; None where there is only an elevation model.
    known_water
        Water that somebody drew, in the grid's CRS.
    settings
        Cells, depths and sizes.

    Notes
    -----
    The wetness index misleads on cells finer than 4 m and is best near 16 m, depth to water and
    height above drainage are best on 1-2 m cells (Larson et al. 2022, HESS 26,
    doi:10.5194/hess-26-4837-2022): hence two models.
    """
    if surface.shape != grid.shape:
        raise ValueError(f"surface has shape {surface.shape}, the grid {grid.shape}")
    surface = surface.astype(np.float32, copy=False)
    water = find_water(grid, surface, tally, known_water, settings)
    is_water = water.body > 0
    level_ground = flatten(surface, water)
    slope, aspect = slope_and_aspect(surface, grid.cell, settings.slope_cell)
    index = np.where(is_water, np.float32(np.nan), _wetness(level_ground, grid, settings))

    factor = factor_to(grid.cell, settings.drainage_cell)
    fine = grid.coarser(factor)
    fine_water = blocks_sum(is_water, factor) * 2 >= factor**2
    flow = fill(blocks_mean(level_ground, factor), settings.sink_depth)
    drainage = drain(fine, flow, fine_water, settings.drainage_start_ha)
    wet = find_wet_ground(fine, flow, drainage, fine_water, blocks_mean(index, factor), settings)
    certainty = np.where(
        is_water | ~np.isfinite(surface), 0, repeat(wet.certainty, factor, grid.shape)
    )
    return Terrain(
        slope_pct=slope,
        aspect_deg=aspect,
        ponding=repeat(flow.depth, factor, grid.shape),
        wetness=index,
        height_above_drainage=repeat(drainage.height_above, factor, grid.shape),
        water=is_water,
        wet=certainty == LIKELY,
        maybe_wet=certainty == POSSIBLE,
        water_level=water.level,
        water_bodies=water.bodies,
        wet_ground=wet.patches,
        drainage=drainage.lines,
    )


def slope_and_aspect(surface: Raster, cell: float, least_cell: float) -> tuple[Raster, Raster]:
    """Slope [percent] and aspect [degrees clockwise from north, downhill] by Horn's weights.

    Parameters
    ----------
    surface : (rows, cols)
        Heights [m]; NaN unknown.
    cell, least_cell
        Side of a cell [m], and of the finest cell slope is measured on: 5 cm of noise make 4 %
        of slope at 0.5 m, half of that at 1 m.

    Returns
    -------
    slope, aspect : (rows, cols)
        NaN where `surface` is; aspect also where the ground is level.

    Examples
    --------
    >>> ramp = np.tile(np.arange(4, dtype=np.float32), (3, 1))  # rises to the east
    >>> slope, aspect = slope_and_aspect(ramp, cell=1.0, least_cell=1.0)
    >>> slope[1], aspect[1]
    (array([100., 100., 100., 100.], dtype=float32), array([270., 270., 270., 270.], dtype=float32))
    """
    factor = factor_to(cell, least_cell)
    east, south = gradient(blocks_mean(surface, factor), cell * factor)
    if factor > 1:
        # The gradient can be drawn between cells; an angle, which jumps from 360 to 0, can not.
        east, south = (
            np.where(np.isfinite(surface), smooth(part, factor, surface.shape), np.float32(np.nan))
            for part in (east, south)
        )
    return steepness(east, south), facing(east, south)


def _wetness(surface: Raster, grid: Grid, settings: TerrainSettings) -> Raster:
    factor = factor_to(grid.cell, settings.wetness_cell)
    coarse = _softened(blocks_mean(surface, factor))
    index = wetness_index(coarse, grid.cell * factor, settings.sink_depth)
    index = smooth(index, factor, grid.shape)
    return np.where(np.isfinite(surface), index, np.float32(np.nan))


def _softened(surface: Raster) -> Raster:
    """Each cell with its neighbours, weights 1 2 1 along either axis.

    Only whole pairs of neighbours take part: a mean over one side would bend a slope up or down
    at its edge, and send the water along it.
    """
    for axis in (0, 1):
        before, after = (np.full(surface.shape, np.nan, np.float32) for _ in range(2))
        rows, shifted = ([slice(None)] * 2 for _ in range(2))
        rows[axis], shifted[axis] = slice(1, None), slice(None, -1)
        before[tuple(rows)] = surface[tuple(shifted)]
        after[tuple(shifted)] = surface[tuple(rows)]
        bend = before - 2 * surface + after
        surface = surface + np.where(np.isfinite(bend), bend / 4, 0).astype(np.float32)
    return surface
