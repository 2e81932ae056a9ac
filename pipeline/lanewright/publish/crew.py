"""Chosen trim work of each proposal, hole by hole: neighbouring pieces as one instruction."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd

from lanewright.base.rows import Row, rows_of
from lanewright.visit.outing import legs_of_holes

NEIGHBOURS = 12.0
"""Metres along the line up to which pieces are done in one go; ours."""


@dataclass(frozen=True)
class Task:
    """One instruction: pieces of a kind on one side of a throw, one near the other.

    Attributes
    ----------
    throw, throws
        Which throw of the hole, from 1, and how many the hole has.
    side, action
        As in `trim_work`.
    start, end
        From the throw's tee or landing zone, along the line [m].
    pieces
        Their `piece_id`.
    trees
        Their `tree_id`, each once; pieces without a known tree are not counted.
    top
        Upper end of the highest piece over the ground [m].
    area
        Ground under the pieces [m2].
    reach
        Who reaches them, each once.
    hours
        Low and high end for one trained hand.
    minds
        What to mind, each kind once with its worst figure.
    """

    throw: int
    throws: int
    side: str
    action: str
    start: float
    end: float
    pieces: tuple[int, ...]
    trees: tuple[int, ...]
    top: float
    area: float
    reach: tuple[str, ...]
    hours: tuple[float, float]
    minds: tuple[str, ...]


@dataclass(frozen=True)
class HoleWork:
    """Work of one hole of a proposal.

    Attributes
    ----------
    order, hole_id
        Place in the round, and the hole.
    tasks
        From the tee on.
    hours
        Low and high end of all its pieces.
    shared
        Orders of earlier holes of the round whose work includes pieces of this one.
    """

    order: int
    hole_id: int
    tasks: tuple[Task, ...]
    hours: tuple[float, float]
    shared: tuple[int, ...] = ()


@dataclass(frozen=True)
class RoundWork:
    """Work of one proposal.

    Attributes
    ----------
    proposal
        Its number.
    holes
        Holes with work, in playing order.
    totals
        Reach, pieces, hours low and high; each piece once.
    pieces
        How many pieces there are, each once.
    hours
        Low and high end, each piece once.
    felled
        Trees to fell, each once.
    brush
        Ground to clear of brush, each piece once [m2].
    """

    proposal: int
    holes: tuple[HoleWork, ...]
    totals: tuple[tuple[str, int, float, float], ...]
    pieces: int
    hours: tuple[float, float]
    felled: int
    brush: float

    @property
    def ids(self) -> set[int]:
        """`piece_id` of every piece."""
        return {piece for hole in self.holes for task in hole.tasks for piece in task.pieces}


def rounds_of(
    layout: gpd.GeoDataFrame | None, holes: gpd.GeoDataFrame | None, work: gpd.GeoDataFrame | None
) -> dict[int, RoundWork]:
    """Work of every proposal, by its number.

    Parameters
    ----------
    layout, holes, work
        Layers `layout_holes`, `holes` and `trim_work` as published; None where the run made none.
    """
    if layout is None or holes is None or work is None:
        return {}
    chains = legs_of_holes(holes[holes["hole_id"].isin(layout["hole_id"])])
    by_leg = work_of_legs(work)
    made = {}
    for number in sorted(int(n) for n in layout["proposal"].unique()):
        mine = layout[layout["proposal"] == number].sort_values("play_order")
        order = [(int(r["play_order"]), int(r["hole_id"])) for r in rows_of(mine)]
        made[number] = _round(number, order, chains, by_leg)
    return made


def work_of_legs(work: gpd.GeoDataFrame | None) -> dict[int, list[Row]]:
    """Chosen rows of `trim_work` by leg."""
    made: dict[int, list[Row]] = {}
    if work is not None and len(work):
        for row in rows_of(work[work["chosen"].astype(bool)]):
            made.setdefault(int(row["leg_id"]), []).append(row)
    return made


def tasks_of(legs: Sequence[int], by_leg: Mapping[int, list[Row]]) -> list[Task]:
    """Instructions for the throws of one hole, in order of play.

    A piece that stands in the way of two throws comes with the first.
    """
    done: set[int] = set()
    tasks: list[Task] = []
    for n, leg in enumerate(legs, start=1):
        rows = [row for row in by_leg.get(leg, ()) if int(row["piece_id"]) not in done]
        done |= {int(row["piece_id"]) for row in rows}
        mine = [
            _task(n, len(legs), run)
            for kind in _kinds(rows)
            for run in _runs([row for row in rows if _kind(row) == kind])
        ]
        tasks += sorted(mine, key=lambda t: (t.start, t.end, t.side, t.action))
    return tasks


def _round(
    number: int,
    order: list[tuple[int, int]],
    chains: Mapping[int, tuple[int, ...]],
    by_leg: Mapping[int, list[Row]],
) -> RoundWork:
    once: dict[int, Row] = {}
    first: dict[int, int] = {}
    made = []
    for place, hole in order:
        chain = chains.get(hole, ())
        tasks = tasks_of(chain, by_leg)
        if not tasks:
            continue
        pieces = [piece for task in tasks for piece in task.pieces]
        shared = sorted({first[p] for p in pieces if p in first})
        for piece in pieces:
            first.setdefault(piece, place)
        for row in (row for leg in chain for row in by_leg.get(leg, ())):
            piece, known = int(row["piece_id"]), once.get(int(row["piece_id"]))
            once[piece] = row if known is None else _larger(known, row)
        made.append(HoleWork(place, hole, tuple(tasks), _sum(t.hours for t in tasks), (*shared,)))
    rows = list(once.values())
    totals = []
    for reach in sorted({str(row["reach"]) for row in rows}):
        mine = [row for row in rows if row["reach"] == reach]
        totals.append((reach, len(mine), *_sum(map(_hours, mine))))
    brush = [row for row in rows if row["action"] == "cut brush"]
    return RoundWork(
        number,
        tuple(made),
        tuple(totals),
        len(rows),
        _sum(map(_hours, rows)),
        sum(row["action"] == "fell tree" for row in rows),
        sum(float(row["area_m2"] or 0.0) for row in brush),
    )


def _kind(row: Row) -> tuple[str, str]:
    return str(row["side"]), str(row["action"])


def _kinds(rows: Iterable[Row]) -> list[tuple[str, str]]:
    return sorted({_kind(row) for row in rows})


def _runs(rows: list[Row]) -> list[list[Row]]:
    """Rows parted where the next lies more than `NEIGHBOURS` on."""
    runs: list[list[Row]] = []
    for row in sorted(rows, key=lambda r: (_along(r), int(r["piece_id"]))):
        if runs and _along(row) - _along(runs[-1][-1]) <= NEIGHBOURS:
            runs[-1].append(row)
        else:
            runs.append([row])
    return runs


def _along(row: Row) -> float:
    return float(row["along_m"] or 0.0)


def _task(throw: int, throws: int, rows: list[Row]) -> Task:
    # A piece may have several rows in one leg's list: parts that lie one behind the other.
    once: dict[int, Row] = {}
    for row in rows:
        piece = int(row["piece_id"])
        once[piece] = _larger(once[piece], row) if piece in once else row
    return Task(
        throw,
        throws,
        str(rows[0]["side"]),
        str(rows[0]["action"]),
        _along(rows[0]),
        _along(rows[-1]),
        tuple(once),
        tuple(sorted({int(row["tree_id"]) for row in rows if row["tree_id"] is not None})),
        max(float(row["high_m"] or 0.0) for row in rows),
        sum(float(row["area_m2"] or 0.0) for row in once.values()),
        tuple(sorted({str(row["reach"]) for row in rows})),
        _sum(map(_hours, once.values())),
        tuple(minds(str(row["flag"]) for row in rows if row["flag"])),
    )


def _larger(a: Row, b: Row) -> Row:
    return a if (a["hours_high"] or 0.0) >= (b["hours_high"] or 0.0) else b


def _hours(row: Row) -> tuple[float, float]:
    return float(row["hours_low"] or 0.0), float(row["hours_high"] or 0.0)


def _sum(pairs: Iterable[tuple[float, float]]) -> tuple[float, float]:
    low = high = 0.0
    for a, b in pairs:
        low, high = low + a, high + b
    return low, high


def minds(flags: Iterable[str]) -> list[str]:
    """What to mind about several pieces: each kind of flag once, with its worst figure.

    Examples
    --------
    >>> minds(["wet ground; steep ground (26 %) for a crew", "steep ground (31 %) for a crew"])
    ['wet ground', 'steep ground (31 %) for a crew']
    """
    worst: dict[str, tuple[float, str]] = {}
    for text in (part.strip() for flag in flags for part in flag.split(";")):
        kind = re.sub(r"[\d.]+", "#", text)
        figure = re.search(r"[\d.]*\d", text)
        size = float(figure[0]) if figure else 0.0
        # Nearer wires and less searched space are worse; all other figures are worse when larger.
        badness = -size if "power line" in text or "searched only" in text else size
        if kind not in worst or badness > worst[kind][0]:
            worst[kind] = (badness, text)
    return [text for _, text in worst.values() if text]
