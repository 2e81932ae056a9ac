"""Bad drawings: one bank of faults for property, keep-outs, water, own holes, keep list, paths."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from shapely import MultiPoint
from shapely.affinity import scale

from . import good
from .blobs import (
    INF,
    NAN,
    corners,
    geojson,
    geopackage,
    kml,
    kml_line,
    line,
    lonlat,
    many,
    polygon,
    wkb,
)
from .case import EITHER, REFUSED, WORKS, Case

ROLES = ("property", "keep_out", "water", "own_holes", "keep list", "paths")
LINED = ("own_holes", "paths")
"""Roles whose good drawing is a line."""

L, B = good.LEFT, good.BOTTOM


def every() -> list[Case]:
    """All faults in all roles they make sense in."""
    found = []
    for role in ROLES:
        for name, (make, ends) in {**FILES, **_SHAPES}.items():
            end = ends.get(role, ends.get("", REFUSED))
            if end is not None:
                found.append(Case(role, name, _bound(make, role), end))
    return found


def _bound(make: Callable[[Path, str], str], role: str) -> Callable[[Path], Any]:
    return lambda folder: good.with_drawing(role, make(folder, role))


def _geometry(role: str) -> Any:
    return good.SHAPES[role]


def saved(folder: Path, role: str, name: str = "bad.gpkg", **keys: Any) -> Path:
    gpd.GeoDataFrame(
        {"name": ["n"] * len(_geometry(role))}, geometry=_geometry(role), crs=good.EPSG
    ).to_file(folder / name, **keys)
    return folder / name


# ---------------------------------------------------------------------------------------------
# Files that are no files of their kind


def _bytes(name: str, content: bytes) -> Callable[[Path, str], str]:
    def make(folder: Path, role: str) -> str:
        (folder / name).write_bytes(content)
        return name

    return make


def _noise(size: int) -> bytes:
    return np.random.default_rng(1).integers(0, 256, size, np.uint8).tobytes()


def _cut(name: str, share: float) -> Callable[[Path, str], str]:
    def make(folder: Path, role: str) -> str:
        frame = gpd.GeoDataFrame(geometry=_geometry(role), crs=good.EPSG)
        frame = frame if name.endswith("gpkg") else frame.to_crs(4326)
        frame.to_file(folder / name, driver="KML" if name.endswith("kml") else None)
        raw = (folder / name).read_bytes()
        (folder / name).write_bytes(raw[: int(len(raw) * share)])
        return name

    return make


def _overwritten(folder: Path, role: str) -> str:
    path = saved(folder, role)
    raw = bytearray(path.read_bytes())
    raw[4096:40960] = _noise(40960 - 4096)
    path.write_bytes(raw)
    return path.name


def _folder(folder: Path, role: str) -> str:
    (folder / "bad.gpkg").mkdir()
    return "bad.gpkg"


def _raster(folder: Path, role: str) -> str:
    return good.model(folder / "bad.gpkg").name


def _wide(folder: Path, _role: str) -> str:
    columns = ",".join(f'"c{k}":{k}' for k in range(1_000_000))
    shape = '{"type":"Point","coordinates":[0,0]}'
    text = f'{{"type":"Feature","properties":{{{columns}}},"geometry":{shape}}}'
    (folder / "bad.geojson").write_text(text)
    return "bad.geojson"


def _lone_shp(folder: Path, role: str) -> str:
    saved(folder, role, "bad.shp")
    for end in ("shx", "dbf"):
        (folder / f"bad.{end}").unlink()
    return "bad.shp"


def _prj(folder: Path, role: str) -> str:
    saved(folder, role, "bad.shp")
    (folder / "bad.prj").write_text('PROJCS["nothing",GEOGCS[')
    return "bad.shp"


def _device(folder: Path, role: str) -> str:
    return "/dev/zero"


def _pipe(folder: Path, role: str) -> str:
    import os

    os.mkfifo(folder / "bad.gpkg")
    return "bad.gpkg"


def _gpx(folder: Path, role: str) -> str:
    x, y = lonlat([(L + 20, B + 20)] * 2)[0]
    (folder / "bad.gpx").write_text(
        f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="{y}" lon="{x}"/>'
        "</gpx>"
    )
    return "bad.gpx"


def _vrt(folder: Path, role: str) -> str:
    saved(folder, role, "true.gpkg")
    (folder / "bad.gpkg").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="drawn"><SrcDataSource relativeToVRT="1">true.gpkg'
        "</SrcDataSource><SrcLayer>true</SrcLayer></OGRVRTLayer></OGRVRTDataSource>"
    )
    return "bad.gpkg"


def _curl(folder: Path, role: str) -> str:
    return "/vsicurl/http://127.0.0.1:9/land.gpkg"


def _zipped(folder: Path, role: str) -> str:
    import zipfile

    saved(folder, role, "true.gpkg")
    with zipfile.ZipFile(folder / "bad.zip", "w") as file:
        file.write(folder / "true.gpkg", "true.gpkg")
    return "/vsizip/" + str(folder / "bad.zip") + "/true.gpkg"


def _endless_view(folder: Path, role: str) -> str:
    path = saved(folder, role)
    import sqlite3

    base = sqlite3.connect(path)
    base.executescript(
        "CREATE VIEW endless AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) "
        "SELECT x AS fid, (SELECT geom FROM bad LIMIT 1) AS geom FROM c;"
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
        f"VALUES ('endless', 'features', 'endless', {good.EPSG});"
        "INSERT INTO gpkg_geometry_columns VALUES ('endless', 'geom', 'GEOMETRY', "
        f"{good.EPSG}, 0, 0);"
    )
    base.close()
    return path.name


def _text(name: str, text: str) -> Callable[[Path, str], str]:
    return _bytes(name, text.encode())


def _entities(folder: Path, role: str) -> str:
    levels = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10}">' for k in range(1, 10))
    head = f'<!DOCTYPE kml [<!ENTITY a0 "lol">{levels}]>'
    return kml(folder / "bad.kml", kml_line(corners(), "&a9;"), head).name


def _external(folder: Path, role: str) -> str:
    head = '<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    return kml(folder / "bad.kml", kml_line(corners(), "&x;"), head).name


_HEAD = '{"type":"FeatureCollection","features":'
_ONE = '{"type":"Feature","properties":{},"geometry":%s}'

FILES: dict[str, tuple[Callable[[Path, str], str], dict[str, str]]] = {
    "missing": (lambda f, r: "none.gpkg", {}),
    "empty path": (lambda f, r: "", {}),
    "file name of 20,000 characters": (lambda f, r: "x" * 20_000 + ".gpkg", {}),
    "NUL in the path": (lambda f, r: "a\0b.gpkg", {}),
    "a folder": (_folder, {}),
    "a device that never ends": (_device, {}),
    "a pipe that nobody writes to": (_pipe, {}),
    "empty geopackage": (_bytes("bad.gpkg", b""), {}),
    "empty GeoJSON": (_bytes("bad.geojson", b""), {}),
    "empty KML": (_bytes("bad.kml", b""), {}),
    "empty shapefile": (_bytes("bad.shp", b""), {}),
    "text as geopackage": (_text("bad.gpkg", "hello"), {}),
    "noise as geopackage": (_bytes("bad.gpkg", _noise(5000)), {}),
    "noise as GeoJSON": (_bytes("bad.geojson", _noise(5000)), {}),
    "noise as KML": (_bytes("bad.kml", _noise(5000)), {}),
    "noise as shapefile": (_bytes("bad.shp", _noise(5000)), {}),
    "bare SQLite header": (_bytes("bad.gpkg", b"SQLite format 3\0" + bytes(84)), {}),
    "geopackage cut in half": (_cut("bad.gpkg", 0.5), {}),
    "GeoJSON cut off": (_cut("bad.geojson", 0.7), {}),
    "GeoJSON of a million columns": (_wide, {}),
    "KML cut off": (_cut("bad.kml", 0.7), {}),
    "geopackage with pages overwritten": (_overwritten, {"": EITHER}),
    "raster as geopackage": (_raster, {}),
    "picture": (_bytes("bad.gpkg", b"\x89PNG\r\n\x1a\n" + _noise(200)), {}),
    "shapefile without its companions": (_lone_shp, {}),
    "shapefile with a broken .prj": (_prj, {}),
    "GPX": (_gpx, {}),
    "CSV": (_text("bad.csv", "name,WKT\na,POINT(1 2)\n"), {}),
    "virtual file disguised": (_vrt, {}),
    "a place on the network": (_curl, {}),
    "a virtual path into an archive": (_zipped, {}),
    "geopackage whose view never ends": (_endless_view, {}),
    "GeoJSON list": (_text("bad.geojson", "[1,2,3]"), {}),
    "GeoJSON number": (_text("bad.geojson", "7"), {}),
    "GeoJSON without type": (_text("bad.geojson", '{"features":[]}'), {}),
    "GeoJSON features null": (_text("bad.geojson", _HEAD + "null}"), {}),
    "GeoJSON features empty": (_text("bad.geojson", _HEAD + "[]}"), {}),
    "GeoJSON feature null": (_text("bad.geojson", _HEAD + "[null]}"), {}),
    "GeoJSON geometry null": (_text("bad.geojson", _HEAD + f"[{_ONE % 'null'}]}}"), {}),
    "GeoJSON nested 100,000 deep": (_text("bad.geojson", _HEAD + "[" * 100_000), {}),
    "GeoJSON coordinates nested deep": (
        _text(
            "bad.geojson",
            _HEAD
            + "["
            + _ONE % ('{"type":"Polygon","coordinates":' + "[" * 500 + "]" * 500 + "}")
            + "]}",
        ),
        {},
    ),
    "GeoJSON coordinates as text": (
        _text(
            "bad.geojson",
            _HEAD
            + "["
            + _ONE % ('{"type":"LineString","coordinates":[["a","b"],["c","d"]]}')
            + "]}",
        ),
        {},
    ),
    "GeoJSON unknown shape": (
        _text("bad.geojson", _HEAD + "[" + _ONE % '{"type":"Blob","coordinates":[1,2]}' + "]}"),
        {},
    ),
    "KML entity bomb": (_entities, {}),
    "KML external entity": (_external, {}),
    "KML without places": (lambda f, r: kml(f / "bad.kml", "").name, {}),
    "KML with a link only": (
        lambda f, r: (
            kml(
                f / "bad.kml",
                "<NetworkLink><Link><href>http://127.0.0.1:9/x.kml</href></Link></NetworkLink>",
            ).name
        ),
        {},
    ),
    "KML coordinates of words": (
        lambda f, r: (
            kml(
                f / "bad.kml",
                "<Placemark><LineString><coordinates>here there"
                "</coordinates></LineString></Placemark>",
            ).name
        ),
        {},
    ),
}


# ---------------------------------------------------------------------------------------------
# Shapes


def _blob(*shapes: bytes | None, **keys: Any) -> Callable[[Path, str], str]:
    return lambda folder, role: geopackage(folder / "bad.gpkg", list(shapes), **keys).name


def _frame(change: Callable[[Any], Any], crs: Any = good.EPSG) -> Callable[[Path, str], str]:
    """The good drawing with every shape changed."""

    def make(folder: Path, role: str) -> str:
        shapes = [change(shape) for shape in _geometry(role)]
        gpd.GeoDataFrame(
            {"name": [f"n{k}" for k in range(len(shapes))]}, geometry=shapes, crs=crs
        ).to_file(folder / "bad.gpkg")
        return "bad.gpkg"

    return make


def _like(role: str, places: list[tuple[float, ...]]) -> bytes:
    return line(places) if role in LINED else polygon(places)


def _role_blob(places: list[tuple[float, ...]], **keys: Any) -> Callable[[Path, str], str]:
    return lambda folder, role: geopackage(folder / "bad.gpkg", [_like(role, places)], **keys).name


def _role_json(places: list[Any], crs: Any = "degrees") -> Callable[[Path, str], str]:
    def make(folder: Path, role: str) -> str:
        lined = role in LINED
        return geojson(
            folder / "bad.geojson",
            {
                "type": "LineString" if lined else "Polygon",
                "coordinates": places if lined else [places],
            },
            crs,
        ).name

    return make


def _nested(depth: int) -> bytes:
    shape = polygon(corners())
    for _ in range(depth):
        shape = many(7, [shape])
    return shape


BOW = [(L + 20, B + 20), (L + 100, B + 100), (L + 100, B + 20), (L + 20, B + 100), (L + 20, B + 20)]
_SOLID = {"own_holes": None, "paths": None}
"""Faults of polygons, for the roles that take them."""

_SHAPES: dict[str, tuple[Callable[[Path, str], str], dict[str, Any]]] = {
    "NaN corner": (_role_blob([*corners()[:2], (NAN, NAN), *corners()[3:]]), {}),
    "infinite corner": (_role_blob([*corners()[:2], (INF, B), *corners()[3:]]), {}),
    "corner at 1e308": (_role_blob([*corners()[:2], (1e308, B), *corners()[3:]]), {}),
    "corner at 1e15": (_role_blob([*corners()[:2], (1e15, B), *corners()[3:]]), {}),
    "all NaN": (_role_blob([(NAN, NAN)] * 5), {}),
    "Z NaN": (
        lambda f, r: (
            geopackage(
                f / "bad.gpkg",
                [
                    line([(x, y, NAN) for x, y in corners(20, 20, 90, 60)[:2]], 1002)
                    if r in LINED
                    else polygon([(x, y, NAN) for x, y in corners()], kind=1003)
                ],
            ).name
        ),
        {"": WORKS},
    ),
    "unclosed ring": (_blob(polygon(corners()[:4])), {**_SOLID, "": EITHER, "property": REFUSED}),
    "ring of two places": (_blob(polygon(corners()[:2])), {}),
    "ring of one place": (_blob(polygon([(L + 20, B + 20)] * 4)), {}),
    "ring without area": (
        _blob(polygon([(L + 20, B + 20), (L + 90, B + 20), (L + 20, B + 20), (L + 20, B + 20)])),
        {},
    ),
    "line of one place": (_blob(line([(L + 20, B + 20)])), {}),
    "line without length": (
        _blob(line([(L + 20, B + 20)] * 3)),
        {"keep_out": EITHER, "water": EITHER},
    ),
    "bow-tie": (_blob(polygon(BOW)), {"keep_out": EITHER, "water": EITHER, "paths": EITHER}),
    "hole outside its polygon": (
        _blob(polygon(corners(10, 10, 60, 60), corners(70, 70, 90, 90))),
        {"keep_out": EITHER, "water": EITHER, "paths": EITHER},
    ),
    "parts one on the other": (
        _blob(many(6, [polygon(corners(10, 10, 80, 80)), polygon(corners(40, 40, 100, 100))])),
        {"": EITHER, "own_holes": REFUSED},
    ),
    "TIN": (
        _blob(many(16, [polygon(corners()[:3] + corners()[:1], kind=17)])),
        {"own_holes": REFUSED, "": EITHER},
    ),
    "polyhedral surface": (
        _blob(many(15, [polygon(corners())])),
        {"own_holes": REFUSED, "": EITHER},
    ),
    "curved polygon": (
        _blob(many(10, [wkb(8, line(corners())[5:])])),
        {"own_holes": REFUSED, "": EITHER},
    ),
    "empty shape": (_blob(many(6, [])), {}),
    "shape missing": (_blob(None), {}),
    "garbage for a shape": (_blob(b"\xff" * 40), {}),
    "shape cut short": (_blob(polygon(corners())[:40]), {}),
    "shape of 4 billion corners": (_blob(wkb(3, b"\x01\0\0\0\xff\xff\xff\xff")), {}),
    "collection in collection, deep": (
        lambda f, r: geopackage(f / "bad.gpkg", [_nested(200)]).name,
        {"": EITHER},
    ),
    "points only": (
        lambda f, r: (
            gpd.GeoDataFrame(
                geometry=[MultiPoint([(L + 30, B + 30), (L + 50, B + 60)])], crs=good.EPSG
            ).to_file(f / "bad.gpkg"),
            "bad.gpkg",
        )[1],
        {"keep_out": WORKS, "water": EITHER, "keep list": WORKS, "paths": EITHER},
    ),
    "no CRS": (_role_blob(corners(), srs=-1, wkt="undefined"), {}),
    "unknown CRS": (_role_blob(corners(), srs=99_999, wkt="GARBAGE[1,2"), {}),
    "CRS of the heights only": (_frame(lambda s: s, "EPSG:5703"), {}),
    "geocentric CRS": (_frame(lambda s: s, "EPSG:4978"), {}),
    "a CRS without a place": (
        _frame(lambda s: s, 'LOCAL_CS["shed",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'),
        {},
    ),
    "metres called degrees": (_frame(lambda s: s, 4326), {}),
    "degrees called metres": (_frame(good.degrees), {}),
    "latitude and longitude swapped": (_role_json([[y, x] for x, y in lonlat(corners())]), {}),
    "feet called metres": (_frame(lambda s: scale(s, 3.28084, 3.28084, origin=(0, 0))), {}),
    "another zone": (_frame(lambda s: s, 25832), {}),
    "the pole": (_role_json([[0, 90], [90, 90], [180, 90], [-90, 90], [0, 90]]), {}),
    "beyond the pole": (_role_json([[0, 89], [90, 91], [180, 95], [0, 89]]), {}),
    "round the earth": (
        _role_json([[-180, -80], [180, -80], [180, 80], [-180, 80], [-180, -80]]),
        {},
    ),
    "across the date line": (_role_json([[179, 10], [-179, 10], [-179, 11], [179, 10]]), {}),
    "infinity in GeoJSON": (_role_json([[INF, 1], [2, 3], [4, 5], [INF, 1]]), {}),
    "a link for a CRS": (
        _role_json(
            lonlat(corners()),
            {"type": "link", "properties": {"href": "http://127.0.0.1:9/crs", "type": "ogcwkt"}},
        ),
        {"": EITHER},
    ),
    "a CRS nobody knows, by name": (
        _role_json(lonlat(corners()), {"type": "name", "properties": {"name": "EPSG:999999"}}),
        {},
    ),
}
