"""What stands beside the numbers: lines, seasons by region, work near roads and the boundary."""

from dataclasses import replace
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lanewright.base.grid import Grid
from lanewright.base.schema import conform
from lanewright.settings.trim import TrimSettings
from lanewright.trim import treework
from lanewright.trim.tables import Trim, no_trim
from lanewright.visit.cautions import WIRE_REACH, list_cautions

CRS = "EPSG:32616"
GRID = Grid.over((500_000.0, 4_400_000.0, 500_200.0, 4_400_200.0), 1.0, CRS)
LAND = shapely.MultiPolygon([shapely.box(500_010, 4_400_010, 500_190, 4_400_190)])


def survey(**more):
    inside = np.zeros(GRID.shape, bool)
    inside[10:190, 10:190] = True
    given = {
        "grid": GRID, "land": LAND, "inside": inside, "wires": np.empty((0, 3)),
        "keep_out": shapely.MultiPolygon(),
    }  # fmt: skip
    return SimpleNamespace(**(given | more))


def terrain(**more):
    flat = {
        "slope_pct": np.zeros(GRID.shape, np.float32),
        "water": np.zeros(GRID.shape, bool),
        "wet": np.zeros(GRID.shape, bool),
        "maybe_wet": np.zeros(GRID.shape, bool),
    }
    return SimpleNamespace(**(flat | more))


def wires(*rows):
    return gpd.GeoDataFrame(
        {"source": [r[0] for r in rows], "returns": [50] * len(rows), "height_m": [7.0] * len(rows),
         "length_m": [r[1].length for r in rows]},
        geometry=[shapely.MultiLineString([r[1]]) for r in rows], crs=CRS,
    )  # fmt: skip


def trimmed(*pieces) -> Trim:
    """Trim with chosen pieces, each (action, x, y, high)."""
    empty = no_trim(GRID)
    work = gpd.GeoDataFrame(
        {"chosen": [True] * len(pieces), "action": [p[0] for p in pieces],
         "high_m": [float(p[3]) for p in pieces]},
        geometry=[shapely.MultiPolygon([shapely.Point(p[1], p[2]).buffer(1.0)]) for p in pieces],
        crs=CRS,
    )  # fmt: skip
    return replace(empty, work=work, per_leg=pd.DataFrame())


INNER = ("take limbs", 500_100, 4_400_100, 4.0)


def named(frame, name):
    return frame[frame["caution"] == name]


def test_a_row_of_returns_is_only_a_possible_line_and_keeps_its_distance():
    line = shapely.LineString([(500_020, 4_400_100), (500_180, 4_400_100)])
    frame = list_cautions(
        survey(), terrain(), None, trimmed(INNER), TrimSettings(),
        wires(("row of returns", line)),
    )  # fmt: skip
    (row,) = named(frame, "possible power line").to_dict("records")
    assert "utility" in row["why"]
    assert row["geometry"].area == pytest.approx(
        line.buffer(treework.WIRE_CAUTION).intersection(LAND).area
    )
    assert WIRE_REACH == treework.WIRE_CAUTION > 10 * 0.3048  # 29 CFR 1910.269


def test_vendor_wires_are_listed_with_and_without_trim_work():
    points = np.array([[500_050.0, 4_400_050.0, 210.0], [500_060.0, 4_400_050.0, 210.0]])
    alone = list_cautions(survey(wires=points), terrain())
    assert len(named(alone, "power line")) == 1
    line = shapely.LineString(points[:, :2])
    both = list_cautions(
        survey(wires=points), terrain(), None,
        trimmed(INNER), TrimSettings(), wires(("class 13 or 14", line)),
    )  # fmt: skip
    assert len(named(both, "power line")) == 1
    conform("cautions", both)


