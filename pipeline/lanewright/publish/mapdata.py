"""What drawings of the land are made from, and its lines of equal height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import find_contours

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.base.rows import Row
from lanewright.base.units import FOOT
from lanewright.growth.columns import Columns
from lanewright.publish.spread import Spread

_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)  # m between contours
_FOOT_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # ft between contours
_SPOTS = tuple(sorted(range(2, 31), key=lambda k: abs(k - 16)))
"""Places of a contour at which its height may stand, in 32nds of it; its middle first."""

_GRAIN = 1.5  # m; lidar ground is rough by centimetres, a contour is no place to show that
_SHORT = 8  # points of a contour that is left out for smallness


@dataclass(frozen=True)
class MapData:
    """The land as drawings see it.

    Attributes
    ----------
    grid
        Georeference of the rasters.
    ground : (rows, cols)
        Height of the ground [m]; NaN unknown.
    canopy : (rows, cols)
        Height of the canopy over it [m]; None without lidar.
    columns
        What stands in each layer; None without lidar.
    land
        The property.
    water, wet
        Outlines of water and of wet ground.
    stems : (n, 2)
        Where trees were found.
    roads
        Lines that keep-out files draw, with the names of their files.
    creeks
        Lines along which water runs.
    buildings, wires
        Ground that buildings stand on; overhead wires.
    built
        What the buildings are, in words: bridges may be among them, or alone.
    feet
        Whether contours stand at whole feet.
    blocked
        Contacts per metre from which growth counts as blocking.
    """

    grid: Grid
    ground: NDArray[np.floating]
    canopy: NDArray[np.floating] | None
    columns: Columns | None
    land: shapely.Geometry
    water: Sequence[shapely.Geometry]
    wet: Sequence[shapely.Geometry]
    stems: Floats = field(default_factory=lambda: np.empty((0, 2)))
    blocked: float = 0.1
    roads: Sequence[tuple[str, shapely.Geometry]] = ()
    creeks: Sequence[shapely.Geometry] = ()
    buildings: Sequence[shapely.Geometry] = ()
    wires: Sequence[shapely.Geometry] = ()
    built: str = "building"
    feet: bool = False

    @cached_property
    def smooth(self) -> Floats:
        """The ground that contours are traced on, without its grain; made once for all drawings."""
        return _smooth(np.asarray(self.ground, np.float64), _GRAIN / self.grid.cell)


@dataclass(frozen=True)
class Line:
    """A hole, or a single leg, as its drawings need it.

    Attributes
    ----------
    legs
        Rows of `legs`, tee first.
    paths
        The flight of each, (points, 3): x, y, height in the vertical datum.
    work, outlines
        Rows of `trim_work` that are chosen for its legs, and the outline of each.
    spreads
        How throws at each leg spread; None where unknown.
    others
        Other tees and pins: kind, words, and place (2,).
    """

    legs: tuple[Row, ...]
    paths: tuple[Floats, ...]
    work: tuple[Row, ...] = ()
    outlines: tuple[shapely.Geometry, ...] = ()
    spreads: tuple[Spread | None, ...] = ()
    others: tuple[tuple[str, str, Floats], ...] = ()

    @property
    def tee(self) -> Floats:
        """Where the first throw sets out, (2,)."""
        return np.asarray(self.paths[0][0, :2])

    @property
    def end(self) -> Floats:
        """Where the last throw ends, (2,)."""
        return np.asarray(self.paths[-1][-1, :2])


def unit(way: Floats) -> Floats:
    """Vector of length 1 along a way (2,)."""
    return np.asarray(way / max(float(np.hypot(*way)), 1e-9))


def heading(way: Floats) -> Floats:
    """Unit vector along a way (2,); east for a way that comes back to where it began."""
    return unit(way) if np.hypot(*way) > 1 else np.array([1.0, 0.0])


@dataclass(frozen=True)
class Contour:
    """A line of equal height (n, 2), and that height [m]; every fifth is strong."""

    places: Floats
    strong: bool
    level: float


def contour_step(relief: float, lines: int, *, feet: bool = False) -> float:
    """Metres between contours so that no more than so many lines cover a relief [m].

    Examples
    --------
    >>> contour_step(22.0, 12), round(contour_step(22.0, 12, feet=True) / FOOT, 6)
    (2.0, 10.0)
    """
    if feet:
        return next((s for s in _FOOT_STEPS if relief / (s * FOOT) <= lines), 100.0) * FOOT
    return next((s for s in _STEPS if relief / s <= lines), 50.0)


def height_spots(
    lines: Sequence[Contour], busy: shapely.Geometry, clear: float
) -> list[tuple[float, float, float]]:
    """Where the height of each level may stand: on its longest contour, off what is drawn.

    Parameters
    ----------
    busy
        Lines and signs to keep off.
    clear
        How far [m], from them and from one another.

    Returns
    -------
    list of (x, y, level)
        None for a level that has no free place.
    """
    longest = {c.level: c for c in sorted(lines, key=lambda c: len(c.places))}
    taken: list[shapely.Point] = []
    made = []
    for level, contour in sorted(longest.items()):
        count = len(contour.places)
        spots = [contour.places[count * k // 32] for k in _SPOTS if count > 32]
        for spot in map(shapely.Point, spots):
            if spot.distance(busy) < clear or any(spot.distance(t) < clear for t in taken):
                continue
            taken.append(spot)
            made.append((float(spot.x), float(spot.y), level))
            break
    return made


def contours(
    data: MapData, window: shapely.Geometry, lines: int, coarse: float = 0.3
) -> tuple[list[Contour], float]:
    """Lines of equal height within a window.

    Parameters
    ----------
    window
        Part of the land that is drawn.
    lines
        Most heights to draw.
    coarse
        How far a drawn line may lie from the traced one [m].

    Returns
    -------
    list of Contour, float
        And the step between two heights [m].
    """
    grid, (part, row0, col0) = data.grid, _seen(data, window)
    if part is None:
        return [], 1.0
    low, high = float(np.nanmin(part)), float(np.nanmax(part))
    step = contour_step(high - low, lines, feet=data.feet)
    found = []
    for level in np.arange(np.ceil(low / step) * step, high, step):
        strong = round(level / step) % 5 == 0
        for traced in find_contours(part, level):  # type: ignore[no-untyped-call]
            if len(traced) < _SHORT:
                continue
            x = grid.left + (col0 + traced[:, 1] + 0.5) * grid.cell
            y = grid.top - (row0 + traced[:, 0] + 0.5) * grid.cell
            line = shapely.LineString(np.c_[x, y]).intersection(window).simplify(coarse)
            found += [
                Contour(shapely.get_coordinates(piece), strong, float(level))
                for piece in shapely.get_parts(line)
                if piece.geom_type == "LineString" and not piece.is_empty
            ]
    return found, step


def step_within(data: MapData, window: shapely.Geometry, lines: int) -> float:
    """The step that `contours` would draw at [m]."""
    part = _seen(data, window)[0]
    if part is None:
        return 1.0
    return contour_step(float(np.nanmax(part) - np.nanmin(part)), lines, feet=data.feet)


def _seen(data: MapData, window: shapely.Geometry) -> tuple[Floats | None, int, int]:
    """Smoothed ground of a window and a margin, and its first row and column; None without any."""
    grid, margin = data.grid, 4 * _GRAIN
    x0, y0, x1, y1 = window.bounds
    rows, cols = grid.rowcol(
        np.array([x0 - margin, x1 + margin]), np.array([y1 + margin, y0 - margin])
    )
    row0, row1 = np.clip([rows[0], rows[1] + 1], 0, grid.rows)
    col0, col1 = np.clip([cols[0], cols[1] + 1], 0, grid.cols)
    part = data.smooth[row0:row1, col0:col1]
    known = min(part.shape) >= 2 and bool(np.isfinite(part).any())
    return (part if known else None), int(row0), int(col0)


def _smooth(part: Floats, sigma: float) -> Floats:
    """Gaussian mean of what is known; NaN stays NaN."""
    known = np.isfinite(part)
    weight = ndimage.gaussian_filter(known.astype(np.float64), sigma)
    mean = ndimage.gaussian_filter(np.where(known, part, 0.0), sigma) / np.maximum(weight, 1e-9)
    return np.where(known, mean, np.nan)
