"""Which hole uses which legs, and what is written out of it as text."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd


def counted(
    sites: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, end: str = "tee_id"
) -> gpd.GeoDataFrame:
    """Sites with `legs`: how many rows of the legs table have each as their `end`."""
    used = legs[end].value_counts()
    return sites.assign(legs=sites["site_id"].map(used).fillna(0).astype(int))


def with_legs_of(holes: gpd.GeoDataFrame, links: pd.DataFrame) -> gpd.GeoDataFrame:
    """Holes with a column `legs`: the numbers of their legs in order, as a tuple each.

    Parameters
    ----------
    holes
        With `hole_id`.
    links
        `hole_id`, `throw`, `leg_id`.
    """
    ordered = links.sort_values(["hole_id", "throw"])
    ids = ordered.groupby("hole_id")["leg_id"].agg(tuple).to_dict()
    return holes.assign(legs=[ids[hole] for hole in holes["hole_id"]])
