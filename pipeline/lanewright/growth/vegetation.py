"""Stage `vegetation`: columns, canopy, brush and trees from the points over the ground.

Points are read three times, block by block: for the sensor's tracks, for the canopy and what
density to expect where, and for the columns themselves. Blocks share nothing but sums of whole
numbers and maxima, so neither their size nor the number of threads changes the result.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TypeVar

import geopandas as gpd
import numba
import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Raster
from lanewright.base.grid import Grid
from lanewright.growth import density, stems
from lanewright.growth.canopy import clear_buildings, cover, fill_pits, highest_returns
from lanewright.growth.columns import (
    DENSITY_TABLE,
    LAYERS,
    Columns,
    Neighbourhoods,
    estimate,
    fill_buildings,
    gather,
    mean_density,
    seen_share,
)
from lanewright.growth.pulses import (
    PointSource,
    PulseLines,
    Rays,
    Tracks,
    fewest_needed,
    fit_tracks,
    make_rays,
    pulse_lines,
)
from lanewright.growth.trees import find_trees
from lanewright.kernels import columns as kernels
from lanewright.kernels.columns import GROUND, SOLID, VEGETATION
from lanewright.land.reading import TOO_THIN
from lanewright.settings.vegetation import VegetationSettings
from lanewright.sources.points import Points
from lanewright.store import stage

log = logging.getLogger(__name__)

R = TypeVar("R")

THROWING = (0.5, 5.0)
"""Heights above ground that throws use [m]."""

BRUSH = (0.5, 2.0)
"""Heights of brush [m]: what is lower cannot be distinguished from ground."""

_BLOCK = 100.0  # m; some 100 MB of counts at half-metre cells
_PULSE = 14.0  # m around a block within which the first return of its pulses lies
_TALLEST_SHADE = 24.0  # m; returns from higher up shade the columns a little less far
_FOOT = 0.25  # m; what is lower is taken for ground whatever its class

_LEFT_OUT, _WIRE, _BUILDING = 3, 4, 5


def _roles() -> NDArray[np.uint8]:
    """What a return of each class is to the columns (classes of LAS 1.4)."""
    roles = np.full(256, _LEFT_OUT, np.uint8)
    roles[[0, 1, 3, 4, 5, 12]] = VEGETATION
    roles[[2, 8, 9, 10, 11, 20, 21]] = GROUND  # and water, rails, roads, snow
    roles[6] = _BUILDING
    roles[[13, 14, 15, 16, 17, 19]] = _WIRE  # and towers, bridges, overhead structures
    # 7 and 18 are noise, 22 another date; from 23 on each producer has classes of its own, among
    # them artefacts.
    return roles


ROLES = _roles()


@dataclass(frozen=True)
class Vegetation:
    """What stands on the land, on the run's grid.

    Attributes
    ----------
    canopy_height
        Top of the vegetation over the ground [m]; NaN is void. Buildings and wires left out.
    canopy_cover
        Share of first returns from 2 m up in a 5 m square, 0-1; NaN without returns.
    brush_density
        Mean contact density from 0.5 to 2 m [1/m]; NaN is void.
    seen_share
        Share of the throwing space, 0.5 to 5 m, that was searched, 0-1.
    columns
        Hit, searched, occluded and density by layer.
    stem_signs
        What pulses say of stems; see `stems.evidence`.
    trees
        Probable trees; see `trees.find_trees`.
    facts
        Counts for the summary: returns, those with a known direction, states of the layers at
        throwing height, trees.
    """

    canopy_height: Raster
    canopy_cover: Raster
    brush_density: Raster
    seen_share: Raster
    columns: Columns
    stem_signs: stems.Signs
    trees: gpd.GeoDataFrame
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@stage("vegetation", version=6)
def sort_vegetation(
    points: PointSource,
    grid: Grid,
    ground: Raster,
    settings: VegetationSettings,
    *,
    heights_given: bool = False,
    threads: int | None = None,
    density_out: NDArray[np.uint8] | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Vegetation:
    """Columns, canopy and trees.

    Parameters
    ----------
    points
        The survey's returns.
    grid
        Georeference of all rasters.
    ground
        Height of the ground at cell centres [m]; NaN is void (rows, cols).
    settings
        How the evidence is judged.
    heights_given
        The points' z is height above `ground` already.
    threads
        Blocks to work on at once, by default as many as numba may use; no result depends on it.
    density_out
        Array to write the density codes to, uint8 (rows, cols, 64), such as a memory map.
    progress
        Called with the share done.
    """
    if ground.shape != grid.shape:
        raise ValueError(f"ground has shape {ground.shape}, the grid {grid.shape}")
    shape = (*grid.shape, LAYERS)
    if density_out is None:
        density_out = np.zeros(shape, np.uint8)
    elif density_out.shape != shape or density_out.dtype != np.uint8:
        raise ValueError(f"density_out must be uint8 {shape}")
    ground = np.ascontiguousarray(ground, np.float32)
    survey = _Survey(points, grid, ground, heights_given)
    found = _gathered(survey, settings, density_out, threads, progress)
    columns, canopy = found.columns, found.canopy

    void = np.isnan(ground)
    canopy_height = fill_pits(canopy.inside, canopy.touching, grid.cell, settings.pit_width)
    clear_buildings(canopy_height, canopy.roof - ground, grid.cell)
    canopy_height[void] = np.nan
    covered = cover(canopy.first_above, canopy.first, grid.cell, settings.cover_window)
    first_returns = float(canopy.first.sum()) / max(float((~void).sum()) * grid.cell**2, 1.0)
    counts, tracks, signs = found.counts, found.tracks, found.stem_signs
    del canopy, found  # as large as all that finding trees needs
    brush = mean_density(columns, *BRUSH)
    brush[void] = np.nan
    seen = seen_share(columns, *THROWING)
    trees = find_trees(canopy_height, columns, grid, settings.tree_from, settings.crown_share)
    thin = first_returns < TOO_THIN
    if thin:
        trees = trees.iloc[:0]
    facts, warnings = _told(counts, tracks, seen, void, trees, grid)
    if thin:
        warnings += (
            f"no tree is shown: with {first_returns:.2g} first returns per m2 apexes are chance",
        )
    progress(1.0)
    return Vegetation(
        canopy_height,
        covered,
        brush,
        seen,
        columns,
        signs,
        trees,
        facts,
        warnings,
    )


@dataclass(frozen=True)
class _Part:
    """Points of a block with what they are."""

    points: Points
    role: NDArray[np.uint8]
    above: NDArray[np.float64]  # m over the ground; NaN over a void
    datum: NDArray[np.float64]  # m over datum


@dataclass(frozen=True)
class _Before:
    """What the first two readings found, for the third."""

    tracks: Tracks
    reach: float
    around: Neighbourhoods
    rates: Raster
    roof: Raster


@dataclass(frozen=True)
class _Survey:
    """Reading of blocks, and the work on one that needs nothing of another."""

    source: PointSource
    grid: Grid
    ground: Raster
    heights_given: bool

    def lines(self, block: tuple[int, int, int, int]) -> PulseLines:
        bounds = self.grid.window(*block).bounds
        left, bottom, right, top = bounds
        wide = (left - _PULSE, bottom - _PULSE, right + _PULSE, top + _PULSE)
        points = self.source.read(wide)
        return pulse_lines(self._settled(points)[0] if self.heights_given else points, bounds)

    def part(self, block: tuple[int, int, int, int], margin: int) -> _Part:
        """Points of a block and `margin` cells around, those of no use left out."""
        row, col, rows, cols = block
        window = self.grid.window(row - margin, col - margin, rows + 2 * margin, cols + 2 * margin)
        points, above = self._settled(self.source.read(window.bounds))
        role = ROLES[points.classification]
        role = np.where((role == VEGETATION) & (above < _FOOT), GROUND, role).astype(np.uint8)
        kept = role != _LEFT_OUT
        if not kept.all():
            points, above, role = _take(points, kept), above[kept], role[kept]
        return _Part(points, role, above, points.z)

    def _settled(self, points: Points) -> tuple[Points, NDArray[np.float64]]:
        """Points with heights above datum, and their heights above ground."""
        under = bilinear(self.ground, self.grid, points.x, points.y)
        if self.heights_given:
            return replace(points, z=points.z + np.nan_to_num(under)), points.z
        return points, points.z - under

    def rays(self, part: _Part, tracks: Tracks) -> tuple[Rays, int]:
        kind = np.minimum(part.role, SOLID).astype(np.uint8)
        return make_rays(part.points, kind, tracks)

    def judge(
        self,
        block: tuple[int, int, int, int],
        before: _Before,
        settings: VegetationSettings,
        columns: Columns,
        stem_signs: stems.Signs,
    ) -> None:
        """Fill a block's columns and what pulses say of stems."""
        row, col, rows, cols = block
        grid = self.grid
        margin = density.margin_cells(grid.cell) + stems.margin_cells(grid.cell)
        row0, col0 = max(row - margin, 0), max(col - margin, 0)
        row1, col1 = min(row + rows + margin, grid.rows), min(col + cols + margin, grid.cols)
        there = np.s_[row0:row1, col0:col1]
        part = self.part(block, margin + math.ceil(before.reach / grid.cell))
        rays, _ = self.rays(part, before.tracks)
        window = grid.window(row0, col0, row1 - row0, col1 - col0)
        evidence = gather(rays, window, self.ground[there], before.reach)
        fill_buildings(evidence.solid, before.roof[there], self.ground[there])
        signs, twigs = stems.evidence(
            evidence.stops, evidence.passes, before.tracks.usual, grid.cell
        )
        here = np.s_[row : row + rows, col : col + cols]
        corner = row - row0, col - col0
        for whole, mine in zip(stem_signs, signs, strict=True):
            whole[here] = mine[corner[0] : corner[0] + rows, corner[1] : corner[1] + cols]
        estimate(
            evidence,
            corner,
            before.around.prior(before.rates, row0, col0, row1 - row0, col1 - col0),
            grid.cell,
            settings,
            Columns(
                columns.hit[here],
                columns.searched[here],
                columns.occluded[here],
                columns.density[here],
                columns.table,
            ),
            twigs,
        )


