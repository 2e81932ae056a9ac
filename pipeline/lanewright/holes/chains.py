"""Stage holes: legs become holes of one to three throws, and those fit to choose from are kept.

Throws join at landing zones: where one leg ends on ground that takes the spread of its throws, and
another starts within a few metres. Pars and effective lengths are in `par`, greens in `greens`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.spatial import cKDTree
from scipy.stats import norm

from lanewright.base.arrays import Floats, Ints
from lanewright.base.schema import LAYERS
from lanewright.base.threads import kernel_threads
from lanewright.base.units import FOOT
from lanewright.flight.flight import RANGE_POWER, Flights
from lanewright.holes import par
from lanewright.holes.alternatives import other_positions, second_routes, throws_on
from lanewright.holes.furtherlegs import Further
from lanewright.holes.greens import greens_of
from lanewright.holes.safety import alone, conflicts
from lanewright.legs.legs import Legs
from lanewright.legs.measure import KINDS
from lanewright.legs.scene import STAND, Scene
from lanewright.legs.scores import effective_length
from lanewright.legs.thrower import thrower_of
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import Level
from lanewright.store import stage

log = logging.getLogger(__name__)

Fit = Callable[[pd.DataFrame], NDArray[np.bool_]]

NONE = -1
BRANCHES = 12  # next throws tried from one landing zone
GAP = 0.03  # score that a metre from a landing to the next throw costs
STRAIGHTEST = 0.6  # least distance from tee to basket as a share of the way played
SQUARE = 20.0  # m; ground that candidates share
CROWDING = 0.06  # score that a candidate must bring for each other hole on its ground
SURPLUS = 3  # holes that sets of holes are sought among, for each that is kept
GOOD = 0.6  # share of the others that a hole may exclude more for being the best, not the worst
SHORT_WALK = 46.0  # m from a basket to the next tee, 150 ft; common practice
LINKED = 0.1  # share of the others that a hole may exclude more for one such walk
AIMED = 40  # holes looked at for each that is kept
VARIETY = 0.3  # score that being the only one of its kind is worth
ZONE = 12.0  # m; short side of a wooded landing zone, 40 ft; common practice
SAME = 12.0  # m; candidates whose tees and baskets both lie nearer are one hole
TIGHT = 9.0  # m; widest 1 to 2 in 3 gap of any level, worth a word; ours
HINDERED = 0.15  # of the straight that must be barred for a hole to bend
ELLIPSE = 2 * np.sqrt(2 * np.log(3))  # axes of the ellipse that holds two thirds, in sds
ODDS = (np.arange(7) + 0.5) / 7  # of the throws that try a landing zone, each way


@dataclass(frozen=True)
class Holes:
    """Candidate holes.

    Attributes
    ----------
    holes
        One row per hole in the columns of layer `holes`; LineString Z along the flights.
    positions
        Other tees and pins of them, in the columns of layer `hole_positions`.
    legs
        The legs table, with the throws from landing zones that were added for these holes; hole
        legs name its `leg_id`. It stands in for `Legs.legs` from here on.
    leg_ids
        Legs that candidates use, ascending.
    facts
        For the summary.
    """

    holes: gpd.GeoDataFrame
    positions: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    leg_ids: Ints
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@stage("holes", version=10)
def find_holes(
    scene: Scene,
    flights: Flights,
    legs: Legs,
    legs_settings: LegsSettings,
    settings: HoleSettings,
    safety: SafetySettings,
    *,
    threads: int = 1,
) -> Holes:
    """Make candidate holes out of the legs of a property, and the designer's own.

    Parameters
    ----------
    scene, flights, legs
        Results of the stages before.
    legs_settings, settings, safety
        The sections `legs`, `layout: hole:` and `layout: safety:` of the configuration.
    threads
        For the kernels; the result is the same for any number.
    """
    levels = tuple(flight.level for flight in flights.levels)
    with kernel_threads(threads):
        further = None
        if len(legs.legs) and scene.surveyed:
            further = Further(
                thrower_of(scene, flights, legs_settings),
                legs.tee_sites.reset_index(drop=True),
                legs.basket_sites.reset_index(drop=True),
            )
        return make_holes(scene, levels, legs, settings, safety=safety, further=further)


def make_holes(
    scene: Scene,
    levels: tuple[Level, ...],
    legs: Legs,
    settings: HoleSettings,
    *,
    safety: SafetySettings | None = None,
    further: Further | None = None,
) -> Holes:
    """Join legs into holes, measure them, and keep the best that differ.

    Parameters
    ----------
    scene
        The land.
    levels
        Who plays, best players first; they get half of the room, the others share the rest.
    legs
        Sites and scored legs.
    settings
        The section `layout: hole:` of the configuration.
    safety
        How far holes stay from what must not be thrown over; holes that cannot are left out, own
        ones but not.
    further
        For second routes, other tees and pins; without one there are none.
    """
    safety = safety or SafetySettings()
    table = legs.legs.reset_index(drop=True)
    lands = landing_share(scene, levels, table, settings.landing_slope)
    zones = _landing_zones(scene, legs.basket_sites, settings.landing_slope)
    chosen: list[pd.DataFrame] = []
    facts: dict[str, object] = {}

    def safe(tried: pd.DataFrame) -> NDArray[np.bool_]:
        frame = _numbered([tried], table, scene, in_order=False)
        unfit = alone(frame, table, levels, scene, safety)["hole"].unique()
        return ~np.isin(np.arange(len(frame)), unfit)

    for level, room in zip(levels, _rooms(settings.keep, len(levels)), strict=True):
        mine = _legs_of(table[: len(legs.legs)], level, settings)
        bars = partial(hindered, scene)
        chains = chains_of(table, mine, level, lands, settings, bars)
        several = int((chains[:, 1] >= 0).sum())
        if further is not None and settings.most_legs > 1 and several < room / 2:
            first = len(table)
            table = throws_on(table, mine, lands, level, further, settings)
            new = table.iloc[first:]
            lands = np.r_[lands, landing_share(scene, levels, new, settings.landing_slope)]
            mine = np.r_[mine, np.arange(first, len(table))]
            chains = chains_of(table, mine, level, lands, settings, bars, first)
            facts[f"{level.name}_throws_on"] = len(new)
        tried = measured(table, chains, lands, levels, level, settings)
        facts[f"{level.name}_holes"] = _counted(chains)
        some = tried.iloc[_spread_out(tried, table, SURPLUS * room, safe)]
        pairs = conflicts(
            _numbered([some], table, scene, in_order=False), table, levels, scene, safety
        )
        rounds = _in_rounds(
            some["score"].to_numpy(), some["length_m"].to_numpy(), _length_kinds(some, level),
            some[["tee_x", "tee_y", "end_x", "end_y"]].to_numpy(),
            pairs[["first", "second"]].to_numpy(), room,
        )  # fmt: skip
        picked = some.iloc[rounds].reset_index(drop=True)
        picked["twin"] = [f"{level.name} {i}" for i in range(len(picked))]
        chosen.append(picked)
        if further is not None and len(picked):
            table, routes = second_routes(table, picked, zones, level, further, settings)
            new = table.iloc[lands.size :]
            lands = np.r_[lands, landing_share(scene, levels, new, settings.landing_slope)]
            more = [
                measured(table, _padded(chain), lands, levels, level, settings).assign(
                    twin=picked["twin"].iloc[row], second=True
                )
                for row, chain in routes
            ]
            if more:
                ways = pd.concat(more, ignore_index=True)
                lands_well = ~(ways["landing_share"] < settings.landing_share)
                chosen.append(ways[safe(ways) & lands_well])
            facts[f"{level.name}_second_routes"] = len(chosen[-1]) if more else 0
    chosen += [
        measured(table, chain[None], lands, levels, level, settings).assign(name=name, origin="own")
        for name, level, chain in _own_chains(table, legs, levels)
    ]
    holes = _routes(_numbered(chosen, table, scene))
    holes = holes.assign(**greens_of(scene, holes))
    holes["score"] *= holes.pop("green_score")
    holes["sentence"] = [_sentence(row, settings.gap_share) for row in holes.to_dict("records")]
    used = np.unique(np.array(" ".join(holes["legs"]).split(), dtype=np.int64))
    positions = _no_positions(scene)
    if further is not None and len(holes):
        positions, table = other_positions(table, holes, levels, further, settings)
    facts |= {"holes": len(holes), "positions": len(positions)}
    warnings = _warnings(holes, facts)
    for level in levels:
        log.info("%s: %s", level.name, facts[f"{level.name}_holes"])
    documented = [c.name for c in LAYERS["holes"].columns if c.name in holes]
    return Holes(holes[[*documented, "geometry"]], positions, table, used, facts, warnings)


def _legs_of(table: gpd.GeoDataFrame, level: Level, settings: HoleSettings) -> Ints:
    """Rows of the search's legs that may make holes of a level."""
    fits = (table["level"] == level.name) & (table["origin"] != "own")
    return np.flatnonzero(fits & ~(table["clear_rate"] < settings.least_clear))


