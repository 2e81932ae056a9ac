"""Boundaries and drawn lines: formats, and each way they can be wrong."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS
from shapely import GeometryCollection, LineString, MultiLineString, Point, Polygon, box

from lanewright.base.errors import InputError
from lanewright.sources.vectors import (
    areas,
    drawn_lines,
    enclosed,
    in_working,
    parts,
    property_polygon,
    read_vectors,
)

UTM16 = CRS.from_epsg(26916).to_wkt()
SQUARE = box(500_000, 4_400_000, 500_300, 4_400_200)


def write(path: Path, shapes, crs: object = 26916, **columns) -> Path:
    gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path)
    return path


@pytest.mark.parametrize("ending", ["gpkg", "shp", "geojson", "kml"])
def test_a_boundary_is_the_same_in_every_format(tmp_path, ending):
    frame = gpd.GeoDataFrame({"Name": ["land"]}, geometry=[SQUARE], crs=26916)
    if ending in ("geojson", "kml"):
        frame = frame.to_crs(4326)
    path = tmp_path / f"land.{ending}"
    frame.to_file(path, driver={"kml": "KML"}.get(ending))
    land = in_working(path, property_polygon(path, None), UTM16).geometry.iloc[0]
    assert land.area == pytest.approx(SQUARE.area, rel=1e-4)
    assert land.hausdorff_distance(SQUARE) < 0.05
    assert not land.has_z


def test_closed_line_counts_as_boundary(tmp_path):
    path = write(tmp_path / "a.gpkg", [LineString(SQUARE.exterior.coords)])
    assert property_polygon(path, None).geometry.iloc[0].area == SQUARE.area


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"nothing\.gpkg: does not exist"):
        read_vectors(tmp_path / "nothing.gpkg")


def test_not_a_vector_file(tmp_path):
    path = tmp_path / "a.gpkg"
    path.write_text("no")
    with pytest.raises(InputError, match="cannot be read as a vector file"):
        read_vectors(path)


def test_no_polygon(tmp_path):
    path = write(tmp_path / "a.gpkg", [Point(1, 1)])
    with pytest.raises(InputError, match=r"degrees"):
        property_polygon(path, None)
    path = write(tmp_path / "b.gpkg", [Point(500_000, 4_400_000)])
    with pytest.raises(InputError, match="holds no polygon, only Point"):
        property_polygon(path, None)


def test_boundary_that_crosses_itself(tmp_path):
    bow = Polygon([(500_000, 4_400_000), (500_100, 4_400_100), (500_100, 4_400_000),
                   (500_000, 4_400_100)])  # fmt: skip
    with pytest.raises(InputError, match=r"crosses or touches itself: Self-intersection\[500050"):
        property_polygon(write(tmp_path / "a.gpkg", [bow]), None)


def test_degrees_under_a_projected_crs(tmp_path):
    path = write(tmp_path / "a.gpkg", [box(-87.1, 40.0, -87.0, 40.1)])
    with pytest.raises(InputError, match="look like degrees"):
        property_polygon(path, None)


def test_metres_under_a_geographic_crs(tmp_path):
    path = write(tmp_path / "a.gpkg", [SQUARE], crs=4326)
    with pytest.raises(InputError, match="which is in degrees, but holds x 500000"):
        property_polygon(path, None)


def test_no_crs_is_asked_for_and_taken_from_the_setting(tmp_path):
    path = write(tmp_path / "a.shp", [SQUARE], crs=None)
    with pytest.raises(InputError, match=r"crs\.vectors"):
        property_polygon(path, None)
    assert property_polygon(path, "EPSG:26916").geometry.iloc[0].area == SQUARE.area


def test_keep_outs_grow_by_their_buffer(tmp_path):
    road = LineString([(500_000, 4_400_000), (500_100, 4_400_000)])
    path = write(tmp_path / "a.gpkg", [road])
    grown = areas(path, UTM16, None, 10.0)
    assert grown.area == pytest.approx(100 * 20 + 3.1416 * 100, rel=0.01)
    assert areas(path, UTM16, None).area > 0  # a bare line still divides land


def test_drawn_lines_keep_direction_and_name(tmp_path):
    line = LineString([(500_010, 4_400_010), (500_090, 4_400_080)])
    two = MultiLineString([[(500_000, 4_400_000), (500_050, 4_400_000)],
                           [(500_050, 4_400_000), (500_080, 4_400_040)]])  # fmt: skip
    path = write(tmp_path / "a.gpkg", [MultiLineString([line]), two], name=["creek", "oak"])
    drawn = drawn_lines(path, UTM16, None)
    assert drawn["name"].tolist() == ["creek", "oak"]
    assert drawn.geometry.iloc[0].coords[0] == (500_010, 4_400_010)
    assert len(drawn.geometry.iloc[1].coords) == 3


def test_drawn_things_that_are_no_lines(tmp_path):
    path = write(tmp_path / "a.gpkg", [SQUARE], name=["pond"])
    with pytest.raises(InputError, match="pond is not one line from tee to basket"):
        drawn_lines(path, UTM16, None)


# ---------------------------------------------------------------------------------------------
# What nobody draws on purpose

BOW = Polygon([(500_020, 4_400_020), (500_100, 4_400_100), (500_100, 4_400_020),
               (500_020, 4_400_100), (500_020, 4_400_020)])  # fmt: skip


def test_a_bow_tie_keeps_both_its_halves(tmp_path):
    """Two triangles of 80 by 40 m; mending by a buffer of nothing keeps one of them."""
    assert BOW.buffer(0).area == pytest.approx(1600)
    kept = areas(write(tmp_path / "a.gpkg", [BOW]), UTM16, None)
    assert kept.area == pytest.approx(2 * 80 * 40 / 2)
    assert kept.is_valid


def test_what_an_outline_goes_round_twice_is_no_hole():
    """A square drawn round twice, the second time smaller: even-odd filling would hollow it."""
    twice = Polygon([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0), (3, 3), (7, 3), (7, 7), (3, 7),
                     (3, 3), (0, 0)])  # fmt: skip
    assert not twice.is_valid
    assert enclosed(twice).area == pytest.approx(100)


def test_valid_polygons_stay_as_drawn():
    ring = Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [[(3, 3), (6, 3), (6, 6), (3, 6)]])
    assert enclosed(ring).equals(ring)


def test_shapes_deep_in_collections_are_found():
    deep = GeometryCollection(
        [GeometryCollection([SQUARE, Point(1, 1)]), LineString([(0, 0), (1, 1)])]
    )
    assert [p.geom_type for p in parts(deep)] == ["Polygon", "Point", "LineString"]


def test_a_polygon_without_area_and_a_place_that_is_none_are_refused(tmp_path):
    flat = Polygon([(500_000, 4_400_000), (500_050, 4_400_000), (500_000, 4_400_000)])
    with pytest.raises(InputError, match=r"feature 1 .* polygon without area"):
        areas(write(tmp_path / "a.gpkg", [flat]), UTM16, None)
    with np.errstate(invalid="ignore"):
        nowhere = LineString([(500_000, 4_400_000), (float("nan"), 4_400_010)])
    with pytest.raises(InputError, match=r"feature 2 \(oak\) has a corner that is no place"):
        read_vectors(write(tmp_path / "b.gpkg", [SQUARE, nowhere], name=["pond", "oak"]))


def test_a_shape_that_is_missing_is_not_passed_over(tmp_path):
    path = write(tmp_path / "a.gpkg", [SQUARE, None], name=["pond", "oak"])
    with pytest.raises(InputError, match=r"feature 2 \(oak\) has no shape"):
        areas(path, UTM16, None)


def test_names_come_from_the_first_column_that_has_one(tmp_path):
    """KML has an id column beside the names, empty as a rule."""
    line = LineString([(500_010, 4_400_010), (500_090, 4_400_080)])
    columns = {"id": [None, None, "third"], "Name": ["creek", None, " "], "hole": [None, 7.0, None]}
    path = write(tmp_path / "a.gpkg", [line] * 3, **columns)
    assert drawn_lines(path, UTM16, None)["name"].tolist() == ["creek", "7", "third"]


def test_own_holes_of_a_kml_keep_their_names(tmp_path):
    line = LineString([(500_010, 4_400_010), (500_090, 4_400_080)])
    frame = gpd.GeoDataFrame({"Name": ["creek", "oak"]}, geometry=[line, line], crs=26916)
    path = tmp_path / "mine.kml"
    frame.to_crs(4326).to_file(path, driver="KML")
    assert drawn_lines(path, UTM16, None)["name"].tolist() == ["creek", "oak"]


@pytest.mark.parametrize(
    ("name", "said"),
    [("x" * 61, "61 characters"), ("a\x1b[31m", r"U\+001B"), ("a\nb", r"U\+000A")],
)
def test_names_that_no_page_can_show(tmp_path, name, said):
    line = LineString([(500_010, 4_400_010), (500_090, 4_400_080)])
    with pytest.raises(InputError, match=f"name of feature 1 has .*{said}"):
        drawn_lines(write(tmp_path / "a.gpkg", [line], name=[name]), UTM16, None)


def test_a_thousand_holes_and_a_hole_of_800_km_are_refused(tmp_path):
    line = LineString([(500_010, 4_400_010), (500_090, 4_400_080)])
    with pytest.raises(InputError, match="holds 1,000 holes; at most 200"):
        drawn_lines(write(tmp_path / "a.gpkg", [line] * 1000), UTM16, None)
    far = LineString([(500_010, 4_400_010), (500_010, 5_200_010)])
    with pytest.raises(InputError, match="800,000 m long"):
        drawn_lines(write(tmp_path / "b.gpkg", [far]), UTM16, None)


@pytest.mark.parametrize("code", [4978, 5703])
def test_a_crs_that_lays_nothing_on_a_map(tmp_path, code):
    with pytest.raises(InputError, match="neither projected nor longitude and latitude"):
        read_vectors(write(tmp_path / "a.gpkg", [SQUARE], crs=code))
