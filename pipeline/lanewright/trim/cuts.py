"""Stage cuts: lanes to cut, where growth is too dense for any line to be worth trimming.

Lines that growth stops nearly always are no legs. In a dense wood that is every line, and nothing
would be said of it. Here the least cut is sought instead: the flights of a level that cost the
least work between any two spots (`corridors`), as many as differ, each with the least set of pieces
that lets two throws of three pass (`oneleg`), what clearing its two ends takes, and what is unsure.

A lane is proposed only if its throws reach the wished clear rate by cutting what may be cut. The
best are published as they are; all may become holes, so that rounds run through a wood as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of
from lanewright.base.schema import LAYERS as SCHEMA
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.kernels.corridors import Wood
from lanewright.legs import fair
from lanewright.legs.measure import in_the_open, judged, places_of, scored
from lanewright.legs.search import cells_of_sites
from lanewright.legs.sites import Sites, find_sites
from lanewright.legs.thrower import Player, Thrower, thrower_of
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene
from lanewright.settings.cuts import CutsSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.store import stage
from lanewright.trim.corridors import distinct, seams, spread, wood_of
from lanewright.trim.cutlanes import lane_row, pads_of
from lanewright.trim.keep import Brief
from lanewright.trim.oneleg import Planned, planned_legs, wished_of
from lanewright.trim.pieces import take
from lanewright.trim.plan import NOTHING_ASKED, growth_of
from lanewright.trim.standing import Growth
from lanewright.trim.tables import Trim, collected, no_trim

ANYWHERE = -1.0  # m of room that any spot has, be it in a trunk
FEW = 10  # lanes below which somebody with a wood is warned; ours
WOOD = 0.2  # share of the property with trees or brush from which there is a wood; ours
BATCH = 4  # lines planned before it is asked whether enough lanes are found


@dataclass(frozen=True)
class Cuts:
    """Lanes to cut.

    Attributes
    ----------
    lanes
        Layer `cut_lanes`, the most interest for each hour first; LineString Z along the flight.
    work
        Layer `cut_work`: the pieces to cut of each lane.
    legs
        Legs of every lane found, published or not, in the columns of layer `legs` but `leg_id`;
        `lane_id` numbers them as in `lanes`. Their throws end where they would if nothing grew.
    plans
        Their work, with `lane_id` in place of the number of a leg.
    facts
        For the summary: lines planned, lanes found, hours and ground per lane.
    warnings
        That few lanes or none were found on wooded land, and why.
    """

    lanes: gpd.GeoDataFrame
    work: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    plans: Trim
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Search:
    """What lanes of every level are looked for with."""

    growth: Growth
    thrower: Thrower
    wood: Wood
    sites: Sites
    settings: CutsSettings


@dataclass(frozen=True)
class _Lane:
    """A lane that cutting opens: its leg, its plan, and the row that is published."""

    leg: pd.Series
    plan: Planned
    row: dict[str, object]

    @property
    def hours(self) -> float:
        """Middle of the range."""
        return (self.number("hours_low") + self.number("hours_high")) / 2

    def number(self, name: str) -> float:
        """A figure of its row."""
        return float(str(self.row[name]))


@stage("cuts", version=7)
def find_cuts(
    scene: Scene,
    flights: Flights,
    legs_settings: LegsSettings,
    trim_settings: TrimSettings,
    settings: CutsSettings,
    brief: Brief = NOTHING_ASKED,
    *,
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Cuts:
    """Find the lanes that the least work would open through dense growth.

    Parameters
    ----------
    scene, flights
        The land and who throws; without lidar nothing is found.
    legs_settings, trim_settings, settings
        The sections `legs`, `trim` and `cuts` of the configuration.
    brief
        What must stay.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    if not scene.surveyed or settings.keep == 0:
        return no_cuts(scene.grid)
    with kernel_threads(threads):
        ours = cutting(trim_settings, settings)
        growth, _ = growth_of(scene, ours, legs_settings, brief.keep)
        thrower = thrower_of(scene, flights, legs_settings)
        search = _Search(
            growth,
            thrower,
            wood_of(thrower, growth),
            find_sites(scene, anywhere(legs_settings, settings).sites),
            settings,
        )
        lanes: list[_Lane] = []
        planned = 0
        for i, player in enumerate(thrower.players):
            found, tried = _lanes_of(search, player, _places(lanes))
            lanes += found
            planned += tried
            progress(0.9 * (i + 1) / len(thrower.players))
        return _tables(search, lanes, planned, brief)


