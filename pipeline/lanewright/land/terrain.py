"""Stage terrain: slope and aspect, open water, drainage, and where the ground is wet."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import outlines
from lanewright.kernels.relief import facing, gradient, steepness
from lanewright.land.drainage import Drainage, Flow, deepest, drain, fill, pond_floor, wetness_index
from lanewright.land.ground import Ground
from lanewright.land.resample import blocks_mean, blocks_sum, factor_to, repeat, smooth
from lanewright.land.survey import Survey
from lanewright.land.water import Tally, find_water, flatten
from lanewright.settings.terrain import TerrainSettings
from lanewright.store import stage

log = logging.getLogger(__name__)


# In the order in which they claim a cell that several of them hold for.
REASONS = ("ponding", "near drainage", "wetness")
_AROUND = np.ones((3, 3), dtype=bool)


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
    upslope_area
        Land that drains through the cell [m2]; a least value where its rim is the survey's.
    water, wet, very_wet
        Open water; wet ground beside it, water left out; the wettest part of that.
    water_level
        Height of the water surface [m]; NaN on land.
    water_bodies
        `water_id, source, level_m, area_m2`; MultiPolygon.
    wet_ground
        `wet_id, reason` (one of `REASONS`), `depth_m` (greatest ponding; NaN where none),
        `area_m2`; MultiPolygon.
    drainage
        `drain_id, order, upslope_ha, length_m, fall_pct`; LineString, upper end first.
    """

    slope_pct: Raster
    aspect_deg: Raster
    ponding: Raster
    wetness: Raster
    height_above_drainage: Raster
    upslope_area: Raster
    water: Flags
    wet: Flags
    very_wet: Flags
    water_level: Raster
    water_bodies: gpd.GeoDataFrame
    wet_ground: gpd.GeoDataFrame
    drainage: gpd.GeoDataFrame


@stage("terrain", version=1)
def find_terrain(survey: Survey, ground: Ground, settings: TerrainSettings) -> Terrain:
    """Slope, water, drainage and wet ground of a survey; see `shape_terrain`."""
    return shape_terrain(
        survey.grid,
        ground.surface,
        survey.tally,
        survey.water.geoms,
        settings,
        survey.inside,
    )


