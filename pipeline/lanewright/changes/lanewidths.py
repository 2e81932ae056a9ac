"""Lanes that opened, narrowed or closed between two surveys, and when the next ones close."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Raster
from lanewright.base.grid import Grid
from lanewright.base.rows import Row
from lanewright.changes.earlier import Earlier
from lanewright.growth.lanes import Lanes

OPENED, CLOSED, NARROWER, WIDER, AS_BEFORE = STATES = (
    "opened",
    "closed",
    "narrower",
    "wider",
    "as before",
)

STEP = 2.0
"""Distance of the places along a lane where its width is compared [m]."""

MOST_OPEN = 0.5
"""A lane is open where this share of it is."""

SURE = 2.0
"""Standard errors by which a width must have changed to be called narrower or wider."""


def widths_since(
    lanes: Lanes, earlier: Earlier, width_then: Raster, grid: Grid, years: float
) -> gpd.GeoDataFrame:
    """Today's lanes with their width then, and lanes of then that are closed.

    Parameters
    ----------
    lanes
        Today's lanes and free width.
    earlier
        Lanes of the earlier survey, and the width from which it called one open.
    width_then : (rows, cols)
        Free width of the earlier survey, moved over today's [m]; NaN unknown.
    grid
        Georeference.
    years
        Between both surveys; NaN where not known, or where leaves may make the difference: then
        nothing is given per year.

    Returns
    -------
    GeoDataFrame
        `change_id`, `lane_id` (today's; missing for a closed lane), `state` (one of `STATES`),
        `width_then_m`, `width_now_m` (medians along the lane), `m_per_year`, `error_m_per_year`,
        `closes_in_years` (until half of it is too narrow to be open, if it goes on so; missing
        where the change is not sure or the lane is closed already); LineString.
    """
    rows: list[Row] = []
    shapes: list[shapely.LineString] = []
    open_from = earlier.lane_width
    for number, line in zip(lanes.lanes["lane_id"], lanes.lanes.geometry, strict=True):
        row = _compared(line, lanes.free_width, width_then, grid, years, open_from)
        if row is not None:
            rows.append({"lane_id": int(number)} | row)
            shapes.append(line)
    for line in earlier.lanes.geometry:
        row = _compared(line, lanes.free_width, width_then, grid, years, open_from)
        if row is not None and row["state"] == CLOSED:
            rows.append({"lane_id": None} | row)
            shapes.append(line)
    table = pd.DataFrame(rows, columns=list(_COLUMNS)).astype(_COLUMNS)
    table.insert(0, "change_id", np.arange(1, len(table) + 1, dtype=np.int64))
    return gpd.GeoDataFrame(table, geometry=shapes, crs=grid.crs)


_COLUMNS = {
    "lane_id": "Int64",
    "state": "str",
    "width_then_m": "float64",
    "width_now_m": "float64",
    "m_per_year": "float64",
    "error_m_per_year": "float64",
    "closes_in_years": "float64",
}


def _compared(
    line: shapely.LineString,
    now: Raster,
    then: Raster,
    grid: Grid,
    years: float,
    open_from: float,
) -> Row | None:
    """One lane in both surveys; None where either knows too little of it."""
    places = np.arange(STEP / 2, line.length, STEP)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, places))
    row, col = grid.rowcol(points[:, 0], points[:, 1])
    after, before = _widest_beside(now, row, col), _widest_beside(then, row, col)
    known = np.isfinite(after) & np.isfinite(before)
    if known.sum() < max(5, 0.5 * len(places)):
        return None
    after, before = after[known], before[known]
    change = after - before
    # Widths along a lane go together over about the width itself: fewer are independent.
    apart = max(1.0, float(np.median(after)) / STEP)
    error = float(change.std(ddof=1)) / np.sqrt(max(2.0, len(change) / apart))
    mean = float(change.mean())
    sure = abs(mean) > SURE * error and error > 0
    state = _state(before >= open_from, after >= open_from, mean if sure else 0.0)
    closing = sure and mean < 0 and state != CLOSED
    return {
        "state": state,
        "width_then_m": float(np.median(before)),
        "width_now_m": float(np.median(after)),
        "m_per_year": mean / years,
        "error_m_per_year": error / years,
        "closes_in_years": (
            max(0.0, float(np.median(after)) - open_from) / (-mean / years) if closing else np.nan
        ),
    }


def _state(before: NDArray[np.bool_], after: NDArray[np.bool_], change: float) -> str:
    was, is_open = (free.mean() >= MOST_OPEN for free in (before, after))
    if is_open and not was:
        return OPENED
    if was and not is_open:
        return CLOSED
    return NARROWER if change < 0 else WIDER if change > 0 else AS_BEFORE


def _widest_beside(
    width: Raster, row: NDArray[np.int64], col: NDArray[np.int64]
) -> NDArray[np.float32]:
    """Largest free width at a cell and its neighbours, since middles lie a cell off."""
    padded = np.pad(width, 1, constant_values=np.nan)
    around = np.stack([padded[row + r, col + c] for r in range(3) for c in range(3)])
    known = np.isfinite(around).any(axis=0)
    widest = np.where(np.isfinite(around), around, -1).max(axis=0)
    return np.where(known, widest, np.nan).astype(np.float32)
