"""Where stems can stand: what pulses say of each cell, and what that makes of probable tops.

Evidence. Pulses come on a slant, so a stem of radius r in a cell of side c stops
`SEEN` * 2 r tan(angle) / c2 of them per metre of path there. Pulses that passed speak against it,
each stop speaks for it by as much as it is likelier than from the growth beside the cell, and no
metre of height speaks for more than `BAND_MOST`, and the best one for half: brush and limbs show
at some heights, a stem at many. Stops that are a stem's are no twigs; counted as such a disc would
meet them ten times as often as it does.

Prior. Of probable tops `top_is_stem` are stems, spread about the point that was found; of stems
`RECALL` are found, the others may stand anywhere under the canopy. Both are published rates of a
variable window at 9.8 pulses/m2: 0.44 of tops were stems of 10 cm and more on partly mapped plots,
0.78 where all had been mapped; 0.46 of the stems were found (Grigoryev, draft 2026, 106 NEON
plots). Rates differ by forest and survey; a survey of the place itself is better.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.arrays import Flags, Floats, Ints, Raster
from lanewright.base.grid import Grid
from lanewright.growth import strips
from lanewright.growth.density import BLURRED_LAYERS, LAYER_HEIGHT, Counts, half_width
from lanewright.growth.pulses import UNIT
from lanewright.growth.trees import RECALL
from lanewright.kernels import columns as counting
from lanewright.kernels import density, stems
from lanewright.kernels.density import Pulses

RADIUS = 0.15  # m, usual stem
SEEN = 0.8  # of pulses whose middle meets a stem, those that come back from it; ours
LEAST_SLANT = 0.05  # a vertical pulse meets the top of a stem as often as one so slanted its side
BESIDE = (1.75, 2)  # m and layers around a cell in which growth is like that in it
HEIGHTS = (2, 38)  # layers looked at: 0.5 to 9.5 m
LOW = (2, 16)  # layers under the roof of a lane: 0.5 to 4 m
BAND = 4  # layers, a metre
PULSE_SHARE = 0.6  # of a pulse that a return under trees stands for, which yet is a whole event
BAND_MOST = 5.0  # log odds
ALONE = 0.5  # what shows at one height only may be a limb
PRIOR = -3.5  # log odds of a stem in any half-metre square of a wood: some 1,200 per hectare
THIN = 0.02  # 1/m, growth expected before anything was seen
UNDER = 3.0  # m of canopy under which stems may stand unfound
MOST = 12.0  # log odds beyond which nothing changes
BRUSHY, CLEAR, ROOM = range(3)
"""Kinds of ground: growth at throwing height; none; nor any for `ROOMY` metres across."""

ROOMY = 3.0  # m
AROUND = (12.0, 20.0, 60.0)  # m, side of the square over which stems of a kind are counted
FEW = 0.5  # stems that hold the prior there
MORE = 1.5  # times the prior at most: brush and limbs pass for stems as well
TURNS = 30  # a lane on which few pulses came down settles slowly
LONE = 50.0  # stems per hectare of wood that no count of others rules out


class Signs(NamedTuple):
    """What pulses say of stems; arrays (rows, cols).

    Attributes
    ----------
    odds
        Log odds for a stem in each cell; 0 where pulses say nothing.
    stops
        Pulses stopped at the heights of `LOW`.
    expected
        Pulses that a stem in the cell would stop there.
    """

    odds: Raster
    stops: Raster
    expected: Raster


def no_signs(shape: tuple[int, int]) -> Signs:
    """Signs of which nothing follows; arrays of zeros."""
    return Signs(*(np.zeros(shape, np.float32) for _ in Signs._fields))


def evidence(stops: Counts, passes: Counts, slant: float, cell: float) -> tuple[Signs, Counts]:
    """What pulses say of a stem in each cell, and the stops left to twigs.

    Parameters
    ----------
    stops, passes
        As `density.contact_density` takes them (rows, cols, layers).
    slant
        Usual drift of pulses, metres aside per metre of height.
    cell
        Side of a cell [m].

    Returns
    -------
    signs : (rows, cols) each
    twigs : (rows, cols, layers)
    """
    scale = 1.0 / (UNIT * PULSE_SHARE)
    pulses = Pulses(stops, passes, scale, LAYER_HEIGHT * scale)
    outer = half_width(BESIDE[0], cell)
    inner = max(0, outer - 2)
    ring = []
    for counts in (stops, passes):
        wide, near = (
            counting.window_sum(counts, half, BESIDE[1], BLURRED_LAYERS) for half in (outer, inner)
        )
        ring.append(wide - near)
    around = np.full(stops.shape, THIN, np.float32)
    density.update(around, pulses._replace(stops=ring[0], passes=ring[1]), 1.0)
    rate = SEEN * 2 * RADIUS * max(slant, LEAST_SLANT) / cell**2
    odds, twigs = np.empty(stops.shape[:2], np.float32), np.empty_like(stops)
    stem = stems.Stem(rate, *HEIGHTS, BAND, BAND_MOST, ALONE, PRIOR)
    stems.stem_odds(pulses, around, stem, odds, twigs)
    low = np.s_[:, :, LOW[0] : LOW[1]]
    sent = stops[low].sum(2) * np.float32(scale)
    path = passes[low].sum(2) * np.float32(pulses.per_path)
    return Signs(odds, sent.astype(np.float32), (rate * path).astype(np.float32)), twigs


def margin_cells(cell: float) -> int:
    """Cells around a block that the evidence looks at."""
    return half_width(BESIDE[0], cell)


class Tops(NamedTuple):
    """Share of tops under which a stem stands; how far from it, standard deviation [m]."""

    are_stems: float
    spread: float


def stem_field(
    trees: gpd.GeoDataFrame,
    signs: Signs,
    canopy_height: Raster,
    kind: NDArray[np.uint8],
    grid: Grid,
    tops: Tops,
) -> tuple[Raster, Raster]:
    """Expected stems by cell, given tops and pulses.

    How many stems stand about a place is itself judged by pulses: among the cells of one kind in a
    square of `AROUND`, the prior is taken times what makes the stems expected after asking the
    pulses as many as before, `FEW` stems holding it at one. A strip along which pulses met none and
    tops are few is taken for one without stems, by its chance (`strips`), and left out of the count
    of the others.

    Parameters
    ----------
    trees
        Probable trees: `dbh_cm` and a point each.
    signs
        What pulses say of stems.
    canopy_height, kind : (rows, cols)
        Height of the canopy [m]; kind of ground.
    grid
        Georeference.
    tops
        What tops are taken for.

    Returns
    -------
    stems, diameter : (rows, cols)
        Expected stems by cell, and their mean diameter [m].
    """
    if len(trees) == 0:
        return np.zeros(grid.shape, np.float32), np.zeros(grid.shape, np.float32)
    wooded = np.nan_to_num(canopy_height) >= UNDER
    prior, width = _prior(trees, wooded, grid, tops)
    least = LONE / 1e4 * grid.cell**2 * wooded
    wood = 1.0 - strips.strip_chance(
        _counts(trees, grid),
        strips.Ground(np.maximum(prior, least), signs.stops, signs.expected, kind != BRUSHY),
        grid.cell,
        tops.are_stems,
    )
    likely = np.exp(np.clip(signs.odds, -MOST, MOST).astype(float))
    times = np.ones(grid.shape)
    kinds = [(kind == number, side) for number, side in enumerate(AROUND)]
    expected = [_around(np.where(here, prior * wood, 0.0), side, grid.cell) for here, side in kinds]
    for _ in range(TURNS):
        stems = _asked(np.maximum(prior * times, least), likely)
        for (here, side), few in zip(kinds, expected, strict=True):
            seen = _around(np.where(here, stems * wood, 0.0), side, grid.cell)
            times[here] = np.minimum((FEW + seen) / (FEW + few), MORE)[here]
    bare = strips.BARE * prior
    stems = _asked(np.maximum(prior * times, least) * wood + bare * (1 - wood), likely)
    return stems.astype(np.float32), width.astype(np.float32)


def _asked(before: Floats, likely: Floats) -> Floats:
    """Chance of a stem in each cell once pulses are asked, which make it so many times likelier."""
    chance = np.minimum(before, 0.5)
    return np.asarray(chance * likely / (1 - chance + chance * likely))


def _prior(trees: gpd.GeoDataFrame, wooded: Flags, grid: Grid, tops: Tops) -> tuple[Floats, Floats]:
    """Stems by cell before pulses are asked, those unfound with them, and their diameter [m]."""
    row, col, weight = _places(trees, grid, tops.spread)
    diameter = trees["dbh_cm"].to_numpy(float) / 100
    under, width = np.zeros(grid.shape), np.zeros(grid.shape)
    np.add.at(under, (row, col), tops.are_stems * weight)
    np.add.at(width, (row, col), tops.are_stems * weight * diameter)
    found = len(trees) * tops.are_stems / max(1, int(wooded.sum()))
    missed = found * (1 - RECALL) / RECALL * wooded
    width = (width + missed * np.median(diameter)) / np.maximum(under + missed, 1e-12)
    return np.minimum(under + missed, 0.5), width


def _counts(trees: gpd.GeoDataFrame, grid: Grid) -> Floats:
    """Tops by cell."""
    row, col = grid.rowcol(trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy())
    inside = (row >= 0) & (col >= 0) & (row < grid.rows) & (col < grid.cols)
    counts = np.zeros(grid.shape)
    np.add.at(counts, (row[inside], col[inside]), 1.0)
    return counts


def _around(values: Floats, side: float, cell: float) -> Floats:
    """Sum over a square with a side of so many metres about each cell."""
    cells = 2 * round(side / cell / 2) + 1
    return np.asarray(ndimage.uniform_filter(values, cells, mode="constant") * cells**2)


def _places(trees: gpd.GeoDataFrame, grid: Grid, spread: float) -> tuple[Ints, Ints, Floats]:
    """Cells about each top and the share of its stem's chance that falls on them (places, n)."""
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    reach = int(np.ceil(3 * spread / grid.cell))
    step = np.arange(-reach, reach + 1)
    row, col = grid.rowcol(x, y)
    row = (row + step[:, None, None]).repeat(step.size, 1).reshape(step.size**2, -1)
    col = (col + step[None, :, None]).repeat(step.size, 0).reshape(step.size**2, -1)
    cx, cy = grid.xy(row, col)
    square = ((cx - x) ** 2 + (cy - y) ** 2) / spread**2
    weight = np.where(square <= 9, np.exp(-square / 2), 0.0)
    weight *= grid.cell**2 / (2 * np.pi * spread**2)
    inside = (row >= 0) & (col >= 0) & (row < grid.rows) & (col < grid.cols)
    inside &= weight > 0
    return np.where(inside, row, 0), np.where(inside, col, 0), np.where(inside, weight, 0.0)
