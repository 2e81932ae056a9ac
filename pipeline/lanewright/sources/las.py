"""Headers of LAS, LAZ and COPC files, looked at with care before any library trusts them.

Damaged or hostile headers are known to make readers panic, hang or return nothing, so the fixed
part is read here byte by byte and held against the size of the file first.
"""

from __future__ import annotations

import datetime as dt
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import laspy
import numpy as np

from lanewright.base.errors import InputError
from lanewright.sources.crs import Bounds, Reference, point_reference

FORMAT_SIZES = (20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67)
"""Smallest record of point formats 0 to 10 (ASPRS LAS 1.4 R16)."""

GPS_EPOCH = dt.datetime(1980, 1, 6)

_AGAIN = "Download or export the tile again."


@dataclass(frozen=True)
class Header:
    """What the fixed header of a point file says, checked against the file's size.

    Attributes
    ----------
    points, first_returns
        How many the header counts; first returns are 0 where it does not count them.
    bounds
        Left, bottom, right, top in the file's unit.
    low, high
        Range of z in the file's unit.
    adjusted_time
        GPS times count seconds since the GPS epoch less 1e9; else seconds of the week.
    made
        Date the file was written, which is not the date of the flight.
    """

    path: Path
    version: str
    point_format: int
    compressed: bool
    copc: bool
    points: int
    first_returns: int
    bounds: Bounds
    low: float
    high: float
    adjusted_time: bool
    made: dt.date | None


@dataclass(frozen=True)
class PointTile:
    """A point file with its CRS and units settled."""

    header: Header
    reference: Reference

    @property
    def path(self) -> Path:
        """File of the tile."""
        return self.header.path


def read_header(path: Path) -> Header:
    """Read and check the fixed part of a LAS 1.0-1.4 header.

    Raises
    ------
    InputError
        If the file is missing, not LAS at all, damaged, shorter than promised, or empty of points.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(589)
            table = _chunk_table(file, head)
    except OSError as err:
        raise InputError(path, f"cannot be read ({err.strerror})", "Check the path.") from None
    if head[:4] != b"LASF":
        raise InputError(
            path,
            "is not a LAS or LAZ file",
            "Leave it out of points; terrain models in GeoTIFF go under elevation.",
        )
    if len(head) < 227:
        raise InputError(path, f"ends within its header, at byte {len(head)}", _AGAIN)
    major, minor = head[24], head[25]
    if (major, minor) not in {(1, m) for m in range(5)}:
        raise InputError(path, f"is LAS {major}.{minor}, which is not known", "Convert it to 1.4.")
    raw_format, record = head[104], struct.unpack_from("<H", head, 105)[0]
    header_size, start, vlrs = struct.unpack_from("<HII", head, 94)
    # LAZ marks itself in the top bits of the format byte.
    compressed, point_format = bool(raw_format & 0xC0), raw_format & 0x3F
    if point_format > 10 or record < FORMAT_SIZES[point_format]:
        raise InputError(
            path, f"has point format {point_format} with records of {record} bytes", _AGAIN
        )
    if header_size < 227 or header_size + 54 * vlrs > start or start > size:
        raise InputError(
            path,
            f"has a damaged header: {vlrs} records before points at byte {start} of {size}",
            _AGAIN,
        )
    points, first = _counts(head, minor, point_format)
    if points == 0:
        raise InputError(path, "holds no points", "Leave it out of points.")
    scale = struct.unpack_from("<3d", head, 131)
    right, left, top, bottom, high, low = struct.unpack_from("<6d", head, 179)
    box = np.array([left, bottom, low, right, top, high])
    if not np.isfinite(box).all() or (box[:3] > box[3:]).any() or not all(s > 0 for s in scale):
        raise InputError(path, f"has a damaged header: bounds {box.tolist()}", _AGAIN)
    if compressed:
        # -1: a writer that could not seek back, which leaves the place at the end of the file.
        if table is None or table > size or (table < start and table != -1):
            raise InputError(
                path,
                f"is cut off, or compressed by an unknown writer: in {size} bytes its table of "
                f"chunks should start at byte {table}",
                "Download the tile again, or rewrite it with a current LAZ writer.",
            )
    elif start + points * record > size:
        held = (size - start) // record
        raise InputError(
            path, f"is cut off: the header promises {points} points, the file holds {held}", _AGAIN
        )
    return Header(
        path=path,
        version=f"{major}.{minor}",
        point_format=point_format,
        compressed=compressed,
        copc=head[377:381] == b"copc",
        points=points,
        first_returns=first,
        bounds=(left, bottom, right, top),
        low=low,
        high=high,
        adjusted_time=bool(struct.unpack_from("<H", head, 6)[0] & 1),
        made=_date(*struct.unpack_from("<HH", head, 90)),
    )


def _chunk_table(file: BinaryIO, head: bytes) -> int | None:
    """Where a LAZ file's chunk table starts; None if the file ends before saying so."""
    if len(head) < 105 or not head[104] & 0xC0:
        return None
    file.seek(struct.unpack_from("<I", head, 96)[0])
    raw = file.read(8)
    return struct.unpack("<q", raw)[0] if len(raw) == 8 else None


