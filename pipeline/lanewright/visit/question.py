"""A question for a visit, and the words and places that all questions share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import shapely

from lanewright.base.rows import Row, rows_of
from lanewright.base.units import FEET_PER_METRE
from lanewright.visit.outing import Outing, Played


@dataclass(frozen=True)
class Check:
    """One question before it has a number; `owner` is the hole it belongs to."""

    kind: str
    at: tuple[float, float]
    look: str
    why: str
    best_seen: str = "any day"
    owner: Played | None = None
    leg_id: int | None = None
    size: float = 0.0
    place: str = ""


class Lengths:
    """Lengths in words, the reader's unit first."""

    def __init__(self, feet_first: bool) -> None:
        self._feet_first = feet_first

    def __call__(self, metres: float, digits: int = 0) -> str:
        """A length in both units; `digits` are those of metres."""
        m = f"{metres:.{digits}f} m"
        ft = f"{metres * FEET_PER_METRE:.0f} ft"
        return f"{ft} ({m})" if self._feet_first else f"{m} ({ft})"


def hole_of(outing: Outing, number: int) -> Played | None:
    """The hole of a number."""
    return next((hole for hole in outing.holes if hole.number == number), None)


def walk_name(walk: Row) -> str:
    """A walk by its ends."""
    ends = [
        "arrival" if not number else f"hole {number}"
        for number in (int(walk["from_order"]), int(walk["to_order"]))
    ]
    return f"walk {ends[0]} to {ends[1]}"


def walks_of(outing: Outing) -> Iterator[tuple[Row, shapely.LineString]]:
    """Walks of the outing, each with its line, flat."""
    frame: gpd.GeoDataFrame | None = outing.walks
    if frame is not None:
        for row, line in zip(rows_of(frame), frame.geometry, strict=True):
            yield row, shapely.force_2d(line)


def legs_of(outing: Outing) -> Iterator[tuple[Played, Row, shapely.LineString]]:
    """Legs of the outing, each with its hole and its line."""
    for hole in outing.holes:
        for row, line in zip(hole.leg_rows, hole.legs.geometry, strict=True):
            yield hole, row, line


def played_ground(outing: Outing) -> shapely.Geometry:
    """Flights and walks, flat."""
    lines = [shapely.force_2d(g) for hole in outing.holes for g in hole.legs.geometry]
    lines += [line for _, line in walks_of(outing)]
    return shapely.union_all(lines)


def nearest_hole(outing: Outing, shape: shapely.Geometry) -> Played:
    """The hole whose line passes nearest to a shape."""
    return min(outing.holes, key=lambda hole: (hole.line.distance(shape), hole.number))
