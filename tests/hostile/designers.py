"""Bad designer's files: what an edited copy of `designer-start.gpkg` can come back as."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely import LineString, MultiLineString, Point, box
from shapely.affinity import translate

from . import drawings, good
from .blobs import corners, geopackage, line, polygon
from .case import EITHER, REFUSED, WORKS, Case

L, B = good.LEFT, good.BOTTOM
ONE, TWO = good.LINES.values()


def every() -> list[Case]:
    """Faults of files, of holes and of areas."""
    return [*_files(), *_columns(), *_shapes(), *_areas()]


def _of(name: str, make: Callable[[Path], Any], ends: str = REFUSED, *says: str) -> Case:
    def whole(folder: Path) -> dict[str, Any]:
        made = make(folder)
        return {"designer": made.name if isinstance(made, Path) else made}

    return Case("designer", name, whole, ends, says)


def _files() -> list[Case]:
    taken = [
        "missing",
        "NUL in the path",
        "file name of 20,000 characters",
        "a folder",
        "a device that never ends",
        "empty geopackage",
        "text as geopackage",
        "noise as geopackage",
        "bare SQLite header",
        "geopackage cut in half",
        "raster as geopackage",
        "picture",
        "virtual file disguised",
        "a place on the network",
        "CSV",
        "GeoJSON number",
    ]
    cases = []
    for name in taken:
        make, _ = drawings.FILES[name]
        cases.append(_of(name, lambda folder, make=make: make(folder, "own_holes")))

    def other_layers(folder: Path) -> Path:
        gpd.GeoDataFrame({"name": ["a"]}, geometry=[ONE], crs=good.EPSG).to_file(
            folder / "d.gpkg", layer="my_holes"
        )
        return folder / "d.gpkg"

    def in_out(folder: Path) -> str:
        (folder / "out").mkdir()
        good.designer(folder / "out" / "d.gpkg")
        return "out/d.gpkg"

    def without_shapes(folder: Path) -> Path:
        path = good.designer(folder / "d.gpkg")
        base = sqlite3.connect(path)
        base.executescript(
            "DELETE FROM gpkg_geometry_columns WHERE table_name = 'designer_holes';"
            "UPDATE gpkg_contents SET data_type = 'attributes' "
            "WHERE table_name = 'designer_holes';"
        )
        base.close()
        return path

    def geojson(folder: Path) -> Path:
        gpd.GeoDataFrame({"name": ["a"], "wish": ["keep"]}, geometry=[ONE], crs=good.EPSG).to_crs(
            4326
        ).to_file(folder / "d.geojson")
        return folder / "d.geojson"

    return [
        *cases,
        _of("untouched", lambda f: good.designer(f / "d.gpkg"), WORKS),
        _of("in the folder of the results", in_out),
        _of("neither of its layers", other_layers),
        _of("layer without shapes beside areas", without_shapes, EITHER),
        _of("GeoJSON", geojson, REFUSED),
    ]


def _columns() -> list[Case]:
    def with_columns(**columns: Any) -> Callable[[Path], Path]:
        return lambda folder: good.designer(folder / "d.gpkg", **columns)

    lock = ["lock", "lock"]
    return [
        _of("wish nobody knows", with_columns(wish=["maybe", None])),
        _of("wish a number", with_columns(wish=[3, 4])),
        _of("wish in capitals with spaces", with_columns(wish=[" KEEP ", None]), WORKS),
        _of("a hole of a name of 20,000 characters", with_columns(name=["x" * 20_000, "b"])),
        _of("names alike", with_columns(name=["a", "a"])),
        _of("names empty", with_columns(name=[None, None]), WORKS),
        _of("names are numbers", with_columns(name=[1.0, math.nan]), WORKS),
        _of("name with NUL", with_columns(name=["a\0b", "c"]), EITHER),
        _of("name is a formula", with_columns(name=["=HYPERLINK(0)", "+1"]), WORKS),
        _of("play_order infinite", with_columns(wish=lock, play_order=[math.inf, 1.0])),
        _of("play_order -infinite", with_columns(wish=lock, play_order=[-math.inf, 1.0])),
        _of("play_order NaN", with_columns(wish=lock, play_order=[math.nan, 1.0])),
        _of("play_order 1e300", with_columns(wish=lock, play_order=[1e300, 1.0])),
        _of("play_order 2.5", with_columns(wish=lock, play_order=[2.5, 1.0])),
        _of("play_order 0", with_columns(wish=lock, play_order=[0, 1])),
        _of("play_order below 0", with_columns(wish=lock, play_order=[-3, 1])),
        _of("play_order 19 of 18", with_columns(wish=lock, play_order=[19, 1])),
        _of("play_order in words", with_columns(wish=lock, play_order=["first", "2"])),
        _of("play_order of 5,000 digits", with_columns(wish=lock, play_order=["9" * 5000, "2"])),
        _of("locked alike", with_columns(wish=lock, play_order=[2, 2])),
        _of(
            "infinite order of a hole not locked",
            with_columns(wish=["keep", None], play_order=[math.inf, 1.0]),
        ),
        _of("stood is no line", with_columns(stood=["POINT (1 2)", "LINESTRING"]), WORKS),
        _of("stood is noise", with_columns(stood=["))((", "7"]), WORKS),
        _of("stood far away", with_columns(stood=["LINESTRING (0 0, 1e12 1e12)", None]), EITHER),
        _of("stood NaN", with_columns(stood=["LINESTRING (nan nan, nan nan)", None]), EITHER),
        _of(
            "stood of 1 MB",
            with_columns(stood=["LINESTRING (" + ",".join(["1 2"] * 250_000) + ")", None]),
            EITHER,
        ),
        _of("note of 1 MB", with_columns(note=["n" * 1_000_000, None]), EITHER),
        _of("no column but the shape", _bare, WORKS),
    ]


def _bare(folder: Path) -> Path:
    gpd.GeoDataFrame(geometry=[ONE], crs=good.EPSG).to_file(
        folder / "d.gpkg", layer="designer_holes"
    )
    return folder / "d.gpkg"


def _shapes() -> list[Case]:
    def with_shapes(first: Any, crs: Any = good.EPSG) -> Callable[[Path], Path]:
        def make(folder: Path) -> Path:
            frame = gpd.GeoDataFrame(
                {"name": ["a", "b"], "wish": ["keep", None]}, geometry=[first, TWO], crs=crs
            )
            frame.to_file(folder / "d.gpkg", layer="designer_holes")
            return folder / "d.gpkg"

        return make

    def blob(shape: bytes | None) -> Callable[[Path], Path]:
        return lambda folder: geopackage(
            folder / "d.gpkg",
            [shape],
            table="designer_holes",
            columns={"name": ["a"], "wish": ["keep"]},
        )

    nan, inf = math.nan, math.inf
    degrees = good.degrees(ONE)
    return [
        _of("shape missing", blob(None)),
        _of("shape empty", with_shapes(LineString())),
        _of("shape garbage", blob(b"\x07" * 30)),
        _of("tee without a basket", blob(line([(L + 20, B + 20)]))),
        _of("a point", with_shapes(Point(L + 20, B + 20))),
        _of("a polygon", with_shapes(box(L + 20, B + 20, L + 60, B + 60))),
        _of("NaN corner", blob(line([(L + 20, B + 20), (nan, nan), (L + 80, B + 20)]))),
        _of("NaN end", blob(line([(L + 20, B + 20), (L + 80, nan)]))),
        _of("infinite corner", blob(line([(L + 20, B + 20), (inf, B + 20), (L + 80, B + 20)]))),
        _of("infinite end", blob(line([(L + 20, B + 20), (inf, inf)]))),
        _of("corner at 1e308", blob(line([(L + 20, B + 20), (1e308, B + 20)]))),
        _of("Z NaN", blob(line([(L + 20, B + 20, nan), (L + 80, B + 20, nan)], 1002)), WORKS),
        _of("Z infinite", blob(line([(L + 20, B + 20, inf), (L + 80, B + 20, 1)], 1002)), WORKS),
        _of("two lines apart", with_shapes(MultiLineString([ONE, translate(ONE, 0, 40)]))),
        _of("half a metre long", with_shapes(LineString([(L + 20, B + 20), (L + 20.4, B + 20)]))),
        _of("outside the property", with_shapes(translate(ONE, 5000, 0))),
        _of("degrees called metres", with_shapes(degrees)),
        _of("metres called degrees", with_shapes(ONE, 4326)),
        _of("geocentric", with_shapes(ONE, 4978)),
        _of("another zone", with_shapes(ONE, 25832)),
        _of(
            "no CRS and degrees",
            lambda f: geopackage(
                f / "d.gpkg",
                [line(list(degrees.coords))],
                table="designer_holes",
                srs=-1,
                wkt="undefined",
                columns={"name": ["a"], "wish": ["keep"]},
            ),
        ),
        _of(
            "unknown CRS",
            lambda f: geopackage(
                f / "d.gpkg",
                [line(list(ONE.coords))],
                table="designer_holes",
                srs=99_999,
                wkt="GARBAGE",
                columns={"name": ["a"], "wish": ["keep"]},
            ),
            EITHER,
        ),
        _of("a thousand holes", _thousand),
    ]


def _thousand(folder: Path) -> Path:
    count = 1000
    shapes = [translate(ONE, 0, k / 20) for k in range(count)]
    gpd.GeoDataFrame(
        {"name": [f"h{k}" for k in range(count)], "wish": ["keep"] * count},
        geometry=shapes,
        crs=good.EPSG,
    ).to_file(folder / "d.gpkg", layer="designer_holes")
    return folder / "d.gpkg"


def _areas() -> list[Case]:
    def area(*shapes: bytes | None, wish: str | None = "keep out") -> Callable[[Path], Path]:
        return lambda folder: geopackage(
            folder / "d.gpkg",
            list(shapes),
            table="designer_areas",
            columns={"name": [f"a{k}" for k in range(len(shapes))], "wish": [wish] * len(shapes)},
        )

    nan = math.nan
    return [
        _of("area: wish nobody knows", area(polygon(corners(20, 20, 50, 50)), wish="keep")),
        _of("area: bow-tie", area(polygon(drawings.BOW)), EITHER),
        _of("area: NaN", area(polygon([(nan, nan)] * 4))),
        _of("area: infinite", area(polygon([*corners()[:2], (math.inf, B), *corners()[3:]]))),
        _of("area: unclosed", area(polygon(corners()[:4])), EITHER),
        _of("area: missing", area(None), EITHER),
        _of("area: garbage", area(b"\x01" * 30)),
        _of("area: a line", area(line(corners(20, 20, 50, 50)[:2])), WORKS),
        _of("area: the whole land", area(polygon(corners(-500, -500, 900, 900))), EITHER),
        _of("area: TIN", area(_tin()), EITHER),
    ]


def _tin() -> bytes:
    from .blobs import many

    return many(16, [polygon(corners()[:3] + corners()[:1], kind=17)])