def _padded(chain: Ints) -> Ints:
    """One row of chains."""
    return np.concatenate([chain, np.full(3 - chain.size, NONE, np.int64)])[None]


# ---------------------------------------------------------------------------------------------
# Joining


def landing_share(
    scene: Scene, levels: tuple[Level, ...], legs: gpd.GeoDataFrame, steepest: float
) -> Floats:
    """Share of each leg's throws that come down on open, dry, gentle ground (legs,).

    Throws fall about the end as those that were followed to the ground did (columns `landing_*`),
    or, where there are none, as the level's aim and speed spread them; 7 by 7 of them stand for
    all, each as likely as the others.
    """
    shapes = legs.geometry.to_numpy()
    ends, tees = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (-1, 0))
    length = legs["length_m"].to_numpy()
    ahead = (ends - tees) / length[:, None]
    aim = {level.name: float(level.sideways(1.0)) for level in levels}
    pace = {level.name: RANGE_POWER * level.speed_sd for level in levels}
    middle, axis = ends, ahead
    long = length * legs["level"].map(pace).to_numpy(float)
    wide = length * legs["level"].map(aim).to_numpy(float)
    if "landing_long_m" in legs:
        thrown = np.isfinite(legs["landing_long_m"].to_numpy(float))
        bearing = np.radians(legs["landing_bearing_deg"].to_numpy(float))
        past = legs["landing_past_m"].to_numpy(float)[:, None]
        middle = np.where(thrown[:, None], ends + past * ahead, ends)
        axis = np.where(thrown[:, None], np.column_stack([np.sin(bearing), np.cos(bearing)]), ahead)
        long = np.where(thrown, legs["landing_long_m"] / ELLIPSE, long)
        wide = np.where(thrown, legs["landing_wide_m"] / ELLIPSE, wide)
    z = norm.ppf(ODDS)
    out, off = long[:, None] * np.repeat(z, z.size), wide[:, None] * np.tile(z, z.size)
    x = middle[:, :1] + axis[:, :1] * out - axis[:, 1:] * off
    y = middle[:, 1:] + axis[:, 1:] * out + axis[:, :1] * off
    row, col = scene.grid.rowcol(x, y)
    row, col = np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
    return np.asarray(good_landing(scene, steepest)[row, col].mean(1))


