"""Which candidate holes are kept: spread over the land, of many kinds, in sets that fit.

They are ranked by their promise, not their score: a hole that growth makes unfair has a score only
once its trim work is planned, and work is planned for what is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.holes.chains import PLACES
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import Level

Fit = Callable[[pd.DataFrame], Flags]


def rooms_of(keep: int, levels: int) -> list[int]:
    """How many candidates each level gets: the first half, the others the rest in even parts."""
    if levels == 1:
        return [keep]
    rest = keep // 2 // (levels - 1)
    return [keep - rest * (levels - 1), *[rest] * (levels - 1)]


def spread_out(
    holes: pd.DataFrame, table: gpd.GeoDataFrame, room: int, fit: Fit, settings: HoleSettings
) -> Ints:
    """Rows of the holes to keep: one by one the best, crowded ground and common kinds last.

    Of the same number of throws, holes whose tees and baskets both lie within `same` are one.
    """
    if not len(holes) or not room:
        return np.empty(0, np.int64)
    places = holes[PLACES].to_numpy()
    order = np.lexsort((*places.T, -holes["promise"].to_numpy()))
    order = order[: settings.aimed * room // settings.surplus]
    order = order[fit(holes.iloc[order])]
    if not order.size:
        return np.empty(0, np.int64)
    some = holes.iloc[order]
    crowd = _Crowd.of(some, table, settings.square)
    twins = _Twins.of(some, settings.same)
    score = some["promise"].to_numpy()
    left = np.ones(score.size, bool)
    kept: list[int] = []
    while len(kept) < room and left.any():
        worth = score - settings.crowding * crowd.around()
        worth -= settings.variety * crowd.common() / max(len(kept), 1)
        best = int(np.where(left, worth, -np.inf).argmax())
        kept.append(best)
        crowd.add(best)
        left[twins.near(best)] = False
        left[best] = False
    return np.asarray(order[kept], np.int64)


@dataclass
class _Crowd:
    """What was kept so far: how often each kind, and how much on each square of ground."""

    kinds: list[Ints]  # code of each hole, for each way to tell kinds apart
    counts: list[Floats]
    ground: Ints  # squares that each hole runs through (holes, 15)
    cover: Floats  # kept holes on each square

    @classmethod
    def of(cls, holes: pd.DataFrame, table: gpd.GeoDataFrame, side: float) -> _Crowd:
        effective = holes["effective_length_m"]
        told_apart = (
            holes["lane_kind"],
            holes["finish"],
            np.minimum(holes["par"], 5),
            np.round(effective / effective.median() / 0.25),
            np.round(holes["rise_m"] / holes["length_m"] / 0.05).clip(-2, 2),
        )
        kinds = [pd.factorize(v, use_na_sentinel=False)[0] for v in told_apart]
        ground, squares = _squares(holes, table, side)
        counts = [np.zeros(codes.max(initial=0) + 1) for codes in kinds]
        return cls(kinds, counts, ground, np.zeros(squares))

    def common(self) -> Floats:
        """How many of those kept are of each hole's kinds (holes,)."""
        counted = (c[codes] for c, codes in zip(self.counts, self.kinds, strict=True))
        return np.asarray(np.mean(list(counted), 0))

    def around(self) -> Floats:
        """How many of those kept share each hole's ground (holes,)."""
        return np.asarray(self.cover[self.ground].mean(1))

    def add(self, hole: int) -> None:
        for count, codes in zip(self.counts, self.kinds, strict=True):
            count[codes[hole]] += 1
        self.cover[np.unique(self.ground[hole])] += 1


@dataclass(frozen=True)
class _Twins:
    """Which holes are one: as many throws, and tees and baskets both near."""

    places: Floats
    throws: Ints
    within: list[list[int]]
    same: float

    @classmethod
    def of(cls, holes: pd.DataFrame, same: float) -> _Twins:
        places = holes[PLACES].to_numpy()
        within = cKDTree(places).query_ball_point(places, same * np.sqrt(2) + 1e-9)
        return cls(places, holes["throws"].to_numpy(), list(within), same)

    def near(self, hole: int) -> Ints:
        near = np.array(self.within[hole])
        gap = np.abs(self.places[near] - self.places[hole])
        alike = self.throws[near] == self.throws[hole]
        alike &= (np.hypot(*gap[:, :2].T) <= self.same) & (np.hypot(*gap[:, 2:].T) <= self.same)
        return np.asarray(near[alike])


def in_rounds(
    holes: pd.DataFrame, level: Level, pairs: Ints, room: int, settings: HoleSettings
) -> Ints:
    """Holes to keep, round by round: each round is a set that can be built together.

    Candidates that are merely good may all exclude one another; a layout needs many that do not.
    A round is filled with the hole that excludes the fewest others for its length, a good hole
    before a poor one, each kind of hole in turn: short, middle, long, and of several throws. A hole
    whose tee lies a short walk from a basket of the set, or whose basket from a tee, goes before.

    Parameters
    ----------
    holes, level
        Candidates of one level.
    pairs : (n, 2)
        Rows of those that exclude each other.
    room
        How many to keep.
    settings
        What excluding others and short walks count.
    """
    score, length = holes["promise"].to_numpy(), holes["length_m"].to_numpy()
    kind, places = _length_kinds(holes, level), holes[PLACES].to_numpy()
    clash = np.zeros((score.size, score.size), bool)
    clash[pairs[:, 0], pairs[:, 1]] = clash[pairs[:, 1], pairs[:, 0]] = True
    walk = np.hypot(*(places[:, None, 2:] - places[None, :, :2]).transpose(2, 0, 1))
    leads = (walk <= settings.short_walk) & ~clash
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
            worth = settings.good * score - excludes + settings.linked * linked
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


def _squares(holes: pd.DataFrame, table: gpd.GeoDataFrame, side: float) -> tuple[Ints, int]:
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
    square, ids = np.unique(np.floor(flat / side).astype(np.int64), axis=0, return_inverse=True)
    return ids.reshape(len(holes), 15), len(square)
