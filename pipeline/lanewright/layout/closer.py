"""Stage closer: holes of rounds move towards the holes before and after them.

The rounds found stand on holes that are the best of their slots of land. Around their tees and
baskets other sites are thrown between, those that shorten the walks; each round is then sought
anew among its own holes, those moved and those of the other rounds, from where it stood. It is
never worth less than before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.holes.holes import Holes, further_of
from lanewright.holes.links import with_legs_of
from lanewright.holes.moved import Neighbour, moved_holes
from lanewright.holes.rules import Rules
from lanewright.layout.candidates import candidates_of, ends_of
from lanewright.layout.choice import ease, kinds_of
from lanewright.layout.designer import Hand
from lanewright.layout.drawn import Drawn, drawn
from lanewright.layout.ideas import best_at, settings_for
from lanewright.layout.proposals import (
    Layouts,
    after,
    grounds_of,
    laid_out,
    long_walk_warnings,
    main_level,
    offered_features,
    with_changes,
    with_neighbours,
)
from lanewright.layout.round import Earlier, Round
from lanewright.layout.search import bettered, nudged
from lanewright.layout.ways import Course, course_of
from lanewright.legs.thrower import thrower_of
from lanewright.scene import Scene
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import Level
from lanewright.store import stage
from lanewright.trim.plan import with_hours
from lanewright.trim.tables import Trim


@dataclass(frozen=True)
class Closer:
    """Rounds with shorter walks, and the holes with those that they moved."""

    layouts: Layouts
    holes: Holes


@stage("closer", version=4)
def bring_closer(
    scene: Scene,
    flights: Flights,
    playable: tuple[Holes, Trim],
    layouts: Layouts,
    settings: tuple[LegsSettings, LayoutSettings],
    asked: tuple[Hand, gpd.GeoDataFrame],
    *,
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Closer:
    """Move holes of rounds towards their neighbours and seek each round anew.

    Parameters
    ----------
    scene, flights, layouts
        Results of the stages before; without lidar nothing is thrown and nothing moved.
    playable
        Candidate holes, and the trim work that opens some of them.
    settings
        The sections `legs` and `layout` of the configuration.
    asked
        What the designer asks for, and the features of the land.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    holes, trim = playable
    legs, rules = settings
    if not layouts.proposals or not scene.surveyed or not rules.solver.closer.reach:
        return Closer(layouts, holes)
    levels = tuple(flight.level for flight in flights.levels)
    level = main_level(levels, rules)
    with kernel_threads(threads):
        land = Rules(scene, levels, rules.hole, rules.safety, legs.judge.interest)
        further = further_of(holes, thrower_of(scene, flights, legs))
        round_of = list(_neighbours(holes, layouts))
        more, stands_for = moved_holes(holes, round_of, land, further, level, rules.solver.closer)
        progress(0.4)
        course = _course(more, trim, stands_for, layouts, (scene, levels, rules), asked)
        rounds = _sought(course, layouts, level, progress)
    moved = {int(n) for n in stands_for.index}
    played = [_ids(course, found.order) for _, found in rounds]
    used = [n for ids in played for n in ids if n in moved]
    if not used:
        return Closer(layouts, holes)
    made = _proposed(course, rounds, level, layouts)
    facts: Row = {"holes moved and tried": len(moved), "holes of rounds moved": len(used)}
    made = replace(made, facts=layouts.facts | facts, gone=layouts.gone)
    made = with_changes(with_neighbours(made, more, levels, scene, rules), asked[0])
    return Closer(made, _but(more, moved - set(used)))


def _start(layouts: Layouts) -> Floats:
    """Where rounds start and end (2,)."""
    return np.array([layouts.facts["start"][axis] for axis in ("x", "y")])  # type: ignore[index]


def _neighbours(holes: Holes, layouts: Layouts) -> Iterator[Neighbour]:
    """Holes of rounds that may move: fair ones of the search with one route, unbound by wishes."""
    by_id = holes.holes.set_index("hole_id")
    start = _start(layouts)
    for _, mine in layouts.holes.sort_values("play_order").groupby("proposal"):
        tee, basket = ends_of(mine)
        comes, goes = np.vstack([start, basket[:-1]]), np.vstack([tee[1:], start])
        for at, (number, wish) in enumerate(zip(mine["hole_id"], mine["wish"], strict=True)):
            hole = by_id.loc[number]
            free = hole["origin"] == "search" and pd.isna(hole["pair_id"])
            if free and hole["fair"] == "yes" and wish not in ("keep", "lock"):
                yield Neighbour(int(number), comes[at], goes[at])


