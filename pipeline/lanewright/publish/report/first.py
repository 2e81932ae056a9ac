"""The first screen beside the map: does it fit, what does the land offer, what to settle first."""

from __future__ import annotations

from dataclasses import dataclass

from lanewright.base.rows import rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.offers import offered
from lanewright.publish.report.words import Units, listed, number, plural


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
    wanted, layout = found.config.holes, found.layer("layout_holes")
    if layout is None:
        return "No layout was made in this run."
    best = layout[layout["proposal"] == layout["proposal"].min()]
    length = units.length(float(best["length_m"].sum()))
    said = f"{len(best)} holes, par {int(best['par'].sum())}, {length}"
    if len(best) < wanted:
        return f"No: {said} is the most found of the {wanted} holes asked for."
    others = layout["proposal"].nunique() - 1
    more = f"; {plural(others, 'other proposal')} below" if others else ""
    return f"Yes: {said}{more}."


def _offers(found: Findings, units: Units) -> str:
    if said := offered(found):
        return said
    lanes, openings = found.layer("lanes"), found.layer("openings")
    parts = []
    if lanes is not None:
        tunnels = lanes[lanes["kind"] == "tunnel"]
        if len(tunnels):
            longest = units.length(float(tunnels["length_m"].max()))
            parts.append(f"{plural(len(tunnels), 'tunnel')}, the longest {longest}")
        others = lanes[lanes["kind"] != "tunnel"]
        if len(others):
            longest = units.length(float(others["length_m"].max()))
            parts.append(f"{plural(len(others), 'lane')}, the longest {longest}")
    if openings is not None:
        widest = units.length(float(openings["width_m"].max()))
        parts.append(f"{plural(len(openings), 'opening')}, the roomiest {widest} wide")
    return f"{listed(parts).capitalize()}." if parts else "Nothing that stands out in lidar."


def _settle(found: Findings) -> str:
    """Cautions by number, and how many places want a look."""
    cautions, checks = found.layer("cautions"), found.layer("field_checks")
    parts = []
    if cautions is not None:
        names = list(dict.fromkeys(str(row["caution"]) for row in rows_of(cautions)))
        parts.append(listed(names[:3]))
    if checks is not None:
        parts.append(f"{number(len(checks))} places to look at on foot")
    return f"{listed(parts).capitalize()}." if parts else "Walk it: nothing was found to ask."


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
