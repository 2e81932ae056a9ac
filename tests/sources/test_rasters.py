"""Elevation tiles onto the grid."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.transform import Affine, from_origin

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.sources import rasters
from lanewright.sources.files import fingerprint
from lanewright.sources.rasters import joined, open_elevation
from lanewright.sources.rasters import read_elevation as readings_of

UTM16 = CRS.from_epsg(26916).to_wkt()


def write(path: Path, heights: np.ndarray, crs="EPSG:26916", cell=1.0, left=500_000.0,
          top=4_400_100.0, units: str | None = None,
          nodata: float | None = -9999) -> Path:  # fmt: skip
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


GRID = Grid(UTM16, 500_000.0, 4_400_100.0, 1.0, 100, 100)


def read_one(path: Path, **settings):
    tile = open_elevation(path, None, settings.get("unit"))
    (reading,) = readings_of([tile], GRID)
    return joined([reading], GRID), reading.warnings


@pytest.mark.parametrize("value", [-9999.0, -32768.0, 3.4e38, -3.4028235e38, 1e20, 99999.0])
def test_undeclared_values_are_taken_out_before_resampling(tmp_path, value):
    """A half-metre grid over metre cells: what surrounds the hole would be pulled towards it."""
    heights = plane(100, 100)
    heights[40:60, 40:60] = value
    path = write(tmp_path / "a.tif", heights, nodata=None)
    fine = Grid(UTM16, 500_000.0, 4_400_100.0, 0.5, 200, 200)
    (reading,) = readings_of([open_elevation(path, None, None)], fine)
    found = joined([reading], fine)
    r, c = np.mgrid[:200, :200] + 0.5
    expected = 100 + 0.05 * c + 0.1 * (200 - r)
    known = np.isfinite(found)
    inner = known[4:-4, 4:-4]
    np.testing.assert_allclose(found[4:-4, 4:-4][inner], expected[4:-4, 4:-4][inner], atol=0.06)
    assert not known[82:118, 82:118].any()
    assert known.sum() >= 200 * 200 - 42 * 42
    (said,) = reading.warnings
    assert f"400 cells hold {value:.6g}" in said


def test_zeros_where_nothing_is_near_zero_are_unknown(tmp_path):
    heights = plane(100, 100)
    heights[:, :30] = 0
    found, warnings = read_one(write(tmp_path / "a.tif", heights))
    assert np.isnan(found[:, :29]).all()
    assert np.isfinite(found[:, 31:]).all()
    assert "3000 cells hold 0" in warnings[0]


def test_a_tile_of_nothing_but_zeros_is_unknown(tmp_path):
    """As an empty tile is delivered; a row of a million cells of it is read as soon."""
    found, warnings = read_one(write(tmp_path / "a.tif", np.zeros((1, 1_000_000), np.float32)))
    assert np.isnan(found).all()
    assert "cells hold 0" in warnings[0]


def test_a_signalling_nan_is_unknown_without_a_word(tmp_path):
    """Widening such a float32 to float64 raises a floating-point warning on this hardware."""
    heights = plane(100, 100).astype(np.float32)
    heights.view(np.uint32)[50, 50] = 0x7F800001
    found, warnings = read_one(write(tmp_path / "a.tif", heights))
    assert np.isfinite(found[40, 40])
    assert warnings == ()


def test_zeros_by_the_sea_stay(tmp_path):
    heights = np.maximum(plane(100, 100) - 110, 0)  # a beach that rises from 0
    found, warnings = read_one(write(tmp_path / "a.tif", heights))
    assert np.isfinite(found).all()
    assert warnings == ()


def test_scale_and_offset_of_the_band_are_applied(tmp_path):
    path = tmp_path / "a.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=100, width=100, count=1, dtype="int16",
        crs="EPSG:26916", transform=from_origin(5e5, 4_400_100, 1, 1), nodata=-32768,
    ) as out:  # fmt: skip
        stored = np.full((100, 100), 1250, "int16")
        stored[0, 0] = -32768
        out.write(stored, 1)
        out.scales, out.offsets = (0.1,), (100.0,)
    found, warnings = read_one(path)
    assert found[50, 50] == pytest.approx(225.0)
    assert np.isnan(found[0, 0])
    assert warnings == ()


def test_a_scale_that_turns_heights_into_depths_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", plane(9, 9))
    with rasterio.open(path, "r+") as file:
        file.scales = (-1.0,)
    with pytest.raises(InputError, match="scales its heights by -1"):
        read_one(path)


@pytest.mark.parametrize(("unit", "metres"), [("cm", 0.01), ("decimetre", 0.1)])
def test_other_units_of_the_band(tmp_path, unit, metres):
    path = write(tmp_path / "a.tif", plane(9, 9), units=unit)
    assert open_elevation(path, None, None).vertical == metres


def test_a_unit_nobody_knows_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", plane(9, 9), units="furlong")
    with pytest.raises(InputError, match="'furlong', which is no known unit"):
        open_elevation(path, None, None)


def band(path: Path, count: int, dtype: str, transform=None, **more) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", height=9, width=9, count=count, dtype=dtype, crs="EPSG:26916",
        transform=transform or from_origin(5e5, 4.4e6, 1, 1), **more,
    ) as out:  # fmt: skip
        out.write(np.full((count, 9, 9), 7, dtype))
    return path


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: band(p, 3, "uint8", photometric="RGB"), "is a picture"),
        (lambda p: band(p, 1, "uint8"), "is a picture"),
        (lambda p: band(p, 3, "uint16", photometric="RGB"), "is a picture"),
        (lambda p: band(p, 12, "float32"), "holds 12 bands"),
        (lambda p: band(p, 1, "complex64"), "complex"),
        (lambda p: band(p, 1, "float32", Affine(1, 0.2, 5e5, 0.2, -1, 4.4e6)), "rotated"),
        (lambda p: band(p, 1, "float32", Affine(1, 0, 5e5, 0, 1, 4.4e6)), "upside down"),
        (lambda p: band(p, 1, "float32", Affine.identity()), "where it lies"),
    ],
)
def test_what_is_no_plain_terrain_model_is_refused(tmp_path, make, said):
    with pytest.raises(InputError, match=said):
        open_elevation(make(tmp_path / "a.tif"), None, None)


def test_nothing_but_nonsense_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", np.full((100, 100), 1e6))
    with pytest.raises(InputError, match="holds no height between -500 and 9000 m here, but 1e"):
        readings_of([open_elevation(path, None, None)], GRID)


def test_a_tile_changed_since_planning_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", plane(100, 100))
    tile = dataclasses.replace(open_elevation(path, None, None), content=fingerprint(path))
    readings_of([tile], GRID)
    write(path, plane(100, 100) + 577)
    with pytest.raises(InputError, match="changed while the run was reading it"):
        readings_of([tile], GRID)


def test_blocks_do_not_show(tmp_path, monkeypatch):
    path = write(tmp_path / "a.tif", plane(100, 100) + np.random.default_rng(0).random((100, 100)))
    fine = Grid(UTM16, 500_010.3, 4_400_090.2, 0.5, 150, 150)
    tile = open_elevation(path, None, None)
    whole = read_elevation([tile], fine)
    monkeypatch.setattr(rasters, "_BLOCK", 37)
    np.testing.assert_allclose(read_elevation([tile], fine), whole, atol=1e-4)


def test_the_pole_is_one_message(tmp_path):
    path = write(tmp_path / "a.tif", plane(9, 9), crs="EPSG:4326", cell=0.1, left=10, top=90.5)
    with pytest.raises(InputError, match="are not degrees"):
        open_elevation(path, None, None)


def test_damaged_cells_are_refused(tmp_path):
    """Bytes at random: most are no heights, the rest cannot be distinguished from some."""
    heights = np.random.default_rng(0).integers(0, 2**32, (100, 100), np.uint32).view("float32")
    heights = np.where(np.isfinite(heights), heights, 7)
    path = write(tmp_path / "a.tif", heights)
    with pytest.raises(InputError, match="more than 20 different values that no land has"):
        readings_of([open_elevation(path, None, None)], GRID)


def test_cells_beyond_the_earth_are_refused(tmp_path):
    path = band(tmp_path / "a.tif", 1, "float32", Affine(1e300, 0, 5e5, 0, -1e300, 4.4e6))
    with pytest.raises(InputError, match="beyond the earth"):
        open_elevation(path, None, None)
