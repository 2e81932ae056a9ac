"""The columns: what stands above each cell in 64 layers, as far as lidar tells.

Evidence
--------
Each return stands for one share of a pulse: one over the number of its returns. Its ray comes down
from the sensor; along it the share *passes*, in the voxel of the return it *stops*, unless that is
ground. Below the return the ray would have gone on: that path is *shaded*. Per voxel we count
passes (pulses times metres), stops (pulses) and shaded path, in whole numbers.

States
------
- hit: vegetation or something solid was met.
- searched: enough path through the voxel and its 26 neighbours; without a hit it is called clear.
- occluded: not enough path, but there would have been without what stands above.
- never searched: none of these. Unsearched is never called clear.

Three pulses through the neighbourhood are the default for enough. It is a low bar: by the rule of
three, n pulses without contact rule out at 95 % only what stops more than 3/n of them.

Density
-------
How it comes from stops and passes stands in `lanewright.growth.density`; how well it does, in
planted woods of the demo's simulator, in `STATED_ERROR`.

What is solid (buildings from the ground to the roof, wires, bridges) never counts as vegetation and
has a code of its own.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.grid import Grid
from lanewright.growth import density as estimating
from lanewright.growth.density import BAND_SHIFT, BLURRED_LAYERS, contact_density, half_width
from lanewright.growth.pulses import UNIT, Rays
from lanewright.kernels import columns as kernels
from lanewright.settings.vegetation import VegetationSettings

Counts = NDArray[np.int32]
Masks = NDArray[np.uint64]

LAYERS = 64
"""16 m of them, all that a disc uses."""

LAYER_HEIGHT = estimating.LAYER_HEIGHT
"""Of a layer [m]."""

SOLID = 255
"""Density code of what is solid."""

STATED_ERROR = {2.0: 0.8, 8.0: 0.4, 20.0: 0.25}
"""Relative error (root mean square) of density by pulses per m2.

