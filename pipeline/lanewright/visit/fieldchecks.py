"""What only a visit can answer: each question at its place, with why, in the order of a walk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.grid import Grid
from lanewright.base.units import FEET_PER_METRE
from lanewright.settings.visit import FieldSettings
from lanewright.trim.tour import tour
from lanewright.visit.outing import Frames, Outing, Played, Spot

STEP = 1.0
"""Metres between places along a line where rasters are read."""

GREEN = 10.0
"""Metres around a basket that are its putting area (PDGA Official Rules, 806.01)."""

PAD = 3.0
"""Metres around a tee that are stood and built on; ours."""

FAIR = 2 / 3
"""Share of a level's throws that pass a fair gap: a senior designer's guideline in the PDGA
discussion archive, 2006; not an adopted standard."""

COVERED = 0.5
"""Canopy cover from which a stretch is under crowns; ours, half the sky."""

SMALL_WATER = 2000.0
"""Square metres up to which water may be a seasonal pool; ours. Vernal pools are mostly smaller
than 0.2 ha (half an acre), from memory."""

SOFT_SHARE = 0.1
"""Share of a tee or green that must be wet to be asked after; ours, outlines are no finer."""

STREAM_HA = 1.0
"""Hectares upslope from which a drainage line is worth a look where a walk crosses it; ours."""

WIRE_REACH = 50.0
"""Metres around holes and walks within which wires are gone to; ours. All stand in `cautions`."""


@dataclass(frozen=True)
class _Check:
    """One question before it has a number; `owner` is the hole it belongs to."""

    kind: str
    at: tuple[float, float]
    look: str
    why: str
    best_seen: str = "any day"
    owner: Played | None = None
    leg_id: int | None = None
    size: float = 0.0
    place: str = ""


def list_checks(
    outing: Outing,
    layers: Frames,
    rasters: Mapping[str, NDArray[Any]],
    grid: Grid,
    *,
    land: shapely.MultiPolygon,
    flown: tuple[str, str] | None,
    leaf_state: str,
    settings: FieldSettings,
    feet_first: bool = False,
) -> gpd.GeoDataFrame:
    """List what to look at on foot, in the columns of the layer `field_checks`.

    Parameters
    ----------
    outing
        The holes that are taken along; only what bears on them is asked.
    layers
        `wet_ground`, `water`, `drainage`, `cautions` and others by name, as published; any may be
        missing.
    rasters
        `seen_share` and `canopy_cover` (rows, cols), where there is lidar.
    grid
        Georeference of the rasters.
    land
        The property.
    flown
        First and last day of the survey, as ISO dates; None where it does not say.
    leaf_state
        Trees when the lidar was flown: off, on or unknown.
    settings
        The section `field` of the configuration.
    feet_first
        Put feet before metres in the texts.

    Returns
    -------
    geopandas.GeoDataFrame
        Points numbered in the order of a walk that starts and ends at the outing's start.
    """
    tell = _Teller(feet_first)
    found = [
        *_arrival(outing, land),
        *_age(outing, land, flown, settings),
        *_unseen(outing, rasters.get("seen_share"), grid, settings, tell),
        *_gaps(outing, settings, tell),
        *_in_the_way(outing, tell),
        *_under_crowns(outing, rasters.get("canopy_cover"), grid, leaf_state, settings, tell),
        *_soft(outing, layers.get("wet_ground"), tell),
        *_water(outing, layers, settings, tell),
        *_crossings(outing, layers.get("drainage"), tell),
        *_wires(outing, layers.get("cautions"), land),
        *_boundary(outing, land, settings, tell),
    ]
    return _in_order(found, outing.start, grid.crs)


def _in_order(found: list[_Check], start: Spot | None, crs: str) -> gpd.GeoDataFrame:
    places = np.array([check.at for check in found], np.float64).reshape(-1, 2)
    order = tour(places, home=start.xy if start else None)
    places, found = places[order], [found[i] for i in order]
    before = np.r_[[start.xy if start else (np.nan, np.nan)], places[:-1]] if len(places) else []
    holes = [c.owner.hole_id if c.owner else None for c in found]
    return gpd.GeoDataFrame(
        {
            "check_id": np.arange(1, len(found) + 1),
            "kind": [c.kind for c in found],
            "look": [c.look for c in found],
            "why": [c.why for c in found],
            "best_seen": [c.best_seen for c in found],
            "place": [c.place or (c.owner.title if c.owner else "whole property") for c in found],
            "hole_id": pd.array(holes, dtype="Int64"),
            "leg_id": pd.array([c.leg_id for c in found], dtype="Int64"),
            "walk_m": np.hypot(*(places - before).T) if len(places) else np.empty(0),
            "size_m": np.array([c.size for c in found], np.float64),
        },
        geometry=gpd.points_from_xy(*places.T),
        crs=crs,
    )


class _Teller:
    """Lengths in words, the reader's unit first."""

    def __init__(self, feet_first: bool) -> None:
        self._feet_first = feet_first

    def __call__(self, metres: float, digits: int = 0) -> str:
        m = f"{metres:.{digits}f} m"
        ft = f"{metres * FEET_PER_METRE:.0f} ft"
        return f"{ft} ({m})" if self._feet_first else f"{m} ({ft})"


