"""Throws that the search had no reason to keep: second routes of holes, other tees and pins."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Ints
from lanewright.base.grid import Grid
from lanewright.flight.flight import FINISHES
from lanewright.legs import throwing
from lanewright.legs.choose import barred
from lanewright.legs.measure import clearest, scored
from lanewright.legs.thrower import Player, Thrower
from lanewright.legs.throwing import Lines

TRIED = 2  # arcs thrown with for each line: those whose path meets least


@dataclass(frozen=True)
class Further:
    """What further throws need: a thrower, and the sites of the property."""

    thrower: Thrower
    tees: gpd.GeoDataFrame
    baskets: gpd.GeoDataFrame


def best_throws(
    further: Further, level: str, tee: Ints, end: Ints, throws: int | None = None
) -> gpd.GeoDataFrame:
    """Throw from tee sites at end sites, each line with the arc that suits it best.

    Parameters
    ----------
    further
        Who throws, and the sites.
    level
        Name of the level that throws.
    tee, end : (lines,)
        Rows of `tees` and `baskets`.
    throws
        Throws at each, at most as many as the settings say; by default so many.

    Returns
    -------
    GeoDataFrame
        Columns of the legs table without `leg_id`, and `line`: which of the lines it is. Lines
        that no arc of the level reaches safely are left out.
    """
    thrower = further.thrower
    player = thrower.player(level)
    lines, line = _likeliest(further, player, tee, end)
    most = thrower.settings.throws
    legs = scored(
        thrower,
        player,
        further.tees.iloc[tee[line]],
        further.baskets.iloc[end[line]],
        lines,
        min(throws or most, most),
    )
    legs["line"] = line
    legs = legs[legs["unsafe_share"] <= thrower.settings.most_unsafe].reset_index(drop=True)
    line = legs["line"].to_numpy()
    first = np.lexsort((np.arange(len(legs)), -clearest(legs), line))
    best = first[~pd.Series(line[first]).duplicated().to_numpy()]
    legs = legs.iloc[best].reset_index(drop=True)
    # Other finishes from the same tee were not thrown; their rates stay empty.
    for finish in FINISHES:
        legs[f"clear_rate_{finish}"] = legs["clear_rate"].where(legs["finish"] == finish)
    return legs


def _likeliest(further: Further, player: Player, tee: Ints, end: Ints) -> tuple[Lines, Ints]:
    """The arcs whose path meets least, `TRIED` for each line; and which line each is of."""
    thrower, flights = further.thrower, player.flights
    grid, arcs = thrower.scene.grid, len(flights.arcs)
    line = np.repeat(np.arange(tee.size), arcs)
    tried = Lines(
        *_cells(further.tees, tee[line], grid),
        *_cells(further.baskets, end[line], grid),
        np.tile(np.arange(arcs, dtype=np.int64), tee.size),
    )
    far = throwing.length_of(tried, grid.cell) > 1.5 * flights.distance[0] / 2
    there = np.flatnonzero(throwing.exists(tried, flights, thrower.contacts, grid.cell) & far)
    # As in the search, no disc flies off the property, over a keep-out or a house.
    there = there[~barred(thrower, player, tried.take(there))]
    aimed = throwing.aim(tried.take(there), flights, player.paths, thrower.contacts, grid.cell)
    order = np.lexsort((there, aimed[:, 0], line[there]))
    rank = pd.Series(line[there][order]).groupby(line[there][order]).cumcount().to_numpy()
    kept = np.sort(there[order][rank < TRIED])
    return tried.take(kept), line[kept]


def _cells(sites: gpd.GeoDataFrame, which: Ints, grid: Grid) -> tuple[Ints, Ints]:
    at = shapely.get_coordinates(sites.geometry.to_numpy()[which])
    return grid.rowcol(at[:, 0], at[:, 1])


def with_legs(table: gpd.GeoDataFrame, more: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The legs table with more legs at its end, numbered on."""
    if not len(more):
        return table
    first = int(table["leg_id"].max()) + 1 if len(table) else 1
    more = more.drop(columns="line").assign(leg_id=np.arange(first, first + len(more)))
    more = more[[c for c in more if c in table or not len(table)]]
    both = pd.concat([table, more], ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry", crs=more.crs)


def rows_of_sites(sites: gpd.GeoDataFrame, ids: Ints) -> Ints:
    """Rows of sites by number."""
    return np.asarray(pd.Index(sites["site_id"]).get_indexer(pd.Index(ids)), np.int64)
