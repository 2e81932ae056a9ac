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

from lanewright import circuit, safety
from lanewright.choice import (
    Field,
    kinds_of,
    problem_of,
    under_fire,
    ways_of,
)
from lanewright.circuit import Earlier, Problem, Round
from lanewright.config import LayoutSettings
from lanewright.levels import Level
from lanewright.par import long_walks
from lanewright.schema import LAYERS
from lanewright.sites import cells_of
from lanewright.walks import Footing, Walk, graph_of, met_by, walks_between

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEEP = 15.0
"""Grade of a walk [percent] from which it needs steps or a switchback; common practice, ours."""

COUNTING = 0.15  # share of the solver's time for the most holes there can be
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
    ways = ways_of(candidates, site.footing, graph, start, settings)
    facts["walks"] = len(ways.start)
    progress(0.1)
    problem = problem_of(candidates, ways, level, wanted, settings)
    rounds, reason = _rounds(problem, candidates, reasons, settings, warnings, progress)
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
    proposals = _compared(problem, candidates, rounds, holes, walks, level, settings)
    for number, (proposal, r) in enumerate(zip(proposals, rounds, strict=True), start=1):
        log.info(
            "proposal %d: %d holes, par %d, %.0f m, walks %.0f m, %.0f points, gap %.1f %%",
            number, len(r.order), proposal["par"], proposal["length_m"], proposal["walks_m"],
            r.worth, 100 * proposal["gap"],
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


def _rounds(
    problem: Problem,
    candidates: Field,
    reasons: Sequence[str],
    settings: LayoutSettings,
    warnings: list[str],
    progress: Callable[[float | None], None],
) -> tuple[list[Round], dict[str, object]]:
    """Rounds of as many holes as wanted, or as there can be, best first; and why not more."""
    limits = settings.solver
    share = 1 / settings.proposals
    facts: dict[str, object] = {}

    def budget(part: float) -> dict[str, Any]:
        return {
            "seconds": part * limits.seconds, "work": part * limits.work, "seed": limits.seed,
        }  # fmt: skip

    hint = circuit.first_round(problem)
    if len(hint) < problem.wanted or problem.must[hint].sum() != problem.must.sum():
        most = circuit.most_holes(problem, hint=hint, **budget(COUNTING))
        if not most.order and problem.must.any():
            warnings.append(
                "no round holds every hole that the designer keeps; they count as preferred"
            )
            gains = dict(problem.gains)
            gains["designer's wish"] = (
                gains["designer's wish"] + settings.weights.prefer * problem.must
            )
            problem = replace(problem, must=np.zeros_like(problem.must), gains=gains)
            most = circuit.most_holes(problem, hint=hint, **budget(COUNTING))
        if len(most.order) < problem.wanted:
            facts["most holes"] = len(most.order)
            facts["most holes proven"] = bool(most.proven)
            facts["why not more"] = _why_not(problem, candidates, reasons, most, limits.seed)
            if not most.order:
                return [], facts
            problem = replace(problem, wanted=len(most.order))
        hint = list(most.order)
    rounds: list[Round] = []
    free = problem.wanted - int(problem.must.sum())
    others = max(1, round(settings.differ * free))
    for number in range(settings.proposals):
        earlier: Earlier = [(r.order, problem.wanted - others) for r in rounds]
        if rounds:
            hint = circuit.first_round(problem, earlier)
        found = circuit.solve(problem, hint=hint, differ=earlier, **budget(share))
        if not found.order:
            warnings.append(
                f"no proposal {number + 1} of {problem.wanted} holes of which {others} differ from "
                "every other's" + ("" if found.proven else " was found in the time given")
            )
            break
        rounds.append(found)
        progress(0.1 + 0.8 * (number + 1) / settings.proposals)
    # A bound holds without the wish to differ, so the first one holds for all.
    rounds = [replace(r, bound=max(rounds[0].bound, r.worth)) for r in rounds]
    return sorted(rounds, key=lambda r: -r.worth), facts


# ---------------------------------------------------------------------------------------------
# Why not more


def _why_not(
    problem: Problem, candidates: Field, reasons: Sequence[str], most: Round, seed: int
) -> str:
    """Reason why the next hole fails: whichever rule, left off, lets more holes in."""
    count = len(most.order)
    limits: dict[str, Any] = {"seconds": 5.0, "work": 1.0, "seed": seed}
    if problem.budget is not None:
        freed = circuit.most_holes(replace(problem, budget=None), hint=most.order, **limits)
        if len(freed.order) > count:
            return f"the next one goes beyond {problem.budget:g} hours of trimming"
    if not len(candidates.conflicts):
        alone = replace(problem, apart=())
    else:
        gains = {}
        kinds = sorted(set(reasons))
        for kind in kinds:
            kept = np.array([reason != kind for reason in reasons], bool)
            apart = list(candidates.conflicts[kept])
            freed = circuit.most_holes(replace(problem, apart=apart), hint=most.order, **limits)
            gains[kind] = len(freed.order) - count
        if kinds and max(gains.values()) > 0:
            worst = max(kinds, key=lambda k: gains[k])
            return (
                f"the next one fails on safety: {worst} ({gains[worst]} more would fit without "
                "that rule)"
            )
        alone = replace(problem, apart=())
    without = circuit.most_holes(alone, hint=most.order, **limits)
    if len(without.order) > count:
        return "the next one fails on room: every candidate lies too near to others of the round"
    if problem.size <= count:
        return f"the next one fails on room: the land offers only {problem.size} holes fit to play"
    return (
        "the next one fails on walks: no further hole can be walked to and left again without "
        "crossing water, steep ground or keep-outs, or too far"
    )


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
        marks.append(f"bridge over {water:.0f} m of water")
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
    problem: Problem,
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
                "gap": (r.bound - r.worth) / max(abs(r.bound), 1e-9),
                "proven best": bool(r.proven),
                "holes shared with proposal": {
                    str(k): n for k, n in enumerate(shared, start=1) if k != number
                },
            }
        )
    return told
