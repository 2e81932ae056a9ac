"""A window on the land, on a page: places turned and scaled, and the signs drawn there.

Everything that matters is shown by shape and line; the greys behind only say where growth stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from reportlab.lib.utils import ImageReader

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.publish.book.paper import MM, Paper
from lanewright.publish.mapdata import Contour, heading
from lanewright.visit.outing import Played

Point = tuple[float, float]
Box = tuple[float, float, float, float]

SCALES = (
    200,
    250,
    400,
    500,
    600,
    750,
    1000,
    1250,
    1500,
    2000,
    2500,
    3000,
    3500,
    4000,
    4500,
    5000,
    6000,
    7500,
    10000,
    12500,
    15000,
    20000,
    25000,
    50000,
    100000,
)

_PIXEL = 0.5  # m on the ground of the greys behind a plan
_TALL = 25.0  # m of canopy drawn in the darkest grey
_WIRE = 17.0  # points between the crosses on a wire
CASING = 1.6  # points of white beside a line, to part it from what it crosses


def nice_scale(metres: float, points: float) -> int:
    """Round scale at which so many metres fit so many points of paper."""
    needed = metres / (points / MM / 1000)
    return next((scale for scale in SCALES if scale >= needed), SCALES[-1])


# ---------------------------------------------------------------------------------------------
# A window on the land


@dataclass(frozen=True)
class View:
    """A box on the page through which the land is seen, turned and scaled.

    Attributes
    ----------
    box
        Left, bottom, right, top on the page [points].
    origin
        Place in the run's CRS that comes to `anchor` on the page.
    anchor
        Place on the page [points].
    east
        Direction of the page's right on the land, as a unit vector.
    scale
        Of the map: 1 to so much.
    """

    box: Box
    origin: Point
    anchor: Point
    east: Point
    scale: int

    @property
    def per_metre(self) -> float:
        """Points of paper to a metre of land."""
        return MM * 1000 / self.scale

    def page(self, places: ArrayLike) -> Floats:
        """Places on the land (n, 2) to places on the page."""
        d = np.asarray(places, np.float64).reshape(-1, 2) - self.origin
        ex, ey = self.east
        turned = np.c_[d[:, 0] * ex + d[:, 1] * ey, -d[:, 0] * ey + d[:, 1] * ex]
        return np.asarray(turned * self.per_metre + self.anchor)

    def land(self, spots: ArrayLike) -> Floats:
        """Places on the page (n, 2) to places on the land."""
        d = (np.asarray(spots, np.float64).reshape(-1, 2) - self.anchor) / self.per_metre
        ex, ey = self.east
        turned = np.c_[d[:, 0] * ex - d[:, 1] * ey, d[:, 0] * ey + d[:, 1] * ex]
        return np.asarray(turned + self.origin)

    def outline(self) -> shapely.Polygon:
        """Land that is seen."""
        x0, y0, x1, y1 = self.box
        return shapely.Polygon(self.land([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))


def north_up(box: Box, bounds: Box) -> View:
    """View of an area with north up, as large as a round scale lets it be."""
    left, bottom, right, top = bounds
    scale = max(
        nice_scale(right - left, box[2] - box[0]), nice_scale(top - bottom, box[3] - box[1])
    )
    middle = ((left + right) / 2, (bottom + top) / 2)
    return View(box, middle, ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2), (1.0, 0.0), scale)


def along_play(box: Box, hole: Played, ahead: float = 12.0) -> View:
    """View of a hole with the tee at the left and the basket straight to its right."""
    spots = np.array([spot.xy for spot in hole.spots])
    first, last = spots[0], spots[-1]
    way = heading(last - first)
    east = (float(way[0]), float(way[1]))
    points = np.concatenate([spots, shapely.get_coordinates(hole.line)]) - first
    along = points @ east
    across = points @ (-east[1], east[0])
    width = np.ptp(along) + 2 * ahead
    scale = max(
        nice_scale(width, box[2] - box[0]),
        nice_scale(np.ptp(across) + 2 * ahead, box[3] - box[1]),
    )
    per_metre = MM * 1000 / scale
    spare = (box[2] - box[0]) / per_metre - np.ptp(along)
    anchor = (
        box[0] + (spare / 2 - along.min()) * per_metre,
        (box[1] + box[3]) / 2 - (across.min() + across.max()) / 2 * per_metre,
    )
    return View(box, (float(first[0]), float(first[1])), anchor, east, scale)


class Picture:
    """Drawing on a page within one box, in places of the land."""

    def __init__(self, paper: Paper, view: View) -> None:
        self.paper, self.view = paper, view

    def __enter__(self) -> Self:
        canvas = self.paper.canvas
        canvas.saveState()
        x0, y0, x1, y1 = self.view.box
        path = canvas.beginPath()
        path.rect(x0, y0, x1 - x0, y1 - y0)
        canvas.clipPath(path, stroke=0, fill=0)
        return self

    def __exit__(self, *_: object) -> None:
        self.paper.canvas.restoreState()
        x0, y0, x1, y1 = self.view.box
        self.paper.stroke([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 0.7, closed=True)

    def line(
        self,
        places: ArrayLike,
        width: float,
        grey: float = 0.0,
        dash: Sequence[float] = (),
        *,
        cased: bool = False,
        closed: bool = False,
    ) -> None:
        """A line through places of the land; with a casing of white where it crosses others."""
        points = [(float(x), float(y)) for x, y in self.view.page(places)]
        if len(points) < 2:
            return
        if cased:
            self.paper.stroke(points, width + CASING, 1.0, closed=closed)
        self.paper.stroke(points, width, grey, dash, closed=closed)

    def shape(
        self,
        geometry: shapely.Geometry,
        width: float,
        dash: Sequence[float] = (),
        *,
        closed: bool = True,
    ) -> None:
        """Outlines of polygons, and lines."""
        for part in shapely.get_parts(geometry):
            for ring in rings(part):
                self.line(ring, width, 0.0, dash, closed=closed)

    def hatch(
        self,
        geometry: shapely.Geometry,
        step: float,
        dash: Sequence[float] = (),
        grey: float = 0.25,
    ) -> None:
        """Level strokes within polygons, `step` points apart."""
        canvas = self.paper.canvas
        x0, _, x1, _ = self.view.box
        for part in shapely.get_parts(geometry.intersection(self.view.outline())):
            if part.geom_type != "Polygon":
                continue
            canvas.saveState()
            path = canvas.beginPath()
            for ring in rings(part):
                points = self.view.page(ring)
                path.moveTo(*points[0])
                for x, y in points[1:]:
                    path.lineTo(x, y)
                path.close()
            canvas.clipPath(path, stroke=0, fill=0, fillMode=0)
            left, low = self.view.page(shapely.get_coordinates(part)).min(0)
            right, high = self.view.page(shapely.get_coordinates(part)).max(0)
            left, right = max(x0, left), min(x1, right)
            for i, y in enumerate(np.arange(np.ceil(low / step) * step, high, step)):
                shift = (i % 2) * dash[0] if dash else 0.0
                self.paper.stroke([(left + shift, y), (right, y)], 0.35, grey, dash)
            canvas.restoreState()

    def grey(
        self, raster: NDArray[np.floating], grid: Grid, tone: Callable[[Floats], Floats]
    ) -> None:
        """A raster behind everything, in the greys that `tone` makes of its values."""
        x0, y0, x1, y1 = self.view.box
        pixel = max(_PIXEL * self.view.per_metre, 0.7)
        cols, rows = max(2, round((x1 - x0) / pixel)), max(2, round((y1 - y0) / pixel))
        x = x0 + (np.arange(cols) + 0.5) * (x1 - x0) / cols
        y = y1 - (np.arange(rows) + 0.5) * (y1 - y0) / rows
        gx, gy = np.meshgrid(x, y)
        at = self.view.land(np.c_[gx.ravel(), gy.ravel()])
        row, col = grid.rowcol(at[:, 0], at[:, 1])
        inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
        values = np.full(len(at), np.nan)
        values[inside] = raster[row[inside], col[inside]]
        shades = np.nan_to_num(tone(values), nan=255.0).round().astype(np.uint8)
        image = Image.fromarray(shades.reshape(rows, cols))
        self.paper.canvas.drawImage(ImageReader(image), x0, y0, x1 - x0, y1 - y0)

    def contours(self, found: Sequence[Contour]) -> None:
        """Lines of equal height, every fifth one stronger."""
        for contour in found:
            self.line(contour.places, 0.5 if contour.strong else 0.25, 0.45)

    # --- our signs

    def tee(self, place: Point, toward: Point, size: float = 3.2, *, hollow: bool = False) -> None:
        """A solid bar across the way of play; hollow for a tee of another level."""
        (x, y), (tx, ty) = self.view.page([place, toward])
        way = np.array([tx - x, ty - y])
        way = way / max(float(np.hypot(*way)), 1e-9)
        side = np.array([-way[1], way[0]])
        corners = [
            (x, y) + way * a * size * 0.55 + side * b * size
            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        points = [(float(p[0]), float(p[1])) for p in corners]
        blob(self.paper, points, 1.0 if hollow else 0.0)
        if hollow:
            self.paper.stroke(points, 0.8, closed=True)

    def basket(self, place: Point, size: float = 3.4) -> None:
        """A ring with a point in it."""
        (x, y) = self.view.page([place])[0]
        canvas = self.paper.canvas
        canvas.setFillGray(1)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.3)
        canvas.circle(x, y, size, stroke=1, fill=1)
        canvas.setFillGray(0)
        canvas.circle(x, y, size * 0.4, stroke=0, fill=1)

    def landing(self, place: Point, size: float = 4.0) -> None:
        """A diamond."""
        (x, y) = self.view.page([place])[0]
        points = [(x - size, y), (x, y + size), (x + size, y), (x, y - size)]
        blob(self.paper, [(float(a), float(b)) for a, b in points], 1.0)
        self.paper.stroke([(float(a), float(b)) for a, b in points], 1.0, closed=True)

    def other_pin(self, place: Point, size: float = 2.6) -> None:
        """Another place of the basket: an empty ring."""
        (x, y) = self.view.page([place])[0]
        canvas = self.paper.canvas
        canvas.setFillGray(1)
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.9)
        canvas.circle(float(x), float(y), size, stroke=1, fill=1)

    def road(self, places: ArrayLike) -> None:
        """A line as it is drawn in a keep-out file: two strokes side by side."""
        self.line(places, 2.6)
        self.line(places, 1.3, 1.0)

    def building(self, shape: shapely.Geometry) -> None:
        """Ground that a building stands on: dark, for nothing else is."""
        for part in shapely.get_parts(shape):
            ring = self.view.page(shapely.get_coordinates(part.exterior))
            blob(self.paper, [(float(x), float(y)) for x, y in ring], 0.35)

    def wire(self, places: ArrayLike) -> None:
        """An overhead wire: a thin line with crosses."""
        line = shapely.LineString(self.view.page(places))
        self.line(places, 0.5)
        for at in np.arange(_WIRE / 2, line.length, _WIRE):
            x, y = shapely.get_coordinates(line.interpolate(at))[0]
            for turn in (-1, 1):
                ends = [(x - 1.9, y - 1.9 * turn), (x + 1.9, y + 1.9 * turn)]
                self.paper.stroke([(float(a), float(b)) for a, b in ends], 0.6)

    def label(self, place: Point, text: str, shape: str = "", shift: Point = (0.0, 0.0)) -> None:
        """Text on white, in a square, a ring or bare."""
        x, y = self.view.page([place])[0] + np.array(shift)
        tag(self.paper, float(x), float(y), text, shape)


def tag(paper: Paper, x: float, y: float, text: str, shape: str = "", size: float = 5.6) -> None:
    """A short text at a place: on white, in a square (checks) or a ring (trim work)."""
    canvas = paper.canvas
    half = max(paper.measure(text, size, bold=True) / 2 + 1.4, size * 0.62 + 0.6)
    canvas.setFillGray(1)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.6)
    if shape == "ring":
        canvas.circle(x, y, half, stroke=1, fill=1)
    elif shape == "square":
        canvas.rect(x - half, y - size * 0.68, 2 * half, size * 1.36, stroke=1, fill=1)
    else:
        canvas.roundRect(x - half, y - size * 0.6, 2 * half, size * 1.2, 1.5, stroke=0, fill=1)
    paper.put(x, y - size * 0.36, text, size, bold=True, align="middle")


def blob(paper: Paper, points: Sequence[Point], grey: float) -> None:
    """A filled outline."""
    path = paper.canvas.beginPath()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)
    path.close()
    paper.canvas.setFillGray(grey)
    paper.canvas.drawPath(path, stroke=0, fill=1)
    paper.canvas.setFillGray(0)


class Tags:
    """Places for tags beside what they name, moved aside where they would meet.

    Parameters
    ----------
    picture
        Where they are drawn.
    signs
        Places on the land of signs to keep off.
    """

    _ROOM = 9.5  # points from tag to tag

    def __init__(self, picture: Picture, signs: Sequence[Point]) -> None:
        self._picture = picture
        self._taken: list[Point] = []
        self._signs = [(float(x), float(y)) for x, y in picture.view.page(signs)] if signs else []

    def put(self, place: Point, text: str, shape: str, size: float = 5.2) -> None:
        """A tag as near its place as there is room, with a stroke between."""
        x, y = (float(v) for v in self._picture.view.page([place])[0])
        x0, y0, x1, y1 = self._picture.view.box
        best, most = (x, y + 8.0), -1.0
        for reach in (8.0, 11.5, 15.0, 20.0):
            for angle in np.pi / 2 + np.arange(8) * np.pi / 4:
                at = (x + reach * float(np.cos(angle)), y + reach * float(np.sin(angle)))
                if not (x0 + 7 < at[0] < x1 - 7 and y0 + 6 < at[1] < y1 - 6):
                    continue
                gaps = [float(np.hypot(at[0] - t[0], at[1] - t[1])) for t in self._taken]
                gaps += [float(np.hypot(at[0] - t[0], at[1] - t[1])) + 2 for t in self._signs]
                room = min([*gaps, 99.0])
                if room > most + 0.1:
                    best, most = at, room
                if most >= self._ROOM:
                    break
            if most >= self._ROOM:
                break
        self._picture.paper.stroke([(x, y), best], 0.4)
        tag(self._picture.paper, *best, text, shape, size)
        self._taken.append(best)


def cross(paper: Paper, x: float, y: float, size: float = 2.6) -> None:
    """Two strokes, on white."""
    for width, grey in ((2.6, 1.0), (1.1, 0.0)):
        for turn in (-1, 1):
            paper.stroke([(x - size, y - turn * size), (x + size, y + turn * size)], width, grey)


def rings(part: shapely.Geometry) -> Iterator[Floats]:
    """Outlines of a polygon, or the line itself, as points (n, 2)."""
    if part.geom_type == "Polygon":
        for ring in (part.exterior, *part.interiors):
            yield shapely.get_coordinates(ring)
    else:
        yield shapely.get_coordinates(part)


def canopy_tone(height: Floats) -> Floats:
    """White for open ground to a light grey under tall crowns, so that ink stays legible on it."""
    return np.asarray(255 - 80 * np.clip(height / _TALL, 0, 1) ** 0.6)
