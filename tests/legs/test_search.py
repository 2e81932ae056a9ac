"""The stage as a whole on land with known answers."""

from dataclasses import replace

import numba
import numpy as np
import pytest
import shapely
from pandas.testing import assert_frame_equal

import leg_worlds
from lanewright.base import schema
from lanewright.base.errors import InputError
from lanewright.flight.flight import fly_throws
from lanewright.legs import choose
from lanewright.legs.legs import find_legs
from lanewright.legs.throwing import LINE
from lanewright.settings.cover import CoverSettings
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from leg_worlds import score_legs, score_own

CONTRACT = """
    leg_id tee_id end_id level finish length_m length_ft rise_m effective_length_m apex_m
    clear_rate clear_rate_se clear_rate_low clear_rate_high clear_rate_leaf_on pinch_width_m
    pinch_at_m lane_kind roof_share grade_pct side_slope_pct tee_slope_pct landing_slope_pct
    wet_share carry_water_m seen_share score score_clearance score_grade score_drainage
""".split()  # noqa: SIM905 - reads as the contract is written


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue", "red")), FlightSettings())


def lane_world(width=7.0, **options):
    """A lane that runs east through a wood 200 m square, with room at both ends."""
    world = leg_worlds.bare(200.0, **options)
    x, y = leg_worlds.centres(world)
    free = (np.abs(y - 100) < width / 2) | (np.minimum(x, 200 - x) < 45) & (np.abs(y - 100) < 12)
    return leg_worlds.planted(world, ~free, 0.4)


@pytest.fixture(scope="module")
def lane(flights):
    return score_legs(lane_world(), flights, LegsSettings(throws=200))


def documented(layer, frame):
    """The frame in the shape that is written out, without the cells and arc of each throw."""
    return schema.conform(layer, frame.drop(columns=list(LINE), errors="ignore"))


def drawn(*corners):
    """Line through corners in metres from the south-west."""
    return shapely.LineString([(leg_worlds.LEFT + x, leg_worlds.BOTTOM + y) for x, y in corners])


def coordinates(sites, key, legs):
    by_id = sites.set_index("site_id").geometry
    return by_id.loc[legs[key]].get_coordinates().to_numpy()


def test_columns_are_the_contract_in_order_and_fit_the_schema(lane):
    columns = list(lane.legs.columns.drop("geometry"))
    assert columns[: len(CONTRACT)] == CONTRACT
    for layer, frame in (
        ("legs", lane.legs), ("tee_sites", lane.tee_sites), ("basket_sites", lane.basket_sites)
    ):  # fmt: skip
        assert len(documented(layer, frame)) == len(frame)


@pytest.mark.parametrize("block", [1, 50])
def test_lines_that_are_looked_at_in_blocks_give_the_same_legs(lane, flights, monkeypatch, block):
    """One square of tees in each, or a few; without that all lie in one."""
    sizes = []
    looked_at = choose._standing

    def noted(thrower, player, sites, found, rows):
        sizes.append(len(rows))
        return looked_at(thrower, player, sites, found, rows)

    monkeypatch.setattr(choose, "_standing", noted)
    monkeypatch.setattr(choose, "BLOCK", block)
    again = score_legs(lane_world(), flights, LegsSettings(throws=200)).legs
    assert len(sizes) > 2 * len(flights.levels)
    assert_frame_equal(again, lane.legs)


def test_legs_run_along_the_lane_and_are_long_enough(lane, flights):
    legs = lane.legs
    assert len(legs) > 20
    best = legs.head(10)
    tee = coordinates(lane.tee_sites, "tee_id", best)
    end = coordinates(lane.basket_sites, "end_id", best)
    assert (np.abs(tee[:, 1] - end[:, 1]) < 12).all()
    np.testing.assert_allclose(np.hypot(*(end - tee).T), best["length_m"])
    np.testing.assert_allclose(legs["length_ft"], legs["length_m"] / 0.3048)
    for level in (f.level for f in flights.levels):
        mine = legs[legs["level"] == level.name]
        assert mine["length_m"].between(level.par3_from, level.tee_throw).all()
    assert best["lane_kind"].isin(["lane", "open"]).all()
    assert (legs["clear_rate"] >= 0.05).all()


