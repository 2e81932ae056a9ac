"""What the land offers, as the page says it: features to see first, and the first walk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup

from lanewright.base.rows import Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.drawing import path_of
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, about, listed, number, plural
from lanewright.visit.firstwalk import FEATURE, NAMES

FIRST = 3
"""Features named beside the map."""

_ROOM = 18.0  # m of land around a feature in its picture
_PLACES = (0.0, 0.15, 0.3, 0.5, 0.7, 0.85, 1.0)  # along a line, where its number may stand
_SHAPE = 0.62  # height over width of the picture
SURE = 0.975
"""Certainty from which a survey cannot know it better."""


@dataclass(frozen=True)
class Offer:
    """One feature: its number, name, reason, what stands behind it, and where it is on the map.

    Attributes
    ----------
    line
        Where it lies, as path data in decimetres from the grid's top left.
    x, y
        Where one stands to see it [m], from there too.
    plate
        Where its number stands on the map: on its line, as far from other signs as it goes.
    view
        Left, top, width and height of its picture [m].
    """

    label: str
    name: str
    reason: str
    facts: str
    x: float
    y: float
    line: Markup
    plate: tuple[float, float]
    view: tuple[float, float, float, float]


@dataclass(frozen=True)
class Stop:
    """One way of a walk and the stop it leads to."""

    at: str
    stop: str
    what: str
    way: str


@dataclass(frozen=True)
class Visit:
    """A walk: what it is called, what it comes to, and its stops."""

    title: str
    said: str
    stops: tuple[Stop, ...]


@dataclass(frozen=True)
class Offers:
    """The section: features shown, how many there are in all, walks, and where these begin."""

    shown: tuple[Offer, ...]
    every: int
    begins: str
    visits: tuple[Visit, ...]


def offers_of(found: Findings, subjects: list[Subject], units: Units) -> Offers | None:
    """What the page says of features; None where the run found none.

    Numbers on the map keep off the signs of the first proposal's holes in `subjects`.
    """
    features = found.layer("features")
    if features is None:
        return None
    shown = features[features["shown"].astype(bool)].sort_values("feature_id")
    taken = _taken(subjects)
    offers = [
        _offer(found, _turned(row, units), shape, taken)
        for row, shape in zip(rows_of(shown), shown.geometry, strict=True)
    ]
    walk = found.summary.get("findings", {}).get("first_walk", {})
    visits = [_visit(found, key, walk, units) for key in NAMES]
    return Offers(
        tuple(offers),
        len(features),
        str(walk.get("begins", "")),
        tuple(visit for visit in visits if visit is not None),
    )


def _turned(row: Row, units: Units) -> Row:
    """A feature whose words have the reader's unit first."""
    return row | {name: units.turned(str(row[name])) for name in ("name", "reason")}


def _taken(subjects: list[Subject]) -> list[tuple[float, float]]:
    """Tees and baskets of the first proposal."""
    first = min((s.places[0][0] for s in subjects if s.places), default=None)
    mine = [s for s in subjects if s.places and s.places[0][0] == first]
    return [(float(spot[0]), float(spot[1])) for s in mine for spot in (s.tee, s.end)]


def _offer(
    found: Findings, row: Row, shape: shapely.Geometry, taken: list[tuple[float, float]]
) -> Offer:
    left, top = found.grid.left, found.grid.top
    x, y = shapely.get_coordinates(shape)[0]
    plate = _plate(shape, taken)
    taken.append(plate)
    return Offer(
        f"{FEATURE}{row['feature_id']}",
        row["name"],
        row["reason"],
        _facts(row["certainty"], row["levels"]),
        round(float(x) - left, 1),
        round(top - float(y), 1),
        path_of([shape], left, top, 0.3),
        (round(plate[0] - left, 1), round(top - plate[1], 1)),
        _view(shape, left, top),
    )


def _plate(shape: shapely.Geometry, taken: list[tuple[float, float]]) -> tuple[float, float]:
    """The place on a line that lies farthest from all that is taken."""
    best, most = (0.0, 0.0), -1.0
    for share in _PLACES:
        spot = shapely.line_interpolate_point(shape, share, normalized=True)
        room = min((float(np.hypot(spot.x - x, spot.y - y)) for x, y in taken), default=1e9)
        if room > most:
            best, most = (float(spot.x), float(spot.y)), room
    return best


def _view(shape: shapely.Geometry, left: float, top: float) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = shape.bounds
    width = max(x1 - x0 + 2 * _ROOM, (y1 - y0 + 2 * _ROOM) / _SHAPE)
    height = width * _SHAPE
    x, y = (x0 + x1) / 2 - left, top - (y0 + y1) / 2
    return (
        round(x - width / 2, 1),
        round(y - height / 2, 1),
        round(width, 1),
        round(height, 1),
    )


def _facts(certainty: float, levels: str | None) -> str:
    sure = f"{about(certainty)} sure" if certainty < SURE else "sure"
    return f"{sure}; as it stands for {listed(levels.split(', '))}" if levels else sure


def _visit(found: Findings, key: str, walk: dict[str, str], units: Units) -> Visit | None:
    layer = found.layer("first_walk")
    rows = rows_of(layer[layer["visit"] == key]) if layer is not None else []
    if not rows:
        return None
    stops = [
        Stop(
            f"{number(row['at_min'])} min",
            "" if row["stop"] == "START" else row["stop"],
            units.turned(str(row["what"])),
            f"{units.length(row['length_m'])}, climb {units.length(row['climb_m'])}",
        )
        for row in rows
    ]
    return Visit(f"A walk for {NAMES[key]}", str(walk.get(key, "")), tuple(stops))


def offered(found: Findings) -> str:
    """The first features in one sentence; empty where there are none."""
    rows = rows_of(found.layer("features"))
    if not rows:
        return ""
    named = "; ".join(f"{FEATURE}{row['feature_id']} {row['name']}" for row in rows[:FIRST])
    named = Units(found.config.units == "feet").turned(named)
    more = sum(bool(row["shown"]) for row in rows[FIRST:])
    return f"{named}; {plural(more, 'more feature')} described below." if more else f"{named}."
