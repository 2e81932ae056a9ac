"""Fairways and tunnels that the land holds, and edges that ask a shaped throw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.rows import Row, rows_of
from lanewright.base.units import both
from lanewright.features.found import LITTLE, Found, Squares, full, gap_for
from lanewright.features.joined import Fairway, fairways_of
from lanewright.scene import FLIGHT, Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level

UNSEEN = 0.5
"""Doubt of a lane's ground that was hardly searched and taken as free; ours.

In the planted woods of the demo 1 % of it was shut, as of what was searched, and 16 % of all ground
that was not searched: the gap that nobody bridged is the likelier one to hold something.
"""

OF_LANE = {"tunnel": "tunnel", "lane": "fairway"}
"""Kinds of feature by kinds of lane; edges are asked for their bow, open ground is no line."""


def fairways(
    scene: Scene,
    land: Squares,
    pieces: gpd.GeoDataFrame,
    levels: Sequence[Level],
    settings: FeaturesSettings,
) -> Iterator[Found]:
    """Lanes and tunnels, each with how long, how even, how roofed and how dry it is."""
    for each in fairways_of(pieces, settings):
        row, line = each.row, each.line
        kind = OF_LANE[row["kind"]]
        even = full(row["pinch_width_m"], row["width_m"])
        frame = row["roof_share"] if kind == "tunnel" else 1.0
        worth = 0.55 * full(line.length - each.gap, settings.long) + 0.25 * even + 0.2 * frame
        way = _downhill(scene, line)
        wet = _wet(land, line)
        yield Found(
            kind=kind,
            line=way,
            worth=worth * (1.0 - wet),
            certainty=1.0 - UNSEEN * float(row["unknown_share"]),
            figure=both(row["length_m"]),
            reason=_lane_reason(each, levels, turned=way is not line)
            + (f" {wet:.0%} of it is likely wet." if wet > LITTLE else ""),
            levels=_through(row, levels),
            figures={
                "width_m": row["width_m"],
                "pinch_width_m": row["pinch_width_m"],
                "roof_share": row["roof_share"],
                "drop_m": _fall(scene, way),
                "seen_share": 1.0 - float(row["unknown_share"]),
            },
        )


def _through(row: Row, levels: Sequence[Level]) -> tuple[str, ...]:
    """Levels of which two thirds of throws pass the pinch, from the nearer end."""
    at = max(15.0, min(row["pinch_at_m"], row["length_m"] - row["pinch_at_m"]))
    return tuple(
        level.name
        for level in levels
        if gap_for(level, at) <= row["pinch_width_m"]
        and row["length_m"] <= level.tee_throw + level.fairway_throw
    )


def _lane_reason(each: Fairway, levels: Sequence[Level], turned: bool) -> str:
    row, roof = each.row, ""
    if row["kind"] == "tunnel":
        over = f" {both(row['roof_m'])} up" if row["roof_m"] is not None else ""
        roof = f", a roof{over} over {row['roof_share']:.0%} of it"
    along = row["length_m"] - row["pinch_at_m"] if turned else row["pinch_at_m"]
    text = (
        f"{both(row['width_m'], 1)} wide over {both(row['length_m'])}{roof}; narrowest "
        f"{both(row['pinch_width_m'], 1)} after {both(along)}"
    )
    if not _through(row, levels):
        at = max(15.0, min(row["pinch_at_m"], row["length_m"] - row["pinch_at_m"]))
        need = min(gap_for(level, at) for level in levels)
        if need > row["pinch_width_m"]:
            text += f", where {both(need, 1)} would let two thirds of throws through"
    if each.gap >= 2.0:
        text += f"; {both(each.gap)} of it is shut or was not seen by lidar"
    return text + "."


def _wet(land: Squares, line: shapely.LineString) -> float:
    """Share of a line over likely wet ground or water, 0-1."""
    count = max(2, int(line.length) + 1)
    points = shapely.get_coordinates(line.interpolate(np.linspace(0, 1, count), normalized=True))
    row, col = land.grid.rowcol(points[:, 0], points[:, 1])
    row, col = np.clip(row, 0, land.grid.rows - 1), np.clip(col, 0, land.grid.cols - 1)
    return float((land.wet | land.water)[row, col].mean())


def _downhill(scene: Scene, line: shapely.LineString) -> shapely.LineString:
    """The line with its higher end first: from there one looks along it."""
    return shapely.reverse(line) if _fall(scene, line) < 0 else line


def _fall(scene: Scene, line: shapely.LineString) -> float:
    """Height lost from the first to the last point [m]; NaN unknown."""
    ends = np.array([line.coords[0], line.coords[-1]])[:, :2]
    row, col = scene.grid.rowcol(ends[:, 0], ends[:, 1])
    row = np.clip(row, 0, scene.grid.rows - 1)
    col = np.clip(col, 0, scene.grid.cols - 1)
    first, last = scene.ground[row, col]
    return float(first - last)


def edges(
    scene: Scene, lanes: gpd.GeoDataFrame, levels: Sequence[Level], settings: FeaturesSettings
) -> Iterator[Found]:
    """Edges of wood and meadow that bow round trees: the straight way is shut, the edge is free."""
    for row, line in zip(rows_of(lanes), lanes.geometry, strict=True):
        if row["kind"] not in ("edge", "open") or row["length_m"] < settings.edge_from:
            continue
        chord = shapely.LineString([line.coords[0], line.coords[-1]])
        bow = _bow(line, chord)
        shut = _shut(scene, chord)
        if abs(bow) < settings.edge_bow or shut < 0.1:
            continue
        # Seen from the first point, a line left of its chord curves back to the right.
        side = "right" if bow > 0 else "left"
        other = "left" if side == "right" else "right"
        yield Found(
            kind="edge",
            line=line,
            worth=0.5 * full(row["length_m"], 80.0) + 0.5 * full(abs(bow), 10.0),
            certainty=1.0 - UNSEEN * float(row["unknown_share"]),
            figure=both(row["length_m"]),
            reason=f"The edge bows {both(abs(bow))} from the straight line, which trees shut: it "
            f"asks a throw that finishes {side}, or {other} from the far end.",
            levels=tuple(v.name for v in levels if row["length_m"] <= v.tee_throw),
            figures={
                "bow_m": abs(bow),
                "width_m": row["width_m"],
                "pinch_width_m": row["pinch_width_m"],
                "drop_m": _fall(scene, line),
                "seen_share": 1.0 - float(row["unknown_share"]),
            },
        )


def _bow(line: shapely.LineString, chord: shapely.LineString) -> float:
    """Farthest distance of a line from its chord [m], positive to the left of the way."""
    points = shapely.get_coordinates(line)
    start, end = shapely.get_coordinates(chord)
    way = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    aside = (points - start) @ np.array([-way[1], way[0]])
    return float(aside[np.abs(aside).argmax()])


def _shut(scene: Scene, chord: shapely.LineString) -> float:
    """Share of a line on which something stands at throwing height."""
    count = max(2, int(chord.length) + 1)
    points = shapely.get_coordinates(chord.interpolate(np.linspace(0, 1, count), normalized=True))
    row, col = scene.grid.rowcol(points[:, 0], points[:, 1])
    row = np.clip(row, 0, scene.grid.rows - 1)
    col = np.clip(col, 0, scene.grid.cols - 1)
    layers = np.bitwise_count(scene.blocked[row, col] & FLIGHT)
    return float((layers >= int(FLIGHT).bit_count() // 4).mean())
