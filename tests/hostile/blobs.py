"""Vector files written byte by byte, for what no library would write."""

from __future__ import annotations

import json
import math
import sqlite3
import struct
from pathlib import Path
from typing import Any

from pyproj import CRS

from . import good

Ring = list[tuple[float, ...]]


def wkb(kind: int, body: bytes) -> bytes:
    """Geometry of a type number with its body, little-endian."""
    return struct.pack("<BI", 1, kind) + body


def ring(places: Ring) -> bytes:
    """One ring or line of a geometry."""
    return struct.pack("<I", len(places)) + b"".join(struct.pack(f"<{len(p)}d", *p) for p in places)


def polygon(*rings: Ring, kind: int = 3) -> bytes:
    """Polygon of rings as they stand, closed or not."""
    return wkb(kind, struct.pack("<I", len(rings)) + b"".join(ring(r) for r in rings))


def line(places: Ring, kind: int = 2) -> bytes:
    """Line of places as they stand."""
    return wkb(kind, ring(places))


def many(kind: int, parts: list[bytes]) -> bytes:
    """Multi-geometry, collection, surface of parts."""
    return wkb(kind, struct.pack("<I", len(parts)) + b"".join(parts))


def corners(x0: float = 10, y0: float = 10, x1: float = 110, y1: float = 110) -> Ring:
    """Closed ring of a box in metres from the corner of the good tile."""
    left, bottom = good.LEFT, good.BOTTOM
    x0, x1, y0, y1 = left + x0, left + x1, bottom + y0, bottom + y1
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]


def geopackage(
    path: Path,
    shapes: list[bytes | None],
    *,
    table: str = "drawn",
    kind: str = "GEOMETRY",
    srs: int = good.EPSG,
    wkt: str | None = None,
    columns: dict[str, list[Any]] | None = None,
    raw: bool = False,
    script: str = "",
) -> Path:
    """Minimal GeoPackage of well-known binaries.

    Parameters
    ----------
    raw
        The blobs are stored as they are, without a GeoPackage header.
    script
        SQL run at the end.
    """
    path.unlink(missing_ok=True)
    base = sqlite3.connect(path)
    base.executescript(_TABLES)
    definition = wkt if wkt is not None else CRS.from_epsg(good.EPSG).to_wkt("WKT1_GDAL")
    base.execute(
        "INSERT OR REPLACE INTO gpkg_spatial_ref_sys VALUES ('run', ?, 'EPSG', ?, ?, NULL)",
        (srs, srs, definition),
    )
    columns = columns or {"name": [f"n{k}" for k in range(len(shapes))]}
    quoted = table.replace('"', '""')
    fields = "".join(f', "{name}"' for name in columns)
    base.execute(f'CREATE TABLE "{quoted}" (fid INTEGER PRIMARY KEY, geom BLOB{fields})')
    base.execute(
        "INSERT INTO gpkg_contents VALUES (?, 'features', ?, '', '2026-01-01T00:00:00.000Z', "
        "NULL, NULL, NULL, NULL, ?)",
        (table, table, srs),
    )
    base.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)", (table, kind, srs)
    )
    for k, shape in enumerate(shapes):
        head = b"" if raw else b"GP\x00\x01" + struct.pack("<i", srs)
        values = [column[k] for column in columns.values()]
        marks = ", ?" * len(values)
        base.execute(
            f'INSERT INTO "{quoted}" VALUES (?, ?{marks})',
            (k + 1, None if shape is None else head + shape, *values),
        )
    if script:
        base.executescript(script)
    base.commit()
    base.close()
    return path


_TABLES = """
PRAGMA application_id = 1196444487; PRAGMA user_version = 10300;
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY,
  organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL,
  description TEXT);
INSERT INTO gpkg_spatial_ref_sys VALUES ('u', -1, 'NONE', -1, 'undefined', NULL),
  ('u', 0, 'NONE', 0, 'undefined', NULL);
CREATE TABLE gpkg_contents (table_name TEXT PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT,
  description TEXT, last_change TEXT, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
  srs_id INTEGER);
CREATE TABLE gpkg_geometry_columns (table_name TEXT, column_name TEXT, geometry_type_name TEXT,
  srs_id INTEGER, z TINYINT, m TINYINT);
"""


def geojson(path: Path, geometry: Any, crs: Any = "degrees", **properties: Any) -> Path:
    """GeoJSON of one feature, or of what is given as text."""
    feature = {"type": "Feature", "properties": {"name": "n"} | properties, "geometry": geometry}
    whole: dict[str, Any] = {"type": "FeatureCollection", "features": [feature]}
    if crs != "degrees":
        whole["crs"] = crs
    path.write_text(json.dumps(whole))
    return path


def lonlat(places: Ring) -> list[list[float]]:
    """Places in degrees."""
    from shapely import LineString

    return [list(p) for p in good.degrees(LineString(places)).coords]


def kml(path: Path, body: str, head: str = "") -> Path:
    """KML around a body."""
    path.write_text(
        f'<?xml version="1.0" encoding="UTF-8"?>{head}\n'
        f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{body}</Document></kml>'
    )
    return path


def kml_line(places: Ring, name: str = "n") -> str:
    """Placemark of a line."""
    text = " ".join(f"{x:.9f},{y:.9f},0" for x, y in lonlat(places))
    return (
        f"<Placemark><name>{name}</name><LineString><coordinates>{text}</coordinates>"
        "</LineString></Placemark>"
    )


def kml_polygon(places: Ring, name: str = "n") -> str:
    """Placemark of a polygon."""
    text = " ".join(f"{x:.9f},{y:.9f},0" for x, y in lonlat(places))
    return (
        f"<Placemark><name>{name}</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{text}"
        "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
    )


NAN, INF = math.nan, math.inf
