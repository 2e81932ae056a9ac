"""Whether one sees the basket from the tee: straight over the ground and through what grows."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.scene import Scene

EYE, BASKET = 1.6, 1.3
"""Metres over the ground of a player's eye and of the top of a basket's chains; ours."""

HIDDEN = 1.0
"""Metres of a straight view through growth from which the basket counts as hidden; ours."""

LAYER = 0.25  # m; height of a layer of growth in `Scene.blocked`


def sights_of(scene: Scene, holes: gpd.GeoDataFrame) -> list[str]:
    """What hides each basket from its tee: `clear` for nothing, `growth`, or `ground`.

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


def sight(scene: Scene, tee: Floats, basket: Floats) -> str:
    """What hides a basket from a tee; places (2,) [m]."""
    grid = scene.grid
    length = float(np.hypot(*(basket - tee)))
    count = max(2, int(np.ceil(length / grid.cell)))
    along = (np.arange(count) + 0.5) / count
    xy = tee + along[:, None] * (basket - tee)
    cells = _cells(scene, xy)
    ends = scene.ground[_cells(scene, np.array([tee, basket]))].astype(float)
    view = ends[0] + EYE + along * (ends[1] + BASKET - ends[0] - EYE)
    over = view - scene.ground[cells].astype(float)
    if (over < 0).any():
        return "ground"
    layer = np.clip(over / LAYER, 0, 63).astype(np.uint64)
    stopped = (np.asarray(scene.blocked)[cells] >> layer) & np.uint64(1) == 1
    return "growth" if stopped.sum() * length / count >= HIDDEN else "clear"


def _cells(scene: Scene, xy: Floats) -> tuple[np.ndarray, np.ndarray]:
    row, col = scene.grid.rowcol(xy[:, 0], xy[:, 1])
    return np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
