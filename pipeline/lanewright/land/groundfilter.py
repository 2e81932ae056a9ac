"""Ground filter: which returns came from the ground, by heights alone.

A morphological filter of the family of Pingel, Clarke & McBride 2013 (SMRF,
doi:10.1016/j.isprsjprs.2012.12.002) on a raster of lowest returns:

1. lone low returns go;
2. openings with ever wider windows take off what stands out faster than terrain would, and what
   stands higher than all around it, however wide, goes as well;
3. the ground left over grows back into what was cut off wrongly, the brows and ledges, wherever
   the plane of the ground on one side runs on into a cell;
4. what was left is joined by a smooth surface, the provisional ground, that each return is held
   against.

Points may come in blocks: once for the lowest heights, once to be classified.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.base.grid import Grid
from lanewright.kernels import groundfilter as kernel
from lanewright.settings.ground import FilterSettings

# Beyond the rim the raster goes on at the lowest height within so many metres, so that a hillside
# cut off by the rim stays, and a treetop there does not turn into a plateau.
_RIM = 4.0
# Islands smaller than this [m2] are left to the openings.
_LEAST_ISLAND = 25.0
# An island with more of its rim than this along the rim of the raster cannot be judged.
_HIDDEN_RIM = 0.5
# Growing tries half discs of these radii, in point spacings, in turn; near enough to end there:
# more rounds climb up bridges and walls, fewer leave brows out.
_REACHES = (3.0, 4.5, 2.0, 3.0, 4.5, 2.0)
# Rounds of taking back what lies near the provisional ground.
_TAKE_BACK = 2
# The provisional slope is measured over about this many metres, past the noise of single returns.
_SLOPE_SIGMA = 1.0


@dataclass(frozen=True)
class Provisional:
    """Ground as the filter sees it, to hold returns against.

    Attributes
    ----------
    surface
        Height [m], (rows, cols); full, NaN only if the whole input was empty.
    slope
        Its gradient [rise over run].
    taken
        Cells whose lowest return stands for ground; all others were filled from around.
    """

    surface: Raster
    slope: Raster
    taken: Flags


def lowest_raster(grid: Grid) -> Raster:
    """Empty raster for `add_lowest`: NaN in every cell."""
    return np.full(grid.shape, np.nan, np.float32)


def add_lowest(lowest: Raster, grid: Grid, x: Floats, y: Floats, z: Floats) -> None:
    """Lower `lowest` in place to the lowest of the points in each cell.

    Points outside the grid or without a finite height are left out.
    """
    row, col = grid.rowcol(x, y)
    kernel.add_lowest(lowest, row, col, np.asarray(z, np.float64))


def provisional_ground(lowest: Raster, cell: float, settings: FilterSettings) -> Provisional:
    """Ground under the lowest returns.

    Parameters
    ----------
    lowest
        Height [m] of the lowest return per cell, (rows, cols); NaN where there is none.
    cell
        Side of a cell [m].
    settings
        Limits between terrain and objects.

    Returns
    -------
    Provisional
        On the cells of `lowest`.
    """
    seen = np.isfinite(lowest)
    if not seen.any():
        void = np.full(lowest.shape, np.nan, np.float32)
        return Provisional(void, void.copy(), seen)
    base = np.float32(np.median(lowest[seen]))
    heights = np.where(seen, lowest - base, np.float32(np.nan)).astype(np.float32)
    sound = _sound(heights, seen, cell, settings)
    full = fill_gaps(np.where(sound, heights, np.float32(np.nan)))
    taken = sound & ~_cut_off(full, cell, settings) & ~_islands(full, cell, settings)
    if not taken.any():
        taken = sound
    taken = _grown(heights, taken, sound, cell, settings)
    surface, slope = _surface(heights, taken, cell)
    for _ in range(_TAKE_BACK):
        taken |= sound & is_ground(heights - surface, slope, settings)
        surface, slope = _surface(heights, taken, cell)
    return Provisional(surface + base, slope, taken)


def is_ground(
    height: NDArray[np.floating], slope: NDArray[np.floating], settings: FilterSettings
) -> Flags:
    """Whether returns lie near enough to the provisional ground.

    Parameters
    ----------
    height
        Height of each return over the provisional ground [m], negative below; NaN is not ground.
    slope
        Gradient of the provisional ground there [rise over run].
    settings
        Tolerances.
    """
    above = settings.threshold + settings.slope_scale * slope
    near: Flags = (height <= above) & (height >= -(above + settings.depth))
    return near


def over(ground: Provisional, grid: Grid, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
    """Heights of returns over the provisional ground [m], and its gradient there (n,) each.

    `grid` is the one that `ground` lies on.
    """
    return np.asarray(z) - sample(ground.surface, grid, x, y), sample(ground.slope, grid, x, y)


def sample(raster: Raster, grid: Grid, x: Floats, y: Floats) -> NDArray[np.float64]:
    """Bilinear value of a full raster at points; beyond its rim that of the nearest cell."""
    row = (grid.top - np.asarray(y)) / grid.cell - 0.5
    col = (np.asarray(x) - grid.left) / grid.cell - 0.5
    out: NDArray[np.float64] = ndimage.map_coordinates(
        raster, np.vstack((row, col)), output=np.float64, order=1, mode="nearest"
    )
    return out


def fill_gaps(raster: Raster) -> Raster:
    """Fill NaN cells with a smooth surface from the known ones, which stay as they are.

    The raster is averaged to half its size until nothing is missing; on the way back each gap
    starts from the coarser surface and is relaxed towards the mean of its neighbours: nearly a
    membrane (the Laplace equation). An all-NaN raster comes back as it is.
    """
    known = np.isfinite(raster)
    if known.all() or not known.any():
        return raster.astype(np.float32)
    out = np.where(known, raster, 0).astype(np.float32)
    rows, cols = out.shape
    padding = ((0, rows % 2), (0, cols % 2))
    quads = np.pad(out, padding).reshape(-(-rows // 2), 2, -1, 2)
    held = np.pad(known, padding).reshape(quads.shape).sum(axis=(1, 3))
    coarse = np.full(held.shape, np.nan, np.float32)
    np.divide(quads.sum(axis=(1, 3)), held, out=coarse, where=held > 0, casting="same_kind")
    kernel.spread(fill_gaps(coarse), known, out)
    kernel.relax(out, known, 20)
    return out


def _sound(heights: Raster, seen: Flags, cell: float, settings: FilterSettings) -> Flags:
    """Seen cells without false low returns; all of them where hardly any is seen."""
    radius, depth = max(1, round(settings.low_radius / cell)), np.float32(settings.low_depth)
    sound = seen
    while True:
        # false returns keep each other company, so look again once the lowest are gone
        low = kernel.lone_low(heights, sound, radius, depth)
        if not low.any():
            return sound
        sound = sound & ~low
        if not sound.any():
            return seen


def _surface(heights: Raster, taken: Flags, cell: float) -> tuple[Raster, Raster]:
    """Surface through the taken cells, and its gradient."""
    surface = fill_gaps(np.where(taken, heights, np.float32(np.nan)))
    smooth = ndimage.gaussian_filter(surface, _SLOPE_SIGMA / cell)
    # one cell more on two sides, since a gradient needs two of them
    down, right = np.gradient(np.pad(smooth, ((0, 1), (0, 1)), mode="edge"), cell)
    return surface, np.hypot(down, right)[:-1, :-1].astype(np.float32)


def _cut_off(heights: Raster, cell: float, settings: FilterSettings) -> Flags:
    """Cells that an opening lowers by more than terrain of the set slope could stand out."""
    widest = max(1, round(settings.window / cell))
    rim = 2 * max(1, round(_RIM / cell)) + 1
    eroded = np.pad(ndimage.minimum_filter(heights, rim, mode="nearest"), widest, mode="edge")
    eroded[widest:-widest, widest:-widest] = heights
    previous = eroded
    flagged = np.zeros(eroded.shape, np.bool_)
    for radius in range(1, widest + 1):
        eroded = kernel.step(eroded, radius % 2 == 0, True)
        opened = eroded
        for step in range(1, radius + 1):
            opened = kernel.step(opened, step % 2 == 0, False)
        flagged |= previous - opened > max(settings.least_cut, settings.slope * radius * cell)
        previous = opened
    return flagged[widest:-widest, widest:-widest]


def _islands(heights: Raster, cell: float, settings: FilterSettings) -> Flags:
    """Surfaces that lie higher than what is around them along most of their rim.

    A surface is what can be walked over without a step between cells; roofs too wide for the
    openings are such islands, while a terrace falls away on one side only.
    """
    step = settings.island_step * cell
    index = np.arange(heights.size, dtype=np.int32).reshape(heights.shape)
    pairs = [
        (index[:, :-1].ravel(), index[:, 1:].ravel()),
        (index[:-1].ravel(), index[1:].ravel()),
    ]
    one, other = (np.concatenate(side) for side in zip(*pairs, strict=True))
    z = heights.ravel()
    joined = np.abs(z[one] - z[other]) <= step
    links = sparse.coo_array(
        (np.ones(np.count_nonzero(joined), np.bool_), (one[joined], other[joined])),
        shape=(heights.size, heights.size),
    )
    count, label = sparse.csgraph.connected_components(links, directed=False)
    one, other = one[~joined], other[~joined]
    inside = label[one] != label[other]
    one, other = one[inside], other[inside]
    rim = np.bincount(label[one], minlength=count) + np.bincount(label[other], minlength=count)
    fall = np.bincount(label[np.where(z[one] > z[other], one, other)], minlength=count)
    sides = np.concatenate((index[0], index[-1], index[:, 0], index[:, -1]))
    hidden = np.bincount(label[sides], minlength=count)
    area = np.bincount(label, minlength=count) * cell**2
    island = (
        (area >= _LEAST_ISLAND)
        & (area <= settings.island_area)
        & (fall >= settings.island_share * np.maximum(rim, 1))
        & (hidden <= _HIDDEN_RIM * (rim + hidden))
    )
    flagged: Flags = island[label].reshape(heights.shape)
    return flagged


def _grown(
    heights: Raster, taken: Flags, sound: Flags, cell: float, settings: FilterSettings
) -> Flags:
    """Taken cells and those that the ground beside them runs on into."""
    # Median over the cells seen, so that water and other voids do not count.
    share = ndimage.uniform_filter(sound.astype(np.float32), 2 * round(15 / cell) + 1)
    spacing = 1 / np.sqrt(np.median(share[sound])) if sound.any() else 1.0  # cells
    planes = kernel.Planes(
        settings.grow_above,
        settings.grow_below,
        settings.grow_roughness,
        settings.grow_slope * cell,
    )
    for reach in _REACHES:
        radius = max(2, round(reach * spacing))
        more = kernel.run_on(heights, taken, sound, _half_discs(radius), planes)
        if not more.any():
            continue
        taken = taken | more
    return taken


def _half_discs(radius: int) -> kernel.HalfDiscs:
    """Rows and columns of a disc's cells from its centre, and the sector each lies in."""
    row, col = np.mgrid[-radius : radius + 1, -radius : radius + 1].reshape(2, -1)
    square = row**2 + col**2
    held = (square > 0) & (square <= radius**2)
    row, col = row[held], col[held]
    turn = np.arctan2(row, col) / (2 * np.pi) % 1
    sector = np.floor(turn * kernel.SECTORS + 1e-9).astype(np.int64) % kernel.SECTORS
    return kernel.HalfDiscs(row, col, sector)
