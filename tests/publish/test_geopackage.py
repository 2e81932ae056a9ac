import importlib.util
import json
import resource
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import CRS

from lanewright.base import schema
from lanewright.base.errors import InputError
from lanewright.publish.geopackage import write_geopackage
from lanewright.publish.styles import styles_of
from publish import ogc
from publish.frames import ORIGIN, UTM, all_layers, frame

VALIDATOR = "osgeo_utils.samples.validate_gpkg"
SYSTEM_PYTHON = "/usr/bin/python3"

# A projected metric CRS of nobody's register, as an old survey might leave behind.
OWN_CRS = CRS.from_proj4(
    "+proj=lcc +lat_1=34.1 +lat_2=35.3 +lat_0=34.7 +lon_0=-81.2 +x_0=440000 +y_0=3800000 "
    "+datum=NAD83 +units=m"
).to_wkt()

WORDS = {"lane_heights": "0.75 to 4 m"}

HOSTILE = [
    "Robert'); DROP TABLE legs;--",
    'a "quoted" name & <b>tags</b> ]]> &amp;',
    "Ærø — 鴨川 🥏 עברית",
    "%s {0} $HOME `id` \\n",
    "x" * 70_000,
]


@pytest.fixture(scope="module")
def layers():
    made = all_layers()
    made["water"] = made["water"].iloc[:0]  # a property without water
    return made


@pytest.fixture(scope="module")
def scout(layers, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("gpkg") / "scout.gpkg"
    write_geopackage(path, layers, UTM, words=WORDS)
    return path


def rows(path, query, *values):
    with closing(sqlite3.connect(path)) as db:
        return db.execute(query, values).fetchall()


def has_module(python, module):
    if python == sys.executable:
        return importlib.util.find_spec(module.partition(".")[0]) is not None
    if not shutil.which(python):
        return False
    return subprocess.run([python, "-c", f"import {module}"], capture_output=True).returncode == 0


def validate(path):
    """What the validator of the GDAL project says; skips where it is not installed."""
    for python in (sys.executable, SYSTEM_PYTHON):
        if has_module(python, VALIDATOR):
            done = subprocess.run(
                [python, "-m", VALIDATOR, "-k", "--extra", "--warning-as-error", str(path)],
                capture_output=True,
                text=True,
                cwd=path.parent,
            )
            return done.returncode, done.stdout + done.stderr
    pytest.skip("no GeoPackage validator: pip install --no-deps gdal-utils")


def test_the_validator_finds_nothing(scout):
    assert validate(scout) == (0, "")


def test_the_rules_hold(scout):
    assert ogc.faults(scout) == []


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        ("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 4326", "11: srs_id [4326] missing"),
        ("UPDATE gpkg_contents SET last_change = 'yesterday'", "15: last_change yesterday"),
        ("UPDATE gpkg_geometry_columns SET geometry_type_name = 'POLYGON' "
         "WHERE table_name = 'lanes'", "32: lanes 1 is not of the declared type"),
        ("PRAGMA application_id = 0", "2: application_id is not GPKG"),
        ("DELETE FROM rtree_legs_geom WHERE id = 1", "77: the R-tree of legs holds 4 of 5 rows"),
    ],
)  # fmt: skip
def test_the_checks_see_damage(scout, tmp_path, damage, said):
    copy = tmp_path / "damaged.gpkg"
    shutil.copy(scout, copy)
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(damage)
    assert said in ogc.faults(copy)
    if "rtree" not in damage:  # which the validator does not count
        assert validate(copy)[0] != 0


def test_layers_come_back_as_they_went_in(scout, layers):
    for name, put in layers.items():
        back = gpd.read_file(scout, layer=name)
        want = schema.conform(name, put)
        assert list(back.columns) == list(want.columns)
        assert back.crs.to_epsg() == 32617
        for column in schema.LAYERS[name].columns:
            if column.dtype == "float":
                step = 0.5 * 10.0**-column.digits
                np.testing.assert_allclose(back[column.name], want[column.name], atol=step * 1.01)
            else:
                assert list(back[column.name]) == list(want[column.name])
        assert list(back.geometry.to_wkb()) == list(want.geometry.to_wkb())