Over blocks of 5 x 5 x 1 m at throwing height in an even wood of 8 m that stops 0.03 to 0.3 rays per
metre. It goes as one over the square root of the pulses that stopped there: worst in thin
vegetation, which gives few stops and is half taken for air (0.17 at 0.1 per metre and 8 pulses/m2),
and under thick one, which lets few pulses down to it.
"""

_FIRST_OCTAVE = -12
_NEIGHBOURHOOD = 8.0  # m, cells of the survey's prior
_AROUND = (0.75, 1)  # the same for the states: a voxel and its 26 neighbours
_SURVEY_STRENGTH = 20.0  # m of path by which the survey's mean holds a neighbourhood


def _table() -> NDArray[np.float32]:
    """Middle of each code's range: 16 codes to an octave, as the bits of a float have them."""
    code = np.arange(254)
    low = (1.0 + (code % 16) / 16.0) * 2.0 ** (_FIRST_OCTAVE + code // 16)
    step = 2.0 ** (_FIRST_OCTAVE + code // 16) / 16.0
    table: NDArray[np.float32] = np.r_[0.0, low + step / 2, 1000.0].astype(np.float32)
    return table


DENSITY_TABLE = _table()
"""Contact density [1/m] of each code: 0 is under 1/4096, then steps of 3-6 % to 15, 255 solid."""


@dataclass(frozen=True)
class Columns:
    """What stands above each cell; bit k is the layer from 0.25 k to 0.25 (k + 1) m above ground.

    Attributes
    ----------
    hit, searched, occluded
        Masks (rows, cols). What is neither searched nor occluded was never searched; what was hit
        counts as searched.
    density
        Codes of the contact density (rows, cols, 64), 1/m by `table`: the mean of what the evidence
        allows, also where nothing was searched.
    table
        Contact density [1/m] of each code (256,).
    layer_height
        Of a layer [m].
    """

    hit: Masks
    searched: Masks
    occluded: Masks
    density: NDArray[np.uint8]
    table: NDArray[np.float32]
    layer_height: float = LAYER_HEIGHT

    @property
    def unknown(self) -> Masks:
        """Layers that were not searched, for whatever reason (rows, cols)."""
        return ~self.searched


def layer_mask(low: float, high: float) -> np.uint64:
    """Bits of the layers between two heights above ground [m].

    Examples
    --------
    >>> hex(layer_mask(0.5, 6.0))
    '0xfffffc'
    """
    first, last = round(low / LAYER_HEIGHT), min(round(high / LAYER_HEIGHT), LAYERS)
    if not 0 <= first < last:
        raise ValueError(f"no layers between {low} and {high} m")
    return np.uint64(((1 << (last - first)) - 1) << first)


# ---------------------------------------------------------------------------------------------
# Evidence


@dataclass(frozen=True)
class Evidence:
    """Counts over a window of columns.

    Attributes
    ----------
    passes, stops, shaded
        (rows, cols, layers): paths in pulses times layers, and stopped pulses; both in units of
        1 / `pulses.UNIT`.
    solid
        Layers with something solid (rows, cols).
    """

    passes: Counts
    stops: Counts
    shaded: Counts
    solid: Masks


def gather(rays: Rays, window: Grid, ground: NDArray[np.float32], reach: float) -> Evidence:
    """Count along the rays of returns over a window.

    Parameters
    ----------
    rays
        Of all returns in the window and as far around as they reach.
    window
        Cells to fill.
    ground
        Its ground [m] (rows, cols); NaN is void and stays without evidence.
    reach
        Rays are followed no farther aside [m].
    """
    shape = (*window.shape, LAYERS)
    out = Evidence(
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
        np.zeros(shape, np.int32),
        np.zeros(window.shape, np.uint64),
    )
    cells = kernels.Window(ground, window.left, window.top, window.cell, LAYER_HEIGHT, reach, 0, 0)
    kernels.march(rays, cells, kernels.Counts(out.passes, out.stops, out.shaded), out.solid)
    return out


class Neighbourhoods:
    """Evidence of the whole survey in cells of 8 m and bands of half a metre.

    Blocks of points add to it in any order; then `prior` tells what to expect of a place.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._shift = max(0, round(math.log2(_NEIGHBOURHOOD / grid.cell)))
        size = 1 << self._shift
        shape = (-(-grid.rows // size), -(-grid.cols // size), LAYERS >> BAND_SHIFT)
        self.passes = np.zeros(shape, np.int64)
        self.stops = np.zeros(shape, np.int64)
        self._lock = threading.Lock()

    def add(self, rays: Rays, ground: NDArray[np.float32], reach: float) -> None:
        """Add returns, each of them once; `ground` is that of the whole grid."""
        if len(rays.x) == 0:
            return
        grid, shift = self._grid, self._shift
        size, margin = 1 << shift, math.ceil(reach / grid.cell)
        row, col = grid.rowcol(rays.x, rays.y)
        row0 = max(0, int(row.min()) - margin) >> shift
        col0 = max(0, int(col.min()) - margin) >> shift
        row1 = min((max(0, int(row.max()) + margin) >> shift) + 1, self.passes.shape[0])
        col1 = min((max(0, int(col.max()) + margin) >> shift) + 1, self.passes.shape[1])
        if row0 >= row1 or col0 >= col1:
            return
        cells = np.s_[row0 * size : row1 * size, col0 * size : col1 * size]
        part = np.s_[row0:row1, col0:col1]
        window = grid.window(row0 * size, col0 * size, 1, 1)
        passes = np.zeros(self.passes[part].shape, np.int32)
        stops = np.zeros_like(passes)
        solid = np.zeros(ground[cells].shape, np.uint64)
        kernels.march(
            rays,
            kernels.Window(
                ground[cells],
                window.left,
                window.top,
                grid.cell,
                LAYER_HEIGHT,
                reach,
                shift,
                BAND_SHIFT,
            ),
            kernels.Counts(passes, stops, np.zeros((0, 1, 1), np.int32)),
            solid,
        )
        with self._lock:
            self.passes[part] += passes
            self.stops[part] += stops

    def rates(self) -> NDArray[np.float32]:
        """Contact density to expect [1/m], (rows, cols, bands) of the coarse cells."""
        stops = self.stops / UNIT
        passes = self.passes * (LAYER_HEIGHT / UNIT)
        everywhere = stops.sum((0, 1)) / np.maximum(passes.sum((0, 1)), 1e-9)
        rates = (_SURVEY_STRENGTH * everywhere + stops) / (_SURVEY_STRENGTH + passes)
        return np.asarray(rates, np.float32)

    def prior(
        self, rates: NDArray[np.float32], row: int, col: int, rows: int, cols: int
    ) -> NDArray[np.float32]:
        """`rates` at the cells of a window, between coarse centres in proportion."""
        size = 1 << self._shift
        for axis, (begin, count) in enumerate(((row, rows), (col, cols))):
            at = (begin + np.arange(count) + 0.5) / size - 0.5
            at = np.clip(at, 0.0, rates.shape[axis] - 1.0)
            low = at.astype(np.int64)
            high = np.minimum(low + 1, rates.shape[axis] - 1)
            share = (at - low).astype(np.float32).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
            rates = np.take(rates, low, axis) * (1 - share) + np.take(rates, high, axis) * share
        return rates


# ---------------------------------------------------------------------------------------------
# Estimate


def estimate(
    evidence: Evidence,
    margin: tuple[int, int],
    prior: NDArray[np.float32],
    cell: float,
    settings: VegetationSettings,
    out: Columns,
    twigs: Counts | None = None,
) -> None:
    """States and density of a block from the evidence on it and around it.

    Parameters
    ----------
    evidence
        Over the block and a margin of at least `density.margin_cells`, but for the grid's edges.
    margin
        Row and column in it where the block begins.
    prior
        Expected contact density [1/m] over block and margin, (rows, cols, bands).
    cell
        Side of a cell [m].
    settings
        How much is enough, and how strong priors hold.
    out
        Views on the block, written to.
    twigs
        Stops that are no stem's; all of them by default.
    """
    width = half_width(_AROUND[0], cell)
    passes, shaded = (
        kernels.window_sum(counts, width, _AROUND[1], BLURRED_LAYERS)
        for counts in (evidence.passes, evidence.shaded)
    )
    kernels.states(
        kernels.Counts(passes, evidence.stops, shaded),
        evidence.solid,
        margin,
        LAYER_HEIGHT / UNIT,
        settings.searched_pulses * 3 * LAYER_HEIGHT,
        kernels.States(out.hit, out.searched, out.occluded),
    )
    density = contact_density(
        evidence.stops if twigs is None else twigs, evidence.passes, prior, cell, settings
    )
    kernels.encode(density, evidence.solid, margin, _FIRST_OCTAVE, SOLID, out.density)


# ---------------------------------------------------------------------------------------------
# What the estimate means to a disc


def blocked(columns: Columns, closed_density: float) -> Masks:
    """Layers too dense to plan a throw through, (rows, cols).

    A voxel is closed from `closed_density` [1/m] on, whether it was hit or stands between hits;
    what is solid always is. A hit in the open that few pulses of many met stays open: what it
    costs is in its density.
    """
    out = np.zeros(columns.hit.shape, np.uint64)
    kernels.closed(columns.density, columns.table >= closed_density, out)
    return out


def trunk_cells(trees: gpd.GeoDataFrame, grid: Grid) -> NDArray[np.bool_]:
    """Cells that hold a known trunk (rows, cols): under each top, as wide as the estimated stem."""
    out = np.zeros(grid.shape, bool)
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    radius = trees["dbh_cm"].to_numpy(float) / 200.0
    for dx in (-1.0, 0.0, 1.0):
        for dy in (-1.0, 0.0, 1.0):
            row, col = grid.rowcol(x + dx * radius, y + dy * radius)
            inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
            out[row[inside], col[inside]] = True
    return out


def mean_density(columns: Columns, low: float, high: float) -> NDArray[np.float32]:
    """Mean contact density [1/m] between two heights (rows, cols), what is solid left out.

    NaN where all of it is solid.
    """
    first, last = round(low / LAYER_HEIGHT), round(high / LAYER_HEIGHT)
    out = np.empty(columns.hit.shape, np.float32)
    kernels.mean_density(columns.density, columns.table, first, last, SOLID, out)
    return out


def seen_share(columns: Columns, low: float, high: float) -> NDArray[np.float32]:
    """Share of the layers between two heights that were searched, 0-1 (rows, cols)."""
    mask = layer_mask(low, high)
    share = np.bitwise_count(columns.searched & mask) / int(mask).bit_count()
    return np.asarray(share, np.float32)


def fill_buildings(solid: Masks, roof: NDArray[np.float32], ground: NDArray[np.float32]) -> None:
    """Make buildings solid from the ground to the roof.

    Parameters
    ----------
    solid
        Changed in place, (rows, cols).
    roof
        Height of the highest building return [m above datum]; NaN where none.
    ground
        [m above datum].
    """
    # A roof cell that no pulse met still is roof: it lies among roof cells.
    is_roof = np.isfinite(roof)
    if not is_roof.any():
        return
    around = ndimage.uniform_filter(is_roof.astype(np.float32), 3, mode="constant")
    level = ndimage.maximum_filter(np.where(is_roof, roof, -np.inf), 3)
    level = np.where(is_roof, roof, np.where(around > 0.5, level, np.nan))
    layers = np.ceil((level - ground) / LAYER_HEIGHT)
    built = layers >= 1
    count = np.clip(layers[built], 1, LAYERS).astype(np.uint64)
    solid[built] |= np.uint64(0xFFFFFFFFFFFFFFFF) >> (np.uint64(LAYERS) - count)
