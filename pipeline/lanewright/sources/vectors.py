"""Boundaries, keep-outs, water and drawn lines: vector files into the run's CRS."""

from __future__ import annotations

import warnings
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely import LineString, MultiPolygon, Point, Polygon, get_parts, line_merge, union_all
from shapely.validation import explain_validity

from lanewright.base.errors import InputError

UNREADABLE = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError)
"""What reading raises where a file, or a layer of it, is no vector file."""


def layer_names(path: Path) -> set[str]:
    """Names of a file's layers; raises `UNREADABLE`."""
    return {str(name) for name, _ in pyogrio.list_layers(path)}


def read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    """One layer as it stands; raises `UNREADABLE`."""
    return pyogrio.read_dataframe(path, layer=name)


def read_vectors(path: Path, assumed_crs: str | None = None) -> gpd.GeoDataFrame:
    """Features of every layer of a file, with the CRS it states.

    Raises
    ------
    InputError
        If the file is missing, unreadable, empty, or says nothing of its CRS.
    """
    if not path.exists():
        raise InputError(path, "does not exist", "Check the path in the configuration.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            layers = [
                pyogrio.read_dataframe(path, layer=name)
                for name, kind in pyogrio.list_layers(path)
                if kind is not None
            ]
    except UNREADABLE as err:
        reason = str(err).splitlines()[0][:160]
        raise InputError(
            path,
            f"cannot be read as a vector file ({reason})",
            "Use GeoPackage, GeoJSON, Shapefile or KML.",
        ) from None
    layers = [layer for layer in layers if len(layer) and "geometry" in layer.columns]
    if not layers:
        raise InputError(path, "holds no features", "Draw at least one, or leave the key out.")
    target = layers[0].crs
    frame = gpd.GeoDataFrame(
        pd.concat([x.to_crs(target) if target and x.crs else x for x in layers], ignore_index=True),
        crs=target,
    )
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)].reset_index(drop=True)
    if frame.empty:
        raise InputError(path, "holds no geometry", "Draw at least one shape.")
    if assumed_crs is not None and frame.crs is None:
        try:
            frame = frame.set_crs(CRS.from_user_input(assumed_crs))
        except CRSError:
            raise InputError(
                "crs.vectors", f"{assumed_crs!r} is not a CRS", "Give it as EPSG:n."
            ) from None
    if frame.crs is None:
        raise InputError(
            path, "does not say which CRS it is in", "Set crs.vectors, as EPSG:n, or add a .prj."
        )
    _not_degrees_in_disguise(path, frame)
    return frame


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
    """Features in the working CRS, Z dropped."""
    moved = frame.to_crs(CRS.from_user_input(working))
    moved = moved.set_geometry(moved.geometry.force_2d())
    if not pd.Series(moved.geometry.bounds.to_numpy().ravel()).map(abs).lt(1e9).all():
        raise InputError(
            path, "its coordinates lie outside what the working CRS covers", "Check its CRS."
        )
    return moved


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
    for part in get_parts(frame.geometry.to_numpy()):
        if part.geom_type == "Polygon":
            found.append(part)
        elif part.geom_type == "LineString" and part.is_closed and len(part.coords) > 3:
            found.append(Polygon(part))
    return [p for p in found if p.area > 0 or not p.is_valid]


def areas(path: Path, working: str, assumed_crs: str | None, buffer: float = 0.0) -> MultiPolygon:
    """Everything in the file as area in the working CRS, grown by `buffer` [m].

    Lines and points without a buffer get half a metre, so that they still divide land.
    """
    frame = in_working(path, read_vectors(path, assumed_crs), working)
    shapes = []
    for shape in get_parts(frame.geometry.to_numpy()):
        if shape.geom_type == "Polygon":
            shapes.append(shape.buffer(buffer))
        elif isinstance(shape, LineString | Point):
            shapes.append(shape.buffer(max(buffer, 0.5)))
    merged = union_all([s.buffer(0) for s in shapes])
    return merged if merged.geom_type == "MultiPolygon" else MultiPolygon([merged])


def drawn_lines(path: Path, working: str, assumed_crs: str | None) -> gpd.GeoDataFrame:
    """The designer's lines in the working CRS, tee first, with a `name` each.

    Raises
    ------
    InputError
        If the file holds something other than lines, or a line without length.
    """
    frame = in_working(path, read_vectors(path, assumed_crs), working)
    named = next((c for c in frame.columns if c.lower() in ("name", "hole", "label", "id")), None)
    lines, names = [], []
    for number, shape in enumerate(frame.geometry, start=1):
        merged = line_merge(shape) if shape.geom_type == "MultiLineString" else shape
        name = str(frame[named].iloc[number - 1]) if named else str(number)
        if merged.geom_type != "LineString" or merged.length < 1.0:
            raise InputError(
                path,
                f"feature {name} is not one line from tee to basket but a {shape.geom_type} of "
                f"{shape.length:.1f} m",
                "Draw each hole as one line, tee first.",
            )
        lines.append(merged)
        names.append(name)
    return gpd.GeoDataFrame({"name": names}, geometry=lines, crs=frame.crs)
