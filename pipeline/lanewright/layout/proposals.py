"""Stage layout: several proposals of a round, and what each gives up.

Candidate holes that keep their distance from one another are strung on walks by the solver of
`circuit`; what a round is worth is told in `choice`. Where the land does not hold as many holes as
asked for, the most that it does are proposed, with the reason why not one more.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from lanewright.base.arrays import Floats, Ints
from lanewright.base.errors import InputError
from lanewright.base.outlines import cells_of
from lanewright.base.schema import LAYERS
from lanewright.holes import safety
from lanewright.holes.chains import Holes
from lanewright.holes.par import long_walks, room_for
from lanewright.layout import circuit
from lanewright.layout.choice import (
    Field,
    Ways,
    cost_of,
    could_take_part,
    ends_of,
    kinds_of,
    problem_of,
    times_of,
    under_fire,
    ways_of,
)
from lanewright.layout.circuit import Earlier, Problem, Round
from lanewright.layout.designer import SAME, Drawn, Hand, changes
from lanewright.layout.walks import Footing, Walk, footing, graph_of, met_by, streams, walks_between
from lanewright.legs.scene import Scene
from lanewright.legs.throwing import UNDER_CANOPY
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.levels import Level
from lanewright.store import stage
from lanewright.trim.plan import with_hours
from lanewright.trim.tables import Trim

log = logging.getLogger(__name__)


STEEP = 15.0
"""Grade of a walk [percent] from which it needs steps or a switchback; common practice, ours."""

MOST = 1500  # candidates at the most
BORDER = 12.0  # m inside the property line that a start may lie, where people come in
STARTS = 60.0  # m between starts tried along it


@dataclass(frozen=True)
class Layouts:
    """Proposed rounds.

    Attributes
    ----------
    holes, walks
        Rows of layers `layout_holes` and `layout_walks`.
    proposals
        One mapping per proposal: totals, terms and what it gives up, for `summary.json`.
    facts
        Candidates, conflicts, start, the solver's word.
    """

    holes: gpd.GeoDataFrame
    walks: gpd.GeoDataFrame
    proposals: tuple[dict[str, Any], ...] = ()
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Site:
    """Where a round is laid out.

    Attributes
    ----------
    footing
        The land on foot.
    around
        What lies between holes.
    arrival
        Where the round starts and ends (2,); None where nobody said.
    """

    footing: Footing
    around: safety.Surroundings
    arrival: tuple[float, float] | None


# ---------------------------------------------------------------------------------------------
# Laying out


@stage("layout", version=4)
def lay_out(
    scene: Scene,
    levels: tuple[Level, ...],
    holes: Holes,
    trim: Trim,
    settings: LayoutSettings,
    hand: Hand,
    *,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Layouts:
    """Lay out rounds on a property; see `propose`.

    Parameters
    ----------
    scene, holes, trim
        Results of the stages before.
    levels
        Who plays, best players first.
    settings
        The section `layout`.
    hand
        What the designer asks for, and how many holes.
    progress
        Takes the share done.
    """
    level = _main_level(levels, settings)
    barred = hand.area("keep out")
    paths = shapely.from_wkt(hand.paths) if hand.paths else shapely.LineString()
    water = scene.water | streams(scene.drainage, scene.grid, settings.walk.stream)
    site = Site(
        footing(
            scene.grid, scene.ground, scene.land, scene.keep_out.union(barred), water,
            scene.wet, scene.very_wet, settings.walk, paths,
        ),
        safety.surroundings_of(scene),
        hand.arrival,
    )  # fmt: skip
    frame = with_hours(holes.holes, trim)
    frame = frame[frame["level"] == level.name].reset_index(drop=True)
    warnings: list[str] = []
    candidates, reasons, gone = field_of(
        frame, holes.legs, levels, site.around, hand, settings, warnings
    )
    layouts = propose(
        site, candidates, holes.legs, level, hand.wanted, settings, reasons=reasons,
        progress=progress,
    )  # fmt: skip
    usual = room_for(level, scene.land.area / 1e4, _wooded(scene))
    facts = layouts.facts | {"holes that so much land usually holds, our default": usual}
    return _told(replace(layouts, facts=facts), hand, gone, warnings)


def _wooded(scene: Scene) -> float:
    """Share of the property under trees; 0 where nobody knows."""
    canopy = scene.canopy_height[cells_of(scene.land, scene.grid)]
    known = np.isfinite(canopy)
    return float((canopy[known] > UNDER_CANOPY).mean()) if known.any() else 0.0


def _main_level(levels: tuple[Level, ...], settings: LayoutSettings) -> Level:
    if settings.level is None:
        return levels[0]
    for level in levels:
        if level.name == settings.level.lower():
            return level
    raise InputError(
        "layout.level",
        f"{settings.level!r} is not among the levels of the run",
        f"Choose from {', '.join(level.name for level in levels)}.",
    )


def _told(layouts: Layouts, hand: Hand, gone: dict[str, str], warnings: list[str]) -> Layouts:
    """Layouts with what changed since the one before."""
    first = layouts.holes["proposal"] == 1
    by_hole, lines = changes(hand, layouts.holes[first], gone)
    frame = layouts.holes.copy()
    frame["change"] = None
    if len(frame):
        frame.loc[first, "change"] = pd.array(by_hole, dtype=object)
    for line in lines:
        log.info("since the layout before: %s", line)
    facts = layouts.facts | ({"changes": lines} if lines else {})
    return replace(layouts, holes=frame, facts=facts, warnings=(*warnings, *layouts.warnings))


def field_of(
    frame: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    around: safety.Surroundings,
    hand: Hand,
    settings: LayoutSettings,
    warnings: list[str],
) -> tuple[Field, list[str], dict[str, str]]:
    """Candidates that may take part, why pairs of them are in conflict, and why holes went.

    Parameters
    ----------
    frame
        Holes of one level.
    legs, levels, around
        As in `safety.conflicts`.
    hand
        What the designer asks for.
    settings
        The section `layout`.
    warnings
        Takes what the designer should know.
    """
    tee, basket = ends_of(frame)
    count = len(frame)
    must, place, wish = np.zeros(count, bool), np.zeros(count, np.int64), np.zeros(count, np.int64)
    out = np.zeros(count, bool)
    gone: dict[str, str] = {}
    names = frame["name"].astype(object).to_numpy() if count else np.empty(0, object)
    for hole in hand.holes:
        mine = np.flatnonzero(names == (hole.key or hole.name))
        if hole.wish == "avoid":
            away = np.maximum(
                np.hypot(*(tee - np.array(hole.ends[0])).T),
                np.hypot(*(basket - np.array(hole.ends[1])).T),
            )
            out |= away <= SAME
            gone[hole.name] = "the designer avoids it"
        elif not mine.size:
            warnings.append(
                f"hole {hole.name} ({hole.wish}) is no hole for the level of the layout: one of "
                "its throws is longer than the level throws, or cannot be scored"
            )
            gone[hole.name] = "it cannot be played by the level of the layout"
        elif hole.wish == "prefer":
            wish[mine] = 1
        else:
            best = mine[frame["score"].to_numpy()[mine].argmax()]
            must[best], place[best] = True, hole.order
    no_go, shun = hand.area("keep out"), hand.area("avoid")
    inside = shapely.intersects(frame.geometry.to_numpy(), no_go) if count else out
    for row in np.flatnonzero(inside & must):
        warnings.append(f"hole {names[row]} is kept though it comes into an area to keep out of")
    out |= inside & ~must
    for number, name, wkt in hand.before:
        if shapely.intersects(shapely.from_wkt(wkt), no_go):
            gone.setdefault(name, f"hole {number} comes into an area to keep out of")
    if count and not shun.is_empty:
        wish[shapely.intersects(frame.geometry.to_numpy(), shun) & ~must] = -1

    unfit = safety.alone(frame, legs, levels, around, settings.safety)
    for fault in unfit.to_dict("records"):
        if must[fault["hole"]]:
            warnings.append(
                f"{names[fault['hole']]} is kept, against the rule: {fault['reason']}, "
                f"{fault['distance_m']:.0f} m where {fault['needed_m']:.0f} m are asked for"
            )
    alone = unfit["hole"].to_numpy(np.int64)
    out[alone[~must[alone]]] = True
    rows = np.flatnonzero(~out)
    # Conflicts grow with the square of the candidates; the best of a very long list will do.
    if rows.size > MOST:
        score = np.where(must | (wish > 0), 2.0, frame["score"].to_numpy(float))[rows]
        rows = np.sort(rows[np.lexsort((rows, -score))[:MOST]])
    kept = frame.iloc[rows].reset_index(drop=True)
    must, place, wish = must[rows], place[rows], wish[rows]
    pairs = safety.conflicts(kept, legs, levels, around, settings.safety)
    both = must[pairs["first"].to_numpy()] & must[pairs["second"].to_numpy()]
    for pair in pairs[both].to_dict("records"):
        one, other = (kept["name"].iloc[pair[side]] for side in ("first", "second"))
        warnings.append(
            f"{one} and {other} are both kept, against the rule: {pair['reason']}, "
            f"{pair['distance_m']:.0f} m where {pair['needed_m']:.0f} m are asked for"
        )
    for pair in pairs[~both].to_dict("records"):
        sides = pair["first"], pair["second"]
        for side, held in (sides, sides[::-1]):
            if must[held]:
                _lost(hand, kept, tee[rows], basket[rows], side, held, pair["reason"], gone)
    pairs = pairs[~both]
    fire = safety.envelopes(safety.fairways(kept, legs, levels), levels, len(kept), settings.safety)
    low = kept["trim_hours_low"].fillna(0).to_numpy(float) if "trim_hours_low" in kept else 0.0
    high = kept["trim_hours_high"].fillna(0).to_numpy(float) if "trim_hours_high" in kept else 0.0
    trim = np.column_stack([(np.zeros(len(kept)) + low + high) / 2, np.zeros(len(kept)) + high])
    field = Field(
        kept, tee[rows], basket[rows], must, place, wish, trim,
        pairs[["first", "second"]].to_numpy(np.int64), fire,
    )  # fmt: skip
    return field, list(pairs["reason"]), gone


def _lost(
    hand: Hand, kept: gpd.GeoDataFrame, tee: Floats, basket: Floats, side: int, held: int,
    reason: str, gone: dict[str, str],
) -> None:  # fmt: skip
    """Note that a hole of the layout before cannot stay beside one that the designer keeps."""
    for _, name, wkt in hand.before:
        (tx, ty), (bx, by) = Drawn(name, "", wkt, "").ends
        if np.hypot(*(tee[side] - (tx, ty))) <= SAME and (
            np.hypot(*(basket[side] - (bx, by))) <= SAME
        ):
            gone.setdefault(name, f"beside {kept['name'].iloc[held]}: {reason}")


def propose(
    site: Site,
    candidates: Field,
    legs: gpd.GeoDataFrame | None,
    level: Level,
    wanted: int,
    settings: LayoutSettings,
    *,
    reasons: Sequence[str] = (),
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Layouts:
    """Choose and order holes, several times over.

    Parameters
    ----------
    site
        The land, and where the round starts.
    candidates
        Holes to choose from, fit to be played each by itself.
    legs
        Throws of these holes.
    level
        Who plays.
    wanted
        Holes wanted.
    settings
        The section `layout`.
    reasons
        Why each pair of `candidates.conflicts` is one.
    progress
        Takes the share done.
    """
    graph = graph_of(site.footing)
    warnings: list[str] = []
    facts: dict[str, object] = {
        "level": level.name,
        "candidates": len(candidates),
        "conflicts": len(candidates.conflicts),
    }
    if not len(candidates):
        return _nothing(site, facts, (f"no layout: no hole for {level.name} can be played safely",))
    start, told = _start(site, candidates)
    facts["start"] = told
    time = times_of(candidates, site.footing, graph, start, settings)
    progress(0.15)
    course = Course(site, candidates, graph, start, time, level, settings)
    rounds, reason = _rounds(course, wanted, reasons, warnings, progress)
    facts |= reason
    if not rounds:
        return _nothing(site, facts, (f"no layout: {reason.get('why not more', 'no round')}",))
    if len(rounds[0].order) < wanted:
        warnings.append(
            f"{wanted} holes do not fit: {len(rounds[0].order)} do; {reason['why not more']}"
        )
    made = [
        _drawn(site, candidates, r.order, start, number, level, settings)
        for number, r in enumerate(rounds, start=1)
    ]
    holes = pd.concat([h for h, _ in made], ignore_index=True)
    walks = pd.concat([w for _, w in made], ignore_index=True)
    proposals = _compared(candidates, rounds, holes, walks, level, settings)
    for number, (proposal, r) in enumerate(zip(proposals, rounds, strict=True), start=1):
        log.info(
            "proposal %d: %d holes, par %d, %.0f m, walks %.0f m, %.0f points, bound %.0f",
            number, len(r.order), proposal["par"], proposal["length_m"], proposal["walks_m"],
            r.worth, r.bound,
        )  # fmt: skip
        if proposal["walks are long"]:
            warnings.append(
                f"proposal {number}: the walks, {proposal['walks_m']:.0f} m, are more than a "
                f"quarter of the holes, {proposal['length_m']:.0f} m"
            )
    crs = site.around.grid.crs
    return Layouts(
        gpd.GeoDataFrame(holes, geometry="geometry", crs=crs),
        gpd.GeoDataFrame(walks, geometry="geometry", crs=crs),
        tuple(proposals),
        facts,
        tuple(warnings),
    )


def _nothing(site: Site, facts: dict[str, object], warnings: tuple[str, ...]) -> Layouts:
    empty = [
        gpd.GeoDataFrame(
            {c.name: pd.Series(dtype=object) for c in LAYERS[name].columns},
            geometry=[], crs=site.around.grid.crs,
        )
        for name in ("layout_holes", "layout_walks")
    ]  # fmt: skip
    return Layouts(empty[0], empty[1], (), facts, warnings)


def _start(site: Site, candidates: Field) -> tuple[Floats, dict[str, object]]:
    """Where the round starts: the arrival, or the place inside the border nearest to good holes.

    A start is as good as the nearest tees, and baskets, are near to it: the mean distance of the
    three nearest of each.
    """
    if site.arrival is not None:
        place = np.array(site.arrival)
        return place, {"x": place[0], "y": place[1], "found": False}
    inner = site.around.land.buffer(-BORDER)
    rim = shapely.boundary(inner if not inner.is_empty else site.around.land)
    count = max(4, int(rim.length / STARTS))
    places = shapely.get_coordinates(
        shapely.line_interpolate_point(rim, np.arange(count) / count, normalized=True)
    )
    row, col = site.footing.grid.rowcol(*places.T)
    row = np.clip(row, 0, site.footing.grid.rows - 1)
    col = np.clip(col, 0, site.footing.grid.cols - 1)
    walked = np.isfinite(site.footing.slow[row, col])
    places = places[walked] if walked.any() else places

    def nearest(ends: Floats) -> Floats:
        away = np.hypot(*(places[:, None] - ends).transpose(2, 0, 1))
        return np.asarray(np.sort(away, axis=1)[:, :3].mean(1))

    place = places[(nearest(candidates.tee) + nearest(candidates.basket)).argmin()]
    log.info("no arrival is given: the round starts at x %.0f, y %.0f", *place)
    return place, {"x": float(place[0]), "y": float(place[1]), "found": True}


@dataclass(frozen=True)
class Course:
    """Everything that rounds are chosen from."""

    site: Site
    candidates: Field
    graph: csr_matrix
    start: Floats
    time: Floats
    level: Level
    settings: LayoutSettings

    def wide(self, wanted: int) -> Problem:
        """The problem over all candidates, its walks as a table of costs beside it."""
        none = np.empty(0, np.int64)
        ways = Ways(none, none, np.empty(0), np.empty(0, bool), np.empty((0, 2), np.int64))
        return problem_of(self.candidates, ways, self.level, wanted, self.settings)

    def narrow(self, order: Sequence[int], wanted: int) -> tuple[Problem, Ints]:
        """The problem over candidates that could take a place in a round, and their rows."""
        rows = could_take_part(self.candidates, order, self.time, self.settings.solver.candidates)
        field = self.candidates.take(rows)
        time = self.time[np.ix_(np.r_[rows, -1], np.r_[rows, -1])]
        also = [int(np.searchsorted(rows, hole)) for hole in order]
        ways = ways_of(field, time, self.site.footing, self.graph, self.start, self.settings, also)
        return problem_of(field, ways, self.level, wanted, self.settings), rows


def _rounds(
    course: Course,
    wanted: int,
    reasons: Sequence[str],
    warnings: list[str],
    progress: Callable[[float | None], None],
) -> tuple[list[Round], dict[str, object]]:
    """Rounds of as many holes as wanted, or as there can be, best first; and why not more."""
    settings = course.settings
    count, first, facts = _how_many(course, wanted, reasons, warnings)
    if not first:
        return [], facts
    limits = settings.solver
    share = 1 / settings.proposals
    free = count - int(course.candidates.must.sum())
    others = max(1, round(settings.differ * free))
    wide, cost = course.wide(count), cost_of(course.time, settings)
    rounds: list[Round] = []
    for number in range(settings.proposals):
        earlier: Earlier = [(r.order, count - others) for r in rounds]
        if rounds:
            first = circuit.first_round(
                wide, earlier, cost=cost, steps=limits.changes, seed=limits.seed + number
            )
        if not first:
            warnings.append(
                f"no proposal {number + 1} of {count} holes of which {others} differ from those "
                "of every other was found"
            )
            break
        problem, rows = course.narrow(first, count)
        found = circuit.solve(
            problem,
            work=share * limits.work,
            seed=limits.seed,
            hint=np.searchsorted(rows, first).tolist(),
            differ=[(_among(rows, holes), most) for holes, most in earlier],
        )
        if not found.order:
            warnings.append(f"no proposal {number + 1} was found with the work allowed")
            break
        rounds.append(replace(found, order=tuple(int(rows[h]) for h in found.order)))
        progress(0.2 + 0.7 * (number + 1) / settings.proposals)
    return sorted(rounds, key=lambda r: -r.worth), facts


def _among(rows: Ints, holes: Sequence[int]) -> list[int]:
    """Places in `rows` of those holes that are there."""
    return [int(k) for k in np.flatnonzero(np.isin(rows, list(holes)))]


# ---------------------------------------------------------------------------------------------
# Why not more


def _how_many(
    course: Course, wanted: int, reasons: Sequence[str], warnings: list[str]
) -> tuple[int, list[int], dict[str, object]]:
    """Most holes up to the number wanted, a round of so many, and why not more."""
    settings, candidates = course.settings, course.candidates
    limits = settings.solver
    cost = cost_of(course.time, settings)
    fits = wanted
    limit: dict[str, Any] = {"work": 2.0, "seed": limits.seed}
    first: list[int] = []
    if wanted <= len(candidates):
        first = circuit.first_round(
            course.wide(wanted), cost=cost, steps=limits.changes, seed=limits.seed
        )
    if first:
        return wanted, first, {}
    _, fits = circuit.packing(len(candidates), candidates.conflicts, **limit)
    for count in range(min(wanted - bool(first), fits), 0, -1):
        if count == wanted:
            continue
        first = circuit.first_round(
            course.wide(count), cost=cost, steps=limits.changes, seed=limits.seed
        )
        if first:
            break
    else:
        if candidates.must.any():
            warnings.append(
                "no round holds every hole that the designer keeps; they count as preferred"
            )
            freed = replace(
                candidates,
                must=np.zeros_like(candidates.must),
                place=np.zeros_like(candidates.place),
                wish=np.where(candidates.must, 1, candidates.wish),
            )
            return _how_many(replace(course, candidates=freed), wanted, reasons, warnings)
        return 0, [], {"why not more": "no hole can be walked to from the start and left again"}
    facts: dict[str, object] = {
        "holes that keep apart at the most, walks left aside": fits,
        "why not more": _why_not(candidates, reasons, len(first), fits, settings, limit),
    }
    return len(first), first, facts


def _why_not(
    candidates: Field,
    reasons: Sequence[str],
    count: int,
    fits: int,
    settings: LayoutSettings,
    limit: dict[str, Any],
) -> str:
    """Reason why the next hole fails: whichever rule, left off, lets more holes in."""
    if len(candidates) <= count:
        return (
            f"the next one fails on room: the land offers only {len(candidates)} holes fit to play"
        )
    if fits > count:
        hours = settings.trim_hours
        if hours is not None and np.sort(candidates.trim[:, 1])[: count + 1].sum() > hours:
            return f"the next one goes beyond {hours:g} hours of trimming"
        return (
            f"the next one fails on walks: {fits} holes keep their distance, but no round of more "
            f"than {count} was found that can be walked from hole to hole"
        )
    gains = {}
    for kind in sorted(set(reasons)):
        kept = np.array([reason != kind for reason in reasons], bool)
        _, more = circuit.packing(len(candidates), candidates.conflicts[kept], **limit)
        gains[kind] = more - fits
    worst = max(gains, key=lambda k: gains[k], default="")
    if worst and gains[worst] > 0:
        return (
            f"the next one fails on safety: {worst} (without that rule {gains[worst]} more would "
            "keep apart)"
        )
    return "the next one fails on room: every further hole lies too near to those of the round"


# ---------------------------------------------------------------------------------------------
# Frames


def _drawn(
    site: Site,
    candidates: Field,
    order: Sequence[int],
    start: Floats,
    number: int,
    level: Level,
    settings: LayoutSettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of `layout_holes` and `layout_walks` of one proposal."""
    walks = walks_of(site, candidates, order, start, settings)
    rows = candidates.holes.iloc[list(order)].reset_index(drop=True)
    taken = {c.name for c in LAYERS["layout_holes"].columns} & set(rows.columns)
    holes = rows[[*(c.name for c in LAYERS["layout_holes"].columns if c.name in taken)]].copy()
    holes.insert(0, "play_order", np.arange(1, len(order) + 1))
    holes.insert(0, "proposal", number)
    to = {int(w["to_order"]): w["length_m"] for w in walks.to_dict("records")}
    holes["walk_m"] = [to.get(k, np.nan) for k in holes["play_order"]]
    wishes = {1: "prefer", 0: None, -1: None}
    holes["wish"] = [
        ("lock" if candidates.place[i] else "keep") if candidates.must[i]
        else wishes[int(candidates.wish[i])]
        for i in order
    ]  # fmt: skip
    holes["other_levels"] = [
        _others(text, level.name) for text in rows.get("pars", [""] * len(rows))
    ]
    holes["geometry"] = rows.geometry.to_numpy()
    walks.insert(0, "proposal", number)
    return holes, walks


