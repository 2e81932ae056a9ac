"""The plan of a hole on the page: seen from above with the throw from left to right."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup

from lanewright.base.arrays import Floats
from lanewright.holes.greens import CIRCLE
from lanewright.publish.mapdata import Line, MapData, heading
from lanewright.publish.plan import Plan, Rest, plan_of
from lanewright.publish.report.drawing import dots, path, path_of
from lanewright.publish.report.words import Units
from lanewright.publish.section import BEYOND, WIDE

_ASIDE, _MOST = 16.0, 30.0  # m shown to each side: at the least, and at most for a wide spread
_MARGIN = 8.0  # m beside the flights


@dataclass(frozen=True)
class PlanView:
    """Drawn in metres from the tee, along the line to the basket and to its right.

    Attributes
    ----------
    view
        Left, top, width, height.
    turn
        Matrix that brings the map's metres here, as six numbers of an SVG transform.
    north
        Direction of north on the drawing, degrees clockwise from up.
    contours, step
        Lines of equal height, and what lies between two of them.
    band, core
        Where nine of ten throws fly, and where half of them do.
    fails
        x, y and what most throws touch there that fail.
    others
        Other tees and pins: x, y, kind, words, and turn of the way of play.
    rests
        Ellipses that two of three throws come to rest in: x, y, half length, half width, turn.
    """

    view: tuple[float, float, float, float]
    turn: str
    north: float
    contours: Markup
    step: str
    wet: Markup
    water: Markup
    trees: Markup
    flights: tuple[Markup, ...]
    places: tuple[tuple[float, float, str], ...]
    pinch: tuple[float, float, float, float, str] | None
    cuts: tuple[tuple[Markup, str], ...]
    band: Markup
    core: Markup
    fails: tuple[tuple[float, float, str], ...]
    rests: tuple[tuple[float, float, float, float, float], ...]
    others: tuple[tuple[float, float, str, str, float], ...]
    roads: Markup
    buildings: Markup
    wires: Markup
    circle: float
    alt: str


@dataclass(frozen=True)
class _Frame:
    """The tee, and unit vectors ahead and to the right, in the run's coordinates."""

    tee: Floats
    ahead: Floats
    right: Floats

    def here(self, places: Floats) -> Floats:
        """Coordinates on the plan of places on the land (n, 2)."""
        away = np.asarray(places)[:, :2] - self.tee
        return np.column_stack([away @ self.ahead, away @ self.right])

    def window(self, view: tuple[float, float, float, float]) -> shapely.Polygon:
        """Land that the drawing shows."""
        x, y, width, height = view
        corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
        return shapely.Polygon(self.tee + corners @ np.array([self.ahead, self.right]))


def plan_view(data: MapData, line: Line, title: str, units: Units) -> PlanView:
    """Draw a hole from above."""
    ahead = heading(line.end - line.tee)
    frame = _Frame(line.tee, ahead, np.array([ahead[1], -ahead[0]]))
    view = _view(frame, line)
    plan = plan_of(data, line, frame.window(view))

    def shapes(parts: Iterable[shapely.Geometry], coarse: float) -> Markup:
        # What `path_of` draws runs up the page, plans run down.
        moved = [shapely.transform(part, lambda xy: frame.here(xy) * (1, -1)) for part in parts]
        return path_of(moved, 0, 0, coarse)

    return PlanView(
        view=view,
        turn=_matrix(data, frame),
        north=round(math.degrees(math.atan2(ahead[1], ahead[0])), 1),
        contours=_lines(frame, (contour.places for contour in plan.contours)),
        step=units.length(plan.step, 0 if plan.step >= 1 else 1),
        wet=shapes(plan.wet, 0.2),
        water=shapes(plan.water, 0.2),
        trees=dots(frame.here(plan.stems) * (1, -1), 0, 0),
        flights=tuple(Markup(path(frame.here(flown))) for flown in plan.flights),
        places=tuple(_places(frame, plan)),
        pinch=_pinch(frame, plan, units),
        cuts=tuple((shapes([outline], 0.1), str(row["action"])) for outline, row in plan.cuts),
        band=_lines(frame, plan.bands, closed=True),
        core=_lines(frame, plan.cores, closed=True),
        fails=tuple((*_spot(frame, place), what) for place, what in plan.fails),
        rests=tuple(_ellipse(frame, rest) for rest in plan.rests),
        others=tuple(_others(frame, line)),
        roads=shapes(plan.roads, 0.2),
        buildings=shapes(plan.buildings, 0.1),
        wires=shapes(plan.wires, 0.2),
        circle=CIRCLE,
        alt=_alt(line, title, units),
    )


