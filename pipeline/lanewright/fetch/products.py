"""What a catalogue offers for a place, in one form whatever the source."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from typing import Literal

import shapely
from shapely import Geometry
from shapely.affinity import translate

from lanewright.base.text import unreadable

Form = Literal["laz", "copc", "ept", "tif"]

MOST_TEXT = 160
"""Characters kept of any text that a catalogue gives."""


@dataclass(frozen=True)
class Product:
    """One file, or one tree of files, that a catalogue offers.

    Attributes
    ----------
    source, project
        Name of the source, and of the survey within it.
    size
        Bytes; None where not stated.
    flown
        First and last day of the flights; None where not stated.
    published
        Day it was published, which says little of the flights.
    density
        Points or pulses per square metre as stated.
    quality
        Quality level as stated, such as QL2.
    footprint
        In degrees of longitude and latitude; beyond 180 where the place asked for is.
    """

    source: str
    kind: str
    form: Form
    project: str
    title: str
    url: str
    footprint: Geometry
    size: int | None = None
    sha256: str | None = None
    flown: tuple[dt.date, dt.date] | None = None
    published: dt.date | None = None
    density: float | None = None
    quality: str = ""
    licence: str = ""
    crs: str = ""
    vertical: str = ""


@dataclass(frozen=True)
class Place:
    """The property, as it is asked for.

    Attributes
    ----------
    land
        In degrees; longitudes run on beyond 180 where it lies across the antimeridian.
    """

    land: Geometry

    @property
    def middle(self) -> tuple[float, float]:
        """Longitude and latitude of the middle of its box."""
        west, south, east, north = self.land.bounds
        return (west + east) / 2, (south + north) / 2

    def around(self, metres: float) -> tuple[float, float, float, float]:
        """West, south, east, north of its box and a margin."""
        west, south, east, north = self.land.bounds
        high = metres / 111_195  # a degree of a sphere of 6,371 km
        wide = high / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.01)
        return west - wide, max(south - high, -90.0), east + wide, min(north + high, 90.0)

    def boxes(self, metres: float) -> list[tuple[float, float, float, float]]:
        """The same, split at the antimeridian, so that west is never greater than east."""
        west, south, east, north = self.around(metres)
        turn = 360.0 * math.floor((west + 180.0) / 360.0)
        west, east = west - turn, east - turn
        if east <= 180.0:
            return [(west, south, east, north)]
        return [(west, south, 180.0, north), (-180.0, south, east - 360.0, north)]

    def near(self, shape: Geometry) -> Geometry:
        """A footprint, each part shifted by whole turns to the property's longitudes."""
        middle = self.middle[0]
        moved = []
        for part in shapely.get_parts(shape).tolist():
            west, _, east, _ = part.bounds
            turns = round((middle - (west + east) / 2) / 360.0)
            moved.append(translate(part, 360.0 * turns) if turns else part)
        return shapely.union_all(moved)

    def share(self, shapes: list[Geometry]) -> float:
        """Share of the property that shapes cover, 0 to 1."""
        covered = shapely.union_all(shapes).intersection(self.land)
        return float(covered.area / self.land.area)


def turned_box(west: float, south: float, east: float, north: float) -> Geometry | None:
    """Box of a catalogue; its west is greater than its east across the antimeridian (RFC 7946)."""
    if not (max(abs(west), abs(east)) <= 360 and max(abs(south), abs(north)) <= 90):
        return None
    if not all(map(math.isfinite, (west, south, east, north))) or south > north:
        return None
    return shapely.box(west, south, east + 360.0 if east < west else east, north)


def plain(value: object, longest: int = MOST_TEXT) -> str:
    """Text of a catalogue as one line that can be shown."""
    if not isinstance(value, str | int | float):
        return ""
    text = re.sub(r"\s+", " ", str(value)).strip()
    return "".join(c for c in text if unreadable(c) is None)[:longest]


def whole(value: object, most: int = 2**50) -> int | None:
    """Whole number of a catalogue, if it can be a count of bytes."""
    if isinstance(value, str) and value.isdecimal() and len(value) < 20:
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < most:
        return None
    return int(value)


def number(value: object) -> float | None:
    """Positive number of a catalogue."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 < value < 1e6 else None


def day(value: object) -> dt.date | None:
    """Day of a date or time as ISO 8601 or as digits."""
    if not isinstance(value, str):
        return None
    found = re.match(r"(\d{4})[-/.]?(\d{2})[-/.]?(\d{2})", value.strip())
    try:
        return dt.date(*map(int, found.groups())) if found else None
    except ValueError:
        return None


def form_of(url: str, media: str = "", kind: str = "points") -> Form | None:
    """Form of a file by its address and media type; None for what cannot be used."""
    path = url.partition("?")[0].lower()
    if kind == "elevation":
        return "tif" if path.endswith((".tif", ".tiff")) or "image/tiff" in media else None
    if path.endswith("ept.json"):
        return "ept"
    if path.endswith(".copc.laz") or "copc" in media:
        return "copc"
    return "laz" if path.endswith((".laz", ".las")) or "laszip" in media else None
