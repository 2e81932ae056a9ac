"""What the land offers, as the page says it: features to see first, and the first walk."""

from __future__ import annotations

from dataclasses import dataclass

import shapely

from lanewright.base.rows import rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, listed, number, percent, plural
from lanewright.visit.firstwalk import FEATURE, NAMES

FIRST = 3
"""Features named beside the map."""


@dataclass(frozen=True)
class Offer:
    """One feature: its number, name, reason, what stands behind it, and where it is on the map."""

    label: str
    name: str
    reason: str
    facts: str
    x: float
    y: float


@dataclass(frozen=True)
class Stop:
    """One way of a walk and the stop it leads to."""

    at: str
    stop: str
    what: str
    way: str


@dataclass(frozen=True)
class Visit:
    """A walk: what it is called, what it comes to, and its stops."""

    title: str
    said: str
    stops: tuple[Stop, ...]


@dataclass(frozen=True)
class Offers:
    """The section: features shown, how many there are in all, walks, and where these begin."""

    shown: tuple[Offer, ...]
    every: int
    begins: str
    visits: tuple[Visit, ...]


def offers_of(found: Findings, units: Units) -> Offers | None:
    """What the page says of features; None where the run found none."""
    features = found.layer("features")
    if features is None:
        return None
    shown = features[features["shown"]]
    starts = shapely.get_coordinates(shapely.get_point(shown.geometry.values, 0))
    offers = [
        Offer(
            f"{FEATURE}{row['feature_id']}",
            row["name"],
            row["reason"],
            _facts(row["certainty"], row["levels"]),
            round(float(x) - found.grid.left, 1),
            round(found.grid.top - float(y), 1),
        )
        for row, (x, y) in zip(rows_of(shown), starts, strict=True)
    ]
    walk = found.summary.get("findings", {}).get("first_walk", {})
    visits = [_visit(found, key, walk, units) for key in NAMES]
    return Offers(
        tuple(offers),
        len(features),
        str(walk.get("begins", "")),
        tuple(visit for visit in visits if visit is not None),
    )


def _facts(certainty: float, levels: str | None) -> str:
    sure = f"{percent(certainty)} sure"
    return f"{sure}; as it stands for {listed(levels.split(', '))}" if levels else sure


def _visit(found: Findings, key: str, walk: dict[str, str], units: Units) -> Visit | None:
    layer = found.layer("first_walk")
    rows = rows_of(layer[layer["visit"] == key]) if layer is not None else []
    if not rows:
        return None
    stops = [
        Stop(
            f"{number(row['at_min'])} min",
            "" if row["stop"] == "START" else row["stop"],
            row["what"],
            f"{units.length(row['length_m'])}, climb {units.length(row['climb_m'])}",
        )
        for row in rows
    ]
    return Visit(f"A walk for {NAMES[key]}", str(walk.get(key, "")), tuple(stops))


def offered(found: Findings) -> str:
    """The first features in one sentence; empty where there are none."""
    rows = rows_of(found.layer("features"))
    if not rows:
        return ""
    named = listed([f"{row['name']} ({FEATURE}{row['feature_id']})" for row in rows[:FIRST]])
    more = len(rows) - FIRST
    return (
        f"{named[:1].upper()}{named[1:]}; {plural(more, 'other')} below."
        if more > 0
        else (f"{named[:1].upper()}{named[1:]}.")
    )
