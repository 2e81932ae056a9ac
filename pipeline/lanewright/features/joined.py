"""Stretches of lanes joined to whole fairways, over short gaps along their bearing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row, rows_of
from lanewright.growth.centrelines import cut_at_bends, resampled
from lanewright.growth.joining import chains, follows
from lanewright.settings.features import FeaturesSettings

ALONG = 10.0  # m of a stretch over which the way it points at its end is taken
ASIDE = 12.0  # degrees by which a step to the next stretch may turn further; ours
TOUCH = 1.0  # m within which two ends are one place
DOUBT = 0.5  # of a gap between stretches that point at each other: half of them are one; ours
STEP = 1.0  # m between points where a fairway is cut at bends
CHORD = 12  # points over which its heading is taken there


@dataclass(frozen=True)
class Fairway:
    """A lane, whole or joined.

    Attributes
    ----------
    line
        Its middle.
    row
        Measures as in the table of lanes, of all stretches together.
    gap
        Metres along it between stretches, where growth or a gap in the search parts them.
    """

    line: shapely.LineString
    row: Row
    gap: float


def fairways_of(pieces: gpd.GeoDataFrame, settings: FeaturesSettings) -> Iterator[Fairway]:
    """Lanes and tunnels of at least `lane_from`, of stretches that run on into each other."""
    own = pieces[pieces["kind"].isin(["lane", "tunnel"])].reset_index(drop=True)
    rows = rows_of(own)
    lines = [shapely.get_coordinates(shape) for shape in own.geometry]
    for chain in chains(len(lines), _follows(lines, settings)):
        yield from _measured(chain, lines, rows, settings)


def _follows(lines: list[Floats], settings: FeaturesSettings) -> dict[int, int]:
    """Which end runs on into which; end 2 i is the first point of line i, 2 i + 1 its last."""
    length = [float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines]

    def wanted(a: int, b: int, gap: float, turns: list[float]) -> float | None:
        bends = turns[:1]
        if gap > TOUCH:
            # Ways that agree may step aside: so lidar draws the middle of a ragged fairway.
            free = ASIDE if bends[0] <= settings.join_bend / 2 else 0.0
            bends += [turn - free for turn in turns[1:]]
        short = min(length[a // 2], length[b // 2])
        if max(bends) > settings.join_bend or gap > max(TOUCH, 0.6 * short):
            return None
        return gap + max(bends) / settings.join_bend * 5.0

    return follows(lines, settings.join_gap, ALONG, wanted)


def _measured(
    chain: list[tuple[int, bool]],
    lines: list[Floats],
    rows: list[Row],
    settings: FeaturesSettings,
) -> Iterator[Fairway]:
    """The fairway of a chain; cut where it turns further than `fairway_bend`."""
    parts = [lines[k][::-1] if back else lines[k] for k, back in chain]
    whole = resampled(np.concatenate(parts), STEP)
    cuts = cut_at_bends(whole, settings.fairway_bend, CHORD)
    for cut in cuts:
        line = shapely.LineString(whole[cut])
        if line.length < settings.lane_from:
            continue
        mine = [
            (k, back)
            for (k, back), part in zip(chain, parts, strict=True)
            if line.distance(shapely.Point(part[len(part) // 2])) < STEP
        ]
        if mine:
            yield _together(line, mine, lines, rows)


def _together(
    line: shapely.LineString, chain: list[tuple[int, bool]], lines: list[Floats], rows: list[Row]
) -> Fairway:
    own = [rows[k] for k, _ in chain]
    weight = np.array([row["length_m"] for row in own], float)
    covered = min(float(weight.sum()), line.length)
    gap = max(0.0, line.length - covered) if len(own) > 1 else 0.0
    narrow = int(np.argmin([row["pinch_width_m"] for row in own]))
    row, k = own[narrow], chain[narrow][0]
    pinch = shapely.LineString(lines[k]).interpolate(row["pinch_at_m"])
    roofed = [r["roof_m"] for r in own if r["roof_m"] is not None]
    share = float(np.average([r["roof_share"] for r in own], weights=weight))
    unknown = float(np.average([r["unknown_share"] for r in own], weights=weight))
    return Fairway(
        line,
        {
            "kind": _kind(own, weight),
            "length_m": line.length,
            "width_m": float(np.average([r["width_m"] for r in own], weights=weight)),
            "pinch_width_m": row["pinch_width_m"],
            "pinch_at_m": line.project(pinch),
            "roof_share": share,
            "roof_m": float(np.median(roofed)) if roofed else None,
            "unknown_share": min(1.0, (unknown * covered + DOUBT * gap) / line.length),
        },
        gap,
    )


def _kind(own: list[Row], weight: Floats) -> str:
    """Kind of most of its length."""
    tunnel = np.array([row["kind"] == "tunnel" for row in own])
    return "tunnel" if weight[tunnel].sum() * 2 >= weight.sum() else "lane"
