"""In which order a round is built, by what its holes need before anybody plays them."""

from __future__ import annotations

from collections.abc import Sequence

from lanewright.base.rows import Row, rows_of
from lanewright.publish.crossings import over_water
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import holes_named

FIRST = 9
"""Holes that are built first; common practice, no source."""


def phases(found: Findings) -> list[str]:
    """Sentences, one to each phase; none where there is no layout."""
    layout = found.layer("layout_holes")
    if layout is None or found.best is None:
        return []
    holes = rows_of(layout[layout["proposal"] == found.best].sort_values("play_order"))
    water = {crossing.hole for crossing in over_water(found, found.best)}
    one, two = holes[:FIRST], holes[FIRST:]
    said = [
        "Walk, survey, owner's and neighbours' leave; baskets on natural tees, trails and signs on "
        f"{_span(one)}{_before(one, water)}."
    ]
    if two:
        said.append(f"The same on {_span(two)}{_before(two, water)}.")
    said.append(
        "Tee pads, bridges, boardwalks, benches, practice basket; drainage once a wet season has "
        "shown where; trimming over several seasons, the least first."
    )
    return [f"{n}. {text}" for n, text in enumerate(said, start=1)]


def _span(holes: Sequence[Row]) -> str:
    first, last = holes[0]["play_order"], holes[-1]["play_order"]
    return f"hole {first}" if first == last else f"holes {first} to {last}"


def _before(holes: Sequence[Row], water: set[int]) -> str:
    """What must come before play, as the rest of a sentence."""
    high = {int(h["play_order"]): h.get("trim_hours_high") for h in holes}
    trimmed = [n for n, hours in high.items() if hours]
    unplanned = [n for n, hours in high.items() if hours is None]
    parts = [
        (trimmed, "trimming on {}"),
        ([n for n in high if n in water], "a safe way over the water on {}"),
        (unplanned, "a look at what {} need, for no trimming was planned there"),
    ]
    named = [words.format(holes_named(numbers)) for numbers, words in parts if numbers]
    return f"; before play {', '.join(named)}" if named else ""
