"""Pictures of the field book in black and grey: map of the property, plan and profile of a hole.

A plan lies on its side like the plan of a road: the tee at the left, play going to the right, with
the profile below it on the same scale of distance. Everything that matters is told by shape and
line; the greys behind only say where growth stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from PIL import Image
from pyproj import Transformer
from reportlab.lib.utils import ImageReader
from scipy import ndimage
from skimage.measure import find_contours

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.base.units import FEET_PER_METRE
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID, Columns
from lanewright.publish.paper import MM, Paper
from lanewright.visit.outing import Outing, Played

Point = tuple[float, float]
Box = tuple[float, float, float, float]

SCALES = (200, 250, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000, 3500, 4000, 4500,
          5000, 6000, 7500, 10000, 12500, 15000, 20000, 25000, 50000, 100000)  # fmt: skip
CIRCLE = 10.0
"""Metres around a basket that are its putting area (PDGA Official Rules, 806.01)."""

_PIXEL = 0.5  # m on the ground of the greys behind a plan
_DENSE = 1.0  # contacts per metre drawn in the darkest grey
_TALL = 25.0  # m of canopy drawn in the darkest grey
_SEEN_HEIGHT = LAYERS * LAYER_HEIGHT  # m over ground that the columns reach to
_NEARLY_CLEAR = 0.9  # clear rate from which failing throws are few and far between; ours
_UNDER, _OVER = 15.0, 16.0  # points of a profile kept for names below and gaps above
_CASING = 1.6  # points of white beside a line that must be told from what it crosses


@dataclass(frozen=True)
class MapData:
    """What pictures are drawn from.

    Attributes
    ----------
    grid
        Georeference of the rasters.
    ground
        Height of the ground [m] (rows, cols); NaN unknown.
    canopy
        Height of the canopy over it [m]; None without lidar.
    columns
        What stands in each layer; None without lidar.
    land
        The property.
    water, wet
        Outlines of water and of wet ground.
    outing
        The holes.
    checks
        The layer `field_checks`.
    feet_first
        Whether the reader thinks in feet.
    """

    grid: Grid
    ground: NDArray[Any]
    canopy: NDArray[Any] | None
    columns: Columns | None
    land: shapely.MultiPolygon
    water: Sequence[shapely.Geometry]
    wet: Sequence[shapely.Geometry]
    outing: Outing
    checks: gpd.GeoDataFrame
    feet_first: bool = False


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

    def page(self, places: Any) -> Floats:
        """Places on the land (n, 2) to places on the page."""
        d = np.asarray(places, np.float64).reshape(-1, 2) - self.origin
        ex, ey = self.east
        turned = np.c_[d[:, 0] * ex + d[:, 1] * ey, -d[:, 0] * ey + d[:, 1] * ex]
        return np.asarray(turned * self.per_metre + self.anchor)

    def land(self, spots: Any) -> Floats:
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
    way = last - first
    size = float(np.hypot(*way))
    # A hole that comes back to its tee has no direction; look east then.
    east = (float(way[0] / size), float(way[1] / size)) if size > 1 else (1.0, 0.0)
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


class _Picture:
    """Drawing on a page within one box, in places of the land."""

    def __init__(self, paper: Paper, view: View) -> None:
        self.paper, self.view = paper, view

    def __enter__(self) -> _Picture:
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
        self, places: Any, width: float, grey: float = 0.0, dash: Sequence[float] = (),
        *, cased: bool = False, closed: bool = False,
    ) -> None:  # fmt: skip
        points = [(float(x), float(y)) for x, y in self.view.page(places)]
        if len(points) < 2:
            return
        if cased:
            self.paper.stroke(points, width + _CASING, 1.0, closed=closed)
        self.paper.stroke(points, width, grey, dash, closed=closed)

    def shape(self, geometry: shapely.Geometry, *style: Any, **more: Any) -> None:
        """Outlines of polygons, and lines."""
        for part in shapely.get_parts(geometry):
            for ring in _rings(part):
                self.line(ring, *style, **more)

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
            for ring in _rings(part):
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

    def grey(self, raster: NDArray[Any], grid: Grid, tone: Callable[[Floats], Floats]) -> None:
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

    def contours(self, ground: NDArray[Any], grid: Grid, step: float) -> None:
        """Lines of equal height, every fifth one stronger."""
        x0, y0, x1, y1 = self.view.outline().bounds
        row0, col0 = grid.rowcol(np.array(x0), np.array(y1))
        row1, col1 = grid.rowcol(np.array(x1), np.array(y0))
        row0, row1 = np.clip([row0, row1 + 1], 0, grid.rows)
        col0, col1 = np.clip([col0, col1 + 1], 0, grid.cols)
        part = np.asarray(ground[row0:row1, col0:col1], np.float64)
        if min(part.shape) < 2 or not np.isfinite(part).any():
            return
        # Lidar ground is rough by centimetres; a contour is no place to show that.
        part = _smooth(part, 1.5 / grid.cell)
        for level in np.arange(np.ceil(np.nanmin(part) / step) * step, np.nanmax(part), step):
            strong = round(level / step) % 5 == 0
            for found in find_contours(part, level):  # type: ignore[no-untyped-call]
                if len(found) < 8:
                    continue
                x = grid.left + (col0 + found[:, 1] + 0.5) * grid.cell
                y = grid.top - (row0 + found[:, 0] + 0.5) * grid.cell
                # A tenth of a millimetre on paper is nothing on a contour.
                drawn = shapely.LineString(np.c_[x, y]).simplify(0.1 * self.view.scale / 1000)
                self.line(shapely.get_coordinates(drawn), 0.5 if strong else 0.25, 0.45)

    # --- our signs

    def tee(self, place: Point, toward: Point, size: float = 3.2) -> None:
        """A solid bar across the way of play, with a stroke behind it."""
        (x, y), (tx, ty) = self.view.page([place, toward])
        way = np.array([tx - x, ty - y])
        way = way / max(float(np.hypot(*way)), 1e-9)
        side = np.array([-way[1], way[0]])
        corners = [
            (x, y) + way * a * size * 0.55 + side * b * size
            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        _blob(self.paper, [(float(p[0]), float(p[1])) for p in corners], 0.0)

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
        _blob(self.paper, [(float(a), float(b)) for a, b in points], 1.0)
        self.paper.stroke([(float(a), float(b)) for a, b in points], 1.0, closed=True)

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


def _blob(paper: Paper, points: Sequence[Point], grey: float) -> None:
    path = paper.canvas.beginPath()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)
    path.close()
    paper.canvas.setFillGray(grey)
    paper.canvas.drawPath(path, stroke=0, fill=1)
    paper.canvas.setFillGray(0)


def _rings(part: shapely.Geometry) -> Iterator[Floats]:
    if part.geom_type == "Polygon":
        for ring in (part.exterior, *part.interiors):
            yield shapely.get_coordinates(ring)
    else:
        yield shapely.get_coordinates(part)


def _smooth(part: Floats, sigma: float) -> Floats:
    """Gaussian mean of what is known; NaN stays NaN."""
    known = np.isfinite(part)
    weight = ndimage.gaussian_filter(known.astype(np.float64), sigma)
    mean = ndimage.gaussian_filter(np.where(known, part, 0.0), sigma) / np.maximum(weight, 1e-9)
    return np.where(known, mean, np.nan)


def canopy_tone(height: Floats) -> Floats:
    """White for open ground to a light grey under tall crowns, so that ink stays legible on it."""
    return np.asarray(255 - 80 * np.clip(height / _TALL, 0, 1) ** 0.6)


# ---------------------------------------------------------------------------------------------
# Around a map


def true_north(crs: str, place: Point) -> float:
    """Degrees by which true north lies clockwise of grid north at a place."""
    to_wgs = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = to_wgs.transform(*place)
    x, y = to_wgs.transform(lon, min(lat + 1e-3, 90.0), direction="INVERSE")
    return float(np.degrees(np.arctan2(x - place[0], y - place[1])))


def north_arrow(paper: Paper, x: float, y: float, east: Point, size: float = 11.0) -> None:
    """An arrow to grid north, for a page whose right is `east` on the land."""
    up = np.array([east[1], east[0]])  # north on the page: (0, 1) in the view's axes
    side = np.array([-up[1], up[0]])
    middle = np.array([x, y])
    tip, tail = middle + up * size, middle - up * size * 0.8
    canvas = paper.canvas
    canvas.setFillGray(1)
    canvas.circle(x, y, size * 1.35, stroke=0, fill=1)
    canvas.setFillGray(0)
    _blob(paper, [tuple(map(float, p)) for p in (tip, middle - side * size * 0.32, tail)], 0.0)  # type: ignore[misc]
    outline = [tuple(map(float, p)) for p in (tip, middle + side * size * 0.32, tail)]
    paper.stroke(outline, 0.6, closed=True)  # type: ignore[arg-type]
    at = middle + up * (size + 4.5)
    paper.put(float(at[0]), float(at[1]) - 2.2, "N", 6.5, bold=True, align="middle")


def scale_bar(paper: Paper, x: float, y: float, per_metre: float, most: float) -> None:
    """Bars in metres and in feet, one above the other, no longer than `most` points."""
    for unit, size, off in (("m", 1.0, 0.0), ("ft", 1 / FEET_PER_METRE, -11.0)):
        step = next(
            (
                s
                for s in (500, 400, 300, 200, 100, 50, 40, 20, 10, 5)
                if s * size * per_metre <= most - 16
            ),
            5,
        )
        length = step * size * per_metre
        paper.canvas.setFillGray(0)
        paper.canvas.rect(x, y + off, length / 2, 2.2, stroke=0, fill=1)
        paper.canvas.setLineWidth(0.5)
        paper.canvas.setStrokeGray(0)
        paper.canvas.rect(x, y + off, length, 2.2, stroke=1, fill=0)
        paper.put(x, y + off + 3.6, "0", 5.6)
        paper.put(x + length, y + off + 3.6, f"{step} {unit}", 5.6, align="middle")


# ---------------------------------------------------------------------------------------------
# The property


def overview(paper: Paper, box: Box, scene: MapData) -> View:
    """Map of the property with a grid, north up; returns the view for what stands around it."""
    edge = 0.02 * max(np.ptp(np.reshape(scene.land.bounds, (2, 2)), axis=0))
    left, bottom, right, top = scene.land.bounds
    bounds = (left - edge, bottom - edge, right + edge, top + edge)
    scale = north_up(box, bounds).scale
    # No taller than the land asks for; what is left is for words.
    tall = min(box[3] - box[1], (bounds[3] - bounds[1]) * MM * 1000 / scale + 8)
    box = (box[0], box[3] - tall, box[2], box[3])
    view = north_up(box, bounds)
    with _Picture(paper, view) as picture:
        if scene.canopy is not None:
            picture.grey(scene.canopy, scene.grid, canopy_tone)
        relief = float(np.nanmax(scene.ground) - np.nanmin(scene.ground))
        picture.contours(scene.ground, scene.grid, _step_of(relief, 12))
        _waters(picture, scene)
        _grid_lines(picture, view)
        picture.shape(scene.land, 1.6, 0.0, (7, 2, 1.5, 2), closed=True)
        walks = scene.outing.walks
        if walks is not None:
            for walk in walks.geometry:
                picture.line(shapely.get_coordinates(walk), 0.9, 0.0, (0.5, 2.0))
        for hole in scene.outing.holes:
            picture.line(shapely.get_coordinates(hole.line), 1.2, cased=True)
        for hole in scene.outing.holes:
            after = hole.landings[0] if hole.landings else hole.basket
            picture.tee(hole.tee.xy, after.xy, 2.4)
            for landing in hole.landings:
                picture.landing(landing.xy, 2.4)
            picture.basket(hole.basket.xy, 2.4)
        start = scene.outing.start
        signs = [spot.xy for hole in scene.outing.holes for spot in hole.spots]
        tags = _Tags(picture, [*signs, start.xy] if start else signs)
        for hole in scene.outing.holes:
            tags.put(hole.tee.xy, str(hole.number), "ring")
        for point, number in zip(scene.checks.geometry, scene.checks["check_id"], strict=True):
            tags.put((point.x, point.y), str(number), "square")
        if start is not None:
            picture.label(start.xy, "P" if scene.outing.start_given else "S")
    _grid_numbers(paper, view)
    return view


class _Tags:
    """Places for tags beside what they name, moved aside where they would meet.

    Parameters
    ----------
    picture
        Where they are drawn.
    signs
        Places on the land of signs to keep off.
    """

    _ROOM = 9.5  # points from tag to tag

    def __init__(self, picture: _Picture, signs: Sequence[Point]) -> None:
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


def _waters(picture: _Picture, scene: MapData) -> None:
    seen = picture.view.outline()
    for shape in scene.wet:
        if shape.intersects(seen):
            picture.hatch(shape, 4.0, (2.0, 3.0))
    for shape in scene.water:
        if shape.intersects(seen):
            picture.hatch(shape, 1.8)
            picture.shape(shape, 0.7, closed=True)


def _step_of(relief: float, lines: int) -> float:
    return next((s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if relief / s <= lines), 50.0)


def _grid_step(view: View) -> int:
    return next(s for s in (50, 100, 200, 500, 1000, 2000, 5000) if s * view.per_metre > 45)


def _grid_values(low: float, high: float, step: int) -> NDArray[np.int64]:
    return np.arange(int(np.ceil(low / step)) * step, high, step).astype(np.int64)


def _grid_lines(picture: _Picture, view: View) -> None:
    x0, y0, x1, y1 = view.outline().bounds
    step = _grid_step(view)
    for x in _grid_values(x0, x1, step):
        picture.line([(x, y0), (x, y1)], 0.3, 0.3)
    for y in _grid_values(y0, y1, step):
        picture.line([(x0, y), (x1, y)], 0.3, 0.3)


def _grid_numbers(paper: Paper, view: View) -> None:
    """Coordinates of the grid lines along the lower and left edges of the map."""
    x0, y0, x1, y1 = view.outline().bounds
    step = _grid_step(view)
    for x in _grid_values(x0, x1, step):
        at = view.page([(x, y0)])[0][0]
        if view.box[0] + 8 < at < view.box[2] - 8:
            paper.put(float(at), view.box[1] - 6.5, f"{x:d}", 5.2, align="middle")
    canvas = paper.canvas
    for y in _grid_values(y0, y1, step):
        at = view.page([(x0, y)])[0][1]
        if view.box[1] + 12 < at < view.box[3] - 12:
            canvas.saveState()
            canvas.translate(view.box[0] - 2.2, float(at))
            canvas.rotate(90)
            paper.put(0, 0, f"{y:d}", 5.2, align="middle")
            canvas.restoreState()


# ---------------------------------------------------------------------------------------------
# A hole


def plan(paper: Paper, box: Box, scene: MapData, hole: Played) -> View:
    """Plan of a hole, play going to the right; returns the view for the profile below it."""
    view = along_play(box, hole)
    seen = view.outline()
    with _Picture(paper, view) as picture:
        if scene.canopy is not None:
            picture.grey(scene.canopy, scene.grid, canopy_tone)
        picture.contours(scene.ground, scene.grid, 1.0)
        _waters(picture, scene)
        picture.shape(scene.land, 1.6, 0.0, (7, 2, 1.5, 2), closed=True)
        for other in scene.outing.holes:
            if other.number != hole.number and other.line.intersects(seen):
                picture.line(shapely.get_coordinates(other.line), 0.8, 0.35, (4, 2.5), cased=True)
                inside = other.line.intersection(seen).representative_point()
                picture.label((inside.x, inside.y), str(other.number))
        ring = shapely.Point(hole.basket.xy).buffer(CIRCLE)
        picture.shape(ring, 0.7, 0.0, (3, 2), closed=True)
        for shape in hole.trim.geometry:
            picture.hatch(shape, 2.2, grey=0.4)
            picture.shape(shape, 0.6, closed=True)
        spots = [spot.xy for spot in hole.spots]
        for leg in hole.legs.geometry:
            picture.line(np.array(_ends(leg)), 0.5, 0.0, (1, 2))
            picture.line(shapely.get_coordinates(leg), 1.5, cased=True)
        _throws(picture, hole)
        _distances(picture, hole, scene.feet_first)
        picture.tee(spots[0], spots[1])
        for landing in hole.landings:
            picture.landing(landing.xy)
        picture.basket(spots[-1])
        for name, spot in zip(names_of(hole), spots, strict=True):
            picture.label(spot, name, "", (0.0, -9.0))
        tags = _Tags(picture, spots)
        for place, shape in enumerate(hole.trim.geometry, start=1):
            at = shape.representative_point()
            tags.put((at.x, at.y), str(place), "ring")
        for point, number in zip(scene.checks.geometry, scene.checks["check_id"], strict=True):
            if point.within(seen):
                tags.put((point.x, point.y), f"C{number}", "square")
        north_arrow(paper, box[2] - 17, box[3] - 19, view.east, 9.0)
    return view


def names_of(hole: Played) -> list[str]:
    """Names of tee, landing zones and basket, as in the field points."""
    number = hole.number
    return [
        f"T{number}",
        *(f"L{number}{letter}" for letter in "abcdefgh"[: len(hole.landings)]),
        f"B{number}",
    ]


def _throws(picture: _Picture, hole: Played) -> None:
    """Where throws come to rest, and where those that fail do so; as far as the run tells."""
    for _, leg in hole.legs.iterrows():
        start, end = _ends(leg.geometry)
        way = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        if pd.notna(leg.get("landing_long_m")):
            middle = end + way * leg["landing_past_m"]
            turn = np.radians(leg["landing_bearing_deg"])
            long, wide = leg["landing_long_m"] / 2, leg["landing_wide_m"] / 2
            t = np.linspace(0, 2 * np.pi, 61)
            # Bearings run clockwise from north.
            x = long * np.cos(t) * np.sin(turn) + wide * np.sin(t) * np.cos(turn)
            y = long * np.cos(t) * np.cos(turn) - wide * np.sin(t) * np.sin(turn)
            picture.line(middle + np.c_[x, y], 0.7, 0.2, (1.2, 1.6), closed=True)
        if fails(leg):
            left = np.array([-way[1], way[0]])
            place = start + way * leg["fail_at_m"] + left * leg["fail_side_m"]
            x, y = picture.view.page([place])[0]
            cross(picture.paper, float(x), float(y))


def fails(leg: pd.Series[Any]) -> bool:
    """Whether it is worth telling where the throws that fail do so."""
    return bool(pd.notna(leg.get("fail_at_m")) and leg["clear_rate"] < _NEARLY_CLEAR)


def cross(paper: Paper, x: float, y: float, size: float = 2.6) -> None:
    """Two strokes, on white."""
    for width, grey in ((2.6, 1.0), (1.1, 0.0)):
        for turn in (-1, 1):
            paper.stroke([(x - size, y - turn * size), (x + size, y + turn * size)], width, grey)


def _ends(leg: shapely.LineString) -> tuple[Floats, Floats]:
    """Where a throw sets out and where it ends.

    The next throw of a hole starts somewhere in the landing zone, not on the spot that stands for
    it.
    """
    first, last = shapely.get_coordinates(leg)[[0, -1]]
    return first, last


def _distances(picture: _Picture, hole: Played, feet_first: bool) -> None:
    """Strokes across the line of play every 10 m, or 50 ft, from each throw's start."""
    step = 50 / FEET_PER_METRE if feet_first else 10.0
    for leg in hole.legs.geometry:
        start, end = _ends(leg)
        size = float(np.hypot(*(end - start)))
        way = (end - start) / max(size, 1e-9)
        side = np.array([-way[1], way[0]]) * 2.0 / picture.view.per_metre
        for i in range(1, int(size / step) + 1):
            at = start + way * i * step
            picture.line([at - side, at + side], 0.5)


