"""The rules of safety held against finished layouts, apart from the code that chose them.

It reads the same settings and the same land as `holes.safety`, and shares none of its code: lines
are cut finer, every place is held against every other, and the ground between is looked at anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from scipy.spatial.distance import cdist

from lanewright.base.arrays import Floats
from lanewright.layout.checklines import STEP, Asked, Check, Line
from lanewright.scene import Scene
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

SAME = 1e-6  # m
BESIDE = 5.0  # m from the middle of a fairway within which a walk goes along it
WALK_BACK = "walk back along its own fairway"


@dataclass(frozen=True)
class Violation:
    """One rule that a layout breaks.

    Attributes
    ----------
    rule
        In words.
    hole, other
        The hole's number, and the other hole's; None for the land or a walk.
    distance, needed
        Found and asked for [m].
    x, y
        Where.
    """

    rule: str
    hole: int
    other: int | None
    distance: float
    needed: float
    x: float
    y: float

    def __str__(self) -> str:
        """Say it in a line."""
        if self.rule == WALK_BACK:
            return (
                f"hole {self.hole}: {self.rule}, {self.distance:.1f} m where at most "
                f"{self.needed:.1f} m are allowed"
            )
        whom = f"hole {self.hole}" + (f" and hole {self.other}" if self.other is not None else "")
        return f"{whom}: {self.rule}, {self.distance:.1f} m where {self.needed:.1f} m is asked for"


def faults_of(one: Line, others: Sequence[Line], check: Check) -> list[Violation]:
    """Rules that one hole breaks towards some others and the land."""
    found = [*_against_land(one, check), *_under_wires(one, check)]
    return found + [fault for other in others for fault in _against(one, other, check)]


def check_proposals(
    layout_holes: gpd.GeoDataFrame,
    layout_walks: gpd.GeoDataFrame | None,
    links: pd.DataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    scene: Scene,
    settings: SafetySettings,
) -> dict[int, list[Violation]]:
    """Hold every proposal against the rules; what each breaks, by its number.

    Parameters
    ----------
    layout_holes, layout_walks
        Rows of these layers.
    links, legs
        Which hole uses which throws, in order, and these: for where each throw starts.
    levels
        Who plays.
    scene
        The land.
    settings
        The section `layout: safety:` of the configuration.

    Returns
    -------
    dict of int to list of Violation
        The worst place of each rule, hole and other hole; empty lists if all is well.
    """
    check = Check(levels, scene, settings)
    broken = {}
    for number, mine in layout_holes.groupby("proposal"):
        walks = layout_walks
        if walks is not None:
            walks = walks[walks["proposal"] == number]
        # Reported by the number in the round, as a reader counts.
        lines = {line.number: line for line in check.lines(mine, links, legs)}
        broken[int(str(number))] = round_faults(check, lines, walks)
    return broken


def round_faults(
    check: Check, order: dict[int, Line], walks: gpd.GeoDataFrame | None
) -> list[Violation]:
    """The worst place of each rule, hole and other hole; holes by their number in the round."""
    lines = [*order.values()]
    found: list[Violation] = []
    for i, one in enumerate(lines):
        found += _against_land(one, check)
        found += _under_wires(one, check)
        for other in lines[i + 1 :]:
            found += _against(one, other, check)
    if walks is not None:
        for row in walks.to_dict("records"):
            found += _walked(row, order, check)
    worst: dict[tuple[str, int, int | None], Violation] = {}
    for v in found:
        key = (v.rule, v.hole, v.other)
        if key not in worst or v.distance / v.needed < worst[key].distance / worst[key].needed:
            worst[key] = v
    return list(worst.values())


# ---------------------------------------------------------------------------------------------
# Hole against hole


def _worst(asked: Asked, check: Check) -> Iterator[Violation]:
    """Worst of the pairs of places that are nearer than a rule asks."""
    one, other = asked.one, asked.other
    distance = cdist(one.at, other.at)
    over_open, among_trees = (np.broadcast_to(a, distance.shape) for a in asked.metres)
    least, kept = 1.0, None
    for i, j in np.argwhere(asked.where & (distance < over_open)):
        sure = distance[i, j] < among_trees[i, j]
        if not sure and check.between(one.at[i], other.at[j]):
            continue
        needed = among_trees[i, j] if sure else over_open[i, j]
        if distance[i, j] / needed < least:
            least, kept = distance[i, j] / needed, (distance[i, j], needed, one.at[i])
    if kept is not None:
        found, needed = float(kept[0]), float(kept[1])
        yield Violation(asked.rule, one.number, other.number, found, needed, *kept[2])


def _against(one: Line, other: Line, check: Check) -> Iterator[Violation]:
    rules = check.rules
    nearest = shapely.LineString(one.at).distance(shapely.LineString(other.at))
    longest = max(np.hypot(*(t.end - t.start)) for line in (one, other) for t in line.throws)
    if nearest > max(rules.fairway[0], rules.behind[0], rules.cone_reach * longest):
        return
    for asked in asked_between(one, other, rules):
        yield from _worst(asked, check)
    for line, beside in ((one, other), (other, one)):
        for _, place, aside, needed in in_cone(line, beside, rules):
            if aside < needed:
                who = line.number, beside.number
                yield Violation("in the danger cone", *who, aside, needed, *place)
    apart = float(np.hypot(*(one.at[0] - other.at[0])))
    if apart < rules.tees:
        yield Violation("tees too near", one.number, other.number, apart, rules.tees, *one.at[0])


def asked_between(one: Line, other: Line, rules: SafetySettings) -> Iterator[Asked]:
    """What the rules of distance ask between two holes, but for tees and danger cones."""
    first = one.gone[:, None] < rules.handover, one.togo[:, None] < rules.handover
    second = other.gone[None] < rules.handover, other.togo[None] < rules.handover
    follows = (first[1] & second[0]) | (first[0] & second[1])
    shares = np.stack(np.broadcast_arrays(one.share[:, None], other.share[None]))
    share = (1 - rules.weaker) * shares.max(0) + rules.weaker * shares.min(0)
    fairway = rules.fairway[0] * share, rules.fairway[1] * share
    yield Asked("fairways too near", one, other, fairway, ~follows)
    for line, beside in ((one, other), (other, one)):
        yield from _ends(line, beside, rules)
        yield _past_basket(line, beside, rules)


def _ends(one: Line, other: Line, rules: SafetySettings) -> Iterator[Asked]:
    """Fairway and green of one hole against tee and basket of the other."""
    green, start = ((m < rules.handover)[:, None] for m in (one.togo, one.gone))
    fairway = tuple(np.asarray(d * one.share)[:, None] for d in rules.tee_basket)
    beside = tuple(np.asarray(d) for d in rules.next_tee)
    for rule, end, asked, where in (
        ("fairway too near a tee", 0, fairway, ~green),
        ("fairway too near a basket", -1, fairway, ~start),
        ("tee too near a green", 0, beside, green),
        ("tee too near a green", -1, beside, start),
    ):
        yield Asked(rule, one, other.only(end), (asked[0], asked[1]), where)


def _past_basket(one: Line, other: Line, rules: SafetySettings) -> Asked:
    """What lies past a basket, the way the last throw came."""
    way = one.throws[-1].end - one.throws[-1].start
    off = other.at - one.throws[-1].end
    with np.errstate(invalid="ignore", divide="ignore"):
        cosine = off @ way / (np.linalg.norm(off, axis=1) * np.linalg.norm(way))
    past = np.nan_to_num(cosine, nan=-1.0) > np.cos(np.radians(rules.far_deg))
    asked = np.asarray(rules.behind[0]), np.asarray(rules.behind[1])
    return Asked("past the basket", one.only(-1), other, asked, past[None])


def in_cone(
    one: Line, other: Line, rules: SafetySettings
) -> Iterator[tuple[Floats, Floats, float, float]]:
    """Tee and basket of the other hole beside the way before a tee or landing zone of this one.

    Gives where the throw starts, the place, metres aside of its way, and metres asked; only of
    places before the throw and within its reach.
    """
    for number, throw in enumerate(one.throws):
        way = throw.end - throw.start
        length = float(np.hypot(*way))
        last = number == len(one.throws) - 1
        reach = length - rules.handover if last else rules.cone_reach * length
        for place in (other.at[0], other.at[-1]):
            off = place - throw.start
            far = float(np.hypot(*off))
            if not 0 < far <= reach:
                continue
            angle = np.degrees(np.arccos(np.clip(off @ way / (far * length), -1, 1)))
            near = far <= rules.near_reach * one.level.tee_throw
            half = rules.near_deg if near else rules.far_deg
            if angle < 90:
                aside, needed = (far * float(np.sin(np.radians(a))) for a in (angle, half))
                yield throw.start, place, aside, needed


# ---------------------------------------------------------------------------------------------
# Hole against the land


def _against_land(one: Line, check: Check) -> Iterator[Violation]:
    scene, rules = check.scene, check.rules
    for rule, shape, asked in (
        ("keep-out too near", scene.keep_out, rules.keep_out),
        ("building too near", scene.buildings, rules.building),
        ("path too near", scene.paths, rules.path),
        ("property line too near", scene.land.boundary, rules.boundary),
    ):
        wider = rules.fade_side if rule == "keep-out too near" else 1.0
        if shape.is_empty or shape.distance(shapely.LineString(one.at)) > wider * asked[0]:
            continue
        least, worst = 1.0, None
        for i, (x, y) in enumerate(one.at):
            place = shapely.Point(x, y)
            distance = place.distance(shape)
            if distance >= wider * asked[0] * one.share[i]:
                continue
            to = np.array(shapely.ops.nearest_points(place, shape)[1].coords[0][:2])
            if check.between(one.at[i], to):
                needed = asked[1]
            else:
                needed = asked[0] * (wider if _far_side(one, i, to) else 1.0)
            needed *= one.share[i]
            if distance / needed < least:
                least = distance / needed
                worst = Violation(rule, one.number, None, distance, float(needed), x, y)
        if worst is not None:
            yield worst


def _far_side(one: Line, i: int, to: Floats) -> bool:
    """Whether something lies on the side a throw fades to, or behind the basket."""
    throw = one.throws[one.throw[i]]
    way, off = throw.end - throw.start, to - one.at[i]
    turn = way[0] * off[1] - way[1] * off[0]
    faded = throw.fades != 0 and np.sign(turn) == throw.fades
    return bool(faded or (one.togo[i] < SAME and way @ off > 0))


def _under_wires(one: Line, check: Check) -> Iterator[Violation]:
    """Whether more of a hole lies beside or under wires than crossing them takes."""
    rules = check.rules
    wires = [shape for shape in check.scene.wires.geometry if not shape.is_empty]
    if not wires:
        return
    under = shapely.LineString(one.at).intersection(shapely.union_all(wires).buffer(rules.wire))
    if under.length > rules.wire_along:
        x, y = under.centroid.coords[0]
        away = min(shape.distance(shapely.Point(x, y)) for shape in wires)
        yield Violation("along wires", one.number, None, away, rules.wire, x, y)


# ---------------------------------------------------------------------------------------------
# Walks


def _walked(row: dict[str, object], order: dict[int, Line], check: Check) -> Iterator[Violation]:
    """Where a walk comes into a line of fire that it is not marked for."""
    rules = check.rules
    yield from _walked_back(row["geometry"], int(str(row["from_order"])), order, rules)
    xy = shapely.get_coordinates(shapely.segmentize(row["geometry"], STEP))
    marked = set(_numbers(row["crosses"]))
    leaves, comes = int(str(row["from_order"])), int(str(row["to_order"]))
    for number, hole in order.items():
        if number in marked:
            continue
        aim = hole.level.sideways(1.0)
        within = np.maximum(rules.sds * aim * hole.flown, 1.0)
        distance = cdist(xy, hole.at)
        hit = distance < within[None]
        # Players stand at the basket they leave and the tee they come to.
        for end, here, around in (
            (hole.at[-1], number == leaves, rules.wait_basket),
            (hole.at[0], number == comes, rules.wait_tee),
        ):
            if here:
                hit &= (np.hypot(*(xy - end).T) > around)[:, None]
        if hit.any():
            i, j = np.argwhere(hit)[0]
            yield Violation(
                "walk in an unmarked line of fire",
                hole.number,
                None,
                float(distance[i, j]),
                float(within[j]),
                *xy[i],
            )


def _walked_back(
    walk: shapely.LineString, leaves: int, order: dict[int, Line], rules: SafetySettings
) -> Iterator[Violation]:
    """Whether a walk goes back along the hole just played, towards those who play it next."""
    hole = order.get(leaves)
    if hole is None or len(hole.at) < 2:
        return
    green = shapely.Point(hole.at[-1]).buffer(rules.handover)
    fairway = shapely.LineString(hole.at).buffer(BESIDE).difference(green)
    back = shapely.force_2d(walk).intersection(fairway).length
    if back > rules.walk_back:
        where = hole.at[-1]
        yield Violation(WALK_BACK, hole.number, None, back, rules.walk_back, *where)


def _numbers(text: object) -> Iterable[int]:
    """Whole numbers of a text with commas between; none of an empty one."""
    return (int(n) for n in str(text).replace(",", " ").split() if n.isdigit())
