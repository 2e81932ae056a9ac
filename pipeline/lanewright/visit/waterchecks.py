"""What water asks of a visit: soft ground, pools that may dry up, lines that walks cross."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import shapely

from lanewright.holes.greens import CIRCLE
from lanewright.settings.visit import FieldSettings
from lanewright.visit.growthchecks import STEP
from lanewright.visit.outing import Frames, Outing
from lanewright.visit.question import (
    Check,
    Lengths,
    hole_of,
    nearest_hole,
    played_ground,
    walk_name,
    walks_of,
)

PAD = 3.0
"""Metres around a tee that are stood and built on; ours."""

SMALL_WATER = 2000.0
"""Square metres up to which water may be a seasonal pool; ours. Vernal pools are mostly smaller
than 0.2 ha (half an acre), from memory."""

SOFT_SHARE = 0.1
"""Share of a tee or green that must be wet to be asked after; ours, outlines are no finer."""

STREAM_HA = 1.0
"""Hectares upslope from which a drainage line is worth a look where a walk crosses it; ours."""


def soft(outing: Outing, wet: gpd.GeoDataFrame | None, both: Lengths) -> Iterator[Check]:
    """Tees, greens and walks on ground that the terrain makes wet: one question for each."""
    if wet is None or wet.empty:
        return
    everywhere = shapely.union_all(wet.geometry.to_numpy())
    shapely.prepare(everywhere)
    for hole in outing.holes:
        for what, spot, reach in (("tee", hole.tee, PAD), ("green", hole.basket, CIRCLE)):
            area = shapely.Point(spot.xy).buffer(reach)
            if not everywhere.intersects(area):
                continue
            share = everywhere.intersection(area).area / area.area
            if share < SOFT_SHARE:
                continue
            at = everywhere.intersection(area).representative_point()
            yield Check(
                "soft ground",
                (at.x, at.y),
                f"How soft the {what} is after rain: a heel's print, standing water, rushes.",
                f"{share:.0%} of it is ground that the shape of the terrain makes wet; soil and "
                "drains are not known.",
                best_seen="after rain",
                owner=hole,
                size=2 * reach,
            )
    for walk, line in walks_of(outing):
        wet_part = everywhere.intersection(line)
        if wet_part.length < STEP:
            continue
        at = wet_part.interpolate(0.5, normalized=True)
        yield Check(
            "soft ground",
            (at.x, at.y),
            f"Whether feet will churn the {both(wet_part.length)} of wet ground on this walk, and "
            "where a drier way leads.",
            "The shape of the terrain makes it wet; soil and drains are not known.",
            best_seen="after rain",
            owner=hole_of(outing, int(walk["to_order"])),
            size=float(wet_part.length),
            place=walk_name(walk),
        )


def water(
    outing: Outing, layers: Frames, settings: FieldSettings, both: Lengths
) -> Iterator[Check]:
    """Small water and hollows near the holes: both may be there only part of the year."""
    if not outing.holes:
        return
    played = played_ground(outing)
    kinds: list[tuple[shapely.Geometry, str]] = []
    bodies, wet = layers.get("water"), layers.get("wet_ground")
    if bodies is not None:
        kinds += [
            (shape, f"Open water of {area:,.0f} m2 on the day of the flight, known from {source}.")
            for shape, area, source in zip(
                bodies.geometry, bodies["area_m2"], bodies["source"], strict=True
            )
            if area <= SMALL_WATER
        ]
    if wet is not None:
        ponds = wet[wet["evidence"] == "ponding"]
        kinds += [
            (shape, f"A hollow that holds {both(depth, 1)} of water before it spills.")
            for shape, depth in zip(ponds.geometry, ponds["ponding_m"], strict=True)
        ]
    near = [(s, why) for s, why in kinds if shapely.distance(s, played) <= settings.near]
    for shape, why in near:
        hole = nearest_hole(outing, shape)
        at = shapely.get_point(shapely.shortest_line(shape, hole.line), 0)
        size = 2 * np.sqrt(shape.area / np.pi)
        yield Check(
            "water",
            (at.x, at.y),
            "Whether water stands here all year: a rim of bare mud, water plants, frogs. Depth and "
            "footing of the bank.",
            why + " One flight cannot tell a pond from a spring pool.",
            best_seen="in a dry spell",
            owner=hole,
            size=float(size),
        )


def crossings(outing: Outing, drainage: gpd.GeoDataFrame | None, both: Lengths) -> Iterator[Check]:
    """Places where walks cross drainage lines: bridge, ford or dry."""
    if drainage is None:
        return
    streams = drainage[drainage["upslope_ha"] >= STREAM_HA]
    for walk, line in walks_of(outing):
        met = streams[streams.intersects(line)]
        for _, stream in met.iterrows():
            at = stream.geometry.intersection(line).centroid
            yield Check(
                "crossing",
                (at.x, at.y),
                "Width, bank and bed where the walk crosses: step, ford or bridge.",
                f"Up to {stream['upslope_ha']:.1f} ha drain through this line; whether water "
                "runs in it was not seen.",
                best_seen="after rain",
                owner=hole_of(outing, int(walk["to_order"])),
                place=walk_name(walk),
            )
