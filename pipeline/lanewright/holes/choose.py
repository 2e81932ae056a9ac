"""Which candidate holes are kept: the best of each slot, squares of tees in turns.

They are ranked by their promise, not their score: a hole that growth makes unfair has a score only
once its trim work is planned, and work is planned for what is kept.
"""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Flags, Ints
from lanewright.holes.chains import PLACES, ends_of
from lanewright.legs.cover import (
    Part,
    apart_from_better,
    covering,
    first_of_each,
    slots_of,
    squares_of,
)
from lanewright.settings.holes import HoleSettings

Fit = Callable[[pd.DataFrame], Flags]

FEW = 4  # chains of each slot that are measured, by the promise of their throws alone
LEADS = 30.0  # m; side of the squares whose best hole leads
SOME = 2  # holes of each slot that are held against the land's rules


def few_of_each(table: gpd.GeoDataFrame, chains: Ints, settings: HoleSettings) -> Ints:
    """Chains worth measuring: a few of each slot, by the mean promise of their throws.

    Parameters
    ----------
    table
        The legs table.
    chains : (chains, 3)
        Rows of legs, as in `chains.chains_of`.
    settings
        What counts as one slot.
    """
    there = chains >= 0
    rows, throws = np.where(there, chains, 0), there.sum(1)
    start, stop = ends_of(table)
    last = rows[np.arange(len(rows)), throws - 1]
    length = np.where(there, table["length_m"].to_numpy(float)[rows], 0).sum(1)
    # Those of one slot have as many throws, so that the sum ranks them as the mean does.
    score = np.where(there, table["promise"].to_numpy(float)[rows], 0).sum(1)
    slots = slots_of(np.column_stack([start[rows[:, 0]], stop[last]]), length, settings.cover)
    order = np.lexsort((np.arange(len(rows)), -score))
    return np.sort(first_of_each(order, np.column_stack([slots, throws]), FEW))


def cover(holes: pd.DataFrame, room: int, fit: Fit, settings: HoleSettings) -> tuple[Ints, int]:
    """Rows of the holes to keep, and how many slots hold one.

    Parameters
    ----------
    holes
        What was measured of them.
    room
        Most holes kept.
    fit
        Which holes keep their distance from what must not be thrown over.
    settings
        What counts as one slot, and what part of the room each kind has.
    """
    if not len(holes) or not room:
        return np.empty(0, np.int64), 0
    places, throws = holes[PLACES].to_numpy(float), holes["throws"].to_numpy(np.int64)
    slots = slots_of(places, holes["length_m"].to_numpy(float), settings.cover)
    keys = np.column_stack([slots, throws])
    order = np.lexsort((*places.T, -holes["promise"].to_numpy(float)))
    order = first_of_each(order, keys, SOME)
    order = order[fit(holes.iloc[order])]
    order = first_of_each(order, keys)
    order = apart_from_better(order, places, throws, settings.same)
    # What may come into a round has the room; what is unfair as it stands is offered beside it.
    fair = (holes["fair"] == "yes").to_numpy(bool)[order]
    of = squares_of(places, settings.cover.cell), _parts(holes, settings)
    spared = min(int((~fair).sum()), int(settings.cover.unfair * room))
    kept = covering(order[fair], *of, room - spared)
    return np.r_[kept, covering(order[~fair], *of, room - kept.size)], order.size


def leading(holes: pd.DataFrame, room: int) -> Ints:
    """Rows of the first few by promise, squares of tees in turns and levels apart; own ones all."""
    places, own = holes[PLACES].to_numpy(float), (holes["origin"] == "own").to_numpy(bool)
    order = np.lexsort((np.arange(len(holes)), -holes["promise"].to_numpy(float)))
    square = np.floor(places[:, :2] / LEADS).astype(np.int64)
    level = pd.factorize(holes["level"])[0].astype(np.int64)
    some = covering(order, [np.column_stack([square, level])], [], room)
    return np.union1d(some, np.flatnonzero(own)).astype(np.int64)


def _parts(holes: pd.DataFrame, settings: HoleSettings) -> list[Part]:
    """Kinds of holes, each with its part of the room."""
    kind, par = holes["lane_kind"].to_numpy(), holes["par"].to_numpy(np.int64)
    finish, of = holes["finish"].to_numpy(), settings.cover
    parts = [
        (par >= 5, of.par_5),
        (par == 4, of.par_4),
        (kind == "tunnel", of.tunnels),
        (kind == "lane", of.lanes),
        (kind == "edge", of.edges),
        (holes["carry_water_m"].to_numpy(float) > 0, of.carries),
    ]
    parts += [(finish == name, of.finishes) for name in ("left", "right", "straight")]
    return [(np.asarray(members, bool), share) for members, share in parts]
