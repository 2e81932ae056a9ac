"""Streams, ponds and lines of fire planted under a round, up to what page and sheet say."""

import html
import re
from dataclasses import replace

import geopandas as gpd
import pytest
import shapely

from lanewright.publish.budget import needs_of
from lanewright.publish.crossings import fire_words, met_words, over_water
from lanewright.publish.phases import phases
from lanewright.publish.report.page import build_report
from lanewright.publish.uses import uses_of
from lanewright.settings.costs import costs_of
from publish import findings
from publish.frames import UTM, frame


def crossing(found, wide: float) -> shapely.Polygon:
    """Water across the first hole of proposal 1, so wide along its line."""
    layout = found.layers["layout_holes"]
    line = shapely.force_2d(
        layout[(layout["proposal"] == 1) & (layout["play_order"] == 1)].geometry.iloc[0]
    )
    middle, before = line.interpolate(0.5, normalized=True), line.interpolate(0.49, normalized=True)
    dx, dy = middle.x - before.x, middle.y - before.y
    size = (dx * dx + dy * dy) ** 0.5
    side = shapely.LineString(
        [(middle.x + k * dy / size * 4, middle.y - k * dx / size * 4) for k in (-1, 1)]
    )
    return side.buffer(wide / 2, cap_style="flat")


def planted(wide: float):
    found = findings.made().found
    water = frame("water", 1).set_geometry([shapely.MultiPolygon([crossing(found, wide)])], crs=UTM)
    dry = frame("drainage", 0)
    walks = found.layers["layout_walks"].copy()
    walks["crosses"] = None
    walks.loc[walks.index[0], "crosses"] = "1, 2"
    layers = {**found.layers, "water": water, "drainage": dry, "layout_walks": walks}
    return replace(found, layers=layers)


@pytest.fixture(scope="module")
def brook():
    return planted(4.0)


def test_a_brook_is_crossed_and_a_pond_is_walked_round(brook):
    """A footbridge spans 8 m by default; 4 m of brook lie square to the line."""
    (met,) = over_water(brook, 1)
    assert (met.hole, met.times) == (1, 1)
    assert met.metres == pytest.approx(4.0, abs=0.1)
    assert over_water(planted(40.0), 1) == ()


def test_drainage_counts_from_the_area_at_which_walks_need_a_bridge(brook):
    stream = brook.config.layout.walk.stream
    corners = crossing(brook, 0.02).exterior.coords  # 2 cm wide: its diagonal is its middle
    across = shapely.LineString([corners[0], corners[2]])
    for hectares, crossed in ((stream * 0.5, 0), (stream * 2, 1)):
        lines = frame("drainage", 1).set_geometry([across], crs=UTM)
        lines["upslope_ha"] = hectares
        layers = {**brook.layers, "drainage": lines, "water": frame("water", 0)}
        assert len(over_water(replace(brook, layers=layers), 1)) == crossed


def test_page_budget_and_sheet_words_name_it(brook):
    ways = brook.layers["layout_walks"]
    ways = ways[ways["proposal"] == 1]
    assert fire_words(ways) == "1: holes 1 and 2"
    assert met_words(brook, 1, ways) == [
        "Players cross running water on hole 1.",
        "1 walk comes into the line of fire of holes 1 and 2.",
    ]
    text = html.unescape(re.sub(r"<[^>]+>", " ", build_report(brook)))
    text = re.sub(r"\s+", " ", text)
    assert re.search(r"Holes over running water 1: hole 1 ", text)
    assert "Walks through a line of fire 1: holes 1 and 2" in text
    bridge = next(n for n in needs_of(brook, costs_of(None)) if n.item == "bridge")
    assert bridge.high - bridge.low == pytest.approx(4.0, abs=0.1)


def test_phases_say_what_comes_before_play(brook):
    layout = brook.layers["layout_holes"].copy()
    mine = layout["proposal"] == 1
    order = layout["play_order"]
    layout["trim_hours_high"] = 0.0
    layout.loc[mine & (order == 2), "trim_hours_high"] = 3.0
    layout.loc[mine & (order == 3), "trim_hours_high"] = None
    said = phases(replace(brook, layers={**brook.layers, "layout_holes": layout}))
    assert "before play trimming on hole 2, a safe way over the water on hole 1" in said[0]
    assert "hole 3 need" in said[0]


def test_a_card_names_the_features_that_its_hole_uses():
    """Two links planted; the better feature, of the lower number, comes first."""
    found = findings.made().found
    hole = int(found.layers["layout_holes"].iloc[0]["hole_id"])
    features = frame("features", 4)
    features["name"] = ["a tunnel", "a knoll", "a carry", "a view"]
    features["shown"] = True
    shape = shapely.LineString([(440100, 3800100), (440150, 3800120)])
    features = features.set_geometry([shape] * 4, crs=UTM)
    links = frame("hole_features", 2).set_geometry([shape] * 2, crs=UTM)
    links["hole_id"] = hole
    links["feature_id"] = features["feature_id"].iloc[[2, 0]].tolist()
    layers = {**found.layers, "features": features, "hole_features": links}
    first, third = features["feature_id"].iloc[[0, 2]]
    said = f"F{first} a tunnel; F{third} a carry"
    assert uses_of(layers) == {hole: said}
    page = build_report(replace(found, layers=layers))
    assert f"Uses {said}." in page
    assert uses_of({"features": gpd.GeoDataFrame(features)}) == {}