def cutting(trim: TrimSettings, settings: CutsSettings) -> TrimSettings:
    """Settings of trim work where a lane is cut: trees go freely, unless none may go at all."""
    return trim.model_copy(
        update={
            "fell": "never" if trim.fell == "never" else "freely",
            "fell_price": settings.fell_price,
            "largest_felled_cm": settings.thickest_cm,
            "least_sure": settings.least_sure,
            "least_density": settings.least_density,
            "throws": settings.throws,
            "effort": settings.effort,
            "hopeless": 1.0,  # what stays closed is no lane, and its work need not be chosen
        }
    )


def anywhere(legs: LegsSettings, settings: CutsSettings) -> LegsSettings:
    """Settings of legs with sites wherever the ground suits, be it overgrown: it is cleared."""
    sites = legs.sites.model_copy(
        update={"tee_room": ANYWHERE, "basket_room": ANYWHERE, "spacing": settings.spacing}
    )
    return legs.model_copy(update={"sites": sites})


def no_cuts(grid: Grid) -> Cuts:
    """No lanes to cut."""
    frames = []
    for layer in ("cut_lanes", "cut_work"):
        names = [c.name for c in SCHEMA[layer].columns if c.derived is None]
        frames.append(gpd.GeoDataFrame({n: [] for n in names}, geometry=[], crs=grid.crs))
    nothing = gpd.GeoDataFrame({"lane_id": np.empty(0, np.int64)}, geometry=[], crs=grid.crs)
    facts: dict[str, object] = {"lanes": 0, "lines_planned": 0}
    return Cuts(frames[0], frames[1], nothing, no_trim(grid), facts)


def _lanes_of(search: _Search, player: Player, taken: Floats) -> tuple[list[_Lane], int]:
    """Lanes to cut of one level that differ from those taken, and how many lines were planned."""
    settings, grid = search.settings, search.thrower.scene.grid
    levels = len(search.thrower.players)
    hectares = search.thrower.scene.land.area / 1e4
    room, tries = _room(settings, player is search.thrower.players[0], levels, hectares)
    seam = seams(search.wood, search.thrower, player.flights, search.sites, settings)
    tees, ends = (cells_of_sites(s, grid) for s in (search.sites.tees, search.sites.baskets))
    tee, end = seam.tee, seam.end
    lines = Lines(tees[0][tee], tees[1][tee], ends[0][end], ends[1][end], seam.arc)
    places = places_of(lines, grid)
    first = distinct(places, seam.hours, settings.apart, taken)
    first = first[spread(places[first], seam.hours[first], settings.crowding)]
    first = first[:tries]
    legs = scored(
        search.thrower,
        player,
        search.sites.tees.iloc[tee[first]],
        search.sites.baskets.iloc[end[first]],
        lines.take(first),
    )
    once_cut = in_the_open(search.thrower, player, lines.take(first))
    leg = {str(name): legs[name].to_numpy() for name in legs} | once_cut
    gates = judged(leg, player.level.carry, search.thrower.settings)
    legs = legs.assign(origin="cut", **once_cut, **gates)
    legs = _to_cut(legs, search).reset_index(drop=True)
    legs.insert(0, "leg_id", np.arange(len(legs)))
    found: list[_Lane] = []
    tried = 0
    while tried < len(legs) and len(found) < room:
        part = legs.iloc[tried : tried + BATCH]
        found += _opened(search, player, part)
        tried += len(part)
    return found[:room], tried


