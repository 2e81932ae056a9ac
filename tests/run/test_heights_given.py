"""Points with heights above ground: where it is wet is unknown in all that is published."""

import json

import geopandas as gpd
import laspy
import numpy as np
import pytest
import rasterio
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

from lanewright.scout import run
from lanewright.settings.config import load
from small import small_property


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    """The small property, each point's height made that over the ground points around it."""
    folder = tmp_path_factory.mktemp("given")
    path = small_property(folder)
    for tile in folder.glob("*.laz"):
        las = laspy.read(tile)
        x, y, z = (np.asarray(getattr(las, n)) for n in "xyz")
        ground = np.asarray(las.classification) == 2
        places = np.column_stack([x, y])
        under = LinearNDInterpolator(places[ground], z[ground])(places)
        nearest = NearestNDInterpolator(places[ground], z[ground])(places)
        las.z = z - np.where(np.isfinite(under), under, nearest)
        las.write(tile)
    run(load(path))
    return folder / "out"


def test_no_ground_is_called_wet_or_dry(out):
    layers = set(gpd.list_layers(out / "scout.gpkg")["name"])
    for name in ("wet_ground", "drainage"):
        assert name not in layers or gpd.read_file(out / "scout.gpkg", layer=name).empty
    for name in ("wetness", "ponding", "height_above_drainage"):
        with rasterio.open(out / "rasters" / f"{name}.tif") as raster:
            assert raster.read(1, masked=True).mask.all()


def test_legs_and_holes_leave_it_open_and_are_scored_without_it(out):
    legs, holes = (gpd.read_file(out / "scout.gpkg", layer=n) for n in ("legs", "holes"))
    assert len(legs)
    assert legs["wet_share"].isna().all()
    assert holes["wet_share"].isna().all()
    assert legs["score"].notna().all()
    assert (legs["score"] > 0).any()


def test_page_and_summary_say_that_it_is_not_known(out):
    said = json.loads((out / "summary.json").read_text())["warnings"]
    assert any("drainage and wet ground are not known" in text for text in said)
    page = (out / "report.html").read_text()
    assert "where it is wet is not known" in page.lower()
    assert "No wet ground shows" not in page
