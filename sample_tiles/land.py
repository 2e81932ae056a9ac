"""Invented land whose truth is known.

The truth is a field of *contact density* λ [1/m]: a thin ray passes a stretch s of it untouched
with chance exp(-λ s) (Beer–Lambert). Land is made of a ground surface, bands of brush, tree crowns
and solid trunks; `pulses.fly` surveys it.

Everything is deterministic: arrays come from seeded generators, what kernels draw comes from a hash
of the voxel's own number, so neither the number of threads nor the order of work changes a thing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

CONE, DOME = 0, 1
"""Crown shapes: conifer and broadleaf."""

TREE = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("height", "f8"),  # m
        ("crown_base", "f8"),  # m
        ("crown_radius", "f8"),  # m
        ("density", "f8"),  # mean contact density inside the crown, 1/m
        ("shape", "i8"),  # CONE or DOME
        ("stem_radius", "f8"),  # m, at breast height
    ]
)

_SOLID = 60.0  # optical depth of a step inside wood: nothing passes
BLOCK = 8.0  # m, of the coarse map of vegetation tops that lets rays over grass end at once
_TAPER = 0.6  # share of its radius that a stem loses on the way to its top


@dataclass(frozen=True)
class Band:
    """Vegetation between two heights above ground: brush, saplings, a roof of branches.

    Attributes
    ----------
    density
        Contact density [1/m], one number or (rows, cols).
    low, high
        Heights above ground [m], rounded to whole layers.
    """

    density: float | NDArray[np.float32]
    low: float
    high: float


@dataclass(frozen=True)
class Land:
    """Ground and vegetation on one raster; row 0 is north.

    Attributes
    ----------
    left, top
        Outer corner of cell (0, 0) [m].
    cell, layer
        Side of a cell and height of a layer [m].
    ground
        Height at cell centres [m], (rows, cols).
    water
        Level of standing or running water [m], NaN where dry, (rows, cols).
    start
        Where the layers of each cell begin in `density`, (rows * cols + 1,).
    density
        Contact density [1/m] of the layers of all cells, from the ground up.
    stem_at
        Number of the stem in a cell or -1, (rows, cols).
    stems
        x, y, radius at the foot, height [m] of each solid stem, (stems, 4).
    ceiling
        Highest vegetation near each coarse block [m].
    """

    left: float
    top: float
    cell: float
    layer: float
    ground: NDArray[np.float32]
    water: NDArray[np.float32]
    start: NDArray[np.int64]
    density: NDArray[np.float32]
    stem_at: NDArray[np.int32]
    stems: Floats
    ceiling: NDArray[np.float32]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top [m]."""
        rows, cols = self.ground.shape
        return self.left, self.top - rows * self.cell, self.left + cols * self.cell, self.top

    def centres(self) -> tuple[Floats, Floats]:
        """Centre x and y of all cell centres, both (rows, cols)."""
        return cell_centres(self.bounds, self.cell)


def cell_centres(bounds: tuple[float, float, float, float], cell: float) -> tuple[Floats, Floats]:
    """Centre x and y of the cells over `bounds` (left, bottom, right, top); row 0 is north."""
    left, bottom, right, top = bounds
    cols, rows = round((right - left) / cell), round((top - bottom) / cell)
    x = left + (np.arange(cols) + 0.5) * cell
    y = top - (np.arange(rows) + 0.5) * cell
    return tuple(np.meshgrid(x, y))  # type: ignore[return-value]


