"""What a hole uses of what the land offers, by the link table of holes and features."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd

from lanewright.base.rows import rows_of
from lanewright.visit.firstwalk import FEATURE

NAMED = 3
"""Features of a hole that are named; the best first."""


def uses_of(layers: Mapping[str, gpd.GeoDataFrame]) -> dict[int, str]:
    """Features of each hole as a few words, the best first; holes without one are left out.

    Parameters
    ----------
    layers
        As published, with `features` and `hole_features`; empty without either.
    """
    features, links = layers.get("features"), layers.get("hole_features")
    if features is None or links is None:
        return {}
    names = {int(r["feature_id"]): str(r["name"]) for r in rows_of(features)}
    used: dict[int, list[int]] = {}
    for row in rows_of(links):
        used.setdefault(int(row["hole_id"]), []).append(int(row["feature_id"]))
    return {hole: _words(sorted(numbers), names) for hole, numbers in used.items()}


def _words(numbers: list[int], names: Mapping[int, str]) -> str:
    said = [f"{FEATURE}{n} {names[n]}" for n in numbers[:NAMED] if n in names]
    more = len(numbers) - len(said)
    return "; ".join(said) + (f"; {more} more" if more else "")
