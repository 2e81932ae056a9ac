"""Stage layout: several proposals of a round, and what each gives up.

Candidate holes that keep their distance from one another are strung on walks by the solver of
`circuit`; what a round is worth is defined in `choice`. Where the land does not hold as many holes
as asked for, the most that it does are proposed, with the reason why not one more.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats
from lanewright.base.errors import InputError
from lanewright.base.outlines import cells_of
from lanewright.base.rows import Row
from lanewright.base.units import both
from lanewright.holes.holes import Holes
from lanewright.holes.links import with_legs_of
from lanewright.holes.par import room_for
from lanewright.layout.candidates import Candidates, candidates_of
from lanewright.layout.circuit import packing
from lanewright.layout.designer import Hand, changes
from lanewright.layout.drawn import Drawn, compared, drawn, empty_layer, layout_rows
from lanewright.layout.firstfeatures import FirstFeatures, first_features
from lanewright.layout.ideas import idea_of
from lanewright.layout.neighbours import neighbours_of
from lanewright.layout.round import Round
from lanewright.layout.search import how_many, rounds_of
from lanewright.layout.sightline import sights_of
from lanewright.layout.walks import Footing, Wetness, footing, streams
from lanewright.layout.ways import Course, course_of
from lanewright.legs.contacts import UNDER_CANOPY
from lanewright.scene import Scene
from lanewright.settings.layout import LayoutSettings, WalkSettings
from lanewright.settings.levels import Level
from lanewright.store import stage
from lanewright.trim.plan import with_hours
from lanewright.trim.tables import Trim

log = logging.getLogger(__name__)

Progress = Callable[[float | None], None]


@dataclass(frozen=True)
class Layouts:
    """Proposed rounds.

    Attributes
    ----------
    holes, walks, neighbours
        Rows of layers `layout_holes`, `layout_walks` and `layout_neighbours`.
    proposals
        One mapping per proposal: totals, terms and what it gives up, for `summary.json`.
    facts
        Candidates, conflicts, start, the solver's word.
    gone
        Why a hole that the designer names, or of the layout before, is no candidate, by name.
    """

    holes: gpd.GeoDataFrame
    walks: gpd.GeoDataFrame
    neighbours: gpd.GeoDataFrame
    proposals: tuple[Row, ...] = ()
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    gone: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Grounds:
    """Where a round is laid out.

    Attributes
    ----------
    footing
        The land on foot.
    land
        The property.
    arrival
        Where the round starts and ends (2,); None where nobody said.
    """

    footing: Footing
    land: shapely.Geometry
    arrival: tuple[float, float] | None


@stage("layout", version=18)
def lay_out(
    scene: Scene,
    levels: tuple[Level, ...],
    playable: tuple[Holes, Trim],
    settings: LayoutSettings,
    hand: Hand,
    *,
    features: gpd.GeoDataFrame,
    progress: Progress = lambda _share: None,
) -> Layouts:
    """Lay out rounds on a property; see `propose`.

    Parameters
    ----------
    scene
        The land.
    levels
        Who plays, best players first.
    playable
        Candidate holes, and the trim work that opens some of them.
    settings
        The section `layout`.
    hand
        What the designer asks for, and how many holes.
    features
        What the land offers, `feature_id` by rank.
    progress
        Takes the share done.
    """
    holes, trim = playable
    level = main_level(levels, settings)
    grounds = grounds_of(scene, hand, settings)
    frame = with_legs_of(with_hours(holes, trim), holes.links)
    frame = frame[frame["level"] == level.name].reset_index(drop=True)
    offered = offered_features(features, holes, frame, hand, settings)
    candidates, reasons, report = candidates_of(
        frame, holes.legs, levels, scene, hand, settings, offered
    )
    layouts = propose(
        grounds, candidates, level, hand.wanted, settings, reasons=reasons, progress=progress
    )
    usual = room_for(level, scene.land.area / 1e4, _wooded(scene))
    layouts = with_neighbours(layouts, holes, levels, scene, settings)
    if not _is_course(layouts, hand.wanted, settings):
        every = with_legs_of(holes.holes, holes.links)
        others = [who for who in levels if who.name != level.name]
        warnings = _for_others(others, every, holes.legs, levels, scene, hand, settings)
        layouts = replace(layouts, warnings=(*layouts.warnings, *warnings))
    facts = layouts.facts | {"holes that so much land usually holds, our default": usual}
    layouts = replace(layouts, facts=facts, warnings=(*report.warnings, *layouts.warnings))
    return with_changes(replace(layouts, gone=report.gone), hand)


def grounds_of(scene: Scene, hand: Hand, settings: LayoutSettings) -> Grounds:
    """The land on foot."""
    return Grounds(_footing(scene, hand, settings.walk), scene.land, hand.arrival)


def offered_features(
    features: gpd.GeoDataFrame,
    holes: Holes,
    frame: gpd.GeoDataFrame,
    hand: Hand,
    settings: LayoutSettings,
) -> tuple[FirstFeatures, Flags]:
    """The first features, as many as are asked of 18 holes and fewer of fewer, and their holes."""
    first = round(settings.mix.features * min(hand.wanted, 18) / 18)
    return first_features(features, holes.legs, holes.links, [*frame["hole_id"]], first)


def with_neighbours(
    layouts: Layouts,
    holes: Holes,
    levels: tuple[Level, ...],
    scene: Scene,
    settings: LayoutSettings,
) -> Layouts:
    """Layouts with what hides each basket, and the room between holes."""
    rounds = layouts.holes.assign(sight=sights_of(scene, layouts.holes))
    near = neighbours_of(rounds, holes.links, holes.legs, levels, scene, settings.safety)
    return replace(layouts, holes=rounds, neighbours=near)


def _is_course(layouts: Layouts, wanted: int, settings: LayoutSettings) -> bool:
    """Whether as many holes fit as asked for, without too much walk."""
    if not layouts.proposals:
        return False
    first = layouts.proposals[0]
    play, walk = (float(str(first[name])) for name in ("length_m", "walks_m"))
    return first["holes"] == wanted and walk <= settings.most_walk * play


def _for_others(
    others: Sequence[Level],
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    levels: tuple[Level, ...],
    scene: Scene,
    hand: Hand,
    settings: LayoutSettings,
) -> list[str]:
    """How many holes keep apart for levels that no round is laid out for, in a sentence each."""
    said = []
    solver = settings.solver
    for who in others:
        frame = holes[holes["level"] == who.name].reset_index(drop=True)
        found = candidates_of(frame, legs, levels, scene, replace(hand, holes=()), settings)[0]
        pairs, work = found.conflicts, solver.packing_work
        apart = packing(len(found), pairs, work=work, seed=solver.seed)[0] if len(found) else []
        said.append(
            f"for {who.name} {len(apart)} holes keep apart, walks left aside; "
            f"layout: level: {who.name} lays them out"
        )
    return said


def _footing(scene: Scene, hand: Hand, settings: WalkSettings) -> Footing:
    """The land on foot, with what the designer bars and the paths that lead over it."""
    barred = shapely.union_all([scene.off_limits, hand.area("keep out")])
    water = scene.water | streams(scene.drainage, scene.grid, settings.stream)
    return footing(
        scene.grid,
        scene.ground,
        scene.land,
        barred,
        Wetness(water, scene.wet | scene.maybe_wet, scene.wet),
        settings,
        scene.paths,
    )


def _wooded(scene: Scene) -> float:
    """Share of the property under trees; 0 where nobody knows."""
    canopy = scene.canopy_height[cells_of(scene.land, scene.grid)]
    known = np.isfinite(canopy)
    return float((canopy[known] > UNDER_CANOPY).mean()) if known.any() else 0.0


def main_level(levels: tuple[Level, ...], settings: LayoutSettings) -> Level:
    """The level that rounds are laid out for.

    Raises
    ------
    InputError
        If the run has no level of the name in the settings.
    """
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


def with_changes(layouts: Layouts, hand: Hand) -> Layouts:
    """Layouts with what changed since the one before."""
    first = layouts.holes["proposal"] == 1
    by_hole, lines = changes(hand, layouts.holes[first], layouts.gone)
    frame = layouts.holes.copy()
    frame["change"] = None
    if len(frame):
        frame.loc[first, "change"] = pd.array(by_hole, dtype=object)
    for line in lines:
        log.info("since the layout before: %s", line)
    facts = layouts.facts | ({"changes": lines} if lines else {})
    return replace(layouts, holes=frame, facts=facts)


def propose(
    grounds: Grounds,
    candidates: Candidates,
    level: Level,
    wanted: int,
    settings: LayoutSettings,
    *,
    reasons: Sequence[str] = (),
    progress: Progress = lambda _share: None,
) -> Layouts:
    """Choose and order holes, several times over.

    Parameters
    ----------
    grounds
        The land, and where the round starts.
    candidates
        Holes to choose from, fit to be played each by itself.
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
    crs = grounds.footing.grid.crs
    facts: dict[str, object] = {
        "level": level.name,
        "candidates": len(candidates),
        "conflicts": len(candidates.conflicts),
    }
    if not len(candidates):
        return _nothing(crs, facts, f"no hole for {level.name} can be played safely")
    start, facts["start"] = start_of(grounds, candidates, settings.walk)
    course = course_of(candidates, grounds.footing, start, settings)
    progress(0.15)
    count = how_many(course, level, wanted, reasons)
    facts |= count.facts
    if not count.round:
        return _nothing(crs, facts, count.why_not)
    rounds, missing = rounds_of(count, level, lambda share: progress(0.2 + 0.7 * share))
    if not rounds:
        return _nothing(crs, facts, missing[0])
    warnings = [*count.warnings, *missing]
    if len(count.round) < wanted:
        warnings.append(f"{wanted} holes do not fit: {len(count.round)} do; {count.why_not}")
    made = [
        after(idea_of(number, settings), course, found, level)
        for number, found in enumerate(rounds)
    ]
    kept, dropped = _without_long_walks(made, settings.most_walk)
    return replace(laid_out(course, kept, level, [*warnings, *dropped]), facts=facts)


