"""From tiles to the published layer: a planted tunnel in a wood that shows no lane from above."""

from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import worlds


@pytest.fixture(scope="module")
def published(tunnel) -> Path:
    lines = (tunnel / "said.txt").read_text().strip().splitlines()[-3:]
    heads = ("Does it fit? ", "What the land offers: ", "Settle first: ")
    assert all(line.startswith(head) for line, head in zip(lines, heads, strict=True))
    assert lines[1].startswith("What the land offers: F1 tunnel in the middle wood")
    return tunnel / "out" / "scout.gpkg"


@pytest.fixture(scope="module")
def features(published) -> gpd.GeoDataFrame:
    return gpd.read_file(published, layer="features")


def test_the_tunnel_is_the_first_feature(features):
    truth = worlds.tunnel(size=60.0).truth
    first = features.iloc[0]
    assert (first["feature_id"], first["kind"], bool(first["shown"])) == (1, "tunnel", True)
    assert first["name"].startswith("tunnel in the middle wood, ")
    assert first.geometry.hausdorff_distance(shapely.LineString(truth["line"])) < 12
    assert first["length_m"] > 45
    assert first["roof_share"] > 0.8
    assert 0 < first["certainty"] <= 1


def test_half_of_what_was_hardly_searched_is_doubt(features, published):
    """By the published figures: the one lane of the wood, and the feature that it became."""
    lanes = gpd.read_file(published, layer="lanes")
    (tunnel,) = lanes[lanes["kind"] == "tunnel"].to_dict("records")
    assert tunnel["unknown_share"] > 0.04
    assert features["certainty"].iloc[0] == pytest.approx(
        1 - tunnel["unknown_share"] / 2, abs=0.011
    )


def test_flat_ground_in_a_wood_has_no_drop_water_or_view(features):
    assert set(features["kind"]) <= {"tunnel"}


def test_legs_and_holes_say_that_they_use_it(features, published):
    legs = gpd.read_file(published, layer="legs")
    links = gpd.read_file(published, layer="leg_features")
    assert links["link_id"].is_unique
    assert set(links["leg_id"]) <= set(legs["leg_id"])
    assert features["best_leg"].iloc[0] in set(links["leg_id"])
    best = legs.set_index("leg_id").loc[features["best_leg"].iloc[0]].geometry
    truth = shapely.LineString(worlds.tunnel(size=60.0).truth["line"])
    assert best.intersection(truth.buffer(4)).length > 0.8 * best.length


def test_a_walk_begins_at_the_border_where_no_arrival_is_given(published):
    walk = gpd.read_file(published, layer="first_walk")
    land = gpd.read_file(published, layer="property").geometry.union_all()
    first = walk[walk["visit"] == "short"].iloc[0]
    assert shapely.Point(first.geometry.coords[0]).distance(land.boundary) < 0.5
    # The tunnel begins at that border: it is seen before setting out.
    assert walk["what"].str.contains("F1 (?:Q[0-9]+ )*tunnel").any()
