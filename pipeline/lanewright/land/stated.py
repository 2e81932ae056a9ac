"""What files state of themselves, as a plan reports it."""

from __future__ import annotations

from pathlib import Path

from shapely import MultiPolygon, box, union_all

from lanewright.base.errors import some
from lanewright.sources.crs import Bounds
from lanewright.sources.las import PointTile
from lanewright.sources.rasters import ElevationTile


def assumed(tiles: list[PointTile], models: list[ElevationTile]) -> tuple[str, ...]:
    """What had to be taken for granted, each once with the files that it holds for."""
    groups: dict[str, list[str]] = {}
    said = [(t.path.name, a) for t in tiles for a in t.reference.assumed]
    said += [(m.path.name, a) for m in models for a in m.assumed]
    for name, text in sorted(said):
        groups.setdefault(text, []).append(name)
    return tuple(f"{some(names)}: {text}" for text, names in sorted(groups.items()))


def doubts(tiles: list[PointTile]) -> tuple[str, ...]:
    """What is odd about the CRS of tiles, each once with the files that it holds for."""
    doubts: dict[str, list[str]] = {}
    for tile in sorted(tiles, key=lambda t: t.path):
        if tile.reference.doubt:
            doubts.setdefault(tile.reference.doubt, []).append(str(tile.path))
    return tuple(f"{some(names)}: {doubt}" for doubt, names in doubts.items())


def covered_share(land: MultiPolygon, boxes: list[Bounds]) -> float:
    """Share of the land within boxes."""
    return float(union_all([box(*b) for b in boxes]).intersection(land).area / land.area)


def first_returns_of(tiles: list[PointTile], boxes: dict[Path, Bounds]) -> float:
    """First returns per m2 of the densest tile's box; all returns where firsts are not counted."""
    best = 0.0
    for tile in tiles:
        left, bottom, right, top = boxes[tile.path]
        area = max((right - left) * (top - bottom), 1.0)
        best = max(best, (tile.header.first_returns or tile.header.points) / area)
    return best
