"""Which legs use which features: a leg drawn on each, and the same turned or moved."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import affinity

from lanewright.features.links import link_features

UTM = "EPSG:32617"
SHAPE = shapely.LineString([(0, 0), (60, 0)])


def feature(kind, shape=SHAPE, width=6.0):
    return gpd.GeoDataFrame(
        {"feature_id": [7], "kind": [kind], "width_m": [width]}, geometry=[shape], crs=UTM
    )


def legs(*lines, score=None):
    flown = [shapely.force_3d(line, 1.0) for line in lines]
    count = len(lines)
    return gpd.GeoDataFrame(
        {"leg_id": np.arange(1, count + 1), "score": score or [0.5] * count},
        geometry=flown, crs=UTM,
    )  # fmt: skip


NO_HOLES = pd.DataFrame({"hole_id": [], "throw": [], "leg_id": []}).astype("int64")
NO_HOURS = pd.DataFrame({"leg_id": [], "hours_low": [], "hours_high": []})


def uses(kind, line, shape=SHAPE, width=6.0) -> bool:
    return (
        len(link_features(feature(kind, shape, width), legs(line), NO_HOLES, NO_HOURS).of_legs) == 1
    )


ON_IT = shapely.LineString([(2, 1), (70, 2)])
BACK = shapely.reverse(ON_IT)
ACROSS = affinity.rotate(ON_IT, 90, origin=(30, 0))
BESIDE = affinity.translate(ON_IT, 0, 40)


@pytest.mark.parametrize(
    ("kind", "on", "back", "across"),
    [
        ("tunnel", True, True, False),
        ("fairway", True, True, False),
        ("edge", True, True, False),
        ("carry", True, True, False),
        ("gap", True, True, False),
        ("drop", True, False, False),
        ("climb", True, False, False),
        ("view", True, False, False),
        ("knoll_tee", True, False, False),
        ("ridge_tee", True, False, False),
        ("specimen_tree", True, True, True),
    ],
)
def test_a_leg_on_a_feature_uses_it(kind, on, back, across):
    assert uses(kind, ON_IT) == on
    assert uses(kind, BACK) == back
    assert uses(kind, ACROSS) == across
    assert not uses(kind, BESIDE)


def test_greens_are_used_by_legs_that_end_there_and_land_in_water_by_either_end():
    ends = shapely.LineString([(-80, 0), (-4, 3)])
    for kind in ("bench_green", "amphitheatre_green"):
        assert uses(kind, ends)
        assert not uses(kind, shapely.reverse(ends))
    tip = shapely.LineString([(62, 3), (140, 0)])
    assert uses("peninsula", tip)
    assert uses("peninsula", shapely.reverse(tip))
    assert not uses("peninsula", affinity.translate(tip, 40, 0))


def test_the_best_leg_its_hours_and_the_holes_that_throw_it():
    lines = legs(ON_IT, BACK, BESIDE, score=[0.4, 0.7, 0.9])
    holes = pd.DataFrame({"hole_id": [3, 3, 4], "throw": [1, 2, 1], "leg_id": [1, 2, 3]})
    hours = pd.DataFrame({"leg_id": [2], "hours_low": [1.5], "hours_high": [4.0]})
    made = link_features(feature("tunnel"), lines, holes, hours)
    row = made.features.iloc[0]
    assert row["best_leg"] == 2  # of the two that use it the one of the higher score
    assert (row["work_hours_low"], row["work_hours_high"]) == (1.5, 4.0)
    assert list(made.of_legs["leg_id"]) == [1, 2]
    assert list(made.of_holes["hole_id"]) == [3]
    assert list(made.of_legs["link_id"]) == [1, 2]


def test_a_feature_that_no_leg_uses_has_no_best_leg():
    made = link_features(feature("tunnel"), legs(BESIDE), NO_HOLES, NO_HOURS)
    assert pd.isna(made.features["best_leg"].iloc[0])
    assert np.isnan(made.features["work_hours_low"].iloc[0])
    none = link_features(feature("tunnel"), legs(BESIDE).iloc[:0], NO_HOLES, NO_HOURS)
    assert len(none.of_legs) == len(none.of_holes) == 0
