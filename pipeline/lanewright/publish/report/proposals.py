"""Layouts side by side: their terms, and a table of holes each."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from lanewright.base.rows import Facts, Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, listed, number, percent


@dataclass(frozen=True)
class ProposalTable:
    """One layout.

    Attributes
    ----------
    number, title
        Of the proposal.
    rows
        Rows of `layout_holes` in playing order, with `key` of the card where there is one.
    walks
        Rows of `layout_walks`.
    terms
        What the designer weighs: label, and value in words.
    gives_up
        What it lacks against the others, in words; empty where nothing is known.
    """

    number: int
    title: str
    rows: tuple[Row, ...]
    walks: tuple[Row, ...]
    terms: tuple[tuple[str, str], ...]
    gives_up: str


def proposals_of(found: Findings, subjects: list[Subject], units: Units) -> list[ProposalTable]:
    """Every layout of the run, best first."""
    keys = {int(s.row["hole_id"]): s.key for s in subjects if "hole_id" in s.row}
    layout, walks = found.layer("layout_holes"), found.layer("layout_walks")
    if layout is None:
        return []
    facts = {int(p["proposal"]): p for p in found.proposals}
    made = []
    for n in sorted(layout["proposal"].unique()):
        holes = layout[layout["proposal"] == n].sort_values("play_order")
        ways = walks[walks["proposal"] == n] if walks is not None else None
        rows = tuple(row | {"key": keys.get(int(row["hole_id"]))} for row in rows_of(holes))
        made.append(
            ProposalTable(
                int(n),
                f"Proposal {int(n)}",
                rows,
                tuple(rows_of(ways)),
                (*_terms(holes, ways, units), *_points(facts.get(int(n), {}))),
                _gives_up(facts.get(int(n), {})),
            )
        )
    return made


def _terms(holes: pd.DataFrame, ways: pd.DataFrame | None, units: Units) -> list[tuple[str, str]]:
    """Terms in figures; every proposal has the same ones in the same order."""
    finishes = holes["finish"].value_counts()
    kinds = holes["lane_kind"].value_counts()
    rises = holes["rise_m"].fillna(0)
    low, high = holes["trim_hours_low"], holes["trim_hours_high"]
    terms = [
        ("Holes", f"{len(holes)}"),
        ("Par (our default table)", f"{int(holes['par'].sum())}"),
        ("Length", units.length(float(holes["length_m"].sum()))),
        ("Shortest and longest hole", _pair(holes["length_m"], units)),
        ("Mean clear rate", percent(float(holes["clear_rate"].mean()))),
        ("Lowest clear rate", percent(float(holes["clear_rate"].min()))),
        ("Mean score", number(float(holes["score"].mean()), 2)),
        ("Drives ending left, straight, right", _counts(finishes, ("left", "straight", "right"))),
        ("Open, edge, lane, tunnel", _counts(kinds, ("open", "edge", "lane", "tunnel"))),
        (
            "Uphill, level, downhill",
            f"{(rises > 1).sum()}, {(rises.abs() <= 1).sum()}, {(rises < -1).sum()}",
        ),
    ]
    if low.notna().any():
        terms.append(("Trimming, hours", f"{number(low.sum())}–{number(high.sum())}"))
    if ways is not None and len(ways):
        terms += [
            ("Walks between holes", units.length(float(ways["length_m"].sum()))),
            ("Longest walk", units.length(float(ways["length_m"].max()))),
            ("Walking time off paths", f"{number(float(ways['minutes'].sum()))} min"),
            ("Walks that need a bridge", f"{int((ways['bridge_m'].fillna(0) > 0).sum())}"),
        ]
    return terms


def _points(facts: Facts) -> list[tuple[str, str]]:
    """What each term of the run's weights brings, and how far the best possible may lie above."""
    if not facts:
        return []
    rows = [(f"Points for {name}", number(points)) for name, points in facts["terms"].items()]
    near = (
        "no better round exists by these weights"
        if facts["proven best"]
        else f"within {number(facts['bound'] - facts['points'])} points of the best of holes tried"
    )
    return [*rows, ("All points", number(facts["points"])), ("How near to the best", near)]


def _gives_up(facts: Facts) -> str:
    """Points behind the best proposal of each term, in words; empty where nothing is stated."""
    if not facts:
        return ""
    behind = [f"{number(points)} points for {name}" for name, points in facts["gives up"].items()]
    if not behind:
        return "nothing: no other is better on any term"
    return f"against the best on each term: {listed(behind)}"


def _pair(lengths: pd.Series[float], units: Units) -> str:
    return f"{units.length(float(lengths.min()))} to {units.length(float(lengths.max()))}"


def _counts(counts: pd.Series[int], names: tuple[str, ...]) -> str:
    return ", ".join(str(int(counts.get(name, 0))) for name in names)