def good_landing(scene: Scene, steepest: float) -> NDArray[np.bool_]:
    """Ground that a disc may be played on from: open, dry and gentle (rows, cols)."""
    steep = np.nan_to_num(scene.slope_pct, nan=np.inf) > steepest
    standing = (np.asarray(scene.blocked) & STAND) != 0
    return np.asarray(~(steep | standing | scene.water | scene.wet), bool)


def _landing_zones(scene: Scene, sites: gpd.GeoDataFrame, steepest: float) -> Floats:
    """Share of the ground around sites that a disc may be played on from (sites,)."""
    if not len(sites):
        return np.zeros(0)
    side = max(1, round(ZONE / scene.grid.cell))
    good = ndi.uniform_filter(good_landing(scene, steepest).astype(np.float32), side)
    at = scene.grid.rowcol(sites.geometry.x.to_numpy(), sites.geometry.y.to_numpy())
    return np.asarray(good[at], np.float64)


def hindered(scene: Scene, start: Floats, stop: Floats) -> Floats:
    """Share of the straight from each start to its stop that trees or water bar (pairs,)."""
    steps = (np.arange(15) + 0.5) / 15
    xy = start[:, None] + (stop - start)[:, None] * steps[:, None]
    row, col = scene.grid.rowcol(xy[..., 0], xy[..., 1])
    row, col = np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
    return np.asarray(((scene.trees_around[row, col] > 0.5) | scene.water[row, col]).mean(1))


