"""The part of an Entwine point tree that a box needs (EPT 1.1)."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE, joined_url
from lanewright.fetch.client import Client
from lanewright.fetch.products import whole

MOST_JSON = 64 * 2**20
MOST_PAGES, MOST_NODES, MOST_POINTS = 10_000, 50_000, 400_000_000
MOST_NODE = 2**28
"""Bytes of one node; this and the numbers above are ours."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Tree:
    """What `ept.json` says.

    Attributes
    ----------
    low, side
        Corner and side of its cube, in its unit.
    crs
        WKT; the part for heights is often missing.
    points
        Of the whole tree.
    """

    url: str
    low: tuple[float, float, float]
    side: float
    crs: str
    points: int


@dataclass(frozen=True)
class Node:
    """A node's key and how many points it holds."""

    key: str
    points: int


def tree_of(client: Client, url: str) -> Tree:
    """What `ept.json` says, checked.

    Raises
    ------
    InputError
        If it is none, or its points are not packed as LAZ.
    """
    said = _json(client, url)
    if said.get("dataType") != "laszip":
        raise InputError(
            url[:200], f"holds its points as {str(said.get('dataType'))[:40]}, not as LAZ",
            ELSEWHERE,
        )  # fmt: skip
    try:
        bounds = [float(v) for v in said["bounds"]]
        low, high = bounds[:3], bounds[3:]
        side = high[0] - low[0]
        sane = len(bounds) == 6 and all(map(math.isfinite, bounds)) and 0 < side < 1e9
        sane = sane and all(
            abs((b - a) - side) < 1e-3 * side for a, b in zip(low, high, strict=True)
        )
    except (LookupError, TypeError, ValueError, OverflowError):
        sane = False
    if not sane:
        raise InputError(url[:200], "states no cube of points", ELSEWHERE)
    points = whole(said.get("points")) or 0
    return Tree(url, (low[0], low[1], low[2]), side, _crs(said), points)


def _crs(said: dict[str, Any]) -> str:
    """WKT of its CRS; empty where it states none, or one that is not known."""
    srs = said.get("srs")
    if not isinstance(srs, dict):
        return ""
    code = f"{srs.get('authority')}:{srs.get('horizontal')}"
    if srs.get("vertical"):
        code += f"+{srs.get('vertical')}"
    for text in (srs.get("wkt"), code):
        try:
            return CRS.from_user_input(text).to_wkt()
        except (CRSError, TypeError, ValueError, RecursionError):
            continue
    return ""


def nodes_within(client: Client, tree: Tree, box: Box) -> list[Node]:
    """Nodes of all levels that meet a box.

    Raises
    ------
    InputError
        If the hierarchy is damaged, or holds too many points here.
    """
    waiting, seen, found = ["0-0-0-0"], {"0-0-0-0"}, dict[str, int]()
    while waiting:
        page = _json(client, joined_url(tree.url, f"ept-hierarchy/{waiting.pop()}.json"))
        for key, count in page.items():
            place = re.fullmatch(r"([0-9]{1,2})-([0-9]{1,10})-([0-9]{1,10})-([0-9]{1,10})", key)
            if place is None or not isinstance(count, int):
                raise InputError(tree.url[:200], "has a damaged hierarchy", ELSEWHERE)
            if not _meets(tree, int(place[1]), int(place[2]), int(place[3]), box):
                continue
            if count > 0:
                found[key] = count
            elif count == -1 and key not in seen:
                seen.add(key)
                waiting.append(key)
        if len(seen) > MOST_PAGES or len(found) > MOST_NODES or sum(found.values()) > MOST_POINTS:
            raise InputError(
                tree.url[:200], "holds too many points here", "Draw a smaller boundary."
            )
    return [Node(key, count) for key, count in sorted(found.items())]


def _meets(tree: Tree, level: int, x: int, y: int, box: Box) -> bool:
    side = tree.side / 2**level
    left, bottom = tree.low[0] + x * side, tree.low[1] + y * side
    right, top = left + side, bottom + side
    return bool(left <= box[2] and right >= box[0] and bottom <= box[3] and top >= box[1])


def node_url(tree: Tree, node: Node) -> str:
    """Address of a node's points."""
    return joined_url(tree.url, f"ept-data/{node.key}.laz")


def _json(client: Client, url: str) -> dict[str, Any]:
    try:
        found = json.loads(client.fetch(url, MOST_JSON))
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise InputError(url[:200], "is no part of a point tree", ELSEWHERE)
    return found
