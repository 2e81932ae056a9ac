"""Buildings: those that the survey classified, and raised flat patches that no pulse passes.

Vendors often leave buildings unclassified. A roof shows by three things that a crown does not have
together: its returns lie in a plane (Rottensteiner & Briese 2002, ISPRS Archives 34-3A; Zhang, Yan
& Chen 2006, IEEE Trans. Geoscience and Remote Sensing 44), no pulse reaches the ground through it,
and nearly every return is the only one of its pulse. Numbers and their reasons are in
`settings/buildings.py`.

Planes are fitted to the returns of squares 3 m wide around every metre cell, through sums of their
coordinates' products, so that neither the order of points nor of blocks matters. What is within a
good square and is itself closed is roof; roof cells that touch make a building if they are large
enough and fall off steeply around.

What this misses: roofs under crowns, houses in woods so dense that no pulse reaches the ground
beside them, roofs of thatch or glass, sheds narrower than 3 m. What it takes for buildings besides:
decks of bridges that nobody classified, containers, large flat rocks that stand free. On open lidar
with buildings classified it finds 71 to 86 % of their ground, and 91 to 99 % of what it finds is
theirs (tests/growth/test_buildings.py). The walk decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import outlines
from lanewright.growth.pulses import PointSource
from lanewright.kernels import columns as kernels
from lanewright.settings.buildings import BuildingSettings
from lanewright.sources.points import Points

CELL = 1.0  # m, about; a whole number of the run's cells
WINDOW = 3  # cells across the square that a plane is fitted to
BUILDING = 6
MAYBE = (0, 1, 3, 4, 5, 12)  # classes that hold buildings where a vendor did not look for them
LOOSE = (7, 17, 18)  # noise and bridges
STEEPEST = 1.75  # rise over run of a roof, 60 degrees; what is steeper is a wall or a crown
LOW = 1.0  # m over the ground beside a building at which some return must lie
BLOCK = 200.0  # m of land read at once

SOURCES = ("class 6", "raised flat patch")


@dataclass(frozen=True)
class _Sums:
    """What the returns of each cell add up to (rows, cols).

    Attributes
    ----------
    grid
        Cells of about a metre.
    moments
        Of high returns: count, x, y, z, xx, xy, yy, xz, yz, zz (10, rows, cols).
    single
        High returns that were the only one of their pulse.
    last, last_high
        Last returns, and those of them that are high.
    lowest, highest
        Height over the ground of the lowest and of the highest return [m]; infinite without any.
    classified
        Returns of class 6.
    """

    grid: Grid
    moments: NDArray[np.float64]
    single: NDArray[np.float64]
    last: NDArray[np.float64]
    last_high: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    classified: NDArray[np.float64]


def find_buildings(
    points: PointSource,
    grid: Grid,
    ground: Raster,
    settings: BuildingSettings,
    *,
    heights_given: bool = False,
) -> gpd.GeoDataFrame:
    """Outlines of buildings.

    Parameters
    ----------
    points
        The survey's returns (`survey.points`).
    grid
        Georeference of `ground`.
    ground : (rows, cols)
        Height of the ground [m], `ground.surface` (of the land, not of water over it); NaN is void,
        and nothing is found there.
    settings
        What is taken for a roof.
    heights_given
        The points' z is height over the ground already (`survey.heights_given`).

    Returns
    -------
    GeoDataFrame
        `source` (one of `SOURCES`), `area_m2`, `height_m` (of the highest return over the ground),
        Polygon; largest first. `frame.union_all()` is the ground that buildings stand on.
    """
    sums = _gathered(points, grid, ground, settings.lowest, heights_given)
    classified = _classified(sums, settings)
    kinds = [(SOURCES[0], classified)]
    if settings.find:
        found = _roofs(sums, settings)
        # A patch beside or over a classified building is its eaves, not another building.
        near = ndi.binary_dilation(classified, np.ones((3, 3), bool))
        label, _ = _label(found)
        known = np.unique(label[near & found])
        kinds.append((SOURCES[1], found & ~np.isin(label, known[known > 0])))
    rows, shapes = [], []
    for source, mask in kinds:
        label, _ = _label(mask)
        for number, shape in enumerate(outlines(label, sums.grid), start=1):
            height = float(sums.highest[label == number].max())
            rows.append((source, shape.area, height))
            shapes.append(max(shape.geoms, key=lambda part: part.area))
    order = sorted(range(len(rows)), key=lambda k: (-rows[k][1], shapes[k].bounds))
    return gpd.GeoDataFrame(
        {
            name: [rows[k][column] for k in order]
            for column, name in enumerate(("source", "area_m2", "height_m"))
        },
        geometry=[shapes[k] for k in order],
        crs=grid.crs,
    )


def _gathered(
    points: PointSource, grid: Grid, ground: Raster, lowest: float, heights_given: bool
) -> _Sums:
    """Add the returns up by cell, block by block."""
    coarse = grid.coarser(max(1, round(CELL / grid.cell)))
    size = coarse.rows * coarse.cols
    sums = _Sums(
        coarse,
        moments=np.zeros((10, size)),
        single=np.zeros(size),
        last=np.zeros(size),
        last_high=np.zeros(size),
        lowest=np.full(size, np.inf),
        highest=np.full(size, -np.inf),
        classified=np.zeros(size),
    )
    for row, col, rows, cols in points.blocks(BLOCK):
        block = points.read(grid.window(row, col, rows, cols).bounds)
        under = np.empty(len(block))
        kernels.bilinear(ground, grid.left, grid.top, grid.cell, block.x, block.y, under)
        above = block.z if heights_given else block.z - under
        _add(sums, block, above, lowest)
    flat = {name: value for name, value in vars(sums).items() if name != "grid"}
    shape = coarse.shape
    return _Sums(coarse, **{k: v.reshape(*v.shape[:-1], *shape) for k, v in flat.items()})


def _add(sums: _Sums, points: Points, above: Floats, lowest: float) -> None:
    """Add a block's returns to flat sums."""
    grid = sums.grid
    row, col = grid.rowcol(points.x, points.y)
    kept = np.isfinite(above) & ~np.isin(points.classification, LOOSE)
    kept &= (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    cell = (row * grid.cols + col)[kept]
    above, kind = above[kept], points.classification[kept]
    size = sums.single.size

    def count(chosen: Flags) -> NDArray[np.float64]:
        return np.bincount(cell[chosen], minlength=size).astype(np.float64)

    high = (above >= lowest) & np.isin(kind, MAYBE)
    last = points.return_number[kept] == points.returns[kept]
    sums.single[:] += count(high & (points.returns[kept] == 1))
    sums.last[:] += count(last)
    sums.last_high[:] += count(last & high)
    sums.classified[:] += count(kind == BUILDING)
    np.minimum.at(sums.lowest, cell, above)
    np.maximum.at(sums.highest, cell, above)
    # From the north-west corner: products of metres, not of millions of them.
    x, y = points.x[kept][high] - grid.left, points.y[kept][high] - grid.top
    z = points.z[kept][high]
    for k, value in enumerate((np.ones_like(x), x, y, z, x * x, x * y, y * y, x * z, y * z, z * z)):
        sums.moments[k] += np.bincount(cell[high], value, size)


def _classified(sums: _Sums, settings: BuildingSettings) -> Flags:
    """Cells of buildings that the survey classified; gaps between returns closed."""
    mask = sums.classified > 0
    mask = ndi.binary_closing(np.pad(mask, 2), np.ones((3, 3), bool))[2:-2, 2:-2]
    return _large(np.asarray(ndi.binary_fill_holes(mask)), settings.classified_area, sums.grid)


def _roofs(sums: _Sums, settings: BuildingSettings) -> Flags:
    """Cells of roofs that nobody classified."""
    square = np.ones((WINDOW, WINDOW), bool)
    rough, steep, returns = _plane(sums.moments)
    with np.errstate(invalid="ignore", divide="ignore"):
        closed = _box(sums.last_high) / _box(sums.last)
        single = _box(sums.single) / returns
        own = sums.last_high / sums.last
    firm = (closed >= settings.closed) & (single >= settings.single)
    flat = firm & (returns >= settings.fewest) & (rough <= settings.rough) & (steep <= STEEPEST)
    solid = np.nan_to_num(own, nan=1.0) > 0.5
    flat = ndi.binary_dilation(flat, square) & solid
    # From the flat parts on over ridges, steps and chimneys, as far as no pulse passes.
    roof = (ndi.binary_dilation(firm, square) & solid) | flat
    roof = ndi.binary_closing(np.pad(roof, 2), np.ones((3, 3), bool))[2:-2, 2:-2]
    roof = ndi.binary_opening(np.asarray(ndi.binary_fill_holes(roof)), square)
    roof = _large(roof, settings.least_area, sums.grid)
    roof = _flat_enough(roof, flat, settings.flat)
    return _stepped(roof, sums.lowest, settings.step)


def _plane(moments: NDArray[np.float64]) -> tuple[Floats, Floats, Floats]:
    """Spread about the plane of each cell's square [m], its steepness, and its returns."""
    n, x, y, z, xx, xy, yy, xz, yz, zz = (_box(m) for m in moments)
    with np.errstate(invalid="ignore", divide="ignore"):
        x, y, z = x / n, y / n, z / n
        xx, xy, yy = xx / n - x * x, xy / n - x * y, yy / n - y * y
        xz, yz, zz = xz / n - x * z, yz / n - y * z, zz / n - z * z
        # Returns in a row hold no plane.
        area = xx * yy - xy * xy
        area = np.where(area > 0.01, area, np.nan)
        a, b = (xz * yy - yz * xy) / area, (yz * xx - xz * xy) / area
        left = np.maximum(zz - a * xz - b * yz, 0.0) * n / np.maximum(n - 3, 1)
        return np.nan_to_num(np.sqrt(left), nan=np.inf), np.nan_to_num(np.hypot(a, b)), n


def _box(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum over the square around each cell."""
    padded = np.pad(values, WINDOW // 2)
    view = np.lib.stride_tricks.sliding_window_view(padded, (WINDOW, WINDOW))
    return np.asarray(view.sum((2, 3)))


def _label(mask: Flags) -> tuple[NDArray[np.int32], int]:
    label, count = ndi.label(mask)
    return np.asarray(label, np.int32), int(count)


def _large(mask: Flags, least: float, grid: Grid) -> Flags:
    label, _ = _label(mask)
    area = np.bincount(label.ravel()) * grid.cell**2
    return np.asarray((label > 0) & (area[label] >= least))


def _flat_enough(mask: Flags, flat: Flags, share: float) -> Flags:
    """Patches of which at least a share is flat."""
    label, count = _label(mask)
    good = np.bincount(label[flat], minlength=count + 1) >= share * np.bincount(label.ravel())
    return np.asarray(mask & good[label])


def _stepped(mask: Flags, lowest: NDArray[np.float64], share: float) -> Flags:
    """Patches beside whose edge, within two cells, returns come down to the ground."""
    label, count = _label(mask)
    # The ring next to a wall may hold the eaves alone: the lowest of it and its neighbours counts.
    outside = ndi.minimum_filter(np.where(mask, np.inf, lowest), 3, mode="nearest")
    ring = ndi.binary_dilation(mask, np.ones((3, 3), bool)) & ~mask & np.isfinite(outside)
    owner = ndi.maximum_filter(label, 3)
    every = np.bincount(owner[ring], minlength=count + 1)
    falls = np.bincount(owner[ring & (outside < LOW)], minlength=count + 1)
    return np.asarray(mask & (falls >= share * every)[label])
