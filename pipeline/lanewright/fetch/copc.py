"""The part of a COPC file that a box needs, by range requests (COPC 1.0).

The chunks of the octree's nodes that meet the box are copied as they are into a plain LAZ file
with a chunk table of its own, so nothing is decoded here. Numbers from the file are held against
its size before anything is asked for.
"""

from __future__ import annotations

import struct
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import lazrs

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE
from lanewright.fetch.ranges import MOST_RANGE, Remote, joined

MOST_PAGES, MOST_NODES, MOST_POINTS = 10_000, 200_000, 400_000_000
MOST_HEAD = 2**22
"""Bytes of header and variable records together; this and the numbers above are ours."""

_KEY = struct.Struct("<iiiiQii")

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Octree:
    """What the first 589 bytes say of the tree.

    Attributes
    ----------
    centre, half
        Of its cube, in the file's unit.
    points_at
        Offset of the point data.
    root
        Offset and size of the first page of the hierarchy.
    """

    centre: tuple[float, float, float]
    half: float
    points_at: int
    root: tuple[int, int]


@dataclass(frozen=True)
class Node:
    """A chunk: where it lies, and how many points it holds."""

    start: int
    size: int
    points: int


def octree(remote: Remote, url: str) -> Octree:
    """What the header says, checked.

    Raises
    ------
    InputError
        If it is no COPC file.
    """
    head = remote.read(0, 589)
    if len(head) < 589 or head[:4] != b"LASF" or head[377:381] != b"copc":
        raise InputError(url[:200], "is no COPC file", "Look at the source.")
    points_at = struct.unpack_from("<I", head, 96)[0]
    x, y, z, half = struct.unpack_from("<4d", head, 429)
    root = struct.unpack_from("<QQ", head, 469)
    sane = 589 <= points_at <= min(MOST_HEAD, remote.size) and 0 < half < 1e9
    if not sane or not all(abs(v) < 1e9 for v in (x, y, z)) or not _within(remote, *root):
        raise InputError(url[:200], "is a damaged COPC file", ELSEWHERE)
    return Octree((x, y, z), half, points_at, (root[0], root[1]))


def nodes_within(remote: Remote, tree: Octree, box: Box, url: str) -> list[Node]:
    """Nodes of all levels that meet a box, in the order of the file.

    Raises
    ------
    InputError
        If the hierarchy is damaged: circles, parts off the file, parts that overlap, too many
        nodes.
    """
    waiting, seen, found = [tree.root], {tree.root[0]}, []
    while waiting:
        start, size = waiting.pop()
        if len(seen) > MOST_PAGES or size > 2**26:
            raise _damaged(url)
        page = remote.read(start, size)
        for level, x, y, _z, offset, length, points in _KEY.iter_unpack(
            page[: len(page) // 32 * 32]
        ):
            if not 0 <= level < 32 or not _meets(tree, level, x, y, box):
                continue
            if points == 0:
                continue
            if length <= 0 or not _within(remote, offset, length) or points < -1:
                raise _damaged(url)
            if points == -1:
                if offset in seen:
                    raise _damaged(url)
                seen.add(offset)
                waiting.append((offset, length))
            else:
                found.append(Node(offset, length, points))
        if len(found) > MOST_NODES or sum(n.points for n in found) > MOST_POINTS:
            raise InputError(url[:200], "holds too many points here", "Draw a smaller boundary.")
    return _apart(found, url)


def _apart(found: list[Node], url: str) -> list[Node]:
    """Nodes once each in the order of the file; none may lie over another."""
    nodes = sorted(set(found), key=lambda n: (n.start, n.size))
    if any(a.start + a.size > b.start for a, b in pairwise(nodes)):
        raise _damaged(url)
    return nodes


def _meets(tree: Octree, level: int, x: int, y: int, box: Box) -> bool:
    side = 2 * tree.half / 2**level
    left, bottom = tree.centre[0] - tree.half + x * side, tree.centre[1] - tree.half + y * side
    right, top = left + side, bottom + side
    return bool(left <= box[2] and right >= box[0] and bottom <= box[3] and top >= box[1])


def copy_part(
    remote: Remote,
    url: str,
    tree: Octree,
    nodes: list[Node],
    out: Path,
    progress: Callable[[float], None] = lambda _share: None,
) -> None:
    """Write the nodes as a plain LAZ file with variable chunks; nothing is decoded."""
    head = bytearray(remote.read(0, tree.points_at))
    struct.pack_into("<QI", head, 235, 0, 0)  # no records after the points
    struct.pack_into("<Q", head, 247, sum(n.points for n in nodes))
    wanted, done = joined(((n.start, n.size) for n in nodes), most=MOST_RANGE), 0
    total = sum(size for _start, size in wanted)
    starts = [n.start for n in nodes]
    with out.open("w+b") as file:
        file.write(head)
        file.write(struct.pack("<q", 0))
        for start, size in wanted:
            if size > MOST_RANGE:  # one node, for nodes are not put together beyond that
                for at in range(start, start + size, MOST_RANGE):
                    file.write(remote.read(at, min(MOST_RANGE, start + size - at)))
            else:
                block = remote.read(start, size)
                for node in nodes[bisect_left(starts, start) : bisect_left(starts, start + size)]:
                    file.write(block[node.start - start : node.start - start + node.size])
            done += size
            progress(done / total)
        table_at = file.tell()
        lazrs.write_chunk_table(
            file, [(n.points, n.size) for n in nodes], _laszip(bytes(head), url)
        )
        file.seek(tree.points_at)
        file.write(struct.pack("<q", table_at))


def stated_crs(remote: Remote, tree: Octree) -> str:
    """WKT of the CRS that the header states; empty if none (LAS 1.4: LASF_Projection, 2112)."""
    data = _record(remote.read(0, tree.points_at), b"LASF_Projection", 2112)
    return "" if data is None else data.rstrip(b"\0").decode("utf-8", "replace").strip()


def _laszip(head: bytes, url: str) -> lazrs.LazVlr:
    """The record that says how points are packed."""
    data = _record(head, b"laszip encoded", 22204)
    try:
        return lazrs.LazVlr(data or b"")
    except lazrs.LazrsError:
        raise InputError(url[:200], "does not say how its points are packed", ELSEWHERE) from None


def _record(head: bytes, user: bytes, number: int) -> bytes | None:
    """Data of a variable length record."""
    at, count = struct.unpack_from("<H", head, 94)[0], struct.unpack_from("<I", head, 100)[0]
    for _ in range(min(count, 1000)):
        if at + 54 > len(head):
            break
        name, record, length = struct.unpack_from("<16sHH", head, at + 2)
        if name.rstrip(b"\0") == user and record == number:
            return head[at + 54 : at + 54 + length]
        at += 54 + length
    return None


def _within(remote: Remote, start: int, size: int) -> bool:
    return start >= 0 and size > 0 and start + size <= remote.size


def _damaged(url: str) -> InputError:
    return InputError(url[:200], "has a damaged hierarchy of points", ELSEWHERE)
