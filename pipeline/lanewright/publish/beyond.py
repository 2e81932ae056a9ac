"""Throws of the designer's own lines that a level does not reach."""

from __future__ import annotations

import geopandas as gpd

from lanewright.base.arrays import Flags
from lanewright.base.rows import Row
from lanewright.legs.search import bounds
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units

_ROUNDED = 0.05  # m that a published length may lie over its own


def reach_of(found: Findings) -> dict[str, float]:
    """Longest leg of each level [m], as the search for legs has it."""
    if found.flights is None:
        return {}
    each = found.flights.levels
    return {f.level.name: bounds(f, found.config.legs)[1] for f in each}


def within_reach(found: Findings, legs: gpd.GeoDataFrame) -> Flags:
    """Whether each leg is one that its level throws (legs,); only the designer's can be longer."""
    longest = legs["level"].map(reach_of(found)).fillna(float("inf"))
    within: Flags = (legs["length_m"] <= longest.astype(float) + _ROUNDED).to_numpy()
    return within


def beyond_words(found: Findings, legs: list[Row], units: Units) -> str:
    """Sentence on throws of a line that are beyond their level; empty where none is."""
    reach = reach_of(found)
    far = [g for g in legs if g["length_m"] > reach.get(str(g["level"]), float("inf")) + _ROUNDED]
    if not far:
        return ""
    worst = max(far, key=lambda g: float(g["length_m"]))
    return (
        f"A throw of {units.length(worst['length_m'])} is beyond {worst['level']}, who throw "
        f"{units.length(reach[str(worst['level'])])}; its rates are those of the nearest throw "
        "that they have"
    )