def shape_terrain(
    grid: Grid,
    surface: Raster,
    tally: Tally | None,
    known_water: Iterable[shapely.Geometry],
    settings: TerrainSettings,
    inside: Flags | None = None,
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
        Cells, sizes and shares.
    inside : (rows, cols)
        The property: wetness is ranked within it. By default all known ground.

    Notes
    -----
    The wetness index misleads on cells finer than 4 m and is best near 16 m, height above
    drainage is best on 1-2 m cells (Larson et al. 2022, HESS 26, doi:10.5194/hess-26-4837-2022):
    hence two models. The index has no threshold that holds everywhere; it ranks the cells of one
    property.
    """
    for name, array in (("surface", surface), ("inside", inside)):
        if array is not None and array.shape != grid.shape:
            raise ValueError(f"{name} has shape {array.shape}, the grid {grid.shape}")
    surface = surface.astype(np.float32, copy=False)
    inside = np.isfinite(surface) if inside is None else inside & np.isfinite(surface)

    water = find_water(grid, surface, tally, known_water, settings)
    level_ground = flatten(surface, water)
    is_water = water.body > 0
    slope, aspect = slope_and_aspect(surface, grid.cell, settings.slope_cell)

    factor = factor_to(grid.cell, settings.drainage_cell)
    fine = grid.coarser(factor)
    ground = blocks_mean(level_ground, factor)
    fine_water = blocks_sum(is_water, factor) * 2 >= factor**2
    flow = fill(ground, settings.sink_depth)
    drainage = drain(fine, flow, fine_water, settings.drainage_start_ha)

    index = _wetness(level_ground, grid, settings)
    index = np.where(is_water, np.float32(np.nan), index)
    reason, very = _wet_ground(
        fine,
        ground,
        flow,
        drainage,
        fine_water,
        blocks_mean(index, factor),
        blocks_sum(inside, factor) * 2 >= factor**2,
        settings,
    )
    patches = _patches(fine, reason, flow.depth)
    wet = repeat(reason > 0, factor, grid.shape) & ~is_water & np.isfinite(surface)
    log.info(
        "wet ground on %.1f %% of the land: %s; %d drainage lines",
        100 * wet[inside].mean() if inside.any() else 0.0,
        ", ".join(
            f"{r} {(reason == k).sum() * fine.cell**2:.0f} m2"
            for k, r in enumerate(REASONS, start=1)
        ),
        len(drainage.lines),
    )
    return Terrain(
        slope_pct=slope,
        aspect_deg=aspect,
        ponding=repeat(flow.depth, factor, grid.shape),
        wetness=index,
        height_above_drainage=repeat(drainage.height_above, factor, grid.shape),
        upslope_area=repeat(drainage.upslope_area, factor, grid.shape),
        water=is_water,
        wet=wet,
        very_wet=repeat(very, factor, grid.shape) & wet,
        water_level=water.level,
        water_bodies=water.bodies,
        wet_ground=patches,
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


def _wet_ground(
    grid: Grid,
    ground: Raster,
    flow: Flow,
    drainage: Drainage,
    water: Flags,
    index: Raster,
    inside: Flags,
    settings: TerrainSettings,
) -> tuple[NDArray[np.int32], Flags]:
    """Reason why each cell is wet (0: it is not), and which cells are very wet."""
    land = np.isfinite(ground) & ~water
    hollows = _hollows(flow.depth, grid.cell, settings)
    ponding = hollows & pond_floor(ground, settings.pond_rise) & land

    drains = drainage.is_line | water
    near = np.zeros(grid.shape, bool)
    soaked = near
    if drains.any() and settings.drain_reach > 0:
        away = ndimage.distance_transform_edt(~drains) * grid.cell
        close = land & (away <= settings.drain_reach)
        near = close & (drainage.height_above <= settings.drain_height)
        soaked = close & (drainage.height_above <= settings.drain_height / 2)

    ranked = np.sort(index[inside & land & np.isfinite(index)])
    damp, wettest = (
        land & (index > _top(ranked, share))
        for share in (settings.wet_share, settings.very_wet_share)
    )
    reason = np.zeros(grid.shape, np.int32)
    least = settings.wet_area / grid.cell**2
    for number, mask in reversed(list(enumerate((ponding, near, damp), start=1))):
        keep = mask if number == 1 else _sieved(mask, least)
        reason[keep] = number
    return reason, (ponding | soaked | wettest) & (reason > 0)


def _hollows(depth: Raster, cell: float, settings: TerrainSettings) -> Flags:
    """Closed hollows deep and large enough to count, whole."""
    labels, count = ndimage.label(depth > 0, _AROUND)
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:] * cell**2
    counts = np.concatenate(
        (
            [False],
            (deepest(depth, labels, count) >= settings.pond_depth) & (area >= settings.pond_area),
        )
    )
    return np.asarray(counts[labels])


def _top(ranked: Raster, share: float) -> float:
    """Value that the highest `share` of sorted values lie above."""
    if not len(ranked):
        return float("inf")
    at = len(ranked) - 1 - int(np.floor(share * len(ranked)))
    return float(ranked[at]) if at >= 0 else float("-inf")


def _sieved(mask: Flags, least: float) -> Flags:
    """The mask without patches of fewer than `least` cells."""
    labels, _ = ndimage.label(mask, _AROUND)
    keep: Flags = np.bincount(labels.ravel()) >= least
    keep[0] = False
    return np.asarray(keep[labels], dtype=bool)


def _patches(grid: Grid, reason: NDArray[np.int32], depth: Raster) -> gpd.GeoDataFrame:
    """Polygons of wet ground, one per connected patch of one reason, largest first."""
    labels = np.zeros(grid.shape, np.int32)
    reasons: list[str] = []
    for number, name in enumerate(REASONS, start=1):
        own, count = ndimage.label(reason == number, _AROUND)
        labels[own > 0] = own[own > 0] + len(reasons)
        reasons += [name] * count
    shapes = outlines(labels, grid)
    most = deepest(depth, labels, len(reasons))
    frame = gpd.GeoDataFrame(
        {
            "reason": np.array(reasons, dtype=object),
            "depth_m": np.where(np.array(reasons) == "ponding", most, np.nan).astype(float),
            "area_m2": np.array([s.area for s in shapes], dtype=np.float64),
        },
        geometry=shapes,
        crs=grid.crs,
    )
    frame = frame[~frame.geometry.is_empty]
    frame = frame.sort_values("area_m2", ascending=False, kind="stable", ignore_index=True)
    frame.insert(0, "wet_id", np.arange(1, len(frame) + 1, dtype=np.int64))
    return frame
