"""Where throws come down: how well legs land, and which ground takes a landing."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.stats import norm

from lanewright.base.arrays import Floats
from lanewright.flight.flight import RANGE_POWER
from lanewright.scene import STAND, Scene
from lanewright.settings.levels import Level

ZONE = 12.0  # m; short side of a wooded landing zone, 40 ft; common practice
ELLIPSE = 2 * np.sqrt(2 * np.log(3))  # axes of the ellipse that holds two thirds, in sds
ODDS = (np.arange(7) + 0.5) / 7  # of the throws that try a landing zone, each way


def landing_share(
    scene: Scene, levels: tuple[Level, ...], legs: gpd.GeoDataFrame, steepest: float
) -> Floats:
    """Share of each leg's throws that come down on open, dry, gentle ground (legs,).

    Throws fall about the end as those that were followed to the ground did (columns `landing_*`),
    or, where there are none, as the level's aim and speed spread them; 7 by 7 of them stand for
    all, each as likely as the others.
    """
    shapes = legs.geometry.to_numpy()
    ends, tees = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (-1, 0))
    length = legs["length_m"].to_numpy()
    ahead = (ends - tees) / length[:, None]
    aim = {level.name: float(level.sideways(1.0)) for level in levels}
    pace = {level.name: RANGE_POWER * level.speed_sd for level in levels}
    middle, axis = ends, ahead
    long = length * legs["level"].map(pace).to_numpy(float)
    wide = length * legs["level"].map(aim).to_numpy(float)
    if "landing_long_m" in legs:
        thrown = np.isfinite(legs["landing_long_m"].to_numpy(float))
        bearing = np.radians(legs["landing_bearing_deg"].to_numpy(float))
        past = legs["landing_past_m"].to_numpy(float)[:, None]
        middle = np.where(thrown[:, None], ends + past * ahead, ends)
        axis = np.where(thrown[:, None], np.column_stack([np.sin(bearing), np.cos(bearing)]), ahead)
        long = np.where(thrown, legs["landing_long_m"] / ELLIPSE, long)
        wide = np.where(thrown, legs["landing_wide_m"] / ELLIPSE, wide)
    z = norm.ppf(ODDS)
    out, off = long[:, None] * np.repeat(z, z.size), wide[:, None] * np.tile(z, z.size)
    x = middle[:, :1] + axis[:, :1] * out - axis[:, 1:] * off
    y = middle[:, 1:] + axis[:, 1:] * out + axis[:, :1] * off
    row, col = scene.grid.rowcol(x, y)
    row, col = np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
    return np.asarray(good_landing(scene, steepest)[row, col].mean(1))


def good_landing(scene: Scene, steepest: float) -> NDArray[np.bool_]:
    """Ground that a disc may be played on from: open, dry and gentle (rows, cols)."""
    steep = np.nan_to_num(scene.slope_pct, nan=np.inf) > steepest
    standing = (np.asarray(scene.blocked) & STAND) != 0
    return np.asarray(~(steep | standing | scene.water | scene.wet), bool)


def landing_zones(scene: Scene, sites: gpd.GeoDataFrame, steepest: float) -> Floats:
    """Share of the ground around sites that a disc may be played on from (sites,)."""
    if not len(sites):
        return np.zeros(0)
    side = max(1, round(ZONE / scene.grid.cell))
    good = ndi.uniform_filter(good_landing(scene, steepest).astype(np.float32), side)
    at = scene.grid.rowcol(sites.geometry.x.to_numpy(), sites.geometry.y.to_numpy())
    return np.asarray(good[at], np.float64)


def hindered(scene: Scene, start: Floats, stop: Floats) -> Floats:
    """Share of the straight from each start to its stop that trees or water bar (pairs,)."""
    steps = (np.arange(15) + 0.5) / 15
    xy = start[:, None] + (stop - start)[:, None] * steps[:, None]
    row, col = scene.grid.rowcol(xy[..., 0], xy[..., 1])
    row, col = np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
    return np.asarray(((scene.trees_around[row, col] > 0.5) | scene.water[row, col]).mean(1))
