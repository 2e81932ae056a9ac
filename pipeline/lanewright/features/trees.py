"""Specimen trees: higher and wider than all around them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from scipy.spatial import cKDTree

from lanewright.base.units import both
from lanewright.features.found import Found, full
from lanewright.scene import Scene
from lanewright.settings.features import FeaturesSettings

ALONE = 3  # neighbours below which a tree stands alone
CERTAIN = 0.85  # of a large single top; lidar joins two trunks under one crown now and then; ours


def specimens(scene: Scene, settings: FeaturesSettings) -> Iterator[Found]:
    """Trees that stand out from their neighbours by height and crown, highest ratio first."""
    trees = scene.trees
    if "height_m" not in trees or not len(trees):
        return
    places = np.column_stack([trees.geometry.x, trees.geometry.y])
    height = trees["height_m"].to_numpy(float)
    crown = trees["crown_m"].to_numpy(float)
    tree = cKDTree(places)
    large = (height >= settings.tree_from) & (crown >= settings.tree_crown)
    allowed = shapely.contains_xy(scene.land, *places.T)
    allowed &= ~shapely.contains_xy(scene.off_limits, *places.T)
    for i in np.flatnonzero(large & allowed):
        near = np.array(sorted(set(tree.query_ball_point(places[i], settings.tree_reach)) - {i}))
        alone = len(near) < ALONE
        others = float(np.quantile(height[near], 0.9)) if len(near) else 0.0
        ratio = height[i] / max(others, 0.5 * settings.tree_from)
        if ratio < settings.tree_ratio:
            continue
        if not alone and crown[i] < 1.2 * np.median(crown[near]):
            continue
        half = crown[i] / 2
        x, y = places[i]
        beside = "alone" if alone else f"over neighbours of {both(others)}"
        yield Found(
            kind="specimen_tree",
            line=shapely.LineString([(x - half, y), (x + half, y)]),
            worth=0.5 * full(ratio - 1, 1.0) + 0.5 * full(crown[i], 16.0),
            certainty=CERTAIN,
            figure=f"{both(height[i])} high",
            reason=f"{both(height[i])} high with a crown of {both(crown[i])}, {beside}: a landmark "
            "to play round.",
            figures={"height_m": height[i], "width_m": crown[i]},
        )
