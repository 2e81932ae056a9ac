"""What keeps each hole of a round from the others: nearest holes, the rule in force, the margin.

By the independent check of finished lines (`layoutcheck`), not by the code that chose them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial.distance import cdist

from lanewright.base.arrays import Floats
from lanewright.layout.checklines import Asked, Check, Line
from lanewright.layout.drawn import empty_layer
from lanewright.layout.layoutcheck import asked_between, in_cone
from lanewright.scene import Scene
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

NEAREST = 3
"""Holes named for each; the nearest of a round."""

LIKELY = 6
"""Holes that pass nearest, of which these are sought; ours."""

LOOKED = 200
"""Pairs of places, tightest over open ground first, between which trees are looked for; ours."""


class Near(NamedTuple):
    """The tightest place between two holes: rule, distance, distance asked, trees, both places."""

    rule: str
    distance: float
    asked: float
    trees: float
    here: Floats
    there: Floats


def neighbours_of(
    layout_holes: gpd.GeoDataFrame,
    links: pd.DataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    scene: Scene,
    settings: SafetySettings,
) -> gpd.GeoDataFrame:
    """The nearest holes of each hole of each proposal, rows of layer `layout_neighbours`.

    Parameters
    ----------
    layout_holes
        Rows of this layer.
    links, legs
        Which hole uses which throws, in order, and these.
    levels, scene, settings
        As in `layoutcheck.check_proposals`.
    """
    check = Check(levels, scene, settings)
    rows = []
    for number, mine in layout_holes.groupby("proposal"):
        lines = check.lines(mine, links, legs)
        tightest = {
            (i, j): tightest_between(lines[i], lines[j], check)
            for i, j in _pairs([shapely.LineString(line.at) for line in lines])
        }
        for i in range(len(lines)):
            others = [(pair, near) for pair, near in tightest.items() if i in pair]
            others.sort(key=lambda one: (margin_of(one[1]), one[0]))
            for place, (pair, near) in enumerate(others[:NEAREST], start=1):
                other = lines[sum(pair) - i]
                ends = (near.here, near.there) if pair[0] == i else (near.there, near.here)
                rows.append(
                    {
                        "proposal": int(str(number)),
                        "play_order": lines[i].number,
                        "nearness": place,
                        "other_order": other.number,
                        "rule": near.rule,
                        "distance_m": near.distance,
                        "asked_m": near.asked,
                        "margin_m": margin_of(near),
                        "trees_between": near.trees if scene.surveyed else np.nan,
                        "geometry": shapely.LineString(ends),
                    }
                )
    if not rows:
        return empty_layer("layout_neighbours", scene.grid.crs)
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=scene.grid.crs)


def _pairs(lines: Sequence[shapely.LineString]) -> list[tuple[int, int]]:
    """Pairs of which one is among the `LIKELY` holes that pass nearest the other."""
    away = np.array([[one.distance(other) for other in lines] for one in lines])
    near = np.argsort(away, axis=1, kind="stable")[:, : LIKELY + 1]
    every = {(min(i, int(j)), max(i, int(j))) for i in range(len(lines)) for j in near[i] if i != j}
    return sorted(every)


def tightest_between(one: Line, other: Line, check: Check) -> Near:
    """Where two holes leave each other least room by any rule."""
    apart = float(np.hypot(*(one.at[0] - other.at[0])))
    trees = float(check.trees_between(one.at[:1], other.at[:1])[0])
    best = Near("tees too near", apart, check.rules.tees, trees, one.at[0], other.at[0])
    for line, beside, turned in ((one, other, False), (other, one, True)):
        for start, place, aside, needed in in_cone(line, beside, check.rules):
            ends = (place, start) if turned else (start, place)
            trees = float(check.trees_between(start[None], place[None])[0])
            cone = Near("in the danger cone", aside, needed, trees, *ends)
            best = min(best, cone, key=margin_of)
    for asked in asked_between(one, other, check.rules):
        near = _near(asked, check, margin_of(best))
        if near is not None and asked.one.number != one.number:
            near = near._replace(here=near.there, there=near.here)
        best = min(best, near or best, key=margin_of)
    return best


def margin_of(near: Near) -> float:
    """Metres more than are asked for."""
    return near.distance - near.asked


def _near(asked: Asked, check: Check, less: float) -> Near | None:
    """The tightest pair of places by one rule, trees between looked for; None for no less room."""
    distance = cdist(asked.one.at, asked.other.at)
    over_open, among_trees = (np.broadcast_to(a, distance.shape) for a in asked.metres)
    margin = np.where(asked.where, distance - over_open, np.inf)
    order = np.argsort(margin, axis=None, kind="stable")[:LOOKED]
    i, j = np.unravel_index(order[margin.ravel()[order] < less], margin.shape)
    if not i.size:
        return None
    trees = check.trees_between(asked.one.at[i], asked.other.at[j])
    needed = np.where(trees >= check.rules.sheltered, among_trees[i, j], over_open[i, j])
    best = int((distance[i, j] - needed).argmin())
    return Near(
        asked.rule,
        float(distance[i, j][best]),
        float(needed[best]),
        float(trees[best]),
        asked.one.at[i[best]],
        asked.other.at[j[best]],
    )
