"""Open water: where the lidar marks it, where it swallowed the pulses, and where it is given."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of_any, outlines
from lanewright.land.resample import blocks_lowest, blocks_mean, blocks_sum, factor_to, repeat
from lanewright.settings.terrain import TerrainSettings

log = logging.getLogger(__name__)


SOURCES = ("class 9", "void", "given")

# USGS Lidar Base Specification: a void is an area of (4 x nominal pulse spacing) squared without
# a first return. A circle of that area has this radius, in spacings.
_VOID_RADIUS = 4 / np.sqrt(np.pi)
# Side [m] of the blocks in which the density of returns is taken.
_BLOCK = 16.0
# A body whose marked levels spread wider than this [m] flows, and is not laid flat.
_FLOWS = 1.0
# A void beside marked water is water up to the land around it, but not on land that lies so much
# lower [m], and not within the foot of a bank steeper than this (rise over run: 76 degrees). What
# the ground is drawn at over the void says nothing: it runs from bank to bank.
_UNDER, _STEEPEST_BANK = 0.5, 4.0
# Water lies low: how far the ground a few metres off may dip below its rim [m], in the middle.
_DIP = 0.1
# Share of its upright box from which a void is taken for a strip missing from a tile; a round pond
# fills 0.79 of its own.
_CUT_OUT = 0.94
# Share of the rim of a void that must be surveyed, and directions its rim is compared in.
_RINGED = 0.6
_SECTORS = 16
_AROUND = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Tally:
    """What the survey counted per cell of the run's grid; all arrays (rows, cols).

    Attributes
    ----------
    returns
        All valid returns, uint16.
    water_returns
        Those of class 9, uint16.
    water_level
        Mean height of the class 9 returns [m]; NaN where there is none.
    covered
        Inside the surveyed footprint: an empty cell elsewhere says nothing.
    """

    returns: NDArray[np.uint16]
    water_returns: NDArray[np.uint16]
    water_level: Raster
    covered: Flags

    def coarser(self, factor: int) -> Tally:
        """The same counts over blocks of `factor` x `factor` cells."""
        if factor == 1:
            return self
        weight = self.water_returns.astype(np.float32)
        height = np.where(weight > 0, self.water_level, np.float32(0))
        total = blocks_sum(weight, factor)
        level = np.divide(
            blocks_sum(height * weight, factor),
            total,
            out=np.full(total.shape, np.nan),
            where=total > 0,
        )
        most = np.iinfo(np.uint16).max
        return Tally(
            np.minimum(blocks_sum(self.returns, factor), most).astype(np.uint16),
            np.minimum(total, most).astype(np.uint16),
            level.astype(np.float32),
            blocks_sum(self.covered, factor) > 0,
        )


@dataclass(frozen=True)
class Water:
    """Open water on the run's grid.

    Attributes
    ----------
    body : (rows, cols)
        `water_id` of the body a cell lies in; 0 on land.
    level : (rows, cols)
        Height of its surface [m]; NaN on land.
    bodies
        `water_id`, `source` (one of `SOURCES`), `level_m`, `area_m2`; largest first.
    """

    body: NDArray[np.int32]
    level: Raster
    bodies: gpd.GeoDataFrame


def find_water(
    grid: Grid,
    surface: Raster,
    tally: Tally | None,
    known: Iterable[shapely.Geometry],
    settings: TerrainSettings,
) -> Water:
    """Find open water and its level.

    Parameters
    ----------
    grid
        Georeference of the arrays.
    surface : (rows, cols)
        Ground heights [m], drawn across voids; NaN unknown.
    tally
        What the lidar counted per cell; None where there is only an elevation model.
    known
        Water that somebody drew, in the grid's CRS.
    settings
        Sizes and tolerances.

    Notes
    -----
    Class 9 returns set the level. Cells without returns join the marked water they touch; alone
    they count only if they are large, have a flat rim, lie low, and the survey is dense enough
    for a gap to mean something. Two levels closer than `water_step` are one body.
    """
    factor = factor_to(grid.cell, settings.drainage_cell)
    coarse = grid.coarser(factor)
    ground = blocks_mean(surface, factor)
    drawn = _drawn(known, coarse)
    if tally is None:
        body = np.zeros(coarse.shape, np.int32)
        level = np.full(coarse.shape, np.nan, np.float32)
        sources: list[str] = []
    else:
        lowest = blocks_lowest(surface, factor)
        body, level, sources = _seen(coarse, ground, lowest, tally.coarser(factor), settings)
    body, level, sources = _join_drawn(coarse, ground, drawn, body, level, sources, settings)
    body, sources = _largest_first(body, sources)
    bodies = _frame(coarse, body, level, sources)
    if len(bodies):
        log.info(
            "%d water bodies over %.0f m2: %s",
            len(bodies),
            bodies.area_m2.sum(),
            ", ".join(f"{(bodies.source == s).sum()} from {s}" for s in SOURCES),
        )
    return Water(repeat(body, factor, grid.shape), repeat(level, factor, grid.shape), bodies)


def flatten(surface: Raster, water: Water) -> Raster:
    """Ground with every water cell at the level of its body.

    >>> body = np.array([[0, 1]], dtype=np.int32)
    >>> level = np.array([[np.nan, 3]], dtype=np.float32)
    >>> flatten(np.float32([[5, 4]]), Water(body, level, gpd.GeoDataFrame()))
    array([[5., 3.]], dtype=float32)
    """
    return np.where(np.isfinite(water.level), water.level, surface)


def return_spacing(returns: NDArray[np.uint16], covered: Flags, cell: float) -> float:
    """Distance between pulses over ordinary ground [m]; infinite where nothing was counted.

    Pulses are counted by the share of cells they leave empty, as random points would, since
    returns of one pulse share a cell. The survey's thin quarter speaks for all of it: a gap must
    be a gap there, too.
    """
    size = max(2, round(_BLOCK / cell))
    whole = blocks_sum(covered, size)
    held = blocks_sum((returns > 0) & covered, size)
    count = blocks_sum(np.where(covered, returns, 0), size)
    # Blocks on the rim of the footprint, and those mostly swallowed by water, do not speak.
    use = (whole > 0.5 * size**2) & (count > 0)
    if not use.any():
        return float("inf")
    empty = np.maximum(1 - held[use] / whole[use], 0.5 / whole[use])
    pulses = np.minimum(-np.log(empty), count[use] / whole[use]) / cell**2
    full = pulses[held[use] >= 0.5 * np.median(held[use])]
    return float(1 / np.sqrt(np.quantile(full, 0.25)))


def _seen(
    grid: Grid, ground: Raster, lowest: Raster, tally: Tally, settings: TerrainSettings
) -> tuple[NDArray[np.int32], Raster, list[str]]:
    """Bodies from class 9 and from voids."""
    cell = grid.cell
    marked = (tally.water_returns > 0) & (2 * tally.water_returns >= tally.returns)
    land = (tally.returns > 0) & ~marked
    spacing = return_spacing(tally.returns, tally.covered, cell)
    clear = tally.covered & ~land
    reach = _VOID_RADIUS * spacing / cell
    radius = max(reach, settings.void_width / 2 / cell)
    speaks = spacing < 1 / np.sqrt(settings.void_density)
    # Beyond the footprint stands a wall: half a void at its edge is not one.
    void = _opened(clear, radius) if np.isfinite(radius) else np.zeros(grid.shape, bool)
    gaps = _closed(marked, reach) & clear if marked.any() else marked
    wet = _without_pinholes(marked | void | gaps, settings.water_area / cell**2)

    body = np.zeros(grid.shape, np.int32)
    level = np.full(grid.shape, np.nan, np.float32)
    sources: list[str] = []
    patches, _ = ndimage.label(wet, _AROUND)
    least_marked, least_void = (
        max(1, round(a / cell**2)) for a in (settings.water_area, settings.void_area)
    )
    for number, place in enumerate(ndimage.find_objects(patches), start=1):
        place = _grown(place, 12, grid.shape, cell)
        patch = patches[place] == number
        here = body[place], level[place]
        heights = np.where(patch & marked[place], tally.water_level[place], np.nan)
        if np.isfinite(heights).any():
            shore = _shore(patch, land[place], ground[place], cell)
            for part, flat in _by_level(patch, heights, shore, settings.water_step, reach):
                if part.sum() >= least_marked:
                    sources.append("class 9")
                    here[0][part] = len(sources)
                    here[1][part] = flat[part]
        elif speaks and patch.sum() >= least_void and not _is_cut_out(patch):
            rim_level = _flat_rim(
                patch,
                land[place],
                tally.covered[place],
                ground[place],
                lowest[place],
                cell,
                settings.void_relief,
            )
            if rim_level is not None:
                sources.append("void")
                here[0][patch] = len(sources)
                here[1][patch] = rim_level
    return body, level, sources


def _by_level(
    patch: Flags, heights: Floats, shore: tuple[Floats, Floats], step: float, reach: float
) -> list[tuple[Flags, Raster]]:
    """Split a patch where its marked levels leave a gap; each part with its level.

    Within `reach` cells of a marked one all is water; beyond, `shore` must allow it: the distance
    to the nearest land and its height [m].
    """
    away_from_land, bank = shore
    held = np.isfinite(heights)
    values = np.sort(heights[held])
    breaks = (values[1:] + values[:-1])[np.diff(values) > step] / 2
    group = np.zeros(patch.shape, np.int32)
    group[held] = np.digitize(heights[held], breaks) + 1
    away, nearest = ndimage.distance_transform_edt(~held, return_indices=True)
    group = np.where(patch, group[tuple(nearest)], 0)
    parts = []
    for number in np.unique(group[group > 0]):
        own = (group == number) & held
        low, middle, high = np.quantile(heights[own], [0.05, 0.5, 0.95])
        flat = np.full(patch.shape, middle, np.float32)
        if high - low > _FLOWS:
            flat = _sloping(np.where(own, heights, np.nan), group == number)
        off = (bank < flat - _UNDER) | (bank > flat + _STEEPEST_BANK * away_from_land)
        part = (group == number) & ((away <= reach) | ~off)
        parts.append((part, flat))
    return parts


def _shore(patch: Flags, land: Flags, ground: Raster, cell: float) -> tuple[Floats, Floats]:
    """Distance of each cell to the nearest land outside the patch and its height, both [m].

    Heights are NaN where there is no such land.
    """
    held = land & ~patch & np.isfinite(ground)
    if not held.any():
        return np.full(patch.shape, np.inf), np.full(patch.shape, np.nan)
    away, nearest = ndimage.distance_transform_edt(~held, return_indices=True)
    return away * cell, ground[tuple(nearest)].astype(np.float64)


def _sloping(heights: Floats, part: Flags) -> Raster:
    """Level of flowing water: mean of the marked heights around, nearest first."""
    held = np.isfinite(heights)
    weight = ndimage.gaussian_filter(held.astype(np.float64), 8)
    total = ndimage.gaussian_filter(np.where(held, heights, 0), 8)
    nearest = ndimage.distance_transform_edt(~held, return_distances=False, return_indices=True)
    mean = np.divide(total, weight, out=np.zeros_like(total), where=weight > 1e-6)
    mean = mean[tuple(nearest)]
    return np.where(part, mean, np.nan).astype(np.float32)


def _flat_rim(
    patch: Flags,
    land: Flags,
    covered: Flags,
    ground: Raster,
    lowest: Raster,
    cell: float,
    relief: float,
) -> float | None:
    """Level of a void if its rim is flat and it lies low, else None.

    `lowest` is the lowest ground within each cell, as against its mean: a steep bank reaches the
    water within a cell.
    """
    away = ndimage.distance_transform_edt(~patch) * cell
    known = np.isfinite(ground) & ~patch
    brink = (away > 0) & (away <= 1.5 * cell)
    # Half a void at the edge of the survey may as well be a hole in the survey.
    if (covered & brink).sum() < _RINGED * _ring(patch):
        return None
    row, col = np.nonzero(known & (away <= max(2.0, 2 * cell)))
    beyond = ground[known & land & (away > 3) & (away <= 10)]
    if not len(row) or not len(beyond):
        return None
    # Water meets its rim at one height, however steep the banks above it, but for quays and
    # bridges: the lowest ground must agree in half of all directions.
    middle = np.argwhere(patch).mean(axis=0)
    turn = np.arctan2(row - middle[0], col - middle[1]) / (2 * np.pi) + 0.5
    sector = np.minimum((turn * _SECTORS).astype(int), _SECTORS - 1)
    feet, rim = lowest[row, col], ground[row, col]
    lows = [np.quantile(feet[sector == s], 0.1) for s in np.unique(sector)]
    low, middle_low = np.quantile(lows, [0.1, 0.5])
    if len(lows) < _SECTORS / 2 or middle_low - low > relief:
        return None
    if np.median(beyond) < np.median(rim) - _DIP:
        return None
    return float(np.quantile([np.quantile(rim[sector == s], 0.1) for s in np.unique(sector)], 0.1))


def _is_cut_out(patch: Flags) -> bool:
    """Whether a void is a rectangle along the grid: a strip that a tile was cut without."""
    rows, cols = np.nonzero(patch)
    box = (rows.max() - rows.min() + 1) * (cols.max() - cols.min() + 1)
    return bool(len(rows) >= _CUT_OUT * box)


def _ring(patch: Flags) -> int:
    """Cells that would stand around the patch if nothing cut it off."""
    padded = np.pad(patch, 2)
    around = ndimage.distance_transform_edt(~padded)
    return int(((around > 0) & (around <= 1.5)).sum())


def _drawn(known: Iterable[shapely.Geometry], grid: Grid) -> Flags:
    lines: list[shapely.Geometry] = []
    areas: list[shapely.Geometry] = []
    # A table of features offers its shapes under this name.
    for geometry in getattr(known, "geometry", known):
        if geometry is None:
            continue
        for part in shapely.get_parts(geometry):
            if part.is_empty:
                continue
            (areas if part.geom_type == "Polygon" else lines).append(part)
    return cells_of_any(areas, grid) | cells_of_any(lines, grid, touched=True)


def _join_drawn(
    grid: Grid,
    ground: Raster,
    drawn: Flags,
    body: NDArray[np.int32],
    level: Raster,
    sources: list[str],
    settings: TerrainSettings,
) -> tuple[NDArray[np.int32], Raster, list[str]]:
    """Add given water: to the body it overlaps most, else as one of its own."""
    patches, _ = ndimage.label(drawn, _AROUND)
    for number, place in enumerate(ndimage.find_objects(patches), start=1):
        patch = patches[place] == number
        own_body, own_level = body[place], level[place]
        met = np.bincount(own_body[patch])
        free = patch & (own_body == 0)
        if len(met) > 1 and met[1:].any():
            host = int(np.argmax(met[1:])) + 1
            held = own_body == host
            nearest = ndimage.distance_transform_edt(
                ~held, return_distances=False, return_indices=True
            )
            own_level[free] = own_level[tuple(nearest)][free]
            own_body[free] = host
            continue
        heights = ground[place][patch]
        heights = heights[np.isfinite(heights)]
        sources.append("given")
        own_body[free] = len(sources)
        if len(heights):
            low, high = np.quantile(heights, [0.05, 0.95])
            # A pond drawn a little wide takes in its banks; a stream drawn down a hill flows.
            flat = ground[place][free] if high - low > 2 * _FLOWS else low
            own_level[free] = flat
    return body, level, sources


def _largest_first(
    body: NDArray[np.int32], sources: list[str]
) -> tuple[NDArray[np.int32], list[str]]:
    size = np.bincount(body.ravel(), minlength=len(sources) + 1)[1:]
    order = [int(i) for i in np.argsort(-size, kind="stable") if size[i]]
    number = np.zeros(len(sources) + 1, np.int32)
    number[[i + 1 for i in order]] = np.arange(1, len(order) + 1)
    return number[body], [sources[i] for i in order]


def _frame(
    grid: Grid, body: NDArray[np.int32], level: Raster, sources: list[str]
) -> gpd.GeoDataFrame:
    ids = np.arange(1, len(sources) + 1)
    shapes = outlines(body, grid)
    levels = [
        float(np.nanmedian(level[body == i]))
        if np.isfinite(level[body == i]).any()
        else float("nan")
        for i in ids
    ]
    frame = gpd.GeoDataFrame(
        {
            "water_id": ids.astype(np.int64),
            "source": np.array(sources, dtype=object),
            "level_m": np.array(levels, dtype=np.float64),
            "area_m2": np.array([s.area for s in shapes], dtype=np.float64),
        },
        geometry=shapes,
        crs=grid.crs,
    )
    return frame[~frame.geometry.is_empty].reset_index(drop=True)


def _opened(mask: Flags, radius: float) -> Flags:
    """Part of the mask that circles of `radius` cells inside it can sweep."""
    core = _distance(mask, outside=False) > radius
    if not core.any():
        return core
    return np.asarray(mask & (ndimage.distance_transform_edt(~core) <= radius))


def _without_pinholes(mask: Flags, least: float) -> Flags:
    """The mask with holes of fewer than `least` cells filled: a bird, a buoy, a stray return."""
    holes, _ = ndimage.label(~mask)
    small: Flags = np.bincount(holes.ravel()) < least
    small[0] = True
    return np.asarray(small[holes])


def _closed(mask: Flags, radius: float) -> Flags:
    """The mask with gaps closed that no circle of `radius` cells fits through."""
    reached = ndimage.distance_transform_edt(~mask) <= radius
    return np.asarray(_distance(reached, outside=True) > radius)


def _distance(mask: Flags, outside: bool) -> Floats:
    """Cells to the nearest False; beyond the border the mask goes on as `outside`."""
    padded = np.pad(mask, 1, constant_values=outside)
    if padded.all():
        return np.full(mask.shape, np.inf)
    return np.asarray(ndimage.distance_transform_edt(padded)[1:-1, 1:-1])


def _grown(
    place: tuple[slice, slice], metres: float, shape: tuple[int, int], cell: float
) -> tuple[slice, slice]:
    more = int(np.ceil(metres / cell))
    rows, cols = (
        slice(max(0, s.start - more), min(n, s.stop + more))
        for s, n in zip(place, shape, strict=True)
    )
    return rows, cols
