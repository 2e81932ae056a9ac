"""Trim work in words: one instruction after another, hole by hole, of each proposal."""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lanewright.base.rows import Row, rows_of
from lanewright.publish.crew import HoleWork, RoundWork, Task
from lanewright.publish.findings import Findings
from lanewright.publish.report.proposals import not_planned
from lanewright.publish.report.words import Units, hours_of, listed, plural


@dataclass(frozen=True)
class Instruction:
    """One line of the crew's list: where and what, who reaches it, hours, what to mind."""

    text: str
    who: str
    hours: str
    mind: tuple[str, ...]


@dataclass(frozen=True)
class HoleList:
    """Instructions for one hole.

    Attributes
    ----------
    order
        Its place in the round.
    key
        Of its card; empty without one.
    hours
        As `layout_holes` has them.
    shared
        What of it is done with an earlier hole, as a sentence; empty where nothing is.
    """

    order: int
    key: str
    hours: str
    lines: tuple[Instruction, ...]
    shared: str


@dataclass(frozen=True)
class CrewList:
    """Instructions for one proposal, and its totals by reach, each piece once."""

    proposal: int
    title: str
    holes: tuple[HoleList, ...]
    totals: tuple[tuple[str, int, float, float], ...]
    total: str
    notes: tuple[tuple[str, str], ...] = ()


_OFTEN = 3  # lines from which what to mind is said once below the list


def _with_notes(crew: CrewList) -> CrewList:
    """What many lines have in common said once, by a letter, below the list."""
    said = Counter(m for hole in crew.holes for line in hole.lines for m in line.mind)
    often = [text for text, count in said.items() if count >= _OFTEN and len(text) > 24]
    letters = dict(zip(often, string.ascii_lowercase, strict=False))
    holes = tuple(
        replace(
            hole,
            lines=tuple(
                replace(line, mind=tuple(letters.get(m, m) for m in line.mind))
                for line in hole.lines
            ),
        )
        for hole in crew.holes
    )
    return replace(crew, holes=holes, notes=tuple((k, t) for t, k in letters.items()))


def crew_lists(found: Findings, keys: dict[int, str], units: Units) -> list[CrewList]:
    """The crew's list of every proposal that has work; `keys` of the cards by hole."""
    layout = found.layer("layout_holes")
    rows = {(int(r["proposal"]), int(r["hole_id"])): r for r in rows_of(layout)}
    if layout is None:
        return []
    made = [
        CrewList(
            work.proposal,
            f"Proposal {work.proposal}",
            tuple(_hole(h, rows[work.proposal, h.hole_id], keys, units) for h in work.holes),
            work.totals,
            total_of(work, units) + not_planned(layout[layout["proposal"] == work.proposal]),
        )
        for work in found.rounds.values()
        if work.holes
    ]
    return [_with_notes(crew) for crew in made]


def total_of(work: RoundWork, units: Units) -> str:
    """All work of a proposal in a sentence."""
    parts = [f"{plural(work.pieces, 'piece')} of growth", f"{hours_of(*work.hours)} hours"]
    if work.brush > 0:
        brush = units.area(work.brush) if work.brush >= 100 else units.ground(work.brush)
        parts.append(f"{brush} of brush")
    parts.append(f"{plural(work.felled, 'tree')} to fell")
    return listed(parts)


def _hole(work: HoleWork, row: Row, keys: dict[int, str], units: Units) -> HoleList:
    low, high = row.get("trim_hours_low"), row.get("trim_hours_high")
    shared = ""
    if work.shared:
        others = listed([str(n) for n in work.shared])
        shared = f"Part of it is done with hole{'s' * (len(work.shared) > 1)} {others}."
    return HoleList(
        work.order,
        keys.get(work.hole_id, ""),
        hours_of(*(work.hours if low is None or high is None else (low, high))),
        tuple(instruction(task, units) for task in work.tasks),
        shared,
    )


def instruction(task: Task, units: Units) -> Instruction:
    """One instruction in words."""
    return Instruction(
        f"{place_of(task, units)}: {what_of(task, units)}",
        listed(list(task.reach)),
        hours_of(*task.hours),
        task.minds,
    )


def place_of(task: Task, units: Units) -> str:
    """Where along the hole: `right edge, 14–50 m (46–164 ft)`."""
    side = {"left": "left edge", "right": "right edge", "over": "over the line"}[task.side]
    near, far = round(task.start), round(task.end)
    where = units.length(near) if near == far else units.span(near, far)
    if task.throws > 1:
        begins = "the tee" if task.throw == 1 else "the landing zone"
        return f"throw {task.throw}, {side}, {where} from {begins}"
    return f"{side}, {where}"


def what_of(task: Task, units: Units) -> str:
    """What to do there: `limbs of 12 trees to 3 m (10 ft)`."""
    top = units.length(task.top, 0 if task.top >= 3 else 1)
    if task.action == "fell tree":
        return f"fell {plural(len(task.pieces), 'tree')}"
    if task.action == "cut brush":
        return f"cut {units.ground(task.area)} of brush, up to {top} high"
    known = len(task.trees)
    trees = plural(known, "stem") if known else plural(len(task.pieces), "place")
    return f"{trees}, limbs to {top}"


def lines_for(tasks: Sequence[Task], units: Units) -> list[Instruction]:
    """Instructions for tasks."""
    return [instruction(task, units) for task in tasks]
