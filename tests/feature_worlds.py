"""Land with features of known place and size, as the stages before would give it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from scipy import ndimage as ndi

import leg_worlds
from lanewright.features.features import Features, find_features
from lanewright.growth.columns import layer_mask
from lanewright.growth.lanes import Growth, trace_lanes
from lanewright.scene import Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.levels import all_levels
from leg_worlds import BOTTOM, LEFT, centres

SIZE = 300.0
LEVELS = tuple(level for level in all_levels() if level.name in ("blue", "red"))
Heights = Callable[[np.ndarray, np.ndarray], np.ndarray]


def level_land() -> Scene:
    """Open and flat, 300 m square, in cells of a metre."""
    return leg_worlds.bare(SIZE, 1.0)


def shaped(heights: Heights, world: Scene | None = None) -> Scene:
    """Land with the ground raised by a function of metres east and north of its corner."""
    world = world or level_land()
    ground = 200 + heights(*centres(world))
    down, right = np.gradient(ground, world.grid.cell)
    return replace(
        world,
        ground=ground.astype(np.float32),
        slope_pct=(100 * np.hypot(down, right)).astype(np.float32),
    )


def flooded(where: Any, world: Scene | None = None) -> Scene:
    """Land with open water on the cells of `where`, a metre below its banks."""
    world = world or level_land()
    ground = world.ground - np.where(where, np.float32(1), np.float32(0))
    return replace(world, water=where, ground=ground)


def wooded(where: Any, world: Scene | None = None, high: float = 16.0) -> Scene:
    """Land with a wall of wood on the cells of `where`, from the ground up."""
    return leg_worlds.planted(world or level_land(), where, 0.6, 0.0, high)


def with_trees(rows: list[tuple[float, float, float, float]], world: Scene | None = None) -> Scene:
    """Land with trees: metres east and north, height and crown width."""
    world = world or level_land()
    east, north, height, crown = np.array(rows, float).T
    points = gpd.points_from_xy(LEFT + east, BOTTOM + north)
    trees = gpd.GeoDataFrame(
        {"height_m": height, "crown_m": crown, "dbh_cm": 30.0, "crown_base_m": 3.0},
        geometry=points, crs=world.grid.crs,
    )  # fmt: skip
    return replace(world, trees=trees)


def found_in(
    world: Scene, roof: Any = None, dark: Any = None, setback: float = 0.0, **changes: Any
) -> Features:
    """The stage on a scene, lanes traced through its own columns.

    Cells of `roof` are roofed; of cells of `dark` lidar searched too little to say a width.
    """
    roofed = np.zeros(world.grid.shape, bool) if roof is None else roof
    blocked = world.blocked | np.where(roofed, layer_mask(7, 12), np.uint64(0))
    canopy = np.where(roofed, 12, world.canopy_height)
    growth = Growth(blocked, np.zeros_like(blocked), canopy, roofed)
    inside = np.ones(world.grid.shape, bool)
    lanes = trace_lanes(world.grid, growth, world.water, inside, LanesSettings())
    hidden = np.zeros(world.grid.shape, bool) if dark is None else dark
    width = np.where(hidden, np.float32(np.nan), lanes.free_width)
    free = replace(world, free_width=width)
    return find_features(free, lanes, LEVELS, FeaturesSettings(**changes), setback=setback)


def place(east: float, north: float) -> shapely.Point:
    """A place, metres east and north of the south-west corner."""
    return shapely.Point(LEFT + east, BOTTOM + north)


def line(*points: tuple[float, float]) -> shapely.LineString:
    """A line, metres east and north of the south-west corner."""
    return shapely.LineString([(LEFT + x, BOTTOM + y) for x, y in points])


def disc(world: Scene, east: float, north: float, radius: float) -> Any:
    """Cells of a disc."""
    x, y = centres(world)
    return np.hypot(x - east, y - north) <= radius


def bump(east: float, north: float, high: float, sigma: float) -> Heights:
    """A round hill, or a hollow where `high` is negative."""
    return lambda x, y: high * np.exp(-((x - east) ** 2 + (y - north) ** 2) / (2 * sigma**2))


def corridor(world: Scene, points: list[tuple[float, float]], width: float) -> Any:
    """Cells within half a width of a line."""
    far = np.ones(world.grid.shape, bool)
    x, y = centres(world)
    path = shapely.LineString(points)
    away = shapely.distance(path, shapely.points(x, y))
    far[away <= width / 2] = False
    return ~far


def smooth(heights: np.ndarray, metres: float) -> np.ndarray:
    """Heights without sharp corners."""
    return np.asarray(ndi.gaussian_filter(heights, metres))


def of_kind(found: Features, kind: str) -> gpd.GeoDataFrame:
    """Features of one kind."""
    rows = found.features
    return rows[rows["kind"] == kind]


def wood_with(ways: list[tuple[list[tuple[float, float]], float]]) -> tuple[Scene, Any]:
    """A wood with ways of points and widths through it, and the cells of these."""
    world = level_land()
    free = np.zeros(world.grid.shape, bool)
    for points, width in ways:
        free |= corridor(world, points, width)
    return wooded(~free, world), free
