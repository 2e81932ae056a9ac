"""Each kind of feature planted alone in land that is bare of all others.

What is planted is the truth: recall is that the planted thing is found at its place, precision
that nothing else of the ground, water and growth is found beside it. Where flat open land is seen
over, a view is true.
"""

from dataclasses import replace

import numpy as np
import pytest

import feature_worlds as fw
from feature_worlds import bump, centres, disc, line, of_kind, place, wood_with
from lanewright.features.features import Features


def kinds(found: Features) -> set[str]:
    return set(found.features["kind"]) - {"view"}


def test_flat_open_land_offers_a_view_and_nothing_else():
    assert kinds(fw.found_in(fw.level_land())) == set()


def test_a_pond_is_a_carry_of_its_width():
    world = fw.level_land()
    x, y = centres(world)
    pond = ((x - 150) / 26) ** 2 + ((y - 150) / 14) ** 2 <= 1
    found = fw.found_in(fw.flooded(pond, world))
    assert kinds(found) == {"carry"}
    carries = of_kind(found, "carry")
    assert carries.geometry.intersects(place(150, 150).buffer(15)).all()
    # An ellipse of 52 by 28 m: no line across its middle is shorter or longer than its axes.
    assert carries["carry_water_m"].between(26, 54).all()
    best = carries.iloc[0]
    assert not np.isnan(best["carry_water_m"])
    assert "pond" in best["name"]
    # Both ends dry, with room behind the shore.
    for x, y in (best.geometry.coords[0], best.geometry.coords[-1]):
        east, north = x - fw.LEFT, y - fw.BOTTOM
        assert ((east - 150) / 26) ** 2 + ((north - 150) / 14) ** 2 > 1


def test_a_lake_that_nobody_carries_is_no_carry():
    # Longest carry of the levels: 61 m for blue (tables/levels.csv).
    world = fw.level_land()
    x, _ = centres(world)
    assert "carry" in kinds(fw.found_in(fw.flooded(np.abs(x - 150) < 24, world)))
    assert "carry" not in kinds(fw.found_in(fw.flooded(np.abs(x - 150) < 34, world)))


def test_water_that_ends_in_a_wood_is_carried_from_where_one_can_stand():
    world = fw.level_land()
    pond = disc(world, 150, 150, 15)
    world = fw.wooded(disc(world, 150, 190, 22), world)
    found = fw.found_in(fw.flooded(pond, world))
    carries = of_kind(found, "carry")
    assert len(carries)
    best = carries.iloc[0]
    assert best["open_share"] > 0.95  # the clear way, west to east, goes before the shut one


@pytest.mark.parametrize("fall", [4.0, 9.0, 16.0])
def test_the_drop_of_a_scarp(fall):
    """Two plains, one `fall` metres over the other, with a bank 30 m wide between them."""
    found = fw.found_in(fw.shaped(lambda x, y: fall * np.clip((x - 135) / 30, 0, 1)))
    drops = of_kind(found, "drop")
    assert drops["drop_m"].max() == pytest.approx(fall, abs=0.3)
    bank = line((150, 0), (150, 300))
    assert drops.geometry.intersects(bank).all()
    best = drops.iloc[0].geometry
    assert best.coords[0][0] > best.coords[-1][0]  # from the high side down
    assert kinds(found) == {"drop"}  # the same bank from below is no second feature


def test_a_fall_under_three_metres_is_none():
    found = fw.found_in(fw.shaped(lambda x, y: 2.4 * np.clip((x - 135) / 30, 0, 1)))
    assert kinds(found) == set()


def test_a_knoll_and_its_top():
    found = fw.found_in(fw.shaped(bump(150, 160, 5.0, 12.0)))
    knolls = of_kind(found, "knoll_tee")
    assert len(knolls) == 1
    stand = place(150, 160)
    assert stand.distance(fw.shapely.Point(knolls.geometry.iloc[0].coords[0])) < 5
    # A bell 12 m wide has lost all but 1 - exp(-40^2 / 288) = 99.6 % of its height after 40 m.
    assert knolls["height_m"].iloc[0] == pytest.approx(5.0, abs=0.4)
    assert kinds(found) <= {"knoll_tee", "drop", "climb"}


def test_a_ridge_falls_to_both_sides_only():
    found = fw.found_in(fw.shaped(lambda x, y: 4 * np.exp(-((x - 150) ** 2) / (2 * 12**2))))
    ridges = of_kind(found, "ridge_tee")
    assert len(ridges)
    stands = [fw.shapely.Point(g.coords[0]) for g in ridges.geometry]
    crest = line((150, 0), (150, 300))
    assert max(crest.distance(p) for p in stands) < 5
    assert kinds(found) <= {"ridge_tee", "drop", "climb"}


