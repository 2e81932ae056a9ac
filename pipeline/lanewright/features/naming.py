"""Plain names of features: what it is, and where on the land."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from lanewright.features.found import Found, Squares

KINDS = {
    "tunnel": "tunnel",
    "fairway": "natural fairway",
    "carry": "carry",
    "drop": "drop",
    "climb": "climb",
    "gap": "gap",
    "ridge_tee": "ridge for a tee",
    "knoll_tee": "knoll for a tee",
    "bench_green": "bench for a green",
    "amphitheatre_green": "amphitheatre for a green",
    "peninsula": "peninsula",
    "specimen_tree": "specimen tree",
    "edge": "edge",
    "view": "view",
}
"""Words of each kind, in the order in which kinds are listed."""

SECTORS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)
CREEK = 8.0  # ha that drain to a line called a creek; ours, as walks count water to bridge
BESIDE = 25.0  # m from water that counts as beside it
MIDDLE = 0.22  # share of the land's extent around its middle that is "the middle"
EDGE = "edge of the wood"
WOOD, MEADOW = 0.5, 0.2  # share of ground with trees from which, and to which


@dataclass(frozen=True)
class Places:
    """What places are named after."""

    land: shapely.Geometry
    ponds: shapely.Geometry
    creeks: shapely.Geometry
    squares: Squares


def places_of(
    land: shapely.Geometry,
    ponds: shapely.Geometry,
    drainage: gpd.GeoDataFrame,
    squares: Squares,
) -> Places:
    """Gather them; drainage lines count as creeks from `CREEK` hectares on."""
    large = drainage
    if "upslope_ha" in drainage:
        large = drainage[drainage["upslope_ha"] >= CREEK]
    return Places(land, ponds, shapely.union_all(list(large.geometry)), squares)


def named(found: Sequence[Found], places: Places) -> list[str]:
    """A name for each, with its figure; those like one before are numbered."""
    count: Counter[str] = Counter()
    out = []
    for f in found:
        name = f"{KINDS[f.kind]} {where(f, places)}, {f.figure}"
        count[name] += 1
        out.append(f"{name}, no. {count[name]}" if count[name] > 1 else name)
    return out


def where(found: Found, places: Places) -> str:
    """Where a feature lies: beside which water, else in wood or meadow, in which part."""
    middle = found.line.interpolate(0.5, normalized=True)
    part = sector(middle, places.land)
    if found.kind in ("carry", "peninsula"):
        return f"{'over' if found.kind == 'carry' else 'in'} the {part} pond"
    if found.kind == "view":
        stand = shapely.Point(found.line.coords[0])
        cover = _growth_around(stand.buffer(6), places.squares)
        return f"from the {sector(stand, places.land)} {cover}"
    points = [found.line.interpolate(s, normalized=True) for s in (0.0, 0.25, 0.5, 0.75, 1.0)]
    word = "along" if found.line.length >= 40 else "by"
    for water, name in ((places.ponds, "pond"), (places.creeks, "creek")):
        if not water.is_empty:
            away = [float(water.distance(p)) for p in points]
            if float(np.mean(away)) <= BESIDE:
                over = found.line.intersects(water) and found.kind in ("drop", "climb")
                return f"{'to' if over else word} the {part} {name}"
    cover = _growth_around(found.line.buffer(6), places.squares)
    return f"{'at' if cover == EDGE else 'in'} the {part} {cover}"


def sector(point: shapely.Point, land: shapely.Geometry) -> str:
    """Compass part of the land that a point lies in; `middle` near its centre."""
    left, bottom, right, top = land.bounds
    wide, high = max(right - left, 1e-9), max(top - bottom, 1e-9)
    east = (point.x - (left + right) / 2) / wide
    north = (point.y - (bottom + top) / 2) / high
    if np.hypot(east, north) < MIDDLE / 2:
        return "middle"
    turn = np.degrees(np.arctan2(east, north)) % 360
    return SECTORS[int((turn + 22.5) // 45) % 8]


def _growth_around(around: shapely.Geometry, squares: Squares) -> str:
    """Wood, meadow or the edge between them, by the trees around a place."""
    left, bottom, right, top = around.bounds
    rows, cols = squares.grid.rowcol(np.array([left, right]), np.array([top, bottom]))
    part = squares.trees[
        max(0, int(rows[0])) : max(0, int(rows[1])) + 1,
        max(0, int(cols[0])) : max(0, int(cols[1])) + 1,
    ]
    share = float(part.mean()) if part.size else 0.0
    return "wood" if share >= WOOD else "meadow" if share <= MEADOW else EDGE
