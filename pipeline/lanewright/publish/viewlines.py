"""The longest view of each hole of a round: from its tee or basket, or a view that it uses."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.rows import Facts
from lanewright.features.found import heights_of
from lanewright.features.naming import SECTORS
from lanewright.features.views import longest_sights
from lanewright.publish.report.words import Units
from lanewright.scene import Scene

_FAR = 60.0  # m from which a view has a direction worth a word; ours


def with_views(
    layers: Mapping[str, gpd.GeoDataFrame], scene: Scene, eye: float
) -> gpd.GeoDataFrame:
    """The layer `layout_holes` with `view_m`, `view_bearing_deg` and `view_from`.

    Parameters
    ----------
    layers
        With `layout_holes`, `features` and `hole_features`.
    scene
        What stands on the land; without lidar no view is known.
    eye
        Height of an eye over the ground [m].
    """
    layout = layers["layout_holes"]
    n = len(layout)
    far, way = np.full(n, np.nan), np.full(n, np.nan)
    where = np.full(n, None, object)
    if n and scene.surveyed:
        land = heights_of(scene)
        lines = layout.geometry.to_numpy()
        for name, end in (("tee", 0), ("basket", -1)):
            spots = shapely.get_coordinates(shapely.get_point(lines, end))
            seen, turn = longest_sights(land, spots, eye)
            more = seen > np.nan_to_num(far)
            far[more], way[more], where[more] = seen[more], turn[more], name
    used = layout["hole_id"].map(_used(layers)).to_numpy()
    for i, view in enumerate(used):
        if isinstance(view, tuple):
            far[i], way[i], where[i] = *view, "feature"
    return layout.assign(view_m=far, view_bearing_deg=way % 360, view_from=list(where))


def _used(layers: Mapping[str, gpd.GeoDataFrame]) -> dict[int, tuple[float, float]]:
    """Length [m] and bearing [deg] of the farthest view that each hole uses."""
    features, links = layers["features"], pd.DataFrame(layers["hole_features"])
    views = features.loc[features["kind"] == "view", ["feature_id", "sight_m", "bearing_deg"]]
    both = links[["hole_id", "feature_id"]].merge(views, on="feature_id").sort_values("sight_m")
    return {
        int(row["hole_id"]): (row["sight_m"], row["bearing_deg"]) for row in both.to_dict("records")
    }


def view_words(row: Facts, units: Units) -> str:
    r"""A hole's view in words; empty where none is known.

    Examples
    --------
    >>> view_words({"view_m": 152.4, "view_bearing_deg": 44, "view_from": "tee"}, Units(True))
    '500\u202fft (152\u202fm) to the north-east, from the tee'
    """
    if not isinstance(row.get("view_from"), str):
        return ""
    way = SECTORS[int((row["view_bearing_deg"] + 22.5) // 45) % 8]
    place = {"feature": "where its view is marked"}.get(
        row["view_from"], f"from the {row['view_from']}"
    )
    if row["view_m"] < _FAR:
        return f"closed in, at most {units.length(row['view_m'])}"
    return f"{units.length(row['view_m'])} to the {way}, {place}"
