"""Stage holes: legs become holes of one to three throws, and those fit to choose from are kept."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Floats, Ints
from lanewright.base.schema import LAYERS
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.holes.chains import chains_of, own_chains, padded
from lanewright.holes.choose import cover, few_of_each, leading
from lanewright.holes.cutholes import Sites, with_cut_holes
from lanewright.holes.furtherlegs import Further
from lanewright.holes.greens import greens_of
from lanewright.holes.judge import by_one_throw, carried_by, with_choice
from lanewright.holes.links import counted
from lanewright.holes.measure import Played, measured
from lanewright.holes.positions import other_positions
from lanewright.holes.ringtees import Ringed, with_ring_holes
from lanewright.holes.routes import second_routes, throws_on
from lanewright.holes.rules import Rules, numbered
from lanewright.holes.successors import followed
from lanewright.holes.wording import sentence
from lanewright.holes.zones import hindered, landing_share, landing_zones
from lanewright.legs.cover import room_of, rooms_of
from lanewright.legs.legs import Legs
from lanewright.legs.thrower import Thrower, thrower_of
from lanewright.scene import Scene
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.judge import InterestSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import Level
from lanewright.store import stage

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Holes:
    """Candidate holes.

    Attributes
    ----------
    holes
        One row per hole in the columns of layer `holes` but those that are text about its legs;
        LineString Z along the flights.
    links
        Which hole uses which legs: `hole_id`, `throw` (from 0), `leg_id`.
    pars
        `hole_id`, `level`, `par`: for every level of the run, from this tee.
    positions
        Other tees and pins of them, in the columns of layer `hole_positions`.
    legs
        The legs table, with the throws from landing zones that were added for these holes. It
        stands in for `Legs.legs` from here on.
    tee_sites, basket_sites
        The sites, with tees added around baskets that too few holes would follow, and both ends of
        lanes to cut.
    facts
        For the summary.
    """

    holes: gpd.GeoDataFrame
    links: pd.DataFrame
    pars: pd.DataFrame
    positions: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    tee_sites: gpd.GeoDataFrame
    basket_sites: gpd.GeoDataFrame
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def leg_ids(self) -> Ints:
        """Legs that candidates use, ascending."""
        return np.unique(self.links["leg_id"].to_numpy(np.int64))

    @property
    def lanes(self) -> pd.DataFrame:
        """`lane_id` and `leg_id` of the lanes to cut among the legs."""
        if "lane_id" not in self.legs:
            return pd.DataFrame({"lane_id": [], "leg_id": []}, dtype=np.int64)
        cut = self.legs.loc[self.legs["lane_id"].notna(), ["lane_id", "leg_id"]]
        return pd.DataFrame(cut).astype(np.int64)


def further_of(holes: Holes, thrower: Thrower) -> Further:
    """Who throws at which sites once more: nobody in growth beside a lane that is not cut yet."""
    lanes = holes.legs[holes.legs["origin"] == "cut"]
    ends = ((holes.tee_sites, lanes["tee_id"]), (holes.basket_sites, lanes["end_id"]))
    sites = (places[~places["site_id"].isin(cut)].reset_index(drop=True) for places, cut in ends)
    return Further(thrower, *sites)


@stage("holes", version=21)
def find_holes(
    scene: Scene,
    flights: Flights,
    found: tuple[Legs, gpd.GeoDataFrame],
    legs_settings: LegsSettings,
    settings: HoleSettings,
    safety: SafetySettings,
    *,
    threads: int = 1,
) -> Holes:
    """Make candidate holes out of the legs of a property, lanes to cut, and the designer's own.

    Parameters
    ----------
    scene, flights
        Results of the stages before.
    found
        Legs, and those of lanes to cut: each of these is a hole of one throw.
    legs_settings, settings, safety
        The sections `legs`, `layout: hole:` and `layout: safety:` of the configuration.
    threads
        For the kernels; the result is the same for any number.
    """
    levels = tuple(flight.level for flight in flights.levels)
    legs, lanes = found
    with kernel_threads(threads):
        further = None
        if len(legs.legs) and scene.surveyed:
            further = Further(
                thrower_of(scene, flights, legs_settings),
                legs.tee_sites.reset_index(drop=True),
                legs.basket_sites.reset_index(drop=True),
            )
        return make_holes(
            scene,
            levels,
            legs,
            settings,
            safety=safety,
            further=further,
            weights=legs_settings.judge.interest,
            lanes=lanes,
        )


def make_holes(
    scene: Scene,
    levels: tuple[Level, ...],
    legs: Legs,
    settings: HoleSettings,
    *,
    safety: SafetySettings | None = None,
    further: Further | None = None,
    weights: InterestSettings | None = None,
    lanes: gpd.GeoDataFrame | None = None,
) -> Holes:
    """Join legs into holes, measure them, and keep the best that differ.

    Parameters
    ----------
    scene
        The land.
    levels
        Who plays, best players first.
    legs
        Sites and scored legs; holes of the designer's own throws are always kept, and named.
    settings
        The section `layout: hole:` of the configuration.
    safety
        How far holes stay from what must not be thrown over; holes that cannot are left out, own
        ones but not.
    further
        For second routes, other tees and pins; without one there are none.
    weights
        What each thing that makes a hole interesting counts.
    lanes
        Legs of lanes to cut, with `lane_id`.
    """
    rules = Rules(
        scene, levels, settings, safety or SafetySettings(), weights or InterestSettings()
    )
    table = legs.legs.reset_index(drop=True)
    played = Played(table, landing_share(scene, levels, table, settings.landing_slope))
    zones = landing_zones(scene, legs.basket_sites, settings.landing_slope)
    chosen: list[pd.DataFrame] = []
    facts: dict[str, object] = {}
    hectares = scene.land.area / 1e4
    room = room_of(settings.keep, settings.keep_per_ha, hectares, len(levels))
    rooms = rooms_of(room, [who.name for who in levels], settings.level, settings.cover.others)
    for level, most in zip(levels, rooms, strict=True):
        of = level, most, facts
        played, further, picked = _candidates(rules, played, len(table), further, *of)
        chosen.append(picked)
        if further is not None and len(picked):
            some = leading(picked, max(1, int(settings.routes_per_ha * hectares)))
            leads = picked.iloc[some].reset_index(drop=True)
            played, ways = _second(rules, played, leads, zones, level, further)
            chosen.append(ways)
            facts[f"{level.name}_second_routes"] = len(ways)
    chosen += [
        measured(played, chain[None], levels, level, settings, rules.weights).assign(
            name=name, origin="own"
        )
        for name, level, chain in own_chains(played.legs, legs, levels)
    ]
    tees = legs.tee_sites if further is None else further.tees
    sites = tees, legs.basket_sites
    if lanes is not None and len(lanes):
        played, sites, cut = with_cut_holes(rules, played, sites, lanes)
        chosen.append(cut)
        facts["holes of lanes to cut"] = len(cut)
    return _finished(rules, played, chosen, further, sites, facts)


def _candidates(
    rules: Rules,
    played: Played,
    searched: int,
    further: Further | None,
    level: Level,
    room: int,
    facts: dict[str, object],
) -> tuple[Played, Further | None, pd.DataFrame]:
    """A level's holes, with the legs and sites that they use: some are added for them."""
    settings = rules.settings
    mine = _legs_of(played.legs.iloc[:searched], level, settings)
    bars = partial(hindered, rules.scene)
    chains = chains_of(played.legs, mine, level, played.lands, settings, bars)
    several = int((chains[:, 1] >= 0).sum())
    if further is not None and settings.most_legs > 1 and several < room / 2:
        first = len(played.legs)
        played = rules.with_more(played, throws_on(played, mine, level, further, settings))
        mine = np.r_[mine, np.arange(first, len(played.legs))]
        chains = chains_of(played.legs, mine, level, played.lands, settings, bars, first)
        facts[f"{level.name}_throws_on"] = len(played.legs) - first
    facts[f"{level.name}_holes"] = _counted(chains)
    chains = chains[few_of_each(played.legs, chains, settings)]
    tried = measured(played, chains, rules.levels, level, settings, rules.weights)
    rows, slots = cover(tried, room, partial(rules.fit, played), settings)
    picked = tried.iloc[rows].reset_index(drop=True)
    pairs = rules.clashes(played, picked)
    if further is not None and settings.followers:
        before = followed(picked, pairs)
        facts[f"{level.name}_next_holes_before_the_ring"] = before
        ringed = with_ring_holes(Ringed(played, further, picked, pairs), rules, level)
        played, further, picked, pairs = ringed
    facts[f"{level.name}_cover"] = {"slots with a hole": slots, "holes kept": len(picked)}
    facts[f"{level.name}_next_holes"] = followed(picked, pairs)
    return played, further, picked.assign(twin=[f"{level.name} {i}" for i in range(len(picked))])


