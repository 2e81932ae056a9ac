"""The first screen beside the map: does it fit, what does the land offer, what to settle first."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from lanewright.base.rows import rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.landwords import land_words
from lanewright.publish.report.offers import offered
from lanewright.publish.report.sentences import capital
from lanewright.publish.report.words import Units, holes_named, listed, plural
from lanewright.visit.firstwalk import WORTH_OF_CHECK
from lanewright.visit.outing import CHECK

_FEW = 3  # things named in a line


@dataclass(frozen=True)
class FirstLine:
    """One of the three lines: what it answers, and the answer."""

    head: str
    text: str


def first_lines(found: Findings, units: Units) -> list[FirstLine]:
    """The three lines, in the order in which a designer asks."""
    return [
        FirstLine("Does it fit?", _fits(found, units)),
        FirstLine("What the land offers", _offers(found, units)),
        FirstLine("Settle first", _settle(found)),
    ]


def _fits(found: Findings, units: Units) -> str:
    refused = land_words(found.config, found.layers)
    if refused:
        return f"{capital(units.turned(refused[0]))}."
    wanted, layout = found.config.holes, found.layer("layout_holes")
    if layout is None:
        why = _warned(found, "no layout: ")
        return f"No layout was made in this run{f': {why}' if why else ''}."
    best = layout[layout["proposal"] == found.best]
    length = units.length(float(best["length_m"].sum()))
    said = f"{len(best)} holes, par {int(best['par'].sum())}, {length}"
    if len(best) < wanted:
        why = _warned(found, f"{wanted} holes do not fit: {len(best)} do; ")
        most = f"{said} is the most found of the {wanted} holes asked for"
        return f"No: {most}{f'; {why}' if why else ''}."
    fair, unfair = _fair(found, best)
    others = layout["proposal"].nunique() - 1
    more = f"; {plural(others, 'other proposal')} below" if others else ""
    return f"{'Not yet' if unfair else 'Yes'}: {said}{fair}{more}."


def _warned(found: Findings, begins: str) -> str:
    """Rest of the first warning that begins so; empty where none does."""
    for warning in found.summary.get("warnings", ()):
        if str(warning).startswith(begins):
            return str(warning)[len(begins) :].rstrip(".")
    return ""


FAIR = {"yes": "fair as they are", "after trim": "after trimming", "no": "not fair"}
"""What becomes of holes, by column `fair` of layer `holes`."""


def _fair(found: Findings, best: pd.DataFrame) -> tuple[str, int]:
    """How many holes of a proposal are fair, as the rest of a sentence, and how many are not."""
    holes = found.layer("holes")
    if holes is None or "fair" not in holes:
        return "", 0
    fair = best["hole_id"].map(holes.set_index("hole_id")["fair"])
    counts = {words: int((fair == key).sum()) for key, words in FAIR.items()}
    if not sum(counts.values()):
        return "", 0
    named = listed([f"{count} {words}" for words, count in counts.items() if count])
    which = sorted(int(n) for n in best.loc[fair == "no", "play_order"])
    return f"; {named}{f' ({holes_named(which)})' if which else ''}", len(which)


def _offers(found: Findings, units: Units) -> str:
    if said := offered(found):
        return said
    lanes, openings = found.layer("lanes"), found.layer("openings")
    parts = []
    if lanes is not None:
        longest = units.length(float(lanes["length_m"].max()))
        parts.append(f"{plural(len(lanes), 'lane')}, the longest {longest}")
    if openings is not None:
        widest = units.length(float(openings["width_m"].max()))
        parts.append(f"{plural(len(openings), 'opening')}, the roomiest {widest} wide")
    return f"{listed(parts)}." if parts else "Nothing that stands out in lidar."


def _settle(found: Findings) -> str:
    """The checks that settle most, one of each kind, by the place that they are at."""
    rows = rows_of(found.layer("field_checks"))
    rows.sort(key=lambda row: (-WORTH_OF_CHECK.get(row["kind"], 0.0), row["check_id"]))
    first = {row["kind"]: row for row in reversed(rows)}
    chosen = sorted(first.values(), key=rows.index)[:_FEW]
    if not chosen:
        return "Nothing that the survey leaves open; see the land all the same."
    said = "; ".join(f"{CHECK}{row['check_id']} {row['kind']} ({row['place']})" for row in chosen)
    return f"{said}; {plural(len(rows), 'place')} to look at in all."


def flown_words(found: Findings) -> str:
    """Source and date of what the map shows, short enough to stand on it."""
    if found.columns is None:
        return "Ground from an elevation model; no lidar"
    flown = [d for d in found.summary.get("findings", {}).get("ingest", {}).get("flown") or [] if d]
    leaves = {"off": "leaves off", "on": "in leaf"}.get(found.config.leaf_state, "leaves unknown")
    if not flown:
        return f"Lidar, date not stated, {leaves}"
    first, last = min(flown), max(flown)
    return f"Lidar flown {first if first == last else f'{first} to {last}'}, {leaves}"
