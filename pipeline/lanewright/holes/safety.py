"""Room between holes, and between holes and what else may be hit.

`conflicts` and `alone` are fast and a little strict: they look every few metres and round against
the hole, so that what a solver chooses by them holds. `layoutcheck` is another piece of code that
looks at finished lines metre by metre.

What is asked
-------------
Distances are settings (`layout: safety:`), from the middle of a fairway, over open ground or with
dense trees between. They hold where a full throw comes down. Nearer to where it was thrown from,
throws have spread less, and in the same proportion less is asked, down to the share `at_tee`. Of
two fairways the one with the wider spread counts three parts, the other one part (`weaker`).

- Fairways keep `fairway` apart; the last metres before a basket and the first after a tee
  (`handover`) may meet as `next_tee` allows, for one is played after the other.
- Tees and baskets keep `tee_basket` from other fairways; a tee keeps `next_tee` from a green.
- Nothing lies past a basket on the line of play within `behind`, nor another tee or basket in the
  cone before a tee, up to the green.
- The land has its own: keep-outs (`fade_side` times as far on the side where the throw fades to,
  and behind the basket), buildings, paths, wires, the property line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.holes.fairways import SPACING, Fairways, fairways
from lanewright.kernels.room import Cones, Places, Rules, Trees, close_pairs, room
from lanewright.scene import Scene
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

SLACK = 1.3  # m more than needed: half a step nearer asks 37 m / 44 m * 1.5 m more of a green level
DOUBT = 0.1  # share of trees more than needed, for the same reason
LEAN = 1.0  # degrees by which ground past a basket is looked for more widely, for the same reason
LOOKS = 9  # places between two points where trees are looked for

# ---------------------------------------------------------------------------------------------
# Hole against hole


REASONS = (
    "fairways too near",
    "fairway too near a tee",
    "fairway too near a basket",
    "tee too near a green",
    "tees too near",
    "past the basket",
    "in the danger cone",
    "routes of one hole",
)
ROUTES = 7


@dataclass(frozen=True)
class _Found:
    """Pairs of holes that break a rule, first before second; arrays (pairs,)."""

    first: Ints
    second: Ints
    reason: Ints
    distance: Floats
    needed: Floats

    def joined(self, *others: _Found) -> _Found:
        """These and those."""
        every = zip(*(vars(found).values() for found in (self, *others)), strict=True)
        return _Found(*(np.concatenate(columns) for columns in every))

    def take(self, rows: Ints | Flags) -> _Found:
        """Some of them."""
        return _Found(*(column[rows] for column in vars(self).values()))

    def worst(self, holes: int) -> _Found:
        """One row for each pair, for the rule that is broken worst, in order."""
        key = self.first * holes + self.second
        order = np.lexsort((self.reason, self.distance / self.needed, key))
        kept = np.r_[True, key[order][1:] != key[order][:-1]][: order.size]
        return self.take(order[kept])


def conflicts(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    scene: Scene,
    settings: SafetySettings,
    among: Ints | None = None,
) -> pd.DataFrame:
    """Pairs of holes that cannot both be built.

    Parameters
    ----------
    holes, legs, levels
        As in `fairways`.
    scene
        What lies between.
    settings
        The section `layout: safety:` of the configuration.
    among : (k, 2)
        Pairs of rows to look at, in any order; by default all.

    Returns
    -------
    DataFrame
        `first`, `second` (rows of `holes`, first < second), `reason` (one of `REASONS`),
        `distance_m`, `needed_m`; one row per pair, for the rule that is broken worst.
    """
    ways = fairways(holes, legs, levels, settings)
    found = _breaking(ways, len(holes), levels, scene, settings, among)
    if "pair_id" in holes:
        found = _for_both_routes(holes, found)
    return pd.DataFrame(
        {
            "first": found.first,
            "second": found.second,
            "reason": np.array(REASONS, object)[found.reason],
            "distance_m": found.distance,
            "needed_m": found.needed,
        }
    )


def _for_both_routes(holes: gpd.GeoDataFrame, found: _Found) -> _Found:
    """What goes for one route of a hole goes for the other: both will be played."""
    ids = pd.Index(holes["hole_id"])
    other = ids.get_indexer(pd.array(holes["pair_id"], dtype="Int64").fillna(-1)).astype(np.int64)
    if not (other >= 0).any():
        return found
    more = []
    for p_too, q_too in ((True, False), (False, True), (True, True)):
        p = other[found.first] if p_too else found.first
        q = other[found.second] if q_too else found.second
        rows = np.flatnonzero((p >= 0) & (q >= 0))
        ends = np.minimum(p[rows], q[rows]), np.maximum(p[rows], q[rows])
        of = found.take(rows)
        more.append(_Found(*ends, of.reason, of.distance, of.needed))
    every = found.joined(*more)
    # Two routes of one hole lie upon one another, and that is all there is to say.
    every = every.take((every.first != every.second) & (other[every.first] != every.second))
    paired = np.flatnonzero(other >= 0)
    twins = paired[paired < other[paired]]
    none = np.zeros(twins.size)
    routes = _Found(twins, other[twins], np.full(twins.size, ROUTES), none, none + 1)
    return every.joined(routes).worst(len(holes))


def _breaking(
    ways: Fairways,
    holes: int,
    levels: Sequence[Level],
    scene: Scene,
    settings: SafetySettings,
    among: Ints | None,
) -> _Found:
    """Pairs of holes of which two places lie too near, or one in the other's cone."""
    length = np.maximum(np.hypot(*ways.way.T), 1e-9)
    places = Places(
        first=np.searchsorted(ways.hole, np.arange(holes + 1)),
        xy=np.ascontiguousarray(ways.xy),
        share=ways.share,
        along=ways.along,
        left=ways.left,
        play=(ways.way / length[:, None])[ways.leg],
    )
    rules = Rules(
        fairway=np.array(settings.fairway, float),
        tee_basket=np.array(settings.tee_basket, float),
        next_tee=np.array(settings.next_tee, float),
        behind=np.array(settings.behind, float),
        tees=float(settings.tees),
        handover=float(settings.handover),
        weaker=float(settings.weaker),
        cosine=float(np.cos(np.radians(settings.far_deg + LEAN))),
        slack=SLACK,
        enough=settings.sheltered + DOUBT,
    )
    grid, cones = scene.grid, _cones(ways, holes, levels, settings)
    trees = Trees(np.ascontiguousarray(scene.trees_around), grid.left, grid.top, grid.cell)
    first, second = close_pairs(places, cones, rules)
    if among is not None:
        low, high = np.sort(among, axis=1).T
        looked = np.isin(first * np.int64(holes) + second, low * holes + high)
        first, second = first[looked], second[looked]
    rule, near, asked = room(first, second, places, cones, rules, trees)
    broken = np.flatnonzero(rule >= 0)
    return _Found(
        first[broken].astype(np.int64),
        second[broken].astype(np.int64),
        rule[broken].astype(np.int64),
        near[broken].astype(float),
        asked[broken].astype(float),
    )