class _Canopy:
    """Highest returns and counts of first returns, gathered block by block in any order."""

    def __init__(self, grid: Grid, canopy_from: float) -> None:
        self._grid = grid
        self._from = canopy_from
        self._lock = threading.Lock()
        self.inside = np.full(grid.shape, np.nan, np.float32)
        self.touching = np.full(grid.shape, np.nan, np.float32)
        self.roof = np.full(grid.shape, np.nan, np.float32)
        self.first = np.zeros(grid.shape, np.int32)
        self.first_above = np.zeros(grid.shape, np.int32)

    def add(self, part: _Part, block: tuple[int, int, int, int]) -> None:
        # A cell more all around, for footprints that reach over the edge.
        row, col, rows, cols = block
        row0, col0 = max(row - 1, 0), max(col - 1, 0)
        row1 = min(row + rows + 1, self._grid.rows)
        col1 = min(col + cols + 1, self._grid.cols)
        window = self._grid.window(row0, col0, row1 - row0, col1 - col0)
        points, above = part.points, part.above
        # Ground and roofs count as height 0: they show where there is no canopy.
        green = (part.role != _WIRE) & np.isfinite(above)
        seen = np.where(part.role == VEGETATION, above, 0.0)
        found = highest_returns(window, points.x[green], points.y[green], seen[green])
        roof = np.full(window.shape, np.nan, np.float32)
        built = part.role == _BUILDING
        r, c = window.rowcol(points.x, points.y)
        inside = (r >= 0) & (r < window.rows) & (c >= 0) & (c < window.cols)
        np.fmax.at(roof, (r[built & inside], c[built & inside]), points.z[built & inside])
        first = green & inside & (points.return_number == 1)
        cell = r * window.cols + c
        counts = [
            np.bincount(cell[chosen], minlength=window.rows * window.cols).reshape(window.shape)
            for chosen in (first, first & (seen >= self._from))
        ]
        here = np.s_[row0:row1, col0:col1]
        with self._lock:
            self.inside[here] = np.fmax(self.inside[here], found[0])
            self.touching[here] = np.fmax(self.touching[here], found[1])
            self.roof[here] = np.fmax(self.roof[here], roof)
            self.first[here] += counts[0].astype(np.int32)
            self.first_above[here] += counts[1].astype(np.int32)


