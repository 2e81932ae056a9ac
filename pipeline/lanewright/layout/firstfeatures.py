"""The first features of the land, and which holes use them.

A designer comes for the best things that a land offers; a round should use them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Flags, Ints
from lanewright.features.links import pairs_of


class FirstFeatures(NamedTuple):
    """The first features by rank, and how many holes of the level use each.

    Attributes
    ----------
    number : (k,)
        `feature_id`.
    name : (k,)
        In words.
    holes : (k,)
        Holes that use each, fit to take part or not.
    """

    number: Ints
    name: tuple[str, ...]
    holes: Ints

    @classmethod
    def none(cls) -> FirstFeatures:
        """For a land without features."""
        return cls(np.empty(0, np.int64), (), np.empty(0, np.int64))


def first_features(
    features: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    links: pd.DataFrame,
    holes: Sequence[int],
    count: int,
) -> tuple[FirstFeatures, Flags]:
    """The first features, and which holes use them (holes, features).

    Parameters
    ----------
    features
        As stage `features` gives them, `feature_id` by rank.
    legs
        Lines of throws with `leg_id`.
    links
        `hole_id`, `leg_id`: the legs of each hole.
    holes
        `hole_id` of the holes asked about.
    count
        Features looked at.
    """
    if not len(features) or count == 0:
        return FirstFeatures.none(), np.zeros((len(holes), 0), bool)
    first = features.sort_values("feature_id").head(count)
    number = first["feature_id"].to_numpy(np.int64)
    uses = np.zeros((len(holes), len(first)), bool)
    row = pd.Index(holes)
    by_leg = links[links["hole_id"].isin(row)].groupby("leg_id")["hole_id"].agg(list)
    column = {int(n): k for k, n in enumerate(number)}
    for feature, leg in pairs_of(first, legs):
        uses[row.get_indexer(pd.Index(by_leg.get(leg, []))), column[feature]] = True
    return FirstFeatures(number, tuple(first["name"].astype(str)), uses.sum(0)), uses