def test_a_shelf_on_a_slope_is_a_bench():
    """A hillside of 20 % with a level step of 24 m in its middle."""

    def hill(x, y):
        return 0.2 * np.minimum(x, 138) + 0.2 * np.maximum(x - 162, 0)

    found = fw.found_in(fw.shaped(hill))
    benches = of_kind(found, "bench_green")
    assert len(benches)
    for shape in benches.geometry:
        assert 136 < shape.coords[0][0] - fw.LEFT < 164
    assert "amphitheatre_green" not in kinds(found)
    even = fw.found_in(fw.shaped(lambda x, y: 0.2 * x))
    assert "bench_green" not in kinds(even)


def test_a_bowl_open_to_one_side_is_an_amphitheatre():
    """Flat floor of 12 m radius; from there 25 % up on all sides but the south."""

    def bowl(x, y):
        away = np.hypot(x - 150, y - 150)
        south = (150 - y) > 0.6 * away
        return np.where(south, 0, 0.25 * np.clip(away - 12, 0, 24))

    found = fw.found_in(fw.shaped(bowl))
    bowls = of_kind(found, "amphitheatre_green")
    assert len(bowls) == 1
    assert fw.shapely.Point(bowls.geometry.iloc[0].coords[0]).distance(place(150, 150)) < 14


def test_land_that_reaches_into_water():
    """A tongue 24 m wide and 60 m long in a lake."""
    world = fw.level_land()
    x, y = centres(world)
    lake = (y > 130) & ~((np.abs(x - 150) < 12) & (y < 190))
    found = fw.found_in(fw.flooded(lake, world))
    tips = of_kind(found, "peninsula")
    assert len(tips) >= 1
    best = tips.iloc[0].geometry
    assert fw.shapely.Point(best.coords[-1]).distance(place(150, 180)) < 15
    straight = fw.found_in(fw.flooded(y > 130, world))
    assert "peninsula" not in kinds(straight)


@pytest.mark.parametrize(("width", "counts"), [(5.0, True), (9.0, True), (30.0, False)])
def test_a_hole_in_a_hedge_is_a_gap(width, counts):
    """A hedge 6 m thick between two fields, with one way through."""
    world = fw.level_land()
    x, y = centres(world)
    hedge = (np.abs(x - 150) < 3) & (np.abs(y - 120) > width / 2)
    found = fw.found_in(fw.wooded(hedge, world))
    gaps = of_kind(found, "gap")
    assert len(gaps) == counts
    if counts:
        assert gaps.geometry.iloc[0].distance(place(150, 120)) < 3
        assert gaps["width_m"].iloc[0] == pytest.approx(width, abs=1.1)  # cells of a metre


def test_a_tree_that_stands_out():
    crowd = [(x, y, 14.0, 6.0) for x in range(100, 200, 8) for y in range(100, 200, 8)]
    world = fw.with_trees([*crowd, (151, 151, 26.0, 14.0)])
    found = fw.found_in(world)
    trees = of_kind(found, "specimen_tree")
    assert len(trees) == 1
    assert trees.geometry.iloc[0].distance(place(151, 151)) < 1
    assert trees["height_m"].iloc[0] == 26.0
    assert not len(of_kind(fw.found_in(fw.with_trees(crowd)), "specimen_tree"))


def test_a_lane_is_a_fairway_and_with_a_roof_a_tunnel():
    way = [(60, 100), (180, 160)]  # 134 m
    world, free = wood_with([(way, 8.0)])
    open_above = fw.found_in(world)
    fairways = of_kind(open_above, "fairway")
    assert len(fairways) == 1
    # The way ends in half circles, and lanes end where it narrows.
    assert fairways["length_m"].iloc[0] == pytest.approx(134, abs=10)
    assert fairways["width_m"].iloc[0] == pytest.approx(8, abs=1.5)
    assert fw.shapely.hausdorff_distance(fairways.geometry.iloc[0], line(*way)) < 8
    assert kinds(open_above) == {"fairway"}
    roofed = fw.found_in(world, roof=free)
    assert kinds(roofed) == {"tunnel"}
    assert of_kind(roofed, "tunnel")["roof_share"].iloc[0] > 0.9


def test_an_edge_that_bows_round_trees_asks_a_shape():
    """A wood whose border bulges 12 m into a meadow over 80 m."""
    world = fw.level_land()
    x, y = centres(world)
    wood = x < 100 + 12 * np.exp(-((y - 150) ** 2) / (2 * 30**2))
    found = fw.found_in(fw.wooded(wood, world))
    edges = of_kind(found, "edge")
    assert len(edges)
    assert edges.geometry.iloc[0].distance(place(118, 150)) < 4
    straight = fw.found_in(fw.wooded(x < 100, world))
    assert "edge" not in kinds(straight)