@dataclass(frozen=True)
class _Gathered:
    """What the three readings of the points found."""

    columns: Columns
    canopy: _Canopy
    stem_signs: stems.Signs
    tracks: Tracks
    counts: NDArray[np.int64]


def _gathered(
    survey: _Survey,
    settings: VegetationSettings,
    density_out: NDArray[np.uint8],
    threads: int | None,
    progress: Callable[[float | None], None],
) -> _Gathered:
    """Read the points three times, block by block."""
    grid, ground = survey.grid, survey.ground
    blocks = survey.source.blocks(_BLOCK)
    steps = _Steps(3 * len(blocks), progress)

    with ThreadPoolExecutor(threads or numba.get_num_threads()) as pool:

        def each(work: Callable[[tuple[int, int, int, int]], R]) -> list[R]:
            def counted(block: tuple[int, int, int, int]) -> R:
                result = work(block)
                steps.one()
                return result

            return list(pool.map(counted, blocks))

        tracks = fit_tracks(fewest_needed(each(survey.lines)))
        reach = min(max(_TALLEST_SHADE * tracks.steepest, 1.0), 20.0)
        canopy = _Canopy(grid, settings.canopy_from)
        around = Neighbourhoods(grid)

        def look(block: tuple[int, int, int, int]) -> tuple[int, int]:
            part = survey.part(block, 0)
            canopy.add(part, block)
            rays, directed = survey.rays(part, tracks)
            around.add(rays, ground, reach)
            return len(rays.x), directed

        counts = np.array(each(look)).reshape(-1, 2).sum(0)
        rates = around.rates()
        columns = Columns(
            np.zeros(grid.shape, np.uint64),
            np.zeros(grid.shape, np.uint64),
            np.zeros(grid.shape, np.uint64),
            density_out,
            DENSITY_TABLE,
        )

        stem_signs = stems.no_signs(grid.shape)

        def judge(block: tuple[int, int, int, int]) -> None:
            before = _Before(tracks, reach, around, rates, canopy.roof)
            survey.judge(block, before, settings, columns, stem_signs)

        each(judge)
    return _Gathered(columns, canopy, stem_signs, tracks, counts)


