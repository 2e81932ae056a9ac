"""Legs that follow one another: throws join at landing zones into holes of one to three.

A throw ends on ground that takes the spread of its throws, and another starts within a few metres.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.legs.legs import Legs
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import Level

NONE = -1
PLACES = ["tee_x", "tee_y", "end_x", "end_y"]  # columns of where holes start and end

Bars = Callable[[Floats, Floats], Floats]


def chains_of(
    legs: gpd.GeoDataFrame,
    mine: Ints,
    level: Level,
    lands: Floats,
    settings: HoleSettings,
    bars: Bars = lambda start, _stop: np.ones(len(start)),
    starts: int | None = None,
) -> Ints:
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
        Share of the straight between places that the land bars, as in `zones.hindered`. Where
        nothing stands in the way nobody plays round a corner.
    starts
        Legs from this row on open no hole; by default all may.
    """
    tee, end = ends_of(legs.iloc[mine])
    length = legs["length_m"].to_numpy()[mine]
    single = np.full((mine.size, 3), NONE, np.int64)
    single[:, 0] = np.arange(mine.size)
    opens = mine < (len(legs) if starts is None else starts)
    parts = [single[opens]]
    lands_well = lands[mine] >= settings.landing_share
    follows = length <= level.fairway_throw
    if settings.most_legs > 1 and follows.any() and lands_well.any():
        score = legs["promise"].to_numpy()[mine]
        first, then = _pairs(tee, end, lands_well, follows, settings, bars)
        first, then = _best_next(first, then, tee, end, score, settings)
        pairs = np.column_stack([first, then, np.full(first.size, NONE)])
        parts.append(pairs[opens[first]])
        if settings.most_legs > 2 and first.size:
            triples = _triples(first, then, mine.size)
            parts.append(triples[opens[triples[:, 0]]])
    chains = np.concatenate(parts)
    there = np.where(chains >= 0, chains, 0)
    played = np.where(chains >= 0, length[there], 0).sum(1)
    final = chains[np.arange(len(chains)), (chains >= 0).sum(1) - 1]
    gained = np.hypot(*(end[final] - tee[chains[:, 0]]).T)
    chains = chains[gained >= settings.straightest * played]
    return np.where(chains >= 0, mine[np.where(chains >= 0, chains, 0)], NONE)


def ends_of(legs: gpd.GeoDataFrame) -> tuple[Floats, Floats]:
    """Where legs start and stop (legs, 2) each."""
    shapes = legs.geometry.to_numpy()
    start, stop = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (0, -1))
    return start, stop


def _pairs(
    tee: Floats, end: Floats, lands_well: Flags, follows: Flags, settings: HoleSettings, bars: Bars
) -> tuple[Ints, Ints]:
    """Legs, and legs that may be thrown on from where they land."""
    way = end - tee
    near = cKDTree(tee).query_ball_point(end[lands_well], settings.join)
    first = np.repeat(np.flatnonzero(lands_well), [len(n) for n in near])
    then = np.array([j for n in near for j in sorted(n)], np.int64)
    turn = np.abs(bend(way[first], way[then]))
    fits = follows[then] & (turn <= settings.max_bend)
    bent = np.flatnonzero(fits & (turn > settings.free_bend))
    fits[bent] = bars(tee[first[bent]], end[then[bent]]) >= settings.hindered
    return first[fits], then[fits]


def _best_next(
    first: Ints, then: Ints, tee: Floats, end: Floats, score: Floats, settings: HoleSettings
) -> tuple[Ints, Ints]:
    """Of the legs that may follow each, the best few."""
    gap = np.hypot(*(tee[then] - end[first]).T)
    order = np.lexsort((then, settings.gap * gap - score[then], first))
    first, then = first[order], then[order]
    rank = pd.Series(first).groupby(first).cumcount().to_numpy()
    return first[rank < settings.branches], then[rank < settings.branches]


def _triples(first: Ints, then: Ints, legs: int) -> Ints:
    """Rows of three legs, out of all pairs that follow one another (sorted by the first)."""
    begin = np.searchsorted(first, np.arange(legs + 1))
    count = begin[then + 1] - begin[then]
    whose = np.repeat(np.arange(first.size), count)
    place = np.arange(count.sum()) - np.repeat(count.cumsum() - count, count)
    third = then[place + np.repeat(begin[then], count)]
    return np.column_stack([first[whose], then[whose], third])


def bend(first: Floats, then: Floats) -> Floats:
    """Turn from one way to the next [degrees], left above 0."""
    cross = first[:, 0] * then[:, 1] - first[:, 1] * then[:, 0]
    return np.asarray(np.degrees(np.arctan2(cross, (first * then).sum(1))))


def own_chains(
    table: gpd.GeoDataFrame, legs: Legs, levels: tuple[Level, ...]
) -> Iterable[tuple[str, Level, Ints]]:
    """Rows of the legs of each of the designer's lines, for each level."""
    rows = pd.Series(np.arange(len(table)), index=table["leg_id"])
    who = {level.name: level for level in levels}
    for (name, level), mine in legs.own.groupby(["name", "level"], sort=False):
        chain = np.full(max(3, len(mine)), NONE, np.int64)
        chain[: len(mine)] = rows.loc[mine.sort_values("throw")["leg_id"]]
        yield str(name), who[str(level)], chain


def padded(chain: Ints) -> Ints:
    """One row of chains."""
    return np.concatenate([chain, np.full(3 - chain.size, NONE, np.int64)])[None]