def smooth_noise(
    shape: tuple[int, int], wavelength: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Smooth random surface of mean about 0 and standard deviation 1, (rows, cols).

    `wavelength` is the typical distance between hills, in cells.
    """
    spacing = max(wavelength / 2, 1.0)
    coarse = tuple(math.ceil(n / spacing) + 4 for n in shape)
    lattice = rng.standard_normal(coarse)
    rows = 1.5 + np.arange(shape[0]) / spacing
    cols = 1.5 + np.arange(shape[1]) / spacing
    places = np.meshgrid(rows, cols, indexing="ij")
    noise = ndimage.map_coordinates(lattice, places, order=3, mode="nearest")
    # The spline through white noise keeps about 0.55 of its variance between the knots.
    return (noise / 0.74).astype(np.float32)


def make_land(
    ground: NDArray[np.floating],
    left: float,
    top: float,
    *,
    cell: float = 0.5,
    layer: float = 0.25,
    trees: NDArray | None = None,
    bands: list[Band] | None = None,
    carve: list[tuple[NDArray[np.bool_], float, float]] | None = None,
    water: NDArray[np.floating] | None = None,
    clumping: float = 0.0,
    stems: bool = True,
    seed: int = 0,
) -> Land:
    """Build the truth.

    Parameters
    ----------
    ground
        Height at cell centres [m], (rows, cols), row 0 north.
    left, top
        Outer corner of cell (0, 0) [m].
    cell, layer
        Side of a cell and height of a layer [m].
    trees
        Records of `TREE`: crowns add to the density, stems are solid up to 0.9 of the height.
    bands
        Vegetation between two heights, added up.
    carve
        (mask (rows, cols), low, high): swept free of density between the heights [m] at the end;
        stems whose axis stands in the mask go if `low` is under 2 m.
    water
        Water level [m], NaN where dry. Nothing grows there, and few pulses come back.
    clumping
        Spread of the density from voxel to voxel in crowns: 0 none, 1 as wide as an exponential
        distribution of the same mean.
    stems
        False leaves out the solid stems.
    seed
        For the clumping.
    """
    ground = np.ascontiguousarray(ground, dtype=np.float32)
    shape = ground.shape
    trees = np.zeros(0, TREE) if trees is None else trees
    bands = [] if bands is None else bands
    wet = np.zeros(shape, bool) if water is None else np.isfinite(water)
    levels = np.full(shape, np.nan) if water is None else water

    maps = [
        (np.where(wet, 0, np.broadcast_to(np.float32(b.density), shape)).astype(np.float32), b)
        for b in bands
    ]
    tops = np.zeros(shape, np.int32)
    for density, band in maps:
        high = max(round(band.high / layer), round(band.low / layer) + 1)
        tops[density > 0] = np.maximum(tops[density > 0], high)
    crowns = np.stack([trees[name].astype(np.float64) for name in TREE.names], 1)
    _crown_tops(tops, crowns, left, top, cell, layer)
    tops[wet] = 0

    start = np.zeros(tops.size + 1, np.int64)
    np.cumsum(tops.ravel(), out=start[1:])
    field = np.zeros(start[-1], np.float32)
    _add_crowns(field, start, crowns, shape, left, top, cell, layer, clumping, np.uint64(seed))
    for density, band in maps:
        low = round(band.low / layer)
        _add_band(field, start, density.ravel(), low, max(round(band.high / layer), low + 1))

    stem_table = np.zeros((0, 4))
    if stems and len(trees):
        stem_table = np.stack(
            [trees["x"], trees["y"], trees["stem_radius"] * 1.1, trees["height"] * 0.9], 1
        ).astype(np.float64)
        stem_table = stem_table[stem_table[:, 2] > 0]
        stem_table = stem_table[~_in_mask(stem_table, wet, left, top, cell)]
    for mask, low, high in carve or []:
        _add_band(
            field, start, np.where(mask, np.float32(-np.inf), np.float32(0)).ravel(),
            round(low / layer), round(high / layer),
        )  # fmt: skip
        if low < 2.0:
            stem_table = stem_table[~_in_mask(stem_table, mask, left, top, cell)]
    np.maximum(field, 0.0, out=field)

    stem_at = np.full(shape, -1, np.int32)
    _mark_stems(stem_at, stem_table, left, top, cell)
    heights = (tops * layer).astype(np.float32)
    if len(stem_table):
        standing = stem_at >= 0
        heights[standing] = np.maximum(heights[standing], stem_table[stem_at[standing], 3])
    return Land(
        left, top, cell, layer, ground, np.asarray(levels, np.float32), start, field, stem_at,
        stem_table, _block_ceiling(heights, cell),
    )  # fmt: skip


def _block_ceiling(heights: NDArray[np.float32], cell: float) -> NDArray[np.float32]:
    """Highest vegetation within two blocks, which is farther than a ray drifts on its way up."""
    size = round(BLOCK / cell)
    rows, cols = (-(-n // size) for n in heights.shape)
    padded = np.zeros((rows * size, cols * size), np.float32)
    padded[: heights.shape[0], : heights.shape[1]] = heights
    blocks = padded.reshape(rows, size, cols, size).max((1, 3))
    return ndimage.maximum_filter(blocks, 5, mode="nearest")


def _in_mask(
    stems: Floats, mask: NDArray[np.bool_], left: float, top: float, cell: float
) -> NDArray[np.bool_]:
    row = np.floor((top - stems[:, 1]) / cell).astype(int)
    col = np.floor((stems[:, 0] - left) / cell).astype(int)
    inside = (row >= 0) & (row < mask.shape[0]) & (col >= 0) & (col < mask.shape[1])
    found = np.zeros(len(stems), bool)
    found[inside] = mask[row[inside], col[inside]]
    return found


@njit(cache=True)
def _crown_radius_at(h, height, base, radius, shape):
    """Radius [m] of a crown at height h [m]: a cone, or a dome drawn in towards its base."""
    if h <= base or h >= height:
        return 0.0
    below_top = (height - h) / (height - base)
    if shape == 0:
        return radius * below_top**0.85
    return radius * math.sqrt(below_top) * min(1.0, 0.45 + 3.0 * (1.0 - below_top))


@njit(cache=True)
def _crown_tops(tops, trees, left, top, cell, layer):
    rows, cols = tops.shape
    for k in range(trees.shape[0]):
        x, y, height, base, radius, shape = (
            trees[k, 0], trees[k, 1], trees[k, 2], trees[k, 3], trees[k, 4], int(trees[k, 6]),
        )  # fmt: skip
        first_layer = int(base / layer)
        last_layer = math.ceil(height / layer)
        for row in range(
            max(0, int((top - y - radius) / cell)), min(rows, int((top - y + radius) / cell) + 1)
        ):
            for col in range(
                max(0, int((x - radius - left) / cell)),
                min(cols, int((x + radius - left) / cell) + 1),
            ):
                away = math.hypot(left + (col + 0.5) * cell - x, top - (row + 0.5) * cell - y)
                for n in range(last_layer, first_layer, -1):
                    h = (n - 0.5) * layer
                    if away < _crown_radius_at(h, height, base, radius, shape):
                        tops[row, col] = max(tops[row, col], n)
                        break


@njit(cache=True)
def _add_crowns(field, start, trees, shape, left, top, cell, layer, clumping, seed):
    rows, cols = shape
    for k in range(trees.shape[0]):
        x, y, height, base, radius, density, form = (
            trees[k, 0], trees[k, 1], trees[k, 2], trees[k, 3], trees[k, 4], trees[k, 5],
            int(trees[k, 6]),
        )  # fmt: skip
        for row in range(
            max(0, int((top - y - radius) / cell)), min(rows, int((top - y + radius) / cell) + 1)
        ):
            for col in range(
                max(0, int((x - radius - left) / cell)),
                min(cols, int((x + radius - left) / cell) + 1),
            ):
                away = math.hypot(left + (col + 0.5) * cell - x, top - (row + 0.5) * cell - y)
                first = start[row * cols + col]
                layers = start[row * cols + col + 1] - first
                for n in range(int(base / layer), min(layers, math.ceil(height / layer))):
                    reach = _crown_radius_at((n + 0.5) * layer, height, base, radius, form)
                    if away < reach:
                        # Twigs and needles sit towards the outside of a crown.
                        value = density * (0.6 + 0.6 * away / reach)
                        if clumping > 0.0:
                            draw = uniform(seed, np.uint64(first + n), np.uint64(77))
                            value *= 1.0 - clumping + clumping * -math.log(1.0 - draw)
                        field[first + n] += value


@njit(cache=True)
def _add_band(field, start, density, low, high):
    for k in range(density.size):
        if density[k] != 0.0:
            for n in range(start[k] + low, min(start[k] + high, start[k + 1])):
                field[n] += density[k]


@njit(cache=True)
def _mark_stems(stem_at, stems, left, top, cell):
    rows, cols = stem_at.shape
    for k in range(stems.shape[0]):
        x, y, radius = stems[k, 0], stems[k, 1], stems[k, 2]
        for row in range(
            max(0, int((top - y - radius) / cell)), min(rows, int((top - y + radius) / cell) + 1)
        ):
            for col in range(
                max(0, int((x - radius - left) / cell)),
                min(cols, int((x + radius - left) / cell) + 1),
            ):
                stem_at[row, col] = k


# ---------------------------------------------------------------------------------------------
# Random numbers: a hash of (seed, pulse, use), so that no draw depends on the order of work.


@njit(cache=True)
def _mix(z):
    """Finish as the SplitMix64 generator (Steele, Lea & Flood 2014)."""
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@njit(cache=True)
def uniform(seed, number, use):
    """Uniform number in [0, 1)."""
    golden = np.uint64(0x9E3779B97F4A7C15)
    z = _mix(seed + golden * (number + np.uint64(1)))
    z = _mix(z + golden * (use + np.uint64(1)))
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


# ---------------------------------------------------------------------------------------------
# Looking things up


@njit(cache=True)
def _ground_at(ground, left, top, cell, x, y):
    """Bilinear between cell centres, level beyond the outermost ones."""
    rows, cols = ground.shape
    c = min(max((x - left) / cell - 0.5, 0.0), cols - 1.0)
    r = min(max((top - y) / cell - 0.5, 0.0), rows - 1.0)
    c0, r0 = min(int(c), cols - 2), min(int(r), rows - 2)
    fc, fr = c - c0, r - r0
    north = ground[r0, c0] * (1.0 - fc) + ground[r0, c0 + 1] * fc
    south = ground[r0 + 1, c0] * (1.0 - fc) + ground[r0 + 1, c0 + 1] * fc
    return north * (1.0 - fr) + south * fr


@njit(cache=True)
def depth_of_step(ground, start, density, stem_at, stems, left, top, cell, layer, x, y, z, length):
    """Optical depth of a short stretch around (x, y, z)."""
    rows, cols = ground.shape
    col = math.floor((x - left) / cell)
    row = math.floor((top - y) / cell)
    if row < 0 or col < 0 or row >= rows or col >= cols:
        return 0.0
    k = row * cols + col
    stem = stem_at[row, col]
    if start[k + 1] == start[k] and stem < 0:
        return 0.0
    h = z - _ground_at(ground, left, top, cell, x, y)
    if h < 0.0:
        return 0.0
    if stem >= 0 and h < stems[stem, 3]:
        radius = stems[stem, 2] * (1.0 - _TAPER * h / stems[stem, 3])
        if (x - stems[stem, 0]) ** 2 + (y - stems[stem, 1]) ** 2 < radius * radius:
            return _SOLID
    n = int(h / layer)
    if n >= start[k + 1] - start[k]:
        return 0.0
    return density[start[k] + n] * length


@njit(cache=True, parallel=True)
def _ground_many(ground, left, top, cell, x, y, out):
    for i in prange(x.size):
        out[i] = _ground_at(ground, left, top, cell, x[i], y[i])


def ground_at(land: Land, x: Floats, y: Floats) -> Floats:
    """Height of the true ground [m] at points, bilinear; level beyond the edge."""
    x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
    out = np.empty(x.size)
    _ground_many(land.ground, land.left, land.top, land.cell, x.ravel(), y.ravel(), out)
    return out.reshape(x.shape)


@njit(cache=True, parallel=True)
def _density_many(start, density, rows, cols, left, top, cell, layer, x, y, h, out):
    for i in prange(x.size):
        col = math.floor((x[i] - left) / cell)
        row = math.floor((top - y[i]) / cell)
        n = math.floor(h[i] / layer)
        out[i] = 0.0
        if row >= 0 and col >= 0 and row < rows and col < cols and n >= 0:
            k = row * cols + col
            if n < start[k + 1] - start[k]:
                out[i] = density[start[k] + n]


def density_at(land: Land, x: Floats, y: Floats, h: Floats) -> Floats:
    """Look up the true contact density [1/m] h metres above ground; no stems, 0 outside."""
    x, y, h = np.broadcast_arrays(*(np.asarray(v, float) for v in (x, y, h)))
    out = np.empty(x.size)
    rows, cols = land.ground.shape
    _density_many(
        land.start, land.density, rows, cols, land.left, land.top, land.cell, land.layer,
        x.ravel(), y.ravel(), h.ravel(), out,
    )  # fmt: skip
    return out.reshape(x.shape)


def density_columns(
    land: Land,
    bounds: tuple[float, float, float, float],
    cell: float,
    layers: int = 64,
    layer: float = 0.25,
) -> NDArray[np.float32]:
    """Average the true contact density [1/m] over the voxels of another raster.

    Shape (rows, cols, layers). `cell` and `layer` are best multiples of the land's own, whose
    cells inside each voxel are averaged.
    """
    fine_x, fine_y = cell_centres(bounds, min(cell, land.cell))
    times = max(1, round(cell / land.cell))
    up = max(1, round(layer / land.layer))
    out = np.zeros((fine_x.shape[0] // times, fine_x.shape[1] // times, layers), np.float32)
    for n in range(layers):
        for part in range(up):
            h = n * layer + (part + 0.5) * layer / up
            fine = density_at(land, fine_x, fine_y, np.float64(h))
            fine = fine[: out.shape[0] * times, : out.shape[1] * times]
            out[:, :, n] += fine.reshape(out.shape[0], times, out.shape[1], times).mean((1, 3)) / up
    return out


@njit(cache=True, parallel=True)
def _path_depths(
    ground, start, density, stem_at, stems, left, top, cell, layer, begin, end, step, out
):
    for i in prange(begin.shape[0]):
        dx = end[i, 0] - begin[i, 0]
        dy = end[i, 1] - begin[i, 1]
        dz = end[i, 2] - begin[i, 2]
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        pieces = max(1, math.ceil(length / step))
        depth = 0.0
        for j in range(pieces):
            t = (j + 0.5) / pieces
            depth += depth_of_step(
                ground, start, density, stem_at, stems, left, top, cell, layer,
                begin[i, 0] + t * dx, begin[i, 1] + t * dy, begin[i, 2] + t * dz,
                length / pieces,
            )  # fmt: skip
        out[i] = depth


def optical_depth(land: Land, begin: Floats, end: Floats, step: float = 0.0625) -> Floats:
    """Integrate λ along straight paths; a thin ray passes with chance exp(-depth).

    Parameters
    ----------
    begin, end
        x, y, z [m] of the ends, (paths, 3); z is a height above datum, not above ground.
    step
        Length of the pieces [m].
    """
    begin = np.ascontiguousarray(np.atleast_2d(begin), dtype=float)
    end = np.ascontiguousarray(np.atleast_2d(end), dtype=float)
    out = np.empty(len(begin))
    _path_depths(*kernel_fields(land), begin, end, step, out)
    return out


def kernel_fields(land: Land) -> tuple:
    """Unpack the land into what kernels take."""
    return (
        land.ground, land.start, land.density, land.stem_at, land.stems,
        land.left, land.top, land.cell, land.layer,
    )  # fmt: skip
