"""Room between holes, and between holes and what else may be hit.

`conflicts` and `alone` are fast and a little strict: they look every few metres and round against
the hole, so that what a solver chooses by them holds. `layoutcheck` is another piece of code that
looks at finished lines metre by metre.

What is asked
-------------
Distances are settings, from the middle of a fairway, over open ground or with dense trees between.
They hold where a full throw comes down. Nearer to where it was thrown from, throws have spread
less, and in the same proportion less is asked, down to a quarter. Of two fairways the one with
the wider spread counts three parts, the other one part.

- Fairways keep `fairway` apart; the last metres before a basket and the first after a tee may meet
  as `next_tee` allows, for one is played after the other.
- Tees and baskets keep `tee_basket` from other fairways; a tee keeps `next_tee` from a green.
- Nothing lies past a basket on the line of play within `behind`, nor another tee or basket in the
  cone before a tee, up to the green.
- The land has its own: keep-outs (half as far again on the side where the throw fades to, and
  behind the basket), buildings, wires, the property line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.grid import Grid
from lanewright.flight.flight import RANGE_POWER
from lanewright.kernels.room import run_room
from lanewright.legs.scene import Scene
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

SPACING = 3.0  # m between places looked at along a fairway
SLACK = 1.3  # m more than needed: half a step nearer asks 37 m / 44 m * 1.5 m more of a green level
DOUBT = 0.1  # share of trees more than needed, for the same reason
LEAST = 0.25  # of the distance asked for, right before a tee
END = 26.0  # m before a basket and after a tee where one hole may hand over to another: a tee 15 m
# beside a basket lies 30 m from the fairway there, as far as a tee must
FADE = 1.5  # a keep-out on the fade side or behind the basket: 46 m for 30 (150 ft for 100 ft)
TWO_THIRDS = 2 * np.sqrt(2 * np.log(3))  # axes of the ellipse that holds two thirds, in sds
WIRE_NEAR, WIRE_LONG = 5.0, 15.0  # m from wires, and m of fairway so near: along or under them


@dataclass(frozen=True)
class Surroundings:
    """What lies between and around holes.

    Attributes
    ----------
    grid
        Georeference.
    trees : (rows, cols) float32
        Share of the ground around each cell that holds trees or brush at throwing height.
    land, keep_out, buildings
        The property; where nobody may throw; buildings, if any are known.
    wires : (n, 2)
        Places of overhead wires.
    paths
        Much-used paths and trails, if any are known.
    """

    grid: Grid
    trees: NDArray[np.float32]
    land: shapely.Geometry
    keep_out: shapely.Geometry
    buildings: shapely.Geometry
    wires: Floats
    paths: shapely.Geometry = field(default_factory=shapely.LineString)


@dataclass(frozen=True)
class Fairways:
    """Holes cut into places a few metres apart; arrays (places,) unless said.

    Attributes
    ----------
    hole
        Row of the hole.
    xy : (places, 2)
        Coordinates.
    flown
        Metres from where the throw that passes here was thrown.
    share
        Part of the distances that is asked for here, `LEAST` to 1.
    spread
        Sideways spread of the throws here, one standard deviation [m].
    along
        Metres from the tee.
    left
        Metres from the basket along the hole.
    fades
        Side the throw finishes on: 1 left, -1 right, 0 neither.
    leg : (places,)
        Which leg of all the holes'.
    leg_hole, leg_level : (legs,)
        Hole and level (index) of each leg.
    leg_start, leg_end : (legs, 2)
        Where each is thrown from and to.
    """

    hole: Ints
    xy: Floats
    flown: Floats
    share: Floats
    spread: Floats
    along: Floats
    left: Floats
    fades: Ints
    leg: Ints
    leg_hole: Ints
    leg_level: Ints
    leg_start: Floats
    leg_end: Floats

    @property
    def tee(self) -> Flags:
        """Places that are the tee of their hole."""
        return np.asarray(self.along == 0)

    @property
    def basket(self) -> Flags:
        """Places that are the basket of their hole."""
        return np.asarray(self.left == 0)


def surroundings_of(scene: Scene) -> Surroundings:
    """Gather what lies between and around holes."""
    wires = shapely.get_coordinates(shapely.segmentize(scene.wires.geometry.to_numpy(), 1.0))
    return Surroundings(
        scene.grid, scene.trees_around, scene.land, scene.keep_out, scene.buildings, wires,
        scene.paths,
    )  # fmt: skip


def fairways(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    spacing: float = SPACING,
) -> Fairways:
    """Cut holes into places.

    Parameters
    ----------
    holes
        `level`, `finish`, `legs` (ids with spaces between), and lines of play, tee first.
    legs
        `leg_id`, `finish` and lines; None, or a hole whose legs are not among them, is taken for
        one throw.
    levels
        Levels of the holes.
    spacing
        Metres between places; ends of legs are always among them.
    """
    names = [level.name for level in levels]
    known: dict[int, tuple[shapely.LineString, str, float]] = {}
    if legs is not None and len(legs):
        each = zip(legs.geometry, legs["finish"], _landed_wide(legs), strict=True)
        known = dict(zip(legs["leg_id"], each, strict=True))
    side = {"left": 1, "right": -1}
    parts: list[tuple[Floats, ...]] = []
    legs_of: list[tuple[int, int, Floats, Floats]] = []
    for i, (shape, level, finish, ids) in enumerate(
        zip(holes.geometry, holes["level"], holes["finish"], holes["legs"], strict=True)
    ):
        who = names.index(level)
        numbers = [int(leg) for leg in str(ids or "").split()]
        whole = numbers and all(number in known for number in numbers)
        pieces = [known[number] for number in numbers] if whole else [(shape, finish, 0.0)]
        walked = 0.0
        for line, ends, landed in pieces:
            line = shapely.force_2d(line)
            at = np.linspace(0, line.length, max(2, int(np.ceil(line.length / spacing)) + 1))
            xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
            flown = np.hypot(*(xy - xy[0]).T)
            n = np.ones(at.size)
            # Hyzer and height spread throws sideways too: never narrower than they landed.
            aim = max(np.tan(np.radians(levels[who].lateral_sd_deg)), landed / max(flown[-1], 1.0))
            parts.append(
                (i * n, *xy.T, flown, walked + at, side.get(ends, 0) * n, len(legs_of) * n,
                 who * n, aim * flown)
            )  # fmt: skip
            legs_of.append((i, who, xy[0], xy[-1]))
            walked += line.length
        for k in range(len(parts) - len(pieces), len(parts)):
            parts[k] = (*parts[k], walked - parts[k][4])
    if not parts:
        no, flat = np.zeros(0, np.int64), np.zeros(0)
        return Fairways(
            no, np.zeros((0, 2)), flat, flat, flat, flat, flat, no, no, no, no,
            np.zeros((0, 2)), np.zeros((0, 2)),
        )  # fmt: skip
    hole, x, y, flown, along, fades, leg, level_of, spread, left = (
        np.concatenate([part[k] for part in parts]) for k in range(10)
    )
    played = level_of.astype(int)
    full = np.array([level.fairway_throw for level in levels])
    return Fairways(
        hole.astype(int), np.column_stack([x, y]), flown,
        np.clip(flown / full[played], LEAST, 1.0), spread, along, left,
        fades.astype(int), leg.astype(int),
        np.array([part[0] for part in legs_of]), np.array([part[1] for part in legs_of]),
        np.array([part[2] for part in legs_of]), np.array([part[3] for part in legs_of]),
    )  # fmt: skip


def _landed_wide(legs: gpd.GeoDataFrame) -> Floats:
    """Sideways spread at the end of legs by where their throws came down, one sd [m]; 0 unknown."""
    if "landing_long_m" not in legs:
        return np.zeros(len(legs))
    shapes = legs.geometry.to_numpy()
    tee, end = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (0, -1))
    way = np.arctan2(*(end - tee).T)
    turn = np.radians(legs["landing_bearing_deg"].to_numpy(float)) - way
    long, wide = (legs[f"landing_{axis}_m"].to_numpy(float) for axis in ("long", "wide"))
    across = np.hypot(long * np.sin(turn), wide * np.cos(turn)) / TWO_THIRDS
    return np.asarray(np.nan_to_num(across), np.float64)


def envelopes(
    ways: Fairways, levels: Sequence[Level], holes: int, settings: SafetySettings
) -> NDArray[np.object_]:
    """Ground that the throws of each hole come over, all but one in a hundred (holes,) polygons.

    As wide as the spread of the aim makes it, and as much longer than the throw as the spread of
    its speed does; never narrower than 1 m to a side.
    """
    out = np.full(holes, shapely.Polygon(), object)
    radius = np.maximum(settings.sds * ways.spread, 1.0)
    spots = shapely.buffer(shapely.points(ways.xy), radius, quad_segs=4)
    joined = np.flatnonzero(ways.leg[1:] == ways.leg[:-1])
    pieces = shapely.convex_hull(shapely.multipolygons(
        np.column_stack([spots[joined], spots[joined + 1]]).ravel(),
        indices=np.repeat(np.arange(joined.size), 2),
    )) if joined.size else np.empty(0, object)  # fmt: skip
    pace = np.array([RANGE_POWER * level.speed_sd for level in levels])
    way = ways.leg_end - ways.leg_start
    length = np.hypot(*way.T)
    over = settings.sds * pace[ways.leg_level] * length
    last = np.array([np.flatnonzero(ways.leg == k)[-1] for k in range(length.size)])
    far = ways.leg_end + way / length[:, None] * over[:, None]
    tails = shapely.convex_hull(
        shapely.union(spots[last], shapely.buffer(shapely.points(far), radius[last], quad_segs=4))
    ) if length.size else np.empty(0, object)  # fmt: skip
    owner = np.r_[ways.hole[joined], ways.leg_hole]
    every = np.r_[pieces, tails]
    for i in range(holes):
        out[i] = shapely.union_all(every[owner == i])
    return out


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
SAME = REASONS[-1]


def conflicts(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    around: Surroundings,
    settings: SafetySettings,
) -> pd.DataFrame:
    """Pairs of holes that cannot both be built.

    Parameters
    ----------
    holes, legs, levels
        As in `fairways`.
    around
        What lies between.
    settings
        The section `layout: safety:` of the configuration.

    Returns
    -------
    DataFrame
        `first`, `second` (rows of `holes`, first < second), `reason` (one of `REASONS`),
        `distance_m`, `needed_m`; one row per pair, for the rule that is broken worst.
    """
    ways = fairways(holes, legs, levels)
    found = [_without_room(ways, len(holes), around, settings), _in_cones(ways, levels, settings)]
    p, q, reason, distance, needed = (np.concatenate(part) for part in zip(*found, strict=True))
    p, q, reason, distance, needed = _for_both_routes(holes, p, q, reason, distance, needed)
    first, second = np.minimum(p, q), np.maximum(p, q)
    worst = np.lexsort((reason, distance / needed, second, first))
    pairs = pd.DataFrame(
        {
            "first": first[worst], "second": second[worst],
            "reason": np.array(REASONS, object)[reason[worst].astype(int)],
            "distance_m": distance[worst], "needed_m": needed[worst],
        }
    )  # fmt: skip
    return pairs.drop_duplicates(["first", "second"], ignore_index=True)


Found = tuple[Ints, Ints, Ints, Floats, Floats]


def _for_both_routes(
    holes: gpd.GeoDataFrame, p: Ints, q: Ints, reason: Ints, distance: Floats, needed: Floats
) -> Found:
    """What goes for one route of a hole goes for the other: both will be played."""
    if "pair_id" not in holes:
        return p, q, reason, distance, needed
    ids = pd.Index(holes["hole_id"])
    other = ids.get_indexer(pd.array(holes["pair_id"], dtype="Int64").fillna(-1))
    paired = np.flatnonzero(other >= 0)
    twins = paired[paired < other[paired]]
    ways = [(p, q), (other[p], q), (p, other[q]), (other[p], other[q]), (twins, other[twins])]
    first, second = (np.concatenate([way[i] for way in ways]) for i in (0, 1))
    fill = np.zeros(twins.size)
    reason = np.r_[np.tile(reason, 4), np.full(twins.size, REASONS.index(SAME))].astype(np.int64)
    distance, needed = np.r_[np.tile(distance, 4), fill], np.r_[np.tile(needed, 4), fill + 1]
    keep = (first >= 0) & (second >= 0) & (first != second)
    # Two routes of one hole lie upon one another, and that is all there is to say.
    keep &= (other[first] != second) | (reason == REASONS.index(SAME))
    return first[keep], second[keep], reason[keep], distance[keep], needed[keep]


def _without_room(
    ways: Fairways, holes: int, around: Surroundings, settings: SafetySettings
) -> Found:
    """Pairs of holes of which two places lie too near."""
    way = ways.leg_end - ways.leg_start
    play = way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    grid = around.grid

    def pair(of: tuple[float, float]) -> Floats:
        return np.array(of, float)

    rule, near, asked = run_room(
        np.searchsorted(ways.hole, np.arange(holes + 1)), ways.xy, ways.share, ways.along,
        ways.left, play[ways.leg], END, pair(settings.fairway), pair(settings.tee_basket),
        pair(settings.next_tee), float(settings.tees), pair(settings.behind),
        float(np.cos(np.radians(settings.far_deg + 1.0))), SLACK,
        np.ascontiguousarray(around.trees), np.array([grid.left, grid.top, grid.cell]),
        settings.sheltered + DOUBT,
    )  # fmt: skip
    i, j = np.nonzero(rule >= 0)
    return i, j, rule[i, j].astype(np.int64), near[i, j].astype(float), asked[i, j].astype(float)


def trees_between(around: Surroundings, a: Floats, b: Floats) -> Floats:
    """Share of trees along the straight from each a to its b (pairs, 2) -> (pairs,)."""
    steps = (np.arange(9) + 0.5) / 9
    xy = a[:, None] + (b - a)[:, None] * steps[:, None]
    row, col = around.grid.rowcol(xy[..., 0], xy[..., 1])
    row, col = np.clip(row, 0, around.grid.rows - 1), np.clip(col, 0, around.grid.cols - 1)
    return np.asarray(around.trees[row, col].mean(1), np.float64)


def _angle(off: Floats, way: Floats) -> Floats:
    """Angle between directions [degrees, 0 to 180]."""
    cross = way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, (way * off).sum(1)))))


def _in_cones(ways: Fairways, levels: Sequence[Level], settings: SafetySettings) -> Found:
    """Tees and baskets of other holes in the cone before where a throw starts, up to its green."""
    targets = np.flatnonzero(ways.tee | ways.basket)
    way = ways.leg_end - ways.leg_start
    length = np.hypot(*way.T)
    reach = np.where(_last_legs(ways), length - END, length * settings.cone_reach)
    throw = np.array([level.tee_throw for level in levels])[ways.leg_level]
    off = ways.xy[targets][None] - ways.leg_start[:, None]
    distance = np.hypot(off[..., 0], off[..., 1])
    cross = way[:, None, 0] * off[..., 1] - way[:, None, 1] * off[..., 0]
    angle = np.degrees(np.abs(np.arctan2(cross, (way[:, None] * off).sum(-1))))
    half = np.where(distance <= 0.6 * throw[:, None], settings.near_deg, settings.far_deg)
    inside = (angle < half) & (distance <= reach[:, None] + SLACK) & (distance > 0)
    inside &= ways.leg_hole[:, None] != ways.hole[targets][None]
    leg, target = np.nonzero(inside)
    across = distance[leg, target] * np.sin(np.radians(angle[leg, target]))
    needed = distance[leg, target] * np.sin(np.radians(half[leg, target]))
    return (
        ways.leg_hole[leg], ways.hole[targets[target]], np.full(leg.size, 6), across,
        np.maximum(needed, 1e-9),
    )  # fmt: skip


def _last_legs(ways: Fairways) -> Flags:
    """Legs that end at a basket."""
    last = np.r_[ways.leg_hole[1:] != ways.leg_hole[:-1], True]
    return np.asarray(last[: ways.leg_hole.size], bool)


# ---------------------------------------------------------------------------------------------
# A hole by itself


ALONE = (
    "keep-out too near", "building too near", "property line too near", "path too near",
    "along wires",
)  # fmt: skip


def alone(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    around: Surroundings,
    settings: SafetySettings,
) -> pd.DataFrame:
    """Holes that come too near to what may not be thrown over.

    Returns
    -------
    DataFrame
        `hole` (row of `holes`), `reason` (one of `ALONE`), `distance_m`, `needed_m`; the worst
        place of each hole and reason.
    """
    ways = fairways(holes, legs, levels)
    points = shapely.points(ways.xy)
    spots = [
        (ALONE[0], around.keep_out, settings.keep_out),
        (ALONE[1], around.buildings, settings.building),
        (ALONE[2], shapely.boundary(around.land), settings.boundary),
        (ALONE[3], around.paths, settings.path),
    ]
    rows = []
    for reason, shape, asked in spots:
        if shape.is_empty:
            continue
        shapely.prepare(shape)
        distance = shapely.distance(points, shape)
        near = np.flatnonzero(distance < asked[0] * FADE * ways.share + SLACK)
        if not near.size:
            continue
        to = shapely.get_coordinates(shapely.get_point(
            shapely.shortest_line(points[near], shape), -1
        ))  # fmt: skip
        trees = trees_between(around, ways.xy[near], to)
        more = FADE if reason == ALONE[0] else 1.0
        needed = _asked(ways, near, to, trees, asked, more, settings) + SLACK
        close = distance[near] < needed
        rows += [
            (hole, reason, d, n)
            for hole, d, n in zip(
                ways.hole[near[close]], distance[near[close]], needed[close], strict=True
            )
        ]
    rows += _along_wires(ways, around)
    found = pd.DataFrame(rows, columns=["hole", "reason", "distance_m", "needed_m"])
    found["worst"] = found["distance_m"] / found["needed_m"]
    found = found.sort_values(["hole", "reason", "worst"], kind="stable").drop(columns="worst")
    return found.drop_duplicates(["hole", "reason"], ignore_index=True)


def _asked(
    ways: Fairways, near: Ints, to: Floats, trees: Floats, asked: tuple[float, float],
    more: float, settings: SafetySettings,
) -> Floats:  # fmt: skip
    """Distance asked for between places and the nearest points of something on the land."""
    sheltered = trees >= settings.sheltered + DOUBT
    way = (ways.leg_end - ways.leg_start)[ways.leg[near]]
    off = to - ways.xy[near]
    side = np.sign(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0])
    fades = (side == ways.fades[near]) & (ways.fades[near] != 0)
    behind = (ways.left[near] == 0) & (_angle(off, way) < 90)
    open_ = asked[0] * np.where(fades | behind, more, 1.0)
    return np.asarray(np.where(sheltered, asked[1], open_) * ways.share[near])


def _along_wires(ways: Fairways, around: Surroundings) -> list[tuple[int, str, float, float]]:
    if not len(around.wires):
        return []
    distance = cKDTree(around.wires).query(ways.xy, distance_upper_bound=WIRE_NEAR)[0]
    under = pd.DataFrame({"hole": ways.hole, "near": distance < WIRE_NEAR, "d": distance})
    under = under[under["near"]]
    told = under.groupby("hole")["d"].agg(["size", "min"])
    told = told[told["size"] * SPACING > WIRE_LONG]
    return [(int(h), ALONE[4], float(d), WIRE_NEAR) for h, d in told["min"].items()]  # type: ignore[call-overload]