def chains_of(
    legs: gpd.GeoDataFrame, mine: Ints, level: Level, lands: Floats, settings: HoleSettings,
    bars: Callable[[Floats, Floats], Floats] = lambda start, _stop: np.ones(len(start)),
    starts: int | None = None,
) -> Ints:  # fmt: skip
    """Rows of legs that follow one another, one row of (chains, 3) each; `NONE` after the last.

    Parameters
    ----------
    legs
        The legs table.
    mine
        Rows of the level's legs.
    level
        Who plays; only the first throw may be longer than a fairway throw.
    lands : (legs,)
        Share of throws that land well.
    settings
        Gap, bend and landing share at a landing zone.
    bars
        Share of the straight between places that the land bars, as in `hindered`. Where nothing
        stands in the way nobody plays round a corner.
    starts
        Legs from this row on open no hole; by default all may.
    """
    shapes = legs.geometry.to_numpy()[mine]
    tee = shapely.get_coordinates(shapely.get_point(shapes, 0))
    end = shapely.get_coordinates(shapely.get_point(shapes, -1))
    way = end - tee
    length = legs["length_m"].to_numpy()[mine]
    score = legs["score"].to_numpy()[mine]
    single = np.full((mine.size, 3), NONE, np.int64)
    single[:, 0] = np.arange(mine.size)
    opens = mine < (len(legs) if starts is None else starts)
    parts = [single[opens]]
    follows = length <= level.fairway_throw
    lands_well = lands[mine] >= settings.landing_share
    if settings.most_legs > 1 and follows.any() and lands_well.any():
        near = cKDTree(tee).query_ball_point(end[lands_well], settings.join)
        sizes = [len(n) for n in near]
        first = np.repeat(np.flatnonzero(lands_well), sizes)
        then = np.array([j for n in near for j in sorted(n)], np.int64)
        turn = np.abs(_bend(way[first], way[then]))
        fits = follows[then] & (turn <= settings.max_bend)
        bent = np.flatnonzero(fits & (turn > settings.free_bend))
        fits[bent] = bars(tee[first[bent]], end[then[bent]]) >= HINDERED
        first, then = first[fits], then[fits]
        gap = np.hypot(*(tee[then] - end[first]).T)
        order = np.lexsort((then, GAP * gap - score[then], first))
        first, then = first[order], then[order]
        rank = pd.Series(first).groupby(first).cumcount().to_numpy()
        first, then = first[rank < BRANCHES], then[rank < BRANCHES]
        pairs = np.column_stack([first, then, np.full(first.size, NONE)])
        parts.append(pairs[opens[first]])
        if settings.most_legs > 2 and first.size:
            begin = np.searchsorted(first, np.arange(mine.size + 1))
            count = begin[then + 1] - begin[then]
            whose = np.repeat(np.arange(first.size), count)
            third = then[np.arange(count.sum()) - np.repeat(count.cumsum() - count, count)
                         + np.repeat(begin[then], count)]  # fmt: skip
            triples = np.column_stack([first[whose], then[whose], third])
            parts.append(triples[opens[triples[:, 0]]])
    chains = np.concatenate(parts)
    last = np.where(chains >= 0, chains, 0)
    played = np.where(chains >= 0, length[last], 0).sum(1)
    final = chains[np.arange(len(chains)), (chains >= 0).sum(1) - 1]
    gained = np.hypot(*(end[final] - tee[chains[:, 0]]).T)
    chains = chains[gained >= STRAIGHTEST * played]
    return np.where(chains >= 0, mine[np.where(chains >= 0, chains, 0)], NONE)


def _bend(first: Floats, then: Floats) -> Floats:
    """Turn from one way to the next [degrees], left above 0."""
    cross = first[:, 0] * then[:, 1] - first[:, 1] * then[:, 0]
    return np.asarray(np.degrees(np.arctan2(cross, (first * then).sum(1))))


# ---------------------------------------------------------------------------------------------
# Measuring


