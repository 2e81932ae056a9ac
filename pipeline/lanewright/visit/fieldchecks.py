"""What only a visit can answer: each question at its place, with why, in the order of a walk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.grid import Grid
from lanewright.settings.visit import FieldSettings
from lanewright.trim.tour import tour
from lanewright.visit import growthchecks, waterchecks
from lanewright.visit.outing import Frames, Outing, Spot
from lanewright.visit.question import (
    Check,
    Lengths,
    hole_of,
    nearest_hole,
    played_ground,
    walk_name,
    walks_of,
)

WIRE_REACH = 50.0
"""Metres around holes and walks within which wires are gone to; ours. All stand in `cautions`."""


@dataclass(frozen=True)
class Surveyed:
    """The land and its survey.

    Attributes
    ----------
    land
        The property.
    flown
        First and last day of the survey, as ISO dates; None where it does not say.
    leaf_state
        Trees when the lidar was flown: off, on or unknown.
    """

    land: shapely.MultiPolygon
    flown: tuple[str, str] | None
    leaf_state: str


def list_checks(
    outing: Outing,
    layers: Frames,
    rasters: Mapping[str, NDArray[np.floating]],
    grid: Grid,
    surveyed: Surveyed,
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
    surveyed
        The land and its survey.
    settings
        The section `field` of the configuration.
    feet_first
        Put feet before metres in the texts.

    Returns
    -------
    geopandas.GeoDataFrame
        Points numbered in the order of a walk that starts and ends at the outing's start.
    """
    both, land = Lengths(feet_first), surveyed.land
    seen, cover = rasters.get("seen_share"), rasters.get("canopy_cover")
    found = [
        *_arrival(outing, land),
        *_age(outing, land, surveyed.flown, settings),
        *growthchecks.unseen(outing, seen, grid, settings, both),
        *growthchecks.gaps(outing, settings, both),
        *growthchecks.in_the_way(outing, both),
        *growthchecks.under_crowns(outing, cover, grid, surveyed.leaf_state, settings, both),
        *waterchecks.soft(outing, layers.get("wet_ground"), both),
        *waterchecks.water(outing, layers, settings, both),
        *waterchecks.crossings(outing, layers.get("drainage"), both),
        *_wires(outing, layers.get("cautions"), land),
        *_boundary(outing, land, settings, both),
    ]
    return _in_order(found, outing.start, grid.crs)


def _in_order(found: list[Check], start: Spot | None, crs: str) -> gpd.GeoDataFrame:
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


def _first_place(outing: Outing, land: shapely.MultiPolygon) -> tuple[float, float]:
    """Where questions of no place of their own are asked: as the walk begins."""
    if outing.start is not None:
        return outing.start.xy
    if outing.holes:
        return outing.holes[0].tee.xy
    point = land.representative_point()
    return point.x, point.y


def _arrival(outing: Outing, land: shapely.MultiPolygon) -> Iterator[Check]:
    if land.is_empty:
        return
    at = _first_place(outing, land)
    given = outing.start is not None and outing.start_given
    yield Check(
        "access",
        at,
        "Right of way from the road, gates, room to park and turn, a way in for an ambulance and "
        "for a chipper.",
        "Lidar shows no rights and no gates."
        if given
        else "No arrival is set, so nobody has yet said where people come in.",
        place="arrival" if given else "where people come in",
    )
    for walk, line in walks_of(outing):
        mark = walk.get("mark")
        if not mark:
            continue
        middle = line.interpolate(0.5, normalized=True)
        yield Check(
            "access",
            (middle.x, middle.y),
            f"Walk this way. {mark[:1].upper()}{mark[1:]}.",
            "The walk was found on a terrain model; footing, banks and fences were not seen.",
            owner=hole_of(outing, int(walk["to_order"])),
            place=walk_name(walk),
        )


def _age(
    outing: Outing,
    land: shapely.MultiPolygon,
    flown: tuple[str, str] | None,
    settings: FieldSettings,
) -> Iterator[Check]:
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
    yield Check("survey age", _first_place(outing, land), look, why)


def _wires(
    outing: Outing, cautions: gpd.GeoDataFrame | None, land: shapely.MultiPolygon
) -> Iterator[Check]:
    if cautions is None or not outing.holes:
        return
    played = played_ground(outing)
    named = cautions[cautions["caution"].str.contains("wire|power line", case=False)]
    for _, caution in named.iterrows():
        for part in shapely.get_parts(caution.geometry):
            everywhere = part.area > 0.5 * land.area
            if everywhere or shapely.distance(part, played) > WIRE_REACH:
                continue
            hole = nearest_hole(outing, part)
            at = shapely.get_point(shapely.shortest_line(part, hole.line), 0)
            yield Check(
                "wire",
                (at.x, at.y),
                "Stay 3 m (10 ft) off. Whether there is a wire, whose it is, how high it hangs.",
                caution["why"],
                owner=hole,
                size=float(np.hypot(*np.ptp(np.reshape(part.bounds, (2, 2)), axis=0))),
            )


def _boundary(
    outing: Outing, land: shapely.MultiPolygon, settings: FieldSettings, both: Lengths
) -> Iterator[Check]:
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
        yield Check(
            "boundary",
            (at.x, at.y),
            "Corner stones, fences, blazes, the neighbour's use of the land; have the line "
            "surveyed before anything is built.",
            f"The {name} is {both(away)} from the outline, which was given or drawn, not surveyed.",
            owner=hole,
        )
