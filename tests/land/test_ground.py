"""The ground stage: which source is taken, and how it holds against ground made elsewhere."""

from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
import rasterio

from lanewright.base.errors import InputError
from lanewright.land.ground import Ground, find_ground
from lanewright.land.survey import Survey
from lanewright.settings.config import Config
from lanewright.store import Store
from surveyed import survey_of


def ground_of(tmp_path: Path, points: Path | None, **more) -> tuple[Survey, Ground]:
    settings = Config.model_validate(
        {"name": "x", "points": [str(points)] * bool(points), "out": str(tmp_path / "out")} | more
    )
    store = Store(tmp_path / "store", threads=2)
    survey = survey_of(settings, store)
    return survey, store.step(find_ground, survey, settings.ground)


@pytest.mark.parametrize(
    ("name", "more", "mean", "p50", "tolerance"),
    [
        # Means and medians of GDAL's gdal_grid linear interpolation of class 2, within the hull;
        # our footprint reaches a metre or two past it, which shows on small clips.
        ("lidr-topography-lake/Topography.laz", {}, 805.071, 805.809, 0.05),
        ("ponderosa-als/ALS_Clip.laz", {}, 2282.261, 2282.171, 0.2),
        ("ign-km-0299/semis_2023_0299_6802_decimated.laz", {}, 142.874, 143.723, 0.05),
        ("nebraska-ftus/file_with_both_wkt_and_geotiff_vlrs.las", {}, 412.807, 412.815, 0.05),
        ("mixed-units-lcc-m-navd88-ft/autzen-bmx-2010.las", {}, 130.269, 130.014, 0.3),
    ],
)
def test_class_2_surface_is_that_of_gdal(real_data, tmp_path, name, more, mean, p50, tolerance):
    survey, ground = ground_of(tmp_path, real_data / name, **more)
    assert ground.source == "class 2"
    surface = ground.surface[survey.inside & np.isfinite(ground.surface)]
    assert surface.mean() == pytest.approx(mean, abs=tolerance)
    assert np.median(surface) == pytest.approx(p50, abs=tolerance)


def test_feet_give_metres(registry_data, tmp_path):
    """Eugene, Oregon in international feet: gdal_grid mean 127.773 m, 1 m cells."""
    survey, ground = ground_of(
        tmp_path, registry_data / "autzen_trim.laz", crs={"vertical_unit": "ft"}
    )
    surface = ground.surface[survey.inside & np.isfinite(ground.surface)]
    assert surface.mean() == pytest.approx(127.773, abs=0.25)
    assert survey.land.area == pytest.approx(51_917, rel=0.03)


def test_surface_is_that_of_the_national_mapping_agency(real_data, tmp_path):
    """IGN's own TIN at 0.5 m: root mean square difference under 5 cm."""
    folder = real_data / "ign-montpellier-mosaic"
    survey, ground = ground_of(tmp_path, folder / "*.laz")
    with rasterio.open(folder / "reference_DTM_77055_627760_50CM.tif") as source:
        theirs = source.read(1, masked=True).filled(np.nan)
        x, y = np.meshgrid(np.arange(source.width), np.arange(source.height))
        x, y = source.transform @ (x + 0.5, y + 0.5)
    row, col = survey.grid.rowcol(x, y)
    inner = (row > 0) & (row < survey.grid.rows - 1) & (col > 0) & (col < survey.grid.cols - 1)
    difference = ground.surface[row[inner], col[inner]] - theirs[inner]
    difference = difference[np.isfinite(difference)]
    assert len(difference) > 9000
    assert np.sqrt((difference**2).mean()) < 0.05


def test_heights_above_ground_take_the_elevation_tiles(real_data, tmp_path):
    folder = real_data / "pycrown-nz-steep"
    survey, ground = ground_of(tmp_path, folder / "POINTS.laz", elevation=[str(folder / "DTM.tif")])
    assert ground.source == "heights"
    assert ground.heights_given
    surface = ground.surface[survey.inside & np.isfinite(ground.surface)]
    assert np.median(surface) == pytest.approx(568.267, abs=1.0)