def _course(
    holes: Holes,
    trim: Trim,
    stands_for: pd.Series,
    layouts: Layouts,
    land: tuple[Scene, tuple[Level, ...], LayoutSettings],
    asked: tuple[Hand, gpd.GeoDataFrame],
) -> Course:
    """Holes of all rounds and those moved, on their land.

    What a moved hole needs cut is not planned; it counts as much as for the one it stands in for.
    """
    scene, levels, settings = land
    hand, features = asked
    frame = with_legs_of(with_hours(holes, trim), holes.links)
    for end in ("trim_hours_low", "trim_hours_high"):
        hours = frame.set_index("hole_id")[end]
        known = frame["hole_id"].map(stands_for).map(hours)
        frame[end] = frame[end].where(~frame["hole_id"].isin(stands_for.index), known)
    mine = frame["hole_id"].isin([*layouts.holes["hole_id"], *stands_for.index])
    frame = frame[mine].reset_index(drop=True)
    offered = offered_features(features, holes, frame, hand, settings)
    candidates, _, _ = candidates_of(frame, holes.legs, levels, scene, hand, settings, offered)
    grounds = grounds_of(scene, hand, settings)
    return course_of(candidates, grounds.footing, _start(layouts), settings)


def _ids(course: Course, order: tuple[int, ...]) -> list[int]:
    return [int(n) for n in course.candidates.holes["hole_id"].iloc[list(order)]]


def _sought(
    course: Course, layouts: Layouts, level: Level, progress: Callable[[float | None], None]
) -> list[tuple[str, Round]]:
    """Each round anew with its idea; each keeps differing from all others as they now stand."""
    row = pd.Series(range(len(course.candidates)), index=course.candidates.holes["hole_id"])
    by_round = layouts.holes.sort_values("play_order").groupby("proposal")["hole_id"]
    orders = [row[mine].tolist() for _, mine in by_round]
    made = []
    for number, proposal in enumerate(layouts.proposals):
        idea, size = str(proposal["idea"]), len(orders[number])
        settings = settings_for(idea, course.settings)
        own = replace(course, settings=settings)
        free = size - int(course.candidates.must.sum())
        most = size - max(1, round(settings.differ * free))
        earlier: Earlier = [
            (course.candidates.same_places(order).tolist(), most)
            for other, order in enumerate(orders)
            if other != number
        ]
        before = _as_it_is(own, orders[number], level)
        first = nudged(own, level, orders[number], earlier, settings.solver.closer.anneal)
        rounds = [before]
        if first:
            rounds += [
                _as_it_is(own, first, level),
                bettered(own, level, first, earlier, anew=False),
            ]
        found = max((each for each in rounds if each.order), key=lambda each: each.worth)
        orders[number] = list(found.order)
        made.append((idea, found))
        progress(0.4 + 0.6 * (number + 1) / len(orders))
    return made


def _as_it_is(course: Course, order: list[int], level: Level) -> Round:
    """A round of these holes, worth what it is with its walks drawn."""
    return drawn(course, Round(tuple(order), {}, np.inf, False), level).round


def _proposed(
    course: Course, rounds: list[tuple[str, Round]], level: Level, before: Layouts
) -> Layouts:
    """The rounds as proposals, named by what each is best at."""
    made = [after(idea, course, found, level) for idea, found in rounds]
    merits = [_merits(each, level, course.settings) for each in made]
    named = best_at(merits, course.settings.ideas)
    long = long_walk_warnings(before.proposals)
    others = [said for said in before.warnings if said not in long]
    layouts = laid_out(course, [replace(made[k], idea=idea) for idea, k in named], level, others)
    was = (before.proposals[k] for _, k in named)
    proposals = [_with_features(*pair) for pair in zip(layouts.proposals, was, strict=True)]
    return replace(layouts, proposals=tuple(proposals))


def _merits(made: Drawn, level: Level, settings: LayoutSettings) -> dict[str, float]:
    """What a round is worth by each idea, the more the better."""
    holes = made.candidates.holes
    return {
        "shortest walks": -made.walked,
        "most character": float(holes["score"].mean()),
        "least cutting": -float(made.candidates.trim[:, 1].sum()),
        "most wooded": float(kinds_of(holes, level, settings.mix)["wooded"].sum()),
        "gentlest for beginners": float(ease(holes, settings.mix.grade).mean()),
    }


def _with_features(now: Row, before: Row) -> Row:
    """A proposal whose features count the candidates of the search, not those moved since.

    What is known of one that the round leaves out only now comes from the holes of the rounds.
    """
    known = {row["feature_id"]: row for row in before["features"]}
    features = [
        row | known.get(row["feature_id"], {}) | {"holes": row["holes"]} for row in now["features"]
    ]
    return now | {"features": features}


def _but(holes: Holes, unused: set[int]) -> Holes:
    """Holes without some, and without the legs that only these are played by."""
    gone = holes.links["hole_id"].isin(unused)
    kept = holes.links[~gone]
    lost = set(holes.links.loc[gone, "leg_id"]) - set(kept["leg_id"])
    return replace(
        holes,
        holes=holes.holes[~holes.holes["hole_id"].isin(unused)].reset_index(drop=True),
        links=kept.reset_index(drop=True),
        pars=holes.pars[~holes.pars["hole_id"].isin(unused)].reset_index(drop=True),
        legs=holes.legs[~holes.legs["leg_id"].isin(lost)].reset_index(drop=True),
    )