def test_a_layer_without_rows_still_opens(scout):
    info = pyogrio.read_info(scout, layer="water")
    assert info["features"] == 0
    assert info["geometry_type"] == "MultiPolygon"
    assert list(info["fields"]) == [c.name for c in schema.LAYERS["water"].columns]
    assert info["ogr_types"][0] == "OFTInteger64"
    assert info["ogr_types"][1] == "OFTString"


def test_one_geometry_type_per_layer(scout):
    said = dict(rows(scout, "SELECT table_name, geometry_type_name FROM gpkg_geometry_columns"))
    want = {
        name: layer.geometry.removesuffix(" Z").upper() for name, layer in schema.LAYERS.items()
    }
    assert said == want
    flat = {name for name, layer in schema.LAYERS.items() if not layer.geometry.endswith(" Z")}
    with_z = rows(scout, "SELECT table_name FROM gpkg_geometry_columns WHERE z = 1")
    assert {name for (name,) in with_z} == set(schema.LAYERS) - flat


def test_layers_and_columns_explain_themselves(scout, layers):
    described = dict(rows(scout, "SELECT table_name, description FROM gpkg_contents"))
    for name in layers:
        assert described[name] == schema.LAYERS[name].description.format_map(WORDS)
        columns = {row[1] for row in rows(scout, f"PRAGMA table_info({name})")} - {"fid", "geom"}
        explained = rows(
            scout,
            "SELECT column_name, title, description FROM gpkg_data_columns WHERE table_name = ?",
            name,
        )
        assert {row[0] for row in explained} == columns
        for column, title, meaning in explained:
            assert title
            assert meaning.startswith(schema.LAYERS[name].column(column).meaning)
            unit = schema.LAYERS[name].column(column).unit
            assert meaning.endswith(f"[{unit}]" if unit else ".")


def test_every_value_keeps_the_constraint_its_column_declares(scout):
    declared = rows(
        scout,
        "SELECT table_name, column_name, constraint_name FROM gpkg_data_columns "
        "WHERE constraint_name IS NOT NULL",
    )
    assert ("legs", "finish", "legs_finish") in declared
    assert ("legs", "clear_rate", "share") in declared
    for table, column, constraint in declared:
        limits = rows(
            scout,
            "SELECT constraint_type, value, min, max FROM gpkg_data_column_constraints "
            "WHERE constraint_name = ?",
            constraint,
        )
        values = {row[0] for row in rows(scout, f'SELECT "{column}" FROM "{table}"')} - {None}
        if limits[0][0] == "enum":
            assert values <= {row[1] for row in limits}
        else:
            assert all(limits[0][2] <= value <= limits[0][3] for value in values)


def test_each_layer_has_one_default_style(scout, layers):
    stored = rows(
        scout, "SELECT f_table_name, f_geometry_column, styleName, useAsDefault FROM layer_styles"
    )
    for name in layers:
        own = [row for row in stored if row[0] == name]
        assert [row[2] for row in own] == [style.name for style in styles_of(name)]
        assert [row[3] for row in own] == [1] + [0] * (len(own) - 1)
        assert {row[1] for row in own} == {"geom"}


def test_spatial_index_finds_what_shapely_finds(scout, layers):
    legs = schema.conform("legs", layers["legs"])
    x, y = ORIGIN
    window = shapely.box(x, y, x + 150, y + 150)
    found = gpd.read_file(scout, layer="legs", bbox=window.bounds)
    assert set(found.leg_id) == set(legs.leg_id[legs.intersects(window)])


def test_equal_layers_make_equal_files(scout, layers, tmp_path):
    again = tmp_path / "again.gpkg"
    shuffled = {name: layers[name].sample(frac=1, random_state=1) for name in reversed(layers)}
    for name, layer in schema.LAYERS.items():
        if layer.key is None:  # these keep the order they come in
            shuffled[name] = layers[name]
    write_geopackage(again, shuffled, UTM, words=WORDS)
    assert again.read_bytes() == scout.read_bytes()


def test_stamp_is_carried(layers, tmp_path):
    path = tmp_path / "scout.gpkg"
    write_geopackage(
        path, {"legs": layers["legs"]}, UTM, stamp=datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    )
    assert set(rows(path, "SELECT last_change FROM gpkg_contents")) == {
        ("2026-03-04T05:06:07.000Z",)
    }
    assert ogc.faults(path) == []