def test_rates_lie_in_their_band(lane):
    legs = lane.legs
    assert (legs["clear_rate_low"] <= legs["clear_rate"]).all()
    assert (legs["clear_rate"] <= legs["clear_rate_high"]).all()
    assert (legs["clear_rate_leaf_on"] <= legs["clear_rate"]).all()
    # independent throws that touch or not would err as a binomial; even ones and chances err less
    p = legs["clear_rate"]
    least = 0.25 / 200
    assert (legs["clear_rate_se"] >= least).all()
    assert (legs["clear_rate_se"] <= np.maximum(np.sqrt(p * (1 - p) / 200), least)).all()


def test_near_duplicates_give_way_to_the_best(lane):
    for (_, finish), legs in lane.legs.groupby(["level", "finish"]):
        tee = coordinates(lane.tee_sites, "tee_id", legs)
        end = coordinates(lane.basket_sites, "end_id", legs)
        gap = [np.hypot(*(p[:, None] - p).transpose(2, 0, 1)) for p in (tee, end)]
        near = (gap[0] <= 7) & (gap[1] <= 7)
        assert near.sum() == len(legs), finish


def test_geometry_follows_the_flight_from_release_to_end(lane, flights):
    legs = lane.legs
    tee = coordinates(lane.tee_sites, "tee_id", legs)
    end = coordinates(lane.basket_sites, "end_id", legs)
    xyz = shapely.get_coordinates(legs.geometry, include_z=True).reshape(len(legs), -1, 3)
    np.testing.assert_allclose(xyz[:, 0, :2], tee, atol=1e-6)
    np.testing.assert_allclose(xyz[:, -1, :2], end, atol=1e-6)
    np.testing.assert_allclose(xyz[:, 0, 2], 200 + flights.levels[0].release)
    np.testing.assert_allclose(xyz[:, -1, 2], 200 + flights.levels[0].end)
    np.testing.assert_allclose(xyz[..., 2].max(1) - 200, legs["apex_m"])
    # the side a disc comes in from: a left finish comes from the right of the chord
    along = end - tee
    off = xyz[:, :, :2] - tee[:, None]
    left = (along[:, None, 0] * off[..., 1] - along[:, None, 1] * off[..., 0]).mean(1)
    for finish, sign in (("left", -1), ("right", 1)):
        mine = (legs["finish"] == finish).to_numpy()
        assert mine.any()
        assert (np.sign(left[mine]) == sign).all()


def test_no_leg_crosses_a_keep_out_or_leaves_the_property(flights):
    world = leg_worlds.bare(160.0)
    yard = leg_worlds.box(60, 60, 90, 75)
    # a bay of other land from the east: chords between the arms would cross it
    land = leg_worlds.box(0, 0, 160, 160).difference(leg_worlds.box(110, 70, 160, 95))
    world = replace(world, land=land, keep_out=yard)
    settings = LegsSettings(throws=50, sites=SitesSettings(boundary_setback=6.0), keep=800)
    legs = score_legs(world, flights, settings).legs
    assert 300 < len(legs) <= 800
    assert (legs["unsafe_share"] <= 0.05).all()
    swept = shapely.buffer(shapely.force_2d(legs.geometry.to_numpy()), 0.25, quad_segs=2)
    assert not shapely.intersects(swept, yard).any()
    assert shapely.distance(legs.geometry.to_numpy(), land.exterior).min() > 5.5
    assert shapely.within(swept, land).all()


def test_same_result_for_one_thread_and_two(lane, flights):
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        again = score_legs(lane_world(), flights, LegsSettings(throws=200))
    finally:
        numba.set_num_threads(before)
    assert again.legs.to_wkt().equals(lane.legs.to_wkt())
    assert again.facts == lane.facts


