"""The profile of a hole in the book, below its plan and on the same scale of distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image
from reportlab.lib.utils import ImageReader

from lanewright.base.arrays import Floats
from lanewright.base.units import FEET_PER_METRE
from lanewright.publish import section
from lanewright.publish.book.maps import Book
from lanewright.publish.book.paper import Paper
from lanewright.publish.book.plan import line_of
from lanewright.publish.book.view import CASING, Box, Point, View, blob, cross, tag
from lanewright.publish.section import Codes, Section
from lanewright.visit.outing import Played

_UNDER, _OVER = 15.0, 16.0  # points of a profile kept for names below and gaps above
_ROOM = 8.0  # m over the highest ground that are shown at least
_TONES = np.array([255, 218, 180, 149, 105, 255], np.uint8)  # greys of what stands in a layer
_DOT = 120  # grey of the dots where nothing was searched


@dataclass(frozen=True)
class _Scale:
    """Where distances and heights come to on the page.

    Attributes
    ----------
    box
        Of the profile [points].
    left
        Page x of the tee.
    across, up
        Points to a metre of distance, and of height.
    base
        Height in the datum at the foot of the box [m].
    """

    box: Box
    left: float
    across: float
    up: float
    base: float

    def at(self, along: float, height: float) -> Point:
        """A place on the page."""
        return self.left + along * self.across, self.box[1] + (height - self.base) * self.up

    def through(self, along: Floats, height: Floats) -> list[Point]:
        """Places on the page, one behind the other."""
        return [self.at(float(a), float(h)) for a, h in zip(along, height, strict=True)]

    @property
    def top(self) -> float:
        """Height in the datum at the head of the box [m]."""
        return self.base + (self.box[3] - self.box[1]) / self.up


def draw_profile(paper: Paper, box: Box, book: Book, hole: Played, view: View) -> float:
    """Profile of a hole under its plan; returns how much heights are stretched.

    Distances stand under those of the plan where the hole is one throw; a hole with bends is
    unrolled.
    """
    cut = section.section_of(book.data, line_of(hole))
    x0, y0, x1, y1 = box
    scale, stretch = _scale_of(cut, box, view, hole)
    marks = section.height_marks(cut, scale.base, scale.top, book.feet_first)
    canvas = paper.canvas
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x0, y0, x1 - x0, y1 - y0)
    canvas.clipPath(path, stroke=0, fill=0)
    _growth(paper, cut, scale)
    for height, _ in marks:
        y = scale.at(0, height)[1]
        paper.stroke([(x0, y), (x1, y)], 0.25, 0.55, (1, 2))
    _earth(paper, cut, scale)
    _trim_marks(paper, cut, scale)
    _flights(paper, cut, scale)
    for name, joint in zip(hole.names, cut.joints, strict=True):
        x, y = scale.at(joint, cut.ground_at(joint))
        paper.stroke([(x, y), (x, y + 4 + 1.5 * scale.up)], 0.8)
        tag(paper, x, y - 6, name)
    _pinch_marks(paper, cut, scale, book.feet_first)
    canvas.restoreState()
    paper.stroke([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 0.7, closed=True)
    for height, value in marks:
        y = scale.at(0, height)[1]
        if y0 + 3 < y < y1 - 3:
            tag(paper, x0 + 7, y, f"{value:+d}" if value else "0", size=5.2)
    return stretch


def _scale_of(cut: Section, box: Box, view: View, hole: Played) -> tuple[_Scale, float]:
    x0, y0, x1, y1 = box
    straight = len(hole.spots) == 2
    across = view.per_metre
    left = float(view.page([hole.tee.xy])[0][0]) if straight else x0 + 20
    if not straight:
        across = min(across, (x1 - x0 - 30) / cut.length)
    between = (cut.along >= 0) & (cut.along <= cut.length)
    lowest = float(cut.ground[between].min())
    highest = max(cut.highest, float(cut.ground[between].max()) + _ROOM)
    free = y1 - y0 - _UNDER - _OVER
    stretch = next(
        (s for s in (4.0, 3.0, 2.0, 1.5, 1.0) if (highest - lowest) * across * s <= free), 1.0
    )
    up = across * stretch
    return _Scale(box, left, across, up, lowest - _UNDER / up), stretch


def _growth(paper: Paper, cut: Section, scale: _Scale) -> None:
    if cut.codes is None:
        return
    codes = section.picture(cut.codes, cut.ground, scale.base, scale.top)
    image = ImageReader(Image.fromarray(greys(codes)))
    left, right = (scale.at(float(cut.along[i]), 0.0)[0] for i in (0, -1))
    _, y0, _, y1 = scale.box
    paper.canvas.drawImage(image, left, y0, right - left, y1 - y0)


def greys(codes: Codes) -> Codes:
    """What stands in a layer as greys; dots where nothing was searched, whatever is expected."""
    shades = _TONES[codes]
    i, j = np.indices(codes.shape)
    shades[(codes == section.UNSEEN) & ((i + j) % 3 == 0)] = _DOT
    return shades


def _earth(paper: Paper, cut: Section, scale: _Scale) -> None:
    """Top of the canopy, and the ground."""
    if np.isfinite(cut.canopy).any():
        top = np.where(np.isfinite(cut.canopy), cut.canopy, cut.ground)
        paper.stroke(scale.through(cut.along, top), 0.4, 0.35, (2, 1.2))
    ground = scale.through(cut.along, cut.ground)
    foot = scale.box[1] - 5
    blob(paper, [(ground[0][0], foot), *ground, (ground[-1][0], foot)], 0.86)
    paper.stroke(ground, 1.2)


def _flights(paper: Paper, cut: Section, scale: _Scale) -> None:
    for flown in cut.flights:
        points = scale.through(*flown.T)
        paper.stroke(points, 1.5 + CASING, 1.0)
        paper.stroke(points, 1.5)
    for fail in cut.fails:
        cross(paper, *scale.at(fail.along, fail.height))


def _trim_marks(paper: Paper, cut: Section, scale: _Scale) -> None:
    """Boxes around each piece, numbered where there is room; the plan and the list number all."""
    tagged: list[float] = []
    for piece in cut.cuts:
        x, low = scale.at(piece.along, piece.low)
        high = scale.at(piece.along, piece.high)[1]
        left, right = x - 2.0, x + 2.0
        if piece.first is not None and piece.last is not None:
            left = min(left, scale.at(piece.first - section.STEP / 2, 0.0)[0])
            right = max(right, scale.at(piece.last + section.STEP / 2, 0.0)[0])
        paper.stroke([(left, low), (right, low), (right, high), (left, high)], 0.7, closed=True)
        if all(abs(x - other) > 9.0 for other in tagged):
            tag(paper, x, high + 6, str(piece.number), "ring", 5.2)
            tagged.append(x)


def _pinch_marks(paper: Paper, cut: Section, scale: _Scale, feet_first: bool) -> None:
    top = scale.box[3]
    for pinch in cut.pinches:
        x, _ = scale.at(pinch.along, 0.0)
        paper.stroke([(x, top), (x, top - 9)], 0.9)
        width = pinch.width * FEET_PER_METRE if feet_first else pinch.width
        tag(paper, x, top - 12, f"gap {width:.0f} ft" if feet_first else f"gap {width:.1f} m")