def test_feet_come_first_on_request(layers, tmp_path):
    path = tmp_path / "scout.gpkg"
    write_geopackage(path, {"legs": layers["legs"]}, UTM, feet_first=True)
    columns = list(pyogrio.read_info(path, layer="legs")["fields"])
    assert columns.index("length_ft") + 1 == columns.index("length_m")


def test_a_crs_of_its_own_survives(tmp_path):
    path = tmp_path / "scout.gpkg"
    write_geopackage(path, all_layers(crs=OWN_CRS), OWN_CRS, words=WORDS)
    assert ogc.faults(path) == []
    assert validate(path) == (0, "")
    back = gpd.read_file(path, layer="legs").crs
    assert back.to_epsg(min_confidence=100) is None
    # By definition the false origin lies at the origin's longitude and latitude.
    places = gpd.GeoSeries([shapely.Point(440_000, 3_800_000), shapely.Point(445_000, 3_790_000)])
    lonlat = shapely.get_coordinates(places.set_crs(back).to_crs(4269))
    np.testing.assert_allclose(lonlat[0], [-81.2, 34.7], atol=1e-9)
    put = shapely.get_coordinates(places.set_crs(OWN_CRS).to_crs(4269))
    np.testing.assert_allclose(lonlat, put, atol=1e-9)


def test_frames_of_another_crs_are_refused(layers, tmp_path):
    legs = layers["legs"].to_crs(4326)
    with pytest.raises(ValueError, match="layer legs is in WGS 84"):
        write_geopackage(tmp_path / "scout.gpkg", {"legs": legs}, UTM)
    assert list(tmp_path.iterdir()) == []


def test_frames_without_a_crs_take_the_runs(layers, tmp_path):
    path = tmp_path / "scout.gpkg"
    write_geopackage(path, {"legs": layers["legs"].set_crs(None, allow_override=True)}, UTM)
    assert gpd.read_file(path, layer="legs").crs.to_epsg() == 32617


def test_layers_outside_the_schema_are_refused(layers, tmp_path):
    with pytest.raises(ValueError, match="not in the schema: ponies"):
        write_geopackage(tmp_path / "scout.gpkg", {"ponies": layers["legs"]}, UTM)


def test_hostile_texts_stay_texts(tmp_path):
    path = tmp_path / "scout.gpkg"
    cautions = frame("cautions").assign(
        caution=HOSTILE,
        why=pd.Series(["a\x00b", "\udc80", "line\nbreak", "", None], dtype=object),
    )
    write_geopackage(path, {"cautions": cautions, "legs": frame("legs")}, UTM)
    back = gpd.read_file(path, layer="cautions")
    assert list(back.caution) == HOSTILE
    assert list(back.why.astype(object).where(back.why.notna(), None)) == [
        "a b",
        "?",
        "line break",
        "",
        None,
    ]
    assert len(gpd.read_file(path, layer="legs")) == 5
    assert ogc.faults(path) == []
    assert validate(path) == (0, "")


def test_folder_names_may_be_hostile(tmp_path, layers):
    path = tmp_path / "a 'b' \"c\" ?mode=memory#1 %41 ünï;--" / "scout.gpkg"
    write_geopackage(path, {"legs": layers["legs"]}, UTM)
    assert [p.name for p in path.parent.iterdir()] == ["scout.gpkg"]
    assert ogc.faults(path) == []


def test_empty_numbers_are_null_not_zero(tmp_path):
    path = tmp_path / "scout.gpkg"
    legs = frame("legs").assign(
        pinch_at_m=[np.nan, 1, 2, 3, 4], tee_id=pd.array([None, 1, 2, 3, 4], dtype="Int64")
    )
    write_geopackage(path, {"legs": legs}, UTM)
    assert rows(path, "SELECT count(*) FROM legs WHERE pinch_at_m IS NULL") == [(1,)]
    assert rows(path, "SELECT pinch_at_ft FROM legs WHERE leg_id = 1") == [(None,)]
    assert rows(path, "SELECT tee_id FROM legs ORDER BY leg_id")[:2] == [(None,), (1,)]


def test_numbers_show_no_more_digits_than_they_hold(tmp_path):
    path = tmp_path / "scout.gpkg"
    legs = frame("legs").assign(score=np.float32(0.1), rise_m=-1e-9)
    write_geopackage(path, {"legs": legs}, UTM)
    assert set(rows(path, "SELECT score, CAST(rise_m AS TEXT) FROM legs")) == {(0.1, "0.0")}


