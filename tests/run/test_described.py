"""What a run hands out explains itself, in the words of its own settings."""

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import rasterio
import yaml

from lanewright.base import schema
from run.runs import called, tunnel_survey

HEIGHTS = "0.75 to 4 m"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("described")
    config = tunnel_survey(folder)
    settings = yaml.safe_load(config.read_text())
    settings |= {"lanes": {"low": 0.75, "high": 4.0}, "vegetation": {"canopy_from": 2.5}}
    config.write_text(yaml.safe_dump(settings))
    done = called("scout", config)
    assert done.returncode == 0, done.stderr
    return folder / "out"


def rows(out, query, *values):
    with closing(sqlite3.connect(out / "scout.gpkg")) as db:
        return db.execute(query, values).fetchall()


def test_every_published_column_is_described(out):
    layers = rows(
        out, "SELECT table_name, description FROM gpkg_contents WHERE data_type = 'features'"
    )
    assert len(layers) > 10
    for layer, description in layers:
        assert description.endswith(".")
        assert "{" not in description
        columns = {row[1] for row in rows(out, f"PRAGMA table_info({layer})")} - {"fid", "geom"}
        explained = dict(
            rows(
                out,
                "SELECT column_name, description FROM gpkg_data_columns WHERE table_name = ?",
                layer,
            )
        )
        assert columns == set(explained)
        assert all("." in text and "{" not in text for text in explained.values())


def test_every_published_raster_is_described(out):
    files = {path.stem: path for path in (out / "rasters").glob("*.tif")}
    assert set(files) == set(schema.RASTERS)
    for name, path in files.items():
        with rasterio.open(path) as source:
            assert source.descriptions == (name,)
            assert source.units == (schema.RASTERS[name].unit,)
            assert "{" not in source.tags()["TIFFTAG_IMAGEDESCRIPTION"]


def test_descriptions_name_the_heights_that_the_settings_set(out):
    (lanes,) = rows(out, "SELECT description FROM gpkg_contents WHERE table_name = 'lanes'")
    assert f"({HEIGHTS} over the ground)" in lanes[0]
    for name, words in (("free_width", HEIGHTS), ("canopy_cover", "vegetation from 2.5 m up")):
        with rasterio.open(out / "rasters" / f"{name}.tif") as source:
            assert words in source.tags()["TIFFTAG_IMAGEDESCRIPTION"]


def test_a_renamed_tile_renews_the_summary(out, tmp_path):
    """The same points under another name: nothing is computed again, the new name is published."""
    folder = shutil.copytree(out.parent, tmp_path / "copy")
    (folder / "b.laz").rename(folder / "c.laz")
    config = folder / "run.yaml"
    text = config.read_text().replace(str(out.parent), str(folder)).replace("b.laz", "c.laz")
    config.write_text(text)
    done = called("scout", config)
    assert "made: publish;" in done.stdout, done.stdout + done.stderr
    summary = json.loads((folder / "out" / "summary.json").read_text())
    assert {Path(file["path"]).name for file in summary["inputs"]} == {"a.laz", "c.laz"}
