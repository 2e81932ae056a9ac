"""Lines to carry on a handheld or a phone: fairways, real walks, outlines, features."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from pyproj import Transformer

from lanewright.base.rows import rows_of
from lanewright.visit.firstwalk import FEATURE, NAMES
from lanewright.visit.outing import Outing

DIGITS = 7
"""Decimals of degrees: a centimetre on the ground."""

TRACKS = {
    "fairway": ("Fairways", "ff1f3fb0", 4.0),
    "walk": ("Walks", "ff4d4d4d", 2.5),
    "feature": ("Lines of features", "ffa55bd0", 3.0),
    "boundary": ("Property", "ff000000", 2.5),
    "keep_out": ("Keep-outs", "ff3030d0", 2.5),
    "wet": ("Wet ground", "ffc88a2b", 1.5),
}
"""Kind to folder, colour as KML words it (aabbggrr) and width [pixels]."""

FIRST_WALKS = {"short": "FIRST", "day": "DAY"}
"""Names of the walks of a first visit."""

_LEAST_WET = 100.0  # m2 of wet ground that is worth an outline; ours
_STEP = 0.5  # m that an outline may lie off when it is made of fewer points

Part = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class FieldTrack:
    """A line with a name.

    Attributes
    ----------
    name
        Short, in plain ASCII; no other track has it.
    kind
        A key of `TRACKS`.
    text
        What it is, in words.
    parts
        Longitude and latitude [degrees] of each unbroken part.
    """

    name: str
    kind: str
    text: str
    parts: tuple[Part, ...]


def field_tracks(
    outing: Outing, layers: Mapping[str, gpd.GeoDataFrame], crs: str
) -> list[FieldTrack]:
    """Lines of an outing.

    Parameters
    ----------
    outing
        Holes in order.
    layers
        As published; those that a run lacks are left out.
    crs
        WKT of the run.
    """
    to_wgs = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    made = []
    for name, kind, text, shapes in _shapes(outing, layers):
        parts = tuple(
            tuple((round(x, DIGITS), round(y, DIGITS)) for x, y in to_wgs.itransform(part))
            for part in map(shapely.get_coordinates, shapes)
        )
        if parts:
            made.append(FieldTrack(name, kind, text, parts))
    return made


Named = tuple[str, str, str, list[shapely.Geometry]]


def _shapes(outing: Outing, layers: Mapping[str, gpd.GeoDataFrame]) -> Iterator[Named]:
    for hole in outing.holes:
        text = f"{hole.title}, flight aimed for, tee to basket"
        yield f"H{hole.number}", "fairway", text, [hole.line]
    if outing.walks is not None:
        yield "WALKS", "walk", "Walks between holes, as found on the ground", _lines(outing.walks)
    walk = layers.get("first_walk")
    for visit, name in FIRST_WALKS.items():
        mine = walk[walk["visit"] == visit] if walk is not None else None
        text = f"First walk past features and checks, {NAMES[visit]}"
        yield name, "walk", text, _lines(mine)
    features = layers.get("features")
    if features is not None:
        shown = features[features["shown"]]
        for row, line in zip(rows_of(shown), shown.geometry, strict=True):
            yield f"{FEATURE}{row['feature_id']}", "feature", str(row["name"]), _lines_of(line)
    yield "BOUNDARY", "boundary", "Property as given, not surveyed", _lines(layers.get("property"))
    text = "Keep-outs with their buffers: nobody throws over them or enters"
    yield "KEEP-OUT", "keep_out", text, _lines(layers.get("keep_out"))
    wet = layers.get("wet_ground")
    if wet is not None:
        wet = wet[wet.area >= _LEAST_WET]
    yield "WET", "wet", "Ground that is wet by its shape", _lines(wet)


def _lines(frame: gpd.GeoDataFrame | None) -> list[shapely.Geometry]:
    """Lines of a layer; outlines where it has areas."""
    if frame is None:
        return []
    return [line for shape in frame.geometry for line in _lines_of(shape)]


def _lines_of(shape: shapely.Geometry) -> list[shapely.Geometry]:
    if shape is None or shape.is_empty:
        return []
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        shape = shapely.simplify(shape, _STEP).boundary
    return [p for p in shapely.get_parts(np.array([shape])) if shapely.length(p) > 0]
