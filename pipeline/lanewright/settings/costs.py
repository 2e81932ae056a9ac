"""What things cost: a table with a low and a high end each, to be replaced by local prices.

`tables/costs.csv` is read by default; `configs/costs.csv` is the same for a designer to copy,
change and name in `field: costs_file`. Figures are from memory until somebody asks for bids.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.settings.tabletext import table_text

COLUMNS = ("item", "per", "low", "high", "currency", "year", "source")
MOST_COSTS, MOST_MONEY = 1000, 1e12
_LONGEST = {"item": 60, "per": 30, "currency": 10, "source": 300, "low": 30, "high": 30, "year": 30}
_NUMBER = re.compile(r"\d+(\.\d*)?", re.ASCII)


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
        If the file is no table of a few lines, lacks a column, holds what is no number, a low end
        over its high end, an item twice, or money of several currencies.
    """
    where = str(path) if path else "tables/costs.csv"
    remedy = "Check field: costs_file."
    ours = files("lanewright").joinpath("tables", "costs.csv")
    text = table_text(path, "the table of costs", remedy) if path else ours.read_text("utf-8")
    try:
        rows = list(csv.DictReader(text.splitlines(), strict=True))
    except csv.Error as err:
        raise InputError(where, f"the table of costs is no CSV ({err})", remedy) from None
    missing = [name for name in COLUMNS if not rows or name not in rows[0]]
    if missing:
        remedy = "Start from configs/costs.csv."
        raise InputError(where, f"lacks the column {', '.join(missing)}", remedy)
    if len(rows) > MOST_COSTS:
        raise InputError(where, f"holds {len(rows):,} costs; {MOST_COSTS} at most", remedy)
    costs = [_cost(where, n, row) for n, row in enumerate(rows, start=2)]
    made = {cost.item: cost for cost in costs}
    if len(made) < len(costs):
        raise InputError(where, "names an item twice", "Leave one of the two rows out.")
    if len({cost.currency for cost in costs}) > 1:
        raise InputError(where, "names several currencies", "Give all costs in one.")
    return made


def _cost(where: str, line: int, row: dict[str, str]) -> Cost:
    if None in row or None in row.values():
        problem = f"line {line}: has more or fewer cells than the header"
        raise InputError(where, problem, "Put text with commas in quotes.")
    for column, most in _LONGEST.items():
        if len(row[column]) > most or not row[column].isprintable():
            problem = f"line {line}: {column} is no line of at most {most} signs"
            raise InputError(where, problem, "Shorten it to plain words.")
    # float() and int() also take underscores, words and the digits of other scripts.
    if not all(_NUMBER.fullmatch(row[column].strip()) for column in ("low", "high", "year")):
        problem = f"line {line}: low, high and year must be numbers"
        raise InputError(where, problem, "Write plain numbers.")
    low, high, year = float(row["low"]), float(row["high"]), float(row["year"])
    if not 0 <= low <= high <= MOST_MONEY:
        problem = f"line {line}: the low end {low:g} and the high end {high:g} are no range"
        raise InputError(where, problem, "Give 0 or more, the low end first.")
    if not (1900 <= year <= 2200 and year == int(year)):
        raise InputError(where, f"line {line}: {year:g} is no year", "Give the year of the money.")
    return Cost(row["item"], row["per"], low, high, row["currency"], int(year), row["source"])
