"""Openings: free ground wide enough for a landing zone or a green, as polygons."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.grid import Grid
from lanewright.base.outlines import patches
from lanewright.growth.freewidth import Room
from lanewright.settings.lanes import LanesSettings


def find_openings(
    grid: Grid,
    room: Room,
    ground: NDArray[np.bool_],
    roofed: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    settings: LanesSettings,
) -> gpd.GeoDataFrame:
    """Outline connected ground that is wide enough, largest first.

    Parameters
    ----------
    grid
        Georeference of the rasters.
    room
        Free space and its width.
    ground, roofed, inside : (rows, cols)
        What a circle of `opening_width` can sweep; under a roof; in the property.
    settings
        Least area, and how much may be unsearched.

    Returns
    -------
    GeoDataFrame
        `opening_id` from 1, `area_m2`, `width_m` (diameter of the widest free circle),
        `roof_share`, `unknown_share` (taken as free without having been searched, at most
        `most_unknown`); Polygon.
    """
    labels, count = ndi.label(ground & inside)
    size = np.bincount(labels.ravel(), minlength=count + 1) * grid.cell**2
    bridged = np.bincount(labels.ravel(), room.bridged.ravel(), count + 1) * grid.cell**2
    keep = np.flatnonzero(
        (size >= settings.min_opening) & (bridged <= settings.most_unknown * size)
    )
    keep = keep[keep > 0]
    keep = keep[np.argsort(-size[keep], kind="stable")]
    order = np.zeros(count + 1, dtype=np.int32)
    order[keep] = np.arange(1, len(keep) + 1)
    numbered = order[labels]
    ids = np.arange(1, len(keep) + 1)

    def mean(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
        return np.asarray(ndi.mean(mask, numbered, ids)) if len(ids) else np.zeros(0)

    outline: dict[int, shapely.Polygon] = {}
    if len(ids):
        for shape, number in patches(numbered, grid):
            outline[number] = _plain(shape, grid.cell)
    widest = np.asarray(ndi.maximum(room.width, numbered, ids)) if len(ids) else np.zeros(0)
    polygons = [outline[int(i)] for i in ids]
    table = pd.DataFrame(
        {
            "opening_id": ids.astype(np.int64),
            "area_m2": np.array([p.area for p in polygons], dtype=np.float64),
            "width_m": widest.astype(np.float64),
            "roof_share": mean(roofed),
            "unknown_share": mean(room.bridged),
        }
    )
    return gpd.GeoDataFrame(table, geometry=polygons, crs=grid.crs)


def _plain(polygon: shapely.Polygon, cell: float) -> shapely.Polygon:
    """Outline without the staircase of cells and without holes of a few cells."""
    small = 16 * cell**2
    holes = [ring for ring in polygon.interiors if shapely.Polygon(ring).area > small]
    plain = shapely.Polygon(polygon.exterior, holes).simplify(cell)
    if not plain.is_valid:
        plain = shapely.make_valid(plain)
    parts = [part for part in shapely.get_parts(plain) if part.geom_type == "Polygon"]
    return max(parts, key=lambda part: part.area)
