"""Throw along legs and measure them: what lies along each, and its scores; one row per leg."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.grid import Grid
from lanewright.base.rows import Facts, Row
from lanewright.base.schema import FAILS
from lanewright.base.units import FOOT
from lanewright.flight.flight import FINISHES, TARGET, LevelFlights
from lanewright.kernels import march
from lanewright.kernels.throws import NO_THROW
from lanewright.legs import fair, scores, throwing
from lanewright.legs.contacts import BRUSH
from lanewright.legs.interest import COLUMNS, Ways, components, interest
from lanewright.legs.landing import Landings, landings
from lanewright.legs.thrower import Player, Thrower
from lanewright.legs.throwing import LINE, Lines
from lanewright.legs.worlds import band
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings

KINDS = ("none", "open", "edge", "lane", "tunnel")
ROOFED = 0.5  # share of the length from which a lane is a tunnel
FAIL_STEP = 5.0  # m of a leg whose failed throws count together
BRUSH_TOP = 5.0  # m; growth no higher is brush
AT_ONCE = 4096  # legs whose throws are held in memory together
BESIDE = 2.0  # m to each side for the side slope; the free width is that of the lane there
THROWN = 3.5  # m over the ground up to which free width is measured
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
    thrower: Thrower,
    player: Player,
    tees: gpd.GeoDataFrame,
    ends: gpd.GeoDataFrame,
    lines: Lines,
    throws: int | None = None,
) -> gpd.GeoDataFrame:
    """Throw along lines, measure and score them.

    Parameters
    ----------
    thrower, player
        The land and who throws.
    tees, ends
        Sites of each line, one row per line.
    lines
        From where to where, with which arc.
    throws
        Throws at each; by default as many as the settings say.

    Returns
    -------
    GeoDataFrame
        One row per line in the columns of layer `legs`, all but `leg_id` and the rates of each
        finish (see `rates_by_finish`), and those of `LINE`.
    """
    throws = throws or thrower.settings.throws
    parts = [
        _scored(thrower, player, tees.iloc[part], ends.iloc[part], lines.take(part), throws)
        for part in np.array_split(np.arange(len(lines)), range(AT_ONCE, len(lines), AT_ONCE))
    ]
    whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    return gpd.GeoDataFrame(whole, crs=thrower.scene.grid.crs)


def _scored(
    thrower: Thrower,
    player: Player,
    tees: gpd.GeoDataFrame,
    ends: gpd.GeoDataFrame,
    lines: Lines,
    throws: int,
) -> gpd.GeoDataFrame:
    """As `scored`, for as many lines as are held in memory together."""
    scene, flights, level = thrower.scene, player.flights, player.level
    cell = scene.grid.cell
    places = places_of(lines, scene.grid)
    seeds = throwing.seeds_of(level.name, lines, *places.T)
    thrown = throwing.throw(
        lines, flights, player.paths, thrower.contacts, seeds, throws, cell, stops=True
    )
    said = thrown.clear, thrown.error
    low, high = band(lines, flights, player.paths, thrower.worlds, seeds, said, throws)
    length = throwing.length_of(lines, cell)
    tee_m, rise = tees["ground_m"].to_numpy(), _rise(tees, ends)
    over = tee_m + flights.release, tee_m + rise + flights.end
    xyz = _flown(places, over, player, lines, length)
    path = _along(scene, *xyz, length)
    pinch, pinch_at = _pinch(scene, path, length)
    columns = {
        "tee_id": tees["site_id"].to_numpy(),
        "end_id": ends["site_id"].to_numpy(),
        "level": level.name,
        "finish": np.array(FINISHES)[finish_of(flights, lines)],
        "length_m": length,
        "length_ft": length / FOOT,
        "rise_m": rise,
        "effective_length_m": scores.effective_length(length, rise),
        "apex_m": xyz[2].max(1) - tee_m,
        "clear_rate": thrown.clear,
        "clear_rate_se": thrown.error,
        "clear_rate_low": low,
        "clear_rate_high": high,
        "clear_rate_leaf_on": thrown.leaf_on,
        "pinch_width_m": pinch,
        "pinch_at_m": pinch_at,
        "lane_kind": path.kind,
        "roof_share": path.roofed,
        "grade_pct": 100 * rise / length,
        "side_slope_pct": path.side_slope,
        "tee_slope_pct": tees["slope_pct"].to_numpy(),
        "landing_slope_pct": ends["slope_pct"].to_numpy(),
        "wet_share": path.wet + thrower.settings.score.maybe_wet * path.maybe_wet,
        "carry_water_m": path.carry,
        "seen_share": thrown.seen,
    }
    lands = _lands(landings(thrown.stops, lines, thrower.hazards, cell))
    passed, narrow = fair.narrowest(
        thrown.stops[..., 0] * length[:, None], length, thrower.settings.judge.fair.gap
    )
    ways = Ways(
        *xyz,
        roofed=path.roof,
        bent=columns["finish"] != "straight",
        water=path.carry,
        most_carry=level.carry,
        trouble=lands["lands_wet_share"] + lands["lands_steep_share"],
    )
    figures = columns | lands | {"gap_share": passed} | components(scene, ways)
    columns |= judged(figures, level.carry, thrower.settings)
    columns |= {"gap_share": passed, "gap_at_m": narrow}
    columns |= {name: figures[name] for name in COLUMNS}
    columns |= {
        "origin": "search",
        "blocked_share": path.blocked,
        "height_class": np.array([arc.height for arc in flights.arcs])[lines.arc],
        "clear_rate_leaf_off": thrown.leaf_off,
        "plays_like_m": flights.plays_like(length, rise),
    }
    columns |= _fails(scene, lines, thrown.stops)
    columns |= lands
    columns |= {"own_hole": ""} | {name: getattr(lines, name) for name in LINE}
    shapes = _lines_through(np.stack(xyz, -1))
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=scene.grid.crs)


def _rise(tees: gpd.GeoDataFrame, ends: gpd.GeoDataFrame) -> Floats:
    """From the ground of each tee to that of its end [m]."""
    return np.asarray(ends["ground_m"].to_numpy() - tees["ground_m"].to_numpy(), np.float64)


def clearest(legs: pd.DataFrame) -> Floats:
    """By which of the throws between the same places players choose: how clear each is (legs,)."""
    return scores.clearance(legs["clear_rate"].to_numpy(), legs["clear_rate_low"].to_numpy())


def judged(leg: Facts, carry: float, settings: LegsSettings) -> Row:
    """Whether legs are fair, and what they are worth, out of their columns.

    Parameters
    ----------
    leg
        Columns of legs of one level.
    carry
        Longest carry over water that the level should be asked for [m].
    settings
        The section `legs` of the configuration.

    Returns
    -------
    dict
        Columns `score` (0 for what is unfair), those of its parts, `fair` and `unfair`, `ease`,
        `interest`, and `promise`: the score, were no growth in the way of being fair.
    """
    judge = settings.judge
    clearance = scores.clearance(leg["clear_rate"], leg["clear_rate_low"], judge.fair.share)
    gentle = scores.grade(
        leg["grade_pct"], leg["side_slope_pct"], leg["tee_slope_pct"], leg["landing_slope_pct"]
    )
    dry = scores.drainage(leg["wet_share"], leg["carry_water_m"], carry)
    shut = fair.closed(leg, judge.fair, carry, settings.most_unsafe)
    worth = interest(leg, judge.interest)
    ease = scores.total(clearance, gentle, dry, settings.score)
    promise = worth * ease * ~fair.hard(shut)
    return {
        "score": np.where(shut.any(1), 0.0, promise),
        "score_clearance": clearance,
        "score_grade": gentle,
        "score_drainage": dry,
        "ease": ease,
        "interest": worth,
        "promise": promise,
        "fair": np.where(shut.any(1), "no", "yes").astype(object),
        "unfair": fair.in_words(shut),
    }


def _lands(lands: Landings) -> dict[str, Floats]:
    """Columns of where throws end."""
    return {
        "landing_long_m": lands.long,
        "landing_wide_m": lands.wide,
        "landing_bearing_deg": lands.bearing_deg,
        "landing_past_m": lands.past,
        "lands_wet_share": lands.wet,
        "lands_outside_share": lands.outside,
        "lands_keep_out_share": lands.keep_out,
        "lands_across_share": lands.across,
        "lands_steep_share": lands.steep,
        "unsafe_share": lands.unsafe,
        "rests_well_share": lands.well,
    }


def in_the_open(thrower: Thrower, player: Player, lines: Lines) -> Row:
    """Columns of where throws would end if nothing grew: what a lane that is cut lets through."""
    there = thrower.contacts
    bare = replace(
        there,
        table=np.zeros_like(there.table),
        prior=np.zeros_like(there.prior),
        trunk=np.zeros_like(there.trunk),
        stems=np.zeros_like(there.stems),
    )
    grid, name = thrower.scene.grid, player.level.name
    seeds = throwing.seeds_of(name, lines, *places_of(lines, grid).T)
    count = thrower.settings.throws
    flown = throwing.throw(
        lines, player.flights, player.paths, bare, seeds, count, grid.cell, stops=True
    )
    return dict(_lands(landings(flown.stops, lines, thrower.hazards, grid.cell)))


def rates_by_finish(
    thrower: Thrower, player: Player, lines: Lines, known: Ints
) -> tuple[Floats, Ints]:
    """Throw each finish from the same places as the lines, with the arc that meets least.

    Parameters
    ----------
    thrower, player, lines
        As in `scored`.
    known : (lines,)
        The finish that need not be thrown again, an index into `FINISHES`.

    Returns
    -------
    rates
        Clear rate of each of `FINISHES` (lines, 3); NaN where the level has no such throw, and
        for the finish that is known.
    arcs
        Arc of each (lines, 3); -1 there.
    """
    flights, paths, contacts = player.flights, player.paths, thrower.contacts
    grid, n = thrower.scene.grid, len(lines)
    rates, arcs = np.full((n, len(FINISHES)), np.nan), np.full((n, len(FINISHES)), -1, np.int64)
    met = np.full((n, len(flights.arcs)), np.inf)
    for arc in range(len(flights.arcs)):
        tried = replace(lines, arc=np.full(n, arc, np.int64))
        there = np.flatnonzero(throwing.exists(tried, flights, contacts, grid.cell))
        aimed = throwing.aim(tried.take(there), flights, paths, contacts, grid.cell)
        met[there, arc] = aimed[:, 0]
    met[met >= NO_THROW] = np.inf
    for i, finish in enumerate(FINISHES):
        mine = np.flatnonzero([arc.finish == finish for arc in flights.arcs])
        best = mine[met[:, mine].argmin(1)]
        there = np.flatnonzero(np.isfinite(met[np.arange(n), best]) & (known != i))
        tried = replace(lines, arc=best).take(there)
        seeds = throwing.seeds_of(player.name, tried, *places_of(tried, grid).T)
        thrown = throwing.throw(
            tried, flights, paths, contacts, seeds, thrower.settings.throws, grid.cell
        )
        rates[there, i], arcs[there, i] = thrown.clear, best[there]
    return rates, arcs


def _fails(scene: Scene, lines: Lines, stops: NDArray[np.float32]) -> Row:
    """Where most throws of legs fail: the middle of them, in the stretch where most did.

    Columns `fail_*` (legs,); NaN and None where none fails.
    """
    length = throwing.length_of(lines, scene.grid.cell)
    at = stops[..., 0] * length[:, None]
    stretch = np.where(np.isfinite(at), at // FAIL_STEP, -1).astype(np.int64)
    counts = np.zeros((len(lines), max(int(stretch.max(initial=0)) + 1, 1)), np.int64)
    leg, throw = np.nonzero(stretch >= 0)
    np.add.at(counts, (leg, stretch[leg, throw]), 1)
    here = (stretch == counts.argmax(1)[:, None]) & (counts.max(1) > 0)[:, None]
    kinds = _stopped_by(scene, lines, stops)
    most = np.stack([((kinds == k) & here).sum(1) for k in range(len(FAILS))], 1).argmax(1)
    fails = here.any(1)
    on = np.array(FAILS, object)[most]
    on[~fails] = None

    def middle(values: NDArray[np.floating]) -> Floats:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # legs without a failed throw
            return np.asarray(np.nanmedian(np.where(here, values, np.nan), axis=1), np.float64)

    return {
        "fail_at_m": middle(at),
        "fail_height_m": middle(stops[..., 2]),
        "fail_side_m": middle(stops[..., 1]),
        "fail_on": on,
    }


def _stopped_by(scene: Scene, lines: Lines, stops: NDArray[np.float32]) -> NDArray[np.int8]:
    """Index into `FAILS` of what stopped each throw (legs, throws); -1 for none."""
    dr, dc = lines.end_row - lines.tee_row, lines.end_col - lines.tee_col
    length = throwing.length_of(lines, 1.0)
    along, left = stops[..., 0], stops[..., 1] / (length[:, None] * scene.grid.cell)
    stopped = np.isfinite(stops[..., 3])
    along, left = np.where(stopped, along, 0), np.where(stopped, left, 0)
    row = lines.tee_row[:, None] + 0.5 + dr[:, None] * along - dc[:, None] * left
    col = lines.tee_col[:, None] + 0.5 + dc[:, None] * along + dr[:, None] * left
    canopy = np.nan_to_num(
        scene.canopy_height[
            np.clip(row.astype(np.int64), 0, scene.grid.rows - 1),
            np.clip(col.astype(np.int64), 0, scene.grid.cols - 1),
        ]
    )
    low = (stops[..., 2] < BRUSH) | (canopy <= BRUSH_TOP)
    kind = np.where(low, FAILS.index("brush"), FAILS.index("limb"))
    kind = np.where(stops[..., 3] == 1, FAILS.index("trunk"), kind)
    kind = np.where(stops[..., 3] == 2, FAILS.index("not seen"), kind)
    return np.where(stopped, kind, -1).astype(np.int8)


def _lines_through(points: Floats) -> NDArray[np.object_]:
    """LineString Z of each row of (legs, points, 3)."""
    legs, each = points.shape[:2]
    return np.asarray(
        shapely.linestrings(points.reshape(-1, 3), indices=np.repeat(np.arange(legs), each))
        if legs
        else np.empty(0, object)
    )


def _flown(
    places: Floats, over: tuple[Floats, Floats], player: Player, lines: Lines, length: Floats
) -> tuple[Floats, Floats, Floats]:
    """x, y and height of the path aimed for (legs, points); `over` are the heights of its ends."""
    release, end = over
    row = player.paths.row_of(player.flights, lines, length, end - release)
    path = player.paths.table.path[row]
    along, left, rise = (path[:, i, : TARGET + 1].astype(np.float64) for i in range(3))
    x0, y0 = places[:, :1], places[:, 1:2]
    dx, dy = places[:, 2:3] - x0, places[:, 3:] - y0
    x = x0 + dx * along - dy * left
    y = y0 + dy * along + dx * left
    return x, y, release[:, None] * (1 - along) + end[:, None] * along + rise


@dataclass(frozen=True)
class _Path:
    """What lies along legs: (legs,), and cells and heights of their points (legs, points)."""

    row: Ints
    col: Ints
    height: Floats
    roof: Flags
    roofed: Floats
    wet: Floats
    maybe_wet: Floats
    carry: Floats
    side_slope: Floats
    blocked: Floats
    kind: NDArray[np.object_]


def _along(scene: Scene, x: Floats, y: Floats, z: Floats, length: Floats) -> _Path:
    grid = scene.grid
    at = grid.nearest(x, y)
    height = z - scene.ground[at]
    canopy = np.nan_to_num(scene.canopy_height[at])
    roof = canopy > np.maximum(height + OVERHEAD, 5.0)
    roofed = roof.mean(1)
    layer = np.floor(np.nan_to_num(height, nan=1e3) / march.LAYER).astype(np.int64)
    bit = np.uint64(1) << np.clip(layer, 0, march.LAYERS - 1).astype(np.uint64)
    held = ((scene.blocked[at] & bit) != 0) & (layer >= 0) & (layer < march.LAYERS)
    # The ground to both sides, square to the leg as a whole
    dx, dy = x[:, -1:] - x[:, :1], y[:, -1:] - y[:, :1]
    off_x, off_y = -BESIDE * dy / length[:, None], BESIDE * dx / length[:, None]
    fall = (
        scene.ground[grid.nearest(x + off_x, y + off_y)]
        - scene.ground[grid.nearest(x - off_x, y - off_y)]
    )
    known = np.isfinite(fall)
    side = np.where(known, np.abs(fall), 0).sum(1) / np.maximum(known.sum(1), 1)
    return _Path(
        *at,
        height=height,
        roof=roof,
        roofed=roofed,
        wet=scene.wet[at].mean(1) if scene.wet_known else np.full(len(at[0]), np.nan),
        maybe_wet=scene.maybe_wet[at].mean(1),
        carry=_longest_run(scene.water[at]) * length / (x.shape[1] - 1),
        side_slope=100 * side / (2 * BESIDE),
        blocked=held.mean(1),
        kind=_kind(scene.lane_kind[at], roofed),
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
    """Kind that most of each leg runs in; a leg that touches no lane counts as `lane`."""
    counts = np.stack([(codes == code).sum(1) for code in range(1, len(KINDS))], 1)
    kind = counts.argmax(1) + 1
    kind[counts.sum(1) == 0] = KINDS.index("lane")
    closed_in = kind >= KINDS.index("lane")
    kind[closed_in] = np.where(roofed[closed_in] >= ROOFED, 4, 3)
    return np.asarray(np.array(KINDS, object)[kind])


def _pinch(scene: Scene, path: _Path, length: Floats) -> tuple[Floats, Floats]:
    """Narrowest free width along legs [m], and how far from the tee; NaN where nobody knows."""
    # A leg seldom runs in the very middle of its lane: take the widest within a disc's swerve.
    width = np.where(np.isfinite(scene.free_width), scene.free_width, -1.0)
    reach = 2 * max(1, round(BESIDE / scene.grid.cell)) + 1
    near = ndi.maximum_filter(width, size=reach)[path.row, path.col]
    # Over brush that the flight clears there is no gap to measure.
    near = np.where((near < 0) | (path.height > THROWN), np.inf, near)
    at = near.argmin(1)
    least = near.min(1)
    known = np.isfinite(least)
    where = at * length / (near.shape[1] - 1)
    return np.where(known, least, np.nan), np.where(known, where, np.nan)
