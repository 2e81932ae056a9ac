"""Layers of parcels as offices keep them: keys, and features that are no usable polygon."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lanewright.base.errors import InputError
from lanewright.rank.parcels import read_parcels

CRS = 26916
X, Y = 500_000, 4_000_000
SQUARE = shapely.box(X, Y, X + 100, Y + 100)


def layer(folder, columns, shapes=None):
    rows = len(next(iter(columns.values())))
    shapes = shapes or [shapely.box(X + k, Y, X + k + 9, Y + 9) for k in range(0, 20 * rows, 20)]
    path = folder / "parcels.gpkg"
    gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS).to_file(path)
    return path


@pytest.mark.parametrize(
    ("columns", "keys"),
    [
        ({"PIN": ["12/7", "12/8"], "id": [1, 2]}, ["12_7", "12_8"]),
        ({"pin": ["a", "a"], "id": [7.0, 8.0]}, ["7", "8"]),  # a key that comes twice is none
        ({"pin": ["a", "A"]}, ["1", "2"]),  # nor are two that some file systems take for one
        ({"owner": ["x"] * 10}, [f"{n:02}" for n in range(1, 11)]),
        ({"pin": ["../../etc", ".."]}, ["1", "2"]),  # nothing of `..` can stand in a name
        ({"pin": ["../../etc", "b"]}, ["etc", "b"]),
    ],
)
def test_keys_name_each_parcel_once_and_stay_in_the_folder(tmp_path, columns, keys):
    parcels, _ = read_parcels(layer(tmp_path, columns), None)
    assert [p.key for p in parcels] == keys


def test_a_named_column_is_taken_or_refused(tmp_path):
    path = layer(tmp_path, {"owner": ["Rowe", "Hale"], "side": ["n", "n"]})
    assert [p.key for p in read_parcels(path, None, "Owner")[0]] == ["Rowe", "Hale"]
    for column in ("side", "block"):
        with pytest.raises(InputError, match=r"rank\.id_column"):
            read_parcels(path, None, column)


def test_a_bad_feature_is_a_fault_of_its_own(tmp_path):
    bow = shapely.Polygon([(X, Y), (X + 100, Y + 100), (X + 100, Y), (X, Y + 100)])
    nowhere = shapely.Polygon([(X, Y), (X + 100, np.inf), (X + 100, Y)])
    two = shapely.MultiPolygon([SQUARE, shapely.box(X + 200, Y, X + 300, Y + 100)])
    shapes = [SQUARE, bow, None, shapely.Point(X, Y), nowhere, two]
    path = tmp_path / "parcels.gpkg"
    gpd.GeoDataFrame({"id": range(6)}, geometry=shapes, crs=CRS).to_file(path)
    parcels, _ = read_parcels(path, None)
    faults = [p.fault for p in parcels]
    assert faults[0] == faults[5] == ""
    assert "crosses" in faults[1]
    assert "no shape" in faults[2]
    assert "Point" in faults[3]
    assert "no shape" in faults[4]
    assert parcels[5].shape.area == 20_000
    assert parcels[1].shape.area == 5_000  # two triangles of 100 by 50
