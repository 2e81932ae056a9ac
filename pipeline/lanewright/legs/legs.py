"""Stage legs: sites, the search of all lines between them, and the best of these scored."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.grid import Grid
from lanewright.base.schema import LAYERS
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.legs.choose import best_legs
from lanewright.legs.cover import room_of, rooms_of
from lanewright.legs.interest import UNSEEN
from lanewright.legs.own import OwnLine, score_line
from lanewright.legs.refused import OUTSIDE, Refused
from lanewright.legs.search import out_of_reach, search, space_of
from lanewright.legs.sites import Sites, barred_cells, find_sites
from lanewright.legs.thrower import Thrower, thrower_of
from lanewright.legs.throwing import LINE
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings
from lanewright.store import stage

log = logging.getLogger(__name__)

Progress = Callable[[float | None], None]


def no_own() -> pd.DataFrame:
    """The table of the designer's throws where there are none."""
    return pd.DataFrame(columns=["name", "level", "throw", "leg_id"])


@dataclass(frozen=True)
class Legs:
    """Sites and scored legs.

    Attributes
    ----------
    tee_sites, basket_sites
        As in `sites.Sites`, with `legs`: how many kept legs use the site.
    legs
        One row per leg in the columns of `schema` and of `throwing.LINE`; LineString Z along the
        flight.
    own
        Throws of the designer's lines: `name`, `level`, `throw` (from 0), `leg_id`.
    facts
        For the summary: sites and why there are not more, lines tried, legs.
    refused
        Squares that hold no tee, and those that hold no basket, by the reason.
    """

    tee_sites: gpd.GeoDataFrame
    basket_sites: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    own: pd.DataFrame = field(default_factory=no_own)
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()


