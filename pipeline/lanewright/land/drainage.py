"""Hollows, flow and drainage of a terrain model; what ground is wet is left to the stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import reconstruction

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.kernels.flow import flood, ranks, spread, steepest
from lanewright.kernels.relief import gradient

if TYPE_CHECKING:
    import pyflwdir


# Beven and Kirkby 1979 leave the index without bound on level ground; floor is common practice.
_LEAST_SLOPE = 0.001
# Value of no height, for the library's own filling of gaps.
_NO_DRAIN = -1e9
# Stretches shorter than this [m] are left out of the lines.
_LEAST_LINE = 5.0
_AROUND = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Flow:
    """How water runs over one surface; arrays (rows, cols) but for `order`.

    Attributes
    ----------
    surface
        Heights [m]; NaN unknown.
    depth
        Depth of closed hollows, filled to where they spill [m]; 0 elsewhere, NaN unknown.
    filled
        Heights once all hollows are full [m], but for the deep ones, which end the flow.
    came_from, order
        The flood that filled them, see `kernels.flow.flood`.
    """

    surface: NDArray[np.float64]
    depth: Raster
    filled: NDArray[np.float64]
    came_from: NDArray[np.uint8]
    order: NDArray[np.int64]


def fill(surface: Raster, sink_depth: float = np.inf) -> Flow:
    """Fill closed hollows up to where they spill; water that reaches unknown ground is gone.

    Parameters
    ----------
    surface : (rows, cols)
        Heights [m]; NaN is unknown and takes any water.
    sink_depth
        A hollow deeper than this [m] never spills: flow ends at its floor.

    Notes
    -----
    Every cell on the edge of known ground is an outlet. Were it to pass water on to the next one
    inside, slopes that run off the edge would gather false streams along it.

    A road on a bank dams a valley: its culvert is not in the model.

    Examples
    --------
    >>> bowl = np.full((5, 5), 9, dtype=np.float32)
    >>> bowl[1:4, 1:4] = [[5, 6, 4], [6, 3, 6], [7, 6, 5]]
    >>> bowl[3, 4] = 7
    >>> float(fill(bowl).depth.sum()), float(fill(bowl).depth.max())
    (15.0, 4.0)
    """
    heights = surface.astype(np.float64)
    known = np.isfinite(heights)
    edge = known & ~ndimage.binary_erosion(known, _AROUND)
    filled, came_from, order = flood(heights, edge)
    depth = filled - heights
    sinks = _floors(heights, depth, sink_depth)
    if sinks.any():
        filled, came_from, order = flood(heights, edge | sinks)
    return Flow(heights, depth.astype(np.float32), filled, came_from, order)


def deepest(
    depth: NDArray[np.floating], labels: NDArray[np.integer], count: int
) -> NDArray[np.float64]:
    """Greatest depth in each of the regions 1 to `count`; -inf for one without cells."""
    found = np.full(count + 1, -np.inf)
    held = labels > 0
    np.maximum.at(found, labels[held], depth[held])
    return found[1:]


def _floors(heights: NDArray[np.float64], depth: NDArray[np.float64], sink_depth: float) -> Flags:
    """Lowest cell of each hollow deeper than `sink_depth`."""
    labels, count = ndimage.label(depth > 0, _AROUND)
    floors = np.zeros(heights.shape, bool)
    if count:
        deep = np.flatnonzero(deepest(depth, labels, count) > sink_depth) + 1
        for place in ndimage.minimum_position(heights, labels, deep) if len(deep) else ():
            floors[place] = True
    return floors


def pond_floor(surface: Raster, rise: float) -> Flags:
    """Cells no higher than `rise` [m] above the floor of the hollow they lie in.

    A shallow hollow counts up to its spill, a deep one at its bottom only, and one within another
    by itself.
    """
    known = np.isfinite(surface)
    if not known.any():
        return known
    # Unknown ground is a wall here, so that it starts no flood of its own.
    ground = np.where(known, surface, np.nanmax(surface) + 2 * rise).astype(np.float64)
    risen = np.asarray(reconstruction(ground + rise, ground, method="erosion"))  # type: ignore[no-untyped-call]
    return known & (risen > ground)


@dataclass(frozen=True)
class Drainage:
    """Drainage of a terrain model.

    Attributes
    ----------
    upslope_area : (rows, cols)
        Land that drains through a cell [m2], itself included. Land beyond known ground is not
        counted: near the rim it is a least value.
    is_line : (rows, cols)
        Cells of drainage lines, water left out.
    height_above : (rows, cols)
        Height above the drainage line or water the cell drains to [m], never below 0. NaN where
        the way there leaves known ground first.
    lines
        `drain_id`, `order` (Strahler), `upslope_ha` at the lower end, `length_m`, `fall_pct`
        (below 0 on the way out of a hollow, which must fill before water passes).
    """

    upslope_area: Raster
    is_line: Flags
    height_above: Raster
    lines: gpd.GeoDataFrame


def drain(grid: Grid, flow: Flow, water: Flags, start_ha: float) -> Drainage:
    """Route water over a filled surface and say how high all ground stands above its drainage.

    Parameters
    ----------
    grid
        Georeference of the arrays.
    flow
        The surface, with water at its level, and its flood.
    water : (rows, cols)
        Open water: drainage too, but no line is drawn on it.
    start_ha
        Land upslope [ha] from which a drainage line begins.

    Notes
    -----
    D8 (O'Callaghan and Mark 1984) with steepest descent; height above drainage after
    Renno et al. 2008, Remote Sensing of Environment 112(9).
    """
    import pyflwdir  # here, for it takes a second to import and most commands do without

    surface = flow.surface
    known = np.isfinite(surface)
    if not known.any():
        blank = np.full(grid.shape, np.nan, np.float32)
        return Drainage(blank, known, blank, _lines(grid, []))
    rank = ranks(flow.order, grid.shape)
    way = pyflwdir.from_array(
        steepest(flow.surface, flow.filled, flow.came_from, rank),
        ftype="d8",
        check_ftype=False,
        transform=grid.transform,
        latlon=False,
    )
    area = np.where(known, way.upstream_area("cell") * grid.cell**2, np.nan)
    gathered = known & (area >= start_ha * 10_000)

    drains = gathered | (water & known)
    base = way.fillnodata(np.where(drains, surface, _NO_DRAIN), _NO_DRAIN, direction="up")
    height = np.where(known & (base != _NO_DRAIN), np.maximum(surface - base, 0), np.nan)
    return Drainage(
        area.astype(np.float32),
        gathered & ~water,
        height.astype(np.float32),
        _lines(grid, _segments(grid, way, gathered, water, area, surface)),
    )


def _segments(
    grid: Grid,
    way: pyflwdir.FlwdirRaster,
    gathered: Flags,
    water: Flags,
    area: NDArray[np.float64],
    surface: NDArray[np.float64],
) -> list[dict[str, object]]:
    """Stretches of drainage between confluences, cut where they cross water."""
    if not gathered.any():
        return []
    order = way.stream_order(mask=gathered)
    rows, cols = np.indices(grid.shape, dtype=np.float64)
    found = []
    for stretch in way.streams(mask=gathered, xs=cols, ys=rows):
        path = np.asarray(stretch["geometry"]["coordinates"]).astype(np.int64)
        for piece in _dry(path[:, ::-1], water):
            row, col = piece.T
            x, y = grid.xy(row, col)
            # The last cell is the confluence, or the shore: it belongs to what comes after.
            at = (row[-2], col[-2])
            line = shapely.LineString(np.column_stack((x, y))).simplify(grid.cell)
            if line.length < _LEAST_LINE:
                continue
            fall = surface[row[0], col[0]] - surface[row[-1], col[-1]]
            found.append(
                {
                    "order": int(order[at]),
                    "upslope_ha": float(area[at]) / 10_000,
                    "length_m": line.length,
                    "fall_pct": 100 * fall / line.length,
                    "geometry": line,
                }
            )
    return found


def _dry(path: NDArray[np.int64], water: Flags) -> list[NDArray[np.int64]]:
    """Runs of cells out of the water, each with the water cells it comes from and goes to."""
    wet = water[path[:, 0], path[:, 1]]
    starts = np.flatnonzero(~wet & np.concatenate(([True], wet[:-1])))
    ends = np.flatnonzero(~wet & np.concatenate((wet[1:], [True])))
    runs = [path[max(s - 1, 0) : e + 2] for s, e in zip(starts, ends, strict=True)]
    return [run for run in runs if len(run) > 1]


def _lines(grid: Grid, found: list[dict[str, object]]) -> gpd.GeoDataFrame:
    columns = ["order", "upslope_ha", "length_m", "fall_pct", "geometry"]
    lines = gpd.GeoDataFrame(found, columns=columns, geometry="geometry", crs=grid.crs)
    lines = lines.astype(
        {"order": np.int64, "upslope_ha": float, "length_m": float, "fall_pct": float}
    )
    lines = lines.sort_values("upslope_ha", ascending=False, kind="stable", ignore_index=True)
    lines.insert(0, "drain_id", np.arange(1, len(lines) + 1))
    return lines


def wetness_index(surface: Raster, cell: float, sink_depth: float = np.inf) -> Raster:
    """Topographic wetness index: ln of upslope area per metre of contour over slope.

    Parameters
    ----------
    surface : (rows, cols)
        Heights [m] of a coarse, smoothed model; NaN unknown.
    cell
        Side of a cell [m].
    sink_depth
        As for `fill`.

    Returns
    -------
    (rows, cols)
        The index, higher is wetter; NaN unknown. Land beyond known ground is not counted.

    Notes
    -----
    Beven and Kirkby 1979, Hydrol. Sci. Bull. 24(1). Water spreads over all lower neighbours
    (Freeman 1991), which leaves no streaks on even slopes.
    """
    flow = fill(surface, sink_depth)
    cells = spread(flow.surface, flow.filled, flow.came_from, flow.order)
    east, south = gradient(flow.filled.astype(np.float32), cell)
    return wetness(cells * cell, np.hypot(east, south)).astype(np.float32)


def wetness(
    area_per_metre: NDArray[np.floating], slope: NDArray[np.floating]
) -> NDArray[np.floating]:
    """ln(a / tan b), a in square metres per metre of contour, tan b as rise over run.

    >>> wetness(np.array([100.0]), np.array([0.01])).round(3)
    array([9.21])
    """
    return np.asarray(np.log(area_per_metre / np.maximum(slope, _LEAST_SLOPE)))