def _second(
    rules: Rules,
    played: Played,
    picked: pd.DataFrame,
    zones: Floats,
    level: Level,
    further: Further,
) -> tuple[Played, pd.DataFrame]:
    """The legs with those of second routes, and the holes by these routes that land well."""
    settings = rules.settings
    table, routes = second_routes(played.legs, picked, zones, level, further, settings)
    played = rules.with_more(played, table)
    more = [
        measured(played, padded(chain), rules.levels, level, settings, rules.weights).assign(
            twin=picked["twin"].iloc[row], second=True
        )
        for row, chain in routes
    ]
    if not more:
        return played, picked.iloc[:0]
    ways = pd.concat(more, ignore_index=True)
    lands_well = ~(ways["landing_share"] < settings.landing_share)
    return played, ways[rules.fit(played, ways) & lands_well]


def _finished(
    rules: Rules,
    played: Played,
    chosen: list[pd.DataFrame],
    further: Further | None,
    sites: Sites,
    facts: dict[str, object],
) -> Holes:
    """Number the holes, name their routes, find their greens and other positions."""
    scene, levels, settings = rules.scene, rules.levels, rules.settings
    holes = described(numbered(chosen, played.legs, scene), rules)
    table = played.legs
    positions = _no_positions(scene)
    if further is not None and len(holes):
        most = max(1, int(settings.positions_per_ha * scene.land.area / 1e4))
        standing = holes[holes["origin"] != "cut"]
        some = standing.iloc[leading(standing, most)]
        positions, table = other_positions(table, some, levels, further, settings)
    facts |= {"holes": len(holes), "positions": len(positions)}
    for level in levels:
        log.info("%s: %s", level.name, facts[f"{level.name}_holes"])
    frame, links, pars = tables_of(holes, levels)
    tees, baskets = counted(sites[0], table, "tee_id"), counted(sites[1], table, "end_id")
    return Holes(frame, links, pars, positions, table, tees, baskets, facts, _warnings(holes))


