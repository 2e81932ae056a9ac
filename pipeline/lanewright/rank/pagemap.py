"""Map of the parcels on the page: outlines in the colour of their worth, as SVG paths."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

WIDE = 960.0
"""Width of the map in units of its view box; its height follows the land."""

MOST_HIGH = 720.0

NUMBERED = 60
"""Parcels whose rank is written on the map; more would lie over each other."""

FINE = 0.6
"""Detail of outlines that is left out, in units of the view box."""

COLOURS = ("#addc30", "#5ec962", "#21918c", "#3b528b", "#440154")
"""Fifths of worth, light to dark; viridis (Smith and van der Walt 2015, from memory)."""


@dataclass(frozen=True)
class Drawn:
    """One parcel on the map: path, fill, rank and where that is written."""

    path: str
    fill: str
    rank: int | None
    at: tuple[float, float]
    name: str


@dataclass(frozen=True)
class PageMap:
    """A map: size of its view box, and the parcels with an outline, the best drawn last."""

    wide: float
    high: float
    parcels: tuple[Drawn, ...]


def page_map(frame: gpd.GeoDataFrame) -> PageMap | None:
    """The map of a ranking; None where no parcel has an outline.

    Longitude and latitude are drawn with a degree of each as long as on the ground at the middle.
    """
    there = frame[~frame.geometry.is_empty]
    if there.empty:
        return None
    left, bottom, right, top = there.total_bounds
    across = float(np.cos(np.radians((bottom + top) / 2))) if there.crs.is_geographic else 1.0
    span = max((right - left) * across, 1e-9), max(top - bottom, 1e-9)
    scale = min(WIDE / span[0], MOST_HIGH / span[1])

    def moved(places: np.ndarray) -> np.ndarray:
        x, y = (places[:, 0] - left) * across * scale, (top - places[:, 1]) * scale
        return np.column_stack([x, y])

    parcels = []
    for row in there[::-1].itertuples():
        shape = shapely.simplify(shapely.transform(row.geometry, moved), FINE)
        inner = shapely.point_on_surface(shape)
        rank = None if row.status != "ranked" else int(row.rank)
        parcels.append(
            Drawn(
                path=_path(shape),
                fill=COLOURS[min(int(row.worth * 5), 4)] if rank is not None else "none",
                rank=rank if rank is not None and rank <= NUMBERED else None,
                at=(round(inner.x, 1), round(inner.y, 1)),
                name=str(row.parcel_id),
            )
        )
    return PageMap(round(span[0] * scale, 1), round(span[1] * scale, 1), tuple(parcels))


def _path(shape: shapely.Geometry) -> str:
    rings = [
        ring
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon"
        for ring in (part.exterior, *part.interiors)
    ]
    return "".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in ring.coords[:-1]) + "Z" for ring in rings
    )