def test_an_earlier_file_gives_way_only_to_a_whole_one(layers, tmp_path):
    path = tmp_path / "scout.gpkg"
    path.write_bytes(b"earlier")
    bad = layers["legs"].assign(score=3.0)
    with pytest.raises(ValueError, match="score"):
        write_geopackage(path, {"property": layers["property"], "legs": bad}, UTM)
    assert path.read_bytes() == b"earlier"
    (tmp_path / "scout.gpkg-wal").write_bytes(b"left by a viewer")
    write_geopackage(path, layers, UTM, words=WORDS)
    assert [p.name for p in tmp_path.iterdir()] == ["scout.gpkg"]
    assert ogc.faults(path) == []


def test_a_file_where_the_folder_should_be(layers, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_geopackage(tmp_path / "out" / "scout.gpkg", layers, UTM, words=WORDS)


def test_a_folder_where_the_file_should_be(layers, tmp_path):
    (tmp_path / "scout.gpkg" / "full").mkdir(parents=True)
    with pytest.raises(InputError, match="cannot be written"):
        write_geopackage(tmp_path / "scout.gpkg", {"legs": layers["legs"]}, UTM)
    assert [p.name for p in tmp_path.iterdir()] == ["scout.gpkg"]


@pytest.mark.parametrize("room", [60_000, 300_000])
def test_a_full_disk_is_said_and_leaves_nothing(tmp_path, room):
    # A limit on the size of files stands in for the disk; SQLite meets it in mid-write.
    (tmp_path / "scout.gpkg").write_bytes(b"earlier")
    script = f"""
import resource, sys
sys.path[:0] = {sys.path!r}
from pathlib import Path
from lanewright.base.errors import InputError
from lanewright.publish.geopackage import write_geopackage
from publish.frames import all_layers, UTM
layers = all_layers(30)
resource.setrlimit(resource.RLIMIT_FSIZE, ({room}, {room}))
try:
    write_geopackage(Path({str(tmp_path / "scout.gpkg")!r}), layers, UTM, words={WORDS!r})
except InputError as err:
    print(err)
"""
    assert hasattr(resource, "RLIMIT_FSIZE")
    done = subprocess.run(
        [sys.executable, "-B", "-c", script], capture_output=True, text=True, cwd=tmp_path
    )
    assert "scout.gpkg: cannot be written" in done.stdout, done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["scout.gpkg"]
    assert (tmp_path / "scout.gpkg").read_bytes() == b"earlier"


def test_gdal_settings_of_others_are_left_alone(layers, tmp_path):
    option = "OGR_SQLITE_SYNCHRONOUS"
    pyogrio.set_gdal_config_options({option: "FULL"})
    try:
        write_geopackage(tmp_path / "scout.gpkg", {"legs": layers["legs"]}, UTM)
        assert pyogrio.get_gdal_config_option(option) == "FULL"
    finally:
        pyogrio.set_gdal_config_options({option: None})


def test_qgis_draws_every_layer_by_its_style(scout, layers):
    if not has_module(SYSTEM_PYTHON, "qgis.core"):
        pytest.skip("no QGIS: apt-get install --no-install-recommends python3-qgis")
    script = Path(__file__).with_name("in_qgis.py")
    done = subprocess.run([SYSTEM_PYTHON, str(script), str(scout)], capture_output=True, text=True)
    seen = json.loads(done.stdout)
    assert set(seen) == set(layers)
    for name, layer in seen.items():
        styles = styles_of(name)
        assert layer["valid"]
        assert layer["crs"]
        assert layer["rows"] == len(layers[name])
        assert layer["styles"] == [style.name for style in styles]
        assert all(layer["qml"])
        assert len(layer["labels"]) == len(styles[0].rules)
        assert layer["drawn"] == layer["rows"]
        assert layer["tagged"] == layer["tag_works"] == (styles[0].tag is not None)
        if styles[0].column:
            assert layer["labels"] == [rule.label for rule in styles[0].rules]
    assert seen["legs"]["renderer"] == "graduatedSymbol"
    assert seen["lanes"]["renderer"] == "categorizedSymbol"
    assert seen["wet_ground"]["parts"] == [["LinePatternFill", "SimpleLine"]]
