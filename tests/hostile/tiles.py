"""Bad point tiles and terrain models."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from rasterio.transform import Affine, from_origin

from . import good
from .case import EITHER, REFUSED, WORKS, Case

NAN, INF = float("nan"), float("inf")
DOUBLES = {
    "scale x": 131,
    "scale z": 147,
    "offset x": 155,
    "offset z": 171,
    "right": 179,
    "left": 187,
    "top": 195,
    "high": 211,
    "low": 219,
}
"""Bytes of the LAS header at which these doubles stand (ASPRS LAS 1.4 R16)."""


def every() -> list[Case]:
    """Point tiles first."""
    return [*_headers(), *_tiles(), *_models(), *_model_values()]


# ---------------------------------------------------------------------------------------------
# Points


def _points(
    name: str,
    make: Callable[[Path], Any],
    ends: str = REFUSED,
    until: str = "",
    within: float = 3.0,
) -> Case:
    def whole(folder: Path) -> dict[str, Any]:
        made = make(folder)
        return {"elevation": []} | (made if isinstance(made, dict) else {})

    return Case("points", name, whole, ends, (), until, True, within)


def _patched(offset: int, kind: str, value: Any, name: str = "a.laz") -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        raw = bytearray((folder / name).read_bytes())
        struct.pack_into("<" + kind, raw, offset, value)
        (folder / name).write_bytes(raw)

    return make


def _headers() -> list[Case]:
    cases = []
    for name, at in DOUBLES.items():
        for value in (NAN, INF, -INF, 1e300, 5e-324, 0.0, 1e12, -1e12):
            # Zero and large numbers are no fault by themselves everywhere.
            ends = (
                EITHER if name in ("offset z", "low", "high", "left", "right", "top") else REFUSED
            )
            if value == 0.0 and name == "offset z":
                ends = WORKS
            if not np.isfinite(value):
                ends = REFUSED
            cases.append(_points(f"{name} {value:g}", _patched(at, "d", value), ends))
    small: list[tuple[str, int, str, int]] = [
        ("version 0.9", 24, "BB", 9),
        ("version 1.9", 25, "B", 9),
        ("version 2.0", 24, "B", 2),
        ("format 11", 104, "B", 0x80 | 11),
        ("format 63", 104, "B", 0xBF),
        ("format 0 of long records", 104, "B", 0x80),
        ("record length 0", 105, "H", 0),
        ("record length 65535", 105, "H", 65535),
        ("header size 0", 94, "H", 0),
        ("header size 65535", 94, "H", 65535),
        ("points start at 0", 96, "I", 0),
        ("points start beyond the end", 96, "I", 2**32 - 1),
        ("4 billion records", 100, "I", 2**32 - 1),
        ("10,000 records", 100, "I", 10_000),
        ("no points", 247, "Q", 0),
        ("2^62 points", 247, "Q", 2**62),
        ("2^32 points", 247, "Q", 2**32),
        ("one point more", 247, "Q", int(good.SIDE**2 * 4) + 1),
        ("ten times the points", 247, "Q", int(good.SIDE**2 * 40)),
        ("extended records without end", 243, "I", 2**32 - 1),
        ("extended records at 2^63", 235, "Q", 2**63),
        ("first returns 2^63", 255, "Q", 2**63),
        ("day 400 of the year", 90, "H", 400),
        ("year 65535", 92, "H", 65535),
        ("not compressed, it says", 104, "B", 6),
        ("signature", 0, "B", 88),
    ]
    fine = {"day 400 of the year", "year 65535", "first returns 2^63"}
    for name, at, kind, value in small:
        maker = _patched(at, "B", 0) if kind == "BB" else _patched(at, kind, value)
        ends = EITHER if name in fine or "extended" in name or "10,000" in name else REFUSED
        cases.append(_points(name, maker, ends))
    return cases


def _bytes(change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        path = folder / "a.laz"
        path.write_bytes(change(path.read_bytes()))

    return make


def _noise(start: int, stop: int | None) -> Callable[[bytes], bytes]:
    def change(raw: bytes) -> bytes:
        end = len(raw) if stop is None else stop
        noise = np.random.default_rng(9).integers(0, 256, end - start, np.uint8).tobytes()
        return raw[:start] + noise + raw[end:]

    return change


def _edited(edit: Callable[..., Any], **changes: Any) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        good.tile(folder / "a.laz", edit=edit, **changes)

    return make


def _tiles() -> list[Case]:
    def raised(by: float, share: float) -> Callable[..., Any]:
        def edit(x: Any, y: Any, z: Any, kind: Any) -> Any:
            some = np.arange(len(z)) < share * len(z)
            return x, y, np.where(some, z + by, z), kind

        return edit

    def neighbour(folder: Path) -> dict[str, Any]:
        good.tile(
            folder / "b.laz",
            offsets=[good.LEFT + good.SIDE, good.BOTTOM, 0],
            edit=lambda x, y, z, k: (x + good.SIDE, y, z / 0.3048, k),
        )
        return {"points": ["a.laz", "b.laz"], "property": None}

    def same_twice(folder: Path) -> dict[str, Any]:
        (folder / "b.laz").write_bytes((folder / "a.laz").read_bytes())
        return {"points": ["a.laz", "b.laz"]}

    return [
        _points("untouched", lambda f: None, WORKS),
        _points("named twice", lambda f: {"points": ["a.laz", "./a.laz"]}, WORKS),
        _points("the same tile by two names", same_twice, WORKS),
        _points("empty", _bytes(lambda r: b"")),
        _points("four bytes", _bytes(lambda r: b"LASF")),
        _points("header only", _bytes(lambda r: r[:375])),
        _points("half", _bytes(lambda r: r[: len(r) // 2])),
        _points("one byte short", _bytes(lambda r: r[:-1])),
        _points("1,000 bytes too many", _bytes(lambda r: r + bytes(1000)), EITHER),
        _points("text", _bytes(lambda r: b"hello" * 200)),
        _points("a zip", _bytes(lambda r: b"PK\3\4" + r)),
        _points("noise in the records", _bytes(_noise(375, 500)), EITHER),
        _points("noise in the points", _bytes(_noise(5000, 9000)), EITHER),
        _points("noise in all points", _bytes(_noise(3000, None))),
        _points("zeros in all points", _bytes(lambda r: r[:3000] + bytes(len(r) - 3000))),
        _points("no CRS", lambda f: good.tile(f / "a.laz", crs=None)),
        _points("CRS in another country", lambda f: good.tile(f / "a.laz", crs=25832), REFUSED),
        _points("geocentric CRS", lambda f: good.tile(f / "a.laz", crs=4978)),
        _points("CRS in degrees", lambda f: good.tile(f / "a.laz", crs=4326)),
        _points("CRS in feet", lambda f: good.tile(f / "a.laz", crs=2965)),
        _points("missing", lambda f: {"points": ["none/a.laz"]}),
        _points("a folder", lambda f: (f / "b_a.laz").mkdir() or {"points": ["b_a.laz"]}),
        _points("one raster among tiles", lambda f: {"points": ["a.laz", "dem.tif"]}, EITHER),
        _points(
            "heights of the moon",
            _edited(lambda x, y, z, k: (x, y, z + 4e5, k), scales=[0.01] * 3),
            REFUSED,
            "ground",
        ),
        _points(
            "heights below the sea floor",
            _edited(lambda x, y, z, k: (x, y, z - 2e4, k)),
            REFUSED,
            "ground",
        ),
        _points("one return at -300 m", _edited(raised(-500, 1e-4)), WORKS, "ground"),
        _points("a neighbour in feet", neighbour, EITHER, "ground"),
        _points(
            "all of class 7",
            _edited(lambda x, y, z, k: (x, y, z, np.full_like(k, 7))),
            REFUSED,
            "ground",
        ),
        _points(
            "all of class 9",
            _edited(lambda x, y, z, k: (x, y, z, np.full_like(k, 9))),
            EITHER,
            "ground",
        ),
        _points(
            "all of class 15",
            _edited(lambda x, y, z, k: (x, y, z, np.full_like(k, 15))),
            EITHER,
            "ground",
        ),
        _points(
            "one place",
            _edited(
                lambda x, y, z, k: (
                    np.full_like(x, good.LEFT + 60),
                    np.full_like(y, good.BOTTOM + 60),
                    z,
                    k,
                )
            ),
            EITHER,
            "ground",
        ),
        _points(
            "three points",
            lambda f: good.tile(
                f / "a.laz",
                edit=lambda x, y, z, k: (np.where(np.arange(len(x)) < 3, x, 4e5), y, z, k),
                offsets=[4.5e5, good.BOTTOM, 0],
            ),
            EITHER,
            "ground",
        ),
    ]


# ---------------------------------------------------------------------------------------------
# Terrain models


def _model(
    name: str,
    make: Callable[[Path], Any],
    ends: str = REFUSED,
    until: str = "",
    within: float = 3.0,
) -> Case:
    def whole(folder: Path) -> dict[str, Any]:
        made = make(folder)
        return made if isinstance(made, dict) else {}

    return Case("elevation", name, whole, ends, (), until, within=within)


def _raster(**changes: Any) -> Callable[[Path], Any]:
    return lambda folder: good.model(folder / "dem.tif", **changes)


def _tif_bytes(change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        path = folder / "dem.tif"
        path.write_bytes(change(path.read_bytes()))

    return make


def _models() -> list[Case]:
    h = good.heights()
    side = len(h)
    origin = (good.LEFT - 30, good.BOTTOM + good.SIDE + 30)
    turned = from_origin(*origin, 1, 1) * Affine.rotation(20)
    vrt = (
        '<VRTDataset rasterXSize="2" rasterYSize="2"><VRTRasterBand dataType="Float32" band="1">'
        "<SimpleSource><SourceFilename>/vsicurl/http://127.0.0.1:9/x.tif</SourceFilename>"
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    wms = (
        '<GDAL_WMS><Service name="TMS"><ServerUrl>http://127.0.0.1:9/${z}</ServerUrl></Service>'
        "<DataWindow><UpperLeftX>0</UpperLeftX></DataWindow></GDAL_WMS>"
    )
    return [
        _model("untouched", lambda f: None, WORKS),
        _model("empty", _tif_bytes(lambda r: b"")),
        _model("text", _tif_bytes(lambda r: b"hello")),
        _model("half", _tif_bytes(lambda r: r[: len(r) // 2]), REFUSED, "ground"),
        _model("one byte short", _tif_bytes(lambda r: r[:-1]), EITHER, "ground"),
        _model("noise in its tags", _tif_bytes(_noise(8, 200)), EITHER),
        _model("noise in its cells", _tif_bytes(_noise(3000, 60_000)), EITHER, "ground"),
        _model("only noise", _tif_bytes(_noise(0, None))),
        _model("VRT disguised", _tif_bytes(lambda r: vrt.encode())),
        _model("WMS disguised", _tif_bytes(lambda r: wms.encode())),
        _model("picture", _tif_bytes(lambda r: b"\x89PNG\r\n\x1a\n" + r[:500])),
        _model("missing", lambda f: {"elevation": ["none/dem.tif"]}),
        _model("a folder", lambda f: (f / "b_dem.tif").mkdir() or {"elevation": ["b_dem.tif"]}),
        _model("no CRS", _raster(crs=None)),
        _model("geocentric CRS", _raster(crs="EPSG:4978")),
        _model("CRS of heights", _raster(crs="EPSG:5703")),
        _model("CRS in degrees over metres", _raster(crs="EPSG:4326")),
        _model("CRS of another country", _raster(crs="EPSG:25832")),
        _model("in feet sideways, heights unsaid", _raster(crs="EPSG:2965")),
        _model("rotated", _raster(transform=turned)),
        _model("upside down", _raster(transform=Affine(1, 0, origin[0], 0, 1, good.BOTTOM - 30))),
        _model("cells of 0 m", _raster(transform=Affine(0, 0, origin[0], 0, 0, origin[1]))),
        _model("cells NaN", _raster(transform=Affine(NAN, 0, NAN, 0, -NAN, NAN))),
        _model("cells infinite", _raster(transform=Affine(INF, 0, 0, 0, -INF, 0))),
        _model(
            "cells of 1e-300 m",
            _raster(transform=Affine(1e-300, 0, origin[0], 0, -1e-300, origin[1])),
        ),
        _model(
            "cells of 1e300 m", _raster(transform=Affine(1e300, 0, origin[0], 0, -1e300, origin[1]))
        ),
        _model("cells of 1 by 3 m", _raster(transform=from_origin(*origin, 1, 3)), EITHER),
        _model(
            "off the property",
            _raster(transform=from_origin(origin[0] + 5000, origin[1], 1, 1)),
            EITHER,
        ),
        _model(
            "colour picture",
            _raster(data=np.stack([h % 255] * 3).astype(np.uint8), photometric="RGB"),
        ),
        _model("four bands", _raster(data=np.stack([h] * 4))),
        _model("complex cells", _raster(data=h.astype(np.complex64))),
        _model("cells of one bit", _raster(data=np.ones((side, side), np.uint8), nbits=1), EITHER),
        _model(
            "palette",
            _raster(data=np.full((side, side), 3, np.uint8), photometric="palette"),
            EITHER,
        ),
        _model("one cell", _raster(data=h[:1, :1].copy()), EITHER, "ground"),
        _model(
            "of a million columns",
            _raster(data=np.zeros((1, 1_000_000), np.float32)),
            EITHER,
            "ground",
        ),
        _model("4 billion by 4 billion cells", _tif_bytes(_huge)),
        _model("unit fathoms", _raster(units=["fathom"]), EITHER),
        _model("unit degrees", _raster(units=["degree"]), EITHER),
    ]


def _huge(raw: bytes) -> bytes:
    """The first two tags of a little-endian TIFF (width, length) set to the largest number."""
    changed = bytearray(raw)
    at = struct.unpack_from("<I", raw, 4)[0] + 2
    for k in range(2):
        tag = struct.unpack_from("<H", raw, at + 12 * k)[0]
        if tag in (256, 257):
            struct.pack_into("<HIi", changed, at + 12 * k + 2, 4, 1, 2**31 - 1)
    return bytes(changed)


def _model_values() -> list[Case]:
    h = good.heights()

    def holed(value: float) -> np.ndarray:
        data = h.copy()
        data[60:90, 60:90] = value
        return data

    def plain(value: float, kind: Any = np.float32) -> np.ndarray:
        return np.full(h.shape, value, kind)

    cases = [
        _model(f"a hole of {value:g}", _raster(data=holed(value)), EITHER, "ground")
        for value in (NAN, INF, -INF, -9999, -32768, 3.4e38, -3.4e38, 0, 1e6, -99999)
    ]
    cases += [
        _model(f"nothing but {value:g}", _raster(data=plain(value)), REFUSED, "ground")
        for value in (NAN, INF, -9999, 3.4e38, -32768, 1e6)
    ]
    return [
        *cases,
        _model("scale of 0", _raster(scales=[0.0]), REFUSED, "ground"),
        _model("scale NaN", _raster(scales=[NAN]), REFUSED, "ground"),
        _model("scale of 1e9", _raster(scales=[1e9]), REFUSED, "ground"),
        _model("scale below 0", _raster(scales=[-1.0]), REFUSED, "ground"),
        _model("offset of 1e9", _raster(offsets=[1e9]), REFUSED, "ground"),
        _model("offset NaN", _raster(offsets=[NAN]), REFUSED, "ground"),
        _model("nodata in words", _raster(tags={"AREA_OR_POINT": "noise"}), EITHER, "ground"),
        _model("everything is nodata", _raster(data=plain(5), nodata=5), REFUSED, "ground"),
        _model(
            "noise for heights",
            _raster(data=np.random.default_rng(3).uniform(-500, 9000, h.shape).astype(np.float32)),
            REFUSED,
            "ground",
        ),
        _model(
            "a wall of 5 km",
            _raster(data=np.where(np.arange(len(h)) > 90, h + 5000, h).astype(np.float32)),
            REFUSED,
            "ground",
        ),
        _model("whole numbers", _raster(data=h.astype(np.int16)), WORKS, "ground"),
    ]
