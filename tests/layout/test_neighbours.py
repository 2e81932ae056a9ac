"""Nearest holes of a round and what hides its baskets, on planted land."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from lanewright.layout.neighbours import neighbours_of
from lanewright.layout.sightline import sights_of
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import level_named
from layout_worlds import check_layout

LEVELS = (level_named("blue"),)
CORNER = np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])
NO_LINKS = pd.DataFrame({"hole_id": [], "leg_id": []})
NO_LEGS = gpd.GeoDataFrame({"leg_id": [], "finish": []}, geometry=[], crs=leg_worlds.CRS)


def round_of(*ends) -> gpd.GeoDataFrame:
    """A round of holes given as x and y of tee and basket from the south-west corner."""
    order = np.arange(1, len(ends) + 1)
    lines = [shapely.LineString(np.reshape(e, (-1, 2)) + CORNER) for e in ends]
    return gpd.GeoDataFrame(
        {
            "proposal": 1, "play_order": order, "hole_id": order, "level": "blue",
            "finish": "straight", "legs": [()] * len(ends),
        },
        geometry=lines, crs=leg_worlds.CRS,
    )  # fmt: skip


def wood_between(left: float, right: float):
    world = leg_worlds.bare(300.0, 1.0)
    x, _ = leg_worlds.centres(world)
    return leg_worlds.planted(world, (x > left) & (x < right), 1.0, high=10.0)


def rows(frame, scene):
    return neighbours_of(frame, NO_LINKS, NO_LEGS, LEVELS, scene, SafetySettings())


def test_a_parallel_fairway_has_its_distance_and_what_is_asked():
    """120 feet over open ground, 70 feet with dense trees between: a trade handbook's figures."""
    apart = 42.0
    frame = round_of((100, 40, 100, 140), (100 + apart, 40, 100 + apart, 140))
    for scene, asked, trees in (
        (leg_worlds.bare(300.0, 1.0), 37.0, 0.0),
        (wood_between(102, 98 + apart), 21.5, 0.9),
    ):
        found = rows(frame, scene)
        assert found["play_order"].tolist() == [1, 2]
        assert found["other_order"].tolist() == [2, 1]
        assert (found["rule"] == "fairways too near").all()
        assert found["distance_m"].to_numpy() == pytest.approx(apart, abs=0.1)
        assert found["asked_m"].to_numpy() == pytest.approx(asked, abs=0.6)
        assert found["margin_m"].to_numpy() == pytest.approx(apart - asked, abs=0.6)
        assert (found["trees_between"].to_numpy() >= trees - 0.1).all()
        assert found.geometry.length.to_numpy() == pytest.approx(apart, abs=0.1)


@pytest.mark.parametrize("seed", range(12))
def test_a_margin_is_below_0_where_the_check_finds_a_rule_broken(seed):
    rng = np.random.default_rng(seed)
    tees = rng.uniform(60, 240, (5, 2))
    turn = rng.uniform(0, 2 * np.pi, 5)
    ends = tees + 70 * np.column_stack([np.cos(turn), np.sin(turn)])
    frame = round_of(*np.column_stack([tees, ends]))
    scene = wood_between(140, 170)
    broken = check_layout(frame, None, None, LEVELS, scene, SafetySettings())
    pairs = {frozenset((v.hole, v.other)) for v in broken if v.other is not None}
    found = rows(frame, scene)
    short = found[found["margin_m"] < 0]
    mine = {frozenset(pair) for pair in zip(short["play_order"], short["other_order"], strict=True)}
    # Three are named for each hole: a broken pair may be the fourth of both.
    assert mine <= pairs
    assert bool(mine) == bool(pairs)
    assert (found.groupby("play_order").size() <= 3).all()
    lines = frame.set_index("play_order").geometry
    for row in found.itertuples():
        for order, end in ((row.play_order, 0), (row.other_order, -1)):
            assert lines[order].distance(shapely.Point(row.geometry.coords[end])) < 0.01
    assert found["margin_m"].groupby(found["play_order"]).is_monotonic_increasing.all()


def test_a_walk_back_along_the_hole_just_played_is_a_fault():
    frame = round_of((100, 40, 100, 140), (180, 60, 180, 150))
    scene = leg_worlds.bare(300.0, 1.0)
    places = {"back": [(100, 140), (100, 60), (180, 60)], "round": [(100, 140), (180, 60)]}
    for way, places_of in places.items():
        walks = gpd.GeoDataFrame(
            {"from_order": [1], "to_order": [2], "crosses": ["1, 2"]},
            geometry=[shapely.LineString(np.array(places_of) + CORNER)], crs=leg_worlds.CRS,
        )  # fmt: skip
        found = check_layout(frame, None, walks, LEVELS, scene, SafetySettings())
        back = [str(v) for v in found if v.rule.startswith("walk back")]
        assert len(back) == (way == "back")
        assert way == "round" or "where at most 25.0 m are allowed" in back[0]
        far = SafetySettings(walk_back=90.0)
        assert not [v for v in check_layout(frame, None, walks, LEVELS, scene, far)
                    if v.rule.startswith("walk back")]  # fmt: skip


def test_what_hides_a_basket_from_its_tee():
    """A ridge of 4 m, a hedge, crowns over the view, nothing; what nobody saw is not clear."""
    frame = round_of((100, 40, 100, 140))
    flat = leg_worlds.bare(300.0, 1.0)
    _, y = leg_worlds.centres(flat)
    ridge = flat.ground + np.maximum(0, 4 - 0.4 * np.abs(y - 90)).astype(np.float32)
    low_ridge = flat.ground + np.maximum(0, 1 - 0.1 * np.abs(y - 90)).astype(np.float32)
    hedge = (y > 80) & (y < 84)
    for scene, expected in (
        (flat, "clear"),
        (replace(flat, ground=ridge), "ground"),
        (replace(flat, ground=low_ridge), "clear"),
        (leg_worlds.planted(flat, hedge, 1.0, high=3.0), "growth"),
        (leg_worlds.planted(flat, hedge, 1.0, low=3.0, high=9.0), "clear"),
        (replace(flat, searched=np.where(hedge, 0, flat.searched)), None),
        (replace(flat, surveyed=False), None),
        (replace(flat, ground=ridge, surveyed=False), "ground"),
        (replace(flat, ground=np.where(hedge, np.nan, flat.ground)), None),
    ):
        assert sights_of(scene, frame) == [expected]


def test_without_lidar_nobody_knows_of_trees_between():
    frame = round_of((100, 40, 100, 140), (142, 40, 142, 140))
    found = rows(frame, replace(leg_worlds.bare(300.0, 1.0), surveyed=False))
    assert found["trees_between"].isna().all()
    assert found["asked_m"].to_numpy() == pytest.approx(37.0, abs=0.6)  # as over open ground
