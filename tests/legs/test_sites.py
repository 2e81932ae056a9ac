"""Sites on land where it is known what must be left out."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy import ndimage as ndi

import leg_worlds
from lanewright.base.outlines import cells_of
from lanewright.legs.sites import add_spots, barred_cells, find_sites
from lanewright.settings.legs import SitesSettings


def xy(sites):
    points = sites.get_coordinates().to_numpy()
    return points[:, 0] - leg_worlds.LEFT, points[:, 1] - leg_worlds.BOTTOM


def distance(sites, shape):
    return shapely.distance(sites.geometry.to_numpy(), shape)


def test_open_land_has_one_site_in_every_square_inside_the_setback():
    world = leg_worlds.bare(100.0)
    sites = find_sites(world, SitesSettings(boundary_setback=15.0))
    for frame in (sites.tees, sites.baskets):
        x, y = xy(frame)
        # 14 squares of 5 m lie between 15 and 85 m, each with its site near the middle
        assert len(frame) == 14 * 14
        assert {int(v // 5) for v in x} == set(range(3, 17))
        assert (np.abs(x % 5 - 2.5) <= 0.5).all()
        assert (np.abs(y % 5 - 2.5) <= 0.5).all()
        assert frame["site_id"].tolist() == list(range(1, len(frame) + 1))
        np.testing.assert_allclose(frame["ground_m"], 200)
        np.testing.assert_allclose(frame["seen_share"], 1)


def test_sites_keep_their_distance_from_borders_keep_outs_and_water():
    world = leg_worlds.bare(120.0)
    x, y = leg_worlds.centres(world)
    pond = np.hypot(x - 80, y - 80) < 10
    yard = leg_worlds.box(20, 20, 40, 40)
    land = leg_worlds.box(0, 0, 120, 110)
    world = replace(world, water=pond, keep_out=yard, land=land)
    settings = SitesSettings(boundary_setback=12, keep_out_setback=9, water_setback=7.6)
    sites = find_sites(world, settings)
    middle = shapely.Point(leg_worlds.LEFT + 80, leg_worlds.BOTTOM + 80)
    for frame in (sites.tees, sites.baskets):
        assert distance(frame, land.exterior).min() >= 12
        assert distance(frame, yard).min() >= 9
        assert distance(frame, middle).min() >= 10 + 7.6 - 0.5  # half a cell of the raster each way
        # and no farther than that: squares right behind are used
        assert distance(frame, yard).min() < 9 + 5
    counts = sites.facts["tee_sites"]
    assert counts["near a keep-out"] > 0
    assert counts["near water"] > 0
    squares = 24 * 24
    assert sum(counts.values()) == squares


def test_a_narrow_lane_holds_sites_in_its_middle_wherever_it_runs():
    world = leg_worlds.bare(100.0)
    for middle in (50.0, 51.3, 52.5):
        _, y = leg_worlds.centres(world)
        lane = leg_worlds.planted(world, np.abs(y - middle) > 2.5, 0.5)
        sites = find_sites(lane, SitesSettings(boundary_setback=5))
        _, tee_y = xy(sites.tees)
        assert len(sites.tees) >= 18
        # 2 m of room around a tee leave half a metre to each side
        assert (np.abs(tee_y - middle) <= 0.75).all()


def test_a_tee_needs_more_room_than_a_basket_and_neither_stands_in_brush():
    world = leg_worlds.bare(100.0)
    _, y = leg_worlds.centres(world)
    world = leg_worlds.planted(world, np.abs(y - 50) > 1.5, 0.5)
    sites = find_sites(world, SitesSettings(boundary_setback=5))
    assert len(sites.tees) == 0
    assert len(sites.baskets) > 0
    assert (np.abs(xy(sites.baskets)[1] - 50) <= 0.5).all()


def test_growth_above_the_reach_of_a_swing_does_not_matter():
    world = leg_worlds.bare(100.0)
    roofed = leg_worlds.planted(world, np.ones(world.grid.shape, bool), 0.5, low=2.5)
    settings = SitesSettings(boundary_setback=5)
    assert len(find_sites(roofed, settings).tees) == len(find_sites(world, settings).tees)
    lower = leg_worlds.planted(world, np.ones(world.grid.shape, bool), 0.5, low=2.25)
    assert len(find_sites(lower, settings).tees) == 0


@pytest.mark.parametrize(
    ("percent", "tees", "baskets"), [(14, True, True), (20, False, True), (26, False, False)]
)
def test_steep_ground_holds_no_tee_before_it_holds_no_basket(percent, tees, baskets):
    world = leg_worlds.bare(60.0, slope=(percent / 100, 0))
    sites = find_sites(world, SitesSettings())
    assert (len(sites.tees) > 0) == tees
    assert (len(sites.baskets) > 0) == baskets


def test_nothing_is_sited_where_lidar_did_not_look_or_the_ground_is_unknown():
    world = leg_worlds.bare(100.0)
    x, y = leg_worlds.centres(world)
    searched = np.where(x < 50, world.searched, np.uint64(0))
    ground = np.where(y < 50, world.ground, np.nan).astype(np.float32)
    sites = find_sites(replace(world, searched=searched, ground=ground), SitesSettings())
    for frame in (sites.tees, sites.baskets):
        assert len(frame) > 0
        assert (xy(frame)[0] < 51).all()
        assert (xy(frame)[1] < 50).all()
    assert find_sites(replace(world, searched=searched), SitesSettings(seen=0)).tees.shape[0] > (
        sites.tees.shape[0] * 2
    )


def test_possibly_wet_ground_takes_sites_unless_told_not_to():
    world = leg_worlds.bare(80.0)
    x, _ = leg_worlds.centres(world)
    world = replace(world, maybe_wet=x < 40)
    assert xy(find_sites(world, SitesSettings()).tees)[0].min() < 40
    dry = find_sites(world, SitesSettings(maybe_wet=False))
    assert xy(dry.tees)[0].min() > 40
    assert "on possibly wet ground" in dry.facts["tee_sites"]


def test_likely_wet_ground_is_left_out_unless_allowed():
    world = leg_worlds.bare(80.0)
    x, _ = leg_worlds.centres(world)
    world = replace(world, wet=x < 40)
    dry = find_sites(world, SitesSettings())
    assert xy(dry.tees)[0].min() > 40
    assert xy(find_sites(world, SitesSettings(wet=True)).tees)[0].min() < 40


def test_barred_cells_hold_every_cell_that_touches_the_forbidden_land():
    world = leg_worlds.bare(60.0)
    keep_out = shapely.Point(leg_worlds.LEFT + 31.2, leg_worlds.BOTTOM + 29.7).buffer(4)
    world = replace(world, keep_out=keep_out)
    barred = barred_cells(world, setback=5.0, margin=0.26)
    x, y = world.grid.xy(*np.mgrid[: world.grid.rows, : world.grid.cols])
    squares = shapely.box(x - 0.25, y - 0.25, x + 0.25, y + 0.25)
    touches = shapely.distance(squares, keep_out) < 0.26
    near_border = shapely.distance(squares, world.land.exterior) < 5.0
    assert barred[touches | near_border].all()
    # and not a cell more than a cell's width beyond
    wider = (shapely.distance(squares, keep_out) < 1.1) | (
        shapely.distance(squares, world.land.exterior) < 5.85
    )
    assert not barred[~wider].any()


def test_cells_of_a_shape_are_those_with_their_centre_in_it():
    world = leg_worlds.bare(30.0)
    shape = leg_worlds.box(3.1, 4.6, 12.9, 20.4)
    x, y = leg_worlds.centres(world)
    inside = (x > 3.1) & (x < 12.9) & (y > 4.6) & (y < 20.4)
    np.testing.assert_array_equal(cells_of(shape, world.grid), inside)
    assert not cells_of(shapely.Polygon(), world.grid).any()


def test_free_room_is_measured_to_the_edge_of_the_nearest_blocked_cell():
    world = leg_worlds.bare(60.0)
    x, y = leg_worlds.centres(world)
    trees = np.zeros(world.grid.shape, bool)
    trees[::20, ::20] = True  # one blocked cell every 10 m
    world = leg_worlds.planted(world, trees, 1.0)
    sites = find_sites(world, SitesSettings(boundary_setback=5, spacing=2.0, tee_room=3.0))
    tree_x, tree_y = x[trees], y[trees]
    for px, py in zip(*xy(sites.tees), strict=True):
        # distance from a point to squares of half a metre
        gap = np.hypot(
            np.maximum(np.abs(tree_x - px) - 0.25, 0), np.maximum(np.abs(tree_y - py) - 0.25, 0)
        )
        assert gap.min() >= 3.0 - 0.11  # corner of a cell against its inscribed circle
    assert len(sites.tees) > 20
    assert ndi.label(trees)[1] == len(tree_x)


def test_own_spots_are_added_without_tests():
    world = leg_worlds.bare(60.0)
    sites = find_sites(world, SitesSettings())
    both, rows = add_spots(
        sites.tees, world, np.array([leg_worlds.LEFT + 1.3]), np.array([leg_worlds.BOTTOM + 2.1])
    )
    assert rows.tolist() == [len(sites.tees)]
    assert both["site_id"].is_unique
    point = both.geometry.iloc[rows[0]]
    assert point.distance(shapely.Point(leg_worlds.LEFT + 1.3, leg_worlds.BOTTOM + 2.1)) < 0.36
    with pytest.raises(ValueError, match="outside"):
        add_spots(sites.tees, world, np.array([0.0]), np.array([0.0]))