def _room(settings: CutsSettings, best: bool, levels: int, hectares: float) -> tuple[int, int]:
    """Lanes to find for a level, and lines to plan at most; rounds are for the best level."""
    room, tries = (-(-n // levels) for n in (settings.keep, settings.planned))
    if best:
        room = max(room, min(round(settings.for_rounds_per_ha * hectares), settings.for_rounds))
    return room, max(tries, round(room * settings.planned / settings.keep))


def _chosen_only(plan: Planned, lane_id: int) -> Planned:
    """A plan without the pieces that stay, under the number of its lane."""
    which = np.flatnonzero(plan.chosen)
    return replace(
        plan,
        leg_id=lane_id,
        row=plan.row | {"leg_id": lane_id},
        pieces=take(plan.pieces, which),
        **{n: getattr(plan, n)[which] for n in ("left", "hours", "chosen", "gain", "rank")},
    )


def _to_cut(legs: gpd.GeoDataFrame, search: _Search) -> gpd.GeoDataFrame:
    """Legs that are not clear as they are, and that nothing but growth keeps from being fair."""
    wished = [wished_of(kind, search.growth.settings) for kind in legs["lane_kind"]]
    shut = fair.from_words(legs["unfair"])
    return legs[(legs["clear_rate"] < wished) & ~fair.hard(shut)]


def _opened(search: _Search, player: Player, legs: gpd.GeoDataFrame) -> Iterator[_Lane]:
    """Lanes that cutting lifts to the wished clear rate for no more hours than one may take."""
    growth, thrower = search.growth, search.thrower
    free, pads = pads_of(growth, legs, thrower.settings.sites)
    plans = planned_legs(growth, thrower.contacts, player, legs, thrower.settings.throws)
    for i, plan in enumerate(plans):
        if not plan.row["reached"] or not free[i] or not plan.chosen.any():
            continue
        lane = _Lane(legs.iloc[i], plan, lane_row(growth, legs.iloc[i], plan, pads[i]))
        if lane.hours <= search.settings.most_hours:
            yield lane


def _tables(search: _Search, lanes: list[_Lane], planned: int, brief: Brief) -> Cuts:
    """Layers of the lanes found."""
    grid, keep = search.thrower.scene.grid, search.settings.keep
    lanes = sorted(lanes, key=lambda lane: -lane.number("interest_per_hour"))
    shown = lanes[:keep]
    facts: dict[str, object] = {
        "lanes": len(shown),
        "lines_planned": planned,
        "lanes_that_may_be_holes": len(lanes),
    }
    warnings = tuple(_few(search, len(shown), planned))
    if not lanes:
        return replace(no_cuts(grid), facts=facts, warnings=warnings)
    plans = [_chosen_only(lane.plan, n) for n, lane in enumerate(lanes, start=1)]
    every = collected(search.growth, plans, [], {}, brief.arrival, [])
    work = every.work[every.work["leg_id"] <= keep].rename(columns={"leg_id": "lane_id"})
    names = [c.name for c in SCHEMA["cut_work"].columns if c.derived is None]
    frame = pd.DataFrame([{"lane_id": n} | lane.row for n, lane in enumerate(shown, start=1)])
    facts |= _medians(frame)
    shapes = [lane.leg["geometry"] for lane in shown]
    return Cuts(
        gpd.GeoDataFrame(frame, geometry=shapes, crs=grid.crs),
        gpd.GeoDataFrame(work[[*names, "geometry"]], geometry="geometry", crs=grid.crs),
        _legs_of(lanes, grid),
        every,
        facts,
        warnings,
    )


def _medians(frame: pd.DataFrame) -> dict[str, object]:
    """What a hole takes that is cut, for the summary."""
    middle = (frame["hours_low"] + frame["hours_high"]) / 2
    return {
        "hours_per_hole_low": round(float(frame["hours_low"].median()), 1),
        "hours_per_hole_high": round(float(frame["hours_high"].median()), 1),
        "area_per_hole_m2": round(float(frame["area_m2"].median())),
        "stems_over_10_cm_per_hole": float(frame["stems"].median()),
        "hours_middle": [round(float(h), 1) for h in (middle.min(), middle.max())],
    }


def _legs_of(lanes: list[_Lane], grid: Grid) -> gpd.GeoDataFrame:
    """Legs of lanes, under the numbers of the lanes."""
    rows = pd.DataFrame([lane.leg for lane in lanes]).infer_objects().reset_index(drop=True)
    rows = rows.drop(columns="leg_id").assign(lane_id=np.arange(1, len(rows) + 1))
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=grid.crs)


def _few(search: _Search, found: int, planned: int) -> Iterator[str]:
    """A warning where a wood gives few lanes to cut, or none."""
    scene, settings = search.thrower.scene, search.settings
    inside = cells_of(scene.land, scene.grid)
    wooded = inside.any() and scene.stands[inside].mean() >= WOOD
    if not wooded or found >= min(FEW, settings.keep):
        return
    if planned == 0:
        yield (
            f"no lanes to cut: no line between spots for a tee and a basket runs among trees for "
            f"{settings.wooded:.0%} of its way, differs from the others and would be fair once cut"
        )
    else:
        yield (
            f"{found or 'no'} lane{'s' * (found != 1)} to cut found, {settings.keep} asked for: "
            f"the other{'s' * (planned - found != 1)} of {planned} promising lines do not open by "
            f"cutting stems up to {settings.thickest_cm:g} cm in {settings.most_hours:g} hours "
            "without what must stay"
        )


def _places(lanes: list[_Lane]) -> Floats:
    """Coordinates of tee and end of lanes (lanes, 4)."""
    if not lanes:
        return np.empty((0, 4))
    lines = np.array([lane.leg["geometry"] for lane in lanes], object)
    return np.hstack([shapely.get_coordinates(shapely.get_point(lines, i)) for i in (0, -1)])