def test_elevation_alone_says_what_is_not_known(real_data, tmp_path):
    _, ground = ground_of(
        tmp_path, None, elevation=[str(real_data / "dem-minnesota-depressions" / "dem.tif")]
    )
    assert ground.source == "elevation"
    assert any("clearance is unknown" in w for w in ground.warnings)
    assert np.nanmin(ground.surface) == pytest.approx(379.659, abs=0.05)


def test_unclassified_points_are_filtered(real_data, tmp_path):
    survey, ground = ground_of(
        tmp_path, real_data / "ign-noepsg-unclassified" / "*.laz", crs={"points": "EPSG:2154"}
    )
    assert ground.source == "filter"
    assert np.isfinite(ground.surface[survey.inside]).mean() > 0.99


def test_elevation_in_the_wrong_unit_is_noticed(real_data, tmp_path):
    folder = real_data / "ign-montpellier-mosaic"
    tile = folder / "test_data_77055_627760_LA93_IGN69.laz"
    reference = str(folder / "reference_DTM_77055_627760_50CM.tif")
    _, ground = ground_of(tmp_path, tile, elevation=[reference])
    assert abs(ground.facts["elevation_minus_lidar_m"]) < 0.02
    with pytest.raises(InputError, match="as feet and metres do"):
        ground_of(tmp_path, tile, elevation=[reference], crs={"elevation_unit": "ft"})


def test_class_2_must_be_there_to_be_asked_for(real_data, tmp_path):
    with pytest.raises(InputError, match="hold no class 2"):
        ground_of(
            tmp_path,
            real_data / "ign-noepsg-unclassified" / "*.laz",
            crs={"points": "EPSG:2154"},
            ground={"source": "class 2"},
        )


def model_of(tmp_path: Path, heights: np.ndarray) -> Path:
    path = tmp_path / "model.tif"
    rows, cols = heights.shape
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=cols, count=1, dtype="float32",
        crs="EPSG:32616", transform=rasterio.transform.from_origin(5e5, 4.4e6, 1, 1),
    ) as file:  # fmt: skip
        file.write(heights.astype(np.float32), 1)
    return path


@pytest.mark.parametrize(
    "heights",
    [
        np.random.default_rng(3).uniform(0, 100, (120, 120)),
        np.where(np.arange(120)[:, None] > 90, 5100.0, 100.0) + np.zeros((120, 120)),
    ],
    ids=["noise", "a wall of 5 km"],
)
def test_heights_that_no_land_has_are_refused(tmp_path, heights):
    with pytest.raises(InputError, match="elevation: its heights step by"):
        ground_of(tmp_path, None, elevation=[str(model_of(tmp_path, heights))])


def test_a_cliff_of_300_m_is_land(tmp_path):
    """Sheer drops of that height exist; from memory, Preikestolen in Norway falls 604 m in all."""
    cliff = np.where(np.arange(120)[:, None] > 60, 400.0, 100.0) + np.zeros((120, 120))
    _, ground = ground_of(tmp_path, None, elevation=[str(model_of(tmp_path, cliff))])
    assert np.nanmax(ground.surface) == 400


def test_ground_returns_that_are_noise_are_refused(tmp_path):
    rng = np.random.default_rng(4)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [5e5, 4.4e6, 0]
    header.add_crs(pyproj.CRS.from_epsg(32616))
    las = laspy.LasData(header)
    las.x, las.y = 5e5 + 50 * rng.random(20_000), 4.4e6 + 50 * rng.random(20_000)
    las.z = 200 + 100 * rng.random(20_000)
    las.classification = np.full(20_000, 2, np.uint8)
    las.return_number = las.number_of_returns = np.ones(20_000, np.uint8)
    las.write(tmp_path / "noise.laz")
    with pytest.raises(InputError, match="points: its heights step by"):
        ground_of(tmp_path, tmp_path / "noise.laz")
