"""Bad drawings of one role only: buffers, names, orders, and far too much of everything."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from shapely import LineString, Polygon, box
from shapely.affinity import translate

from . import good
from .blobs import INF, NAN, corners, kml, kml_line, kml_polygon
from .case import EITHER, REFUSED, WORKS, Case
from .drawings import BOW, B, L, saved


def _with(role: str, **changes: Any) -> Callable[[Path], dict[str, Any]]:
    """A good drawing in its role, with other settings changed."""

    def make(folder: Path) -> dict[str, Any]:
        return good.with_drawing(role, saved(folder, role).name) | changes

    return make


def _drawn(role: str, shapes: Any, **columns: Any) -> Callable[[Path], dict[str, Any]]:
    """Shapes, or a function that makes many of them only when they are wanted."""

    def make(folder: Path) -> dict[str, Any]:
        drawn = shapes() if callable(shapes) else shapes
        frame = gpd.GeoDataFrame(columns, geometry=drawn, crs=good.EPSG)
        frame.to_file(folder / "bad.gpkg")
        return good.with_drawing(role, "bad.gpkg")

    return make


def every() -> list[Case]:
    """Faults of single roles."""
    return [*_of_property(), *_of_keep_out(), *_of_own_holes(), *_of_keep_list()]


def _spiral() -> list[Polygon]:
    t = np.arange(100_000)
    reach = 10 + 40 * t / 4000
    return [
        Polygon(np.column_stack([L + 60 + reach * np.cos(t / 20), B + 60 + reach * np.sin(t / 20)]))
    ]


def _many_parts() -> Any:
    k = np.arange(50_000)
    x, y = L + 10 + k % 200 / 2, B + 10 + k // 200 / 4
    return box(x, y, x + 0.4, y + 0.2)


def _of_property() -> list[Case]:
    far = box(L + 10, B + 10, L + 40, B + 40)
    return [
        Case("property", name, _drawn("property", shapes), ends)
        for name, shapes, ends in (
            ("half a square metre", [box(L + 20, B + 20, L + 20.7, B + 20.7)], EITHER),
            ("as large as a country", [box(L - 3e5, B - 3e5, L + 3e5, B + 3e5)], REFUSED),
            ("two parts a thousand kilometres apart", [far, translate(far, 0, 1e6)], REFUSED),
            ("a line a kilometre off the tiles", [translate(far, 3000, 0)], REFUSED),
            ("100,000 corners that cross", _spiral, REFUSED),
            ("50,000 parts", _many_parts, EITHER),
        )
    ]


def _of_keep_out() -> list[Case]:
    values: list[tuple[str, Any, str]] = [
        ("buffer of 1e12", 1e12, REFUSED),
        ("buffer of 1e300", 1e300, REFUSED),
        ("buffer of 100 km", 1e5, REFUSED),
        ("buffer below 0", -5.0, REFUSED),
        ("buffer NaN", NAN, REFUSED),
        ("buffer infinite", INF, REFUSED),
        ("buffer in words", "ten", REFUSED),
        ("buffer a list", [1], REFUSED),
        ("buffer true", True, REFUSED),
        ("buffer of 1e-300", 1e-300, WORKS),
        ("buffer of none", None, REFUSED),
    ]
    cases = []
    for name, value, ends in values:

        def make(folder: Path, value: Any = value) -> dict[str, Any]:
            return {"keep_out": [{"path": saved(folder, "keep_out").name, "buffer": value}]}

        cases.append(Case("keep_out", name, make, ends, ("keep_out.0.buffer",) * (ends == REFUSED)))
    cases += [
        Case(
            "keep_out",
            "named twice",
            lambda f: {"keep_out": [saved(f, "keep_out").name] * 2},
            WORKS,
        ),
        Case("keep_out", "unknown key", lambda f: {"keep_out": [{"path": "x", "bufer": 3}]}),
        Case("keep_out", "a number", lambda f: {"keep_out": [7]}),
        Case(
            "keep_out",
            "over the whole land",
            _drawn("keep_out", [box(L, B, L + 200, B + 200)]),
            EITHER,
        ),
        Case("keep_out", "bow-tie keeps both halves", _drawn("keep_out", [Polygon(BOW)]), EITHER),
    ]
    return cases


def _thousand() -> list[LineString]:
    return [
        LineString([(L + 20 + k % 40, B + 20 + k // 40), (L + 80, B + 90)]) for k in range(1000)
    ]


def _of_own_holes() -> list[Case]:
    short = LineString([(L + 20, B + 20), (L + 20.5, B + 20)])
    apart = [
        LineString([(L + 20, B + 20), (L + 50, B + 20)]),
        LineString([(L + 60, B + 60), (L + 90, B + 60)]),
    ]
    out = LineString([(L + 20, B + 20), (L + 900, B + 20)])
    one = list(good.LINES.values())
    comb = LineString([(L + 20 + 80 * (k % 2), B + 20 + k / 200) for k in range(10_000)])
    own = "own_holes"
    return [
        Case(own, "half a metre long", _drawn(own, [short])),
        Case(own, "two lines apart in one", _drawn(own, [_multi(apart)])),
        Case(own, "basket off the property", _drawn(own, [out])),
        Case(
            own,
            "a line of 800 km",
            _drawn(own, [LineString([(L + 20, B + 20), (L + 20, B + 8e5)])]),
        ),
        Case(own, "two of one name", _drawn(own, one, name=["oak", "oak"])),
        Case(
            own, "two of one name in other capitals", _drawn(own, one, name=["Oak", "oak"]), EITHER
        ),
        Case(own, "no names", _drawn(own, one), WORKS),
        Case(own, "names empty", _drawn(own, one, name=[None, ""]), WORKS),
        Case(own, "name of 20,000 characters", _drawn(own, one, name=["x" * 20_000, "b"])),
        Case(
            own,
            "name with a line break and escapes",
            _drawn(own, one, name=["a\n\x1b[31mred", "b"]),
            EITHER,
        ),
        Case(own, "name is a formula", _drawn(own, one, name=["=cmd|' /C calc'!A0", "b"]), WORKS),
        Case(own, "wish nobody knows", _drawn(own, one, name=["a", "b"], wish=["maybe", None])),
        Case(
            own, "play_order in words", _drawn(own, one, name=["a", "b"], play_order=["one", "2"])
        ),
        Case(
            own,
            "play_order infinite",
            _drawn(own, one, name=["a", "b"], wish=["lock", None], play_order=[INF, 2.0]),
        ),
        Case(
            own,
            "play_order 1e300",
            _drawn(own, one, name=["a", "b"], wish=["lock", None], play_order=[1e300, 2.0]),
        ),
        Case(
            own,
            "play_order one and a half",
            _drawn(own, one, name=["a", "b"], wish=["lock", None], play_order=[1.5, 2.0]),
        ),
        Case(
            own,
            "play_order below 0",
            _drawn(own, one, name=["a", "b"], wish=["lock", None], play_order=[-1, 2]),
        ),
        Case(
            own,
            "play_order 99 of 18",
            _drawn(own, one, name=["a", "b"], wish=["lock", "lock"], play_order=[99, 2]),
        ),
        Case(
            own,
            "two locked to one number",
            _drawn(own, one, name=["a", "b"], wish=["lock", "lock"], play_order=[2, 2]),
        ),
        Case(own, "10,000 corners to and fro", _drawn(own, [comb]), EITHER),
        Case(own, "a thousand holes", _drawn(own, _thousand), REFUSED),
        Case(
            own,
            "KML in lines without names",
            lambda f: good.with_drawing(
                own, kml(f / "bad.kml", kml_line(corners(20, 20, 90, 60)[:2], "")).name
            ),
            EITHER,
        ),
        Case(
            own,
            "KML with polygons",
            lambda f: good.with_drawing(
                own, kml(f / "bad.kml", kml_polygon(corners(20, 20, 90, 60))).name
            ),
        ),
    ]


def _multi(lines: list[LineString]) -> Any:
    from shapely import MultiLineString

    return MultiLineString(lines)


def _of_keep_list() -> list[Case]:
    return [
        Case("keep list", "lines", _drawn("keep list", list(good.LINES.values()))),
        Case(
            "keep list",
            "reach of 1e12",
            lambda f: (
                good.with_drawing("keep list", saved(f, "keep list").name)
                | {"trim": {"keep": "bad.gpkg", "keep_reach": 1e12}}
            ),
        ),
        Case(
            "keep list",
            "50,000 trees",
            _drawn("keep list", [good.SHAPES["keep list"][0]] * 50_000),
            EITHER,
        ),
    ]
