"""What files state of themselves, as a plan reports it."""

from __future__ import annotations

import math
from pathlib import Path

from shapely import MultiPolygon, box, union_all

from lanewright.base.errors import InputError, some
from lanewright.sources.crs import Bounds, lonlat_of
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


FINE_DENSITY = 4.0
"""First returns per m2 from which half-metre cells pay; two fall in each cell then."""


def warnings_of(
    land: MultiPolygon | None, boxes: list[Bounds], density: float | None
) -> tuple[str, ...]:
    """What headers alone give reason to warn of.

    Parameters
    ----------
    land
        The property; None where none is given.
    boxes
        Of the files that touch it, in the same CRS.
    density
        First returns per m2; None without lidar.
    """
    warnings: list[str] = []
    if land is None:
        warnings.append("no property polygon is given; the extent of the tiles is taken for it")
    elif (share := covered_share(land, boxes)) < 0.995:
        warnings.append(f"the tiles cover {share:.0%} of the property; the rest stays unknown")
    if density is not None and density < FINE_DENSITY / 2:
        warnings.append(
            f"the lidar has {density:.2g} first returns per m2; below 2 per m2 little can be said "
            "of gaps between trees"
        )
    return tuple(warnings)


def far_off(where: str, working: str, extent: Bounds, boxes: list[Bounds]) -> InputError:
    """What to report of a property that no tile touches.

    Parameters
    ----------
    where
        File of the property.
    extent, boxes
        Of the property and of all files, in the working CRS.
    """
    if not all(map(math.isfinite, extent)):
        return InputError(
            where,
            "its boundary encloses nothing in the working CRS",
            "Check its CRS; a boundary round the whole earth has no inside here.",
        )
    ground = union_all([box(*b) for b in boxes])
    away = box(*extent).distance(ground) / 1000

    def at(b: Bounds) -> str:
        lonlat = lonlat_of(working, (b[0] + b[2]) / 2, (b[1] + b[3]) / 2)
        return f"longitude {lonlat[0]:.4f}, latitude {lonlat[1]:.4f}" if lonlat else "off the earth"

    return InputError(
        where,
        f"the property, at {at(extent)}, lies {away:.1f} km from the nearest tile, the tiles "
        f"are at {at(ground.bounds)}",
        "Check the CRS of the boundary and that these are its tiles.",
    )
