"""Planted growth and choices to plan trim work on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely

import leg_worlds
from lanewright.growth.columns import DENSITY_TABLE
from lanewright.scene import Scene
from lanewright.trim.leastwork import Case


@dataclass(frozen=True)
class Grown:
    """A box of growth, metres from the south-west corner and over the ground; contacts per m."""

    left: float
    bottom: float
    right: float
    top: float
    low: float
    high: float
    density: float


@dataclass(frozen=True)
class Tree:
    x: float
    y: float
    height: float = 15.0
    crown: float = 6.0
    base: float = 1.5
    dbh: float = 20.0


def grown(*things: Grown, trees: tuple[Tree, ...] = (), world: Scene | None = None) -> Scene:
    world = leg_worlds.bare() if world is None else world
    code = world.density.copy()
    x, y = leg_worlds.centres(world)
    for g in things:
        here = (x >= g.left) & (x <= g.right) & (y >= g.bottom) & (y <= g.top)
        code[here, round(g.low * 4) : round(g.high * 4)] = np.searchsorted(
            DENSITY_TABLE[:255], g.density
        )
    frame = gpd.GeoDataFrame(
        {
            "tree_id": np.arange(1, len(trees) + 1) * 10,
            "height_m": [t.height for t in trees],
            "crown_m": [t.crown for t in trees],
            "crown_base_m": [t.base for t in trees],
            "dbh_cm": [t.dbh for t in trees],
        },
        geometry=shapely.points(
            [leg_worlds.LEFT + t.x for t in trees], [leg_worlds.BOTTOM + t.y for t in trees]
        ),
        crs=leg_worlds.CRS,
    )
    high = (code > 0).any(2) * 8.0
    return replace(
        world, density=code, table=DENSITY_TABLE, trees=frame, canopy_height=high.astype(np.float32)
    )


def random_case(seed: int, throws: int, pieces: int, trees: int = 0) -> Case:
    """Throws that meet few pieces each, as in a wood, and whole trees that hold some pieces."""
    rng = np.random.default_rng(seed)
    depth = rng.exponential(1.5, (throws, pieces)) * (rng.random((throws, pieces)) < 0.3)
    total = depth.sum(1) + rng.exponential(0.1, throws)
    need = total - rng.exponential(1.0, throws)
    within = np.full(pieces + trees, -1)
    whole = np.zeros((throws, trees))
    for k in range(trees):
        parts = np.flatnonzero(rng.random(pieces) < 0.3)
        parts = parts[within[parts] < 0]
        within[parts] = pieces + k
        whole[:, k] = depth[:, parts].sum(1) + rng.exponential(1.0, throws) * (
            rng.random(throws) < 0.2
        )
    cost = np.round(np.r_[rng.uniform(0.1, 3.0, pieces), rng.uniform(2, 9, trees)], 3)
    return Case(np.hstack([depth, whole]), need, cost, within)