def _without_long_walks(made: Sequence[Drawn], most: float) -> tuple[list[Drawn], list[str]]:
    """The first round, and others that walk at most so many times their play; and why not more."""
    kept, dropped = [made[0]], []
    for each in made[1:]:
        if each.walked <= most * each.played:
            kept.append(each)
            continue
        walk, play = both(each.walked), both(each.played)
        dropped.append(f"no proposal for {each.idea}: {walk} of walk for {play} of play")
    return kept, dropped


def after(idea: str, course: Course, found: Round, level: Level) -> Drawn:
    """A round found for an idea, its walks drawn, in the points of the settings."""
    made = drawn(course, found, level)
    bound = made.round.worth + found.bound - found.worth
    return replace(made, round=replace(made.round, bound=bound), idea=idea)


def laid_out(
    course: Course, made: Sequence[Drawn], level: Level, warnings: Sequence[str]
) -> Layouts:
    """Rounds as proposals, in their order."""
    crs = course.footing.grid.crs
    rows = [layout_rows(course, each, k) for k, each in enumerate(made, start=1)]
    holes, walks = (pd.concat([row[i] for row in rows], ignore_index=True) for i in (0, 1))
    proposals = compared(made, holes, walks, level, course)
    for row in proposals:
        log.info(
            "proposal %d: %d holes, par %d, %.0f m, walks %.0f m, %.0f points, bound %.0f",
            *(row[name] for name in ("proposal", "holes", "par", "length_m", "walks_m")),
            *(row[name] for name in ("points", "bound")),
        )
    return Layouts(
        gpd.GeoDataFrame(holes, geometry="geometry", crs=crs),
        gpd.GeoDataFrame(walks, geometry="geometry", crs=crs),
        empty_layer("layout_neighbours", crs),
        tuple(proposals),
        {},
        (*warnings, *long_walk_warnings(proposals)),
    )


