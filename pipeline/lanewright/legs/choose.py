"""Which of the lines found are kept: sieve after sieve, each finer and more expensive.

Blocked samples first, then the contacts on the path aimed for, a few throws, all of them. After
each, the best of every slot stay (`cover`), and squares of ground take turns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.grid import Grid
from lanewright.flight.flight import FINISHES, TARGET
from lanewright.kernels.throws import NO_THROW
from lanewright.legs import scores, throwing
from lanewright.legs.cover import (
    Part,
    Whole,
    apart_from_better,
    best_then_next,
    covering,
    first_of_each,
    slots_of,
    squares_of,
)
from lanewright.legs.measure import KINDS, finish_of, places_of, rates_by_finish, scored
from lanewright.legs.search import Found
from lanewright.legs.sites import Places
from lanewright.legs.thrower import Player, Thrower
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings

STAND_INS = 3  # lines of each slot thrown along in full where there is room for all slots
BLOCK = 250_000  # lines of those found that are looked at together
EACH = 3  # lines of each slot and finish whose path aimed for is weighed
BY_FINISH = tuple(f"clear_rate_{finish}" for finish in FINISHES)


@dataclass(frozen=True)
class Standing:
    """Lines of one level that no sieve has dropped yet; arrays (lines,).

    Attributes
    ----------
    lines
        From where to where, with which arc.
    tee, end
        Rows of their sites.
    places
        Coordinates of tee and end (lines, 4).
    finish, kind
        Index into `FINISHES`; code of the kind of lane that most of the line lies in.
    gentle
        Score of the grade, 0-1.
    slots
        What each covers (lines, 4), as in `cover.slots_of`.
    """

    lines: Lines
    tee: Whole
    end: Whole
    places: Floats
    finish: Whole
    kind: Whole
    gentle: Floats
    slots: Whole

    def __len__(self) -> int:
        return len(self.lines)

    def take(self, which: Ints) -> Standing:
        """Some of the lines."""
        rest = (getattr(self, name)[which] for name in vars(self) if name != "lines")
        return Standing(self.lines.take(which), *rest)

    @classmethod
    def of(cls, parts: list[Standing]) -> Standing:
        """Lines one after the other."""
        names = [name for name in vars(parts[0]) if name != "lines"]
        rest = (np.concatenate([getattr(part, name) for part in parts]) for name in names)
        return cls(Lines.joined([part.lines for part in parts]), *rest)


def best_legs(
    thrower: Thrower, player: Player, sites: Places, found: Found, keep: int
) -> tuple[gpd.GeoDataFrame, int]:
    """Throw along the most promising lines of a level and keep the best.

    Returns
    -------
    legs
        As `measure.scored` gives them, with the rate of each finish.
    unsafe
        How many legs were dropped because too many of their throws end where they must not.
    """
    settings, cell = thrower.settings, thrower.scene.grid.cell
    flights, paths = player.flights, player.paths
    held = _worth_aiming(thrower, player, sites, found)
    met = throwing.aim(held.lines, flights, paths, thrower.contacts, cell)[:, 0]
    there = np.flatnonzero(met < NO_THROW)
    held, met = held.take(there), met[there]
    held = held.take(_promising(held, met, settings, EACH, int(settings.tried * keep)))
    held = _tried(thrower, player, held, int(settings.thrown * keep))
    legs = scored(
        thrower, player, sites.tees.iloc[held.tee], sites.baskets.iloc[held.end], held.lines
    )
    safe = legs["unsafe_share"].to_numpy() <= settings.most_unsafe
    last = _last(legs, held, settings, keep)
    legs, held = legs.iloc[last], held.take(last)
    legs = _with_best_finish(thrower, player, sites, legs, held)
    return gpd.GeoDataFrame(legs, crs=thrower.scene.grid.crs), int((~safe).sum())


def with_finishes(
    thrower: Thrower, player: Player, legs: gpd.GeoDataFrame, lines: Lines
) -> tuple[gpd.GeoDataFrame, Floats, Ints]:
    """Legs with the clear rate of each finish, and the rates and arcs (legs, 3) themselves."""
    mine = finish_of(player.flights, lines)
    rates, arcs = rates_by_finish(thrower, player, lines, mine)
    every = np.arange(len(lines))
    rates[every, mine], arcs[every, mine] = legs["clear_rate"], lines.arc
    return legs.assign(**dict(zip(BY_FINISH, rates.T, strict=True))), rates, arcs


def _worth_aiming(thrower: Thrower, player: Player, sites: Places, found: Found) -> Standing:
    """Lines of those found whose path is weighed next: a few of each slot and finish.

    Block by block, since what is looked at takes some 300 bytes a line; a slot lies in one block.
    """
    kept = []
    for rows in _blocks(found, thrower.scene.grid, thrower.settings.cover.cell):
        held = _standing(thrower, player, sites, found, rows)
        met = found.blocked[rows].astype(float)
        kept.append(held.take(_promising(held, met, thrower.settings, EACH)))
    return Standing.of(kept)


def _blocks(found: Found, grid: Grid, side: float) -> list[Ints]:
    """Rows of the lines in blocks of about `BLOCK`, those from one square of tees in one."""
    squares = np.floor(np.column_stack(grid.xy(*found.tee_cells)) / side)
    square = np.unique(squares, axis=0, return_inverse=True)[1].ravel().astype(np.int32)[found.tee]
    ends = np.bincount(square).cumsum()
    cuts = ends[np.searchsorted(ends, np.arange(BLOCK, len(found), BLOCK))]
    return np.split(np.argsort(square, kind="stable"), np.unique(cuts[cuts < len(found)]))


def _standing(
    thrower: Thrower, player: Player, sites: Places, found: Found, rows: Ints
) -> Standing:
    scene, lines = thrower.scene, found.lines(rows)
    tee, end = found.tee[rows], found.end[rows]

    def at(places: gpd.GeoDataFrame, name: str, which: Whole) -> Floats:
        return np.asarray(places[name].to_numpy()[which])

    rise = at(sites.baskets, "ground_m", end) - at(sites.tees, "ground_m", tee)
    length = throwing.length_of(lines, scene.grid.cell)
    gentle = scores.grade(
        100 * rise / length,
        np.zeros(len(lines)),
        at(sites.tees, "slope_pct", tee),
        at(sites.baskets, "slope_pct", end),
    )
    places = places_of(lines, scene.grid)
    return Standing(
        lines,
        tee,
        end,
        places,
        finish_of(player.flights, lines).astype(np.int8),
        _ground_kind(scene, player, lines, places, rise).astype(np.int8),
        gentle,
        slots_of(places, length, thrower.settings.cover).astype(np.int32),
    )


def _promising(
    held: Standing, met: Floats, settings: LegsSettings, each: int, room: int | None = None
) -> Ints:
    """Rows to keep by what the path aimed for meets: a few of each slot and finish."""
    hope = scores.total(1 / (1 + met), held.gentle, np.ones(len(held)), settings.score)
    order = _order(hope, held.lines)
    order = first_of_each(order, np.column_stack([held.slots, held.finish]), each)
    order = best_then_next(order, held.slots, each * len(FINISHES))
    return order if room is None else _covering(held, order, _parts(held, settings), settings, room)


def _tried(thrower: Thrower, player: Player, held: Standing, room: int) -> Standing:
    """Lines to keep by a few throws along each, with the arc of their finish that passes best.

    The search takes the first arc that fits between what is blocked; under a roof a lower one may
    pass far more often. These throws are not those that score the leg, so that being chosen by them
    makes no rate better than it is.
    """
    settings = thrower.settings
    clear, low = (np.full((len(held), len(player.flights.arcs)), -1.0) for _ in range(2))
    for arc, shape in enumerate(player.flights.arcs):
        lines = replace(held.lines, arc=np.full(len(held), arc, np.int64))
        cell = thrower.scene.grid.cell
        fits = throwing.exists(lines, player.flights, thrower.contacts, cell)
        rows = np.flatnonzero(fits & (held.finish == FINISHES.index(shape.finish)))
        rows = rows[~barred(thrower, player, lines.take(rows)) | (held.lines.arc[rows] == arc)]
        some = lines.take(rows)
        seeds = throwing.seeds_of(player.name, some, *held.places[rows].T) ^ throwing.TRYING
        tried = throwing.throw(
            some, player.flights, player.paths, thrower.contacts, seeds, settings.tries, cell
        )
        clear[rows, arc], low[rows, arc] = tried.clear, tried.low
    every, best = np.arange(len(held)), clear.argmax(1)
    held = replace(held, lines=replace(held.lines, arc=best))
    clearance = scores.clearance(clear[every, best], low[every, best])
    hope = scores.total(clearance, held.gentle, np.ones(len(held)), settings.score)
    # The next of a slot stands in where too many throws of the best end where they must not.
    first = best_then_next(_order(hope, held.lines), held.slots, STAND_INS)
    return held.take(_covering(held, first, _parts(held, settings), settings, room))


def barred(thrower: Thrower, player: Player, lines: Lines) -> Flags:
    """Whether the paths aimed for come over ground that no leg may (lines,)."""
    return throwing.crosses(
        thrower.barred,
        lines,
        player.flights,
        player.paths,
        thrower.contacts,
        thrower.scene.grid.cell,
    )


def _last(legs: gpd.GeoDataFrame, held: Standing, settings: LegsSettings, keep: int) -> Ints:
    """Rows to keep by all throws: the safe ones that are not hopeless, best first."""
    safe = legs["unsafe_share"].to_numpy() <= settings.most_unsafe
    good = np.flatnonzero(safe & (legs["clear_rate"].to_numpy() >= settings.least_clear))
    score = legs["promise"].to_numpy()
    last = good[_apart(score[good], held.take(good), settings.apart)]
    last = first_of_each(last, held.slots)
    kinds = np.array([KINDS.index(kind) for kind in legs["lane_kind"]], np.int64)
    carries = legs["carry_water_m"].to_numpy() > 0
    parts = _parts(replace(held, kind=kinds), settings, carries)
    return _covering(held, last, parts, settings, keep)


def _with_best_finish(
    thrower: Thrower, player: Player, sites: Places, legs: gpd.GeoDataFrame, held: Standing
) -> gpd.GeoDataFrame:
    """Legs with the rates of all finishes; a finish that is surely better takes the leg over."""
    settings = thrower.settings
    legs, rates, arcs = with_finishes(thrower, player, legs, held.lines)
    better = np.nan_to_num(rates, nan=-1.0).argmax(1)
    best = np.take_along_axis(rates, better[:, None], 1)[:, 0]
    error = throwing.greatest_error(best, settings.throws)
    sure = settings.surely * np.hypot(error, legs["clear_rate_se"])
    gain = best - legs["clear_rate"].to_numpy() > sure
    arc = np.where(gain, np.take_along_axis(arcs, better[:, None], 1)[:, 0], held.lines.arc)
    gain &= ~barred(thrower, player, replace(held.lines, arc=arc))
    if not gain.any():
        return legs
    arc = np.where(gain, arc, held.lines.arc)
    which = np.flatnonzero(gain)
    order = np.r_[np.flatnonzero(~gain), which]
    lines = replace(held.lines, arc=arc)
    taken = scored(
        thrower,
        player,
        sites.tees.iloc[held.tee[which]],
        sites.baskets.iloc[held.end[which]],
        lines.take(which),
    )
    taken[list(BY_FINISH)] = rates[which]
    legs = pd.concat([legs[~gain], taken], ignore_index=True)
    held = replace(held, lines=lines, finish=finish_of(player.flights, lines)).take(order)
    good = np.flatnonzero(legs["unsafe_share"].to_numpy() <= settings.most_unsafe)
    score = legs["promise"].to_numpy()[good]
    rows = good[_apart(score, held.take(good), settings.apart)]
    return gpd.GeoDataFrame(legs.iloc[rows])


def _ground_kind(scene: Scene, player: Player, lines: Lines, places: Floats, rise: Floats) -> Ints:
    """Code of the kind of lane that most of each line lies in; 0 for none."""
    flights, paths = player.flights, player.paths
    counts = np.zeros((len(lines), len(KINDS)), np.int16)
    length, every = throwing.length_of(lines, scene.grid.cell), np.arange(len(lines))
    row = paths.row_of(flights, lines, length, rise + flights.end - flights.release)
    dx, dy = places[:, 2] - places[:, 0], places[:, 3] - places[:, 1]
    for node in np.linspace(0, TARGET, 9).round().astype(int):
        along, left = paths.table.path[row, 0, node], paths.table.path[row, 1, node]
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


def _parts(held: Standing, settings: LegsSettings, carries: Flags | None = None) -> list[Part]:
    """Kinds of lines, each with its part of the room."""
    cover = settings.cover
    shares = ("tunnel", cover.tunnels), ("lane", cover.lanes), ("edge", cover.edges)
    parts: list[Part] = [(held.kind == KINDS.index(kind), share) for kind, share in shares]
    parts += [(held.finish == finish, cover.finishes) for finish in range(len(FINISHES))]
    return parts if carries is None else [(carries, cover.carries), *parts]


def _covering(
    held: Standing, order: Ints, parts: list[Part], settings: LegsSettings, room: int
) -> Ints:
    """Rows to keep, squares of tees and of ends in turns."""
    return covering(order, squares_of(held.places, settings.cover.cell), parts, room)


def _apart(score: Floats, held: Standing, apart: float) -> Ints:
    """Rows of legs, best first, none with both tee and end `apart` or less from a better one's."""
    return apart_from_better(_order(score, held.lines), held.places, held.finish, apart)
