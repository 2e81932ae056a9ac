"""Walks: the quickest way on foot from each basket to the tees near it.

A walker's speed follows the grade of each step (Tobler 1993, as restated in the literature on
hiking times: 6 exp(-3.5 |rise over run + 0.05|) km/h on paths, six tenths of it off them); wet
ground takes longer, and nobody walks through open water, keep-outs or off the property. Narrow
water may be bridged; the walk says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from lanewright.base.arrays import Flags, Floats, Ints, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of
from lanewright.land.resample import blocks_mean, blocks_sum, factor_to
from lanewright.settings.layout import WalkSettings

# Steps to the 16 neighbours, half of them: with 8, a way across the axes is up to 8 % too long,
# with these up to 3 %. Beside each step the cells it passes between its ends.
STEPS = (
    (0, 1, ()),
    (1, 0, ()),
    (1, 1, ((0, 1), (1, 0))),
    (1, -1, ((0, -1), (1, 0))),
    (1, 2, ((0, 1), (1, 1))),
    (1, -2, ((0, -1), (1, -1))),
    (2, 1, ((1, 0), (1, 1))),
    (2, -1, ((1, 0), (1, -1))),
)

EASY = 6.0 / 3.6 * np.exp(-3.5 * 0.05) * 0.6
"""Speed [m/s] on level ground off paths, which turns times into metres of easy walk."""

SAMPLE = 0.25  # m between places at which a walk is looked at
SNAP = 25.0  # m that a walk's end may lie from ground that can be walked
_CHUNK = 16  # ways sought at once, for memory


@dataclass(frozen=True)
class Footing:
    """Land as a walker meets it; arrays (rows, cols).

    Attributes
    ----------
    grid
        Cells that walks are sought on.
    height
        Height of the ground, or of the water over it [m]; NaN unknown.
    slow
        How many times as long a step takes as on easy ground off paths; infinite where nobody
        walks.
    fine
        The run's grid, of `water` and `wet`.
    water, wet
        Open water and wet ground on the run's grid.
    steepest
        Grade of the steepest step [percent].
    """

    grid: Grid
    height: Raster
    slow: Raster
    fine: Grid
    water: Flags
    wet: Flags
    steepest: float


@dataclass(frozen=True)
class Walk:
    """One walk as found.

    Attributes
    ----------
    line
        LineString Z.
    seconds
        Time it takes, slow ground and all.
    cells
        Nodes of the graph on the way.
    """

    line: shapely.LineString
    seconds: float
    cells: Ints


class Wetness(NamedTuple):
    """Open water, wet ground, and the wettest part of it; (rows, cols)."""

    water: Flags
    wet: Flags
    very_wet: Flags


def footing(
    grid: Grid,
    height: Raster,
    land: shapely.Geometry,
    keep_out: shapely.Geometry,
    wetness: Wetness,
    settings: WalkSettings,
    paths: shapely.Geometry | None = None,
) -> Footing:
    """Land as a walker meets it.

    Parameters
    ----------
    grid
        Of the arrays.
    height : (rows, cols)
        Ground, or water level [m]; NaN unknown.
    land, keep_out
        Where walks may go, and may not.
    wetness
        Open water and wet ground.
    settings
        The section `layout: walk:`.
    paths
        Existing paths: quicker, and open through keep-outs.
    """
    factor = factor_to(grid.cell, settings.cell)
    coarse = grid.coarser(factor)

    def any_of(mask: Flags) -> Flags:
        return blocks_sum(mask, factor) > 0

    def most_of(mask: Flags) -> Flags:
        return blocks_sum(mask, factor) * 2 >= factor**2

    slow = np.ones(coarse.shape, np.float32)
    water = wetness.water
    slow[most_of(wetness.wet)] = settings.wet
    slow[most_of(wetness.very_wet)] = settings.very_wet
    broad = _broad(water, settings.bridge / grid.cell)
    bridged = any_of(water & ~broad)
    barred = ~cells_of(land, coarse) | cells_of(keep_out.buffer(coarse.cell / 2), coarse)
    if paths is not None and not paths.is_empty:
        trodden = cells_of(paths.buffer(0.75 * coarse.cell), coarse)
        slow[trodden] = settings.off_path
        barred &= ~trodden
        bridged &= ~trodden  # a path over water has its bridge
        broad = broad & ~cells_of(paths.buffer(1.5 * coarse.cell), grid)
    slow[bridged] = settings.bridge_slow
    ground = blocks_mean(height, factor)
    slow[barred | any_of(broad) | ~np.isfinite(ground)] = np.inf
    return Footing(coarse, ground, slow, grid, water, wetness.wet, settings.steepest)


def streams(drainage: gpd.GeoDataFrame, grid: Grid, least_ha: float) -> Flags:
    """Cells of drainage lines from which on water runs (rows, cols); none with `least_ha` 0.

    Lidar often sees a creek in pieces only, where the sun or the crowns let it.
    """
    lines = drainage.geometry[drainage["upslope_ha"].to_numpy() >= least_ha]
    if least_ha <= 0 or lines.empty:
        return np.zeros(grid.shape, bool)
    return cells_of(lines.union_all().buffer(0.75 * grid.cell), grid)


def _broad(water: Flags, width: float) -> Flags:
    """Water wider than `width` [cells], with its narrow arms left off."""
    if width <= 0 or not water.any():
        return water
    inner = ndi.distance_transform_edt(np.pad(water, 1, mode="edge")) > width / 2
    reach = ndi.distance_transform_edt(~inner) <= width / 2 + 1
    return np.asarray(water & reach[1:-1, 1:-1])


def graph_of(land: Footing) -> csr_matrix:
    """Seconds of every step between neighbouring cells, as a directed graph.

    Nodes are cells in the order of rows. A step is barred where any cell that it touches is, and
    takes the mean slowness of these.
    """
    rows, cols = land.grid.shape
    number = np.arange(rows * cols).reshape(rows, cols)
    start, end, cost = [], [], []
    for down, right, passed in STEPS:
        here, there = _windows(land.grid.shape, down, right)
        touched = [here, there]
        touched += [_shifted(here, i, j) for i, j in passed]
        with np.errstate(invalid="ignore"):
            slow = np.mean([land.slow[at].astype(np.float64) for at in touched], axis=0)
            rise = land.height[there].astype(np.float64) - land.height[here]
        length = float(np.hypot(down, right)) * land.grid.cell
        grade = rise / length
        walked = np.isfinite(slow) & np.isfinite(grade) & (np.abs(grade) * 100 <= land.steepest)
        a, b = number[here][walked], number[there][walked]
        slow, grade = slow[walked] * length, grade[walked]
        start += [a, b]
        end += [b, a]
        cost += [slow / speed(grade), slow / speed(-grade)]
    size = rows * cols
    return csr_matrix(
        (np.concatenate(cost), (np.concatenate(start), np.concatenate(end))), shape=(size, size)
    )


def speed(grade: Floats) -> Floats:
    """Speed off paths [m/s] on a grade (rise over run), by Tobler's function.

    Examples
    --------
    >>> float(np.round(speed(np.array(0.0)) * 3.6, 2))  # km/h
    3.02
    """
    return np.asarray(0.6 * 6.0 / 3.6 * np.exp(-3.5 * np.abs(grade + 0.05)))


Window = tuple[slice, slice]


def _windows(shape: tuple[int, int], down: int, right: int) -> tuple[Window, Window]:
    rows, cols = shape
    first = slice(0, max(rows - down, 0))
    if right >= 0:
        here = first, slice(0, max(cols - right, 0))
    else:
        here = first, slice(min(-right, cols), cols)
    return here, _shifted(here, down, right)


def _shifted(window: Window, down: int, right: int) -> Window:
    rows, cols = window
    return (
        slice(rows.start + down, rows.stop + down),
        slice(cols.start + right, cols.stop + right),
    )


def nodes_of(land: Footing, xy: Floats) -> Ints:
    """Cell that can be walked nearest to each place (n,); -1 where none lies within 25 m."""
    open_ground = np.isfinite(land.slow)
    row, col = land.grid.rowcol(xy[:, 0], xy[:, 1])
    if not open_ground.any():
        return np.full(len(xy), -1)
    away, (near_row, near_col) = ndi.distance_transform_edt(~open_ground, return_indices=True)
    inside = (row >= 0) & (col >= 0) & (row < land.grid.rows) & (col < land.grid.cols)
    r, c = np.clip(row, 0, land.grid.rows - 1), np.clip(col, 0, land.grid.cols - 1)
    found = near_row[r, c].astype(np.int64) * land.grid.cols + near_col[r, c]
    return np.where(inside & (away[r, c] * land.grid.cell <= SNAP), found, -1)


def seconds_between(
    land: Footing, graph: csr_matrix, starts: Floats, ends: Floats, most: float = np.inf
) -> Floats:
    """Time of the quickest walk from every start to every end [s] (starts, ends).

    Infinite where there is none, or only one that takes longer than `most` [s].
    """
    here, there = nodes_of(land, starts), nodes_of(land, ends)
    sources, which = np.unique(here, return_inverse=True)
    by_source = np.full((sources.size, len(ends)), np.inf)
    for at in _chunks(np.flatnonzero(sources >= 0)):
        time = dijkstra(graph, indices=sources[at], limit=most)
        by_source[at] = np.where(there >= 0, time[:, np.maximum(there, 0)], np.inf)
    return by_source[which]


def walks_between(
    land: Footing,
    graph: csr_matrix,
    starts: Floats,
    ends: Floats,
    pairs: Ints,
    seconds: Floats,
) -> list[Walk | None]:
    """Quickest walk of each pair (start, end); None where there is none.

    Parameters
    ----------
    land, graph
        The land and its steps.
    starts, ends : (n, 2), (m, 2)
        Places.
    pairs : (k, 2)
        Rows of `starts` and `ends`.
    seconds : (k,)
        How long each walk takes by `graph`, or longer; shorter ones are found sooner.
    """
    found: list[Walk | None] = [None] * len(pairs)
    here, there = nodes_of(land, starts)[pairs[:, 0]], nodes_of(land, ends)[pairs[:, 1]]
    sources, which = np.unique(here, return_inverse=True)
    furthest = np.zeros(sources.size)
    np.maximum.at(furthest, which, seconds)
    order = np.argsort(furthest, kind="stable")
    for at in _chunks(order[sources[order] >= 0]):
        limit = furthest[at].max() * (1 + 1e-9)
        time, before = dijkstra(graph, indices=sources[at], return_predecessors=True, limit=limit)
        for k, source in enumerate(at):
            for pair in np.flatnonzero(which == source):
                end = int(there[pair])
                if end >= 0 and np.isfinite(time[k, end]):
                    cells = _back(before[k], int(sources[source]), end)
                    line = _line(land, cells, starts[pairs[pair, 0]], ends[pairs[pair, 1]])
                    found[pair] = Walk(line, float(time[k, end]), cells)
    return found


def seconds_along(graph: csr_matrix, ways: Sequence[Ints]) -> Floats:
    """Time by a graph of ways through its nodes [s] (n,)."""
    if not ways:
        return np.empty(0)
    starts = np.concatenate([way[:-1] for way in ways])
    ends = np.concatenate([way[1:] for way in ways])
    each = np.asarray(graph[starts, ends]).ravel() if starts.size else np.empty(0)
    which = np.repeat(np.arange(len(ways)), [len(way) - 1 for way in ways])
    return np.asarray(np.bincount(which, each, minlength=len(ways)), float)


def _chunks(rows: Ints) -> Iterator[Ints]:
    return (rows[i : i + _CHUNK] for i in range(0, rows.size, _CHUNK))


def _back(before: NDArray[np.int32], start: int, end: int) -> Ints:
    cells = [end]
    while cells[-1] != start:
        cells.append(int(before[cells[-1]]))
    return np.array(cells[::-1], np.int64)


def _line(land: Footing, cells: Ints, start: Floats, end: Floats) -> shapely.LineString:
    """Walk through cell centres; its first and last place are the start and the end themselves."""
    row, col = np.divmod(cells, land.grid.cols)
    x, y = land.grid.xy(row, col)
    z = land.height[row, col].astype(float)
    places = np.column_stack([x, y, z])
    if len(places) == 1:
        places = np.repeat(places, 2, axis=0)
    places[0, :2], places[-1, :2] = start, end
    return shapely.LineString(places)


# ---------------------------------------------------------------------------------------------
# What a walk meets


def bridged(land: Footing, lines: NDArray[np.object_]) -> Flags:
    """Whether each walk comes over water (lines,); looked at where it bends and between."""
    there = np.array([line is not None for line in lines], bool)
    found = np.zeros(len(lines), bool)
    if there.any() and land.water.any():
        short = shapely.segmentize(lines[there], land.fine.cell)
        places, which = shapely.get_coordinates(short, return_index=True)
        at = land.fine.nearest(places[:, 0], places[:, 1])
        found[np.flatnonzero(there)[which[land.water[at]]]] = True
    return found


@dataclass(frozen=True)
class Met:
    """What a walk meets: metres climbed, of wet ground, of water; steepest 10 m [percent]; time."""

    climb: float
    steepest_pct: float
    minutes: float
    wet: float
    water: float


def met_by(land: Footing, line: shapely.LineString) -> Met:
    """What a walk meets, looked at every quarter of a metre on the run's own grid.

    Grades are taken over 10 m, and the time from them off paths; wet ground takes no longer here.
    """
    count = max(2, int(np.ceil(line.length / SAMPLE)) + 1)
    along = np.linspace(0, line.length, count)
    places = shapely.get_coordinates(shapely.line_interpolate_point(line, along), include_z=True)
    at = land.fine.nearest(places[:, 0], places[:, 1])
    each = line.length / count
    z = places[:, 2]
    every = max(1, min(round(10.0 / max(each, 1e-9)), count - 1))
    grades = np.abs(z[every:] - z[:-every]) / max(every * line.length / (count - 1), 1e-9)
    at_steps = np.unique(np.r_[np.arange(0, count, every), count - 1])
    steps = np.diff(z[at_steps])
    run = np.diff(along[at_steps])
    return Met(
        climb=float(np.maximum(steps, 0).sum()),
        steepest_pct=float(100 * grades.max(initial=0.0)),
        minutes=float((run / speed(steps / np.maximum(run, 1e-9))).sum() / 60),
        wet=float(land.wet[at].sum() * each),
        water=float(land.water[at].sum() * each),
    )
