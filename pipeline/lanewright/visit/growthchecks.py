"""What growth asks of a visit: space nobody saw, gaps, what stops throws, crowns in leaf."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.grid import Grid
from lanewright.settings.visit import FieldSettings
from lanewright.visit.outing import Outing
from lanewright.visit.question import Check, Lengths, legs_of

STEP = 1.0
"""Metres between places along a line where rasters are read."""

FAIR = 2 / 3
"""Share of a level's throws that pass a fair gap: a senior designer's guideline in the PDGA
discussion archive, 2006; not an adopted standard."""

COVERED = 0.5
"""Canopy cover from which a stretch is under crowns; ours, half the sky."""


@dataclass(frozen=True)
class _Stretch:
    """Part of a line: its middle, length [m], metres from the start, mean and least of values."""

    at: tuple[float, float]
    size: float
    along: float
    mean: float
    least: float


def _stretches(
    line: shapely.LineString,
    raster: NDArray[np.floating],
    grid: Grid,
    low: float,
    high: float,
    least: float,
) -> list[_Stretch]:
    """Stretches of a line, `least` metres long at least, where a raster lies within low to high.

    Values are means over three metres of the way, so that one odd cell neither makes nor breaks a
    stretch; unknown cells count as `low`.
    """
    along = np.arange(0.0, line.length, STEP)
    x, y = shapely.get_coordinates(shapely.line_interpolate_point(line, along)).T
    values = np.nan_to_num(raster[grid.nearest(x, y)].astype(np.float64), nan=low)
    values = ndimage.uniform_filter1d(values, 3, mode="nearest")
    labels, count = ndimage.label((values >= low) & (values < high))
    found = []
    for number in range(1, count + 1):
        here = np.flatnonzero(labels == number)
        size = here.size * STEP
        if size >= least:
            middle = here[here.size // 2]
            found.append(
                _Stretch(
                    (float(x[middle]), float(y[middle])),
                    size,
                    float(along[middle]),
                    float(values[here].mean()),
                    float(values[here].min()),
                )
            )
    return found


def unseen(
    outing: Outing,
    seen: NDArray[np.floating] | None,
    grid: Grid,
    settings: FieldSettings,
    both: Lengths,
) -> Iterator[Check]:
    """Stretches of lines that lidar hardly searched; whole holes where there was none."""
    if seen is None:
        for hole in outing.holes:
            middle = hole.line.interpolate(0.5, normalized=True)
            yield Check(
                "not seen",
                (middle.x, middle.y),
                "Everything that stands on the line: without lidar no tree of it is known.",
                "Only an elevation model was given.",
                owner=hole,
                size=hole.line.length,
            )
        return
    for hole, leg, line in legs_of(outing):
        for part in _stretches(line, seen, grid, 0.0, settings.seen, settings.stretch):
            yield Check(
                "not seen",
                part.at,
                f"Stems, vines and limbs up to head height and over it, on {both(part.size)} of the"
                f" line around {both(part.along)} from the throw.",
                f"Lidar searched {part.mean:.0%} of the throwing space here.",
                owner=hole,
                leg_id=int(leg["leg_id"]),
                size=part.size,
            )


def gaps(outing: Outing, settings: FieldSettings, both: Lengths) -> Iterator[Check]:
    """Narrow places of lanes and tunnels."""
    for hole, leg, line in legs_of(outing):
        width, along = leg["pinch_width_m"], leg["pinch_at_m"]
        if width is None or width >= settings.gap or leg["lane_kind"] not in ("lane", "tunnel"):
            continue
        # Along the flight, which is a little longer than the straight line the column counts on.
        at = line.interpolate(min(along / float(leg["length_m"]), 1.0), normalized=True)
        yield Check(
            "gap",
            (at.x, at.y),
            f"Measure the gap between the stems: {both(width, 1)} by lidar, {both(along)} from the "
            "throw. Note stems thinner than a wrist.",
            "Edges of the free width are good to half a metre, and thin stems are missed.",
            owner=hole,
            leg_id=int(leg["leg_id"]),
        )


def in_the_way(outing: Outing, both: Lengths) -> Iterator[Check]:
    """What stops most throws of legs that fewer than a fair share of them pass."""
    for hole, leg, line in legs_of(outing):
        if leg.get("fail_at_m") is None or (leg["clear_rate"] or 1.0) >= FAIR:
            continue
        along, side = float(leg["fail_at_m"]), float(leg["fail_side_m"])
        start, end = shapely.get_coordinates(line)[[0, -1]]
        way = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        at = start + way * along + np.array([-way[1], way[0]]) * side
        what = {
            "brush": "Brush by lidar",
            "limb": "A limb by lidar",
            "trunk": "A trunk, placed by its crown",
            "not seen": "Space that lidar did not see",
        }.get(str(leg["fail_on"]), "Something")
        yield Check(
            "in the way",
            (float(at[0]), float(at[1])),
            f"{what} stops most throws that fail, {both(along)} from the throw, "
            f"{both(abs(side), 1)} {'left' if side >= 0 else 'right'} of the line, "
            f"{both(float(leg['fail_height_m']), 1)} up. What is it, and is it worth keeping?",
            f"{leg['clear_rate']:.0%} of throws pass; two thirds are a fair share.",
            owner=hole,
            leg_id=int(leg["leg_id"]),
        )


def under_crowns(
    outing: Outing,
    cover: NDArray[np.floating] | None,
    grid: Grid,
    leaf_state: str,
    settings: FieldSettings,
    both: Lengths,
) -> Iterator[Check]:
    """The longest stretch under crowns of each leg, unless the survey saw it in leaf."""
    if cover is None or leaf_state == "on":
        return
    for hole, leg, line in legs_of(outing):
        parts = _stretches(line, cover, grid, COVERED, np.inf, settings.stretch)
        if not parts:
            continue
        part = max(parts, key=lambda p: p.size)
        flown = "without leaves" if leaf_state == "off" else "in a season nobody noted"
        yield Check(
            "in leaf",
            part.at,
            f"Which trees these are, and what their leaves close between knee and roof, on "
            f"{both(part.size)} of the line around {both(part.along)} from the throw.",
            f"Flown {flown}, kinds of tree unknown: clear rate {leg['clear_rate']:.0%} as surveyed,"
            f" {leg['clear_rate_leaf_on']:.0%} reckoned in leaf.",
            best_seen="in leaf",
            owner=hole,
            leg_id=int(leg["leg_id"]),
            size=part.size,
        )
