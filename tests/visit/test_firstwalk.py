"""The first walk against every order of few places, and on land with a lake in the way."""

import itertools

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lanewright.base.grid import Grid
from lanewright.layout.walks import Wetness, footing
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.visit import FieldSettings
from lanewright.visit.firstwalk import (
    Place,
    Start,
    chosen,
    first_walks,
    places_of,
    start_of,
    summary,
)
from lanewright.visit.outing import Spot

UTM = "EPSG:32617"
SIDE = 400.0
LAND = shapely.box(0, 0, SIDE, SIDE)


def on_foot(water=None):
    grid = Grid(UTM, 0.0, SIDE, 4.0, 100, 100)
    none = np.zeros(grid.shape, bool)
    return footing(
        grid, np.zeros(grid.shape, np.float32), LAND, shapely.Polygon(),
        Wetness(none if water is None else water, none, none), LayoutSettings().walk,
    )  # fmt: skip


def place(x, y, worth=0.5, minutes=5.0, stop="F1"):
    return Place(stop, "a thing", (x, y), worth, minutes)


def best_worth(minutes, places, most):
    """Most worth that any order of any places brings within a time: all are tried."""
    best = 0.0
    numbers = range(1, len(places) + 1)
    for count in range(len(places) + 1):
        for order in itertools.permutations(numbers, count):
            stops = [0, *order, 0]
            time = sum(minutes[a, b] for a, b in itertools.pairwise(stops)) if order else 0
            time += sum(places[k - 1].minutes for k in order)
            if time <= most:
                best = max(best, sum(places[k - 1].worth for k in order))
    return best


@pytest.mark.parametrize("seed", range(8))
def test_a_walk_brings_most_of_what_the_best_of_all_orders_would(seed):
    rng = np.random.default_rng(seed)
    spots = rng.uniform(0, 500, (7, 2))
    minutes = np.hypot(*(spots[:, None] - spots).transpose(2, 0, 1)) / 50
    places = [place(*xy, worth=w) for xy, w in zip(spots[1:], rng.uniform(0.1, 1, 6), strict=True)]
    for most in (20.0, 45.0, 70.0):
        order = chosen(minutes, places, most)
        assert len(set(order)) == len(order)
        time = sum(minutes[a, b] for a, b in itertools.pairwise([0, *order, 0])) if order else 0
        assert time + sum(places[k - 1].minutes for k in order) <= most
        worth = sum(places[k - 1].worth for k in order)
        assert worth >= 0.8 * best_worth(minutes, places, most)


def test_a_longer_visit_sees_all_and_comes_back():
    places = [place(100, 100, stop="F1"), place(300, 100, stop="F2"), place(200, 300, stop="Q1")]
    walk = first_walks(
        places, Start((10.0, 10.0), "here"), on_foot(), FieldSettings(short_visit=18.0)
    )
    assert set(walk["visit"]) == {"short", "day"}
    for visit in ("day",):
        mine = walk[walk["visit"] == visit]
        assert set(mine["stop"]) == {"F1", "F2", "Q1", "START"}
        assert mine["stop"].iloc[-1] == "START"
        lines = list(mine.geometry)
        assert lines[0].coords[0][:2] == (10.0, 10.0) == lines[-1].coords[-1][:2]
        assert all(a.coords[-1] == b.coords[0] for a, b in itertools.pairwise(lines))
        # Level ground off paths: 3.02 km/h by Tobler's function (Tobler 1993).
        total = mine["length_m"].sum()
        assert mine["walk_min"].sum() == pytest.approx(total / (3020 / 60), rel=0.05)
        clock = mine["at_min"].to_numpy()
        assert clock[-1] == pytest.approx((mine["walk_min"] + mine["look_min"]).sum())


def test_one_walk_is_enough_where_the_short_visit_sees_all():
    places = [place(100, 100, stop="F1"), place(300, 100, stop="F2")]
    walk = first_walks(places, Start((10.0, 10.0), "here"), on_foot(), FieldSettings())
    assert set(walk["visit"]) == {"short"}
    assert set(walk["stop"]) == {"F1", "F2", "START"}


def test_a_short_visit_leaves_out_what_is_far_and_worth_little():
    places = [place(50, 50, 0.9, stop="F1"), place(390, 390, 0.1, stop="F2")]
    settings = FieldSettings(short_visit=15.0)
    walk = first_walks(places, Start((10.0, 10.0), "here"), on_foot(), settings)
    short = walk[walk["visit"] == "short"]
    assert set(short["stop"]) == {"F1", "START"}
    assert (short["walk_min"] + short["look_min"]).sum() <= 15.0
    assert set(walk[walk["visit"] == "day"]["stop"]) == {"F1", "F2", "START"}