@dataclass(frozen=True)
class Section:
    """What stands along a hole, unrolled.

    Attributes
    ----------
    along
        Metres from the tee along the throws' straight lines (n,).
    ground, canopy
        Height of the ground, and of the canopy's top, over datum [m] (n,); NaN unknown.
    flight
        Height of the disc over datum [m] (n,).
    density
        Contacts per metre in each layer over the ground (n, layers); None without lidar. The
        greatest within a metre to both sides.
    searched
        Whether lidar searched the layer (n, layers).
    joints
        Where throws start and end [m], the tee first.
    """

    along: Floats
    ground: Floats
    canopy: Floats
    flight: Floats
    density: Floats | None
    searched: NDArray[np.bool_] | None
    joints: tuple[float, ...] = field(default=())


def section(scene: MapData, hole: Played, step: float = 0.5) -> Section:
    """Cut the land along the flights of a hole, every `step` metres."""
    xs: list[Floats] = []
    ys: list[Floats] = []
    zs: list[Floats] = []
    ss: list[Floats] = []
    joints = [0.0]
    for leg in hole.legs.geometry:
        points = shapely.get_coordinates(leg, include_z=True)
        start, end = _ends(leg)
        size = max(float(np.hypot(*(end - start))), 1e-6)
        gone = np.maximum.accumulate((points[:, :2] - start) @ (end - start) / size)
        at = np.arange(0.0, size, step)
        for into, values in ((xs, points[:, 0]), (ys, points[:, 1]), (zs, points[:, 2])):
            into.append(np.interp(at, gone, values))
        ss.append(at + joints[-1])
        joints.append(joints[-1] + size)
    x, y, along = np.concatenate(xs), np.concatenate(ys), np.concatenate(ss)
    grid = scene.grid
    row, col = grid.rowcol(x, y)
    row, col = np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)
    ground = np.asarray(scene.ground[row, col], np.float64)
    canopy = np.full(along.size, np.nan)
    density = searched = None
    if scene.canopy is not None:
        canopy = ground + np.asarray(scene.canopy[row, col], np.float64)
    if scene.columns is not None:
        columns = scene.columns
        reach = max(0, round(1.0 / grid.cell))
        codes = np.zeros((along.size, LAYERS), np.uint8)
        for i in range(-reach, reach + 1):
            for j in range(-reach, reach + 1):
                if i * i + j * j <= reach * reach:
                    r = np.clip(row + i, 0, grid.rows - 1)
                    c = np.clip(col + j, 0, grid.cols - 1)
                    np.maximum(codes, columns.density[r, c], out=codes)
        density = np.where(codes == SOLID, 1e3, columns.table[codes]).astype(np.float64)
        bits = np.uint64(1) << np.arange(LAYERS, dtype=np.uint64)
        searched = (np.asarray(columns.searched[row, col])[:, None] & bits) != 0
    return Section(along, ground, canopy, np.concatenate(zs), density, searched, tuple(joints))


