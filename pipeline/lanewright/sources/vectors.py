"""Boundaries, keep-outs, water and drawn lines: vector files into the run's CRS."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError, ProjError
from shapely import (
    Geometry,
    LineString,
    MultiPolygon,
    Point,
    Polygon,
    get_parts,
    line_merge,
    union_all,
)
from shapely.validation import explain_validity

from lanewright.base.errors import InputError
from lanewright.base.text import unreadable
from lanewright.sources.opening import layer_names, read_layer

MOST_FEATURES, MOST_CORNERS = 100_000, 2_000_000
"""Features and corners of one file; a larger one is no drawing of a property."""

MOST_HOLES = 200
"""Lines drawn as holes; each is thrown and measured in full, so many more would not end."""

MOST_HOLE_CORNERS, LONGEST_HOLE, LONGEST_NAME = 500, 3000.0, 60
"""Corners and length [m] of one line drawn as a hole, characters of its name."""

FAR = 5_000.0
"""Drawings of which nothing lies so near the property [m] are taken for a wrong CRS."""

FARTHEST = 1e9
"""Coordinates beyond this lie outside what any projected CRS covers [m]."""


def read_vectors(path: Path, assumed_crs: str | None = None) -> gpd.GeoDataFrame:
    """Features of every layer of a file, with the CRS it states.

    Raises
    ------
    InputError
        If the file is missing, unreadable or empty, holds a shape that cannot be read or lies
        nowhere, or does not state its CRS.
    """
    layers = [read_layer(path, name) for name in layer_names(path)]
    layers = [layer for layer in layers if len(layer) and "geometry" in layer.columns]
    if not layers:
        raise InputError(path, "holds no features", "Draw at least one, or leave the key out.")
    checked = [placed(path, layer, assumed_crs) for layer in layers]
    target = checked[0].crs
    try:
        frame = gpd.GeoDataFrame(
            pd.concat([layer.to_crs(target) for layer in checked], ignore_index=True), crs=target
        )
    except (ProjError, shapely.errors.GEOSException) as err:
        raise _no_way(path, target, err) from None
    for number, shape in enumerate(frame.geometry, start=1):
        if shape is None or shape.is_empty:
            raise InputError(
                path,
                f"{_feature(frame, number)} has no shape, or one that cannot be read",
                "Draw it again, or delete it from the file.",
            )
    return frame


def placed(path: Path, frame: gpd.GeoDataFrame, assumed_crs: str | None) -> gpd.GeoDataFrame:
    """One layer, flat, with a CRS that fits its coordinates; shapes may be missing.

    Raises
    ------
    InputError
        If it has no CRS or one that lays nothing on a map, too many features or corners,
        coordinates that are no numbers, or coordinates that its CRS cannot mean.
    """
    # Heights of a drawing are not used, and one that is no number would spoil its place.
    frame = frame.set_geometry(frame.geometry.force_2d())
    shapes = frame.geometry.to_numpy()
    corners = int(shapely.get_num_coordinates(shapes).sum())
    if len(frame) > MOST_FEATURES or corners > MOST_CORNERS:
        raise InputError(
            path,
            f"holds {len(frame):,} features with {corners:,} corners, more than a drawing of a "
            "property can",
            "Clip it to the property and its surroundings.",
        )
    places, owner = shapely.get_coordinates(shapes, return_index=True)
    wrong = owner[~np.isfinite(places).all(axis=1)]
    if len(wrong):
        raise InputError(
            path,
            f"{_feature(frame, int(wrong[0]) + 1)} has a corner that is no place (NaN or infinite)",
            "Draw it again, or delete it from the file.",
        )
    frame = frame if frame.crs is not None else _given(path, frame, assumed_crs)
    if not (frame.crs.is_projected or frame.crs.is_geographic):
        raise InputError(
            path,
            f"is in {frame.crs.name}, which is neither projected nor longitude and latitude",
            "Save it in the CRS of the tiles, or in EPSG:4326.",
        )
    if len(places):
        _not_degrees_in_disguise(path, frame)
    return frame


def _given(path: Path, frame: gpd.GeoDataFrame, assumed_crs: str | None) -> gpd.GeoDataFrame:
    if assumed_crs is None:
        raise InputError(
            path, "does not say which CRS it is in", "Set crs.vectors, as EPSG:n, or add a .prj."
        )
    try:
        return frame.set_crs(CRS.from_user_input(assumed_crs))
    except CRSError:
        raise InputError(
            "crs.vectors", f"{assumed_crs[:60]!r} is not a CRS", "Give it as EPSG:n."
        ) from None


def _feature(frame: gpd.GeoDataFrame, number: int) -> str:
    return f"feature {number} ({name_of(frame, number - 1)[:LONGEST_NAME]})"


def name_of(frame: gpd.GeoDataFrame, row: int) -> str:
    """Name of a feature by the first of the usual columns that has one, else its number."""
    columns = {str(c).lower(): c for c in reversed(frame.columns)}
    for usual in ("name", "hole", "label", "id"):
        if usual in columns:
            value: Any = frame[columns[usual]].iloc[row]
            if isinstance(value, float) and value.is_integer():
                value = int(value)
            text = "" if pd.isna(value) else str(value).strip()
            if text:
                return text
    return str(row + 1)


def _not_degrees_in_disguise(path: Path, frame: gpd.GeoDataFrame) -> None:
    left, bottom, right, top = frame.total_bounds
    degrees = abs(left) <= 180 and abs(right) <= 180 and abs(bottom) <= 90 and abs(top) <= 90
    if frame.crs.is_projected and degrees:
        raise InputError(
            path,
            f"says {frame.crs.name} but its coordinates ({left:.5g}, {bottom:.5g}) look like "
            "degrees",
            "Correct the CRS of the file, to EPSG:4326 if they are longitude and latitude.",
        )
    if frame.crs.is_geographic and (
        max(abs(left), abs(right)) > 360 or max(abs(bottom), abs(top)) > 90
    ):
        raise InputError(
            path,
            f"says {frame.crs.name}, which is in degrees, but holds x {left:.7g}, y {bottom:.7g}",
            "Correct the CRS of the file; these look like metres or feet.",
        )


def in_working(path: Path, frame: gpd.GeoDataFrame, working: str) -> gpd.GeoDataFrame:
    """Features in the working CRS.

    Raises
    ------
    InputError
        If there is no way from its CRS to the working one, or none for its places.
    """
    try:
        moved = frame.to_crs(CRS.from_user_input(working))
    except (ProjError, shapely.errors.GEOSException) as err:
        raise _no_way(path, frame.crs, err) from None
    places = shapely.get_coordinates(moved.geometry.to_numpy())
    if not (np.abs(places) < FARTHEST).all():
        raise InputError(
            path, "its coordinates lie outside what the working CRS covers", "Check its CRS."
        )
    return moved


def _no_way(path: Path, crs: Any, err: Exception) -> InputError:
    reason = (str(err).splitlines() or [""])[0][:120]
    return InputError(
        path,
        f"cannot be brought from {crs.name} to the working CRS ({reason})",
        "Save it in the CRS of the tiles, or in EPSG:4326.",
    )


def parts(shape: Geometry) -> list[Geometry]:
    """Points, lines and polygons of a shape, however deep they lie in collections."""
    found, left = [], [shape]
    while left:
        here = left.pop()
        if here.geom_type in ("Point", "LineString", "Polygon"):
            found.append(here)
        else:
            left += get_parts(here).tolist()[::-1]
    return found


def property_polygon(path: Path, assumed_crs: str | None) -> gpd.GeoDataFrame:
    """The property as one polygon, in the file's own CRS.

    Raises
    ------
    InputError
        If the file holds no polygon, or one that crosses itself.
    """
    frame = read_vectors(path, assumed_crs)
    polygons = _polygons(frame)
    if not polygons:
        kinds = ", ".join(sorted(set(frame.geometry.geom_type)))
        raise InputError(
            path, f"holds no polygon, only {kinds}", "Draw the property as a closed polygon."
        )
    for polygon in polygons:
        if not polygon.is_valid:
            raise InputError(
                path,
                f"its boundary crosses or touches itself: {explain_validity(polygon)}",
                "Mend the boundary there; which side is inside cannot be guessed.",
            )
    return gpd.GeoDataFrame(geometry=[union_all(polygons)], crs=frame.crs)


def _polygons(frame: gpd.GeoDataFrame) -> list[Polygon]:
    """Polygons of a frame; closed lines count, as boundaries are often drawn so in KML."""
    found: list[Polygon] = []
    for part in (part for shape in frame.geometry for part in parts(shape)):
        if part.geom_type == "Polygon":
            found.append(part)
        elif part.geom_type == "LineString" and part.is_closed and len(part.coords) > 3:
            found.append(Polygon(part))
    return [p for p in found if p.area > 0 or not p.is_valid]


def enclosed(polygon: Polygon) -> Geometry:
    """A polygon made valid so that nothing its outline goes round is lost.

    Where an outline crosses itself, which side is inside cannot be known; all that it encloses
    is taken, holes included. Mending by a buffer of nothing would drop one half of a bow-tie.
    """
    if polygon.is_valid:
        return polygon
    return union_all(shapely.polygonize([union_all(polygon.exterior)]))


def areas(path: Path, working: str, assumed_crs: str | None, buffer: float = 0.0) -> MultiPolygon:
    """Everything in the file as area in the working CRS, grown by `buffer` [m].

    Lines and points without a buffer get half a metre, so that they still divide land. Polygons
    that cross themselves count with all that they enclose.

    Raises
    ------
    InputError
        As `read_vectors` and `in_working`, or if a polygon has no area.
    """
    frame = in_working(path, read_vectors(path, assumed_crs), working)
    grown = []
    for number, shape in enumerate(frame.geometry, start=1):
        for part in parts(shape):
            if isinstance(part, LineString | Point):
                grown.append(part.buffer(max(buffer, 0.5)))
                continue
            whole = enclosed(part)
            if not whole.area > 0:
                raise InputError(
                    path,
                    f"{_feature(frame, number)} is a polygon without area",
                    "Draw it again, as a line if it is one.",
                )
            grown.append(whole.buffer(buffer))
    merged = union_all(grown)
    return merged if merged.geom_type == "MultiPolygon" else MultiPolygon([merged])


def lines_in(path: Path, working: str, assumed_crs: str | None) -> Geometry:
    """The lines of a file in the working CRS, as one shape; empty where it draws none.

    Raises
    ------
    InputError
        As `read_vectors` and `in_working`.
    """
    frame = in_working(path, read_vectors(path, assumed_crs), working)
    every = [part for shape in frame.geometry for part in parts(shape)]
    return union_all([part for part in every if isinstance(part, LineString)])


def near_enough(path: Path, shape: Geometry, bounds: tuple[float, float, float, float]) -> None:
    """Refuse a drawing of which nothing lies near the land: its CRS is wrong, or it is no use.

    Parameters
    ----------
    bounds
        Left, bottom, right, top of the land in the CRS of the shape [m].
    """
    land = shapely.box(*bounds)
    away = shape.distance(land) if land is not None else 0.0
    if away > FAR:
        raise InputError(
            path,
            f"nothing in it lies within {FAR / 1000:.0f} km of the property, the nearest "
            f"{away / 1000:.0f} km off",
            "Check its CRS, or leave it out.",
        )


def drawn_lines(path: Path, working: str, assumed_crs: str | None) -> gpd.GeoDataFrame:
    """The designer's lines in the working CRS, tee first, with a `name` each.

    Raises
    ------
    InputError
        If the file holds too many, something other than lines, a line without length or longer
        than a hole, or a name that cannot be shown.
    """
    frame = in_working(path, read_vectors(path, assumed_crs), working)
    too_many(path, len(frame))
    lines, names = [], []
    for row, shape in enumerate(frame.geometry):
        merged = line_merge(shape) if shape.geom_type == "MultiLineString" else shape
        name = name_of(frame, row)
        named_well(path, name, row + 1)
        if merged.geom_type != "LineString" or merged.length < 1.0:
            raise InputError(
                path,
                f"feature {name} is not one line from tee to basket but a {shape.geom_type} of "
                f"{shape.length:.1f} m",
                "Draw each hole as one line, tee first.",
            )
        as_hole(path, name, merged)
        lines.append(merged)
        names.append(name)
    return gpd.GeoDataFrame({"name": names}, geometry=lines, crs=frame.crs)


def too_many(path: Path, count: int) -> None:
    """Refuse more drawn holes than can be measured in a time anyone waits."""
    if count > MOST_HOLES:
        raise InputError(
            path,
            f"holds {count:,} holes; at most {MOST_HOLES} are measured in one run",
            "Keep those that matter in the file.",
        )


def named_well(path: Path, name: str, number: int) -> None:
    """Refuse a name that no table or page can show."""
    sign = unreadable(name)
    if sign is not None or len(name) > LONGEST_NAME:
        what = f"the sign {sign}" if sign is not None else f"{len(name):,} characters"
        raise InputError(
            path,
            f"the name of feature {number} has {what}",
            f"Give it a name of at most {LONGEST_NAME} characters.",
        )


def as_hole(path: Path, name: str, line: LineString) -> None:
    """Refuse a line that is longer or more winding than a hole can be."""
    if line.length > LONGEST_HOLE or len(line.coords) > MOST_HOLE_CORNERS:
        raise InputError(
            path,
            f"feature {name} is {line.length:,.0f} m long with {len(line.coords):,} corners, no "
            "hole",
            f"Draw tee, landing zones and basket: at most {LONGEST_HOLE:,.0f} m and "
            f"{MOST_HOLE_CORNERS} corners.",
        )