def test_a_wider_lane_is_clearer_and_has_a_wider_pinch(flights):
    line = drawn((60.25, 99.75), (135.25, 99.75))
    rates, pinches = [], []
    for width in (3.0, 5.0, 8.0, 12.0):
        legs = score_own(lane_world(width), flights, LegsSettings(throws=2000), [("a", line)]).legs
        blue = legs[legs["level"] == "blue"].iloc[0]
        rates.append(blue["clear_rate"])
        pinches.append(blue["pinch_width_m"])
    assert (np.diff(rates) > 0.05).all()
    np.testing.assert_allclose(pinches, [3.0, 5.0, 8.0, 12.0], atol=0.75)


def test_pinch_is_found_where_it_is(flights):
    world = leg_worlds.bare(200.0)
    x, y = leg_worlds.centres(world)
    half = np.where(np.abs(x - 90) < 3, 2.0, 5.0)
    world = leg_worlds.planted(world, np.abs(y - 100) > half, 0.4)
    line = drawn((50.25, 99.75), (120.25, 99.75))
    leg = score_own(world, flights, LegsSettings(), [("a", line)]).legs.iloc[0]
    assert leg["pinch_width_m"] == pytest.approx(4.0, abs=0.75)
    assert leg["pinch_at_m"] == pytest.approx(40.0, abs=5)


def test_slopes_climb_and_effective_length(flights):
    """3:1 rule of PDGA course material: 60 m with 3 m of climb count 69 m."""
    world = leg_worlds.bare(200.0, slope=(0.05, 0.02))
    line = drawn((60.25, 100.25), (120.25, 100.25))
    legs = score_own(world, flights, LegsSettings(), [("a", line)]).legs
    for _, leg in legs.iterrows():
        assert leg["rise_m"] == pytest.approx(3.0, abs=1e-3)
        assert leg["effective_length_m"] == pytest.approx(69.0, abs=0.01)
        assert leg["grade_pct"] == pytest.approx(5.0, abs=0.01)
        assert leg["side_slope_pct"] == pytest.approx(2.0, abs=0.05)
        assert leg["tee_slope_pct"] == pytest.approx(100 * np.hypot(0.05, 0.02), abs=0.01)
    back = score_own(world, flights, LegsSettings(), [("a", line.reverse())]).legs.iloc[0]
    assert back["effective_length_m"] == pytest.approx(51.0, abs=0.01)
    assert back["score_grade"] >= legs["score_grade"].iloc[0]


def test_water_and_wet_ground_under_a_leg(flights):
    world = leg_worlds.bare(200.0)
    x, _ = leg_worlds.centres(world)
    world = replace(world, water=(x > 70) & (x < 90), wet=(x > 100) & (x < 112))
    line = drawn((60.25, 100.25), (120.25, 100.25))
    leg = score_own(world, flights, LegsSettings(), [("a", line)]).legs.iloc[0]
    assert leg["carry_water_m"] == pytest.approx(20.0, abs=1.0)
    assert leg["wet_share"] == pytest.approx(0.2, abs=0.02)
    assert leg["score_drainage"] == pytest.approx(0.8, abs=0.03)


def test_ground_that_is_only_possibly_wet_counts_for_a_part(flights):
    world = leg_worlds.bare(200.0)
    x, _ = leg_worlds.centres(world)
    world = replace(world, maybe_wet=(x > 100) & (x < 112))
    line = drawn((60.25, 100.25), (120.25, 100.25))
    for counts in (0.3, 1.0):
        settings = LegsSettings(score={"maybe_wet": counts})
        leg = score_own(world, flights, settings, [("a", line)]).legs.iloc[0]
        assert leg["wet_share"] == pytest.approx(counts * 0.2, abs=0.02)


