"""Elevation tiles onto the grid."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.transform import from_origin

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.sources.rasters import joined, open_elevation
from lanewright.sources.rasters import read_elevation as readings_of

UTM16 = CRS.from_epsg(26916).to_wkt()


def write(path: Path, heights: np.ndarray, crs="EPSG:26916", cell=1.0, left=500_000.0,
          top=4_400_100.0, units: str | None = None, nodata: float = -9999) -> Path:  # fmt: skip
    with rasterio.open(
        path, "w", driver="GTiff", height=heights.shape[0], width=heights.shape[1], count=1,
        dtype="float32", crs=crs, transform=from_origin(left, top, cell, cell), nodata=nodata,
    ) as out:  # fmt: skip
        out.write(heights.astype("float32"), 1)
        if units:
            out.units = (units,)
    return path


def read_elevation(tiles, grid):
    return joined(readings_of(tiles, grid), grid)


def plane(rows: int, cols: int) -> np.ndarray:
    """Height 0.1 x + 0.2 y from the lower left corner, at cell centres."""
    r, c = np.mgrid[:rows, :cols] + 0.5
    return 100 + 0.1 * c + 0.2 * (rows - r)


def test_a_plane_comes_back_between_cells(tmp_path):
    tile = open_elevation(write(tmp_path / "a.tif", plane(100, 100)), None, None)
    grid = Grid(UTM16, 500_010.0, 4_400_090.0, 0.5, 160, 160)
    found = read_elevation([tile], grid)
    r, c = np.mgrid[:160, :160] + 0.5
    expected = 100 + 0.1 * (10 + c * 0.5) + 0.2 * (90 - r * 0.5)
    np.testing.assert_allclose(found, expected, atol=1e-3)


def test_beyond_the_tiles_and_nodata_is_void(tmp_path):
    heights = plane(100, 100)
    heights[40:60, 40:60] = -9999
    tile = open_elevation(write(tmp_path / "a.tif", heights), None, None)
    found = read_elevation([tile], Grid(UTM16, 500_000.0, 4_400_100.0, 1.0, 100, 200))
    assert np.isnan(found[45:55, 45:55]).all()
    assert np.isnan(found[:, 101:]).all()
    assert np.isfinite(found[:38, :98]).all()


def test_two_tiles_join_without_a_seam(tmp_path):
    whole = plane(100, 200)
    tiles = [
        open_elevation(write(tmp_path / "a.tif", whole[:, :100]), None, None),
        open_elevation(write(tmp_path / "b.tif", whole[:, 100:], left=500_100.0), None, None),
    ]
    grid = Grid(UTM16, 500_000.0, 4_400_100.0, 1.0, 100, 200)
    one, other = read_elevation(tiles, grid), read_elevation(tiles[::-1], grid)
    np.testing.assert_array_equal(one, other)
    np.testing.assert_allclose(one, whole, atol=1e-3)


@pytest.mark.parametrize(("units", "metres"), [("US survey foot", 1200 / 3937), ("ft", 0.3048)])
def test_heights_in_feet_by_the_band_unit(tmp_path, units, metres):
    tile = open_elevation(write(tmp_path / "a.tif", plane(9, 9), units=units), None, None)
    assert tile.vertical == metres


def test_heights_in_feet_by_a_compound_crs(tmp_path):
    tile = open_elevation(write(tmp_path / "a.tif", plane(9, 9), crs="EPSG:26916+6360"), None, None)
    assert tile.vertical == pytest.approx(1200 / 3937)


def test_feet_sideways_with_untold_heights_are_refused(tmp_path):
    path = write(tmp_path / "a.tif", plane(9, 9), crs="EPSG:6880", left=2_445_180, top=604_340)
    with pytest.raises(InputError, match=r"crs\.elevation_unit"):
        open_elevation(path, None, None)
    assert open_elevation(path, None, "us-ft").vertical == 1200 / 3937


def test_no_crs_and_no_raster(tmp_path):
    with pytest.raises(InputError, match=r"crs\.elevation"):
        open_elevation(write(tmp_path / "a.tif", plane(9, 9), crs=None), None, None)
    (tmp_path / "b.tif").write_text("no")
    with pytest.raises(InputError, match="cannot be read as a raster"):
        open_elevation(tmp_path / "b.tif", None, None)