def measured(
    legs: gpd.GeoDataFrame, chains: Ints, lands: Floats, levels: tuple[Level, ...], level: Level,
    settings: HoleSettings,
) -> pd.DataFrame:  # fmt: skip
    """Measure holes; one row per chain in the columns of layer `holes` but its last few.

    Parameters
    ----------
    legs
        The legs table.
    chains : (holes, 3)
        Rows of legs.
    lands : (legs,)
        Share of throws that land well.
    levels, level
        Who plays, and for whom these are.
    settings
        What forces a lay-up, and the lowest par.
    """
    there = chains >= 0
    rows = np.where(there, chains, 0)
    throws = there.sum(1)
    every = np.arange(len(chains))
    first, last = rows[:, 0], rows[every, throws - 1]

    def each(name: str, empty: Any = np.nan) -> Any:
        return np.where(there, legs[name].to_numpy()[rows], empty)

    length = each("length_m", 0.0)
    total = length.sum(1)
    weight = length / total[:, None]
    shapes = legs.geometry.to_numpy()
    start = shapely.get_coordinates(shapely.get_point(shapes, 0))
    stop = shapely.get_coordinates(shapely.get_point(shapes, -1))
    ground = legs["rise_m"].to_numpy()
    rise = np.where(there, ground[rows], 0).sum(1)
    bends = np.zeros((len(chains), chains.shape[1] - 1))
    for i in range(bends.shape[1]):
        joined = there[:, i + 1]
        here, then = rows[joined, i], rows[joined, i + 1]
        bends[joined, i] = _bend(stop[here] - start[here], stop[then] - start[then])
    carry = each("carry_water_m", 0.0)
    forced = (np.abs(bends) >= settings.forced_bend) & there[:, 1:]
    kinds = each("lane_kind", "none")
    shares = {kind: np.where(kinds == kind, weight, 0).sum(1) for kind in KINDS[1:]}
    kind = np.array(KINDS[1:], object)[np.argmax(list(shares.values()), 0)]
    kind[sum(shares.values()) == 0] = None  # without lidar nobody knows
    pinches = each("pinch_width_m", np.inf)
    pinches = np.where(np.isnan(pinches), np.inf, pinches)
    narrow = pinches.argmin(1)
    before = np.cumsum(length, 1) - length
    pinch = pinches[every, narrow]
    pinch_at = each("pinch_at_m")[every, narrow]
    known = np.isfinite(pinch)
    foliage = np.where(
        there,
        np.vectorize(par.foliage_of, otypes=[float])(
            kinds, np.where(np.isfinite(pinches), pinches, 99.0)
        ),
        0,
    )
    foliage = (foliage * weight).sum(1)
    effective = effective_length(total, rise)
    each_effective = each("effective_length_m", 0.0)
    landing = np.where(there[:, 1:], lands[rows[:, :-1]], np.inf).min(1, initial=np.inf)
    landing = np.where(throws > 1, landing, np.nan)
    pars = {
        who.name: [
            par.par_through(
                who, each_effective[i, : throws[i]], list(forced[i, : throws[i] - 1]), foliage[i],
                settings.min_par, effective[i],
            )
            for i in every
        ]
        for who in levels
    }  # fmt: skip
    score = np.where(there, np.maximum(each("score", 1.0), 1e-9), 1.0)
    good = np.exp(np.log(score).sum(1) / throws)
    good *= np.where(throws > 1, np.sqrt(np.nan_to_num(landing, nan=1.0)), 1.0)
    finishes = each("finish", "")
    return pd.DataFrame(
        {
            "name": None,
            "origin": "search",
            "level": level.name,
            "par": pars[level.name],
            "par_source": par.par_source(level),
            "pars": [
                ", ".join(f"{who.name} {pars[who.name][i]}" for who in levels) for i in every
            ],
            "chain": list(chains),
            "throws": throws,
            "tee_id": legs["tee_id"].to_numpy()[first],
            "end_id": legs["end_id"].to_numpy()[last],
            "length_m": total,
            "effective_length_m": effective,
            "rise_m": rise,
            "finish": finishes[:, 0],
            "finishes": [", ".join(f for f in row if f) for row in finishes],
            "bend_deg": bends.sum(1),
            "forced": forced.sum(1),
            **{
                name: np.where(there, each(name, 1.0), 1.0).prod(1)
                for name in (
                    "clear_rate", "clear_rate_low", "clear_rate_high", "clear_rate_leaf_on",
                )
            },
            "lane_kind": kind,
            "wooded_share": shares["lane"] + shares["tunnel"],
            "roof_share": (each("roof_share", 0.0) * weight).sum(1),
            "pinch_width_m": np.where(known, pinch, np.nan),
            "pinch_at_m": np.where(known, before[every, narrow] + pinch_at, np.nan),
            "fair_width_m": np.where(known, par.fair_width(level.sideways(pinch_at)), np.nan),
            "carry_water_m": carry.max(1),
            "wet_share": (each("wet_share", 0.0) * weight).sum(1),
            "seen_share": (each("seen_share", 0.0) * weight).sum(1),
            "landing_share": landing,
            "foliage": foliage,
            "tee_slope_pct": legs["tee_slope_pct"].to_numpy()[first],
            "green_slope_pct": legs["landing_slope_pct"].to_numpy()[last],
            "miss_cost": _miss_cost(each, there, length, level, set(legs.columns)),
            "score": good,
            "tee_x": start[first, 0],
            "tee_y": start[first, 1],
            "end_x": stop[last, 0],
            "end_y": stop[last, 1],
        }
    )  # fmt: skip


