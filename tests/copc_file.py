"""A minimal writer of COPC 1.0 for tests: points of a LAS 1.4 file in an octree of three levels.

Layout as in the specification (copc.io, 1.0): the info record first, chunks of variable size, the
hierarchy in an extended record, here with a page of its own below one node. Which points lie in
which level is drawn at random, as the format allows.
"""

from __future__ import annotations

import io
import struct

import laspy
import lazrs
import numpy as np

LEVELS = 3
_ENTRY = struct.Struct("<iiiiQii")


def as_copc(las: laspy.LasData, seed: int = 7) -> bytes:
    """The points (formats 6 to 8) as a COPC file."""
    plain = io.BytesIO()
    las.write(plain, do_compress=False)
    head = bytearray(plain.getvalue()[:375])
    assert head[24:26] == b"\x01\x04"
    assert head[104] in (6, 7, 8)
    xyz = np.column_stack([las.x, las.y, las.z])
    centre = (xyz.min(0) + xyz.max(0)) / 2
    half = float(np.ptp(xyz, axis=0).max()) / 2 + 1.0
    nodes = _nodes(xyz, centre - half, 2 * half, seed)
    vlr = lazrs.LazVlr.new_for_compression(int(head[104]), 0, True)
    crs = next(v for v in las.header.vlrs if v.user_id == "LASF_Projection")
    records = [
        _record("laszip encoded", 22204, vlr.record_data()),
        _record("LASF_Projection", 2112, crs.record_data_bytes()),
    ]
    points_at = 375 + 54 + 160 + sum(map(len, records))
    chunks, entries = _chunks(las, nodes, vlr, points_at)
    evlr_at = points_at + len(chunks)
    pages, root_size = _hierarchy(entries, evlr_at + 60)
    time = np.asarray(las.gps_time)
    info = struct.pack(
        "<5d2Q2d88x", *centre, half, 1.0, evlr_at + 60, root_size, time.min(), time.max()
    )
    head[104] |= 0x80
    struct.pack_into("<II", head, 96, points_at, 1 + len(records))
    struct.pack_into("<QI", head, 235, evlr_at, 1)
    evlr = struct.pack("<H16sHQ32s", 0, b"copc", 1000, len(pages), b"")
    return b"".join([head, _record("copc", 1, info), *records, chunks, evlr, pages])


def _nodes(
    xyz: np.ndarray, low: np.ndarray, side: float, seed: int
) -> dict[tuple[int, int, int, int], np.ndarray]:
    level = np.random.default_rng(seed).integers(0, LEVELS, len(xyz))
    cell = ((xyz - low) // (side / 2.0 ** level[:, None])).astype(int)
    keys, which = np.unique(np.column_stack([level, cell]), axis=0, return_inverse=True)
    return {tuple(map(int, k)): np.flatnonzero(which == n) for n, k in enumerate(keys)}


def _record(user: str, number: int, data: bytes) -> bytes:
    return struct.pack("<H16sHH32s", 0, user.encode(), number, len(data), b"") + data


def _chunks(
    las: laspy.LasData,
    nodes: dict[tuple[int, int, int, int], np.ndarray],
    vlr: lazrs.LazVlr,
    points_at: int,
) -> tuple[bytes, dict[tuple[int, int, int, int], tuple[int, int, int]]]:
    """Packed points, and offset, bytes and points of each node."""
    out = io.BytesIO()
    packer = lazrs.LasZipCompressor(out, vlr)
    for n, which in enumerate(nodes.values()):
        if n:  # the last one is finished by `done`
            packer.finish_current_chunk()
        packer.compress_many(np.frombuffer(las.points.array[which].tobytes(), np.uint8))
    packer.done()
    out.seek(0)
    at, entries = points_at + 8, {}
    for key, (points, size) in zip(nodes, lazrs.read_chunk_table(out, vlr), strict=True):
        entries[key] = (at, size, points)
        at += size
    return out.getvalue(), entries


def _hierarchy(
    entries: dict[tuple[int, int, int, int], tuple[int, int, int]], at: int
) -> tuple[bytes, int]:
    """Pages that begin at `at`: the root's, and one for a node of the first level and all below."""
    first = next(k for k in entries if k[0] == 1)
    below = [first, *(k for k in entries if k[0] == 2 and _parent(k) == first)]
    root = [_ENTRY.pack(*k, *entries[k]) for k in entries if k not in below]
    sub = b"".join(_ENTRY.pack(*k, *entries[k]) for k in below)
    size = 32 * (len(root) + 1)
    root.append(_ENTRY.pack(*first, at + size, len(sub), -1))
    return b"".join(root) + sub, size


def _parent(key: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    return key[0] - 1, key[1] // 2, key[2] // 2, key[3] // 2
