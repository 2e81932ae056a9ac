"""What players and walkers come across: running water on holes, lines of fire on walks."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.rows import rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import holes_named, plural

STREAM = 0.75
"""Cells to each side of a drainage line that are water, as for walks."""


@dataclass(frozen=True)
class Crossing:
    """A hole whose line comes over running water: its number, how often, and how far over it."""

    hole: int
    times: int
    metres: float


def over_water(found: Findings, proposal: int) -> tuple[Crossing, ...]:
    """Holes of a proposal that players can only play by crossing water, in playing order.

    Drainage lines count from the upslope area at which walks need a bridge, open water up to the
    width that a footbridge may have: round a pond one walks.
    """
    layout, walk = found.layer("layout_holes"), found.config.layout.walk
    if layout is None:
        return ()
    water = _running(found, walk.stream)
    if water.is_empty:
        return ()
    mine = layout[layout["proposal"] == proposal].sort_values("play_order")
    made = []
    for hole, line in zip(mine["play_order"], mine.geometry, strict=True):
        wet = shapely.get_parts(shapely.intersection(shapely.force_2d(line), water))
        lengths = shapely.length(wet)
        narrow = lengths[(lengths > 0) & (lengths <= walk.bridge)]
        if narrow.size:
            made.append(Crossing(int(hole), narrow.size, float(narrow.sum())))
    return tuple(made)


def _running(found: Findings, stream: float) -> shapely.Geometry:
    """Ground under water: streams as wide as walks take them, and open water."""
    parts: list[shapely.Geometry] = []
    lines, water = found.layer("drainage"), found.layer("water")
    if lines is not None and stream > 0:
        running = lines.geometry[lines["upslope_ha"].to_numpy(np.float64) >= stream]
        parts += list(running.buffer(STREAM * found.grid.cell))
    if water is not None:
        parts += list(water.geometry)
    return shapely.union_all(parts) if parts else shapely.Polygon()


def through_fire(ways: gpd.GeoDataFrame | None) -> tuple[int, tuple[int, ...]]:
    """How many walks come into a line of fire, and of which holes."""
    crossed = [str(row["crosses"]) for row in rows_of(ways) if row["crosses"]]
    holes = {int(n) for text in crossed for n in text.split(",") if n.strip().isdigit()}
    return len(crossed), tuple(sorted(holes))


def fire_words(ways: gpd.GeoDataFrame | None) -> str:
    """Walks through a line of fire, with the holes; `none` without."""
    walks, holes = through_fire(ways)
    return f"{walks}: {holes_named(holes)}" if holes else str(walks) if walks else "none"


def met_words(found: Findings, proposal: int, ways: gpd.GeoDataFrame | None) -> list[str]:
    """Sentences on both; none where there is nothing to cross."""
    said = []
    if crossed := over_water(found, proposal):
        said.append(f"Players cross running water on {holes_named(c.hole for c in crossed)}.")
    walks, holes = through_fire(ways)
    if holes:
        comes = "comes" if walks == 1 else "come"
        walked = plural(walks, "walk")
        said.append(f"{walked} {comes} into the line of fire of {holes_named(holes)}.")
    return said
