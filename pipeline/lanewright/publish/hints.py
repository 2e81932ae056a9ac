"""What a mandatory or out-of-bounds could do on a hole: suggestions, no rules."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.rows import Row, rows_of
from lanewright.base.units import both

_TIGHT = 2.0  # m of margin to the next hole from which a mandatory is worth considering; ours


def worth_considering(
    hole: shapely.LineString, near: list[Row], edges: Mapping[str, shapely.Geometry], beside: float
) -> str:
    """Out-of-bounds along what lies beside a hole, and a mandatory towards a hole that is close.

    Parameters
    ----------
    hole
        Its line, tee first, flat.
    near
        Its rows of `layout_neighbours`.
    edges
        What lies beside, by its name in words.
    beside
        Metres within which it counts.

    Examples
    --------
    >>> hole = shapely.LineString([(0, 0), (0, 90)])
    >>> worth_considering(hole, [], {"the road": shapely.LineString([(12, 0), (12, 90)])}, 20)
    'out-of-bounds along the road, 12 m (39 ft) to the right'
    """
    parts = [*_bounds(hole, edges, beside), *_mandatory(near)]
    return "; ".join(parts)


def _bounds(
    hole: shapely.LineString, edges: Mapping[str, shapely.Geometry], beside: float
) -> Iterator[str]:
    for name, shape in edges.items():
        if shape.is_empty:
            continue
        away = hole.distance(shape)
        if away > beside:
            continue
        if away == 0:
            yield f"out-of-bounds in {name}, which the way of play crosses"
            continue
        on, there = shapely.get_coordinates(shapely.shortest_line(hole, shape))
        at = hole.project(shapely.Point(on))
        back, ahead = (hole.interpolate(np.clip(at + d, 0, hole.length)) for d in (-1.0, 1.0))
        way = np.array([ahead.x - back.x, ahead.y - back.y])
        turn = way[0] * (there - on)[1] - way[1] * (there - on)[0]
        side = "left" if turn > 0 else "right"
        yield f"out-of-bounds along {name}, {both(away)} to the {side}"


def _mandatory(near: list[Row]) -> Iterator[str]:
    """Towards the nearest hole where little room is left."""
    tight = [row for row in near if row["margin_m"] < _TIGHT]
    if tight:
        row = min(tight, key=lambda r: r["margin_m"])
        yield (
            f"a mandatory that keeps throws off hole {row['other_order']}, "
            f"{both(row['distance_m'])} away"
        )


def edges_of(layers: Mapping[str, gpd.GeoDataFrame]) -> dict[str, shapely.Geometry]:
    """Keep-outs, water and the property line, by their names in words."""
    shapes = {
        name: shapely.union_all(shapely.force_2d(layers[layer].geometry.to_numpy()))
        for name, layer in (
            ("the keep-out", "keep_out"),
            ("the water", "water"),
            ("the property line", "property"),
        )
    }
    shapes["the property line"] = shapes["the property line"].boundary
    return shapes


def with_hints(layers: Mapping[str, gpd.GeoDataFrame], beside: float) -> gpd.GeoDataFrame:
    """The layer `layout_holes` with `consider`; None where nothing is worth it."""
    layout, edges = layers["layout_holes"], edges_of(layers)
    near: dict[tuple[int, int], list[Row]] = {}
    for row in rows_of(layers["layout_neighbours"]):
        near.setdefault((row["proposal"], row["play_order"]), []).append(row)
    said = [
        worth_considering(shapely.force_2d(line), near.get(key, []), edges, beside) or None
        for line, key in zip(
            layout.geometry, zip(layout["proposal"], layout["play_order"], strict=True), strict=True
        )
    ]
    return layout.assign(consider=said)