def _nothing(crs: str, facts: dict[str, object], why: str) -> Layouts:
    names = ("layout_holes", "layout_walks", "layout_neighbours")
    holes, walks, near = (empty_layer(name, crs) for name in names)
    return Layouts(holes, walks, near, (), facts, (f"no layout: {why}",))


def long_walk_warnings(proposals: Sequence[Row]) -> list[str]:
    """Warnings of proposals with long walks."""
    return [
        f"proposal {each['proposal']}: the walks, {both(each['walks_m'])}, are more than a quarter "
        f"of the holes, {both(each['length_m'])}"
        for each in proposals
        if each["walks are long"]
    ]


def start_of(
    grounds: Grounds, candidates: Candidates, settings: WalkSettings
) -> tuple[Floats, dict[str, object]]:
    """Where the round starts: the arrival, or the place inside the border nearest to good holes.

    A start is as good as the nearest tees, and baskets, are near to it: the mean distance of the
    three nearest of each.
    """
    if grounds.arrival is not None:
        place = np.array(grounds.arrival)
        return place, {"x": place[0], "y": place[1], "found": False}
    inner = grounds.land.buffer(-settings.inside)
    rim = shapely.boundary(inner if not inner.is_empty else grounds.land)
    count = max(4, int(rim.length / settings.starts))
    places = shapely.get_coordinates(
        shapely.line_interpolate_point(rim, np.arange(count) / count, normalized=True)
    )
    land = grounds.footing
    row, col = land.grid.rowcol(*places.T)
    row, col = np.clip(row, 0, land.grid.rows - 1), np.clip(col, 0, land.grid.cols - 1)
    walked = np.isfinite(land.slow[row, col])
    places = places[walked] if walked.any() else places

    def nearest(ends: Floats) -> Floats:
        away = np.hypot(*(places[:, None] - ends).transpose(2, 0, 1))
        return np.asarray(np.sort(away, axis=1)[:, :3].mean(1))

    place = places[(nearest(candidates.tee) + nearest(candidates.basket)).argmin()]
    log.info("no arrival is given: the round starts at x %.0f, y %.0f", *place)
    return place, {"x": float(place[0]), "y": float(place[1]), "found": True}