# ---------------------------------------------------------------------------------------------
# The whole


def _first_place(outing: Outing, land: shapely.MultiPolygon) -> tuple[float, float]:
    """Where questions of no place of their own are asked: as the walk begins."""
    if outing.start is not None:
        return outing.start.xy
    if outing.holes:
        return outing.holes[0].tee.xy
    point = land.representative_point()
    return point.x, point.y


def _arrival(outing: Outing, land: shapely.MultiPolygon) -> Iterator[_Check]:
    if land.is_empty:
        return
    at = _first_place(outing, land)
    told = outing.start is not None and outing.start_given
    yield _Check(
        "access",
        at,
        "Right of way from the road, gates, room to park and turn, a way in for an ambulance and "
        "for a chipper.",
        "Lidar shows no rights and no gates."
        if told
        else "No arrival is set, so nobody has yet said where people come in.",
        place="arrival" if told else "where people come in",
    )
    for _, walk in outing.walks.iterrows() if outing.walks is not None else ():
        mark = walk.get("mark")
        if not mark:
            continue
        middle = walk.geometry.interpolate(0.5, normalized=True)
        yield _Check(
            "access",
            (middle.x, middle.y),
            f"Walk this way: it needs {mark}.",
            "The walk was found on a terrain model; footing, banks and fences were not seen.",
            owner=_hole(outing, int(walk["to_order"])),
            place=_walk_name(walk),
        )


def _hole(outing: Outing, number: int) -> Played | None:
    return next((hole for hole in outing.holes if hole.number == number), None)


def _walk_name(walk: pd.Series[Any]) -> str:
    ends = [
        "arrival" if not number else f"hole {number}"
        for number in (int(walk["from_order"]), int(walk["to_order"]))
    ]
    return f"walk {ends[0]} to {ends[1]}"


def _age(
    outing: Outing,
    land: shapely.MultiPolygon,
    flown: tuple[str, str] | None,
    settings: FieldSettings,
) -> Iterator[_Check]:
    if land.is_empty:
        return
    look = "Young growth, fallen trees, cut trees, new paths and buildings, all along the lines."
    limit = f"{settings.survey_years:g} years"
    if flown is None:
        why = f"The survey does not say when it was flown; it may well be older than {limit}."
    else:
        last = dt.date.fromisoformat(flown[1])
        when = flown[1] if flown[0] == flown[1] else f"{flown[0]} to {flown[1]}"
        if settings.visit is None:
            why = f"Flown {when}: whatever grew, fell or was built since is not in it. From {limit}"
            why += " on, take every lane for narrower until you have seen it."
        else:
            years = (settings.visit - last).days / 365.25
            if years < settings.survey_years:
                return
            why = f"Flown {when}, {years:.1f} years before the walk; saplings grow into lanes."
    yield _Check("survey age", _first_place(outing, land), look, why)


# ---------------------------------------------------------------------------------------------
# Along the legs


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
    raster: NDArray[Any],
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
    row, col = grid.rowcol(x, y)
    values = np.nan_to_num(
        raster[np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)].astype(np.float64),
        nan=low,
    )
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


def _legs(outing: Outing) -> Iterator[tuple[Played, pd.Series[Any]]]:
    for hole in outing.holes:
        for _, leg in hole.legs.iterrows():
            yield hole, leg


def _unseen(
    outing: Outing,
    seen: NDArray[Any] | None,
    grid: Grid,
    settings: FieldSettings,
    tell: _Teller,
) -> Iterator[_Check]:
    if seen is None:
        for hole in outing.holes:
            middle = hole.line.interpolate(0.5, normalized=True)
            yield _Check(
                "not seen",
                (middle.x, middle.y),
                "Everything that stands on the line: without lidar no tree of it is known.",
                "Only an elevation model was given.",
                owner=hole,
                size=hole.line.length,
            )
        return
    for hole, leg in _legs(outing):
        for part in _stretches(leg.geometry, seen, grid, 0.0, settings.seen, settings.stretch):
            yield _Check(
                "not seen",
                part.at,
                f"Stems, vines and limbs up to head height and over it, on {tell(part.size)} of the"
                f" line around {tell(part.along)} from the throw.",
                f"Lidar searched {part.mean:.0%} of the throwing space here.",
                owner=hole,
                leg_id=int(leg["leg_id"]),
                size=part.size,
            )