def _cones(ways: Fairways, holes: int, levels: Sequence[Level], settings: SafetySettings) -> Cones:
    """The cone before where each throw starts, up to its green."""
    length = np.hypot(*ways.way.T)
    to_basket = np.r_[ways.leg_hole[1:] != ways.leg_hole[:-1], True][: length.size]
    throw = np.array([level.tee_throw for level in levels])[ways.leg_level]
    return Cones(
        first=np.searchsorted(ways.leg_hole, np.arange(holes + 1)),
        start=np.ascontiguousarray(ways.leg_start),
        way=np.ascontiguousarray(ways.way),
        reach=np.where(to_basket, length - settings.handover, length * settings.cone_reach),
        near=settings.near_reach * throw,
        near_deg=float(settings.near_deg),
        far_deg=float(settings.far_deg),
    )


def trees_between(scene: Scene, a: Floats, b: Floats) -> Floats:
    """Share of trees along the straight from each a to its b (pairs, 2) -> (pairs,)."""
    steps = (np.arange(LOOKS) + 0.5) / LOOKS
    xy = a[:, None] + (b - a)[:, None] * steps[:, None]
    at = scene.grid.nearest(xy[..., 0], xy[..., 1])
    return np.asarray(scene.trees_around[at].mean(1), np.float64)