def _miss_cost(each: Any, there: Any, length: Floats, level: Level, known: set[str]) -> Floats:
    """Throws that misses cost on average, over the legs of holes.

    A throw that touches something falls where most that fail do, or at the narrowest place where
    that is not known; what is left to the end of the leg is a share of a fairway throw, at most a
    whole one. A throw that ends in water costs itself and a penalty, one off the property or in a
    keep-out the penalty. Where nobody followed the throws, one that misses over water is in it.
    """
    at = each("fail_at_m") if "fail_at_m" in known else each("pinch_at_m")
    at = np.where(np.isfinite(at), at, np.nan_to_num(each("pinch_at_m")))
    cost = np.clip((length - at) / level.fairway_throw, 0.25, 1.0)
    missed = 1 - np.nan_to_num(each("clear_rate", 1.0), nan=1.0)
    if {"lands_wet_share", "unsafe_share"} <= known:
        wet, unsafe = (np.nan_to_num(each(n, 0.0)) for n in ("lands_wet_share", "unsafe_share"))
        return np.asarray(np.where(there, missed * cost + 2 * wet + unsafe, 0).sum(1))
    cost = np.where(each("carry_water_m", 0.0) > 0, 2.0, cost)
    return np.asarray(np.where(there, missed * cost, 0).sum(1))


# ---------------------------------------------------------------------------------------------
# Choice


def _rooms(keep: int, levels: int) -> list[int]:
    """How many candidates each level gets: the first half, the others the rest in even parts."""
    if levels == 1:
        return [keep]
    rest = keep // 2 // (levels - 1)
    return [keep - rest * (levels - 1), *[rest] * (levels - 1)]