@stage("legs", version=14)
def find_legs(
    scene: Scene,
    flights: Flights,
    settings: LegsSettings,
    own: tuple[OwnLine, ...] = (),
    *,
    only_own: bool = False,
    threads: int = 1,
    progress: Progress = lambda _share: None,
) -> Legs:
    """Find, throw and score the legs of a property, and the designer's own.

    Parameters
    ----------
    scene
        The land; without lidar no clear rate is given.
    flights
        Who throws, and how.
    settings
        The section `legs` of the configuration.
    own
        The designer's lines, tee first; a bent line is one leg per straight. Scored by the same
        rules but always kept, whatever their length or the land they cross.
    only_own
        Score only those.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    if scene.land.is_empty:
        left, bottom, right, top = scene.grid.bounds
        raise ValueError(f"no property inside {left}, {bottom}, {right}, {top}")
    if not scene.surveyed:
        unseen = settings.sites.model_copy(update={"seen": 0.0})
        settings = settings.model_copy(update={"sites": unseen})
    with kernel_threads(threads):
        thrower, sites = thrower_of(scene, flights, settings), find_sites(scene, settings.sites)
        facts: dict[str, object] = dict(sites.facts)
        frames: list[gpd.GeoDataFrame] = []
        warnings: list[str] = []
        if not only_own:
            frames, warnings = _searched(thrower, sites, facts, progress)
        sites, drawn, said = _drawn(thrower, sites, own)
    legs, throws = _table([*frames, *drawn], scene.grid)
    facts["legs"] = len(legs)
    for places, key in ((sites.tees, "tee_id"), (sites.baskets, "end_id")):
        places["legs"] = places["site_id"].map(legs[key].value_counts()).fillna(0).astype(int)
    if not scene.surveyed:
        legs = without_rates(legs)
    said = [*warnings, *said]
    return Legs(sites.tees, sites.baskets, legs, throws, facts, tuple(said), sites.refused)


def _searched(
    thrower: Thrower, sites: Sites, facts: dict[str, object], progress: Progress
) -> tuple[list[gpd.GeoDataFrame], list[str]]:
    """Best legs of each level, and warnings; adds what was found to `facts`."""
    scene, settings = thrower.scene, thrower.settings
    frames: list[gpd.GeoDataFrame] = []
    warnings: list[str] = []
    levels = len(thrower.players)
    space = space_of(scene, settings)
    room = room_of(settings.keep, settings.keep_per_ha, scene.land.area / 1e4, levels)
    names = [player.name for player in thrower.players]
    rooms = rooms_of(room, names, settings.level, settings.cover.others)
    tried = 0
    for i, player in enumerate(thrower.players):
        found = search(space, scene.grid, sites, player.flights, settings)
        facts[f"{player.name}_lines"] = found.tried
        tried += found.tried
        if not found.tried and len(sites.tees) and len(sites.baskets):
            warnings.append(out_of_reach(sites, player.flights, settings))
        progress((i + 0.5) / levels)
        best, facts[f"{player.name}_unsafe"] = best_legs(thrower, player, sites, found, rooms[i])
        frames.append(best)
        counts = f"{found.tried:,}", f"{len(found):,}", f"{len(best):,}"
        log.info("%s: %s lines tried, %s fit, %s legs kept", player.name, *counts)
        del found  # millions of lines, before the next level's
        progress((i + 1) / levels)
    if not sum(map(len, frames)):
        warnings.append(_why_none(sites, tried))
    return frames, warnings


def _why_none(sites: Sites, tried: int) -> str:
    """Sentence on what stood in the way of every leg."""
    for refused, places in zip(sites.refused, (sites.tees, sites.baskets), strict=True):
        if not len(places):
            counts = {reason: n for reason, n in refused.counts.items() if reason != OUTSIDE}
            reason = max(counts, key=lambda r: counts[r], default="none")
            return (
                f"no legs: nowhere fits a {refused.what}; most squares are refused for "
                f"this: {reason}"
            )
    if not tried:
        return "no legs: no tee and basket lie as far apart as the levels throw on a hole"
    return f"no legs: all of {tried:,} lines are blocked, or touch growth too often"


def _drawn(
    thrower: Thrower, sites: Sites, own: Iterable[OwnLine]
) -> tuple[Sites, list[gpd.GeoDataFrame], list[str]]:
    """Sites with the designer's added, legs of the designer's lines, and warnings."""
    scene, settings = thrower.scene, thrower.settings
    half = settings.throw.disc / 2 + settings.throw.margin
    frames: list[gpd.GeoDataFrame] = []
    warnings: list[str] = []
    barred = None
    for name, wkt in own:
        line = shapely.from_wkt(wkt)
        scored = score_line(thrower, sites, name, line)
        sites = scored.sites
        frames += scored.legs
        warnings += scored.warnings
        if barred is None:
            barred = barred_cells(scene, settings.sites.boundary_setback, half)
        row, col = scene.grid.rowcol(*shapely.segmentize(line, 1.0).coords.xy)
        if barred[np.clip(row, 0, barred.shape[0] - 1), np.clip(col, 0, barred.shape[1] - 1)].any():
            warnings.append(
                f"own hole {name} crosses a keep-out or comes nearer than "
                f"{settings.sites.boundary_setback:g} m to the property line"
            )
    return sites, frames, warnings


def _table(frames: list[gpd.GeoDataFrame], grid: Grid) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """All legs, best first, numbered from 1; and which of them are throws of the designer's."""
    own = no_own()
    if not frames:
        empty = gpd.GeoDataFrame({"leg_id": np.empty(0, int)}, geometry=[], crs=grid.crs)
        names = [*(c.name for c in LAYERS["legs"].columns), *LINE, "geometry"]
        return empty.reindex(columns=names), own
    both = pd.concat(frames, ignore_index=True)
    given = np.arange(len(both))
    both = both.assign(given=given).sort_values(
        ["score", "promise", "level", "tee_id", "end_id", "finish"],
        ascending=[False, False, True, True, True, True],
        kind="stable",
        ignore_index=True,
    )
    both.insert(0, "leg_id", np.arange(1, len(both) + 1))
    if "own_order" in both:
        mine = both[both["origin"] == "own"].sort_values("given")
        own = pd.DataFrame(
            {
                "name": mine["own_hole"],
                "level": mine["level"],
                "throw": mine["own_order"].astype(np.int64),
                "leg_id": mine["leg_id"],
            }
        ).reset_index(drop=True)
    both = both.drop(columns=["given", "own_order"], errors="ignore")
    return gpd.GeoDataFrame(both, geometry="geometry", crs=grid.crs), own


def without_rates(legs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Legs of a land without lidar: nobody knows what their throws meet."""
    unknown = [name for name in legs if name.startswith(("clear_rate", "fail_"))]
    by_growth = ("pinch_width_m", "pinch_at_m", "blocked_share", "gap_share", "gap_at_m")
    legs[[*unknown, *by_growth, *UNSEEN]] = np.nan
    legs["fail_on"] = None
    legs["lane_kind"] = None
    return legs
