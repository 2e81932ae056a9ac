"""Greens: what stands around a basket, and what lies beyond it on the line of play.

Around each basket the land is looked at along rays, turned so that the first one runs on the way
the last throw came.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.outlines import cells_of
from lanewright.base.rows import Row
from lanewright.base.units import FOOT
from lanewright.scene import FLIGHT, Scene

CIRCLE = 10.0  # m; putting area (PDGA Official Rules of Disc Golf, 806.01)
LOOK = 30.0  # m; 100 ft past the basket, common practice
STEP = 1.0  # m
RAYS = 24
BRUSH = 1 / 3  # of the circle; heavy brush or low boughs on at most a third of it (the thirds of a
# senior designer, course design discussion of 2006)
GENTLE, FEATURE, INTENT = 10.0, 20.0, 25.0  # percent: gentle; roll-away; only by intent. Ours
DROP = 0.25  # fall over distance from the basket that is a drop to play by; ours
LEAST_DROP = 1.5  # m
FRAMED = 0.5  # of a side's rays that meet trees within `FRAME`
FRAME = 15.0  # m
TREE = 4.0  # m of canopy that counts as trees
SIDES = ("behind", "left", "short", "right")


def greens_of(scene: Scene, holes: gpd.GeoDataFrame) -> Row:
    """Look at the greens of holes.

    Parameters
    ----------
    scene
        The land.
    holes
        Lines of play, tee first, with `green_slope_pct`.

    Returns
    -------
    dict
        `green` (what frames it and what lies beyond, in words), `trouble_m` (how far the nearest
        trouble behind or beside is; NaN for none), and `green_score` (0-1), one value per hole.
    """
    if not len(holes):
        return {"green": [], "trouble_m": np.empty(0), "green_score": np.empty(0)}
    lines = holes.geometry.to_numpy()
    end = shapely.get_coordinates(shapely.get_point(lines, -1))
    before = shapely.get_coordinates(shapely.line_interpolate_point(lines, -10.0))
    came = np.arctan2(end[:, 1] - before[:, 1], end[:, 0] - before[:, 0])
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    far = np.arange(STEP, LOOK + STEP / 2, STEP)
    heading = came[:, None] + turn
    x = end[:, 0, None, None] + np.cos(heading)[..., None] * far
    y = end[:, 1, None, None] + np.sin(heading)[..., None] * far
    row, col = scene.grid.rowcol(x, y)
    at = np.clip(row, 0, scene.grid.rows - 1), np.clip(col, 0, scene.grid.cols - 1)
    here = scene.grid.rowcol(end[:, 0], end[:, 1])
    drop = scene.ground[here][:, None, None] - scene.ground[at]
    inside = cells_of(scene.land, scene.grid)
    kept_out = cells_of(scene.off_limits, scene.grid)
    low = np.asarray((scene.blocked[at] & FLIGHT) != 0, bool)
    stands = low | (np.nan_to_num(scene.canopy_height[at]) > TREE)
    # Without lidar nobody knows a green to be open.
    canopy = np.asarray(scene.canopy_height[at], float)
    known = np.asarray(np.isfinite(canopy).any((1, 2)), bool)
    troubles = {
        "water": np.asarray(scene.water)[at],
        "a drop": (np.nan_to_num(drop) >= np.maximum(DROP * far, LEAST_DROP)),
        "the property line": ~inside[at],
        "a keep-out": kept_out[at],
    }
    side = _sides(turn)
    looked = side != SIDES.index("short")
    nearest = {
        what: np.where(seen.any(2), far[seen.argmax(2)], np.inf) for what, seen in troubles.items()
    }
    trouble = np.min([np.where(looked, near, np.inf).min(1) for near in nearest.values()], 0)
    framed = _framed(stands, far, side)
    brush = low[:, :, far <= CIRCLE].mean((1, 2))
    slope = holes["green_slope_pct"].to_numpy(float)
    words = [
        _words(slope[i], {k: v[i] for k, v in nearest.items()}, side, framed[i], brush[i], known[i])
        for i in range(len(holes))
    ]
    score = np.interp(slope, (GENTLE, FEATURE, INTENT, 40.0), (1.0, 0.9, 0.6, 0.2))
    score = score * np.interp(brush, (BRUSH, 2 * BRUSH), (1.0, 0.5))
    return {
        "green": words,
        "trouble_m": np.where(np.isfinite(trouble), trouble, np.nan),
        "green_score": np.where(np.isfinite(score), score, 1.0),
    }


def _sides(turn: Floats) -> NDArray[np.int64]:
    """Side of each ray as an index into `SIDES`: behind is where the throw would fly on."""
    return np.asarray(np.round(turn / (np.pi / 2)).astype(np.int64) % 4)


def _framed(stands: Flags, far: Floats, side: NDArray[np.int64]) -> Flags:
    """Whether trees stand on each side of greens (greens, 4)."""
    meets: Flags = np.asarray(stands[:, :, far <= FRAME].any(2), bool)
    return np.stack([meets[:, side == i].mean(1) >= FRAMED for i in range(4)], 1)


def _words(
    slope: float,
    nearest: dict[str, Floats],
    side: NDArray[np.int64],
    framed: Flags,
    brush: float,
    known: bool,
) -> str:
    """A green in words: its ground, what frames it, what lies near it."""
    parts = (
        ["gentle" if slope <= GENTLE else "sloping" if slope <= FEATURE else "steep"]
        if np.isfinite(slope)
        else []
    )
    trees = [SIDES[i] for i in (1, 3, 0) if framed[i]]
    if len(trees) == 3:
        parts.append("walled in by trees")
    elif trees:
        parts.append(f"trees {_listed(trees)}")
    elif known:
        parts.append("open")
    if brush > BRUSH:
        parts.append("brush in the circle")
    for what, near in nearest.items():
        ray = int(near.argmin())
        if np.isfinite(near[ray]):
            far = near[ray]
            parts.append(f"{what} {far:.0f} m ({far / FOOT:.0f} ft) {SIDES[side[ray]]}")
    return ", ".join(parts)


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
