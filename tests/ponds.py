"""Ponds whose truth is known, on land with banks, and the points that a survey brings home."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

import land
import pulses
import surveyed
from lanewright.base.grid import Grid
from lanewright.land.surface import triangulate
from lanewright.land.water import Tally

CRS = "EPSG:26916"
LEFT, BOTTOM, SIZE, MARGIN = 500_000.0, 4_400_000.0, 130.0, 15.0
LEVEL = 200.0
MIDDLE = shapely.Point(LEFT + SIZE / 2, BOTTOM + SIZE / 2)

SHAPES = {
    "round": MIDDLE.buffer(15),
    "long": shapely.LineString(
        [(MIDDLE.x - 38, MIDDLE.y - 6), (MIDDLE.x, MIDDLE.y + 4), (MIDDLE.x + 38, MIDDLE.y)]
    ).buffer(6.5),
}
RETURNED = {"dense": 0.12, "sparse": 0.025, "none": 0.0}
"""Share of pulses that water sends back; at 8 pulses per m2 sparse is 0.2 returns per m2."""


@dataclass(frozen=True)
class Pond:
    """Arrays as the terrain stage takes them, the points, and where the water truly is."""

    grid: Grid
    surface: np.ndarray
    tally: Tally
    truth: np.ndarray
    points: pulses.Points

    def overlap(self, found: np.ndarray) -> float:
        """Intersection over union of found cells and true water."""
        return float((found & self.truth).sum() / (found | self.truth).sum())


def ground_around(outline, x, y, dug: float, slope: float, bank: float) -> np.ndarray:
    """A hillside that rises north by `slope`, with a pond cut `dug` metres into its upper side.

    Banks rise by `bank` (rise over run) from the water up to the hillside; on the lower side a
    lip 0.3 m high holds the water.
    """
    away = shapely.distance(outline, shapely.points(x, y))
    inside = shapely.contains_xy(outline, x, y)
    top = outline.bounds[3]
    hill = LEVEL + dug + slope * (y - top)
    lip = LEVEL + 0.3 - 0.15 * np.maximum(away - 3, 0)
    shore = shapely.distance(outline.boundary, shapely.points(x, y))
    bed = LEVEL - 0.2 - np.minimum(shore / 3, 1.5)
    return np.where(inside, bed, np.minimum(np.maximum(hill, lip), LEVEL + 0.05 + bank * away))


def trees_along(outline, every: float = 5.0) -> np.ndarray:
    """Broadleaved trees 2 m from the southern half of the shore, crowns out over the water."""
    rim = outline.buffer(2.0).exterior
    along = np.arange(0, rim.length, every)
    stand = shapely.line_interpolate_point(rim, along)
    x, y = shapely.get_x(stand), shapely.get_y(stand)
    half = y < outline.centroid.y
    trees = np.zeros(half.sum(), land.TREE)
    trees["x"], trees["y"] = x[half], y[half]
    trees["height"], trees["crown_base"], trees["crown_radius"] = 12.0, 2.0, 4.5
    trees["density"], trees["shape"], trees["stem_radius"] = 0.8, land.DOME, 0.15
    return trees


def pond(
    shape: str = "round",
    returned: str = "dense",
    dug: float = 0.3,
    slope: float = 0.0,
    bank: float = 0.5,
    shaded: bool = False,
    unseen: float = 0.0,
    cell: float = 0.5,
    seed: int = 1,
) -> Pond:
    """A pond surveyed by 8 pulses per m2 in two strips, with `unseen` metres of bank missed."""
    outline = SHAPES[shape]
    inner = (LEFT, BOTTOM, LEFT + SIZE, BOTTOM + SIZE)
    outer = (LEFT - MARGIN, BOTTOM - MARGIN, LEFT + SIZE + MARGIN, BOTTOM + SIZE + MARGIN)
    x, y = land.cell_centres(outer, 0.5)
    ground = ground_around(outline, x, y, dug, slope, bank)
    ground += 0.03 * land.smooth_noise(x.shape, 12, np.random.default_rng(seed))
    water = np.where(shapely.contains_xy(outline, x, y), LEVEL, np.nan)
    world = land.make_land(
        ground, outer[0], outer[3], water=water, trees=trees_along(outline) if shaded else None
    )
    sensor = pulses.Sensor(noise=0.02, water_return=RETURNED[returned])
    points = pulses.fly(world, pulses.crossing_strips(outer, 8.0), sensor, seed=seed)
    points = pulses.crop(points, inner)
    if unseen:
        away = shapely.distance(outline, shapely.points(points["x"], points["y"]))
        kept = (away > unseen) | (points["classification"] == 9)
        points = {name: column[kept] for name, column in points.items()}
    x, y, z, kind = (points[k] for k in ("x", "y", "z", "classification"))
    grid = Grid.over((LEFT, BOTTOM, LEFT + SIZE, BOTTOM + SIZE), cell, CRS)
    surface, _ = triangulate(x[kind == 2], y[kind == 2], z[kind == 2], grid)
    truth = shapely.contains_xy(outline, *grid.xy(*np.mgrid[: grid.rows, : grid.cols]))
    return Pond(grid, surface, surveyed.tally(grid, x, y, z, kind), truth, points)