def _spread_out(holes: pd.DataFrame, table: gpd.GeoDataFrame, room: int, fit: Fit) -> Ints:
    """Rows of the holes to keep: one by one the best, crowded ground and common kinds last.

    Of the same number of throws, holes whose tees and baskets both lie within `SAME` are one.
    """
    if not len(holes) or not room:
        return np.empty(0, np.int64)
    places = holes[["tee_x", "tee_y", "end_x", "end_y"]].to_numpy()
    order = np.lexsort((*places.T, -holes["score"].to_numpy()))[: AIMED * room // SURPLUS]
    order = order[fit(holes.iloc[order])]
    if not order.size:
        return np.empty(0, np.int64)
    some = holes.iloc[order]
    places, score, throws = places[order], some["score"].to_numpy(), some["throws"].to_numpy()
    kinds = [
        pd.factorize(values, use_na_sentinel=False)[0]
        for values in (
            some["lane_kind"], some["finish"], np.minimum(some["par"], 5),
            np.round(some["effective_length_m"] / some["effective_length_m"].median() / 0.25),
            np.round(some["rise_m"] / some["length_m"] / 0.05).clip(-2, 2),
        )
    ]  # fmt: skip
    counts = [np.zeros(codes.max(initial=0) + 1) for codes in kinds]
    ground, cells = _squares(some, table)
    cover = np.zeros(cells)
    twins = cKDTree(places).query_ball_point(places, SAME * np.sqrt(2) + 1e-9)
    left = np.ones(score.size, bool)
    kept: list[int] = []
    while len(kept) < room and left.any():
        common = np.mean([c[codes] for c, codes in zip(counts, kinds, strict=True)], 0)
        crowd = cover[ground].mean(1)
        worth = score - CROWDING * crowd - VARIETY * common / max(len(kept), 1)
        best = int(np.where(left, worth, -np.inf).argmax())
        kept.append(best)
        for count, codes in zip(counts, kinds, strict=True):
            count[codes[best]] += 1
        cover[np.unique(ground[best])] += 1
        near = np.array(twins[best])
        gap = np.abs(places[near] - places[best])
        same = (np.hypot(*gap[:, :2].T) <= SAME) & (np.hypot(*gap[:, 2:].T) <= SAME)
        left[near[same & (throws[near] == throws[best])]] = False
        left[best] = False
    return np.asarray(order[kept], np.int64)


def _in_rounds(
    score: Floats, length: Floats, kind: Ints, places: Floats, pairs: Ints, room: int
) -> Ints:
    """Holes to keep, round by round: each round is a set that can be built together.

    Candidates that are merely good may all exclude one another; a layout needs many that do not.
    A round is filled with the hole that excludes the fewest others for its length, a good hole
    before a poor one, each kind of hole in turn: short, middle, long, and of several throws. A hole
    whose tee lies a short walk from a basket of the set, or whose basket from a tee, goes before.
    """
    clash = np.zeros((score.size, score.size), bool)
    clash[pairs[:, 0], pairs[:, 1]] = clash[pairs[:, 1], pairs[:, 0]] = True
    walk = np.hypot(*(places[:, None, 2:] - places[None, :, :2]).transpose(2, 0, 1))
    leads = (walk <= SHORT_WALK) & ~clash
    np.fill_diagonal(leads, False)
    left = np.ones(score.size, bool)
    kept: list[int] = []
    counts = np.zeros(int(kind.max(initial=0)) + 1)
    while len(kept) < min(room, score.size):
        free, mates = left.copy(), np.zeros(score.size, bool)
        while free.any() and len(kept) < room:
            excludes = clash[:, free].mean(1) * length.mean() / length
            linked = leads[mates].any(0).astype(float) + leads[:, mates].any(1)
            there = np.unique(kind[free])
            pool = free & (kind == there[counts[there].argmin()])
            worth = GOOD * score - excludes + LINKED * linked
            best = int(np.where(pool, worth, -np.inf).argmax())
            kept.append(best)
            mates[best] = True
            counts[kind[best]] += 1
            left[best] = free[best] = False
            free &= ~clash[best]
    return np.asarray(kept, np.int64)


def _length_kinds(holes: pd.DataFrame, level: Level) -> Ints:
    """Third of the level's usual lengths that holes lie in, 0 to 2; 3 for several throws."""
    third = (holes["length_m"] - level.par3_from) / (level.tee_throw - level.par3_from) * 3
    kind = np.clip(np.floor(third.to_numpy()), 0, 2)
    return np.where(holes["throws"] > 1, 3, kind).astype(np.int64)


def _squares(holes: pd.DataFrame, table: gpd.GeoDataFrame) -> tuple[Ints, int]:
    """Squares of the land that each hole runs through (holes, 15), and how many there are."""
    shapes = table.geometry.to_numpy()
    chains = np.stack(list(holes["chain"]))[:, :3]
    xy = np.full((len(holes), 3, 5, 2), np.nan)
    for i in range(3):
        there = chains[:, i] >= 0
        for k, share in enumerate((0.1, 0.3, 0.5, 0.7, 0.9)):
            at = shapely.line_interpolate_point(shapes[chains[there, i]], share, normalized=True)
            xy[there, i, k] = shapely.get_coordinates(at)
    flat = np.where(np.isnan(xy), xy[:, :1], xy).reshape(-1, 2)
    square, ids = np.unique(np.floor(flat / SQUARE).astype(np.int64), axis=0, return_inverse=True)
    return ids.reshape(len(holes), 15), len(square)


def _own_chains(
    table: gpd.GeoDataFrame, legs: Legs, levels: tuple[Level, ...]
) -> Iterable[tuple[str, Level, Ints]]:
    """Rows of the legs of each of the designer's lines, for each level."""
    rows = pd.Series(np.arange(len(table)), index=table["leg_id"])
    who = {level.name: level for level in levels}
    for (name, level), mine in legs.own.groupby(["name", "level"], sort=False):
        chain = np.full(max(3, len(mine)), NONE, np.int64)
        chain[: len(mine)] = rows.loc[mine.sort_values("throw")["leg_id"]]
        yield str(name), who[str(level)], chain


def _numbered(
    frames: list[pd.DataFrame], legs: gpd.GeoDataFrame, scene: Scene, in_order: bool = True
) -> gpd.GeoDataFrame:
    """All holes with a number and a line each: the designer's own, then the best of each level."""
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        names = [c.name for c in LAYERS["holes"].columns]
        return gpd.GeoDataFrame(columns=names, geometry=[], crs=scene.grid.crs)
    holes = pd.concat(frames, ignore_index=True)
    if in_order:
        holes = holes.assign(theirs=holes["origin"] != "own").sort_values(
            ["theirs", "name", "level", "score", "tee_id", "end_id"],
            ascending=[True, True, True, False, True, True], kind="stable", ignore_index=True,
        )  # fmt: skip
    shapes, ids = legs.geometry.to_numpy(), legs["leg_id"].to_numpy()
    chains = [chain[chain >= 0] for chain in holes["chain"]]
    lines = [
        shapely.LineString(
            np.concatenate([shapely.get_coordinates(shapes[i], include_z=True) for i in chain])
        )
        for chain in chains
    ]
    holes["legs"] = [" ".join(str(ids[i]) for i in chain) for chain in chains]
    holes.insert(0, "hole_id", np.arange(1, len(holes) + 1))
    return gpd.GeoDataFrame(holes, geometry=lines, crs=scene.grid.crs)


def _routes(holes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Name the bold route and the safe one of holes that have both.

    Bold is the way with fewer throws. A hole with one route is played by it: safe.
    """
    holes["route"], holes["pair_id"] = "safe", pd.array([None] * len(holes), dtype="Int64")
    if "second" not in holes:
        return holes
    for _, both in holes.dropna(subset=["twin"]).groupby("twin"):
        if len(both) == 2:
            bold, safe = sorted(both.index, key=lambda i: (both.loc[i, "throws"], i))
            holes.loc[bold, "route"] = "bold"
            holes.loc[bold, "pair_id"] = holes.loc[safe, "hole_id"]
            holes.loc[safe, "pair_id"] = holes.loc[bold, "hole_id"]
    return holes


# ---------------------------------------------------------------------------------------------
# Words


def _sentence(hole: dict[str, Any], fair: float) -> str:
    """A hole as a designer would note it; tight where fewer throws pass than is fair."""
    feet = hole["length_m"] / FOOT
    kind = {
        "open": "over open ground", "edge": "along an edge", "lane": "down a lane",
        "tunnel": "through a tunnel",
    }.get(hole["lane_kind"], "")  # fmt: skip
    grade = 100 * hole["rise_m"] / hole["length_m"]
    climb = (
        f"uphill {hole['rise_m']:.0f} m" if grade >= 3
        else f"downhill {-hole['rise_m']:.0f} m" if grade <= -3 else "level"
    )  # fmt: skip
    parts = [f"{hole['length_m']:.0f} m ({feet:.0f} ft) {kind}".strip() + f", {climb}"]
    if hole["throws"] > 1:
        bend = hole["bend_deg"]
        turn = (
            "straight on" if abs(bend) < 15
            else f"turning {abs(bend):.0f}° {'left' if bend > 0 else 'right'}"
        )  # fmt: skip
        parts.append(f"{hole['throws']} throws, {turn}")
    asked = hole["finish"]
    parts.append("asks a straight drive" if asked == "straight" else f"asks a {asked} finish")
    if hole["carry_water_m"] >= 3:
        parts.append(f"carries {hole['carry_water_m']:.0f} m of water")
    if hole["pinch_width_m"] < TIGHT:
        width, at = hole["pinch_width_m"], hole["pinch_at_m"]
        parts.append(
            f"pinches to {width:.0f} m at {at:.0f} m" if width >= 0.5
            else f"growth on the line at {at:.0f} m"
        )  # fmt: skip
    if hole["clear_rate"] < fair:
        parts.append(f"tight, {100 * hole['clear_rate']:.0f} % of throws pass")
    if hole["green"]:
        parts.append(f"green {hole['green']}")
    if hole["pair_id"] is not None and not pd.isna(hole["pair_id"]):
        how = "the safe way is" if hole["route"] == "bold" else "may be dared by"
        parts.append(f"{how} hole {hole['pair_id']}")
    return _capital("; ".join(parts)) + "."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _counted(chains: Ints) -> dict[str, int]:
    throws = (chains >= 0).sum(1)
    return {f"of {n}": int((throws == n).sum()) for n in (1, 2, 3)}


def _warnings(holes: gpd.GeoDataFrame, facts: dict[str, object]) -> tuple[str, ...]:
    if len(holes) and (holes["throws"] > 1).any():
        return ()
    if not len(holes):
        return ("no candidate holes: there are no legs to make them of",)
    return ("no hole of more than one throw: no landing zone takes a throw and starts another",)


def _no_positions(scene: Scene) -> gpd.GeoDataFrame:
    names = [c.name for c in LAYERS["hole_positions"].columns]
    return gpd.GeoDataFrame(columns=names, geometry=[], crs=scene.grid.crs)
