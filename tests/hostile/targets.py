"""Our own parsers as functions of bytes: what may come of them is a sane value or an InputError.

`CHECKS` names each parser with a good file to start from. A check returns what it read in short, so
that two runs can be compared; anything but `InputError` that it raises is a fault of ours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from lanewright.base.errors import InputError
from lanewright.settings.config import load
from lanewright.settings.levels import all_levels
from lanewright.sources import vectors
from lanewright.sources.las import open_tile
from lanewright.sources.opening import layer_names, read_layer

from . import blobs, good

ROOT = Path(__file__).resolve().parents[2]
UTM = f"EPSG:{good.EPSG}"


@dataclass(frozen=True)
class Target:
    """A parser, the ending its files have, good bytes to change, words worth putting in."""

    ending: str
    check: Callable[[Path], object]
    start: Callable[[Path], bytes]
    words: tuple[bytes, ...] = ()
    text: bool = True


def _settings(path: Path) -> object:
    config = load(path)
    numbers = [v for v in _leaves(config.model_dump()) if isinstance(v, int | float)]
    assert all(math.isfinite(v) and abs(v) <= 1e8 for v in numbers)
    return config.name


def _leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for part in value.values() for leaf in _leaves(part)]
    if isinstance(value, list | tuple):
        return [leaf for part in value for leaf in _leaves(part)]
    return [value]


def _levels(path: Path) -> object:
    found = all_levels(path)
    for level in found:
        assert 25 <= level.tee_throw <= 200
        assert 8 <= level.speed <= 42
        assert level.name.isprintable()
    return len(found)


def _header(path: Path) -> object:
    header = open_tile(path, crs=UTM, vertical_unit="m").header
    assert header.points > 0
    assert np.isfinite([*header.bounds, header.low, header.high]).all()
    assert header.bounds[0] <= header.bounds[2]
    assert header.bounds[1] <= header.bounds[3]
    return header.points


def _drawing(path: Path) -> object:
    """A drawing in every role; one may take what another refuses."""
    ends = []
    for read in (
        lambda: vectors.in_working(path, vectors.property_polygon(path, UTM), UTM).geometry.iloc[0],
        lambda: vectors.areas(path, UTM, UTM, 5.0),
        lambda: vectors.drawn_lines(path, UTM, UTM).geometry.union_all(),
    ):
        try:
            shape = read()
        except InputError:
            ends.append("refused")
            continue
        places = shapely.get_coordinates(shape)
        assert np.isfinite(places).all()
        assert (np.abs(places) < vectors.FARTHEST).all()
        ends.append(shape.geom_type)
    return ends


def _designer(path: Path) -> object:
    found = {}
    for name in layer_names(path):
        frame = vectors.placed(path, read_layer(path, name), UTM)
        moved = vectors.in_working(path, frame, UTM)
        found[name] = len(moved)
    return found


def _yaml(_folder: Path) -> bytes:
    return (ROOT / "configs" / "every-setting.yaml").read_bytes()


def _laz(folder: Path) -> bytes:
    return good.tile(folder / "start.laz").read_bytes()


def _geojson(folder: Path) -> bytes:
    ring = {"type": "Polygon", "coordinates": [blobs.lonlat(blobs.corners())]}
    return blobs.geojson(folder / "start.geojson", ring, wish="keep", play_order=3).read_bytes()


def _kml(folder: Path) -> bytes:
    body = blobs.kml_polygon(blobs.corners()) + blobs.kml_line(blobs.corners()[:2], "oak")
    return blobs.kml(folder / "start.kml", body).read_bytes()


def _gpkg(folder: Path) -> bytes:
    shapes = [blobs.line(blobs.corners()[:3]), blobs.polygon(blobs.corners(20, 20, 60, 60))]
    return blobs.geopackage(folder / "start.gpkg", shapes).read_bytes()


def _start(folder: Path) -> bytes:
    return good.designer(folder / "start_d.gpkg").read_bytes()


NUMBERS = (
    b"nan", b".nan", b"inf", b"-.inf", b"1e308", b"1e-320", b"-1", b"0", b"99999999999999999999",
    b"0x7fffffff", b"1_0", b"2026-02-30", b"9" * 500, b"18.5", b"-0.0",
)  # fmt: skip
_YAML = (b"&a ", b"*a", b"<<: ", b"!!int ", b"!!python/name:os ", b"? ", b"- ", b"[", b"{", b"~",
         b"null", b"true", b"\n\t", b"---\n", b"...\n", b"|", b'"', b"'", b"%YAML 9.9\n", b"\xff",
         b"\0", b"legs: {}\n")  # fmt: skip
_JSON = (b"null", b"[", b"]", b"{}", b'"type":"TIN"', b'"type":"link"', b'"MultiPolygon"',
         b'"crs":',
         b'"coordinates":[]', b"1e999", b"\xff")  # fmt: skip
_KML = (b"<MultiGeometry>", b"<Point>", b"<LinearRing>", b"&lt;", b"&x;", b"<![CDATA[", b"]]>",
        b"nan,nan,nan", b"<kml>", b"</Placemark>", b"181,95", b"\0")  # fmt: skip

CHECKS = {
    "yaml": Target("yaml", _settings, _yaml, (*NUMBERS, *_YAML)),
    "levels": Target(
        "csv", _levels, lambda _f: (ROOT / "configs" / "levels.csv").read_bytes(),
        (*NUMBERS, b",", b'"', b"\r", b"\0", b";", b"\xff"),
    ),
    "las": Target("laz", _header, _laz, text=False),
    "geojson": Target("geojson", _drawing, _geojson, (*NUMBERS, *_JSON)),
    "kml": Target("kml", _drawing, _kml, (*NUMBERS, *_KML)),
    "gpkg": Target("gpkg", _drawing, _gpkg, text=False),
    "designer": Target("gpkg", _designer, _start, text=False),
}  # fmt: skip
"""Parsers by name."""
