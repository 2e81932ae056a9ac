"""Trees for invented land: where they stand, how large they are, and the survey of a whole km²."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from land import CONE, DOME, TREE, Band, cell_centres, make_land, smooth_noise
from pulses import Sensor, Strip, crop, fly, write_laz


@dataclass(frozen=True)
class Species:
    """What a kind of tree looks like; sizes as shares of its height, plausible from memory.

    Attributes
    ----------
    name
        As a forester calls it.
    shape
        `land.CONE` or `land.DOME`.
    height, spread
        Mean height and its standard deviation [m].
    base
        Height of the crown base over the height of the tree.
    radius
        Crown radius over the height of the tree.
    density
        Contact density in the crown without leaves, needles kept [1/m].
    stem
        Radius of the stem over the height of the tree.
    """

    name: str
    shape: int
    height: float
    spread: float
    base: float
    radius: float
    density: float
    stem: float


PINE = Species("white pine", CONE, 23.0, 2.5, 0.42, 0.15, 0.28, 0.0095)
CEDAR = Species("red cedar", CONE, 6.5, 1.8, 0.05, 0.20, 0.60, 0.0110)
OAK = Species("white oak", DOME, 20.0, 2.5, 0.36, 0.23, 0.11, 0.0100)
MAPLE = Species("red maple", DOME, 17.0, 2.5, 0.38, 0.21, 0.12, 0.0090)
HORNBEAM = Species("hornbeam", DOME, 8.5, 1.5, 0.16, 0.24, 0.22, 0.0060)


@njit(cache=True)
def _keep_apart(x, y, spacing, bucket):
    """Greedy choice, in order, of places no nearer to an earlier one than its own spacing."""
    west, south = x.min(), y.min()
    cols = int((x.max() - west) / bucket) + 1
    rows = int((y.max() - south) / bucket) + 1
    head = np.full((rows, cols), -1, np.int64)
    following = np.full(x.size, -1, np.int64)
    kept = np.zeros(x.size, np.bool_)
    for i in range(x.size):
        col = int((x[i] - west) / bucket)
        row = int((y[i] - south) / bucket)
        reach = int(spacing[i] / bucket) + 1
        free = True
        for r in range(max(0, row - reach), min(rows, row + reach + 1)):
            for c in range(max(0, col - reach), min(cols, col + reach + 1)):
                k = head[r, c]
                while k >= 0 and free:
                    if (x[k] - x[i]) ** 2 + (y[k] - y[i]) ** 2 < spacing[i] ** 2:
                        free = False
                    k = following[k]
        if free:
            kept[i] = True
            following[i] = head[row, col]
            head[row, col] = i
    return kept


def grow(
    spacing: NDArray[np.floating],
    bounds: tuple[float, float, float, float],
    mix: dict[Species, float | NDArray[np.floating]],
    rng: np.random.Generator,
    *,
    size: float = 1.0,
) -> tuple[NDArray, NDArray[np.str_]]:
    """Plant a wood.

    Parameters
    ----------
    spacing
        Least distance from a tree to its neighbours [m], NaN where none grows, (rows, cols).
    bounds
        Left, bottom, right, top of the array [m].
    mix
        Weight of each species, one number or (rows, cols).
    rng
        Draws everything.
    size
        Of all trees, against the species' usual one.

    Returns
    -------
    trees, species
        Records of `land.TREE` and the name of each one's species.
    """
    left, bottom, right, top = bounds
    rows, cols = spacing.shape
    finest = float(np.nanmin(spacing))
    tries = int((right - left) * (top - bottom) / finest**2 * 8)
    x, y = rng.uniform(left, right, tries), rng.uniform(bottom, top, tries)
    row = np.minimum(((top - y) / (top - bottom) * rows).astype(int), rows - 1)
    col = np.minimum(((x - left) / (right - left) * cols).astype(int), cols - 1)
    apart = spacing[row, col]
    grows = np.isfinite(apart)
    x, y, row, col, apart = x[grows], y[grows], row[grows], col[grows], apart[grows]
    kept = _keep_apart(x, y, apart.astype(float), 2.0)
    x, y, row, col = x[kept], y[kept], row[kept], col[kept]

    kinds = list(mix)
    weights = np.stack(
        [np.broadcast_to(np.asarray(mix[k], float), spacing.shape)[row, col] for k in kinds], 1
    )
    levels = np.cumsum(weights, 1) / weights.sum(1, keepdims=True)
    which = (rng.uniform(size=len(x))[:, None] > levels).sum(1)
    trait = {
        name: np.array([getattr(k, name) for k in kinds])[which]
        for name in ("shape", "height", "spread", "base", "radius", "density", "stem")
    }
    draw = np.clip(rng.standard_normal((4, len(x))), -2.2, 2.2)
    trees = np.zeros(len(x), TREE)
    trees["x"], trees["y"] = x, y
    trees["height"] = size * (trait["height"] + draw[0] * trait["spread"])
    trees["crown_base"] = trees["height"] * trait["base"] * (1 + 0.15 * draw[1])
    trees["crown_radius"] = trees["height"] * trait["radius"] * (1 + 0.15 * draw[2])
    trees["density"] = trait["density"] * (1 + 0.2 * draw[3])
    trees["shape"] = trait["shape"]
    trees["stem_radius"] = trees["height"] * trait["stem"]
    return trees, np.array([k.name for k in kinds])[which]


def survey_km2(folder: Path, density: float = 8.0, seed: int = 1) -> list[Path]:
    """Write four LAZ tiles of one hilly, half wooded square kilometre, for benchmarks.

    Coarser than the demo (cells of 1 m, layers of 0.5 m), so that it is made in about a minute.

    Parameters
    ----------
    folder
        Where the tiles go; made if need be.
    density
        Points, not pulses, per square metre over all.
    seed
        Another seed is another place.

    Returns
    -------
    list of Path
        The tiles, 500 m squares from the north-west in reading order.
    """
    left, bottom, margin = 600_000.0, 4_300_000.0, 16.0
    inner = (left, bottom, left + 1000.0, bottom + 1000.0)
    outer = (left - margin, bottom - margin, inner[2] + margin, inner[3] + margin)
    x, _ = cell_centres(outer, 1.0)
    rng = np.random.default_rng([seed, 1])
    ground = (
        220.0
        + 9.0 * smooth_noise(x.shape, 400, rng)
        + 1.5 * smooth_noise(x.shape, 90, rng)
        + 0.15 * smooth_noise(x.shape, 12, rng)
    )
    wooded = smooth_noise(x.shape, 250, rng)
    wooded = wooded > np.median(wooded)
    spacing = np.where(wooded, 6.0 + 1.2 * smooth_noise(x.shape, 60, rng), np.nan)
    spacing = np.clip(spacing, 3.5, 9.0)
    pines = ndimage.gaussian_filter((smooth_noise(x.shape, 150, rng) > 0.4).astype(float), 4)
    trees, _ = grow(spacing, outer, {PINE: pines, OAK: 1 - pines, MAPLE: 0.6}, rng)
    brush = np.where(wooded, np.clip(smooth_noise(x.shape, 30, rng) - 0.4, 0, 1.2), 0)
    woods = Band(np.where(wooded, 0.02, 0).astype(np.float32), 0.0, 6.0)
    land = make_land(
        ground, outer[0], outer[3], cell=1.0, layer=0.5, trees=trees, clumping=0.5, seed=seed,
        bands=[woods, Band(brush.astype(np.float32), 0.0, 2.5)],
    )  # fmt: skip

    def strips(pulses: float) -> list[Strip]:
        middle = left + 500.0
        return [
            Strip(middle, bottom + 250.0 + 500.0 * k, 90.0 + 180.0 * k, 1100.0, 18.0, pulses, k + 1)
            for k in range(2)
        ]

    # A thin survey first tells how many points a pulse brings, and how much the strips overlap.
    sample = fly(land, strips(0.02), seed=seed)
    per_pulse = len(crop(sample, inner)["x"]) / (0.02 * 1e6)
    sensor = Sensor(unclassified=0.02, stray=2e-5)
    points = fly(land, strips(density / per_pulse), sensor, seed=seed)
    tiles = []
    for north in (1, 0):
        for east in (0, 1):
            corner = (left + 500.0 * east, bottom + 500.0 * north)
            tile = folder / f"km2_{east}{north}.laz"
            write_laz(tile, crop(points, (*corner, corner[0] + 500.0, corner[1] + 500.0)))
            tiles.append(tile)
    return tiles