# ---------------------------------------------------------------------------------------------
# A hole by itself


KEEP_OUT, BUILDING, PROPERTY_LINE, PATH, WIRES = (
    "keep-out too near",
    "building too near",
    "property line too near",
    "path too near",
    "along wires",
)


def alone(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    scene: Scene,
    settings: SafetySettings,
) -> pd.DataFrame:
    """Holes that come too near to what may not be thrown over.

    Parameters
    ----------
    holes, legs, levels, scene, settings
        As in `conflicts`.

    Returns
    -------
    DataFrame
        `hole` (row of `holes`), `reason` (`KEEP_OUT`, `BUILDING`, `PROPERTY_LINE`, `PATH` or
        `WIRES`), `distance_m`, `needed_m`; the worst place of each hole and reason.
    """
    ways = fairways(holes, legs, levels, settings)
    found = pd.concat(
        [
            _near(ways, scene, settings, KEEP_OUT, scene.keep_out, settings.keep_out),
            _near(ways, scene, settings, BUILDING, scene.buildings, settings.building),
            _near(
                ways,
                scene,
                settings,
                PROPERTY_LINE,
                shapely.boundary(scene.land),
                settings.boundary,
            ),
            _near(ways, scene, settings, PATH, scene.paths, settings.path),
            _along_wires(ways, scene, settings),
        ]
    )
    found["worst"] = found["distance_m"] / found["needed_m"]
    found = found.sort_values(["hole", "reason", "worst"]).drop(columns="worst")
    return found.drop_duplicates(["hole", "reason"], ignore_index=True)


def _faults(hole: Ints, reason: str, distance: Floats, needed: Floats | float) -> pd.DataFrame:
    return pd.DataFrame(
        {"hole": hole, "reason": reason, "distance_m": distance, "needed_m": needed}
    )


def _near(
    ways: Fairways,
    scene: Scene,
    settings: SafetySettings,
    reason: str,
    shape: shapely.Geometry,
    asked: tuple[float, float],
) -> pd.DataFrame:
    """Places of fairways nearer to something on the land than is asked for."""
    more = settings.fade_side if reason == KEEP_OUT else 1.0
    points = shapely.points(ways.xy)
    shapely.prepare(shape)
    near = np.flatnonzero(shapely.dwithin(shape, points, asked[0] * more * ways.share + SLACK))
    distance = shapely.distance(points[near], shape)
    lines = shapely.shortest_line(points[near], shape)
    to = shapely.get_coordinates(shapely.get_point(lines, -1))
    sheltered = trees_between(scene, ways.xy[near], to) >= settings.sheltered + DOUBT
    over_open = asked[0] * np.where(_on_far_side(ways, near, to), more, 1.0)
    needed = np.where(sheltered, asked[1], over_open) * ways.share[near] + SLACK
    close = distance < needed
    return _faults(ways.hole[near[close]], reason, distance[close], needed[close])


def _on_far_side(ways: Fairways, near: Ints, to: Floats) -> Flags:
    """Whether `to` lies on the side a throw fades to, or behind the basket."""
    way = ways.way[ways.leg[near]]
    off = to - ways.xy[near]
    side = np.sign(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0])
    fades = (side == ways.fades[near]) & (ways.fades[near] != 0)
    return np.asarray(fades | ((ways.left[near] == 0) & ((way * off).sum(1) > 0)))


def _along_wires(ways: Fairways, scene: Scene, settings: SafetySettings) -> pd.DataFrame:
    """Holes with more metres beside or under wires than crossing them takes."""
    wires = shapely.union_all(scene.wires.geometry.to_numpy())
    shapely.prepare(wires)
    distance = shapely.distance(shapely.points(ways.xy), wires)
    under = pd.Series(distance, ways.hole)[distance < settings.wire]
    each = under.groupby(level=0).agg(["size", "min"])
    # One place more, for the fairway goes on at both ends.
    long = each[(each["size"] + 1) * SPACING > settings.wire_along]
    return _faults(long.index.to_numpy(), WIRES, long["min"].to_numpy(), settings.wire)
