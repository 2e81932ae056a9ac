"""Whether one sees the basket from the tee: straight over the ground and through what grows."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.scene import Scene

EYE, BASKET = 1.6, 1.3
"""Metres over the ground of a player's eye and of the top of a basket's chains; ours."""

HIDDEN = 1.0
"""Metres of a straight view through growth from which the basket counts as hidden; through space
never searched, from which it is not known; ours."""


def sights_of(scene: Scene, holes: gpd.GeoDataFrame) -> list[str | None]:
    """What hides each basket from its tee: `clear` for nothing, `growth`, or `ground`.

    None where lidar has not searched so much of the view that growth could hide it.

    Parameters
    ----------
    scene
        Ground, and growth as surveyed: leaves hide more.
    holes
        Lines of play from tee to basket.
    """
    return [sight(scene, *_ends(line)) for line in holes.geometry]


def _ends(line: shapely.LineString) -> tuple[Floats, Floats]:
    xy = shapely.get_coordinates(line)
    return xy[0], xy[-1]


def sight(scene: Scene, tee: Floats, basket: Floats) -> str | None:
    """What hides a basket from a tee; places (2,) [m]. None where it is not known."""
    grid = scene.grid
    length = float(np.hypot(*(basket - tee)))
    count = max(2, int(np.ceil(length / grid.cell)))
    along = (np.arange(count) + 0.5) / count
    xy = tee + along[:, None] * (basket - tee)
    cells = grid.nearest(*xy.T)
    ends = scene.ground[grid.nearest(*np.array([tee, basket]).T)].astype(float)
    view = ends[0] + EYE + along * (ends[1] + BASKET - ends[0] - EYE)
    over = view - scene.ground[cells].astype(float)
    if (over < 0).any():
        return "ground"
    if not scene.surveyed or not np.isfinite(over).all():
        return None
    layer = np.clip(over / LAYER_HEIGHT, 0, LAYERS - 1).astype(np.uint64)
    each = length / count
    stopped = (np.asarray(scene.blocked)[cells] >> layer) & np.uint64(1) == 1
    if stopped.sum() * each >= HIDDEN:
        return "growth"
    unseen = (np.asarray(scene.searched)[cells] >> layer) & np.uint64(1) == 0
    return None if unseen.sum() * each >= HIDDEN else "clear"
