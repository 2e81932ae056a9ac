"""Holes of a round once more, with tee or basket nearer to the hole before and the one after.

The search keeps the best of each slot of land, so that where a hole starts and ends is right to ten
metres or so. Once a round stands its neighbours are known, and the sites around tee and basket are
thrown between again, those first that shorten the walks most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats, Ints
from lanewright.holes.chains import NONE
from lanewright.holes.furtherlegs import Further, best_throws, rows_of_sites, with_legs
from lanewright.holes.holes import Holes, described, tables_of
from lanewright.holes.links import counted
from lanewright.holes.measure import Played, measured
from lanewright.holes.rules import Rules, numbered
from lanewright.holes.zones import landing_share
from lanewright.settings.layout import CloserSettings
from lanewright.settings.levels import Level

LEAST = 2.0
"""Metres of walk that a moved hole saves at least; ours."""


class Neighbour(NamedTuple):
    """A hole of a round: its number, where players come from (2,) and where they go on to (2,)."""

    hole_id: int
    comes: Floats
    goes: Floats


class _Pairs(NamedTuple):
    """Sites to throw between: rows of tees and baskets, and the hole that they stand in for."""

    tee: Ints
    end: Ints
    hole: Ints


def moved_holes(
    holes: Holes,
    round_of: Sequence[Neighbour],
    rules: Rules,
    further: Further,
    level: Level,
    asked: CloserSettings,
) -> tuple[Holes, pd.Series]:
    """Holes with more of them at the end, and which hole each of these stands in for.

    Parameters
    ----------
    holes
        As stage `holes` gives them.
    round_of
        Holes of rounds that may be moved, with their neighbours.
    rules, further, level
        The land and what a hole must be, who throws at which sites, and who plays.
    asked
        The section `layout: solver: closer:`.

    Returns
    -------
    Holes, Series
        Only fair ones are added; the series is indexed by their `hole_id`.
    """
    pairs = _pairs(holes, round_of, min(rules.safety.next_tee), further, asked)
    nothing = pd.Series([], dtype=np.int64)
    if not pairs.tee.size:
        return holes, nothing
    thrown = best_throws(further, level.name, pairs.tee, pairs.end)
    if not len(thrown):
        return holes, nothing
    if "lane_id" in holes.legs:
        thrown = thrown.assign(lane_id=pd.array([None] * len(thrown), dtype="Int64"))
    table = with_legs(holes.legs, thrown)
    stands_for = pairs.hole[thrown["line"].to_numpy(np.int64)]
    chains = _chains(holes, table, stands_for)
    used = np.unique(chains[chains >= 0])
    legs = table.iloc[used].reset_index(drop=True)
    lands = landing_share(rules.scene, rules.levels, legs, rules.settings.landing_slope)
    played = Played(legs, lands)
    chains = np.where(chains >= 0, np.searchsorted(used, chains), NONE)
    made = measured(played, chains, rules.levels, level, rules.settings, rules.weights)
    kept = np.flatnonzero(rules.fit(played, made) & (made["fair"] == "yes").to_numpy())
    if not kept.size:
        return holes, nothing
    frame = numbered([made.iloc[kept]], legs, rules.scene, in_order=False)
    frame["hole_id"] += int(holes.holes["hole_id"].max())
    parents = pd.Series(stands_for[kept], index=frame["hole_id"])
    return _joined(holes, described(frame, rules), table, rules), parents


def _pairs(
    holes: Holes,
    round_of: Sequence[Neighbour],
    near: float,
    further: Further,
    asked: CloserSettings,
) -> _Pairs:
    """Sites around the ends of each hole, those pairs that save most walk."""
    places = [
        shapely.get_coordinates(s.geometry.to_numpy()) for s in (further.tees, further.baskets)
    ]
    first = holes.links[holes.links["throw"] == 0].set_index("hole_id")["leg_id"]
    legs, throws = holes.legs.set_index("leg_id"), holes.links["hole_id"].value_counts()
    found = []
    for hole in round_of:
        leg = legs.loc[first[hole.hole_id]]
        sites = (
            rows_of_sites(further.tees, np.array([leg["tee_id"]]))[0],
            rows_of_sites(further.baskets, np.array([leg["end_id"]]))[0],
        )
        if min(sites) < 0:
            continue
        # Of several throws the first alone is thrown anew, to where it landed.
        goes = hole.goes if throws[hole.hole_id] == 1 else places[1][sites[1]]
        ends = [
            _around(at, site, to, asked, near)
            for at, site, to in zip(places, sites, (hole.comes, goes), strict=True)
        ]
        tee, end, saved = _every(sites, ends)
        order = np.lexsort((end, tee, -saved))
        order = order[saved[order] >= LEAST]
        order = order[_few_of_each(tee[order], asked.each) & _few_of_each(end[order], asked.each)]
        order = order[: asked.most]
        found.append((tee[order], end[order], np.full(order.size, hole.hole_id)))
    if not found:
        none = np.empty(0, np.int64)
        return _Pairs(none, none, none)
    return _Pairs(*(np.concatenate(part).astype(np.int64) for part in zip(*found, strict=True)))


def _around(
    at: Floats, site: int, to: Floats, asked: CloserSettings, near: float
) -> tuple[Ints, Floats]:
    """Sites around one that lie nearer to a place, and how many metres nearer each lies."""
    away = np.hypot(*(at - to).T)
    close = np.hypot(*(at - at[site]).T) <= asked.reach
    rows = np.flatnonzero(close & (away >= near) & (away < away[site]))
    return rows, away[site] - away[rows]


def _every(sites: tuple[int, int], ends: list[tuple[Ints, Floats]]) -> tuple[Ints, Ints, Floats]:
    """Every pair of a tee and an end, each the one that stands or one nearer, and what it saves."""
    rows = [np.r_[site, near] for site, (near, _) in zip(sites, ends, strict=True)]
    saved = [np.r_[0.0, metres] for _, metres in ends]
    tee, end = np.meshgrid(*rows, indexing="ij")
    return tee.ravel(), end.ravel(), (saved[0][:, None] + saved[1][None]).ravel()


def _few_of_each(values: Ints, most: int) -> np.ndarray:
    """The first `most` of each value."""
    return np.asarray(pd.Series(values).groupby(values).cumcount().to_numpy() < most)


def _chains(holes: Holes, table: gpd.GeoDataFrame, stands_for: Ints) -> Ints:
    """Rows of the table that each moved hole is thrown by: its new first throw, then as before."""
    first = len(holes.legs)
    chains = np.full((stands_for.size, 3), NONE)
    chains[:, 0] = first + np.arange(stands_for.size)
    row = pd.Series(np.arange(len(table)), index=table["leg_id"])
    later = holes.links[holes.links["hole_id"].isin(stands_for) & (holes.links["throw"] > 0)]
    for hole, throw, leg in later[["hole_id", "throw", "leg_id"]].itertuples(index=False):
        chains[stands_for == hole, throw] = row[leg]
    return chains


def _joined(holes: Holes, more: gpd.GeoDataFrame, table: gpd.GeoDataFrame, rules: Rules) -> Holes:
    """The holes and legs with those moved at their end."""
    frame, links, pars = tables_of(more, rules.levels)
    used = table["leg_id"].isin(links["leg_id"]) | table["leg_id"].isin(holes.legs["leg_id"])
    legs = table[used].reset_index(drop=True)
    both = pd.concat([holes.holes, frame], ignore_index=True)
    return replace(
        holes,
        holes=gpd.GeoDataFrame(both, geometry="geometry", crs=holes.holes.crs),
        links=pd.concat([holes.links, links], ignore_index=True),
        pars=pd.concat([holes.pars, pars], ignore_index=True),
        legs=legs,
        tee_sites=counted(holes.tee_sites, legs, "tee_id"),
        basket_sites=counted(holes.basket_sites, legs, "end_id"),
    )
