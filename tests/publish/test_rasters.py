import warnings

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.errors import NotGeoreferencedWarning
from rio_cogeo import cog_validate

from lanewright.base import schema
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.publish.rasters import write_cog
from publish.frames import UTM

ROWS, COLS = 700, 1100


@pytest.fixture(scope="module")
def grid():
    return Grid(UTM, 440_000.0, 3_800_000.0, 0.5, ROWS, COLS)


@pytest.fixture(scope="module")
def ground():
    """A hill with a void in it."""
    row, col = np.mgrid[:ROWS, :COLS]
    array = 200 + 20 * np.sin(row / 90) * np.cos(col / 130)
    array[100:180, 300:420] = np.nan
    return (np.round(array * 1024) / 1024).astype(np.float32)  # millimetres, as kept


@pytest.fixture(scope="module")
def written(ground, grid, tmp_path_factory):
    path = tmp_path_factory.mktemp("rasters") / "ground.tif"
    write_cog(path, ground, grid, schema.RASTERS["ground"])
    return path


def test_rio_cogeo_finds_nothing(written):
    assert cog_validate(written, strict=True) == (True, [], [])


def test_values_and_georeference_come_back(written, ground, grid):
    with rasterio.open(written) as source:
        assert source.shape == grid.shape
        assert source.transform == grid.transform
        assert source.crs.to_epsg() == 32617
        assert source.nodata == -9999
        assert source.dtypes == ("float32",)
        assert source.overviews(1) == [2, 4]
        assert source.block_shapes == [(512, 512)]
        read = source.read(1, masked=True)
    np.testing.assert_array_equal(read.mask, np.isnan(ground))
    np.testing.assert_array_equal(read.filled(np.nan), ground)


def test_the_file_says_what_it_holds(written):
    with rasterio.open(written) as source:
        assert source.descriptions == ("ground",)
        assert source.units == ("m",)
        assert source.tags()["TIFFTAG_IMAGEDESCRIPTION"].startswith("Height of the bare ground")
        assert source.tags()["TIFFTAG_SOFTWARE"].startswith("lanewright ")
        assert source.tags()["AREA_OR_POINT"] == "Area"
        layout = source.tags(ns="IMAGE_STRUCTURE")
    assert layout["LAYOUT"] == "COG"
    assert layout["COMPRESSION"] == "DEFLATE"
    assert layout["PREDICTOR"] == "3"


def test_statistics_are_those_of_numpy(written, ground):
    with rasterio.open(written) as source:
        tags = source.tags(1)
    known = ground[~np.isnan(ground)].astype(np.float64)
    want = {"MINIMUM": known.min(), "MAXIMUM": known.max(), "MEAN": known.mean()}
    want |= {"STDDEV": known.std(), "VALID_PERCENT": 100 * known.size / ground.size}
    for name, value in want.items():
        assert float(tags[f"STATISTICS_{name}"]) == pytest.approx(
            value, rel=1e-3 if "_" in name else 1e-9
        )


def test_statistics_are_those_of_gdal(ground, grid, tmp_path):
    path = tmp_path / "ground.tif"
    write_cog(path, ground, grid, schema.RASTERS["ground"])
    with rasterio.open(path) as source:
        said = source.tags(1)
    plain = tmp_path / "plain.tif"
    with rasterio.open(plain, "w", driver="GTiff", dtype="float32", count=1, nodata=-9999,
                       height=ROWS, width=COLS, transform=grid.transform) as copy:  # fmt: skip
        copy.write(np.where(np.isnan(ground), -9999, ground), 1)
    with rasterio.open(plain) as copy:
        (gdal,) = copy.stats(indexes=[1], approx=False)
    assert float(said["STATISTICS_MINIMUM"]) == gdal.min
    assert float(said["STATISTICS_MAXIMUM"]) == gdal.max
    assert float(said["STATISTICS_MEAN"]) == pytest.approx(gdal.mean, rel=1e-9)
    assert float(said["STATISTICS_STDDEV"]) == pytest.approx(gdal.std, rel=1e-6)


