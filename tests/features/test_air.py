"""What is said of the air over a feature: free only where lidar searched and nothing stands."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

import feature_worlds as fw
from feature_worlds import bump, centres, disc, line, of_kind, wood_with
from lanewright.features.found import _air, air_along
from lanewright.features.joined import fairways_of
from lanewright.settings.features import FeaturesSettings

HIGH, FALL = 12.0, 30.0


def scarp():
    """Two plains, one 12 m over the other, and a bank 30 m wide between them."""
    return fw.shaped(lambda x, y: HIGH * np.clip((x - 135) / FALL, 0, 1))


def unseen(world, where):
    searched = np.where(where, np.uint64(0), world.searched)
    return replace(world, searched=searched)


def shares(world, way):
    """Shares free, shut and unknown, the flight straight and level."""
    air = _air(world, way, 1.5, 0.0) if world.surveyed else air_along(world, way)
    return pytest.approx([air.free, air.shut, air.unknown], abs=0.02)


ACROSS = line((100.5, 150), (200.5, 150))


def test_a_flight_is_free_shut_and_unknown_in_its_parts():
    world = fw.level_land()
    x, _ = centres(world)
    assert shares(world, ACROSS) == [1, 0, 0]
    world = fw.wooded((x > 120) & (x < 150), world)
    assert shares(world, ACROSS) == [0.7, 0.3, 0]
    world = unseen(world, (x > 180) & (x < 200))
    assert shares(world, ACROSS) == [0.5, 0.3, 0.2]


def test_ground_in_the_way_shuts_a_flight_and_unknown_ground_leaves_it_unknown():
    # A ridge 8 m high whose upper part, over 1.5 m, is 36.6 m wide: sigma 10 and sqrt(2 ln(8/1.5)).
    world = fw.shaped(lambda x, y: 8 * np.exp(-((x - 150) ** 2) / 200))
    assert shares(world, ACROSS) == [0.634, 0.366, 0]
    x, _ = centres(world)
    ground = np.where((x > 140) & (x < 160), np.nan, world.ground).astype(np.float32)
    assert air_along(replace(world, ground=ground), ACROSS).unknown == pytest.approx(0.2, abs=0.02)
    # A throw arcs over the ridge, 100 / 15 m higher in its middle.
    assert air_along(world, ACROSS).free == pytest.approx(1.0, abs=0.02)
    nowhere = replace(world, ground=np.full_like(world.ground, np.nan))
    assert shares(nowhere, ACROSS) == [0, 0, 1]


def test_above_the_columns_air_is_free_only_where_there_is_lidar():
    deep = fw.shaped(lambda x, y: np.where((x > 110) & (x < 190), 0.0, 40.0))
    searched = replace(deep, searched=np.zeros_like(deep.searched))
    assert shares(searched, ACROSS) == [0.8, 0, 0.2]
    assert shares(replace(searched, surveyed=False), ACROSS) == [0, 0, 1]


def test_levels_play_a_drop_only_where_two_thirds_of_the_flight_are_known_to_be_free():
    def drops(world):
        return of_kind(fw.found_in(world), "drop")

    world = scarp()
    x, _ = centres(world)
    assert drops(world)["levels"].notna().all()
    shut = drops(fw.wooded((x > 138) & (x < 200), world))
    assert len(shut)
    assert shut[shut["open_share"] < 2 / 3]["levels"].isna().all()
    assert (shut["open_share"] < 2 / 3).any()
    assert shut["reason"].str.contains("flight is shut").any()
    blind = drops(unseen(world, (x > 120) & (x < 200)))
    few = blind[blind["open_share"] < 2 / 3]
    assert len(few)
    assert few["levels"].isna().all()
    assert few["reason"].str.contains("not seen by lidar").all()


def test_without_lidar_nothing_is_said_of_the_air():
    bare = replace(
        scarp(),
        surveyed=False,
        searched=np.zeros_like(scarp().searched),
        canopy_height=np.full(scarp().grid.shape, np.nan, np.float32),
    )
    found = fw.found_in(bare).features
    drops = found[found["kind"] == "drop"]
    assert len(drops)
    assert drops["open_share"].isna().all()
    assert (drops["seen_share"] == 0).all()
    assert drops["levels"].isna().all()
    assert not drops["reason"].str.contains("shut").any()


def test_nothing_is_seen_over_land_where_lidar_saw_nothing():
    world = fw.level_land()
    _, y = centres(world)
    hidden = (y > 140) & (y < 160)
    views = of_kind(fw.found_in(unseen(world, hidden)), "view")
    assert len(views)
    strip = line((0, 150), (300, 150))
    assert not views.geometry.intersects(strip).any()
    canopy = np.where(hidden, np.nan, world.canopy_height).astype(np.float32)
    views = of_kind(fw.found_in(replace(world, canopy_height=canopy)), "view")
    assert not views.geometry.intersects(strip).any()
    house = replace(world, buildings=strip.buffer(6))
    assert not of_kind(fw.found_in(house), "view").geometry.intersects(strip).any()
    # Water gives back no pulse, and is seen over all the same.
    lake = fw.flooded(hidden, unseen(world, hidden))
    lake = replace(lake, canopy_height=canopy)
    assert of_kind(fw.found_in(lake), "view").geometry.intersects(strip).any()


def test_the_fall_of_a_fairway_over_unknown_ground_is_unknown():
    world, _ = wood_with([([(60, 100), (180, 160)], 8.0)])
    known = of_kind(fw.found_in(world), "fairway")
    assert known["drop_m"].tolist() == [0.0]
    at = disc(world, 60, 100, 25)
    ground = np.where(at, np.nan, world.ground).astype(np.float32)
    assert of_kind(fw.found_in(replace(world, ground=ground)), "fairway")["drop_m"].isna().all()


@pytest.mark.parametrize("turned", [False, True])
def test_the_pinch_of_a_joined_fairway_lies_where_it_is_narrowest(turned):
    """Two stretches of a half circle of 60 m radius, 8 m apart; the second is narrowest at 30 m."""
    angle = np.linspace(0, np.pi / 2, 60)
    one, two = np.split(60 * np.column_stack([np.sin(angle), 1 - np.cos(angle)]), [28])
    lines = [shapely.LineString(part) for part in (one, two[4:])]
    pinches = [(7.0, 10.0), (4.0, 30.0)]
    narrowest = lines[1].interpolate(30.0)
    if turned:
        lines[1] = shapely.reverse(lines[1])
        pinches[1] = (4.0, lines[1].length - 30.0)
    pieces = gpd.GeoDataFrame(
        [
            {"kind": "lane", "length_m": shape.length, "width_m": 8.0, "pinch_width_m": width,
             "pinch_at_m": at, "roof_share": 0.0, "roof_m": None, "unknown_share": 0.0}
            for shape, (width, at) in zip(lines, pinches, strict=True)
        ],
        geometry=lines,
    )  # fmt: skip
    (way,) = fairways_of(pieces, FeaturesSettings())
    assert way.row["pinch_width_m"] == 4.0
    assert way.line.interpolate(way.row["pinch_at_m"]).distance(narrowest) < 1.0


def test_a_knoll_says_from_how_many_sides_and_how_far_the_ground_falls():
    def knoll(heights):
        (row,) = of_kind(fw.found_in(fw.shaped(heights)), "knoll_tee").to_dict("records")
        return row

    whole = knoll(bump(150, 160, 5.0, 12.0))
    assert "on all sides" in whole["reason"]
    assert whole["height_m"] == pytest.approx(5.0, abs=0.4)

    def with_spur(x, y):
        """The same bell, and a spur as high as its top that leads off to the east."""
        spur = 5.0 * np.exp(-((y - 160) ** 2) / (2 * 2.0**2)) * (x > 150)
        return np.maximum(bump(150, 160, 5.0, 12.0)(x, y), spur)

    spurred = knoll(with_spur)
    assert "on 15 of 16 sides" in spurred["reason"]
    assert spurred["height_m"] > FeaturesSettings().knoll_rise


def test_a_wall_that_lidar_did_not_see_makes_a_gap_doubtful():
    world = fw.level_land()
    x, y = centres(world)
    hedge = (np.abs(x - 150) < 3) & (np.abs(y - 120) > 3.5)
    (sure,) = of_kind(fw.found_in(fw.wooded(hedge, world)), "gap").to_dict("records")
    (doubtful,) = of_kind(
        fw.found_in(fw.wooded(hedge, world), dark=hedge & (y < 120)), "gap"
    ).to_dict("records")
    assert sure["certainty"] > 0.9
    assert doubtful["certainty"] < 0.6 * sure["certainty"]
    assert "wall beside it was not seen" in doubtful["reason"]
    assert doubtful["width_m"] == pytest.approx(sure["width_m"], abs=0.5)