def _gaps(outing: Outing, settings: FieldSettings, tell: _Teller) -> Iterator[_Check]:
    for hole, leg in _legs(outing):
        width, along = float(leg["pinch_width_m"]), float(leg["pinch_at_m"])
        if not width < settings.gap or leg["lane_kind"] not in ("lane", "tunnel"):
            continue
        # Along the flight, which is a little longer than the straight line the column counts on.
        at = leg.geometry.interpolate(min(along / float(leg["length_m"]), 1.0), normalized=True)
        yield _Check(
            "gap",
            (at.x, at.y),
            f"Measure the gap between the stems: {tell(width, 1)} by lidar, {tell(along)} from the "
            "throw. Note stems thinner than a wrist.",
            "Edges of the free width are good to half a metre, and thin stems are missed.",
            owner=hole,
            leg_id=int(leg["leg_id"]),
        )


def _in_the_way(outing: Outing, tell: _Teller) -> Iterator[_Check]:
    """What stops most throws of legs that fewer than a fair share of them pass."""
    for hole, leg in _legs(outing):
        if pd.isna(leg.get("fail_at_m")) or not leg["clear_rate"] < FAIR:
            continue
        along, side = float(leg["fail_at_m"]), float(leg["fail_side_m"])
        start, end = shapely.get_coordinates(leg.geometry)[[0, -1]]
        way = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        at = start + way * along + np.array([-way[1], way[0]]) * side
        what = {
            "brush": "Brush by lidar",
            "limb": "A limb by lidar",
            "trunk": "A trunk, placed by its crown",
            "not seen": "Space that lidar did not see",
        }.get(str(leg["fail_on"]), "Something")
        yield _Check(
            "in the way",
            (float(at[0]), float(at[1])),
            f"{what} stops most throws that fail, {tell(along)} from the throw, "
            f"{tell(abs(side), 1)} {'left' if side >= 0 else 'right'} of the line, "
            f"{tell(float(leg['fail_height_m']), 1)} up. What is it, and is it worth keeping?",
            f"{leg['clear_rate']:.0%} of throws pass; two thirds are a fair share.",
            owner=hole,
            leg_id=int(leg["leg_id"]),
        )


def _under_crowns(
    outing: Outing,
    cover: NDArray[Any] | None,
    grid: Grid,
    leaf_state: str,
    settings: FieldSettings,
    tell: _Teller,
) -> Iterator[_Check]:
    """The longest stretch under crowns of each leg, unless the survey saw it in leaf."""
    if cover is None or leaf_state == "on":
        return
    for hole, leg in _legs(outing):
        parts = _stretches(leg.geometry, cover, grid, COVERED, np.inf, settings.stretch)
        if not parts:
            continue
        part = max(parts, key=lambda p: p.size)
        flown = "without leaves" if leaf_state == "off" else "in a season nobody noted"
        yield _Check(
            "in leaf",
            part.at,
            f"Which trees these are, and what their leaves close between knee and roof, on "
            f"{tell(part.size)} of the line around {tell(part.along)} from the throw.",
            f"Flown {flown}, kinds of tree unknown: clear rate {leg['clear_rate']:.0%} as surveyed,"
            f" {leg['clear_rate_leaf_on']:.0%} reckoned in leaf.",
            best_seen="in leaf",
            owner=hole,
            leg_id=int(leg["leg_id"]),
            size=part.size,
        )


# ---------------------------------------------------------------------------------------------
# Water


def _soft(outing: Outing, wet: gpd.GeoDataFrame | None, tell: _Teller) -> Iterator[_Check]:
    """Tees, greens and walks on ground that the terrain makes wet: one question for each."""
    if wet is None or wet.empty:
        return
    everywhere = shapely.union_all(wet.geometry.to_numpy())
    shapely.prepare(everywhere)
    for hole in outing.holes:
        for what, spot, reach in (("tee", hole.tee, PAD), ("green", hole.basket, GREEN)):
            area = shapely.Point(spot.xy).buffer(reach)
            if not everywhere.intersects(area):
                continue
            share = everywhere.intersection(area).area / area.area
            if share < SOFT_SHARE:
                continue
            at = everywhere.intersection(area).representative_point()
            yield _Check(
                "soft ground",
                (at.x, at.y),
                f"How soft the {what} is after rain: a heel's print, standing water, rushes.",
                f"{share:.0%} of it is ground that the shape of the terrain makes wet; soil and "
                "drains are not known.",
                best_seen="after rain",
                owner=hole,
                size=2 * reach,
            )
    for _, walk in outing.walks.iterrows() if outing.walks is not None else ():
        soft = everywhere.intersection(shapely.force_2d(walk.geometry))
        if soft.length < STEP:
            continue
        at = soft.interpolate(0.5, normalized=True)
        yield _Check(
            "soft ground",
            (at.x, at.y),
            f"Whether feet will churn the {tell(soft.length)} of wet ground on this walk, and "
            "where a drier way leads.",
            "The shape of the terrain makes it wet; soil and drains are not known.",
            best_seen="after rain",
            owner=_hole(outing, int(walk["to_order"])),
            size=float(soft.length),
            place=_walk_name(walk),
        )


