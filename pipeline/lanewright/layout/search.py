"""The search for rounds: as many holes as asked for or as there can be, several that differ."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lanewright.base.arrays import Ints
from lanewright.layout import circuit
from lanewright.layout.choice import problem_of
from lanewright.layout.drawn import drawn
from lanewright.layout.firstround import Walks, first_round
from lanewright.layout.ideas import idea_of, settings_for
from lanewright.layout.round import Earlier, Problem, Round, value
from lanewright.layout.ways import NO_WAYS, Course, cost_of, could_take_part, ways_of
from lanewright.settings.layout import AnnealSettings
from lanewright.settings.levels import Level


@dataclass(frozen=True)
class Count:
    """How many holes a round can hold.

    Attributes
    ----------
    course
        The candidates that it holds for.
    round
        A round of so many, in order; empty where there is none.
    why_not
        Why not one more; empty where as many fit as wanted.
    facts, warnings
        For the summary.
    """

    course: Course
    round: tuple[int, ...]
    why_not: str = ""
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def how_many(course: Course, level: Level, wanted: int, reasons: Sequence[str]) -> Count:
    """Most holes up to the number wanted, a round of so many, and why not more.

    Parameters
    ----------
    course
        Candidates on their land.
    level
        Who plays.
    wanted
        Holes wanted.
    reasons
        Why each pair of candidates in conflict is one.
    """
    candidates = course.candidates
    found = _first(course, level, wanted) if wanted <= len(candidates) else []
    if found:
        return Count(course, tuple(found))
    fits = _most_apart(course, candidates.conflicts)
    for count in range(min(wanted - 1, fits), 0, -1):
        found = _first(course, level, count)
        if found:
            why = _why_not(course, reasons, count, fits)
            facts: dict[str, object] = {
                "holes that keep apart at the most, walks left aside": fits,
                "why not more": why,
            }
            return Count(course, tuple(found), why, facts)
    if not candidates.must.any():
        why = "no hole can be walked to from the start and left again"
        return Count(course, (), why, {"why not more": why})
    freed = replace(
        candidates,
        must=np.zeros_like(candidates.must),
        place=np.zeros_like(candidates.place),
        wish=np.where(candidates.must, 1, candidates.wish),
    )
    fewer = how_many(replace(course, candidates=freed), level, wanted, reasons)
    warning = "no round holds every hole that the designer keeps; they count as preferred"
    return replace(fewer, warnings=(warning, *fewer.warnings))


def _first(
    course: Course, level: Level, count: int, earlier: Earlier = (), extra: int = 0
) -> list[int]:
    """A first round of so many holes over all candidates, by quick and straight walks."""
    problem, walks = _over_all(course, level, count)
    solver = course.settings.solver
    return first_round(problem, solver, earlier, walks=walks, seed=solver.seed + extra)


def nudged(
    course: Course, level: Level, order: list[int], earlier: Earlier, anneal: AnnealSettings
) -> list[int]:
    """A round bettered a little over all candidates, by quick and straight walks."""
    problem, walks = _over_all(course, level, len(order))
    solver = course.settings.solver.model_copy(update={"first": anneal})
    return first_round(problem, solver, earlier, walks=walks, seed=solver.seed, begin=order)


def _over_all(course: Course, level: Level, count: int) -> tuple[Problem, Walks]:
    """The problem over all candidates, and the quickest walk between any two of them."""
    problem = problem_of(course.candidates, NO_WAYS, level, count, course.settings)
    return problem, Walks(cost_of(course.time, course.settings), course.way, course.fire)


def _most_apart(course: Course, conflicts: Ints) -> int:
    """Most candidates that keep apart, walks left aside."""
    solver = course.settings.solver
    return circuit.packing(
        len(course.candidates), conflicts, work=solver.packing_work, seed=solver.seed
    )[1]


def _why_not(course: Course, reasons: Sequence[str], count: int, fits: int) -> str:
    """Reason why the next hole fails: whichever rule, left off, lets more holes in."""
    candidates, hours = course.candidates, course.settings.trim_hours
    if len(candidates) <= count:
        return (
            f"the next one fails on room: the land offers only {len(candidates)} holes fit to play"
        )
    if fits > count:
        if hours is not None and np.sort(candidates.trim[:, 1])[: count + 1].sum() > hours:
            return f"the next one goes beyond {hours:g} hours of trimming"
        return (
            f"the next one fails on walks: {fits} holes keep their distance, but no round of more "
            f"than {count} was found that can be walked from hole to hole"
        )
    gains = {}
    for kind in sorted(set(reasons)):
        kept = np.array([reason != kind for reason in reasons], bool)
        gains[kind] = _most_apart(course, candidates.conflicts[kept]) - fits
    worst = max(gains, key=lambda k: gains[k], default="")
    if worst and gains[worst] > 0:
        return (
            f"the next one fails on safety: {worst} (without that rule {gains[worst]} more would "
            "keep apart)"
        )
    return "the next one fails on room: every further hole lies too near to those of the round"


def rounds_of(
    count: Count, level: Level, progress: Callable[[float], None]
) -> tuple[list[Round], list[str]]:
    """Rounds that differ from one another, and warnings of those that were not found.

    Parameters
    ----------
    count
        The candidates, and a first round.
    level
        Who plays.
    progress
        Takes the share done.
    """
    course, first = count.course, list(count.round)
    settings, size = course.settings, len(count.round)
    others = max(1, round(settings.differ * (size - int(course.candidates.must.sum()))))
    rounds: list[Round] = []
    for number in range(settings.proposals):
        course = replace(count.course, settings=settings_for(idea_of(number, settings), settings))
        # A hole five metres beside another is no other hole.
        earlier: Earlier = [
            (course.candidates.same_places(r.order).tolist(), size - others) for r in rounds
        ]
        if rounds or course.settings != settings:
            sought = _first(course, level, size, earlier, number)
            first = sought if rounds else sought or first  # the round that showed how many fit
        if not first:
            missing = (
                f"no proposal {number + 1} of {size} holes of which {others} differ from those of "
                "every other was found"
            )
            return rounds, [missing]
        found = bettered(course, level, first, earlier)
        if not found.order:
            return rounds, [f"no proposal {number + 1} was found with the work allowed"]
        rounds.append(found)
        progress((number + 1) / settings.proposals)
    return rounds, []


def bettered(
    course: Course, level: Level, first: list[int], earlier: Earlier, *, anew: bool = True
) -> Round:
    """The best round found from a first one on, with walks as they are drawn beside that one.

    A round is worth what it is worth with the walks that are drawn.

    Parameters
    ----------
    course, level
        The candidates, and who plays.
    first
        A round to begin with, in order.
    earlier
        Rounds that it must differ from: candidates at their places, and how many it may share.
    anew
        Whether rounds are sought from the start as well, not only from the one found.
    """
    solver = course.settings.solver
    problem, rows = _beside(course, level, first)
    differ = [(_among(rows, holes), most) for holes, most in earlier]
    hint = np.searchsorted(rows, first).tolist()
    # The same search as before, now with walks as drawn and the lines of fire they come into.
    begin = None if anew else hint
    other = first_round(problem, solver, differ, seed=solver.seed, begin=begin)
    hint = max((hint, other), key=lambda order: _worth(problem, order))
    work = solver.work / course.settings.proposals
    found = circuit.solve(problem, work=work, seed=solver.seed, hint=hint, differ=differ)
    if not found.order:
        return Round((), {}, np.inf, False)
    found = replace(found, order=tuple(int(rows[hole]) for hole in found.order))
    priced = found.proven and list(found.order) == first
    found = drawn(course, found, level).round
    return replace(found, bound=max(found.bound, found.worth), proven=priced)


def _worth(problem: Problem, order: Sequence[int]) -> float:
    """Points of a round; below all where it is none."""
    try:
        return sum(value(problem, order).values()) if order else -np.inf
    except ValueError:
        return -np.inf


def _beside(course: Course, level: Level, order: Sequence[int]) -> tuple[Problem, Ints]:
    """The problem over candidates that could take a place in a round, and their rows."""
    rows = could_take_part(course, order)
    some = course.take(rows)
    ways = ways_of(some, np.searchsorted(rows, order).tolist())
    return problem_of(some.candidates, ways, level, len(order), course.settings), rows


def _among(rows: Ints, holes: Sequence[int]) -> list[int]:
    """Places in `rows` of those holes that are there."""
    return [int(k) for k in np.flatnonzero(np.isin(rows, list(holes)))]
