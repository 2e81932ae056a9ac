"""Lanes to cut: what each takes and wins, as rows of a table, and the figure per hole."""

from __future__ import annotations

import statistics
from dataclasses import dataclass

from lanewright.base.rows import Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, hours_of, number, percent

CAUTIONS = (
    "Nothing is cut on the word of this page: it is a guess from lidar for choosing where to walk. "
    "The owner, felling permits, protected trees, nesting and bat seasons and local codes come "
    "first.",
    "Saws and felling maim and kill. They are for trained hands with protective gear, never alone, "
    "with everyone else two tree lengths away; thick, leaning, hung-up or dead trees, anything "
    "that needs a climber, and all within reach of a power line are a licensed arborist's.",
    "Of tree tops found from above about half are no stems, and stems under 10 cm (4 in) are "
    "mostly missed: count stems on the ground before any day of work is planned.",
)

SAWS = CAUTIONS[1]
"""What stands beside every table of trim work."""


@dataclass(frozen=True)
class CutLane:
    """One lane as the table shows it."""

    key: int
    cells: tuple[tuple[str, float | None], ...]


@dataclass(frozen=True)
class CutLanes:
    """The section: a sentence, rows, cautions."""

    said: str
    rows: tuple[CutLane, ...]
    cautions: tuple[str, ...]


HEADS = (
    "Lane",
    "Level",
    "Length",
    "Hours",
    "Clear now",
    "Once cut",
    "Interest",
    "Stems over 10 cm (4 in)",
    "Thinner stems",
    "Ground cut",
    "Unsure",
)


def cuts_of(found: Findings, units: Units) -> CutLanes | None:
    """Lanes to cut as the page shows them; None where none were found."""
    rows = rows_of(found.layer("cut_lanes"))
    if not rows:
        return None
    low, high, area = (_middle(rows, name) for name in ("hours_low", "hours_high", "area_m2"))
    said = (
        f"A hole cut out of this growth takes about {number(low)} to {number(high)} hours of one "
        f"trained hand and opens {units.ground(area)} of ground (medians of these lanes)."
    )
    return CutLanes(said, tuple(CutLane(r["lane_id"], _cells(r, units)) for r in rows), CAUTIONS)


def _middle(rows: list[Row], name: str) -> float:
    return statistics.median(float(row[name]) for row in rows)


def _cells(row: Row, units: Units) -> tuple[tuple[str, float | None], ...]:
    """Text of each column after the first, and what it sorts by."""
    error = percent(row["promised_se"])
    return (
        (str(row["level"]), None),
        (units.length(row["length_m"]), row["length_m"]),
        (hours_of(row["hours_low"], row["hours_high"]), row["hours_high"]),
        (percent(row["clear_rate"]), row["clear_rate"]),
        (f"{percent(row['promised'])} ± {error}", row["promised"]),
        (number(row["interest"], 2), row["interest"]),
        (number(row["stems"]), row["stems"]),
        (number(row["stems_thin"]), row["stems_thin"]),
        (units.ground(row["area_m2"]), row["area_m2"]),
        (percent(row["unsure_share"]), row["unsure_share"]),
    )
