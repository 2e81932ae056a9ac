"""The map of the property in the book, and what stands around maps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from lanewright.base.units import FOOT
from lanewright.publish.book.paper import MM, Paper
from lanewright.publish.book.view import (
    Box,
    Picture,
    Point,
    Tags,
    View,
    blob,
    canopy_tone,
    north_up,
)
from lanewright.publish.mapdata import Contour, MapData, contours, height_spots, step_within
from lanewright.visit.outing import Outing, Played

BORDER = (7.0, 2.0, 1.5, 2.0)
"""Dashes of the property's outline."""
KEEP_OUT = (2.0, 1.6)
"""Dashes around keep-outs."""
_CLEAR = 14.0  # points between a height and a fairway
START = {True: "A", False: "S"}
"""Sign of where the round starts: the arrival that was given, or the start a layout found."""

CREEKS = (7.0, 1.4)
"""Dashes of a creek."""

COARSE = 1e-4
"""Metres on paper that a contour may be off: a tenth of a millimetre is nothing there."""
_NAME = 12.0  # points from the edge of a map within which no road is named
_LINES = 12  # most heights with a contour on the map of the property


@dataclass(frozen=True)
class Book:
    """What the book draws.

    Attributes
    ----------
    data
        The land.
    outing
        The holes.
    checks
        The layer `field_checks`.
    feet_first
        Whether the reader thinks in feet.
    features, walk, keep_out
        The layers `features`, `first_walk` and `keep_out`; None where the run has none.
    uses
        Features of each hole in words, by `hole_id`.
    """

    data: MapData
    outing: Outing
    checks: gpd.GeoDataFrame
    feet_first: bool = False
    features: gpd.GeoDataFrame | None = None
    walk: gpd.GeoDataFrame | None = None
    keep_out: gpd.GeoDataFrame | None = None
    uses: Mapping[int, str] = field(default_factory=dict)


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
    dark, light = (
        [(float(px), float(py)) for px, py in (tip, middle + turn * side * size * 0.32, tail)]
        for turn in (-1, 1)
    )
    blob(paper, dark, 0.0)
    paper.stroke(light, 0.6, closed=True)
    at = middle + up * (size + 4.5)
    paper.put(float(at[0]), float(at[1]) - 2.2, "N", 6.5, bold=True, align="middle")


def scale_bar(paper: Paper, x: float, y: float, per_metre: float, most: float) -> None:
    """Bars in metres and in feet, one above the other, no longer than `most` points."""
    for unit, size, off in (("m", 1.0, 0.0), ("ft", FOOT, -11.0)):
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


def overview(paper: Paper, box: Box, book: Book) -> View:
    """Map of the property with a grid, north up; returns the view for what stands around it."""
    data = book.data
    edge = 0.02 * max(np.ptp(np.reshape(data.land.bounds, (2, 2)), axis=0))
    left, bottom, right, top = data.land.bounds
    bounds = (left - edge, bottom - edge, right + edge, top + edge)
    scale = north_up(box, bounds).scale
    # No taller than the land asks for; what is left is for words.
    tall = min(box[3] - box[1], (bounds[3] - bounds[1]) * MM * 1000 / scale + 8)
    box = (box[0], box[3] - tall, box[2], box[3])
    view = north_up(box, bounds)
    with Picture(paper, view) as picture:
        lines, _ = contours(data, view.outline(), _LINES, COARSE * scale)
        backdrop(picture, data, lines, data.wet, data.water)
        _grid_lines(picture, view)
        built(picture, data)
        picture.shape(data.land, 1.6, BORDER)
        for area in book.keep_out.geometry if book.keep_out is not None else ():
            if area.intersects(view.outline()):
                picture.shape(area, 0.9, KEEP_OUT)
        _round(picture, book.outing)
        _heights(picture, book, lines)
        _road_names(picture, data)
        _numbers(picture, book)
    _grid_numbers(paper, view)
    return view


def _heights(picture: Picture, book: Book, lines: Sequence[Contour]) -> None:
    """The height on the longest contour of each level, where no hole is played."""
    fairways = shapely.MultiLineString([hole.line for hole in book.outing.holes])
    for x, y, level in height_spots(lines, fairways, _CLEAR / picture.view.per_metre):
        picture.label((x, y), f"{level / FOOT if book.feet_first else level:.0f}")


