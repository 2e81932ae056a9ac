"""Points in memory that answer like a point store, and the ground under a planted world."""

from __future__ import annotations

import numpy as np

import land
from lanewright.base.grid import Grid
from lanewright.growth.vegetation import Vegetation, sort_vegetation
from lanewright.settings.vegetation import VegetationSettings
from lanewright.sources.points import Points

NAMES = ("x", "y", "z", "return_number", "returns", "classification", "gps_time", "source_id")


class MemoryPoints:
    def __init__(self, points: Points, grid: Grid) -> None:
        self.points, self.grid = points, grid

    def blocks(self, size_m: float = 100.0) -> list[tuple[int, int, int, int]]:
        step = max(1, round(size_m / self.grid.cell))
        rows, cols = self.grid.shape
        return [
            (row, col, min(step, rows - row), min(step, cols - col))
            for row in range(0, rows, step)
            for col in range(0, cols, step)
        ]

    def read(self, bounds: tuple[float, float, float, float]) -> Points:
        p = self.points
        inside = (p.x >= bounds[0]) & (p.x < bounds[2]) & (p.y >= bounds[1]) & (p.y < bounds[3])
        return take(p, inside)


def take(points: Points, which) -> Points:
    return Points(*(getattr(points, name)[which] for name in NAMES))


def make_points(x, y, z, kind=1, number=1, returns=1, time=0.0, source=1) -> Points:
    x, y, z, kind, number, returns, time, source = np.broadcast_arrays(
        *(np.atleast_1d(v) for v in (x, y, z, kind, number, returns, time, source))
    )
    return Points(
        x.astype(float), y.astype(float), z.astype(float), number.astype(np.uint8),
        returns.astype(np.uint8), kind.astype(np.uint8), time.astype(float),
        source.astype(np.uint16),
    )  # fmt: skip


def points_of(world) -> Points:
    p = world.points
    return make_points(
        p["x"], p["y"], p["z"], p["classification"], p["return_number"], p["number_of_returns"],
        p["gps_time"], p["point_source_id"],
    )  # fmt: skip


def grid_of(world, cell: float) -> Grid:
    return Grid.over(world.bounds, cell, world.crs)


def ground_of(world, cell: float) -> np.ndarray:
    x, y = land.cell_centres(world.bounds, cell)
    return land.ground_at(world.land, x, y).astype(np.float32)


def survey(world, cell: float, settings: VegetationSettings | None = None, **kw) -> Vegetation:
    grid = grid_of(world, cell)
    return sort_vegetation(
        MemoryPoints(points_of(world), grid), grid, ground_of(world, cell),
        settings or VegetationSettings(), **kw,
    )  # fmt: skip
