"""Boundaries and drawn lines: formats, and each way they can be wrong."""

from pathlib import Path

import geopandas as gpd
import pytest
from pyproj import CRS
from shapely import LineString, MultiLineString, Point, Polygon, box

from lanewright.base.errors import InputError
from lanewright.sources.vectors import (
    areas,
    drawn_lines,
    in_working,
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