def step_of(data: MapData, view: View) -> float:
    """Height between the contours of the map of the property [m]."""
    return step_within(data, view.outline(), _LINES)


def backdrop(
    picture: Picture,
    data: MapData,
    lines: Sequence[Contour],
    wet: Sequence[shapely.Geometry],
    water: Sequence[shapely.Geometry],
) -> None:
    """Canopy, contours, wet ground in loose strokes, water in close ones with an outline."""
    if data.canopy is not None:
        picture.grey(data.canopy, data.grid, canopy_tone)
    picture.contours(lines)
    seen = picture.view.outline()
    for shape in wet:
        if shape.intersects(seen):
            picture.hatch(shape, 4.0, (2.0, 3.0))
    for shape in water:
        if shape.intersects(seen):
            picture.hatch(shape, 1.8)
            picture.shape(shape, 0.7)


def built(picture: Picture, data: MapData) -> None:
    """Creeks, roads as their files draw them, buildings, overhead wires."""
    seen = picture.view.outline()
    for line in data.creeks:
        for part in shapely.get_parts(line.intersection(seen)):
            picture.line(shapely.get_coordinates(part), 0.9, 0.2, CREEKS, cased=True)
    for _, line in data.roads:
        for part in shapely.get_parts(line.intersection(seen)):
            picture.road(shapely.get_coordinates(part))
    for shape in data.buildings:
        if shape.intersects(seen):
            picture.building(shape)
    for line in data.wires:
        for part in shapely.get_parts(line.intersection(seen)):
            picture.wire(shapely.get_coordinates(part))


def _road_names(picture: Picture, data: MapData) -> None:
    """The name of each drawn line on its middle, once."""
    seen = picture.view.outline().buffer(-_NAME / picture.view.per_metre)
    for name in dict.fromkeys(name for name, _ in data.roads):
        parts = [line.intersection(seen) for other, line in data.roads if other == name]
        longest = max(parts, key=lambda part: part.length)
        if longest.length > 0:
            spot = longest.interpolate(0.5, normalized=True)
            picture.label((spot.x, spot.y), name)


def _round(picture: Picture, outing: Outing) -> None:
    """Walks and holes."""
    if outing.walks is not None:
        for walk in outing.walks.geometry:
            picture.line(shapely.get_coordinates(walk), 0.9, 0.0, (0.5, 2.0))
    for hole in outing.holes:
        picture.line(shapely.get_coordinates(hole.line), 1.2, cased=True)
    for hole in outing.holes:
        after = hole.landings[0] if hole.landings else hole.basket
        others(picture, hole, 1.9)
        picture.tee(hole.tee.xy, after.xy, 2.4)
        for landing in hole.landings:
            picture.landing(landing.xy, 2.4)
        picture.basket(hole.basket.xy, 2.4)


def others(picture: Picture, hole: Played, size: float) -> None:
    """Other tees and pins of a hole."""
    aim = hole.landings[0] if hole.landings else hole.basket
    for other in hole.positions:
        if other.kind == "tee":
            picture.tee(other.spot.xy, aim.xy, size, hollow=True)
        else:
            picture.other_pin(other.spot.xy, size)


def _numbers(picture: Picture, book: Book) -> None:
    """Numbers of holes and checks, and where the round starts."""
    outing, checks = book.outing, book.checks
    signs = [spot.xy for hole in outing.holes for spot in hole.spots]
    signs += [other.spot.xy for hole in outing.holes for other in hole.positions]
    if outing.start is not None:
        signs.append(outing.start.xy)
    tags = Tags(picture, signs)
    for hole in outing.holes:
        tags.put(hole.tee.xy, str(hole.number), "ring")
    for point, number in zip(checks.geometry, checks["check_id"], strict=True):
        tags.put((point.x, point.y), str(number), "square")
    if outing.start is not None:
        picture.label(outing.start.xy, START[outing.start_given])


def _grid_step(view: View) -> int:
    return next(s for s in (50, 100, 200, 500, 1000, 2000, 5000) if s * view.per_metre > 45)


def _grid_values(low: float, high: float, step: int) -> NDArray[np.int64]:
    return np.arange(int(np.ceil(low / step)) * step, high, step).astype(np.int64)


def _grid_lines(picture: Picture, view: View) -> None:
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
