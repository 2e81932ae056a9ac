"""Wet ground from absolute evidence, with how sure it is; never from a rank within the property."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.graph import MCP_Geometric

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import outlines
from lanewright.kernels.relief import gradient
from lanewright.land.drainage import Drainage, Flow, deepest, pond_floor
from lanewright.settings.terrain import TerrainSettings

DRY, POSSIBLE, LIKELY = 0, 1, 2
CERTAINTY = {POSSIBLE: "possible", LIKELY: "likely"}
EVIDENCE = ("ponding", "near water", "near drainage")
"""In the order in which they name a cell that several of them hold for."""

_AROUND = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class WetGround:
    """Where the ground is wet, and how sure that is.

    Attributes
    ----------
    certainty : (rows, cols)
        `DRY`, `POSSIBLE` or `LIKELY`, uint8.
    patches
        `wet_id`, `evidence` (one of `EVIDENCE`), `certainty` (`possible` or `likely`),
        `depth_to_water_m` (median; NaN where beyond the depth that counts), `ponding_m` (greatest
        depth; NaN where it does not pond), `area_m2`; MultiPolygon, largest first.
    """

    certainty: NDArray[np.uint8]
    patches: gpd.GeoDataFrame


def find_wet_ground(
    grid: Grid,
    flow: Flow,
    drainage: Drainage,
    water: Flags,
    index: Raster,
    settings: TerrainSettings,
) -> WetGround:
    """Wet ground of a terrain model.

    Parameters
    ----------
    grid
        Georeference of the arrays, (rows, cols).
    flow
        The surface, with water at its level, and its hollows.
    drainage
        Drainage of the same surface.
    water
        Open water that was found or given.
    index
        Topographic wetness index; it only supports other evidence.
    settings
        Depths and sizes.

    Notes
    -----
    One line of evidence makes wet ground possible, two that agree make it likely:

    - depth to water of at most `wet_depth` over open water or a drainage line. Lines that less
      land drains to than `stream_ha` may be dry in most months and reach `drain_reach` only;
    - a closed hollow that ponds.

    Likely is what lies within `very_wet_depth` of open water or a stream, or within `wet_depth` of
    them where the wetness index is high as well, or ponds within `wet_depth` of any drainage.
    """
    ground = flow.surface.astype(np.float32)
    land = np.isfinite(ground) & ~water
    stream = drainage.is_line & (drainage.upslope_area >= settings.stream_ha * 10_000)
    over_water, over_stream, over_line = (
        depth_to_water(ground, drains, grid.cell, settings.wet_depth)
        for drains in (water, stream, drainage.is_line & ~stream)
    )
    over_sure = np.fmin(over_water, over_stream)
    close = _within(drainage.is_line, settings.drain_reach / grid.cell)
    near_sure = over_sure <= settings.wet_depth
    near_any = near_sure | ((over_line <= settings.wet_depth) & close)
    ponds = _hollows(flow.depth, grid.cell, settings) & pond_floor(ground, settings.pond_rise)

    wet = land & (ponds | _sieved(land & near_any, settings.wet_area / grid.cell**2))
    likely = (over_sure <= settings.very_wet_depth) | (ponds & near_any)
    likely |= near_sure & (index >= settings.wet_index)
    certainty = np.where(wet, np.where(likely, LIKELY, POSSIBLE), DRY).astype(np.uint8)

    evidence = np.select([ponds, over_water <= settings.wet_depth], [1, 2], 3)
    depth = np.fmin(over_sure, np.where(close, over_line, np.float32(np.nan)))
    return WetGround(
        certainty, _patches(grid, np.where(wet, evidence, 0), certainty, depth, flow.depth)
    )


def depth_to_water(surface: Raster, drains: Flags, cell: float, most: float) -> Raster:
    """Cartographic depth to water [m]: slope summed along the way to drainage that has least of it.

    Parameters
    ----------
    surface : (rows, cols)
        Heights [m]; NaN is unknown and no way leads through it.
    drains : (rows, cols)
        Where water stands or runs: depth 0.
    cell
        Side of a cell [m].
    most
        Greatest depth [m] that is reported.

    Returns
    -------
    (rows, cols)
        Depth to water; NaN where it is more than `most` or no way leads to drainage.

    Notes
    -----
    Murphy, Ogilvie and Arp 2009, European Journal of Soil Science 60, 94-109 (its definition was
    read as quoted at gis.stackexchange.com/questions/325387): slope times length, over the path
    that keeps the sum least. Up an even slope it is the height above the water. Among seven
    indices it predicted surveyed soil moisture best, on cells of 1 to 2 m (Larson et al. 2022,
    HESS 26, doi:10.5194/hess-26-4837-2022).

    Examples
    --------
    >>> ramp = np.tile(np.arange(4, dtype=np.float32) / 4, (3, 1))  # rises to the east
    >>> shore = np.zeros((3, 4), bool)
    >>> shore[:, 0] = True
    >>> depth_to_water(ramp, shore, cell=1.0, most=0.6)[1]
    array([0.  , 0.25, 0.5 ,  nan], dtype=float32)
    """
    known = np.isfinite(surface)
    starts = np.argwhere(drains & known)
    if not len(starts):
        return np.full(surface.shape, np.nan, np.float32)
    slope = np.hypot(*gradient(surface, cell))
    ways = MCP_Geometric(np.where(known, slope, -1.0), sampling=(cell, cell))
    depth, _ = ways.find_costs(starts)
    return np.where(known & (depth <= most), depth, np.nan).astype(np.float32)


def _within(mask: Flags, cells: float) -> Flags:
    """Cells no farther than that from one of the mask."""
    if not mask.any():
        return mask
    return np.asarray(ndimage.distance_transform_edt(~mask) <= cells)


def _hollows(depth: Raster, cell: float, settings: TerrainSettings) -> Flags:
    """Closed hollows deep and large enough to count, whole."""
    labels, count = ndimage.label(depth > 0, _AROUND)
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:] * cell**2
    deep = deepest(depth, labels, count) >= settings.pond_depth
    counts = np.concatenate(([False], deep & (area >= settings.pond_area)))
    return np.asarray(counts[labels])


def _sieved(mask: Flags, least: float) -> Flags:
    """The mask without patches of fewer than `least` cells."""
    labels, _ = ndimage.label(mask, _AROUND)
    keep: Flags = np.bincount(labels.ravel()) >= least
    keep[0] = False
    return np.asarray(keep[labels], dtype=bool)


def _patches(
    grid: Grid,
    evidence: NDArray[np.int64],
    certainty: NDArray[np.uint8],
    depth: Raster,
    ponding: Raster,
) -> gpd.GeoDataFrame:
    """Polygons of wet ground, one per connected patch of one evidence and one certainty."""
    labels = np.zeros(grid.shape, np.int32)
    kinds: list[tuple[str, str]] = []
    for number, name in enumerate(EVIDENCE, start=1):
        for grade, word in CERTAINTY.items():
            own, count = ndimage.label((evidence == number) & (certainty == grade), _AROUND)
            labels[own > 0] = own[own > 0] + len(kinds)
            kinds += [(name, word)] * count
    shapes = outlines(labels, grid)
    names = [name for name, _ in kinds]
    pools = np.where(np.array(names) == "ponding", deepest(ponding, labels, len(kinds)), np.nan)
    frame = gpd.GeoDataFrame(
        {
            "evidence": np.array(names, dtype=object),
            "certainty": np.array([word for _, word in kinds], dtype=object),
            "depth_to_water_m": _medians(depth, labels, len(kinds)),
            "ponding_m": pools.astype(float),
            "area_m2": np.array([s.area for s in shapes], dtype=np.float64),
        },
        geometry=shapes,
        crs=grid.crs,
    )
    frame = frame[~frame.geometry.is_empty]
    frame = frame.sort_values("area_m2", ascending=False, kind="stable", ignore_index=True)
    frame.insert(0, "wet_id", np.arange(1, len(frame) + 1, dtype=np.int64))
    return frame


def _medians(values: Raster, labels: NDArray[np.int32], count: int) -> NDArray[np.float64]:
    """Median of the known values in each of the regions 1 to `count`; NaN without any."""
    held = np.isfinite(values) & (labels > 0)
    found = np.full(count + 1, np.nan)
    numbers = np.unique(labels[held])
    if len(numbers):
        found[numbers] = ndimage.median(values[held], labels[held], numbers)
    return found[1:]
