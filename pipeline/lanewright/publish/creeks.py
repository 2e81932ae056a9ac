"""Creeks as people see them: one smooth line each, out of stretches between confluences."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats
from lanewright.features.naming import CREEK

GAP = 15.0
"""Metres of open water that may lie between two stretches of one creek; ours."""
AWAY = 1.25
"""Cells that a smooth line lies off the one that it is made of, at the most."""

_SIGMA = 2.0  # cells along the line over which it is smoothed
_MOVE, _COARSE = 1.0, 0.25  # cells that smoothing and leaving out corners may take: AWAY together


def as_creeks(lines: gpd.GeoDataFrame, cell: float, least: float = CREEK) -> gpd.GeoDataFrame:
    """The layer `drainage` with each creek in one piece and every line without stair steps.

    Parameters
    ----------
    lines
        Stretches between confluences and shores, in the columns of the layer; each runs down.
    cell
        Side of the cells that they follow [m].
    least
        Hectares that drain to a stretch of a creek.

    Returns
    -------
    geopandas.GeoDataFrame
        Stretches of a creek are joined down the way that most water comes; the joined line has the
        upslope area of its lower end, and its fall is that of its stretches.
        `drain_id` counts anew from the most upslope area down.
    """
    if not len(lines):
        return lines
    ends = np.array([shapely.get_coordinates(line)[[0, -1]] for line in lines.geometry])
    area = lines["upslope_ha"].to_numpy(float)
    rows = []
    for stem in stems(ends, area, least):
        mine = lines.iloc[stem]
        way = np.concatenate([shapely.get_coordinates(line) for line in mine.geometry])
        way = way[np.r_[True, (np.diff(way, axis=0) != 0).any(1)]]
        line = smooth(way, cell)
        length = mine["length_m"].to_numpy(float)
        rows.append(
            {
                "order": int(mine["order"].max()),
                "upslope_ha": float(area[stem[-1]]),
                "length_m": line.length,
                "fall_pct": float((mine["fall_pct"] * length).sum() / length.sum()),
                "geometry": line,
            }
        )
    made = gpd.GeoDataFrame(rows, geometry="geometry", crs=lines.crs)
    made = made.sort_values("upslope_ha", ascending=False, kind="stable", ignore_index=True)
    made.insert(0, "drain_id", np.arange(1, len(made) + 1))
    return made


def stems(ends: Floats, area: Floats, least: float) -> list[list[int]]:
    """Stretches in the order of flow, those of a creek together.

    Parameters
    ----------
    ends : (n, 2, 2)
        Where each begins and ends.
    area : (n,)
        What drains to the lower end of each [ha].
    least
        Of a creek [ha].
    """
    starts = cKDTree(ends[:, 0])
    down = np.full(len(ends), -1)
    for i, near in enumerate(starts.query_ball_point(ends[:, 1], GAP)):
        on = [j for j in near if j != i and area[j] >= area[i] >= least]
        if on:
            down[i] = min(on, key=lambda j: (float(np.hypot(*(ends[j, 0] - ends[i, 1]))), j))
    main = np.full(len(ends), -1)  # of those that run into a stretch, the one with most water
    for i in np.lexsort((np.arange(len(ends)), area)):
        if down[i] >= 0:
            main[down[i]] = i
    made = []
    for i in range(len(ends)):
        if main[i] >= 0:
            continue
        stem = [i]
        while down[stem[-1]] >= 0 and main[down[stem[-1]]] == stem[-1]:
            stem.append(int(down[stem[-1]]))
        made.append(stem)
    return made


def smooth(way: Floats, cell: float) -> shapely.LineString:
    """A line along corners (n, 2) without their steps, its ends kept, at most `AWAY` cells off."""
    points = shapely.get_coordinates(shapely.segmentize(shapely.LineString(way), cell))
    eased = gaussian_filter1d(points, _SIGMA, axis=0, mode="nearest")
    eased[[0, -1]] = points[[0, -1]]
    moved = eased - points
    size = np.hypot(*moved.T)[:, None]
    points = points + moved * np.minimum(1.0, _MOVE * cell / np.maximum(size, 1e-9))
    return shapely.LineString(points).simplify(_COARSE * cell)