def test_a_fairway_seen_in_parts_is_one_and_says_what_parts_it():
    """Two stretches of 40 m in line with a few metres of growth between; with 40 m they are two."""
    world, _ = wood_with([([(60, 150), (100, 150)], 7.0), ([(111, 150), (155, 150)], 7.0)])
    fairways = of_kind(fw.found_in(world), "fairway")
    assert len(fairways) == 1
    assert fairways["length_m"].iloc[0] == pytest.approx(95, abs=8)
    assert "shut or was not seen" in fairways["reason"].iloc[0]
    apart, _ = wood_with([([(60, 150), (105, 150)], 7.0), ([(150, 150), (195, 150)], 7.0)])
    assert len(of_kind(fw.found_in(apart), "fairway")) == 2


def test_stretches_that_turn_away_are_not_one():
    world, _ = wood_with([([(60, 150), (110, 150)], 7.0), ([(122, 155), (122, 205)], 7.0)])
    assert len(of_kind(fw.found_in(world), "fairway")) == 2


def test_a_curved_fairway_is_whole():
    """A quarter circle of 80 m radius: 126 m, more than one throw bends."""
    turn = np.linspace(0, np.pi / 2, 40)
    way = [(100 + 80 * np.sin(t), 220 - 80 * np.cos(t)) for t in turn]
    world, _ = wood_with([(way, 8.0)])
    fairways = of_kind(fw.found_in(world), "fairway")
    assert len(fairways) == 1
    assert fairways["length_m"].iloc[0] == pytest.approx(126, abs=12)


def test_two_lone_trees_are_no_gap():
    world = fw.level_land()
    trees = disc(world, 145, 150, 2.5) | disc(world, 155, 150, 2.5)
    assert "gap" not in kinds(fw.found_in(fw.wooded(trees, world)))


def test_an_even_slope_has_no_drop_and_a_scarp_in_it_has():
    """15 % all over: any place has a throw that falls 15 m; and a bank of 12 m more in it."""
    assert "drop" not in kinds(fw.found_in(fw.shaped(lambda x, y: 0.1 * x)))
    found = fw.found_in(fw.shaped(lambda x, y: 0.05 * x + 12 * np.clip((x - 135) / 30, 0, 1)))
    drops = of_kind(found, "drop")
    assert len(drops)
    assert drops.geometry.intersects(line((150, 0), (150, 300))).all()


def tongue(high: float, root: float = 130):
    """A lake with a tongue of land 24 m wide, `high` metres over the water."""
    world = fw.level_land()
    x, y = centres(world)
    lake = (y > 130) & ~((np.abs(x - 150) < 12) & (y > root) & (y < 190))
    sunk = fw.flooded(lake, world)
    bar = (y > 134) & ~lake
    return replace(sunk, ground=np.where(bar, 199 + high, sunk.ground).astype(np.float32))


def test_a_sandbar_that_hardly_rises_over_the_water_is_no_peninsula():
    # Water stands at 199 m; ground 0.4 m over it is the least that is stood on.
    assert "peninsula" in kinds(fw.found_in(tongue(0.6)))
    assert "peninsula" not in kinds(fw.found_in(tongue(0.2)))


def test_an_island_is_no_place_to_throw_to_or_from():
    island = fw.found_in(tongue(1.0, root=150))
    assert "peninsula" not in kinds(island)
    assert not of_kind(island, "carry").geometry.intersects(place(150, 170).buffer(20)).any()


def test_of_two_carries_over_one_pond_the_second_counts_half():
    world = fw.level_land()
    found = of_kind(fw.found_in(fw.flooded(disc(world, 150, 150, 17), world)), "carry")
    assert len(found) == 2
    worth = found["worth"].to_numpy()
    assert worth[1] == pytest.approx(worth[0] / 2, rel=0.2)


def test_a_fairway_over_wet_ground_counts_for_its_dry_share():
    world, _ = wood_with([([(60, 100), (180, 160)], 8.0)])
    dry = of_kind(fw.found_in(world), "fairway").iloc[0]
    x, _ = centres(world)
    wet = of_kind(fw.found_in(replace(world, wet=x < 120)), "fairway").iloc[0]
    assert wet["worth"] == pytest.approx(dry["worth"] / 2, rel=0.1)
    assert "of it is likely wet" in wet["reason"]
    assert "wet" not in dry["reason"]


def test_a_way_between_trees_into_the_water_is_no_gap():
    world = fw.level_land()
    x, y = centres(world)
    hedged = fw.wooded((np.abs(x - 150) < 3) & (np.abs(y - 120) > 3.5), world)
    assert "gap" in kinds(fw.found_in(hedged))
    shore = fw.flooded(x > 154, hedged)
    assert "gap" not in kinds(fw.found_in(shore))