@pytest.mark.parametrize(
    ("region", "oak", "bats"),
    [("michigan", "15 April to 15 July", "No dates"), ("illinois", "No dates", "1 April to 30"),
     ("texas", "1 February to 30 June", "No dates"), (None, "No region", "No region")],
)  # fmt: skip
def test_seasons_are_the_regions_or_none(region, oak, bats):
    frame = list_cautions(survey(), terrain(), None, trimmed(INNER), TrimSettings(region=region))
    assert oak in named(frame, "oak disease season")["why"].iloc[0]
    assert bats in named(frame, "bat season")["why"].iloc[0]
    birds = named(frame, "nesting season")["why"].iloc[0]
    assert ("April" in birds) == (region is not None)


def test_no_trim_work_no_words_about_crews():
    frame = list_cautions(survey(), terrain(), None, trimmed(), TrimSettings())
    assert not frame["caution"].str.contains("crew|season").any()


def test_work_near_road_and_boundary_reaches_as_far_as_a_tree_falls():
    road = shapely.MultiPolygon([shapely.box(500_060, 4_400_010, 500_066, 4_400_190)])
    limbs = ("take limbs", 500_082, 4_400_100, 4.0)
    tree = ("fell tree", 500_082, 4_400_120, 18.0)
    edge = ("cut brush", 500_187, 4_400_100, 2.0)
    frame = list_cautions(
        survey(keep_out=road), terrain(), None, trimmed(limbs, tree, edge), TrimSettings()
    )
    (row,) = named(frame, "work near roads and yards").to_dict("records")
    assert row["why"].startswith("1 pieces")
    assert row["geometry"].contains(shapely.Point(500_082, 4_400_120))
    assert not row["geometry"].intersects(shapely.Point(500_082, 4_400_100))
    (row,) = named(frame, "work near the boundary").to_dict("records")
    assert row["geometry"].contains(shapely.Point(500_187, 4_400_100))


def test_work_near_a_building_reaches_as_far_as_a_tree_falls():
    """10 m from the wall for limbs; a tree 18 m high from 18 m farther off."""
    house = shapely.box(500_060, 4_400_060, 500_072, 4_400_072)
    pieces = [
        (("take limbs", 500_080, 4_400_066, 4.0), True),  # 7 m from the wall
        (("take limbs", 500_086, 4_400_066, 4.0), False),  # 13 m
        (("fell tree", 500_066, 4_400_092, 18.0), True),  # 19 m
        (("fell tree", 500_066, 4_400_104, 18.0), False),  # 31 m
    ]
    frame = list_cautions(
        survey(), terrain(), house, trimmed(*(piece for piece, _ in pieces)), TrimSettings()
    )
    (row,) = named(frame, "work near buildings").to_dict("records")
    for (_, x, y, _), near in pieces:
        assert row["geometry"].intersects(shapely.Point(x, y)) == near
    alone = list_cautions(survey(), terrain(), None, trimmed(pieces[0][0]), TrimSettings())
    assert named(alone, "work near buildings").empty


def test_steep_wet_and_shore_have_their_places():
    slope = np.zeros(GRID.shape, np.float32)
    slope[20:60, 20:60] = 30
    wet, water = np.zeros(GRID.shape, bool), np.zeros(GRID.shape, bool)
    wet[100:140, 20:60] = True
    water[100:140, 120:160] = True
    frame = list_cautions(
        survey(), terrain(slope_pct=slope, wet=wet, water=water), None, trimmed(INNER),
        TrimSettings(),
    )  # fmt: skip
    for name, area in (("steep ground for a crew", 1600), ("soft ground for a crew", 1600)):
        assert named(frame, name).geometry.iloc[0].area == pytest.approx(area, rel=0.1)
    strip = named(frame, "buffer along water").geometry.iloc[0]
    pond = shapely.box(500_120, 4_400_060, 500_160, 4_400_100)
    expected = pond.buffer(15.0).difference(pond).area
    assert strip.area == pytest.approx(expected, rel=0.1)
    conform("cautions", frame)