def _others(pars: object, level: str) -> str | None:
    """Pars of the other levels from the text of all."""
    parts = [p.strip() for p in str(pars or "").split(",")]
    others = [p.rsplit(" ", 1) for p in parts if p and not p.startswith(f"{level} ")]
    return ", ".join(f"{name} par {par}" for name, par in others) or None


def walks_of(
    site: Site,
    candidates: Field,
    order: Sequence[int],
    start: Floats,
    settings: LayoutSettings,
) -> pd.DataFrame:
    """Walks of a finished round in the columns of `layout_walks` but the proposal's number.

    They go round the lines of fire of the round's holes where that is not much longer, and say
    which they come into all the same.
    """
    chosen = list(order)
    fire = candidates.fire[chosen]
    tee, basket = candidates.tee[chosen], candidates.basket[chosen]
    land = _avoiding(site.footing, fire, settings.walk.fire)
    count = len(chosen)
    stops = list(range(count))
    if settings.pass_arrival and count > 1:
        stops[count // 2 : count // 2] = [count]
    stops = [count, *stops, count]
    pairs = np.array(list(pairwise(stops)), np.int64)
    starts, ends = np.vstack([basket, start]), np.vstack([tee, start])
    graph = graph_of(land)
    found = walks_between(land, graph, starts, ends, pairs, np.full(len(pairs), np.inf))
    lines = np.array(
        [_line_of(w, starts[a], ends[b]) for w, (a, b) in zip(found, pairs, strict=True)], object
    )
    crossed = under_fire(lines, pairs[:, 0], pairs[:, 1], fire, tee, basket)
    rows = []
    for k, ((a, b), line) in enumerate(zip(pairs, lines, strict=True)):
        met = met_by(site.footing, line)
        holes = [int(h) + 1 for h in crossed[crossed[:, 0] == k, 1]]
        rows.append(
            {
                "from_order": 0 if a == count else int(a) + 1,
                "to_order": 0 if b == count else int(b) + 1,
                "length_m": line.length,
                "climb_m": met.climb,
                "steepest_pct": met.steepest_pct,
                "minutes": met.minutes,
                "wet_m": met.wet,
                "bridge_m": met.water,
                "crosses": ", ".join(map(str, holes)) or None,
                "mark": _mark(met.water, met.steepest_pct, holes, found[k] is None),
                "geometry": line,
            }
        )
    return pd.DataFrame(rows)


def _line_of(walk: Walk | None, start: Floats, end: Floats) -> shapely.LineString:
    """The walk, or a straight line where none was found."""
    if walk is not None:
        return walk.line
    return shapely.LineString([(*start, 0.0), (*end, 0.0)])


def _mark(water: float, steepest: float, crossed: list[int], lost: bool) -> str | None:
    marks = []
    if lost:
        marks.append("no way on foot was found: the line is straight")
    if water > 0:
        marks.append(f"bridge over {water:.0f} m of water" if water >= 1 else "plank over a stream")
    if steepest > STEEP:
        marks.append(f"steps or a switchback, {steepest:.0f} % steep")
    if crossed:
        which = ", ".join(map(str, crossed))
        marks.append(
            f"comes into the line of fire of hole{'s' if len(crossed) > 1 else ''} {which}: "
            "look out or wait there"
        )
    return "; ".join(marks) or None


def _avoiding(land: Footing, fire: NDArray[np.object_], slower: float) -> Footing:
    """The land with the lines of fire slower to walk, so that walks go round them."""
    under = cells_of(shapely.union_all(list(fire)), land.grid)
    return replace(land, slow=np.where(under, land.slow * np.float32(slower), land.slow))


# ---------------------------------------------------------------------------------------------
# Comparison


def _compared(
    candidates: Field,
    rounds: Sequence[Round],
    holes: pd.DataFrame,
    walks: pd.DataFrame,
    level: Level,
    settings: LayoutSettings,
) -> list[dict[str, Any]]:
    """Totals, terms and what each proposal gives up against the best of them on each term."""
    kinds = kinds_of(candidates.holes, level, settings.mix)
    best = {name: max(r.terms[name] for r in rounds) for name in rounds[0].terms}
    told = []
    for number, r in enumerate(rounds, start=1):
        mine, walked = holes[holes["proposal"] == number], walks[walks["proposal"] == number]
        length, way = float(mine["length_m"].sum()), float(walked["length_m"].sum())
        order = list(r.order)
        shared = [len(set(r.order) & set(other.order)) for other in rounds]
        told.append(
            {
                "proposal": number,
                "holes": len(order),
                "par": int(mine["par"].sum()),
                "length_m": length,
                "walks_m": way,
                "longest_walk_m": float(walked["length_m"].max()),
                "walks are long": bool(long_walks(way, length)),
                "bridges": int((walked["bridge_m"] > 0).sum()),
                "walks into lines of fire": int(walked["crosses"].notna().sum()),
                "trim_hours_high": float(candidates.trim[order, 1].sum()),
                "mean_score": float(mine["score"].mean()),
                "mean_clear_rate": float(mine["clear_rate"].mean()),
                "mix": {name: int(members[order].sum()) for name, members in kinds.items()},
                "points": r.worth,
                "terms": r.terms,
                "gives up": {
                    name: best[name] - points
                    for name, points in r.terms.items()
                    if best[name] - points > 0.5
                },
                "bound": r.bound,
                # In points: what a round is worth may lie near 0. The bound holds for the
                # candidates that took part.
                "gap_points": r.bound - r.worth,
                "proven best": bool(r.proven),
                "holes shared with proposal": {
                    str(k): n for k, n in enumerate(shared, start=1) if k != number
                },
            }
        )
    return told
