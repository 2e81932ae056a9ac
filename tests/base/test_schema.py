import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lanewright.base import schema
from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE
from publish.frames import UTM, all_layers, frame

# What every release promises about legs, in this order.
LEGS = [
    "leg_id",
    "tee_id",
    "end_id",
    "level",
    "finish",
    "length_m",
    "length_ft",
    "rise_m",
    "effective_length_m",
    "apex_m",
    "clear_rate",
    "clear_rate_se",
    "clear_rate_low",
    "clear_rate_high",
    "clear_rate_leaf_on",
    "pinch_width_m",
    "pinch_at_m",
    "lane_kind",
    "roof_share",
    "grade_pct",
    "side_slope_pct",
    "tee_slope_pct",
    "landing_slope_pct",
    "wet_share",
    "carry_water_m",
    "seen_share",
    "score",
    "score_clearance",
    "score_grade",
    "score_drainage",
]

ENDINGS = {
    "m": "_m",
    "ft": "_ft",
    "percent": "_pct",
    "degrees": "_deg",
    "m3": "_m3",
    "m2": "_m2",
    "ha": "_ha",
    "acres": "_acres",
    "cm": "_cm",
}


def every_column():
    return [
        pytest.param(layer, column, id=f"{layer.name}.{column.name}")
        for layer in schema.LAYERS.values()
        for column in layer.columns
    ]


def test_legs_keep_their_promised_columns():
    legs = schema.LAYERS["legs"]
    assert [c.name for c in legs.columns][: len(LEGS)] == LEGS
    assert all(legs.column(name).required for name in LEGS)
    assert legs.geometry == "LineString Z"


@pytest.mark.parametrize(("layer", "column"), every_column())
def test_names_end_in_their_unit_and_say_what_they_mean(layer, column):
    assert column.meaning.endswith(".")
    assert column.unit in {"", "1", "0-1", *ENDINGS}
    if column.unit in ENDINGS:
        assert column.name.endswith(ENDINGS[column.unit])
    else:
        assert not column.name.endswith(tuple(ENDINGS.values()))


def test_feet_and_acres_agree_with_the_tables_of_nist():
    # NIST Special Publication 811 (2008), appendix B.8: a mile of 5280 ft is 1609.344 m; NIST
    # Handbook 44, appendix C: an acre is 43,560 square feet.
    np.testing.assert_allclose(1609.344 * FEET_PER_METRE, 5280)
    np.testing.assert_allclose(ACRES_PER_HECTARE, 10_000 / (43_560 * 0.3048**2))


@pytest.mark.parametrize("name", schema.LAYERS)
def test_conform_gives_the_documented_columns_in_order(name):
    made = schema.conform(name, frame(name).sample(frac=1, random_state=3))
    layer = schema.LAYERS[name]
    assert list(made.columns) == [*(c.name for c in layer.columns), "geometry"]
    assert list(made.index) == list(range(5))
    if layer.key:
        assert made[layer.key].is_monotonic_increasing
    assert set(made.geometry.geom_type) == {layer.geometry.removesuffix(" Z")}
    assert made.geometry.has_z.all() == layer.geometry.endswith("Z")


@pytest.mark.parametrize("name", schema.LAYERS)
def test_conform_changes_nothing_the_second_time(name):
    once = schema.conform(name, frame(name))
    pd.testing.assert_frame_equal(once, schema.conform(name, once))


@pytest.mark.parametrize("name", schema.LAYERS)
def test_conform_keeps_types_without_rows(name):
    full, empty = schema.conform(name, frame(name)), schema.conform(name, frame(name).iloc[:0])
    assert len(empty) == 0
    assert list(empty.dtypes) == list(full.dtypes)
    assert empty.crs == full.crs


def test_feet_follow_from_metres_unless_given():
    legs = frame("legs")
    made = schema.conform("legs", legs)
    np.testing.assert_allclose(made.length_ft * 0.3048, legs.length_m)
    np.testing.assert_allclose(made.rise_ft * 0.3048, legs.rise_m)
    given = schema.conform("legs", legs.assign(length_ft=np.arange(5.0)))
    assert list(given.length_ft) == [0, 1, 2, 3, 4]


