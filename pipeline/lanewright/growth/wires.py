"""Possible power lines: returns that the vendor calls wire, and straight rows in the air.

Vendors seldom classify wires, so rows are looked for too: returns at wire height with nothing
between them and the ground, in a straight row. A row is straight where, of the spread of the
returns around each, nearly all is along one direction. Brightness would help, but is not kept with
the points. Wires within or just over crowns are not found: no result means nothing.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats
from lanewright.kernels import columns as kernels
from lanewright.land.survey import Survey

LOW, HIGH = 4.5, 30.0  # m over the ground; distribution lines hang at 5 to 15 m, from memory
CLEAR = 1.5  # m over the ground from which something else in the column ends the search
THICK = 1.0  # m that returns of one wire, or of those beside it, may differ in height in a column
COLUMN = 1.0  # m
NEAR = 5.0  # m within which a return's row is judged
FEWEST = 4  # returns for that
STRAIGHT = 0.01  # spread across a row over spread along it, both squared
TURN = 20.0  # degrees between a return's row and the next
GAP = 12.0  # m between returns of one wire
LONG = 30.0  # m that a row must run
VENDOR_FEWEST = 3
COLUMNS = ("source", "returns", "height_m", "length_m")


def find_wires(survey: Survey, ground: NDArray[np.float32]) -> gpd.GeoDataFrame:
    """Possible wires of a survey.

    Parameters
    ----------
    survey
        With its points and the vendor's wire returns.
    ground
        Height of the ground [m] (rows, cols).

    Returns
    -------
    GeoDataFrame
        `source` ("class 13 or 14", "row of returns"), `returns`, `height_m` (lowest over the
        ground), `length_m`; MultiLineString along the returns.
    """
    grid = survey.grid
    kinds = [("class 13 or 14", _joined(survey.wires, GAP * 2, VENDOR_FEWEST))]
    if survey.points is not None:
        loose = [np.empty((0, 3))]
        for _, block in survey.points.windows(400.0):
            under = np.empty(len(block.x))
            kernels.bilinear(ground, grid.left, grid.top, grid.cell, block.x, block.y, under)
            z = block.z if survey.heights_given else block.z - under
            plant = np.isin(block.classification, (0, 1, 3, 4, 5))
            loose.append(alone(np.column_stack([block.x, block.y, z])[plant & np.isfinite(z)]))
        kinds.append(("row of returns", rows_of(np.concatenate(loose))))
    rows, shapes = [], []
    for source, groups in kinds:
        for points in groups:
            line = _along(points)
            if source == "row of returns" and line.length < LONG:
                continue
            height = points[:, 2]
            if source == "class 13 or 14" and not survey.heights_given:
                under = np.empty(len(points))
                kernels.bilinear(
                    ground,
                    grid.left,
                    grid.top,
                    grid.cell,
                    points[:, 0].copy(),
                    points[:, 1].copy(),
                    under,
                )
                height = height - under
            rows.append(
                {
                    "source": source,
                    "returns": len(points),
                    "height_m": float(np.nanmin(height)) if np.isfinite(height).any() else np.nan,
                    "length_m": float(line.length),
                }
            )
            shapes.append(line)
    return gpd.GeoDataFrame(
        {name: [r[name] for r in rows] for name in COLUMNS},
        geometry=shapes,
        crs=grid.crs,
    )


def no_wires() -> gpd.GeoDataFrame:
    """The table of wires of a land without any."""
    return gpd.GeoDataFrame({name: [] for name in COLUMNS}, geometry=[])


def alone(points: Floats) -> Floats:
    """Returns at wire height with nothing else in their column, x, y, height over ground (n, 3)."""
    above = points[points[:, 2] > CLEAR]
    if len(above) == 0:
        return above
    cell = np.floor(above[:, :2] / COLUMN).astype(np.int64)
    cell -= cell.min(0)
    wide = int(cell[:, 1].max()) + 1
    key = cell[:, 0] * wide + cell[:, 1]
    low, high = np.full(int(key.max()) + 1, np.inf), np.full(int(key.max()) + 1, -np.inf)
    np.minimum.at(low, key, above[:, 2])
    np.maximum.at(high, key, above[:, 2])
    fits = (low >= LOW) & (high <= HIGH) & (high - low <= THICK)
    return np.asarray(above[fits[key]])


def rows_of(points: Floats) -> list[Floats]:
    """Straight rows among loose returns, each x, y, height (n, 3)."""
    if len(points) < FEWEST:
        return []
    tree = cKDTree(points)
    near = tree.query_ball_point(points, NEAR)
    straight, way = np.zeros(len(points), bool), np.zeros((len(points), 2))
    for i, around in enumerate(near):
        if len(around) < FEWEST:
            continue
        spread, axes = np.linalg.eigh(np.cov(points[around].T))
        level = np.hypot(axes[0, 2], axes[1, 2])
        straight[i] = spread[1] <= STRAIGHT * spread[2] and level > 0.97 and spread[2] > 1.0
        way[i] = axes[:2, 2] / max(level, 1e-9)
    keep = np.flatnonzero(straight)
    if keep.size < FEWEST:
        return []
    kept, way = points[keep], way[keep]
    pairs = cKDTree(kept).query_pairs(GAP, output_type="ndarray")
    step = kept[pairs[:, 1], :2] - kept[pairs[:, 0], :2]
    size = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)
    cosine = np.cos(np.radians(TURN))
    on = np.ones(len(pairs), bool)
    for end in (0, 1):
        ahead = np.abs((step * way[pairs[:, end]]).sum(1)) / size
        on &= (ahead >= cosine) | (size < 1.0)
    pairs = pairs[on]
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(kept), len(kept)))
    _, group = connected_components(links, directed=False)
    return [kept[group == g] for g in np.unique(group) if (group == g).sum() >= 2 * FEWEST]


def _joined(points: Floats, gap: float, fewest: int) -> list[Floats]:
    """Returns in groups whose members lie within `gap` of each other."""
    if len(points) < fewest:
        return []
    pairs = cKDTree(points[:, :2]).query_pairs(gap, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(points),) * 2)
    _, group = connected_components(links, directed=False)
    return [points[group == g] for g in np.unique(group) if (group == g).sum() >= fewest]


def _along(points: Floats) -> shapely.MultiLineString:
    """Lines along returns: the shortest that join them all."""
    spot = np.unique(np.round(points[:, :2]), axis=0)
    if len(spot) < 2:
        x, y = spot[0]
        return shapely.MultiLineString([[(x, y), (x + 0.5, y)]])
    # Whole numbers of 32 bits are all that older releases of csgraph take.
    pairs = cKDTree(spot).query_pairs(3 * GAP, output_type="ndarray").astype(np.int32)
    size = np.hypot(*(spot[pairs[:, 0]] - spot[pairs[:, 1]]).T)
    links = coo_array((size, (pairs[:, 0], pairs[:, 1])), (len(spot),) * 2).tocsr()
    edges = minimum_spanning_tree(links).tocoo()
    ends = np.stack([spot[edges.row], spot[edges.col]], axis=1)
    merged = shapely.line_merge(shapely.MultiLineString(list(ends)))
    merged = merged.simplify(1.0)
    parts = [p for p in shapely.get_parts(merged) if p.length > 0]
    return shapely.MultiLineString(parts)
