"""Headers of LAS, LAZ and COPC files, looked at with care before any library trusts them.

Damaged or hostile headers are known to make readers panic, hang or return nothing, so the fixed
part is read here byte by byte and held against the size of the file first.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, NamedTuple

import numpy as np

from lanewright.base.errors import InputError
from lanewright.sources.crs import Bounds, Reference, point_reference
from lanewright.sources.lidarlib import laspy

FORMAT_SIZES = (20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67)
"""Smallest record of point formats 0 to 10 (ASPRS LAS 1.4 R16)."""

GPS_EPOCH = dt.datetime(1980, 1, 6)

LOWEST, HIGHEST = -500.0, 9000.0
"""Heights that land has [m]: the Dead Sea's shore lies near -430, the summit of Everest at 8,849
(from memory), and mines may reach lower than the one."""

FINEST = 1e-9
"""Least step of coordinates that a header may name, in its units; finer ones are damage."""

PER_BYTE = 1000
"""Points that one byte of a LAZ file can hold at most: a point like the one before costs a few
hundredths of a bit (counted on files of 20 million equal points: 100 to 150 a byte)."""

_VARIABLE = 0xFFFFFFFF  # LASzip: chunks of sizes of their own, as COPC has
_POINT10, _POINT14 = 6, 10  # LASzip: first item of formats 0-5, and of 6-10
_AGAIN = "Download or export the tile again."


@dataclass(frozen=True)
class Header:
    """What the fixed header of a point file says, checked against the file's size.

    Attributes
    ----------
    record
        Bytes of a point before compression.
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
    record: int
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


class _Layout(NamedTuple):
    """Where things stand in a file, by its fixed header."""

    size: int
    minor: int
    point_format: int
    record: int
    compressed: bool
    header_size: int
    start: int
    vlrs: int


def read_header(path: Path, file: IO[bytes] | None = None) -> Header:
    """Read and check the fixed part of a LAS 1.0-1.4 header.

    Parameters
    ----------
    path
        The file.
    file
        The same, open, where somebody watches what is read of it.

    Raises
    ------
    InputError
        If the file is missing, not LAS at all, damaged, shorter than promised, or empty of points.
    """
    try:
        with contextlib.ExitStack() as stack:
            opened = file if file is not None else stack.enter_context(path.open("rb"))
            size = opened.seek(0, io.SEEK_END)
            opened.seek(0)
            head = opened.read(589)
            layout = _layout(path, head, size)
            points, first = _counts(head, layout.minor, layout.point_format)
            if points == 0:
                raise InputError(path, "holds no points", "Leave it out of points.")
            if layout.compressed:
                _check_chunks(path, opened, layout, points)
    except OSError as err:
        raise InputError(path, f"cannot be read ({err.strerror})", "Check the path.") from None
    held = (layout.size - layout.start) // layout.record
    if not layout.compressed and points > held:
        raise InputError(
            path, f"is cut off: the header promises {points} points, the file holds {held}", _AGAIN
        )
    bounds, low, high = _box(path, head)
    return Header(
        path=path,
        version=f"1.{layout.minor}",
        point_format=layout.point_format,
        record=layout.record,
        compressed=layout.compressed,
        copc=head[377:381] == b"copc",
        points=points,
        first_returns=first,
        bounds=bounds,
        low=low,
        high=high,
        adjusted_time=bool(struct.unpack_from("<H", head, 6)[0] & 1),
        made=_date(*struct.unpack_from("<HH", head, 90)),
    )


def _layout(path: Path, head: bytes, size: int) -> _Layout:
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
    return _Layout(size, minor, point_format, record, compressed, header_size, start, vlrs)


def _box(path: Path, head: bytes) -> tuple[Bounds, float, float]:
    """Bounds and range of z; scales and offsets are checked with them."""
    scales_offsets = np.array(struct.unpack_from("<6d", head, 131))
    right, left, top, bottom, high, low = struct.unpack_from("<6d", head, 179)
    box = np.array([left, bottom, low, right, top, high])
    if not np.isfinite(box).all() or (box[:3] > box[3:]).any():
        raise InputError(path, f"has a damaged header: bounds {box.tolist()}", _AGAIN)
    if not np.isfinite(scales_offsets).all() or not (scales_offsets[:3] >= FINEST).all():
        raise InputError(
            path, f"has a damaged header: scales and offsets {scales_offsets.tolist()}", _AGAIN
        )
    return (left, bottom, right, top), low, high


