"""Stage lanes: free width at throwing height, lanes along its ridges, openings.

What counts as free is decided in `freewidth`, centre lines come from `centrelines`; this module
measures lanes and names their kinds.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags
from lanewright.base.grid import Grid
from lanewright.base.units import FOOT
from lanewright.growth.centrelines import (
    Path,
)
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, trunk_cells
from lanewright.growth.columns import blocked as blocked_layers
from lanewright.growth.freewidth import (
    EDGE,
    KINDS,
    LANE,
    OPEN,
    TUNNEL,
    Room,
    count_around,
    free_room,
    kind_raster,
    swept,
    throwing_height,
)
from lanewright.growth.lanelines import cells_of, lane_lines, nearest_wall, width_at
from lanewright.growth.openings import find_openings
from lanewright.growth.vegetation import THROWING, Vegetation
from lanewright.land.survey import Survey
from lanewright.land.terrain import Terrain
from lanewright.settings.lanes import LanesSettings
from lanewright.store import stage

log = logging.getLogger(__name__)

WIDEST = 60.0  # m; farther from any wall nothing changes for a throw
STEP = 1.0  # m between points of a lane
CHORD = 6  # points over which a lane's heading is taken


@dataclass(frozen=True)
class Lanes:
    """Where the land holds lines to throw.

    Attributes
    ----------
    free_width : (rows, cols) float32
        Diameter of the widest free circle centred on the cell at throwing height [m], at most
        60; 0 where blocked, NaN where too little was searched to call it free.
    kind : (rows, cols) uint8
        0 none, 1 open, 2 edge, 3 lane, 4 tunnel; names in `freewidth.KINDS`.
    roof_height : (rows, cols) float32
        Height of the lowest vegetation over the room for a throw [m]; NaN where there is none
        and on walls.
    lanes
        `lane_id`, `kind`, `length_m`, `length_ft`, `width_m` (median), `pinch_width_m`,
        `pinch_at_m` (from the start), `bearing_deg` (start to end, 0 to 180), `roof_share`,
        `roof_m` (median height of the roof), `roof_low_m` (its lowest tenth), `unknown_share`
        (not searched, taken as free), `water_share`, `straightness` (end to end over length);
        LineString. Best first: longest and widest.
    openings
        `opening_id`, `area_m2`, `width_m`, `roof_share`, `unknown_share`; Polygon.
    pieces
        Lanes and what is too short for one by itself, in the columns of `lanes`.
    """

    free_width: NDArray[np.float32]
    kind: NDArray[np.uint8]
    roof_height: NDArray[np.float32]
    lanes: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    pieces: gpd.GeoDataFrame


@stage("lanes", version=5)
def find_lanes(
    survey: Survey, terrain: Terrain, vegetation: Vegetation, settings: LanesSettings
) -> Lanes:
    """Trace lanes through the columns of a property.

    Parameters
    ----------
    survey, terrain, vegetation
        Results of earlier stages: the property, its water, its columns, canopy and trees.
    settings
        The section `lanes` of the configuration.
    """
    grid = survey.grid
    roof = vegetation.canopy_height > THROWING[1]
    # In the open a trunk stands below its top; in a closed wood crowns lean, and to trust tops
    # would put trunks into tunnels.
    around = max(1, round(settings.lone_tree / grid.cell))
    is_open = count_around(roof, around) < 0.5 * (2 * around + 1) ** 2
    growth = Growth(
        blocked_layers(vegetation.columns, settings.blocked_density),
        vegetation.columns.unknown,
        vegetation.canopy_height,
        roof,
        trunk_cells(vegetation.trees, grid) & is_open,
    )
    return trace_lanes(grid, growth, terrain.water, survey.inside, settings)


@dataclass(frozen=True)
class Growth:
    """What lanes run through; arrays (rows, cols).

    Attributes
    ----------
    blocked, unknown
        Column masks; bit k is the layer from 0.25 k to 0.25 (k + 1) metres above ground:
        vegetation stops a disc there, nobody searched there.
    canopy_height
        Height of the vegetation [m]; NaN is void.
    roof
        Vegetation stands above the throwing heights.
    trunks
        Columns that hold a known trunk, which lidar seldom sees: walls even where alone.
    """

    blocked: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    canopy_height: NDArray[np.float32]
    roof: NDArray[np.bool_]
    trunks: NDArray[np.bool_] | None = None


def trace_lanes(
    grid: Grid, growth: Growth, water: Flags, inside: Flags, settings: LanesSettings
) -> Lanes:
    """Find free width, lanes and openings at throwing height.

    Parameters
    ----------
    grid
        Georeference of every raster.
    growth
        What stands there.
    water, inside : (rows, cols)
        Water; the property. Lanes and openings end at its border, widths look beyond it.
    settings
        The section `lanes` of the configuration.

    Raises
    ------
    ValueError
        If a raster does not have the shape of the grid.
    """
    for name, raster in {**vars(growth), "water": water, "inside": inside}.items():
        if raster is not None and raster.shape != grid.shape:
            raise ValueError(f"{name} has shape {raster.shape}, the grid {grid.shape}")
    columns = throwing_height(growth.blocked, growth.unknown, settings)
    room = free_room(columns, water, growth.trunks, grid.cell, settings)
    roof_height = _roof_height(columns.roof_height, growth.canopy_height, growth.roof, room)
    roofed = np.isfinite(roof_height)
    width = np.where(room.speck, np.float32(0), np.minimum(room.width, np.float32(WIDEST)))
    # Lanes bridge gaps in the search; the raster stays with what was searched, or is water.
    width[room.unsearched | (room.bridged & ~water)] = np.nan
    wide = swept(room, settings.open_width, grid.cell)
    ground = swept(room, settings.opening_width, grid.cell)
    nearest = nearest_wall(room.wall)
    lines = lane_lines(grid, room, nearest, wide, inside, settings)
    pieces = _measured(grid, room, nearest, ground, roof_height, water, lines, settings)
    table = pieces[pieces["length_m"] >= settings.min_length].reset_index(drop=True)
    openings = find_openings(grid, room, ground, roofed, inside, settings)
    if not (~room.wall & inside).any():
        log.warning("no column inside the property is free at throwing height")
    log.info(
        "%d lanes, %.0f m in all, %d of them tunnels; %d openings, %.1f ha",
        len(table),
        table["length_m"].sum(),
        (table["kind"] == "tunnel").sum(),
        len(openings),
        openings["area_m2"].sum() / 1e4,
    )
    kind = kind_raster(room, wide, roofed, grid.cell, settings)
    return Lanes(width, kind, roof_height, table, openings, pieces)


def _roof_height(
    lowest: NDArray[np.float32],
    canopy_height: NDArray[np.float32],
    roof: NDArray[np.bool_],
    room: Room,
) -> NDArray[np.float32]:
    """Lowest roof over free cells; where columns show none, the canopy caps what is known."""
    canopy = np.minimum(np.nan_to_num(canopy_height, nan=np.inf), LAYERS * LAYER_HEIGHT)
    height = np.where(np.isnan(lowest) & roof, canopy, lowest)
    height[room.wall] = np.nan
    return height.astype(np.float32)


def _measured(
    grid: Grid,
    room: Room,
    nearest: NDArray[np.int32],
    ground: NDArray[np.bool_],
    roof_height: NDArray[np.float32],
    water: NDArray[np.bool_],
    lines: list[Path],
    settings: LanesSettings,
) -> gpd.GeoDataFrame:
    rows, geometry = [], []
    for points in lines:
        x = grid.left + (points[:, 1] + 0.5) * grid.cell
        y = grid.top - (points[:, 0] + 0.5) * grid.cell
        if (x[-1], y[-1]) < (x[0], y[0]):
            x, y, points = x[::-1], y[::-1], points[::-1]
        rows.append(_measure(points, nearest, grid.cell, room, roof_height, water, settings))
        line = shapely.LineString(np.column_stack([x, y]))
        geometry.append(line.simplify(grid.cell / 4))
    table = pd.DataFrame(rows, columns=list(_COLUMNS)).astype(_COLUMNS)
    frame = gpd.GeoDataFrame(table, geometry=geometry, crs=grid.crs)
    keep = frame["unknown_share"] - frame["water_share"] <= settings.most_unknown
    keep &= frame["width_m"] >= settings.min_width
    keep &= frame["water_share"] <= settings.most_water
    # Between scattered bushes an opening says more than a web of lines through it.
    in_opening = [ground[cells_of(points, ground.shape)].mean() > 0.5 for points in lines]
    keep &= (frame["kind"] != KINDS[OPEN]) | ~np.array(in_opening, dtype=bool)
    frame = frame[keep]
    rank = np.lexsort((-frame["width_m"], -frame["length_m"]))
    frame = frame.iloc[rank].reset_index(drop=True)
    frame.insert(0, "lane_id", np.arange(1, len(frame) + 1, dtype=np.int64))
    return frame


_COLUMNS = {
    "kind": "str",
    "length_m": "float64",
    "length_ft": "float64",
    "width_m": "float64",
    "pinch_width_m": "float64",
    "pinch_at_m": "float64",
    "bearing_deg": "float64",
    "roof_share": "float64",
    "roof_m": "float64",
    "roof_low_m": "float64",
    "unknown_share": "float64",
    "water_share": "float64",
    "straightness": "float64",
}


def _measure(
    points: Path,
    nearest: NDArray[np.int32],
    cell: float,
    room: Room,
    roof_height: NDArray[np.float32],
    water: NDArray[np.bool_],
    settings: LanesSettings,
) -> dict[str, object]:
    along = np.concatenate([[0.0], np.hypot(*np.diff(points, axis=0).T).cumsum()]) * cell
    length = float(along[-1])
    width = width_at(points, nearest) * cell
    # A dead end narrows to nothing over its last half width; that is its end, not a pinch.
    end = min(float(np.median(width)), length / 2) / 2
    body = (along >= end) & (along <= length - end)
    pinch = int(np.flatnonzero(body)[width[body].argmin()])

    ahead = np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    aside = ahead[:, ::-1] * (-1.0, 1.0)
    across = points[:, None] + aside[:, None] * (
        width[:, None, None] / cell * np.array([-0.4, -0.2, 0.0, 0.2, 0.4])[:, None]
    )
    swath = cells_of(across, room.wall.shape)
    free = ~room.wall[swath]
    height = roof_height[swath][free]
    roofs = height[np.isfinite(height)]
    roof_share = float(np.isfinite(height).mean())

    run = (points[-1] - points[0]) * cell
    return {
        "kind": KINDS[_kind(points, aside, cell, room, roof_share, settings)],
        "length_m": length,
        "length_ft": length / FOOT,
        "width_m": float(np.median(width[body])),
        "pinch_width_m": float(width[pinch]),
        "pinch_at_m": float(along[pinch]),
        "bearing_deg": float(np.degrees(np.arctan2(run[1], -run[0])) % 180.0),
        "roof_share": roof_share,
        "roof_m": float(np.median(roofs)) if len(roofs) else np.nan,
        "roof_low_m": float(np.quantile(roofs, 0.1)) if len(roofs) else np.nan,
        "unknown_share": float(room.bridged[swath][free].mean()),
        "water_share": float(water[swath][free].mean()),
        "straightness": min(1.0, float(np.hypot(*run)) / length),
    }


def _kind(
    points: Path,
    aside: Path,
    cell: float,
    room: Room,
    roof_share: float,
    settings: LanesSettings,
) -> int:
    """Tunnel by roof; else lane, edge or open by how much of each side is walled."""
    if roof_share >= settings.tunnel_roof:
        return TUNNEL
    # Half the open width and a cell: as far as the wall of the widest lane can be.
    reach = np.arange(1.0, settings.open_width / (2 * cell) + 2.0)
    walled = []
    for side in (-1.0, 1.0):
        ray = points[:, None] + side * aside[:, None] * reach[:, None]
        walled.append(room.wall[cells_of(ray, room.wall.shape)].any(axis=1).mean())
    less, more = sorted(walled)
    if less >= 0.5:
        return LANE
    return EDGE if more >= 0.5 else OPEN
