"""Layers into one OGC GeoPackage that explains itself: descriptions, value ranges and styles."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pyogrio.raw
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from lanewright.base import schema
from lanewright.publish.qml import qml
from lanewright.publish.styles import styles_of
from lanewright.publish.whole import beside
from lanewright.sources.crs import same_crs

# 1.3 rather than 1.4: viewers a few years old warn at 1.4 and gain nothing from it.
_VERSION = "1.3"
_GEOMETRY_COLUMN = "geom"
_NO_TIME = datetime(1970, 1, 1, tzinfo=UTC)
_NO_WORDS: Mapping[str, str] = MappingProxyType({})
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"


def write_geopackage(
    path: Path,
    layers: Mapping[str, gpd.GeoDataFrame],
    crs: str,
    *,
    feet_first: bool = False,
    words: Mapping[str, str] = _NO_WORDS,
    stamp: datetime = _NO_TIME,
) -> None:
    """Write layers of the schema, each with what it means and how it looks.

    Parameters
    ----------
    path
        Where it goes; replaces an earlier one once whole.
    layers
        Frames by layer name, in any order; brought into shape by `schema.conform`. A layer
        without rows is written all the same and opens empty.
    crs
        WKT of the run; need not have an EPSG code.
    feet_first
        Put lengths in feet before the same in metres.
    words
        What the settings decide, for the names in braces within descriptions.
    stamp
        Time of last change that the file carries. Fixed by default, so that equal results are
        equal files; the time stands in the run's log.

    Raises
    ------
    ValueError
        If a frame does not fit its layer, or lies in another CRS.
    InputError
        If the file cannot be written.
    """
    unknown = sorted(set(layers) - set(schema.LAYERS))
    if unknown:
        raise ValueError(f"not in the schema: {', '.join(unknown)}")
    shaped = {name: schema.conform(name, frame) for name, frame in layers.items()}
    write_shaped(path, shaped, crs, feet_first=feet_first, words=words, stamp=stamp)


def write_shaped(
    path: Path,
    layers: Mapping[str, gpd.GeoDataFrame],
    crs: str,
    *,
    feet_first: bool = False,
    words: Mapping[str, str] = _NO_WORDS,
    stamp: datetime = _NO_TIME,
) -> None:
    """The same for frames that are as `schema.conform` gives them."""
    for name, frame in layers.items():
        if frame.crs is not None and not same_crs(frame.crs.to_wkt(), crs):
            raise ValueError(f"layer {name} is in {frame.crs.name}, not the run's CRS")
    # One order, however they come.
    conformed = {name: layers[name] for name in schema.LAYERS if name in layers}
    with beside(path) as part, _unhurried_disk():
        for index, (name, frame) in enumerate(conformed.items()):
            layer = replace(
                schema.LAYERS[name],
                description=schema.LAYERS[name].description.format_map(words),
            )
            _write_layer(part, layer, frame, crs, feet_first, append=index > 0)
        # GDAL's connection is closed by now. No journal: nobody sees the file before it is whole.
        with closing(sqlite3.connect(part)) as db, db:
            db.execute("PRAGMA journal_mode = OFF")
            _explain_columns(db, conformed)
            _store_styles(db, conformed, stamp)
            db.execute("UPDATE gpkg_contents SET last_change = ?", (_iso(stamp),))
        _count_changes_anew(part)


def _count_changes_anew(path: Path) -> None:
    """Set SQLite's count of changes to one: how often GDAL writes a page hangs on its threads.

    The count and the count that the header's version was written at must agree (SQLite database
    file format, 1.3.7 and 1.3.14: bytes 24 to 27 and 92 to 95, most significant first).
    """
    with path.open("r+b") as file:
        for place in (24, 92):
            file.seek(place)
            file.write((1).to_bytes(4, "big"))


@contextmanager
def _unhurried_disk() -> Iterator[None]:
    """Let SQLite in GDAL keep no journal and leave waiting for the disk to us.

    Nobody sees the file before it is whole, and we wait once, then.
    """
    options = {"OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_JOURNAL": "OFF"}
    earlier = {option: pyogrio.get_gdal_config_option(option) for option in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(earlier)


def _write_layer(
    path: Path,
    layer: schema.Layer,
    frame: gpd.GeoDataFrame,
    crs: str,
    feet_first: bool,
    append: bool,
) -> None:
    names = schema.in_order(layer.name, frame.columns, feet_first)
    data, masks = [], []
    for name in names:
        values, mask = _as_written(layer.column(name), frame[name])
        data.append(values)
        masks.append(mask)
    pyogrio.raw.write(
        path,
        # ISO flavour, so that heights are marked as the standard wants them.
        geometry=shapely.to_wkb(np.asarray(frame.geometry.array, dtype=object), flavor="iso"),
        field_data=data,
        field_mask=masks,
        fields=names,
        layer=layer.name,
        driver="GPKG",
        geometry_type=layer.geometry,
        crs=_crs_for_gdal(crs),
        append=append,
        encoding="UTF-8",
        dataset_options={} if append else {"VERSION": _VERSION},
        layer_options={
            "FID": "fid",
            "GEOMETRY_NAME": _GEOMETRY_COLUMN,
            "GEOMETRY_NULLABLE": "NO",
            "SPATIAL_INDEX": "YES",
            "IDENTIFIER": layer.title,
            "DESCRIPTION": layer.description,
        },
    )


def _as_written(
    column: schema.Column, series: schema.Values
) -> tuple[NDArray[np.floating], NDArray[np.bool_] | None]:
    """Values of a column as GDAL takes them, and where they are empty."""
    if column.dtype == "float":
        values = series.to_numpy(dtype=np.float64)
        # Digits beyond what an estimate holds only pretend; adding 0 turns -0.0 into 0.0.
        return (values if column.digits is None else np.round(values, column.digits) + 0.0), None
    if column.dtype == "int" and series.isna().any():
        empty = series.isna().to_numpy()
        return series.fillna(0).to_numpy(dtype=np.int64), empty
    if column.dtype == "text":
        return series.to_numpy(dtype=object), None
    return series.to_numpy(), None


def _crs_for_gdal(crs: str) -> str:
    """EPSG code where the CRS is exactly that, so that viewers know it by name; else its WKT."""
    code = CRS.from_user_input(crs).to_epsg(min_confidence=100)
    return f"EPSG:{code}" if code else crs


def _explain_columns(db: sqlite3.Connection, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
    """Meaning, unit and allowed values of each column, by the schema extension (OGC 12-128 F.9)."""
    db.execute(
        "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, "
        "name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT, "
        "CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), "
        "CONSTRAINT gdc_tn UNIQUE (table_name, name))"
    )
    db.execute(
        "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, "
        "constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, "
        "max NUMERIC, max_is_inclusive BOOLEAN, description TEXT, "
        "CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))"
    )
    db.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
        "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        db.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
            (table, _SCHEMA_EXTENSION),
        )
    db.execute(
        "INSERT INTO gpkg_data_column_constraints VALUES "
        "('share', 'range', NULL, 0, 1, 1, 1, 'a share, 0 to 1')"
    )
    for name, frame in frames.items():
        for column in schema.LAYERS[name].columns:
            if column.name not in frame:
                continue
            constraint = "share" if column.unit == "0-1" else None
            if column.values:
                constraint = f"{name}_{column.name}"
                db.executemany(
                    "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, "
                    "value) VALUES (?, 'enum', ?)",
                    [(constraint, value) for value in column.values],
                )
            unit = f" [{column.unit}]" if column.unit else ""
            db.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, NULL, ?, ?, NULL, ?)",
                (name, column.name, _title(column), column.meaning + unit, constraint),
            )


def _title(column: schema.Column) -> str:
    words = column.name.replace("_", " ")
    return words[:1].upper() + words[1:]


def _store_styles(
    db: sqlite3.Connection, frames: Mapping[str, gpd.GeoDataFrame], stamp: datetime
) -> None:
    """Styles in the table where QGIS looks for them; it asks for a column of SLD, left empty."""
    db.execute(
        "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "
        "f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256), "
        "f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT, "
        "useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), "
        "update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))"
    )
    for name in frames:
        for index, style in enumerate(styles_of(name)):
            db.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
                "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, "
                "owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, NULL, ?, ?, '', '', ?)",
                (
                    name,
                    _GEOMETRY_COLUMN,
                    style.name,
                    qml(style),
                    index == 0,
                    f"{schema.LAYERS[name].title}: {style.name.lower()}",
                    _iso(stamp),
                ),
            )
    # A table that the contents do not name makes strict readers warn.
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES ('layer_styles', 'attributes', 'Layer styles', 'How viewers draw the layers', 0)"
    )


def _iso(stamp: datetime) -> str:
    return stamp.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{stamp.microsecond // 1000:03}Z"