def _played_ground(outing: Outing) -> shapely.Geometry:
    lines = [shapely.force_2d(g) for hole in outing.holes for g in hole.legs.geometry]
    if outing.walks is not None:
        lines += [shapely.force_2d(g) for g in outing.walks.geometry]
    return shapely.union_all(lines)


def _nearest_hole(outing: Outing, shape: shapely.Geometry) -> Played:
    return min(outing.holes, key=lambda hole: (hole.line.distance(shape), hole.number))


def _water(
    outing: Outing, layers: Frames, settings: FieldSettings, tell: _Teller
) -> Iterator[_Check]:
    """Small water and hollows near the holes: both may be there only part of the year."""
    if not outing.holes:
        return
    played = _played_ground(outing)
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
            (shape, f"A hollow that holds {tell(depth, 1)} of water before it spills.")
            for shape, depth in zip(ponds.geometry, ponds["ponding_m"], strict=True)
        ]
    near = [(s, why) for s, why in kinds if shapely.distance(s, played) <= settings.near]
    for shape, why in near:
        hole = _nearest_hole(outing, shape)
        at = shapely.get_point(shapely.shortest_line(shape, hole.line), 0)
        size = 2 * np.sqrt(shape.area / np.pi)
        yield _Check(
            "water",
            (at.x, at.y),
            "Whether water stands here all year: a rim of bare mud, water plants, frogs. Depth and "
            "footing of the bank.",
            why + " One flight cannot tell a pond from a spring pool.",
            best_seen="in a dry spell",
            owner=hole,
            size=float(size),
        )


def _crossings(
    outing: Outing, drainage: gpd.GeoDataFrame | None, tell: _Teller
) -> Iterator[_Check]:
    """Places where walks cross drainage lines: bridge, ford or dry."""
    if drainage is None or outing.walks is None:
        return
    streams = drainage[drainage["upslope_ha"] >= STREAM_HA]
    for _, walk in outing.walks.iterrows():
        met = streams[streams.intersects(walk.geometry)]
        for _, stream in met.iterrows():
            at = stream.geometry.intersection(shapely.force_2d(walk.geometry)).centroid
            yield _Check(
                "crossing",
                (at.x, at.y),
                "Width, bank and bed where the walk crosses: step, ford or bridge.",
                f"{stream['upslope_ha']:.1f} ha drain through this line; whether water runs in it "
                "was not seen.",
                best_seen="after rain",
                owner=_hole(outing, int(walk["to_order"])),
                place=_walk_name(walk),
            )


# ---------------------------------------------------------------------------------------------
# What may hurt or bind


def _wires(
    outing: Outing, cautions: gpd.GeoDataFrame | None, land: shapely.MultiPolygon
) -> Iterator[_Check]:
    if cautions is None or not outing.holes:
        return
    played = _played_ground(outing)
    named = cautions[cautions["caution"].str.contains("wire|power line", case=False)]
    for _, caution in named.iterrows():
        for part in shapely.get_parts(caution.geometry):
            everywhere = part.area > 0.5 * land.area
            if everywhere or shapely.distance(part, played) > WIRE_REACH:
                continue
            hole = _nearest_hole(outing, part)
            at = shapely.get_point(shapely.shortest_line(part, hole.line), 0)
            yield _Check(
                "wire",
                (at.x, at.y),
                "Stay 3 m (10 ft) off. Whether there is a wire, whose it is, how high it hangs.",
                caution["why"],
                owner=hole,
                size=float(np.hypot(*np.ptp(np.reshape(part.bounds, (2, 2)), axis=0))),
            )


def _boundary(
    outing: Outing, land: shapely.MultiPolygon, settings: FieldSettings, tell: _Teller
) -> Iterator[_Check]:
    edge = land.boundary
    for hole in outing.holes:
        names = ["tee", *["landing zone"] * len(hole.landings), "basket"]
        close = [
            (away, name, spot)
            for name, spot in zip(names, hole.spots, strict=True)
            if (away := edge.distance(shapely.Point(spot.xy))) <= settings.boundary
        ]
        if not close:
            continue
        away, name, spot = min(close, key=lambda c: c[:2])
        at = shapely.get_point(shapely.shortest_line(edge, shapely.Point(spot.xy)), 0)
        yield _Check(
            "boundary",
            (at.x, at.y),
            "Corner stones, fences, blazes, the neighbour's use of the land; have the line "
            "surveyed before anything is built.",
            f"The {name} is {tell(away)} from the outline, which was given or drawn, not surveyed.",
            owner=hole,
        )