def _counts(head: bytes, minor: int, point_format: int) -> tuple[int, int]:
    legacy, *by_return = struct.unpack_from("<6I", head, 107)
    if minor == 4 and len(head) >= 375:
        count, first = struct.unpack_from("<2Q", head, 247)
        # Formats above 5 must leave the old counts zero; where both are set the standard
        # prefers the old one.
        if legacy == 0 or point_format > 5:
            return int(count), int(first)
    return legacy, by_return[0]


def _date(day: int, year: int) -> dt.date | None:
    if not (1 <= day <= 366 and 1980 <= year <= 2200):
        return None
    return dt.date(year, 1, 1) + dt.timedelta(days=day - 1)


def open_tile(
    path: Path,
    *,
    crs: str | None = None,
    horizontal_unit: str | None = None,
    vertical_unit: str | None = None,
) -> PointTile:
    """Header and reference of a point file; settings override what the file says.

    Raises
    ------
    InputError
        As `read_header` and `lanewright.crs.point_reference` do.
    """
    header = read_header(path)
    wkt, keys = _reference_records(header)
    reference = point_reference(
        path,
        wkt,
        keys,
        header.bounds,
        crs=crs,
        horizontal_unit=horizontal_unit,
        vertical_unit=vertical_unit,
    )
    return PointTile(header, reference)


def _reference_records(header: Header) -> tuple[str | None, dict[int, int]]:
    """WKT and GeoTIFF keys of the file, first ones that say something."""
    try:
        with header.path.open("rb") as file:
            raw: Any = laspy.LasHeader.read_from(file)
            wkt, keys = _from_records(raw.vlrs)
            if wkt is None and not keys and 0 < (raw.number_of_evlrs or 0) <= 64:
                wkt = _wkt_after_points(file, raw.start_of_first_evlr, raw.number_of_evlrs)
    except (
        ValueError,
        OSError,
        struct.error,
        laspy.errors.LaspyException,
        UnicodeDecodeError,
    ) as e:
        raise InputError(
            header.path, f"has damaged records behind its header ({e})", _AGAIN
        ) from None
    return wkt, keys


def _from_records(records: Any) -> tuple[str | None, dict[int, int]]:
    wkt: str | None = None
    keys: dict[int, int] = {}
    for record in records:
        kind = type(record).__name__
        if kind == "WktCoordinateSystemVlr" and not wkt:
            wkt = record.string.strip("\0 ") or None
        elif kind == "GeoKeyDirectoryVlr" and not keys:
            # A zero tag location means the value itself stands in the key.
            keys = {k.id: k.value_offset for k in record.geo_keys if k.tiff_tag_location == 0}
    return wkt, keys


def _wkt_after_points(file: BinaryIO, start: int, count: int) -> str | None:
    """WKT kept in an extended record at the end of the file (LAS 1.4)."""
    for _ in range(count):
        file.seek(start)
        head = file.read(60)
        if len(head) < 60:
            return None
        _, user, record, length = struct.unpack_from("<H16sHQ", head)
        if user.rstrip(b"\0") == b"LASF_Projection" and record == 2112 and length < 1 << 20:
            return file.read(length).decode("utf-8", "replace").strip("\0 ") or None
        start += 60 + length
    return None
