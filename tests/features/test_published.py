"""From tiles to the published layer: a planted tunnel in a wood that shows no lane from above."""

from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import worlds
from run.runs import lanewright, tunnel_survey


@pytest.fixture(scope="module")
def features(tmp_path_factory) -> gpd.GeoDataFrame:
    folder = tmp_path_factory.mktemp("tunnel")
    done = lanewright("scout", tunnel_survey(folder))
    assert done.returncode == 0, done.stderr
    return gpd.read_file(Path(folder) / "out" / "scout.gpkg", layer="features")


def test_the_tunnel_is_the_first_feature(features):
    truth = worlds.tunnel(size=60.0).truth
    first = features.iloc[0]
    assert (first["feature_id"], first["kind"], bool(first["shown"])) == (1, "tunnel", True)
    assert first["name"].startswith("tunnel in the middle wood, ")
    assert first.geometry.hausdorff_distance(shapely.LineString(truth["line"])) < 12
    assert first["length_m"] > 45
    assert first["roof_share"] > 0.8
    assert 0 < first["certainty"] <= 1


def test_flat_ground_in_a_wood_has_no_drop_water_or_view(features):
    assert set(features["kind"]) <= {"tunnel"}
