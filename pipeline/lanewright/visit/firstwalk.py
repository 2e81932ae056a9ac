"""The first walk: one way past the best features and the checks that settle most, from the arrival.

As much is seen as a visit has time for, walking and looking. Ways are those of the layout's
walkers: around water and keep-outs, slower up, down and on wet ground.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.layout.walks import (
    Footing,
    Walk,
    graph_of,
    met_by,
    seconds_between,
    walks_between,
)
from lanewright.settings.visit import FieldSettings
from lanewright.visit.outing import CHECK, Spot

FEATURE = "F"
"""Letter before the number of a feature."""

WORTH_OF_CHECK = {
    "access": 0.3,
    "wire": 0.25,
    "boundary": 0.15,
    "soft ground": 0.12,
    "crossing": 0.12,
}
"""What a check counts beside features, which count 0-1; others 0.06; ours."""

MOST = 30
"""Places that a walk may choose from: the order is sought among all of them at once."""

TOGETHER = 5.0
"""Metres within which two places are one stop."""

NAMES = {"short": "the short visit", "day": "the day"}


@dataclass(frozen=True)
class Place:
    """Somewhere a walk may stop.

    Attributes
    ----------
    stop
        Short name, such as F3 or Q12.
    what
        What the reader calls it.
    xy
        Where to stand [m].
    worth
        What it counts.
    minutes
        How long one looks.
    """

    stop: str
    what: str
    xy: tuple[float, float]
    worth: float
    minutes: float


@dataclass(frozen=True)
class Start:
    """Where a walk begins and ends, and why there."""

    xy: tuple[float, float]
    said: str


def start_of(
    arrival: Spot | None,
    land: shapely.Geometry,
    paths: shapely.Geometry,
    features: gpd.GeoDataFrame,
) -> Start | None:
    """The arrival; without one the border nearest a path, else nearest the first feature.

    None where there is neither.
    """
    if arrival is not None:
        return Start(arrival.xy, "from the arrival")
    edge = shapely.boundary(land)
    if not paths.is_empty and not edge.is_empty:
        at = shapely.get_point(shapely.shortest_line(edge, paths), 0)
        return Start(
            (at.x, at.y), "no arrival is given: from the border where a path comes nearest"
        )
    if not len(features) or edge.is_empty:
        return None
    first = shapely.get_point(features.geometry.iloc[0], 0)
    at = shapely.get_point(shapely.shortest_line(edge, first), 0)
    return Start((at.x, at.y), "no arrival is given: from the border nearest the first feature")


def places_of(
    features: gpd.GeoDataFrame, checks: gpd.GeoDataFrame, settings: FieldSettings
) -> list[Place]:
    """Features shown, best first, then the checks that count most."""
    shown = features[features["shown"]] if len(features) else features
    out = [
        Place(
            f"{FEATURE}{row.feature_id}",
            row.name_,
            row.geometry.coords[0][:2],
            float(row.rank_value),
            settings.feature_minutes,
        )
        for row in shown.rename(columns={"name": "name_"}).itertuples()
    ]
    asked = [
        Place(
            f"{CHECK}{row.check_id}",
            f"{row.kind}, {row.place}",
            (row.geometry.x, row.geometry.y),
            WORTH_OF_CHECK.get(row.kind, 0.06),
            settings.check_minutes,
        )
        for row in checks.itertuples()
    ]
    asked.sort(key=lambda place: -place.worth)
    return _together([*out, *asked])[:MOST]


def _together(places: Sequence[Place]) -> list[Place]:
    """Places a few steps apart as one stop."""
    out: list[Place] = []
    for place in places:
        near = [k for k, other in enumerate(out) if math.dist(other.xy, place.xy) < TOGETHER]
        if near:
            other = out[near[0]]
            out[near[0]] = Place(
                f"{other.stop} {place.stop}",
                f"{other.what}; {place.what}",
                other.xy,
                other.worth + place.worth,
                other.minutes + place.minutes,
            )
        else:
            out.append(place)
    return out


def first_walks(
    places: Sequence[Place], start: Start | None, land: Footing, settings: FieldSettings
) -> gpd.GeoDataFrame:
    """A walk for a short visit and one for a day, in the columns of the layer `first_walk`.

    Parameters
    ----------
    places
        Where one may stop.
    start
        Where the walks begin and end; None gives no walk.
    land
        The land on foot.
    settings
        The section `field` of the configuration.

    Returns
    -------
    geopandas.GeoDataFrame
        A row for each way from stop to stop, the way back last; LineString Z. Empty where no
        place can be walked to in the time.
    """
    rows: list[Row] = []
    here = [p for p in places if start and math.dist(p.xy, start.xy) < TOGETHER]
    looked = sum(p.minutes for p in here)
    places = [p for p in places if p not in here]
    if start is not None and places:
        spots = np.array([start.xy, *(place.xy for place in places)], np.float64)
        graph = graph_of(land)
        seconds = seconds_between(land, graph, spots, spots)
        seen: set[int] = set()
        for visit, minutes in (("short", settings.short_visit), ("day", settings.long_visit)):
            order = chosen(seconds / 60, places, minutes - looked)
            if set(order) <= seen:
                continue  # the short visit sees it all
            seen = set(order)
            pairs = np.array(list(zip([0, *order], [*order, 0], strict=True)), np.int64)
            if len(order):
                ways = walks_between(land, graph, spots, spots, pairs, seconds[tuple(pairs.T)])
                rows += list(_steps(visit, order, ways, places, land))
                back = "; ".join(f"{p.stop} {p.what}" for p in here)
                rows[-1]["what"] += f", and there: {back}" if back else ""
                rows[-1]["look_min"] += looked
    return _frame(rows, land.grid.crs)


def chosen(minutes: Floats, places: Sequence[Place], most: float) -> list[int]:
    """Order of the places seen within a time; place k is row k + 1 of `minutes`, row 0 the start.

    The place that gives most worth for each further minute is put where it costs least, until
    none fits; after each the order is shortened by turning stretches round (2-opt, Croes 1958,
    from memory). No bound holds; tests compare small cases with all orders.
    """
    order: list[int] = []
    while True:
        best: tuple[float, int, list[int]] | None = None
        now = _time(minutes, order, places)
        for k, place in enumerate(places, start=1):
            if k in order or not np.isfinite(minutes[0, k] + minutes[k, 0]):
                continue
            longer = min(
                ([*order[:i], k, *order[i:]] for i in range(len(order) + 1)),
                key=lambda way: _time(minutes, way, places),
            )
            takes = _time(minutes, longer, places)
            if takes <= most:
                gain = place.worth / max(takes - now, 1e-6)
                if best is None or gain > best[0]:
                    best = gain, k, longer
        if best is None:
            return order
        order = _shorter(minutes, best[2], places)


def _time(minutes: Floats, order: Sequence[int], places: Sequence[Place]) -> float:
    """Minutes of a walk from the start past these and back, looking included."""
    stops = [0, *order, 0]
    walked = float(minutes[stops[:-1], stops[1:]].sum()) if order else 0.0
    return walked + sum(places[k - 1].minutes for k in order)


def _shorter(minutes: Floats, order: list[int], places: Sequence[Place]) -> list[int]:
    best, takes = order, _time(minutes, order, places)
    improved = True
    while improved:
        improved = False
        for i in range(len(best) - 1):
            for j in range(i + 2, len(best) + 1):
                other = [*best[:i], *best[i:j][::-1], *best[j:]]
                time = _time(minutes, other, places)
                if time < takes - 1e-6:
                    best, takes, improved = other, time, True
    return best


def _steps(
    visit: str,
    order: list[int],
    ways: list[Walk | None],
    places: Sequence[Place],
    land: Footing,
) -> Iterator[Row]:
    clock = 0.0
    for number, (k, way) in enumerate(zip([*order, 0], ways, strict=True), start=1):
        assert way is not None  # chosen among places with finite times
        walked = way.seconds / 60
        clock += walked
        place = places[k - 1] if k else None
        look = place.minutes if place else 0.0
        yield {
            "visit": visit,
            "step": number,
            "stop": place.stop if place else "START",
            "what": place.what if place else "back where the walk began",
            "length_m": way.line.length,
            "climb_m": met_by(land, way.line).climb,
            "walk_min": walked,
            "look_min": look,
            "at_min": clock,
            "geometry": way.line,
        }
        clock += look


def _frame(rows: list[Row], crs: str) -> gpd.GeoDataFrame:
    names = ["visit", "step", "stop", "what", "length_m", "climb_m", "walk_min", "look_min"]
    table = pd.DataFrame(rows, columns=[*names, "at_min", "geometry"])
    table.insert(0, "step_id", np.arange(1, len(table) + 1, dtype=np.int64))
    for name in ("length_m", "climb_m", "walk_min", "look_min", "at_min"):
        table[name] = table[name].astype(float)
    table["step"] = table["step"].astype(np.int64)
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)


def summary(walk: gpd.GeoDataFrame, visit: str) -> str:
    """One sentence on a walk; empty where there is none."""
    mine = walk[walk["visit"] == visit]
    if mine.empty:
        return ""
    stops = int((mine["stop"] != "START").sum())
    total = float(mine["walk_min"].sum() + mine["look_min"].sum())
    return (
        f"{stops} {'stop' if stops == 1 else 'stops'}, {mine['length_m'].sum() / 1000:.1f} km and "
        f"{mine['climb_m'].sum():.0f} m of climb, {total:.0f} minutes with time to look"
    )