def test_feet_first_puts_each_length_in_feet_before_metres():
    columns = schema.conform("legs", frame("legs")).columns
    metres, feet = schema.in_order("legs", columns), schema.in_order("legs", columns, True)
    assert metres[: len(LEGS)] == LEGS
    assert sorted(metres) == sorted(feet)
    for name in ("length", "rise", "effective_length", "apex", "pinch_width", "carry_water"):
        assert feet.index(f"{name}_ft") + 1 == feet.index(f"{name}_m")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f.drop(columns=["score", "rise_m"]), "columns missing: rise_m, score"),
        (lambda f: f.assign(mood="good"), "not documented in tables/columns.csv: mood"),
        (lambda f: f.assign(leg_id=[1, 1, 2, 3, 4]), "leg_id: used more than once: 1"),
        (lambda f: f.assign(leg_id=[1, np.nan, 2, 3, 4]), "leg_id: 1 empty"),
        (lambda f: f.assign(leg_id=[1.5, 2, 3, 4, 5]), "leg_id: fractions"),
        (lambda f: f.assign(score=1.2), "score: 1.2 to 1.2 where shares"),
        (lambda f: f.assign(score="high"), "score: text where numbers belong"),
        (lambda f: f.assign(rise_m=np.inf), "rise_m: infinite"),
        (lambda f: f.assign(finish="hook"), "finish: 'hook' not among straight, left, right"),
        (lambda f: f.assign(level=3), "level: int where text belongs"),
        (lambda f: f.set_geometry(f.geometry.force_2d()), "geometry: 5 without heights"),
        (lambda f: f.set_geometry(f.geometry.centroid), "geometry: POINT where every row is"),
        (lambda f: f.set_geometry([None, *f.geometry[1:]]), "geometry: 1 missing or empty"),
        (lambda f: pd.DataFrame(f.drop(columns="geometry")), "no geometry"),
    ],
)
def test_conform_names_what_is_wrong(change, said):
    with pytest.raises(ValueError, match="layer legs") as caught:
        schema.conform("legs", change(frame("legs")))
    assert said in str(caught.value)


def test_conform_names_every_fault_at_once():
    legs = frame("legs").drop(columns="apex_m").assign(score=7.0, mood="good")
    with pytest.raises(ValueError, match="layer legs") as caught:
        schema.conform("legs", legs)
    assert all(word in str(caught.value) for word in ("apex_m", "score", "mood"))


def test_invalid_polygons_are_refused():
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    with pytest.raises(ValueError, match="invalid: Self-intersection"):
        schema.conform("water", frame("water").set_geometry([bow] * 5))
    speck = shapely.LineString([(0, 0, 0), (0, 0, 0)])
    with pytest.raises(ValueError, match="a LineString is invalid: Too few points"):
        schema.conform("legs", frame("legs").set_geometry([speck] * 5))


def test_flaws_that_simplifying_leaves_are_mended():
    shares_an_edge = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 15, 10)])
    touches_itself = shapely.Polygon([(0, 0), (10, 0), (10, 10), (6, 10), (5, 0), (4, 10), (0, 10)])
    assert not shares_an_edge.is_valid
    assert not touches_itself.is_valid
    water = frame("water", 2).set_geometry([shares_an_edge, touches_itself])
    made = schema.conform("water", water)
    assert made.is_valid.all()
    np.testing.assert_allclose(made.area, [150, 90])


def test_unknown_layer():
    with pytest.raises(ValueError, match="no layer is called paths"):
        schema.conform("paths", frame("legs"))


def test_single_polygons_become_multi_and_their_ground_stays():
    water = frame("water")
    made = schema.conform("water", water)
    assert set(water.geom_type) == {"Polygon"}
    np.testing.assert_allclose(made.area, water.area)


def test_empty_values_stay_empty():
    legs = frame("legs").assign(
        pinch_at_m=np.nan, lane_kind=None, origin=[None, "own"] + [np.nan] * 3
    )
    made = schema.conform("legs", legs)
    assert made.pinch_at_m.isna().all()
    assert made.pinch_at_ft.isna().all()
    assert list(made.lane_kind) == [None] * 5
    assert list(made.origin) == [None, "own", None, None, None]


def test_text_comes_out_on_one_line_and_fit_to_write():
    title = pd.Series(["Hollow\x00Creek\n\tpark \udcff \u2028end"], dtype=object)
    outline = frame("property", 1).assign(name=title)
    (name,) = schema.conform("property", outline).name
    assert name == "Hollow Creek park ? end"
    name.encode("utf-8")


def test_narrow_numbers_are_widened_and_float32_shares_fit():
    lanes = frame("lanes").astype({"lane_id": np.int16, "roof_share": np.float32})
    lanes["roof_share"] = np.float32(1) + np.float32(1.2e-7)
    made = schema.conform("lanes", lanes)
    assert made.lane_id.dtype == np.int64
    assert (made.roof_share == 1.0).all()


def test_rasters_are_documented():
    assert {"ground", "slope", "canopy_height", "free_width", "canopy_cover", "brush_density",
            "wetness", "ponding", "seen_share"} <= set(schema.RASTERS)  # fmt: skip
    for raster in schema.RASTERS.values():
        assert raster.meaning.endswith(".")
        assert raster.unit
        assert raster.nodata == -9999


def test_frames_for_tests_cover_every_layer():
    frames = all_layers()
    assert set(frames) == set(schema.LAYERS)
    assert all(isinstance(f, gpd.GeoDataFrame) and f.crs == UTM for f in frames.values())