def test_what_is_seen_at_the_start_takes_its_time_too():
    far = [place(390, 390, 0.1, stop="F2"), place(60, 10, 0.9, stop="F3")]
    start = Start((10.0, 10.0), "here")
    alone = first_walks(far, start, on_foot(), FieldSettings(short_visit=60.0))
    both = first_walks([place(12, 10, stop="F1"), *far], start, on_foot(),
                       FieldSettings(short_visit=60.0))  # fmt: skip
    sums = [w[w["visit"] == "short"][["walk_min", "look_min"]].sum().sum() for w in (alone, both)]
    one = place(12, 10).minutes
    assert max(sums) <= 60.0
    assert "and there: F1" in both["what"].iloc[-1]
    assert both["look_min"].iloc[-1] == one
    assert set(both["stop"]) == {"F2", "F3", "START"}
    assert sums[1] == pytest.approx(sums[0] + one)
    # What is left of the visit is too short for the far one.
    less = first_walks([place(12, 10, stop="F1"), *far], start, on_foot(),
                       FieldSettings(short_visit=sums[1] - 0.5))  # fmt: skip
    assert set(less[less["visit"] == "short"]["stop"]) == {"F3", "START"}
    assert summary(less, "short").startswith("1 stop, ")
    assert summary(both, "short").startswith("2 stops, ")


def test_ways_lead_round_a_lake_and_none_to_an_island():
    grid = on_foot().grid
    x, y = grid.xy(*np.mgrid[: grid.rows, : grid.cols])
    away = np.hypot(x - 200, y - 200)
    lake = (away < 120) & (away > 40)
    land = on_foot(lake)
    places = [place(200, 200, stop="F1"), place(390, 200, stop="F2")]
    walk = first_walks(places, Start((10.0, 200.0), "here"), land, FieldSettings())
    assert set(walk["stop"]) == {"F2", "START"}  # the island cannot be walked to
    water = shapely.Point(200, 200).buffer(116)
    assert not walk.geometry.force_2d().intersects(water.buffer(-8)).any()


def features(*lines):
    rows = len(lines)
    return gpd.GeoDataFrame(
        {"feature_id": np.arange(1, rows + 1), "name": [f"thing {i}" for i in range(rows)],
         "shown": [True] * rows, "rank_value": np.linspace(0.9, 0.5, rows)},
        geometry=list(lines), crs=UTM,
    )  # fmt: skip


def checks(*rows):
    kinds, points = zip(*rows, strict=True)
    return gpd.GeoDataFrame(
        {"check_id": np.arange(1, len(rows) + 1), "kind": kinds, "place": "Hole 1"},
        geometry=[shapely.Point(*p) for p in points], crs=UTM,
    )  # fmt: skip


def test_a_walk_begins_at_the_arrival_else_by_a_path_else_nearest_the_first_feature():
    found = features(shapely.LineString([(350, 200), (300, 200)]))
    path = shapely.LineString([(200, -50), (200, 20)])
    none = shapely.LineString()
    assert start_of(Spot(5, 6, 0), LAND, path, found).xy == (5, 6)
    by_path = start_of(None, LAND, path, found)
    assert by_path.xy == (200, 0)
    assert "no arrival is given" in by_path.said
    assert "path" in by_path.said
    by_feature = start_of(None, LAND, none, found)
    assert by_feature.xy == (400, 200)
    assert "first feature" in by_feature.said
    assert start_of(None, LAND, none, found.iloc[:0]) is None


def test_checks_at_a_feature_are_one_stop_with_it():
    found = features(shapely.LineString([(100, 100), (150, 100)]))
    asked = checks(("wire", (101, 101)), ("gap", (300, 300)))
    places = places_of(found, asked, FieldSettings(feature_minutes=5, check_minutes=3))
    assert [p.stop for p in places] == ["F1 Q1", "Q2"]
    assert places[0].minutes == 8
    assert places[0].worth > 0.9


def test_no_start_or_nothing_to_see_gives_no_walk():
    empty = first_walks([], Start((0.0, 0.0), ""), on_foot(), FieldSettings())
    assert len(empty) == 0
    assert len(first_walks([place(9, 9)], None, on_foot(), FieldSettings())) == 0
    assert {"visit", "stop", "at_min"} <= set(empty.columns)
