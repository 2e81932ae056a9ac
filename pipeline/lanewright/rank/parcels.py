"""The parcels of a layer: one polygon each with a key that names its folder."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import MultiPolygon, Polygon, union_all

from lanewright.base.errors import InputError
from lanewright.base.text import unreadable
from lanewright.sources.opening import layer_names, read_layer
from lanewright.sources.vectors import LONGEST_NAME, name_of, parts, placed

USUAL = ("parcel_id", "parcel", "pin", "apn", "id")
"""Columns looked at for a key, in this order, in small or capital letters."""

LONGEST_KEY = 60
"""Characters of a key; it is the name of a folder."""

MOST = 100_000
"""Parcels of one ranking; the reader of vector files takes no more features either."""


@dataclass(frozen=True)
class Parcel:
    """One feature of the layer.

    Attributes
    ----------
    key
        Never twice in a layer; fit to name a folder.
    name
        As a reader meets it.
    shape
        Its polygon in the CRS of the layer; empty where the feature has none.
    fault
        Why it cannot be scouted; empty where it can.
    """

    key: str
    name: str
    shape: MultiPolygon
    fault: str = ""


def read_parcels(
    path: Path, assumed_crs: str | None, id_column: str | None = None
) -> tuple[list[Parcel], str]:
    """Parcels of every layer of a file, in its order, and their CRS as WKT.

    A feature that is no usable polygon stays among them with its fault.

    Parameters
    ----------
    assumed_crs
        CRS of a file that states none.
    id_column
        Column of the keys; by default the first of `USUAL` that names each feature once.

    Raises
    ------
    InputError
        If the file cannot be read, holds no feature, states no CRS, or lacks the column.
    """
    layers = [read_layer(path, name) for name in layer_names(path)]
    layers = [layer for layer in layers if len(layer) and "geometry" in layer.columns]
    if not layers:
        raise InputError(path, "holds no features", "Give a layer of parcels.")
    checked = [placed(path, _finite(layer), assumed_crs) for layer in layers]
    frame = gpd.GeoDataFrame(
        pd.concat([layer.to_crs(checked[0].crs) for layer in checked], ignore_index=True),
        crs=checked[0].crs,
    )
    if len(frame) > MOST:
        raise InputError(path, f"holds {len(frame):,} parcels, at most {MOST:,}", "Cut it in two.")
    keys = _keys(path, frame, id_column)
    return [_parcel(frame, row, key) for row, key in enumerate(keys)], frame.crs.to_wkt()


def _finite(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The layer with shapes that have a corner nowhere left empty, each a fault of its own."""
    shapes = layer.geometry.to_numpy()
    places, owner = shapely.get_coordinates(shapes, return_index=True)
    wrong = np.unique(owner[~np.isfinite(places).all(axis=1)])
    if not len(wrong):
        return layer
    shapes = shapes.copy()
    shapes[wrong] = None
    return layer.set_geometry(gpd.GeoSeries(shapes, crs=layer.crs, index=layer.index))


def _keys(path: Path, frame: gpd.GeoDataFrame, column: str | None) -> list[str]:
    by_name = {str(name).lower(): name for name in reversed(list(frame.columns))}
    if column is not None and column.lower() not in by_name:
        raise InputError(
            path,
            f"has no column {column!r}; it has {', '.join(map(str, frame.columns))}"[:300],
            "Correct rank.id_column, or leave it out.",
        )
    for name in (column.lower(),) if column is not None else USUAL:
        if name in by_name:
            keys = [fit_for_a_folder(value) for value in frame[by_name[name]]]
            if all(keys) and len({key.lower() for key in keys}) == len(keys):
                return keys
    if column is not None:
        raise InputError(
            path,
            f"its column {column} is empty somewhere, or names two parcels alike",
            "Correct rank.id_column, or leave it out.",
        )
    width = len(str(len(frame)))
    return [f"{row:0{width}}" for row in range(1, len(frame) + 1)]


def fit_for_a_folder(value: object) -> str:
    """A key out of a value of a table; empty where nothing of it can stand in a name.

    Examples
    --------
    >>> fit_for_a_folder("12/7 North"), fit_for_a_folder(3.0), fit_for_a_folder("../..")
    ('12_7_North', '3', '')
    """
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    whole = int(value) if isinstance(value, float) and value.is_integer() else value
    return re.sub(r"[^A-Za-z0-9._-]+", "_", str(whole)).strip("._-")[:LONGEST_KEY]


def _parcel(frame: gpd.GeoDataFrame, row: int, key: str) -> Parcel:
    name = name_of(frame, row)
    name = key if unreadable(name) is not None else name[:LONGEST_NAME]
    shape = frame.geometry.iloc[row]
    if shape is None or shape.is_empty:
        return Parcel(key, name, MultiPolygon(), "it has no shape, or one that cannot be read")
    polygons = list(_polygons(shape))
    if not polygons:
        return Parcel(key, name, MultiPolygon(), f"it is a {shape.geom_type}, no polygon")
    crossed = next((p for p in polygons if not p.is_valid), None)
    if crossed is not None:
        why = shapely.is_valid_reason(crossed)
        mended = [p for p in _polygons(shapely.make_valid(shape)) if p.area > 0]
        return Parcel(
            key, name, MultiPolygon(mended), f"its outline crosses or touches itself ({why})"
        )
    whole = union_all(polygons)
    return Parcel(key, name, whole if isinstance(whole, MultiPolygon) else MultiPolygon([whole]))


def _polygons(shape: shapely.Geometry) -> Iterator[Polygon]:
    yield from (part for part in parts(shape) if isinstance(part, Polygon))
