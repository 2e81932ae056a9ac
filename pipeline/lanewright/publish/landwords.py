"""What the land gives in plain words: whether a course fits, and what refused the rest."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd

from lanewright.base.units import FOOT, both
from lanewright.legs.refused import OUTSIDE, ROOM, UNSEEN
from lanewright.settings.config import Config
from lanewright.settings.legs import SitesSettings

FEW = 0.5
"""Share of the holes asked for under which the land is called none for such a course; ours."""

LEAST = 3
"""Holes under which nobody speaks of a course; ours."""


def land_words(config: Config, layers: Mapping[str, gpd.GeoDataFrame]) -> list[str]:
    """Sentence on land that holds no course, and why; none where it holds one.

    It holds none where far fewer holes fit than asked for, or fewer than `LEAST`, or with more
    walk than `layout: most_walk` allows.

    Parameters
    ----------
    config
        Holes asked for, and the tests of sites.
    layers
        Frames by layer name as published.
    """
    squares, layout = layers.get("refused_squares"), layers.get("layout_holes")
    if squares is None or layout is None or not len(squares):
        return []
    best = layout["proposal"] == layout["proposal"].min()
    fit, walks = f": {best.sum()} fit", _walk(layers)
    if (layout.loc[best, "fair"] == "after trim").any():
        low, high = (layout.loc[best, f"trim_hours_{end}"].sum() for end in ("low", "high"))
        fit = f"; with clearing {best.sum()} fit, {low:.0f} to {high:.0f} hours of work in all"
    length = float(layout.loc[best, "length_m"].sum())
    if walks > config.layout.most_walk * length:
        fit += f", with {both(walks)} of walk for {both(length)} of play"
    elif best.sum() >= max(FEW * config.holes, min(LEAST, config.holes)):
        return []
    asked = f"{config.holes} hole{'s' * (config.holes > 1)}"
    tees = squares[(squares["use"] == "tee") & (squares["reason"] != OUTSIDE)]
    refused = tees[tees["code"] > 0].sort_values("squares", ascending=False, kind="stable")
    if refused.empty:
        return [f"no land for a course of {asked} as it is{fit}"]
    first = refused.iloc[0]
    because = f"because {first['share']:.0%} of it {phrase(first['reason'], config)}"
    without = "without clearing" if first["reason"] == ROOM else "as it is"
    rest = [
        f"{row.share:.0%} {phrase(row.reason, config)}"
        for row in refused.iloc[1:].itertuples()
        if row.share >= 0.05
    ]
    said = f"no land for a course of {asked} {without}{fit}, {because}"
    return [said + (f"; a further {', '.join(rest)}" if rest else ""), *_clearing(layers)]


def _walk(layers: Mapping[str, gpd.GeoDataFrame]) -> float:
    """Metres of walk of the first proposal; 0 where none is known."""
    walks = layers.get("layout_walks")
    if walks is None or not len(walks):
        return 0.0
    return float(walks.loc[walks["proposal"] == walks["proposal"].min(), "length_m"].sum())


def _clearing(layers: Mapping[str, gpd.GeoDataFrame]) -> list[str]:
    """What clearing takes per hole, out of the lanes to cut; nothing where there are none."""
    lanes = layers.get("cut_lanes")
    if lanes is None or not len(lanes):
        return []
    low, high, area = (lanes[name].median() for name in ("hours_low", "hours_high", "area_m2"))
    return [
        f"lanes to cut: {len(lanes)} were found; a hole cut out of the growth takes about "
        f"{low:.0f} to {high:.0f} hours of one trained hand and {area:.0f} m² "
        f"({area / FOOT**2:.0f} ft²) of ground, the medians of these lanes; "
        "a guess from lidar, about half of the tops are no stems; felling is for trained hands"
    ]


def phrase(reason: str, config: Config) -> str:
    """A reason as the end of a sentence on ground, with the figures of its settings."""
    sites: SitesSettings = config.legs.sites

    def near(metres: float) -> str:
        return f"lies within {metres:g} m ({metres / FOOT:.0f} ft) of"

    phrases = {
        OUTSIDE: "lies outside the property",
        "near the property line": f"{near(sites.boundary_setback)} the property line",
        "unknown ground": "has ground that is not known",
        "near a keep-out": f"{near(sites.keep_out_setback)} a keep-out",
        "near a building": f"{near(sites.building_setback)} a building",
        "near water": f"{near(sites.water_setback)} water",
        "on likely wet ground": "is likely wet",
        "on possibly wet ground": "is possibly wet",
        "too steep": f"is steeper than a tee ({sites.tee_slope:g} %) or basket "
        f"({sites.basket_slope:g} %) takes",
        ROOM: f"has no spot with {sites.tee_room:g} m ({sites.tee_room / FOOT:.0f} ft) free of "
        f"growth around a tee, {sites.basket_room:g} m around a basket",
        UNSEEN: "was not seen well enough by lidar",
    }
    return phrases[reason]
