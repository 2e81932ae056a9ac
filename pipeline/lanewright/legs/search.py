"""Stage legs: every tee site against every end site in range, with every arc; the best scored.

The search (kernels.march) tries all lines on masks of blocked layers and keeps the best of each
direction, length band and finish of each tee. Those are weighed by what the path aimed for meets,
near-duplicates give way, and the best are thrown at with the level's spread (throwing).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numba
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.base.schema import LAYERS
from lanewright.base.units import FOOT
from lanewright.flight.flight import BIN, FINISHES, TARGET, Flights, LevelFlights
from lanewright.growth.lanes import Lanes
from lanewright.growth.vegetation import Vegetation
from lanewright.kernels import march
from lanewright.kernels.throws import NO_THROW
from lanewright.land.ground import Ground
from lanewright.land.survey import Survey
from lanewright.land.terrain import Terrain
from lanewright.legs import scores, throwing
from lanewright.legs.landing import Hazards, hazards_of
from lanewright.legs.measure import KINDS, finish_of, places_of, rates_by_finish, scored
from lanewright.legs.scene import Scene, scene_of
from lanewright.legs.sites import Sites, add_spots, barred_cells, find_sites
from lanewright.legs.throwing import Contacts, Lines, Paths
from lanewright.settings.legs import LegsSettings
from lanewright.store import stage

log = logging.getLogger(__name__)


CROWD = 25.0  # m, ground that shares its places among the legs kept
AIMED, TRIED, THROWN = 12, 4, 2  # legs aimed, tried and thrown at for each that is kept
TRIES = 64  # throws that try a leg
SURELY = 2.0  # standard errors by which a finish must be better to take a leg over
STRAY = 5.0  # m by which the designer's line may stray from straight and still be one leg


_BY_FINISH = tuple(f"clear_rate_{finish}" for finish in FINISHES)


@dataclass(frozen=True)
class Legs:
    """Sites and scored legs.

    Attributes
    ----------
    tee_sites, basket_sites
        As in `sites.Sites`, with `legs`: how many kept legs use the site.
    legs
        One row per leg in the columns of `schema`; LineString Z along the flight.
    facts
        For the summary: sites and why there are not more, lines tried, legs.
    """

    tee_sites: gpd.GeoDataFrame
    basket_sites: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@stage("legs", version=5)
def find_legs(
    survey: Survey,
    ground: Ground,
    terrain: Terrain,
    vegetation: Vegetation | None,
    lanes: Lanes | None,
    flights: Flights,
    settings: LegsSettings,
    *,
    leaf_state: str,
    only_own: bool = False,
    drawn: tuple[tuple[str, str], ...] = (),
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Legs:
    """Find, throw and score the legs of a property, and the designer's own.

    Parameters
    ----------
    survey, ground, terrain, vegetation, lanes
        Results of the stages before; without lidar `vegetation` and `lanes` are None, and no clear
        rate is given.
    flights
        Who throws, and how.
    settings
        The section `legs` of the configuration.
    leaf_state
        When the lidar was flown: off, on or unknown.
    only_own
        Score only the designer's own lines.
    drawn
        Further lines of the designer: name and WKT, tee first.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    if vegetation is None:
        unseen = settings.sites.model_copy(update={"seen": 0.0})
        settings = settings.model_copy(update={"sites": unseen})
    before = numba.get_num_threads()
    numba.set_num_threads(min(max(threads, 1), march.threads()))
    try:
        scene = scene_of(survey, ground, terrain, vegetation, lanes, settings)
        own = own_lines(survey.own_holes, drawn)
        legs = score_legs(
            scene, flights, settings, leaf_state=leaf_state, own=own, search=not only_own,
            progress=progress,
        )  # fmt: skip
    finally:
        numba.set_num_threads(before)
    if vegetation is None:
        unknown = [name for name in legs.legs if name.startswith(("clear_rate", "fail_"))]
        legs.legs[[*unknown, "pinch_width_m", "pinch_at_m", "blocked_share"]] = np.nan
        legs.legs["fail_on"] = None
        legs.legs["lane_kind"] = None
    return legs


def own_lines(
    own: Iterable[tuple[str, str]], drawn: Iterable[tuple[str, str]]
) -> list[tuple[str, shapely.LineString]]:
    """Lines to score, with a name each: every corner is where one throw ends and the next starts.

    Those of `own_holes` may be drawn as the disc flies, and are made straight first; corners of
    `drawn` are landing zones already, however little the hole bends there.
    """
    return [
        *((name, shapely.from_wkt(wkt).simplify(STRAY)) for name, wkt in own),
        *((name, shapely.from_wkt(wkt)) for name, wkt in drawn),
    ]