def described(holes: gpd.GeoDataFrame, rules: Rules) -> gpd.GeoDataFrame:
    """Numbered holes with their routes, greens and sentence, and scored with these."""
    settings = rules.settings
    holes = _routes(holes)
    if len(holes):
        holes = with_choice(holes, rules.weights)
    holes = holes.assign(**greens_of(rules.scene, holes))
    green = holes.pop("green_score")
    holes["score"], holes["promise"] = holes["score"] * green, holes["promise"] * green
    if len(holes):
        holes["one_throw_rate"] = by_one_throw(holes, settings.gap_share)
        holes["carried_by"] = carried_by(holes["carry_water_m"].to_numpy(float), rules.levels)
    holes["sentence"] = [sentence(row, settings.gap_share) for row in holes.to_dict("records")]
    return holes


def tables_of(
    holes: gpd.GeoDataFrame, levels: tuple[Level, ...]
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame]:
    """Holes in the columns that are published, their links to legs, and their pars by level."""
    links = pd.DataFrame(
        {
            "hole_id": np.repeat(holes["hole_id"].to_numpy(np.int64), holes["legs"].map(len)),
            "throw": [i for ids in holes["legs"] for i in range(len(ids))],
            "leg_id": np.array([leg for ids in holes["legs"] for leg in ids], np.int64),
        }
    )
    each = [
        pd.DataFrame(
            {"hole_id": holes["hole_id"], "level": who.name, "par": holes[f"par_{who.name}"]}
        )
        for who in (levels if len(holes) else ())
    ]
    pars = pd.concat(each, ignore_index=True) if each else None
    documented = [c.name for c in LAYERS["holes"].columns if c.name in holes]
    frame = holes[[*(n for n in documented if n != "legs"), "geometry"]]
    return (
        frame,
        links,
        pars if pars is not None else pd.DataFrame(columns=["hole_id", "level", "par"]),
    )


def _legs_of(table: gpd.GeoDataFrame, level: Level, settings: HoleSettings) -> Ints:
    """Rows of the search's legs that may make holes of a level."""
    fits = (table["level"] == level.name) & (table["origin"] != "own")
    return np.flatnonzero(fits & ~(table["clear_rate"] < settings.least_clear))


def _routes(holes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Name the bold route and the safe one of holes that have both.

    Bold is the way with fewer throws. A hole with one route is played by it: safe.
    """
    holes["route"], holes["pair_id"] = "safe", pd.array([None] * len(holes), dtype="Int64")
    if "second" not in holes:
        return holes
    named = holes.dropna(subset=["twin"])
    for _, both in named[named["twin"].duplicated(keep=False)].groupby("twin"):
        bold, safe = sorted(both.index, key=lambda i: (both.loc[i, "throws"], i))
        holes.loc[bold, "route"] = "bold"
        holes.loc[bold, "pair_id"] = holes.loc[safe, "hole_id"]
        holes.loc[safe, "pair_id"] = holes.loc[bold, "hole_id"]
    return holes


def _counted(chains: Ints) -> dict[str, int]:
    throws = (chains >= 0).sum(1)
    return {f"of {n}": int((throws == n).sum()) for n in (1, 2, 3)}


def _warnings(holes: gpd.GeoDataFrame) -> tuple[str, ...]:
    if len(holes) and (holes["throws"] > 1).any():
        return ()
    if not len(holes):
        return ("no candidate holes: there are no legs to make them of",)
    return ("no hole of more than one throw: no landing zone takes a throw and starts another",)


def _no_positions(scene: Scene) -> gpd.GeoDataFrame:
    names = [c.name for c in LAYERS["hole_positions"].columns]
    return gpd.GeoDataFrame(columns=names, geometry=[], crs=scene.grid.crs)