def _view(frame: _Frame, line: Line) -> tuple[float, float, float, float]:
    """Left, top, width and height that hold the flights and most of their spread."""
    way = shapely.MultiLineString([path[:, :2] for path in line.paths])
    others = [
        np.reshape(place, (1, 2))
        for _, _, place in line.others
        if way.distance(shapely.Point(place)) <= _MOST
    ]
    flown = frame.here(np.vstack([*(path[:, :2] for path in line.paths), *others]))
    widest = max(
        (float(np.nanmax(np.abs(s.left))) for s in line.spreads if s is not None), default=0.0
    )
    room = max(_ASIDE, min(widest + _MARGIN / 2, _MOST))
    (x0, y0), (x1, y1) = flown.min(0), flown.max(0)
    left, top = float(x0) - BEYOND, min(-room, float(y0) - _MARGIN)
    width, height = float(x1) + BEYOND - left, max(room, float(y1) + _MARGIN) - top
    return round(left, 1), round(top, 1), round(width, 1), round(height, 1)


def _matrix(data: MapData, frame: _Frame) -> str:
    """From metres right of and below the map's corner, in which its pictures lie, to the plan."""
    flip = np.array([1, -1])
    a, b = frame.ahead * flip, frame.right * flip
    tee = np.array([frame.tee[0] - data.grid.left, data.grid.top - frame.tee[1]])
    turned = " ".join(f"{v:.5g}" for v in (a[0], b[0], a[1], b[1]))
    return f"{turned} {-float(tee @ a):.2f} {-float(tee @ b):.2f}"


def _lines(frame: _Frame, lines: Iterable[Floats], closed: bool = False) -> Markup:
    return Markup("".join(path(frame.here(line), closed=closed) for line in lines))


def _spot(frame: _Frame, place: Floats) -> tuple[float, float]:
    x, y = frame.here(np.reshape(place, (1, 2)))[0]
    return round(float(x), 1), round(float(y), 1)


def _places(frame: _Frame, plan: Plan) -> Iterable[tuple[float, float, str]]:
    kinds = ["tee", *["landing"] * (len(plan.spots) - 2), "basket"]
    for place, kind in zip(plan.spots, kinds, strict=True):
        yield (*_spot(frame, place), kind)


def _others(frame: _Frame, line: Line) -> Iterable[tuple[float, float, str, str, float]]:
    """Other tees turned to where the first throw ends, and other pins."""
    aim = frame.here(line.paths[0][-1:])[0]
    for kind, words, place in line.others:
        x, y = _spot(frame, place)
        yield x, y, kind, words, round(math.degrees(math.atan2(aim[1] - y, aim[0] - x)), 1)


def _ellipse(frame: _Frame, rest: Rest) -> tuple[float, float, float, float, float]:
    """A landing ellipse, turned into the plan."""
    bearing = math.radians(rest.bearing)
    axis = np.array([math.sin(bearing), math.cos(bearing)])
    turn = math.degrees(math.atan2(axis @ frame.right, axis @ frame.ahead))
    x, y = _spot(frame, np.array([rest.x, rest.y]))
    return x, y, round(rest.long, 2), round(rest.wide, 2), round(turn, 1)


def _pinch(
    frame: _Frame, plan: Plan, units: Units
) -> tuple[float, float, float, float, str] | None:
    """Ends of the bar across the narrowest place of all legs."""
    narrow = [pinch for pinch in plan.pinches if pinch[1] < WIDE]
    if not narrow:
        return None
    ends, width = min(narrow, key=lambda pinch: pinch[1])
    (ax, ay), (bx, by) = (_spot(frame, end) for end in ends)
    return ax, ay, bx, by, units.length(width, 1)


def _alt(line: Line, title: str, units: Units) -> str:
    legs = len(line.legs)
    way = "in one throw" if legs == 1 else f"in {legs} throws through landing zones"
    length = float(sum(leg["length_m"] for leg in line.legs))
    return f"Plan of {title}: {units.length(length)} {way}, over the canopy."
