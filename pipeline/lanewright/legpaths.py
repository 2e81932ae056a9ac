"""Throw at legs and measure them: what lies along each, and its scores; one row per leg."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright import scores, throwing
from lanewright.config import LegsSettings
from lanewright.flight import FINISHES, LevelFlights
from lanewright.grid import Grid
from lanewright.kernels import march
from lanewright.sites import LegWorld
from lanewright.throwing import Contacts, Lines

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

KINDS = ("none", "open", "edge", "lane", "tunnel")
FOOT = 0.3048
ROOFED = 0.5  # share of the length from which a lane is a tunnel
POINTS = 65  # of a leg's line
BESIDE = 2.0  # m to each side for the side slope; the free width is that of the lane there
OVERHEAD = 1.0  # m over the disc from which canopy is a roof, and 5 m over the ground


def finish_of(flights: LevelFlights, lines: Lines) -> Ints:
    """Index into `FINISHES` of each line."""
    code = np.array([FINISHES.index(arc.finish) for arc in flights.arcs])
    return np.asarray(code[lines.arc], np.int64)


def places_of(lines: Lines, grid: Grid) -> Floats:
    """Coordinates of tee and end (lines, 4)."""
    tee = grid.xy(lines.tee_row, lines.tee_col)
    end = grid.xy(lines.end_row, lines.end_col)
    return np.column_stack([*tee, *end])


def scored(
    world: LegWorld, contacts: Contacts, tees: gpd.GeoDataFrame, ends: gpd.GeoDataFrame,
    flights: LevelFlights, lines: Lines, settings: LegsSettings,
) -> gpd.GeoDataFrame:  # fmt: skip
    """Throw at lines, measure and score them.

    Parameters
    ----------
    world, contacts
        What throws meet.
    tees, ends
        Sites of each line, one row per line.
    flights, lines
        Who throws, and from where to where with which arc.
    settings
        The section `legs` of the configuration.

    Returns
    -------
    GeoDataFrame
        One row per line in the columns of layer `legs`, all but `leg_id`.
    """
    grid, level = world.grid, flights.level
    paths = throwing.sampled(flights, grid.cell)
    places = places_of(lines, grid)
    seeds = throwing.seeds_of(level.name, lines, *places.T)
    thrown = throwing.throw(lines, flights, paths, contacts, seeds, settings.throws, grid.cell)
    length = throwing.length_of(lines, grid.cell)
    tee_m, end_m = tees["ground_m"].to_numpy(), ends["ground_m"].to_numpy()
    rise = end_m - tee_m
    x, y, z = _flown(places, tee_m + flights.release, end_m + flights.end, flights, lines, length)
    path = _along(world, x, y, z, length)
    pinch, pinch_at = _pinch(world, path, length)
    grade = 100 * rise / length
    tee_slope, end_slope = tees["slope_pct"].to_numpy(), ends["slope_pct"].to_numpy()
    clearance = scores.clearance(thrown.clear, thrown.low)
    gentle = scores.grade(grade, path.side_slope, tee_slope, end_slope)
    dry = scores.drainage(path.wet, path.carry, level.carry)
    columns = {
        "tee_id": tees["site_id"].to_numpy(),
        "end_id": ends["site_id"].to_numpy(),
        "level": level.name,
        "finish": np.array(FINISHES)[finish_of(flights, lines)],
        "length_m": length,
        "length_ft": length / FOOT,
        "rise_m": rise,
        "effective_length_m": scores.effective_length(length, rise),
        "apex_m": z.max(1) - tee_m,
        "clear_rate": thrown.clear,
        "clear_rate_se": thrown.error,
        "clear_rate_low": thrown.low,
        "clear_rate_high": thrown.high,
        "clear_rate_leaf_on": thrown.leaf_on,
        "pinch_width_m": pinch,
        "pinch_at_m": pinch_at,
        "lane_kind": path.kind,
        "roof_share": path.roofed,
        "grade_pct": grade,
        "side_slope_pct": path.side_slope,
        "tee_slope_pct": tee_slope,
        "landing_slope_pct": end_slope,
        "wet_share": path.wet,
        "carry_water_m": path.carry,
        "seen_share": thrown.seen,
        "score": scores.total(clearance, gentle, dry, settings.score),
        "score_clearance": clearance,
        "score_grade": gentle,
        "score_drainage": dry,
        "origin": "search",
        "blocked_share": path.blocked,
        "height_class": np.array([arc.height for arc in flights.arcs])[lines.arc],
    }
    return gpd.GeoDataFrame(columns, geometry=_lines_through(np.stack([x, y, z], -1)), crs=grid.crs)


def _lines_through(points: Floats) -> NDArray[np.object_]:
    """LineString Z of each row of (legs, points, 3)."""
    legs, each = points.shape[:2]
    return np.asarray(
        shapely.linestrings(points.reshape(-1, 3), indices=np.repeat(np.arange(legs), each))
        if legs
        else np.empty(0, object)
    )


def _flown(
    places: Floats,
    release: Floats,
    end: Floats,
    flights: LevelFlights,
    lines: Lines,
    length: Floats,
) -> tuple[Floats, Floats, Floats]:
    """x, y and height of the path aimed for (legs, points)."""
    place = flights.bin_of(length)
    nodes = np.linspace(0, flights.along.shape[2] - 1, POINTS).round().astype(int)
    along, left, rise = (
        table[place, lines.arc][:, nodes] for table in (flights.along, flights.left, flights.rise)
    )
    x0, y0 = places[:, :1], places[:, 1:2]
    dx, dy = places[:, 2:3] - x0, places[:, 3:] - y0
    x = x0 + dx * along - dy * left
    y = y0 + dy * along + dx * left
    return x, y, release[:, None] * (1 - along) + end[:, None] * along + rise


@dataclass(frozen=True)
class _Path:
    """What lies along legs: (legs,), and cells of their points (legs, points)."""

    row: Ints
    col: Ints
    roofed: Floats
    wet: Floats
    carry: Floats
    side_slope: Floats
    blocked: Floats
    kind: NDArray[np.object_]


def _along(world: LegWorld, x: Floats, y: Floats, z: Floats, length: Floats) -> _Path:
    grid = world.grid

    def cells(x: Floats, y: Floats) -> tuple[Ints, Ints]:
        row, col = grid.rowcol(x, y)
        return np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)

    at = cells(x, y)
    height = z - world.ground[at]
    canopy = np.nan_to_num(world.canopy_height[at])
    roofed = (canopy > np.maximum(height + OVERHEAD, 5.0)).mean(1)
    layer = np.floor(np.nan_to_num(height, nan=1e3) / march.LAYER).astype(np.int64)
    bit = np.uint64(1) << np.clip(layer, 0, march.LAYERS - 1).astype(np.uint64)
    held = ((world.blocked[at] & bit) != 0) & (layer >= 0) & (layer < march.LAYERS)
    # The ground to both sides, square to the leg as a whole
    dx, dy = x[:, -1:] - x[:, :1], y[:, -1:] - y[:, :1]
    off_x, off_y = -BESIDE * dy / length[:, None], BESIDE * dx / length[:, None]
    fall = world.ground[cells(x + off_x, y + off_y)] - world.ground[cells(x - off_x, y - off_y)]
    known = np.isfinite(fall)
    side = np.where(known, np.abs(fall), 0).sum(1) / np.maximum(known.sum(1), 1)
    return _Path(
        *at,
        roofed=roofed,
        wet=world.wet[at].mean(1),
        carry=_longest_run(world.water[at]) * length / (x.shape[1] - 1),
        side_slope=100 * side / (2 * BESIDE),
        blocked=held.mean(1),
        kind=_kind(world.lane_kind[at], roofed),
    )


def _longest_run(flags: NDArray[np.bool_]) -> Ints:
    """Length of the longest run of True in each row."""
    run = np.zeros(flags.shape[0], np.int64)
    longest = run.copy()
    for column in flags.T:
        run = np.where(column, run + 1, 0)
        longest = np.maximum(longest, run)
    return longest


def _kind(codes: NDArray[np.uint8], roofed: Floats) -> NDArray[np.object_]:
    """Kind that most of each leg runs in; a leg through no lane is one, narrow as it is."""
    counts = np.stack([(codes == code).sum(1) for code in range(1, len(KINDS))], 1)
    kind = counts.argmax(1) + 1
    kind[counts.sum(1) == 0] = KINDS.index("lane")
    closed_in = kind >= KINDS.index("lane")
    kind[closed_in] = np.where(roofed[closed_in] >= ROOFED, 4, 3)
    return np.asarray(np.array(KINDS, object)[kind])


def _pinch(world: LegWorld, path: _Path, length: Floats) -> tuple[Floats, Floats]:
    """Narrowest free width along legs [m], and how far from the tee; NaN where nobody knows."""
    # A leg seldom runs in the very middle of its lane: take the widest within a disc's swerve.
    width = np.where(np.isfinite(world.free_width), world.free_width, -1.0)
    reach = 2 * max(1, round(BESIDE / world.grid.cell)) + 1
    near = ndi.maximum_filter(width, size=reach)[path.row, path.col]
    near = np.where(near < 0, np.inf, near)
    at = near.argmin(1)
    least = near.min(1)
    known = np.isfinite(least)
    where = at * length / (near.shape[1] - 1)
    return np.where(known, least, np.nan), np.where(known, where, np.nan)
