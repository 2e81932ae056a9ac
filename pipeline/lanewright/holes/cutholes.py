"""Holes of lanes to cut: one throw each, for rounds that go through a wood.

They are unfair as they stand; the work planned for each makes it fair, see `trim.opened`.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.holes.chains import NONE, ends_of
from lanewright.holes.furtherlegs import with_legs
from lanewright.holes.measure import Played, measured
from lanewright.holes.rules import Rules
from lanewright.legs.sites import add_spots

Sites = tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]
"""Sites of tees and of baskets."""


def with_cut_holes(
    rules: Rules, played: Played, sites: Sites, lanes: gpd.GeoDataFrame
) -> tuple[Played, Sites, pd.DataFrame]:
    """Add a hole for each lane to cut that keeps its distance from what must not be thrown over.

    Parameters
    ----------
    rules
        The land, who plays, and what a hole must be.
    played, sites
        The legs, and sites of tees and baskets.
    lanes
        Legs of lanes to cut, with `lane_id`; their ends are spots of their own.

    Returns
    -------
    played, sites
        With those of the lanes at their end.
    holes
        As `measured` gives them, of origin `cut`.
    """
    tee, end = ends_of(lanes)
    tees, tee_row = add_spots(sites[0], rules.scene, *tee.T)
    ends, end_row = add_spots(sites[1], rules.scene, *end.T)
    lanes = lanes.assign(
        line=0,
        tee_id=tees["site_id"].to_numpy()[tee_row],
        end_id=ends["site_id"].to_numpy()[end_row],
    )
    first = len(played.legs)
    legs = played.legs.assign(lane_id=pd.array([None] * first, dtype="Int64"))
    played = rules.with_more(played, with_legs(legs, lanes))
    holes = []
    for level in rules.levels:
        new = first + np.flatnonzero((lanes["level"] == level.name).to_numpy())
        chains = np.column_stack([new, np.full((new.size, 2), NONE)])
        if new.size:
            some = measured(played, chains, rules.levels, level, rules.settings, rules.weights)
            holes.append(some[rules.fit(played, some)].assign(origin="cut"))
    cut = pd.concat(holes, ignore_index=True)
    return played, (tees, ends), cut