def score_legs(
    scene: Scene,
    flights: Flights,
    settings: LegsSettings,
    *,
    leaf_state: str = "unknown",
    own: Iterable[tuple[str, shapely.LineString]] = (),
    search: bool = True,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Legs:
    """Find sites, search every line between them, throw at the best and score them.

    Parameters
    ----------
    scene
        The land.
    flights
        Who throws, and how.
    settings
        The section `legs` of the configuration.
    leaf_state
        When the lidar was flown: off, on or unknown.
    own
        The designer's lines with a name each, tee first; a bent line is one leg per straight.
        Scored by the same rules but always kept, whatever their length or the land they cross.
    search
        Whether to look for legs at all.
    progress
        Takes the share done.
    """
    if scene.land.is_empty:
        left, bottom, right, top = scene.grid.bounds
        raise ValueError(f"no property inside {left}, {bottom}, {right}, {top}")
    sites = find_sites(scene, settings.sites)
    thrown = _Throwing(
        scene,
        throwing.contacts_of(scene, settings.throw, leaf_state),
        hazards_of(scene, settings.roll_slope),
        settings,
    )
    barred = barred_cells(
        scene, settings.sites.boundary_setback, settings.throw.disc / 2 + settings.throw.margin
    )
    facts: dict[str, object] = dict(sites.facts)
    frames: list[gpd.GeoDataFrame] = []
    warnings: list[str] = []
    paths = [throwing.paths_of(level) for level in flights.levels]
    if search:
        space = march.make_space(
            _grown(scene, settings), scene.searched, scene.ground, barred, scene.grid.cell
        )
        for i, level in enumerate(flights.levels):
            found = _search(space, scene, sites, level, settings)
            name = level.level.name
            facts[f"{name}_lines"] = found.tried
            if not found.tried and len(sites.tees) and len(sites.baskets):
                warnings.append(_out_of_reach(sites, level, settings))
            progress((i + 0.5) / len(flights.levels))
            share = max(1, settings.keep // len(flights.levels))
            best, facts[f"{name}_unsafe"] = _best(thrown, sites, level, paths[i], found, share)
            frames.append(best)
            log.info(
                "%s: %s lines tried, %s fit, %s legs kept",
                level.level.name, f"{found.tried:,}", f"{len(found.lines):,}",
                f"{len(frames[-1]):,}",
            )  # fmt: skip
            progress((i + 1) / len(flights.levels))
    tees, baskets = sites.tees, sites.baskets
    if search and not sum(map(len, frames)):
        warnings.append(_why_none(facts, flights))
    for name, line in own:
        tees, baskets, mine, said = _own(thrown, tees, baskets, flights, paths, name, line)
        frames += mine
        warnings += said
        row, col = scene.grid.rowcol(*shapely.segmentize(line, 1.0).coords.xy)
        if barred[np.clip(row, 0, barred.shape[0] - 1), np.clip(col, 0, barred.shape[1] - 1)].any():
            warnings.append(
                f"own hole {name} crosses a keep-out or comes nearer than "
                f"{settings.sites.boundary_setback:g} m to the property line"
            )
    legs = _table(frames, scene.grid)
    facts["legs"] = len(legs)
    for places, key in ((tees, "tee_id"), (baskets, "end_id")):
        places["legs"] = places["site_id"].map(legs[key].value_counts()).fillna(0).astype(int)
    return Legs(tees, baskets, legs, facts, tuple(warnings))


def score_own(
    scene: Scene,
    flights: Flights,
    settings: LegsSettings,
    lines: Iterable[tuple[str, shapely.LineString]],
    leaf_state: str = "unknown",
) -> Legs:
    """Score the designer's own lines only; see `score_legs`."""
    return score_legs(scene, flights, settings, leaf_state=leaf_state, own=lines, search=False)


# ---------------------------------------------------------------------------------------------
# Search


def _grown(scene: Scene, settings: LegsSettings) -> NDArray[np.uint64]:
    """Blocked layers, grown sideways by half the flight's width in whole cells."""
    half = settings.throw.disc / 2 + settings.throw.margin
    return march.grow(np.asarray(scene.blocked), float(round(half / scene.grid.cell)))


def _search(
    space: march.Space, scene: Scene, sites: Sites, flights: LevelFlights,
    settings: LegsSettings,
) -> _Found:  # fmt: skip
    """Best line of every slot of every tee."""
    table = throwing.search_table(flights, space.cell, settings.max_blocked)
    shortest, longest = _bounds(flights, settings)
    tees, baskets = _cells(sites.tees, scene.grid), _cells(sites.baskets, scene.grid)
    found = march.search(
        space,
        _spots(space, tees, sites.tees, flights.release),
        _spots(space, baskets, sites.baskets, flights.end),
        table,
        shortest=shortest,
        longest=longest,
        group=np.array([FINISHES.index(arc.finish) for arc in flights.arcs]),
        sectors=settings.sectors,
        band=settings.band,
    )
    tee, slot = np.nonzero(found.end >= 0)
    end = found.end[tee, slot].astype(np.int64)
    arc = found.arc[tee, slot].astype(np.int64)
    lines = Lines(tees[0][tee], tees[1][tee], baskets[0][end], baskets[1][end], arc)
    return _Found(lines, tee, end, found.blocked[tee, slot], int(found.lines.sum()))


def _bounds(flights: LevelFlights, settings: LegsSettings) -> tuple[float, float]:
    """Shortest and longest leg of a level [m]."""
    level = flights.level
    return settings.shortest or level.par3_from, settings.longest or level.tee_throw


def _out_of_reach(sites: Sites, flights: LevelFlights, settings: LegsSettings) -> str:
    """Sentence on a level that reaches no end site from any tee site."""
    tees, ends = (s.geometry.get_coordinates().to_numpy() for s in (sites.tees, sites.baskets))
    shortest, longest = _bounds(flights, settings)
    reach = longest
    if flights.exists.any():
        reach = min(longest, flights.distance[flights.exists.any((1, 2))].max() + BIN)
    near, _ = cKDTree(ends).query(tees)
    far = max(np.hypot(*(ends - tee).T).max() for tee in tees)
    return (
        f"{flights.level.name} reaches no basket site from any tee site: the level throws "
        f"{shortest:.0f} to {reach:.0f} m ({shortest / FOOT:.0f} to {reach / FOOT:.0f} ft), and "
        f"the sites lie {near.min():.0f} to {far:.0f} m apart"
    )


@dataclass(frozen=True)
class _Found:
    """Lines that the search kept, rows of their sites, blocked samples; how many were tried."""

    lines: Lines
    tee: Ints
    end: Ints
    blocked: NDArray[np.int32]
    tried: int


def _cells(sites: gpd.GeoDataFrame, grid: Grid) -> tuple[Ints, Ints]:
    return grid.rowcol(sites.geometry.x.to_numpy(), sites.geometry.y.to_numpy())


def _spots(
    space: march.Space, cells: tuple[Ints, Ints], sites: gpd.GeoDataFrame, above: float
) -> march.Spots:
    z = space.height(sites["ground_m"].to_numpy() + above)
    return march.Spots(cells[0].astype(np.int32), cells[1].astype(np.int32), z)


# ---------------------------------------------------------------------------------------------
# Choice


@dataclass(frozen=True)
class _Throwing:
    """What throws meet, where they should not end, and how legs are weighed."""

    scene: Scene
    contacts: Contacts
    hazards: Hazards
    settings: LegsSettings

    def at(
        self, tees: gpd.GeoDataFrame, ends: gpd.GeoDataFrame, flights: LevelFlights, paths: Paths,
        lines: Lines,
    ) -> gpd.GeoDataFrame:  # fmt: skip
        """Throw at lines, measure and score them; see `legpaths.scored`."""
        return scored(
            self.scene, self.contacts, self.hazards, tees, ends, flights, paths, lines,
            self.settings,
        )  # fmt: skip

    def finishes(
        self, legs: gpd.GeoDataFrame, flights: LevelFlights, paths: Paths, lines: Lines
    ) -> tuple[gpd.GeoDataFrame, Floats, Ints]:
        """Legs with the rate of each finish, and the rates and arcs (legs, 3) themselves."""
        mine = finish_of(flights, lines)
        rates, arcs = rates_by_finish(
            self.contacts, flights, paths, lines, mine, self.scene.grid, self.settings.throws
        )
        every = np.arange(len(lines))
        rates[every, mine], arcs[every, mine] = legs["clear_rate"], lines.arc
        return legs.assign(**dict(zip(_BY_FINISH, rates.T, strict=True))), rates, arcs


def _best(
    thrown: _Throwing, sites: Sites, flights: LevelFlights, paths: Paths, found: _Found, keep: int
) -> tuple[gpd.GeoDataFrame, int]:
    """Throw at the most promising lines of a level and keep the best.

    Each sieve is finer and dearer than the one before: blocked samples, contacts on the path aimed
    for, a few throws, all of them. Also tells how many legs were dropped as unsafe.
    """
    scene, settings = thrown.scene, thrown.settings
    cell = scene.grid.cell
    lines, tee, end = found.lines, found.tee, found.end
    rise = sites.baskets["ground_m"].to_numpy()[end] - sites.tees["ground_m"].to_numpy()[tee]
    gentle = scores.grade(
        100 * rise / throwing.length_of(lines, cell),
        np.zeros(len(lines)),
        sites.tees["slope_pct"].to_numpy()[tee],
        sites.baskets["slope_pct"].to_numpy()[end],
    )
    finish, places = finish_of(flights, lines), places_of(lines, scene.grid)
    kind = _ground_kind(scene, lines, flights, paths, places, rise)

    def sieved(which: Ints, met: Floats, room: int) -> Ints:
        hope = scores.total(1 / (1 + met), gentle[which], np.ones(which.size), settings.score)
        order = _one_of_a_kind(
            hope, places[which], finish[which], lines.take(which), settings.apart
        )
        which, hope = which[order], hope[order]
        return which[
            _uncrowded(hope, places[which], finish[which], kind[which], settings, room * keep)
        ]

    first = sieved(np.arange(len(lines)), found.blocked.astype(float), AIMED)
    met = throwing.aim(lines.take(first), flights, paths, thrown.contacts, cell)[:, 0]
    first, met = first[met < NO_THROW], met[met < NO_THROW]
    first = sieved(first, met, TRIED)
    lines, finish, kind = lines.take(first), finish[first], kind[first]
    tee, end, places, gentle = tee[first], end[first], places[first], gentle[first]
    seeds = throwing.seeds_of(flights.level.name, lines, *places.T)
    tried = throwing.throw(lines, flights, paths, thrown.contacts, seeds, TRIES, cell)
    hope = scores.total(
        scores.clearance(tried.clear, tried.low), gentle, np.ones(len(lines)), settings.score
    )
    first = _apart(hope, places, finish, lines, settings.apart)
    room = THROWN * keep
    first = first[
        _uncrowded(hope[first], places[first], finish[first], kind[first], settings, room)
    ]
    lines, tee, end, places = lines.take(first), tee[first], end[first], places[first]
    legs = thrown.at(sites.tees.iloc[tee], sites.baskets.iloc[end], flights, paths, lines)
    safe = legs["unsafe_share"].to_numpy() <= settings.most_unsafe
    good = np.flatnonzero(safe & (legs["clear_rate"].to_numpy() >= settings.least_clear))
    last = good[_apart_rows(legs, places, flights, lines, good, settings)]
    score, kind = legs["score"].to_numpy()[last], legs["lane_kind"].to_numpy()[last]
    finish = finish_of(flights, lines)[last]
    last = last[_uncrowded(score, places[last], finish, kind, settings, keep)]
    legs, lines, tee, end = legs.iloc[last], lines.take(last), tee[last], end[last]
    legs, rates, arcs = thrown.finishes(legs, flights, paths, lines)
    # A finish that is surely better takes the leg over.
    mine, better = legs["clear_rate"].to_numpy(), np.nan_to_num(rates, nan=-1.0).argmax(1)
    best = np.take_along_axis(rates, better[:, None], 1)[:, 0]
    error = throwing.standard_error(best, settings.throws)
    gain = best - mine > SURELY * np.hypot(error, legs["clear_rate_se"])
    if gain.any():
        which = np.flatnonzero(gain)
        arc = np.where(gain, np.take_along_axis(arcs, better[:, None], 1)[:, 0], lines.arc)
        order = np.r_[np.flatnonzero(~gain), which]
        lines = replace(lines, arc=arc)
        taken = thrown.at(
            sites.tees.iloc[tee[which]], sites.baskets.iloc[end[which]], flights, paths,
            lines.take(which),
        )  # fmt: skip
        taken[list(_BY_FINISH)] = rates[which]
        legs, lines = pd.concat([legs[~gain], taken], ignore_index=True), lines.take(order)
        good = np.flatnonzero(legs["unsafe_share"].to_numpy() <= settings.most_unsafe)
        rows = _apart_rows(legs, places[last][order], flights, lines, good, settings)
        legs = legs.iloc[good[rows]]
    return gpd.GeoDataFrame(legs, crs=scene.grid.crs), int((~safe).sum())


def _apart_rows(
    legs: gpd.GeoDataFrame, places: Floats, flights: LevelFlights, lines: Lines, which: Ints,
    settings: LegsSettings,
) -> Ints:  # fmt: skip
    """Of some of the legs, which are no near-duplicate of a better one, best first."""
    lines = lines.take(which)
    score = legs["score"].to_numpy()[which]
    return _apart(score, places[which], finish_of(flights, lines), lines, settings.apart)


def _ground_kind(
    scene: Scene, lines: Lines, flights: LevelFlights, paths: Paths, places: Floats, rise: Floats
) -> Ints:
    """Code of the kind of lane that most of each line lies in; 0 for none."""
    counts = np.zeros((len(lines), len(KINDS)), np.int16)
    length, every = throwing.length_of(lines, scene.grid.cell), np.arange(len(lines))
    row = paths.row_of(flights, lines, length, rise + flights.end - flights.release)
    dx, dy = places[:, 2] - places[:, 0], places[:, 3] - places[:, 1]
    for node in np.linspace(0, TARGET, 9).round().astype(int):
        along, left = paths.table.path[row, node, 0], paths.table.path[row, node, 1]
        r, c = scene.grid.rowcol(
            places[:, 0] + dx * along - dy * left, places[:, 1] + dy * along + dx * left
        )
        counts[every, scene.lane_kind[r, c]] += 1
    counts[:, 0] = 0
    return np.asarray(counts.argmax(1), np.int64)


def _order(score: Floats, lines: Lines) -> Ints:
    """Best first; ties in the order of cells and arcs, so that any run agrees."""
    keys = (lines.arc, lines.end_col, lines.end_row, lines.tee_col, lines.tee_row, -score)
    return np.asarray(np.lexsort(keys), np.int64)


def _one_of_a_kind(score: Floats, places: Floats, finish: Ints, lines: Lines, apart: float) -> Ints:
    """Best line of each pair of squares and finish, best first: a cheap first sieve."""
    order = _order(score, lines)
    if apart <= 0:
        return order
    squares = np.floor(places[order] / apart).astype(np.int64)
    frame = pd.DataFrame(squares).assign(finish=finish[order])
    repeated = frame.duplicated().to_numpy()
    return np.asarray(order[~repeated], np.int64)


def _uncrowded(
    score: Floats, places: Floats, finish: Ints, kind: NDArray[Any], settings: LegsSettings,
    keep: int,
) -> Ints:  # fmt: skip
    """Rows to keep of legs in order of score: a fair part of each kind of lane, then the best.

    Each further leg from the same ground counts less. Without a part of its own no lane through a
    wood would stand against a meadow.
    """
    ground = np.floor(places[:, :2] / CROWD).astype(np.int64)
    frame = pd.DataFrame(ground).assign(finish=finish)
    rank = frame.groupby([0, 1, "finish"]).cumcount().to_numpy()
    order = np.argsort(-(score - settings.crowding * rank), kind="stable")
    place_in_kind = pd.Series(kind[order]).groupby(kind[order]).cumcount().to_numpy()
    fair = place_in_kind < keep // (len(KINDS) - 1)
    return np.asarray(np.r_[order[fair], order[~fair]][:keep], np.int64)


def _apart(score: Floats, places: Floats, finish: Ints, lines: Lines, apart: float) -> Ints:
    """Rows of legs, best first, none with both tee and end `apart` or less from a better one's."""
    order = _order(score, lines)
    if apart <= 0 or order.size == 0:
        return order
    rank = np.empty(order.size, np.int64)
    rank[order] = np.arange(order.size)
    near = cKDTree(places).query_pairs(apart * np.sqrt(2) + 1e-9, output_type="ndarray")
    tee = np.hypot(*(places[near[:, 0], :2] - places[near[:, 1], :2]).T)
    end = np.hypot(*(places[near[:, 0], 2:] - places[near[:, 1], 2:]).T)
    same = (finish[near[:, 0]] == finish[near[:, 1]]) & (tee <= apart) & (end <= apart)
    near = near[same]
    better = np.where(rank[near[:, 0]] < rank[near[:, 1]], near[:, 0], near[:, 1])
    worse = near.sum(1) - better
    by_worse = np.argsort(worse, kind="stable")
    better, starts = better[by_worse], np.searchsorted(worse[by_worse], np.arange(order.size + 1))
    stays = np.zeros(order.size, bool)
    for leg in order:
        stays[leg] = not stays[better[starts[leg] : starts[leg + 1]]].any()
    return order[stays[order]]


# ---------------------------------------------------------------------------------------------
# Scores


def _why_none(facts: dict[str, object], flights: Flights) -> str:
    """Sentence on what stood in the way of every leg."""
    for what in ("tee", "basket"):
        counts = dict(facts[f"{what}_sites"])  # type: ignore[call-overload]
        if not counts.pop("sites"):
            reason = max(counts, key=lambda r: counts[r], default="none")
            return f"no legs: nowhere fits a {what}, most often because it is {reason}"
    tried = sum(int(str(facts[f"{f.level.name}_lines"])) for f in flights.levels)
    if not tried:
        return "no legs: no tee and basket lie as far apart as the levels throw on a hole"
    return f"no legs: all of {tried:,} lines are blocked, or touch growth too often"


def _own(
    thrown: _Throwing, tees: gpd.GeoDataFrame, baskets: gpd.GeoDataFrame, flights: Flights,
    paths: list[Paths], name: str, line: shapely.LineString,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, list[gpd.GeoDataFrame], list[str]]:  # fmt: skip
    """Sites with the ends of one drawn line added, its legs for each level, and warnings."""
    scene, settings = thrown.scene, thrown.settings
    corners = shapely.get_coordinates(line)
    try:
        tees, tee = add_spots(tees, scene, *corners[:-1].T)
        baskets, end = add_spots(baskets, scene, *corners[1:].T)
    except ValueError:
        raise InputError(
            "a drawn line", f"{name} leaves the surveyed land", "Redraw it or add tiles."
        ) from None
    cells = [*_cells(tees.iloc[tee], scene.grid), *_cells(baskets.iloc[end], scene.grid)]
    legs, short, unsafe = [], [], 0.0
    for level, table in zip(flights.levels, paths, strict=True):
        arcs = np.arange(len(level.arcs))
        r0, c0, r1, c1 = (np.repeat(c, arcs.size) for c in cells)
        lines = Lines(r0, c0, r1, c1, np.tile(arcs, tee.size))
        which = np.repeat(np.arange(tee.size), arcs.size)
        tried = thrown.at(tees.iloc[tee[which]], baskets.iloc[end[which]], level, table, lines)
        # What the level cannot throw is taken only where it can throw nothing at all; then the
        # nearest throw it has stands in.
        there = throwing.possible(lines, level, table, thrown.contacts, scene.grid.cell)
        worth = np.where(there, 1.0, 0.0) + tried["score"].to_numpy() / 2
        best = worth.reshape(tee.size, arcs.size).argmax(1) + np.arange(tee.size) * arcs.size
        mine, _, _ = thrown.finishes(tried.iloc[best], level, table, lines.take(best))
        legs.append(mine.assign(origin="own", own_hole=name))
        reach = _bounds(level, settings)[1]
        if not there[best].all() or (mine["length_m"] > reach).any():
            short.append(f"{level.level.name} ({reach:.0f} m, {reach / FOOT:.0f} ft)")
        unsafe = max(unsafe, float(mine["unsafe_share"].max()))
    said = []
    if short:
        said.append(
            f"own hole {name} asks for a throw that is beyond {' and '.join(short)}, or the ground "
            "is in its way; a corner in its line makes it a hole of two throws"
        )
    if unsafe > settings.most_unsafe:
        said.append(
            f"own hole {name}: up to {unsafe:.0%} of the throws at it end off the property or in a "
            "keep-out's buffer"
        )
    return tees, baskets, legs, said


def _table(frames: list[gpd.GeoDataFrame], grid: Grid) -> gpd.GeoDataFrame:
    """All legs, best first, numbered from 1."""
    if not frames:
        empty = gpd.GeoDataFrame({"leg_id": np.empty(0, int)}, geometry=[], crs=grid.crs)
        return empty.reindex(columns=[*(c.name for c in LAYERS["legs"].columns), "geometry"])
    both = pd.concat(frames, ignore_index=True)
    both = both.sort_values(
        ["score", "level", "tee_id", "end_id", "finish"],
        ascending=[False, True, True, True, True],
        kind="stable",
        ignore_index=True,
    )
    both.insert(0, "leg_id", np.arange(1, len(both) + 1))
    return gpd.GeoDataFrame(both, geometry="geometry", crs=grid.crs)
