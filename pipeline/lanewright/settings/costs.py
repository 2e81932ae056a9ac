"""What things cost: a table with a low and a high end each, to be replaced by local prices.

`tables/costs.csv` is read by default; `configs/costs.csv` is the same for a designer to copy,
change and name in `field: costs_file`. Figures are from memory until somebody asks for bids.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from lanewright.base.errors import InputError

COLUMNS = ("item", "per", "low", "high", "currency", "year", "source")


@dataclass(frozen=True)
class Cost:
    """One row: cost per unit from low to high, in whose money of which year, and the source."""

    item: str
    per: str
    low: float
    high: float
    currency: str
    year: int
    source: str


def costs_of(path: Path | None) -> dict[str, Cost]:
    """Costs by item, out of a file or, without one, out of the package.

    Raises
    ------
    InputError
        If the file lacks a column, holds what is no number, a low end over its high end, or
        money of several currencies.
    """
    where = str(path) if path else "tables/costs.csv"
    try:
        text = (
            path.read_text("utf-8-sig")
            if path
            else files("lanewright").joinpath("tables", "costs.csv").read_text("utf-8")
        )
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(where, f"cannot be read ({err})", "Check field: costs_file.") from err
    rows = list(csv.DictReader(text.splitlines()))
    missing = [name for name in COLUMNS if not rows or name not in rows[0]]
    if missing:
        remedy = "Start from configs/costs.csv."
        raise InputError(where, f"lacks the column {', '.join(missing)}", remedy)
    made = {row["item"]: _cost(where, n, row) for n, row in enumerate(rows, start=2)}
    if len({cost.currency for cost in made.values()}) > 1:
        raise InputError(where, "names several currencies", "Give all costs in one.")
    return made


def _cost(where: str, line: int, row: dict[str, str]) -> Cost:
    try:
        low, high, year = float(row["low"]), float(row["high"]), int(row["year"])
    except (TypeError, ValueError) as err:
        problem = f"line {line}: low, high and year must be numbers"
        raise InputError(where, problem, "Write plain numbers.") from err
    if not (math.isfinite(high) and 0 <= low <= high):
        problem = f"line {line}: the low end {low:g} and the high end {high:g} are no range"
        raise InputError(where, problem, "Give 0 or more, the low end first.")
    return Cost(row["item"], row["per"], low, high, row["currency"], year, row["source"] or "")
