"""Features by the property line may be seen, but no tee, basket or flight comes so near."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

import feature_worlds as fw
from feature_worlds import bump, centres, disc, of_kind, wood_with

SETBACK = 20.0


def worlds():
    knoll = fw.shaped(bump(150, 150, 5.0, 12.0))
    pond = fw.flooded(disc(fw.level_land(), 150, 150, 14))
    x, y = centres(fw.level_land())
    hedge = (np.abs(x - 150) < 3) & (np.abs(y - 150) > 3.5)
    lane, _ = wood_with([([(90, 150), (200, 150)], 8.0)])
    return {
        "knoll_tee": knoll,
        "carry": pond,
        "gap": fw.wooded(hedge, fw.level_land()),
        "fairway": lane,
        "drop": fw.shaped(lambda x, y: 9 * np.clip((x - 135) / 30, 0, 1)),
    }


@pytest.mark.parametrize("kind", ["knoll_tee", "carry", "gap", "fairway", "drop"])
def test_what_lies_within_the_setback_is_to_look_at_and_not_to_throw(kind):
    """The same feature in the middle of a property, and beside its border."""
    world = worlds()[kind]
    shape = of_kind(fw.found_in(world), kind).geometry.iloc[0]
    south, north = shape.bounds[1], shape.bounds[3]
    if kind == "knoll_tee":  # only where one stands counts
        south = north = shape.coords[0][1]
    left, _, right, top = world.grid.bounds
    border = shapely.box(left, (south + north) / 2 - SETBACK / 2, right, top)
    roomy = shapely.box(left, south - 2 * SETBACK, right, top)
    said = "within 20 m (66 ft) of the property line: to look at, not to throw"
    near, free = (
        of_kind(fw.found_in(replace(world, land=land), setback=SETBACK), kind)
        for land in (border, roomy)
    )
    same = near[near.geometry.distance(shape) < 10]
    assert len(same)
    marked = same[same["reason"].str.contains(said, regex=False)]
    assert len(marked)
    assert marked["levels"].isna().all()
    best = free[free.geometry.distance(shape) < 10]
    assert not best["reason"].iloc[0].endswith("not to throw.")
    assert marked["worth"].max() < best["worth"].max()


def test_views_and_trees_by_the_border_are_looked_at_anyway():
    tree = fw.with_trees([(8, 8, 26.0, 14.0)])
    found = fw.found_in(tree, setback=SETBACK).features
    near = found[found["kind"].isin(["specimen_tree", "view"])]
    assert set(near["kind"]) == {"specimen_tree", "view"}
    assert not near["reason"].str.contains("to throw").any()
