"""Check of a finished layout: every rule of safety again, metre by metre, from its lines alone.

It shares the settings and the map of trees with `safety`, and none of its code: lines are cut
finer, and every place is held against every other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import shapely.ops
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial.distance import cdist

from lanewright.base.arrays import Flags, Floats
from lanewright.holes.safety import Surroundings
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

STEP = 1.0  # m between places of a line
NEAREST = 0.25  # of a distance that is asked before throws have spread
MEETING = 26.0  # m of one hole before its basket, of another after its tee, that may meet
FAR_SIDE = 1.5  # a keep-out on the fade side, or behind the basket


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
        whom = f"hole {self.hole}" + (f" and hole {self.other}" if self.other is not None else "")
        return f"{whom}: {self.rule}, {self.distance:.1f} m where {self.needed:.1f} m is asked for"


@dataclass(frozen=True)
class _Line:
    """A hole as places a metre apart; distance to tee and basket, share asked, side it fades to."""

    number: int
    level: Level
    at: Floats
    gone: Floats
    togo: Floats
    share: Floats
    flown: Floats
    fades: NDArray[np.int64]
    throws: list[tuple[Floats, Floats]]


def check_layout(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    walks: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    around: Surroundings,
    settings: SafetySettings,
) -> list[Violation]:
    """Hold one layout against every rule.

    Parameters
    ----------
    holes
        Its holes: `hole_id`, `level`, `finish`, `legs`, line of play; `play_order` where walks are
        given.
    legs
        `leg_id`, `finish` and lines of their throws.
    walks
        `from_order`, `to_order`, `crosses` (holes by play order, with commas between), line.
    levels
        Who plays.
    around
        What lies between and around.
    settings
        The section `layout: safety:` of the configuration.

    Returns
    -------
    list of Violation
        The worst place of each rule, hole and other hole; empty if all is well.
    """
    who = {level.name: level for level in levels}
    lines = [_line(row, legs, who) for row in holes.to_dict("records")]
    found: list[Violation] = []
    for i, one in enumerate(lines):
        found += _against_land(one, around, settings)
        for other in lines[i + 1 :]:
            found += _against(one, other, around, settings)
    if walks is not None:
        order = dict(zip(holes["play_order"], lines, strict=True))
        for row in walks.to_dict("records"):
            found += _walked(row, order, settings)
    worst: dict[tuple[str, int, int | None], Violation] = {}
    for v in found:
        key = (v.rule, v.hole, v.other)
        if key not in worst or v.distance / v.needed < worst[key].distance / worst[key].needed:
            worst[key] = v
    return list(worst.values())


def _line(row: dict[str, object], legs: gpd.GeoDataFrame | None, who: dict[str, Level]) -> _Line:
    level = who[str(row["level"])]
    throws = []
    if legs is not None:
        for number in str(row.get("legs") or "").split():
            for _, leg in legs[legs["leg_id"] == int(number)].iterrows():
                throws.append((leg.geometry, str(leg["finish"])))
    if len(throws) != len(str(row.get("legs") or "").split()) or not throws:
        throws = [(row["geometry"], str(row["finish"]))]
    at, flown, fades, gone, chords, walked = [], [], [], [], [], 0.0
    for line, finish in throws:
        metres = np.arange(0, line.length, STEP)
        places = [line.interpolate(m) for m in metres] + [shapely.Point(line.coords[-1])]
        xy = np.array([(p.x, p.y) for p in places])
        at.append(xy)
        flown.append(np.linalg.norm(xy - xy[0], axis=1))
        gone.append(walked + np.append(metres, line.length))
        fades.append(np.full(len(xy), {"left": 1, "right": -1}.get(finish, 0)))
        chords.append((xy[0], xy[-1]))
        walked += line.length
    away = np.concatenate(flown)
    share = np.minimum(1, np.maximum(NEAREST, away / (0.8 * level.tee_throw)))
    along = np.concatenate(gone)
    return _Line(
        int(str(row["hole_id"])), level, np.concatenate(at), along, walked - along, share, away,
        np.concatenate(fades), chords,
    )  # fmt: skip


def _trees(around: Surroundings, a: Floats, b: Floats) -> float:
    """Share of trees on the straight from a to b, looked at every half metre."""
    n = max(2, int(np.ceil(np.hypot(*(b - a)) / 0.5)))
    u = (np.arange(n) + 0.5) / n
    x, y = a[0] + u * (b[0] - a[0]), a[1] + u * (b[1] - a[1])
    cell = around.grid.cell
    place = [(around.grid.top - y) / cell - 0.5, (x - around.grid.left) / cell - 0.5]
    return float(map_coordinates(around.trees, place, order=1, mode="nearest").mean())


def _worst(
    rule: str, one: _Line, other: _Line, distance: Floats, pair: tuple[Floats, Floats],
    where: Flags, around: Surroundings, settings: SafetySettings,
) -> Iterator[Violation]:  # fmt: skip
    """Worst of the pairs of places that are nearer than is asked; (places, places)."""
    over_open, among_trees = (np.broadcast_to(p, distance.shape) for p in pair)
    close = np.argwhere(where & (distance < over_open))
    least, kept = 1.0, None
    for i, j in close:
        sure = distance[i, j] < among_trees[i, j]
        if not sure and _trees(around, one.at[i], other.at[j]) >= settings.sheltered:
            continue
        needed = among_trees[i, j] if sure else over_open[i, j]
        if distance[i, j] / needed < least:
            least, kept = distance[i, j] / needed, (i, j, needed)
    if kept is not None:
        i, j, needed = kept
        yield Violation(
            rule, one.number, other.number, float(distance[i, j]), float(needed), *one.at[i]
        )


def _against(
    one: _Line, other: _Line, around: Surroundings, settings: SafetySettings
) -> Iterator[Violation]:
    distance = cdist(one.at, other.at)
    if distance.min() > max(settings.fairway[0], settings.cone_reach * 200):
        return
    first = one.gone[:, None] < MEETING, one.togo[:, None] < MEETING
    second = other.gone[None] < MEETING, other.togo[None] < MEETING
    follows = (first[1] & second[0]) | (first[0] & second[1])
    # Three parts of the place where throws have spread more, one part of the other.
    shares = np.stack(np.broadcast_arrays(one.share[:, None], other.share[None]))
    share = 0.75 * shares.max(0) + 0.25 * shares.min(0)
    yield from _worst(
        "fairways too near", one, other, distance,
        (settings.fairway[0] * share, settings.fairway[1] * share), ~follows, around, settings,
    )  # fmt: skip
    yield from _ends_of(one, other, around, settings)
    yield from _ends_of(other, one, around, settings)
    apart = float(np.hypot(*(one.at[0] - other.at[0])))
    if apart < settings.tees:
        yield Violation("tees too near", one.number, other.number, apart, settings.tees, *one.at[0])


def _ends_of(
    one: _Line, other: _Line, around: Surroundings, settings: SafetySettings
) -> Iterator[Violation]:
    """Fairway, green and cone of one hole against tee and basket of the other."""
    tee, basket = other.at[0], other.at[-1]
    to_tee, to_basket = cdist(one.at, tee[None]), cdist(one.at, basket[None])
    green = (one.togo < MEETING)[:, None]
    start = (one.gone < MEETING)[:, None]
    asked = tuple(np.asarray(d * one.share)[:, None] for d in settings.tee_basket)
    ahead = _only(other, 0), _only(other, -1)
    for rule, distance, end, pair, where in (
        ("fairway too near a tee", to_tee, ahead[0], asked, ~green),
        ("fairway too near a basket", to_basket, ahead[1], asked, ~start),
        ("tee too near a green", to_tee, ahead[0], settings.next_tee, green),
        ("tee too near a green", to_basket, ahead[1], settings.next_tee, start),
    ):
        yield from _worst(rule, one, end, distance, (np.asarray(pair[0]), np.asarray(pair[1])),
                          where, around, settings)  # fmt: skip
    # Past the basket: the play goes on the way the last throw came.
    start_of, end_of = one.throws[-1]
    distance = cdist(end_of[None], other.at)
    off = other.at - end_of
    with np.errstate(invalid="ignore", divide="ignore"):
        cosine = (
            off
            @ (end_of - start_of)
            / (np.linalg.norm(off, axis=1) * np.linalg.norm(end_of - start_of))
        )
    past = np.nan_to_num(cosine, nan=-1.0) > np.cos(np.radians(settings.far_deg))
    pair = np.asarray(settings.behind[0]), np.asarray(settings.behind[1])
    yield from _worst(
        "past the basket", _only(one, -1), other, distance, pair, past[None], around, settings
    )
    for number, (start_of, end_of) in enumerate(one.throws):
        way = end_of - start_of
        length = float(np.hypot(*way))
        last = number == len(one.throws) - 1
        reach = length - MEETING if last else settings.cone_reach * length
        for place in (tee, basket):
            off = place - start_of
            far = float(np.hypot(*off))
            if not 0 < far <= reach:
                continue
            angle = np.degrees(np.arccos(np.clip(off @ way / (far * length), -1, 1)))
            near = far <= 0.6 * one.level.tee_throw
            half = settings.near_deg if near else settings.far_deg
            if angle < half:
                yield Violation(
                    "in the danger cone", one.number, other.number,
                    far * float(np.sin(np.radians(angle))), far * float(np.sin(np.radians(half))),
                    *place,
                )  # fmt: skip


def _only(line: _Line, index: int) -> _Line:
    """Just one place of a line."""
    index = index % len(line.at)
    at = slice(index, index + 1)
    return _Line(
        line.number, line.level, line.at[at], line.gone[at], line.togo[at], line.share[at],
        line.flown[at], line.fades[at], line.throws,
    )  # fmt: skip


def _against_land(
    one: _Line, around: Surroundings, settings: SafetySettings
) -> Iterator[Violation]:
    for rule, shape, asked in (
        ("keep-out too near", around.keep_out, settings.keep_out),
        ("building too near", around.buildings, settings.building),
        ("path too near", around.paths, settings.path),
        ("property line too near", around.land.boundary, settings.boundary),
    ):
        if shape.is_empty or shape.distance(shapely.LineString(one.at)) > FAR_SIDE * asked[0]:
            continue
        least = 1.0
        worst = None
        for i, (x, y) in enumerate(one.at):
            place = shapely.Point(x, y)
            distance = place.distance(shape)
            if distance >= FAR_SIDE * asked[0] * one.share[i]:
                continue
            to = np.array(shapely.ops.nearest_points(place, shape)[1].coords[0][:2])
            needed = asked[1]
            if _trees(around, one.at[i], to) < settings.sheltered:
                needed = asked[0]
                if rule == "keep-out too near" and _far_side(one, i, to):
                    needed *= FAR_SIDE
            needed *= one.share[i]
            if distance / needed < least:
                least = distance / needed
                worst = Violation(rule, one.number, None, distance, needed, x, y)
        if worst is not None:
            yield worst


def _far_side(one: _Line, i: int, to: Floats) -> bool:
    """Whether something lies on the side a throw fades to, or behind the basket."""
    k = int((np.diff(one.flown[: i + 1]) < -1e-6).sum()) if i else 0
    start, end = one.throws[min(k, len(one.throws) - 1)]
    way, off = end - start, to - one.at[i]
    turn = way[0] * off[1] - way[1] * off[0]
    faded = one.fades[i] != 0 and np.sign(turn) == one.fades[i]
    return bool(faded or (one.togo[i] == 0 and way @ off > 0))


def _walked(
    row: dict[str, object], order: dict[int, _Line], settings: SafetySettings
) -> Iterator[Violation]:
    """Where a walk comes into a line of fire that it is not marked for."""
    line = shapely.segmentize(row["geometry"], STEP)
    xy = shapely.get_coordinates(line)
    told = {int(n) for n in str(row["crosses"]).replace(",", " ").split() if n.isdigit()}
    leaves, comes = int(str(row["from_order"])), int(str(row["to_order"]))
    for number, hole in order.items():
        if number in told:
            continue
        distance = cdist(xy, hole.at)
        within = settings.sds * np.tan(np.radians(hole.level.lateral_sd_deg)) * hole.flown
        hit = distance < np.maximum(within, 1.0)[None]
        # Players stand at the basket they leave and the tee they come to.
        for end, here in ((hole.at[-1], number == leaves), (hole.at[0], number == comes)):
            if here:
                hit &= (np.hypot(*(xy - end).T) > MEETING)[:, None]
        if hit.any():
            i, j = np.argwhere(hit)[0]
            yield Violation(
                "walk in an unmarked line of fire", hole.number, None, float(distance[i, j]),
                float(max(within[j], 1.0)), *xy[i],
            )  # fmt: skip


def check_proposals(
    layout_holes: gpd.GeoDataFrame,
    layout_walks: gpd.GeoDataFrame | None,
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    around: Surroundings,
    settings: SafetySettings,
) -> dict[int, list[Violation]]:
    """Hold every proposal against the rules; what each breaks, by its number.

    Parameters
    ----------
    layout_holes, layout_walks
        Rows of these layers.
    holes, legs
        Candidate holes and their throws, for where each throw starts.
    levels, around, settings
        As in `check_layout`.
    """
    throws = holes.set_index("hole_id")["legs"]
    told = {}
    for number, mine in layout_holes.groupby("proposal"):
        # Told by the number in the round, as a reader counts.
        throws_of = mine["hole_id"].map(throws).fillna("")
        frame = mine.assign(legs=throws_of, hole_id=mine["play_order"])
        walks = layout_walks
        if walks is not None:
            walks = walks[walks["proposal"] == number]
        told[int(str(number))] = check_layout(frame, legs, walks, levels, around, settings)
    return told
