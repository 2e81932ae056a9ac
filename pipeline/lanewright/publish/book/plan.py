"""The plan of a hole in the book: on its side like that of a road, play going to the right."""

from __future__ import annotations

import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.units import FOOT
from lanewright.holes.greens import CIRCLE
from lanewright.publish.book.maps import BORDER, COARSE, Book, backdrop, built, north_arrow, others
from lanewright.publish.book.paper import Paper
from lanewright.publish.book.view import Box, Picture, Tags, View, along_play, cross
from lanewright.publish.mapdata import Line, unit
from lanewright.publish.plan import Plan, plan_of
from lanewright.visit.outing import CHECK, Played


def line_of(hole: Played) -> Line:
    """The hole as its drawings need it."""
    return Line(
        hole.leg_rows,
        tuple(shapely.get_coordinates(leg, include_z=True) for leg in hole.legs.geometry),
        hole.trim_rows,
        tuple(hole.trim.geometry),
    )


def draw_plan(paper: Paper, box: Box, book: Book, hole: Played) -> View:
    """Plan of a hole, play going to the right; returns the view for the profile below it."""
    view = along_play(box, hole)
    plan = plan_of(book.data, line_of(hole), view.outline(), COARSE * view.scale)
    with Picture(paper, view) as picture:
        backdrop(picture, book.data, plan.contours, plan.wet, plan.water)
        built(picture, book.data)
        picture.shape(book.data.land, 1.6, BORDER)
        _others(picture, book, hole)
        picture.shape(shapely.Point(hole.basket.xy).buffer(CIRCLE), 0.7, (3, 2))
        for outline, _ in plan.cuts:
            picture.hatch(outline, 2.2, grey=0.4)
            picture.shape(outline, 0.6)
        _throws(picture, plan, book.feet_first)
        _signs(picture, hole)
        _tags(picture, plan, book, [spot.xy for spot in hole.spots])
        north_arrow(paper, box[2] - 17, box[3] - 19, view.east, 9.0)
    return view


def _others(picture: Picture, book: Book, hole: Played) -> None:
    """Other holes that come into the picture, by their numbers."""
    seen = picture.view.outline()
    for other in book.outing.holes:
        if other.number != hole.number and other.line.intersects(seen):
            picture.line(shapely.get_coordinates(other.line), 0.8, 0.35, (4, 2.5), cased=True)
            inside = other.line.intersection(seen).representative_point()
            picture.label((inside.x, inside.y), str(other.number))


def _throws(picture: Picture, plan: Plan, feet_first: bool) -> None:
    """Flights, where throws come to rest, where those that fail do so, distances."""
    for flown in plan.flights:
        picture.line(flown[[0, -1]], 0.5, 0.0, (1, 2))
        picture.line(flown, 1.5, cased=True)
    for rest in plan.rests:
        picture.line(rest.outline(), 0.7, 0.2, (1.2, 1.6), closed=True)
    for place, _ in plan.fails:
        x, y = picture.view.page(place)[0]
        cross(picture.paper, float(x), float(y))
    for flown in plan.flights:
        _distances(picture, flown, 50 * FOOT if feet_first else 10.0)


def _distances(picture: Picture, flown: Floats, step: float) -> None:
    """Strokes across the straight line of a throw, so many metres apart."""
    way = flown[-1] - flown[0]
    ahead = unit(way)
    side = np.array([-ahead[1], ahead[0]]) * 2.0 / picture.view.per_metre
    for i in range(1, int(np.hypot(*way) / step) + 1):
        at = flown[0] + ahead * i * step
        picture.line([at - side, at + side], 0.5)


def _signs(picture: Picture, hole: Played) -> None:
    spots = [spot.xy for spot in hole.spots]
    others(picture, hole, 2.6)
    for name, other in zip(hole.other_names, hole.positions, strict=True):
        picture.label(other.spot.xy, name, "", (0.0, 7.5))
    picture.tee(spots[0], spots[1])
    for landing in hole.landings:
        picture.landing(landing.xy)
    picture.basket(spots[-1])
    for name, spot in zip(hole.names, spots, strict=True):
        picture.label(spot, name, "", (0.0, -9.0))


def _tags(picture: Picture, plan: Plan, book: Book, signs: list[tuple[float, float]]) -> None:
    """Numbers of trim work and of field checks."""
    seen = picture.view.outline()
    tags = Tags(picture, signs)
    for place, (outline, _) in enumerate(plan.cuts, start=1):
        at = outline.representative_point()
        tags.put((at.x, at.y), str(place), "ring")
    checks = book.checks
    for point, number in zip(checks.geometry, checks["check_id"], strict=True):
        if point.within(seen):
            tags.put((point.x, point.y), f"{CHECK}{number}", "square")