def test_overviews_are_means_of_known_cells(written, ground):
    with rasterio.open(written, overview_level=0) as source:
        half = source.read(1, masked=True)
    blocks = ground.reshape(ROWS // 2, 2, COLS // 2, 2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # blocks without a known cell
        means = np.nanmean(blocks, axis=(1, 3))
    np.testing.assert_array_equal(half.mask, np.isnan(means))
    np.testing.assert_allclose(half.filled(np.nan), means, rtol=1e-6)


def test_directions_are_never_averaged(grid, tmp_path):
    aspect = np.full(grid.shape, 350.0, np.float32)
    aspect[:, 1::2] = 10.0
    write_cog(tmp_path / "aspect_deg.tif", aspect, grid, schema.RASTERS["aspect_deg"])
    with rasterio.open(tmp_path / "aspect_deg.tif", overview_level=0) as source:
        assert set(np.unique(source.read(1))) <= {10.0, 350.0}


@pytest.mark.parametrize("name", schema.RASTERS)
def test_every_raster_of_the_schema(name, tmp_path):
    small = Grid(UTM, 440_000.0, 3_800_000.0, 1.0, 40, 30)
    array = np.random.default_rng(1).random(small.shape)
    write_cog(tmp_path / f"{name}.tif", array, small, schema.RASTERS[name])
    assert cog_validate(tmp_path / f"{name}.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / f"{name}.tif") as source:
        assert source.descriptions == (name,)
        assert source.units == (schema.RASTERS[name].unit,)
        read = source.read(1)
    assert np.abs(read - array).max() <= schema.RASTERS[name].step / 2


@pytest.mark.parametrize("raster", schema.RASTERS.values(), ids=schema.RASTERS)
def test_steps_are_finer_than_lidar_and_exact(raster):
    assert np.log2(raster.step) == int(np.log2(raster.step))
    assert (
        raster.step
        <= {"m": 0.01, "1": 0.05, "1/m": 0.01, "percent": 0.1, "degrees": 1}[raster.unit]
    )


@pytest.mark.parametrize("height", [0.0, 123.4567, 8848.86, -430.5])
def test_heights_are_kept_to_a_millimetre(height, tmp_path):
    grid = Grid(UTM, 440_000.0, 3_800_000.0, 1.0, 2, 2)
    write_cog(tmp_path / "a.tif", np.full((2, 2), height), grid, schema.RASTERS["ground"])
    with rasterio.open(tmp_path / "a.tif") as source:
        assert source.read(1)[0, 0] == pytest.approx(height, abs=0.00075)


@pytest.mark.parametrize("threads", ["1", "2"])
def test_equal_arrays_make_equal_files(written, ground, grid, tmp_path, threads):
    with rasterio.Env(GDAL_NUM_THREADS=threads):
        write_cog(tmp_path / "other.tif", ground.astype(np.float64), grid, schema.RASTERS["ground"])
    assert (tmp_path / "other.tif").read_bytes() == written.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["other.tif"]


@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (513, 513)])
def test_odd_shapes(shape, tmp_path):
    grid = Grid(UTM, 440_000.0, 3_800_000.0, 0.5, *shape)
    array = np.arange(shape[0] * shape[1], dtype=np.float32).reshape(shape)
    write_cog(tmp_path / "a.tif", array, grid, schema.RASTERS["ponding"])
    assert cog_validate(tmp_path / "a.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / "a.tif") as source:
        np.testing.assert_array_equal(source.read(1), array)


def test_nothing_known_at_all(grid, tmp_path):
    write_cog(tmp_path / "a.tif", np.full(grid.shape, np.nan), grid, schema.RASTERS["wetness"])
    assert cog_validate(tmp_path / "a.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / "a.tif") as source:
        assert source.read(1, masked=True).mask.all()
        assert "STATISTICS_MEAN" not in source.tags(1)


def test_the_array_is_left_as_it_was(ground, grid, tmp_path):
    array = ground.copy()
    array.flags.writeable = False
    write_cog(tmp_path / "a.tif", array, grid, schema.RASTERS["ground"])
    np.testing.assert_array_equal(array, ground)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda a: a[:-1], "raster ground is"),
        (lambda a: np.where(np.isnan(a), np.inf, a), "infinite"),
        (lambda a: np.where(np.isnan(a), -9999, a), "holds its nodata"),
    ],
)
def test_wrong_arrays_are_refused(ground, grid, tmp_path, change, said):
    with pytest.raises(ValueError, match=said):
        write_cog(tmp_path / "a.tif", change(ground), grid, schema.RASTERS["ground"])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.filterwarnings("ignore:You will likely lose important projection information")
def test_a_crs_of_its_own_survives(tmp_path):
    own = CRS.from_proj4("+proj=tmerc +lat_0=34 +lon_0=-81.3 +k=0.9999 +x_0=5000 +datum=NAD83")
    grid = Grid(own.to_wkt(), 4_000.0, 9_000.0, 0.5, 40, 30)
    write_cog(tmp_path / "a.tif", np.ones(grid.shape), grid, schema.RASTERS["slope"])
    assert cog_validate(tmp_path / "a.tif", strict=True) == (True, [], [])
    with rasterio.open(tmp_path / "a.tif") as source:
        back = CRS.from_wkt(source.crs.to_wkt())
    # GeoTIFF keeps the numbers of a projection, not always its names.
    assert back.to_dict() == CRS.from_wkt(own.to_wkt()).to_dict()


def test_a_disk_that_cannot_be_written(ground, grid, tmp_path):
    (tmp_path / "rasters").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_cog(tmp_path / "rasters" / "a.tif", ground, grid, schema.RASTERS["ground"])


def test_damage_is_seen_by_the_validator(written, tmp_path):
    # Tags added afterwards move the header to the end, which is what must not happen.
    copy = tmp_path / "a.tif"
    copy.write_bytes(written.read_bytes())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(copy, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as source:
            source.update_tags(1, NOTE="x" * 5000)
    assert not cog_validate(copy, strict=True)[0]
