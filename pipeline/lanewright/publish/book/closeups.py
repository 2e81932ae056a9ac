"""Tee and green of a hole drawn large, where its page has room: slopes, trees, other places."""

from __future__ import annotations

import shapely

from lanewright.base.arrays import Floats
from lanewright.holes.greens import CIRCLE
from lanewright.publish.book.maps import BORDER, Book, backdrop, built, north_arrow, others
from lanewright.publish.book.paper import CAPTION, Paper
from lanewright.publish.book.view import Box, Picture, View, nice_scale
from lanewright.publish.mapdata import contours, unit
from lanewright.publish.report.words import Units
from lanewright.visit.outing import Played

_ACROSS = 24.0  # m of land that a picture holds at least
_LINES = 16  # most heights that its contours are drawn at
_LEAST = 95.0  # points; a smaller picture shows nothing
_GAP = 8.0
_NOTES = 84.0  # points below the pictures that are left to write in


def closeups(paper: Paper, book: Book, hole: Played) -> None:
    """Draw both side by side, as large as the rest of the page allows; else nothing."""
    tall = min((paper.wide - _GAP) / 2, paper.y - paper.bottom - _NOTES)
    if tall < _LEAST:
        return
    wide = (paper.wide - _GAP) / 2
    ends = (
        (hole.tee.xy, hole.legs.geometry.iloc[0]),
        (hole.basket.xy, hole.legs.geometry.iloc[-1]),
    )
    names = f"Tee {hole.names[0]}", f"Green {hole.names[-1]}"
    for place, ((spot, leg), name) in enumerate(zip(ends, names, strict=True)):
        left = paper.left + place * (wide + _GAP)
        box = (left, paper.y - tall, left + wide, paper.y)
        flown = shapely.get_coordinates(leg)
        said = _draw(paper, box, book, hole, (spot, flown))
        paper.put(left, paper.y - tall - 9, f"{name}, {said}", CAPTION, grey=0.2)
    paper.y -= tall + 14


def _draw(
    paper: Paper, box: Box, book: Book, hole: Played, end: tuple[tuple[float, float], Floats]
) -> str:
    """One picture, play going to the right; returns its scale and contours in words."""
    spot, flown = end
    east = unit(flown[-1] - flown[0])
    scale = nice_scale(_ACROSS, box[3] - box[1])
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    view = View(box, spot, middle, (float(east[0]), float(east[1])), scale)
    seen = view.outline()
    lines, step = contours(book.data, seen, _LINES)
    with Picture(paper, view) as picture:
        backdrop(picture, book.data, lines, book.data.wet, book.data.water)
        built(picture, book.data)
        picture.shape(book.data.land, 1.6, BORDER)
        picture.shape(shapely.Point(hole.basket.xy).buffer(CIRCLE), 0.7, (3, 2))
        picture.line(flown, 1.5, cased=True)
        others(picture, hole, 3.4)
        for name, other in zip(hole.other_names, hole.positions, strict=True):
            picture.label(other.spot.xy, name, "", (0.0, 8.5))
        picture.tee(hole.tee.xy, hole.spots[1].xy)
        picture.basket(hole.basket.xy)
        north_arrow(paper, box[2] - 15, box[3] - 17, view.east, 8.0)
    every = Units(book.feet_first).length(step, 0 if step >= 1 else 1)
    return f"1 : {scale:,}, contours every {every}"
