"""The longest view of a hole: down a lane of known width, none in a wood, a marked one if used."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import feature_worlds as fw
from lanewright.publish.report.words import Units
from lanewright.publish.viewlines import view_words, with_views
from leg_worlds import BOTTOM, LEFT, centres


def layers(scene, holes, views=(), uses=()):
    crs = scene.grid.crs
    lines = [shapely.LineString(np.add(ends, (LEFT, BOTTOM))) for ends in holes]
    ids = range(1, len(lines) + 1)
    columns = ["feature_id", "kind", "sight_m", "bearing_deg"]
    features = gpd.GeoDataFrame(
        [(n, *view) for n, view in enumerate(views, start=1)], columns=columns,
        geometry=[shapely.Point(LEFT, BOTTOM)] * len(views), crs=crs,
    )  # fmt: skip
    links = gpd.GeoDataFrame(
        uses, columns=["hole_id", "feature_id"],
        geometry=[shapely.Point(LEFT, BOTTOM)] * len(uses), crs=crs,
    )  # fmt: skip
    layout = gpd.GeoDataFrame({"hole_id": ids}, geometry=lines, crs=crs)
    return {"layout_holes": layout, "features": features, "hole_features": links}


@pytest.fixture(scope="module")
def ride():
    """A wood 16 m high with a ride 40 m wide from south to north through it."""
    x, _ = centres(fw.level_land())
    return fw.wooded((x < 100) | (x > 140))


def test_a_view_ends_where_the_ride_hides_what_lies_beside_the_ray(ride):
    """Three rays 7.5 degrees apart must agree, and the outer ones meet the wood 20 m aside."""
    table = with_views(layers(ride, [((120, 40), (120, 90)), ((50, 50), (50, 120))]), ride, 1.6)
    # In squares of 4 m, the ride's edges lie up to one of them nearer or farther.
    assert table["view_m"][0] == pytest.approx(20 / np.sin(np.radians(7.5)), abs=4 / 0.13)
    assert table["view_bearing_deg"][0] == 0
    assert table["view_from"][0] == "tee"  # basket and tee see as far: the first stands
    assert np.isnan(table["view_m"][1])
    assert pd.isna(table["view_from"][1])
    words = view_words(table.iloc[0], Units(False))
    assert words.endswith("to the north, from the tee")
    assert view_words(table.iloc[1], Units(False)) == ""


def test_a_view_that_the_hole_uses_stands_before_its_own(ride):
    views = [("view", 310.0, 137.0), ("drop", np.nan, 5.0), ("view", 290.0, 1.0)]
    made = layers(ride, [((120, 40), (120, 90))] * 2, views, [(2, 3), (2, 1), (2, 2), (1, 2)])
    table = with_views(made, ride, 1.6)
    assert table["view_from"].tolist() == ["tee", "feature"]
    assert table["view_m"][1] == 310
    assert "south-east, where its view is marked" in view_words(table.iloc[1], Units(True))