def profile(
    paper: Paper, box: Box, scene: MapData, hole: Played, view: View
) -> tuple[float, float]:
    """Profile of a hole under its plan; returns how much heights are stretched, and metres shown.

    Distances stand under those of the plan where the hole is one throw; a hole with bends is
    unrolled.
    """
    cut = section(scene, hole)
    x0, y0, x1, y1 = box
    straight = len(hole.spots) == 2
    total = cut.joints[-1]
    per_metre = view.per_metre if straight else min(view.per_metre, (x1 - x0 - 30) / total)
    left = float(view.page([hole.tee.xy])[0][0]) if straight else x0 + 20
    known = cut.ground[np.isfinite(cut.ground)]
    lowest = float(known.min()) if known.size else float(np.nanmin(cut.flight))
    highest = max(float(np.nanmax(cut.flight)), float(known.max()) + 8.0 if known.size else 0.0)
    free = y1 - y0 - _UNDER - _OVER
    stretch = next(
        (s for s in (4.0, 3.0, 2.0, 1.5, 1.0) if (highest - lowest) * per_metre * s <= free), 1.0
    )
    up = per_metre * stretch
    base = lowest - _UNDER / up

    def at(along: Any, height: Any) -> list[Point]:
        x = left + np.asarray(along, np.float64) * per_metre
        y = y0 + (np.asarray(height, np.float64) - base) * up
        return [
            (float(a), float(b)) for a, b in zip(np.atleast_1d(x), np.atleast_1d(y), strict=True)
        ]

    canvas = paper.canvas
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(x0, y0, x1 - x0, y1 - y0)
    canvas.clipPath(path, stroke=0, fill=0)
    if cut.density is not None and cut.searched is not None:
        shades = _section_image(cut, base, base + (y1 - y0) / up)
        image = ImageReader(Image.fromarray(shades))
        canvas.drawImage(image, left, y0, total * per_metre, y1 - y0)
    tee_ground = float(np.interp(0.0, cut.along, np.nan_to_num(cut.ground, nan=base)))
    unit = 10 / FEET_PER_METRE if scene.feet_first else 5.0
    first = int(np.ceil((base - tee_ground) / unit))
    for i in range(first, first + 60):
        y = at(0, tee_ground + i * unit)[0][1]
        if y > y1:
            break
        paper.stroke([(x0, y), (x1, y)], 0.25, 0.55, (1, 2))
    if np.isfinite(cut.canopy).any():
        paper.stroke(at(cut.along, np.nan_to_num(cut.canopy, nan=base)), 0.4, 0.35, (2, 1.2))
    earth = [(left, y0 - 5), *at(cut.along, np.nan_to_num(cut.ground, nan=base))]
    earth += [(earth[-1][0], y0 - 5)]
    _blob(paper, earth, 0.86)
    paper.stroke(earth[1:-1], 1.2)
    _trim_marks(paper, cut, hole, at)
    flown = at(cut.along, cut.flight)
    for joint, after in zip(cut.joints[:-1], cut.joints[1:], strict=True):
        mine = [p for p, s in zip(flown, cut.along, strict=True) if joint <= s < after]
        if len(mine) > 1:
            paper.stroke(mine, 1.5 + _CASING, 1.0)
            paper.stroke(mine, 1.5)
    for start, (_, leg) in zip(cut.joints, hole.legs.iterrows(), strict=False):
        if fails(leg):
            along = start + float(leg["fail_at_m"])
            under = float(np.interp(along, cut.along, np.nan_to_num(cut.ground, nan=base)))
            cross(paper, *at(along, under + float(leg["fail_height_m"]))[0])
    for name, joint in zip(names_of(hole), cut.joints, strict=True):
        height = float(np.interp(joint, cut.along, np.nan_to_num(cut.ground, nan=base)))
        x, y = at(joint, height)[0]
        paper.stroke([(x, y), (x, y + 4 + 1.5 * up)], 0.8)
        tag(paper, x, y - 6, name)
    _pinch_marks(paper, cut, hole, at, y1, scene.feet_first)
    canvas.restoreState()
    paper.stroke([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 0.7, closed=True)
    for i in range(first, first + 60):
        y = at(0, tee_ground + i * unit)[0][1]
        if y > y1 - 3:
            break
        if y > y0 + 3:
            value = i * 10 if scene.feet_first else i * 5
            tag(paper, x0 + 7, y, f"{value:+d}" if value else "0", size=5.2)
    return stretch, (y1 - y0) / up


def _section_image(cut: Section, low: float, high: float) -> NDArray[np.uint8]:
    """Greys of the section, rows from `high` down to `low` over datum, half a layer each."""
    assert cut.density is not None
    assert cut.searched is not None
    rows = max(2, int((high - low) / (LAYER_HEIGHT / 2)))
    z = high - (np.arange(rows) + 0.5) * (high - low) / rows
    layer = np.floor((z[:, None] - cut.ground[None]) / LAYER_HEIGHT)
    inside = np.isfinite(layer) & (layer >= 0) & (layer < LAYERS)
    k = np.where(inside, layer, 0).astype(np.int64)
    column = np.broadcast_to(np.arange(cut.along.size), k.shape)
    density = np.where(inside, cut.density[column, k], 0.0)
    shade = 255 - 150 * np.clip(density / _DENSE, 0, 1) ** 0.5
    # Not searched: dots, whatever density is expected there.
    unseen = inside & ~cut.searched[column, k]
    dots = (np.arange(rows)[:, None] // 2 + np.arange(cut.along.size)[None]) % 3 == 0
    shade = np.where(unseen, np.where(dots, 120, 255), shade)
    return np.asarray(shade.round(), np.uint8)


def _leg_start(cut: Section, hole: Played, leg_id: int) -> float:
    chain = [int(i) for i in hole.legs["leg_id"]]
    return cut.joints[chain.index(leg_id)]


def _trim_marks(
    paper: Paper, cut: Section, hole: Played, at: Callable[[Any, Any], list[Point]]
) -> None:
    """Bars from the lower to the upper end of each piece, numbered where there is room."""
    tagged: list[float] = []
    for place, (_, piece) in enumerate(hole.trim.iterrows(), start=1):
        along = _leg_start(cut, hole, int(piece["leg_id"])) + float(piece["along_m"])
        ground = float(np.interp(along, cut.along, np.nan_to_num(cut.ground, nan=0.0)))
        (x, low), (_, high) = at([along] * 2, [ground + piece["low_m"], ground + piece["high_m"]])
        sides = (x - 2.0, x + 2.0)
        corners = [(sides[0], low), (sides[1], low), (sides[1], high), (sides[0], high)]
        paper.stroke(corners, 0.7, closed=True)
        # The plan and the list number them all.
        if all(abs(x - other) > 9.0 for other in tagged):
            tag(paper, x, high + 6, str(place), "ring", 5.2)
            tagged.append(x)


def _pinch_marks(
    paper: Paper, cut: Section, hole: Played, at: Callable[[Any, Any], list[Point]],
    top: float, feet_first: bool,
) -> None:  # fmt: skip
    for start, (_, leg) in zip(cut.joints, hole.legs.iterrows(), strict=False):
        width = float(leg["pinch_width_m"])
        if not np.isfinite(width):
            continue
        x, _ = at(start + float(leg["pinch_at_m"]), 0.0)[0]
        paper.stroke([(x, top), (x, top - 9)], 0.9)
        wide = f"{width * FEET_PER_METRE:.0f} ft" if feet_first else f"{width:.1f} m"
        tag(paper, x, top - 12, f"gap {wide}")
