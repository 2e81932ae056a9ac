"""Layouts side by side: their terms, and a table of holes each."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from lanewright.base.rows import Row, rows_of
from lanewright.holes.wording import climb_of
from lanewright.publish.beyond import beyond_words
from lanewright.publish.crossings import Crossing, fire_words, over_water, through_fire
from lanewright.publish.findings import Findings
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import (
    Units,
    about,
    holes_named,
    hours_of,
    listed,
    number,
    plural,
)
from lanewright.publish.scoring import round_words
from lanewright.visit.firstwalk import FEATURE

_MARKED = 0.05  # difference of mean clear rates that is worth a word; ours


@dataclass(frozen=True)
class ProposalTable:
    """One layout.

    Attributes
    ----------
    number, title
        Of the proposal.
    rows
        Rows of `layout_holes` in playing order, with `key` of the card where there is one.
    terms
        What the designer weighs: label, and value in words.
    gives_up
        What it lacks against the others, in words; empty where nothing is known.
    """

    number: int
    title: str
    rows: tuple[Row, ...]
    terms: tuple[tuple[str, str], ...]
    gives_up: str


def proposals_of(found: Findings, subjects: list[Subject], units: Units) -> list[ProposalTable]:
    """Every layout of the run, best first."""
    owned = [s for s in subjects if "hole_id" in s.row]
    keys = {int(s.row["hole_id"]): s.key for s in owned}
    beyond = {int(s.row["hole_id"]): beyond_words(found, [*s.legs], units) for s in owned}
    layout, walks = found.layer("layout_holes"), found.layer("layout_walks")
    if layout is None:
        return []
    numbers = [int(n) for n in sorted(layout["proposal"].unique())]
    crossed = {n: over_water(found, n) for n in numbers}
    sums = {n: _sums(layout, walks, n) | {"water": len(crossed[n])} for n in numbers}
    made = []
    for n in numbers:
        holes = layout[layout["proposal"] == n].sort_values("play_order")
        ways = walks[walks["proposal"] == n] if walks is not None else None
        rows = tuple(
            row | {"key": keys.get(row["hole_id"]), "beyond": beyond.get(row["hole_id"], "")}
            for row in rows_of(holes)
        )
        made.append(
            ProposalTable(
                n,
                ", ".join([f"Proposal {n}", *holes["idea"].dropna().unique()[:1]]),
                rows,
                tuple(_terms(holes, ways, crossed[n], units) + _features(found, n, units)),
                _gives_up(sums[n], list(sums.values()), units) if len(sums) > 1 else "",
            )
        )
    return made


def _sums(layout: pd.DataFrame, walks: pd.DataFrame | None, n: int) -> Row:
    """What proposals are compared by, added up from their rows."""
    holes = layout[layout["proposal"] == n]
    hours = holes["trim_hours_high"] if "trim_hours_high" in holes else pd.Series([], dtype=float)
    sums: Row = {
        "length_m": float(holes["length_m"].sum()),
        "trim_hours_high": float(hours.sum()) if hours.notna().any() else None,
        "unplanned": int(hours.isna().sum()),
        "clear_rate": float(holes["clear_rate"].mean())
        if holes["clear_rate"].notna().any()
        else None,
    }
    if walks is not None:
        ways = walks[walks["proposal"] == n]
        sums["walks_m"] = float(ways["length_m"].sum())
        sums["bridges"] = float((ways["bridge_m"].fillna(0) > 0).sum())
        sums["fire"] = float(through_fire(ways)[0])
    return sums


def not_planned(holes: pd.DataFrame) -> str:
    """End of a sentence on trimming that names the holes without a plan; empty where all have one.

    Parameters
    ----------
    holes
        Rows of `layout_holes` of one proposal.
    """
    missing = holes.loc[holes["trim_hours_high"].isna(), "play_order"]
    return f"; {holes_named(sorted(map(int, missing)))} not planned" if len(missing) else ""


def _terms(
    holes: pd.DataFrame,
    ways: gpd.GeoDataFrame | None,
    crossed: tuple[Crossing, ...],
    units: Units,
) -> list[tuple[str, str]]:
    """Terms in figures; every proposal has the same ones in the same order."""
    finishes = holes["finish"].value_counts()
    kinds = holes["lane_kind"].value_counts()
    climbs = [climb_of(row["rise_m"] or 0.0, row["length_m"]) for row in rows_of(holes)]
    low, high = holes["trim_hours_low"], holes["trim_hours_high"]
    terms = [
        ("Holes", f"{len(holes)}"),
        ("Par (our default table)", f"{int(holes['par'].sum())}"),
        ("Length", units.length(float(holes["length_m"].sum()))),
        ("Shortest and longest hole", _pair(holes["length_m"], units)),
        ("Mean clear rate", about(float(holes["clear_rate"].mean()))),
        ("Lowest clear rate", about(float(holes["clear_rate"].min()))),
        ("Drives ending left, straight, right", _counts(finishes, ("left", "straight", "right"))),
        ("Open, edge, lane, tunnel", _counts(kinds, ("open", "edge", "lane", "tunnel"))),
        (
            "Uphill, level, downhill",
            ", ".join(str(climbs.count(way)) for way in ("uphill", "level", "downhill")),
        ),
    ]
    if said := round_words(rows_of(holes)):
        terms.append((f"Expected score of the round, {holes['level'].iloc[0]}", said))
    if low.notna().any():
        said = hours_of(float(low.sum()), float(high.sum()))
        terms.append(("Trimming, hours", said + not_planned(holes)))
    over = f"{len(crossed)}: {holes_named(c.hole for c in crossed)}" if crossed else "none"
    terms.append(("Holes over running water", over))
    if ways is not None and len(ways):
        terms += [
            (
                "Walks between holes",
                f"{units.length(float(ways['length_m'].sum()))}, "
                f"{number(float(ways['minutes'].sum()))} min off paths",
            ),
            ("Longest walk", units.length(float(ways["length_m"].max()))),
            ("Walks that need a bridge", f"{int((ways['bridge_m'].fillna(0) > 0).sum())}"),
            ("Walks through a line of fire", fire_words(ways)),
        ]
    return terms


def _features(found: Findings, n: int, units: Units) -> list[tuple[str, str]]:
    """Which hole uses each of the first features of the land, or why none does."""
    rows = [row for each in found.proposals if each["proposal"] == n for row in each["features"]]
    said = "; ".join(f"{FEATURE}{row['feature_id']} {_use_of(row, units)}" for row in rows)
    return [("First features of the land", said)] if rows else []


def _use_of(row: Row, units: Units) -> str:
    if row["holes"]:
        return holes_named(row["holes"])
    if not row["candidates"]:
        many = plural(row["holes that use it"], "hole that uses", "holes that use")
        fit = f"none of {many} it is fair and safe" if row["holes that use it"] else "no hole does"
        return f"left out, {fit}"
    if row["walk_m"] is None:
        return f"left out, none of {plural(row['candidates'], 'hole')} can be walked to"
    why = f"left out, {units.length(round(row['walk_m'], -1))} of walk there and on"
    if row["in_conflict"]:
        why += f" and too near {plural(row['in_conflict'], 'hole')}"
    return why


def _gives_up(mine: Row, rows: list[Row], units: Units) -> str:
    """What other proposals do better, by how much, in what one can see on the land."""
    parts = []
    for key, less, words in (
        ("walks_m", True, "{} more walking"),
        ("trim_hours_high", True, "up to {} h more trimming"),
        ("bridges", True, "{} more over water without a bridge today"),
        ("fire", True, "{} more through a line of fire"),
        ("water", True, "{} more over running water"),
        ("length_m", False, "{} shorter"),
    ):
        values = [float(row[key]) for row in rows if row.get(key) is not None]
        if mine.get(key) is None or not values:
            continue
        if key == "trim_hours_high" and len({row["unplanned"] for row in rows}) > 1:
            continue  # hours of fewer holes are no less work
        best = min(values) if less else max(values)
        behind = abs(float(mine[key]) - best)
        if key == "trim_hours_high" and behind >= 2:
            parts.append(words.format(number(behind)))
        elif key in ("bridges", "fire", "water") and behind >= 1:
            thing = "hole" if key == "water" else "walk"
            parts.append(words.format(plural(int(behind), thing)))
        elif key.endswith("_m") and behind >= 0.05 * max(best, 1.0):
            parts.append(words.format(units.length(round(behind, -1))))
    clear = [float(row["clear_rate"]) for row in rows if row.get("clear_rate") is not None]
    if mine.get("clear_rate") is not None and max(clear) - mine["clear_rate"] >= _MARKED:
        parts.append(f"tighter: {about(mine['clear_rate'])} against {about(max(clear))} clear")
    return listed(parts) or "nothing that another does much better"


def _pair(lengths: pd.Series[float], units: Units) -> str:
    return f"{units.length(float(lengths.min()))} to {units.length(float(lengths.max()))}"


def _counts(counts: pd.Series[int], names: tuple[str, ...]) -> str:
    return ", ".join(str(int(counts.get(name, 0))) for name in names)
