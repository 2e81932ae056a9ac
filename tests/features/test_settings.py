"""Every setting of the section `features` decides: the same planted land, through the stage.

What is expected follows from what is planted (`feature_worlds`): a bound beyond it loses the
feature, a weight scales its worth, a share orders the list otherwise.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import geopandas as gpd
import numpy as np
import pytest

import feature_worlds as fw
from feature_worlds import bump, centres, disc, wood_with
from lanewright.settings.features import FeaturesSettings, KindWeights

WAY = [(60, 100), (180, 160)]


def pond():
    x, y = centres(fw.level_land())
    return fw.flooded(((x - 150) / 26) ** 2 + ((y - 150) / 14) ** 2 <= 1)


def tongue():
    world = fw.level_land()
    x, y = centres(world)
    lake = (y > 130) & ~((np.abs(x - 150) < 12) & (y < 190))
    sunk = fw.flooded(lake, world)
    bar = (y > 134) & ~lake
    return replace(sunk, ground=np.where(bar, 199.6, sunk.ground).astype(np.float32))


def scarp():
    return fw.shaped(lambda x, y: 0.02 * y + 9 * np.clip((x - 135) / 30, 0, 1))


def pit():
    """From the border of a pit of 60 m all falls; from its floor a climb leads out."""
    return fw.shaped(lambda x, y: np.where(np.hypot(x - 150, y - 150) < 70, 0.0, 9.0))


def ridge():
    return fw.shaped(lambda x, y: 4 * np.exp(-((x - 150) ** 2) / (2 * 12**2)))


def shelf():
    return fw.shaped(lambda x, y: 0.2 * np.minimum(x, 138) + 0.2 * np.maximum(x - 162, 0))


def canted_shelf():
    """The shelf falls 3 % along the hill."""
    world = shelf()
    return fw.shaped(lambda x, y: world.ground - 200 + 0.03 * y)


def bowl():
    def heights(x, y):
        away = np.hypot(x - 150, y - 150)
        return np.where((150 - y) > 0.6 * away, 0, 0.25 * np.clip(away - 12, 0, 24))

    return fw.shaped(heights)


def hedge(high=16.0):
    world = fw.level_land()
    x, y = centres(world)
    return fw.wooded((np.abs(x - 150) < 3) & (np.abs(y - 120) > 3.5), world, high)


def closed_hedge():
    world = fw.level_land()
    x, _ = centres(world)
    return fw.wooded(np.abs(x - 150) < 3, world, 3.0)


def bulge():
    world = fw.level_land()
    x, y = centres(world)
    return fw.wooded(x < 100 + 12 * np.exp(-((y - 150) ** 2) / (2 * 30**2)), world)


def crowd():
    trees = [(x, y, 14.0, 6.0) for x in range(100, 200, 8) for y in range(100, 200, 8)]
    return fw.with_trees([*trees, (151, 151, 26.0, 14.0)])


def parts():
    world, _ = wood_with([([(60, 150), (100, 150)], 7.0), ([(111, 151), (155, 158)], 7.0)])
    return world


def curve():
    turn = np.linspace(0, np.pi / 2, 40)
    way = [(100 + 80 * np.sin(t), 220 - 80 * np.cos(t)) for t in turn]
    return wood_with([(way, 8.0)])[0]


def fairway():
    return wood_with([(WAY, 8.0)])[0]


def tilted():
    return fw.shaped(lambda x, y: 0.05 * y + 9 * np.clip((x - 135) / 30, 0, 1))


def slope():
    return fw.shaped(lambda x, y: 0.1 * x)


def knoll():
    return fw.shaped(bump(150, 150, 5.0, 12.0))


def two_ponds():
    world = fw.level_land()
    return fw.flooded(disc(world, 90, 90, 15) | disc(world, 210, 210, 17), world)


OF_KIND: dict[str, Callable] = {
    "tunnel": fairway,
    "fairway": fairway,
    "carry": pond,
    "drop": scarp,
    "climb": pit,
    "gap": hedge,
    "ridge_tee": ridge,
    "knoll_tee": knoll,
    "bench_green": shelf,
    "amphitheatre_green": bowl,
    "peninsula": tongue,
    "specimen_tree": crowd,
    "edge": bulge,
    "view": fw.level_land,
}


@cache
def before(world: Callable, **changes) -> gpd.GeoDataFrame:
    return found(world, **changes)


def found(world: Callable, roofed: bool = False, **changes) -> gpd.GeoDataFrame:
    roof = wood_with([(WAY, 8.0)])[1] if roofed else None
    return fw.found_in(world(), roof, **changes).features


def of(table: gpd.GeoDataFrame, kind: str) -> gpd.GeoDataFrame:
    return table[table["kind"] == kind]


@pytest.mark.parametrize("kind", OF_KIND)
def test_a_weight_scales_the_worth_of_its_kind(kind):
    world, roofed = OF_KIND[kind], kind == "tunnel"
    usual = of(before(world, roofed=roofed), kind)["worth"].max()
    weights = KindWeights(**{kind: 0.1})
    less = of(found(world, roofed, weights=weights), kind)["worth"].max()
    assert less == pytest.approx(usual * 0.1 / getattr(KindWeights(), kind), rel=1e-6)


def test_there_is_a_case_for_every_kind():
    assert set(OF_KIND) == set(KindWeights.model_fields)


LOST: dict[str, tuple[Callable, str, float]] = {
    "lane_from": (fairway, "fairway", 150.0),
    "drop_from": (scarp, "drop", 16.0),
    "tee_slope": (tilted, "drop", 1.0),
    "knoll_rise": (knoll, "knoll_tee", 6.0),
    "knoll_reach": (knoll, "knoll_tee", 8.0),
    "bowl_rise": (bowl, "amphitheatre_green", 7.0),
    "bowl_reach": (bowl, "amphitheatre_green", 6.0),
    "flat_slope": (canted_shelf, "bench_green", 1.0),
    "water_from": (pond, "carry", 5000.0),
    "above_water": (tongue, "peninsula", 1.0),
    "carry_from": (pond, "carry", 60.0),
    "carry_bank": (pond, "carry", 4.0),
    "peninsula_share": (tongue, "peninsula", 0.99),
    "gap_from": (hedge, "gap", 9.0),
    "gap_to": (hedge, "gap", 5.0),
    "gap_room": (hedge, "gap", 400.0),
    "gap_ratio": (hedge, "gap", 10.0),
    "gap_depth": (hedge, "gap", 1.0),
    "tree_from": (crowd, "specimen_tree", 30.0),
    "tree_ratio": (crowd, "specimen_tree", 3.0),
    "tree_crown": (crowd, "specimen_tree", 20.0),
    "edge_from": (bulge, "edge", 299.0),
    "edge_bow": (bulge, "edge", 30.0),
    "view_from": (fw.level_land, "view", 430.0),
}
"""Bounds beyond what is planted."""


@pytest.mark.parametrize("name", LOST)
def test_a_bound_beyond_what_is_planted_loses_it(name):
    world, kind, value = LOST[name]
    assert len(of(before(world), kind))
    assert not len(of(found(world, **{name: value}), kind))


def counted(kind: str) -> Callable:
    return lambda table: len(of(table, kind))


def most(column: str, kind: str) -> Callable:
    return lambda table: of(table, kind)[column].max()


def order(table: gpd.GeoDataFrame) -> list[str]:
    return (table["kind"] + table.geometry.to_wkt()).tolist()


CHANGED: dict[str, tuple[Callable, float, Callable, str]] = {
    "shown": (scarp, 2, lambda table: table["shown"].sum(), "less"),
    "most_of_kind": (scarp, 2, counted("drop"), "less"),
    "rarity": (scarp, 0.0, most("worth", "drop"), "more"),
    "repeat": (scarp, 0.05, order, "other"),
    "first_of_kind": (scarp, 1, order, "other"),
    "near": (two_ponds, 300.0, order, "other"),
    "near_share": (two_ponds, 1.0, order, "other"),
    "border_share": (scarp, 0.1, lambda table: table["worth"].min(), "less"),
    "long": (fairway, 300.0, most("worth", "fairway"), "less"),
    "join_gap": (parts, 2.0, most("length_m", "fairway"), "less"),
    "join_bend": (parts, 0.0, most("length_m", "fairway"), "less"),
    "fairway_bend": (curve, 60.0, most("length_m", "fairway"), "less"),
    "drop_over": (slope, 1.0, counted("drop"), "more"),
    "drop_full": (scarp, 60.0, most("worth", "drop"), "less"),
    "throw_from": (scarp, 95.0, lambda table: of(table, "drop")["length_m"].min(), "more"),
    "flat_reach": (bowl, 11.0, lambda t: of(t, "amphitheatre_green")["slope_pct"].sum(), "other"),
    "peninsula_reach": (tongue, 45.0, most("water_share", "peninsula"), "other"),
    "tree_reach": (crowd, 1.0, lambda table: of(table, "specimen_tree")["reason"][0], "other"),
    "view_apart": (fw.level_land, 20.0, counted("view"), "more"),
    "eye": (closed_hedge, 6.0, most("sight_m", "view"), "more"),
}
"""What else a setting changes, and how."""


@pytest.mark.parametrize("name", CHANGED)
def test_a_setting_changes_what_it_says(name):
    world, value, figure, how = CHANGED[name]
    setback = 25.0 if name == "border_share" else 0.0
    was = figure(before(world, setback=setback))
    now = figure(found(world, setback=setback, **{name: value}))
    assert {"less": lambda: now < was, "more": lambda: now > was, "other": lambda: now != was}[
        how
    ]()


def test_there_is_a_case_for_every_setting():
    assert set(LOST) | set(CHANGED) | {"weights"} == set(FeaturesSettings.model_fields)