class _Steps:
    """Progress over blocks from several threads."""

    def __init__(self, total: int, tell: Callable[[float | None], None]) -> None:
        self._total, self._tell, self._done = max(total, 1), tell, 0
        self._lock = threading.Lock()

    def one(self) -> None:
        with self._lock:
            self._done += 1
            self._tell(0.95 * self._done / self._total)


def bilinear(
    raster: Raster, grid: Grid, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Values of a raster at points, in proportion between cell centres, level beyond the edge.

    A point beside a void gets the mean of what is known; NaN where nothing is.
    """
    out = np.empty(len(x))
    kernels.bilinear(raster, grid.left, grid.top, grid.cell, x, y, out)
    return out


def _take(points: Points, kept: NDArray[np.bool_]) -> Points:
    return Points(
        points.x[kept],
        points.y[kept],
        points.z[kept],
        points.return_number[kept],
        points.returns[kept],
        points.classification[kept],
        points.gps_time[kept],
        points.source_id[kept],
    )


def _told(
    counts: NDArray[np.int64],
    tracks: Tracks,
    seen: Raster,
    void: NDArray[np.bool_],
    trees: gpd.GeoDataFrame,
    grid: Grid,
) -> tuple[dict[str, object], tuple[str, ...]]:
    """Facts for the log and the summary, and what to warn of."""
    used, directed = (int(n) for n in counts)
    land = ~void
    mean_seen = float(seen[land].mean()) if land.any() else 0.0
    facts: dict[str, object] = {
        "returns_used": used,
        "returns_with_direction": directed,
        "sensor_positions": len(tracks.source),
        "seen_share_mean": round(mean_seen, 4),
        "trees": len(trees),
    }
    warnings = []
    if used and directed < 0.9 * used:
        warnings.append(
            f"{used - directed} of {used} returns tell nothing of where the sensor was (no GPS "
            "times or too few pulses with several returns); they are taken to come from straight "
            "above"
        )
    log.info(
        "%d returns, %.0f %% with the direction of their pulse; %.0f %% of the space at throwing "
        "height searched; %d probable trees, %.0f per hectare",
        used,
        100 * directed / used if used else 0.0,
        100 * mean_seen,
        len(trees),
        len(trees) / max(float(land.sum()) * grid.cell**2 / 1e4, 1e-9),
    )
    return facts, tuple(warnings)
