"""Tees around baskets that too few holes follow, so that the next one starts where the last ended.

Spots on a fine lattice around such baskets, on the safe side of them, are searched as sites are:
every line to every basket site, the best of each slot thrown along. Of the holes that come of it
those stay that may follow a hole still short of followers.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.holes.chains import NONE, PLACES
from lanewright.holes.furtherlegs import Further, with_legs
from lanewright.holes.measure import Played, measured
from lanewright.holes.rules import Rules
from lanewright.holes.successors import following, successors
from lanewright.legs.choose import best_legs
from lanewright.legs.search import cells_of_sites, search, space_of
from lanewright.legs.sites import Places, tee_lattice
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.levels import Level

CELL = 5.0
"""Metres; side of the squares of spots whose lines count as one: half of those of sites."""


class Ringed(NamedTuple):
    """What came of a search around baskets.

    Attributes
    ----------
    played, further
        The legs with new ones, and the sites with new tees.
    holes
        Those that were given, then the new ones.
    pairs : (k, 2)
        Rows of these that cannot both be built.
    """

    played: Played
    further: Further
    holes: pd.DataFrame
    pairs: Ints


def with_ring_holes(before: Ringed, rules: Rules, level: Level) -> Ringed:
    """Add holes from new tees around baskets that too few holes follow.

    Parameters
    ----------
    before
        Holes of one level with their legs, the sites, and which holes cannot both be built.
    rules, level
        The land, what a hole must be, and who plays.
    """
    settings, picked = rules.settings, before.holes
    places = picked[PLACES].to_numpy(float)
    poor = successors(places, before.pairs) < settings.followers
    room = int(settings.ring_per_ha * rules.scene.land.area / 1e4)
    if not poor.any() or not room:
        return before
    spots = _spots(rules, places[poor], before.further)
    legs = _searched(rules, spots, before.further, level, room) if len(spots) else spots
    if not len(legs):
        return before
    first = len(before.played.legs)
    played = rules.with_more(before.played, with_legs(before.played.legs, legs.assign(line=0)))
    rates = played.legs["clear_rate"].to_numpy(float)
    new = np.arange(first, len(played.legs))[rates[first:] >= settings.least_clear]
    chains = np.column_stack([new, np.full((new.size, 2), NONE)])
    more = measured(played, chains, rules.levels, level, settings, rules.weights)
    more = more[rules.fit(played, more)]
    every = pd.concat([picked, more], ignore_index=True)
    pairs = rules.clashes(played, every)
    kept = _needed(every, pairs, len(picked), settings.followers)
    number = np.full(len(every), -1)
    number[kept] = np.arange(kept.size)
    among = number[pairs]
    holes = every.iloc[kept].reset_index(drop=True)
    further = _with_tees(before.further, spots, holes)
    return Ringed(played, further, holes, among[(among >= 0).all(1)])


def _spots(rules: Rules, places: Floats, further: Further) -> gpd.GeoDataFrame:
    """Spots of the lattice in the ring of a basket, on its safe side, numbered after the tees."""
    sites = further.thrower.settings.sites
    lattice = tee_lattice(rules.scene, sites, rules.settings.ring_spacing)
    at = shapely.get_coordinates(lattice.geometry.to_numpy())
    known = cKDTree(shapely.get_coordinates(further.tees.geometry.to_numpy()))
    new = known.query(at)[0] > rules.scene.grid.cell / 2 if known.n else np.ones(len(at), bool)
    wanted = new & beside(at, places, rules.settings, rules.safety)
    spots = lattice[wanted].reset_index(drop=True)
    last = int(further.tees["site_id"].max()) if len(further.tees) else 0
    return gpd.GeoDataFrame(spots.assign(site_id=last + 1 + np.arange(len(spots))))


def beside(at: Floats, holes: Floats, settings: HoleSettings, safety: SafetySettings) -> Flags:
    """Whether each spot lies in the ring of a basket and not where discs come in or fly past.

    Parameters
    ----------
    at : (spots, 2)
        x and y [m].
    holes : (holes, 4)
        x and y of tees and baskets.
    settings, safety
        Bounds of the ring; room past a basket and between it and a tee.
    """
    near, far = settings.ring
    near = max(near, min(safety.next_tee))
    around = cKDTree(holes[:, 2:]).query_ball_point(at, far)
    spot = np.repeat(np.arange(len(at)), [len(each) for each in around])
    hole = np.array([i for each in around for i in each], np.int64)
    off = at[spot] - holes[hole, 2:]
    way = holes[hole, 2:] - holes[hole, :2]
    away = np.hypot(*off.T)
    along = (off * way).sum(1) / np.maximum(away * np.hypot(*way.T), 1e-9)
    limit = np.cos(np.radians(safety.far_deg))
    past = (along > limit) & (away < max(safety.behind))
    before = along < -limit  # on the fairway that the disc comes in over
    fits = (away >= near) & ~past & ~before
    return np.asarray(np.bincount(spot[fits], minlength=len(at)) > 0)


def _searched(
    rules: Rules, spots: gpd.GeoDataFrame, further: Further, level: Level, room: int
) -> gpd.GeoDataFrame:
    """Best legs from spots to the basket sites."""
    settings = further.thrower.settings
    finer = settings.cover.model_copy(update={"cell": CELL})
    thrower = replace(further.thrower, settings=settings.model_copy(update={"cover": finer}))
    player = thrower.player(level.name)
    grid = rules.scene.grid
    # The designer's own spots stand last, wherever they lie.
    by_row = np.lexsort(cells_of_sites(further.baskets, grid)[::-1])
    sites = Places(spots, further.baskets.iloc[by_row].reset_index(drop=True))
    space = space_of(rules.scene, settings)
    found = search(space, grid, sites, player.flights, settings)
    return best_legs(thrower, player, sites, found, room)[0]


def _needed(holes: pd.DataFrame, pairs: Ints, count: int, enough: int) -> Ints:
    """Rows to keep: the first `count`, and of the others those that follow a hole in need."""
    follow = following(holes[PLACES].to_numpy(float), pairs)
    new = follow[:, 1] >= count
    there = np.bincount(follow[~new, 0], minlength=len(holes))[:count]
    follows: list[list[int]] = [[] for _ in range(len(holes) - count)]
    for hole, then in follow[new & (follow[:, 0] < count)]:
        follows[then - count].append(int(hole))
    score = holes["promise"].to_numpy(float)[count:]
    more = _greedy(follows, np.maximum(enough - there, 0), score)
    return np.asarray(np.r_[np.arange(count), count + more], np.int64)


def _greedy(follows: list[list[int]], lacks: Ints, score: Floats) -> Ints:
    """Rows that serve a need, those that serve most first; equals by score."""
    lacks = lacks.copy()
    order = sorted(range(len(follows)), key=lambda i: (-len(follows[i]), -score[i], i))
    kept = []
    for row in order:
        served = [hole for hole in follows[row] if lacks[hole] > 0]
        if served:
            kept.append(row)
            lacks[served] -= 1
    return np.sort(np.array(kept, np.int64))


def _with_tees(further: Further, spots: gpd.GeoDataFrame, more: pd.DataFrame) -> Further:
    used = spots[spots["site_id"].isin(more["tee_id"])]
    if not len(used):
        return further
    both = pd.concat([further.tees, used.assign(legs=0)], ignore_index=True)
    return replace(further, tees=gpd.GeoDataFrame(both, crs=further.tees.crs))