def test_roof_makes_a_lane_a_tunnel(flights):
    world = lane_world(8.0)
    roofed = replace(world, canopy_height=np.full(world.grid.shape, 14.0, np.float32))
    line = drawn((60.25, 99.75), (135.25, 99.75))
    legs = [score_own(w, flights, LegsSettings(), [("a", line)]).legs for w in (world, roofed)]
    assert legs[0]["lane_kind"].eq("lane").all()
    assert legs[0]["roof_share"].max() < 0.2
    assert legs[1]["lane_kind"].eq("tunnel").all()
    assert legs[1]["roof_share"].min() == 1.0


def test_own_lines_are_kept_whatever_they_are_and_faults_are_reported(flights):
    world = replace(leg_worlds.bare(300.0), keep_out=leg_worlds.box(140, 100, 150, 200))
    long = drawn((20, 150), (280, 150))
    bent = drawn((20, 40), (100, 41), (120, 110))
    settings = LegsSettings(throws=50, keep=100, cover=CoverSettings(others=1.0))
    got = score_legs(world, flights, settings, own=[("long", long), ("bent", bent)])
    own = got.legs[got.legs["origin"] == "own"]
    assert len(own) == 2 * 3
    assert own["length_m"].max() == pytest.approx(260, abs=0.8)
    assert 80 < len(got.legs) - len(own) <= 100
    said = [w for w in got.warnings if "long" in w]
    asked = "asks for a throw that is beyond blue", "of the throws at it end off", "crosses a keep"
    assert all(words in w for words, w in zip(asked, said, strict=True))
    assert sorted(set(own["own_hole"])) == ["bent", "long"]
    assert (got.legs.loc[got.legs["origin"] == "search", "own_hole"] == "").all()
    for key, sites in (("tee_id", got.tee_sites), ("end_id", got.basket_sites)):
        assert sites["site_id"].is_unique
        assert own[key].isin(sites["site_id"]).all()
        assert sites["legs"].sum() == len(got.legs)
    far = shapely.LineString([(0, 0), (100, 0)])
    with pytest.raises(InputError, match="far leaves"):
        score_own(world, flights, settings, [("far", far)])


def test_land_without_room_gives_an_empty_table_that_can_be_written(flights):
    world = leg_worlds.bare(60.0)
    world = leg_worlds.planted(world, np.ones(world.grid.shape, bool), 2.0)
    got = score_legs(world, flights, LegsSettings())
    assert len(got.legs) == len(got.tee_sites) == 0
    for layer, frame in (("legs", got.legs), ("tee_sites", got.tee_sites)):
        assert len(documented(layer, frame)) == 0


def test_without_lidar_slopes_and_water_are_scored_and_no_clear_rate_is_given(flights):
    world = leg_worlds.bare(150.0, slope=(0.03, 0.0))
    nothing = np.zeros(world.grid.shape, np.uint64)
    world = replace(world, searched=nothing, surveyed=False)
    mine = (("mine", drawn((40, 40), (110, 40)).wkt),)
    settings = LegsSettings(throws=50, keep=50, cover=CoverSettings(others=1.0))
    got = find_legs(world, flights, settings, mine)
    legs = documented("legs", got.legs)
    assert 35 < len(legs) <= 50 + 2
    assert (
        legs[["clear_rate", "clear_rate_se", "clear_rate_low", "pinch_width_m"]]
        .isna()
        .all(axis=None)
    )
    assert (legs["seen_share"] == 0).all()
    assert legs["score"].notna().all()
    assert legs["lane_kind"].isna().all()
    own = find_legs(world, flights, settings, mine, only_own=True)
    assert (own.legs["origin"] == "own").all()


def test_no_legs_says_why(flights):
    narrow = LegsSettings(sites=SitesSettings(boundary_setback=500.0))
    said = score_legs(lane_world(), flights, narrow).warnings
    assert said == (
        "no legs: nowhere fits a tee; most squares are refused for this: near the property line",
    )
    bare = leg_worlds.bare(200.0)
    wall = leg_worlds.planted(bare, np.ones(bare.grid.shape, bool), 5.0)
    assert score_legs(wall, flights, LegsSettings()).warnings[0].startswith("no legs: nowhere fits")