def _check_chunks(path: Path, file: IO[bytes], layout: _Layout, points: int) -> None:
    """Hold a LAZ file's count of points against its table of chunks and its size.

    Decoders set memory aside by these numbers, so they are bounded first.
    """
    at, chunks = _chunk_table(file, layout)
    if at is None or chunks is None:
        raise InputError(
            path,
            f"is cut off, or compressed by an unknown writer: in {layout.size} bytes its table of "
            f"chunks should start at byte {at}",
            "Download the tile again, or rewrite it with a current LAZ writer.",
        )
    room = layout.size - layout.start
    size, item = _laszip(file, layout)
    if item is not None and item != (_POINT14 if layout.point_format > 5 else _POINT10):
        raise InputError(
            path,
            f"has a damaged header: point format {layout.point_format} is not how its points are "
            "compressed",
            _AGAIN,
        )
    most = PER_BYTE * room
    if size is not None:
        most = min(most, chunks * size)
    # The first point of every chunk stands there in full.
    if chunks * layout.record > room or points > most:
        raise InputError(
            path,
            f"has a damaged header: {points} points in {chunks} chunks cannot stand in "
            f"{layout.size} bytes",
            _AGAIN,
        )


def _chunk_table(file: IO[bytes], layout: _Layout) -> tuple[int | None, int | None]:
    """Where a LAZ file's table of chunks starts, and how many it names; None for what fails."""
    at = _int64(file, layout.start)
    if at == -1:  # a writer that could not seek back leaves the place at the end of the file
        at = _int64(file, layout.size - 8)
    if at is None or not layout.start < at <= layout.size - 8:
        return at, None
    file.seek(at)
    _version, chunks = struct.unpack("<II", file.read(8))
    return at, int(chunks)


def _int64(file: IO[bytes], at: int) -> int | None:
    file.seek(at)
    raw = file.read(8)
    return int(struct.unpack("<q", raw)[0]) if len(raw) == 8 else None


def _laszip(file: IO[bytes], layout: _Layout) -> tuple[int | None, int | None]:
    """Points in a chunk and kind of the first item by LASzip's own record.

    None for what is not said, and where chunks differ.
    """
    at = layout.header_size
    for _ in range(layout.vlrs):
        file.seek(at)
        head = file.read(54)
        if len(head) < 54 or at + 54 > layout.start:
            return None, None
        user, record, length = struct.unpack_from("<16sHH", head, 2)
        if user.rstrip(b"\0") == b"laszip encoded" and record == 22204 and length >= 36:
            said = file.read(36)
            if len(said) < 36:
                return None, None
            size, item = (
                struct.unpack_from("<I", said, 12)[0],
                struct.unpack_from("<H", said, 34)[0],
            )
            return None if size in (0, _VARIABLE) else int(size), int(item)
        at += 54 + length
    return None, None


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
    file: IO[bytes] | None = None,
) -> PointTile:
    """Header and reference of a point file; settings override what the file says.

    Raises
    ------
    InputError
        As `read_header` and `lanewright.crs.point_reference` do; or if no height between those
        that the header states is one that land has.
    """
    header = read_header(path, file)
    wkt, keys = _reference_records(header, file)
    reference = point_reference(
        path,
        wkt,
        keys,
        header.bounds,
        crs=crs,
        horizontal_unit=horizontal_unit,
        vertical_unit=vertical_unit,
    )
    low, high = header.low * reference.vertical, header.high * reference.vertical
    if high < LOWEST or low > HIGHEST:
        raise InputError(
            path,
            f"its header says that heights go from {low:.6g} to {high:.6g} m, which no land has",
            "Check crs.vertical_unit, or export the tile again.",
        )
    return PointTile(header, reference)


def _reference_records(header: Header, file: IO[bytes] | None) -> tuple[str | None, dict[int, int]]:
    """WKT and GeoTIFF keys of the file, first ones that say something."""
    try:
        with contextlib.ExitStack() as stack:
            opened = file if file is not None else stack.enter_context(header.path.open("rb"))
            opened.seek(0)
            raw = laspy.LasHeader.read_from(opened)
            wkt, keys = _from_records(raw.vlrs)
            count, start = raw.number_of_evlrs or 0, raw.start_of_first_evlr or 0
            if wkt is None and not keys and 0 < count <= 64:
                wkt = _wkt_after_points(opened, start, count)
    except (
        ValueError,
        OSError,
        OverflowError,
        struct.error,
        laspy.errors.LaspyException,
    ) as e:
        raise InputError(
            header.path, f"has damaged records behind its header ({e})", _AGAIN
        ) from None
    return wkt, keys


def _from_records(records: Iterable[object]) -> tuple[str | None, dict[int, int]]:
    wkt: str | None = None
    keys: dict[int, int] = {}
    for record in records:
        if isinstance(record, laspy.vlrs.known.WktCoordinateSystemVlr) and not wkt:
            wkt = record.string.strip("\0 ") or None
        elif isinstance(record, laspy.vlrs.known.GeoKeyDirectoryVlr) and not keys:
            # A zero tag location means the value itself stands in the key.
            keys = {k.id: k.value_offset for k in record.geo_keys if k.tiff_tag_location == 0}
    return wkt, keys


def _wkt_after_points(file: IO[bytes], start: int, count: int) -> str | None:
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
