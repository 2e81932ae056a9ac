"""The QGIS project: relative, repeatable, and opened by QGIS itself where it is installed."""

import io
import json
import sqlite3
import subprocess
import zipfile
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from lanewright.base import schema
from lanewright.publish.geopackage import write_geopackage
from lanewright.publish.project import groups_of, project_of, write_project
from lanewright.publish.rasters import write_cog
from lanewright.publish.results import words_of
from publish.findings import made
from publish.test_geopackage import SYSTEM_PYTHON, has_module


@pytest.fixture(scope="module")
def run():
    return made(units="feet")


@pytest.fixture(scope="module")
def folder(run, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("project")
    found = run.found
    words = words_of(found.config)
    write_geopackage(out / "scout.gpkg", found.layers, found.grid.crs, words=words)
    (out / "rasters").mkdir()
    for name in ("ground", "slope", "canopy_height"):
        write_cog(out / "rasters" / f"{name}.tif", found.rasters[name], found.grid,
                  schema.RASTERS[name])  # fmt: skip
    write_project(out, found)
    return out


def stored(folder: Path) -> bytes:
    with closing(sqlite3.connect(folder / "scout.gpkg")) as db:
        ((text,),) = db.execute("SELECT content FROM qgis_projects WHERE name = 'scout'")
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(text))) as archive:
        (name,) = archive.namelist()
        return archive.read(name)


def test_the_geopackage_and_the_file_hold_the_same_project(folder, run):
    with zipfile.ZipFile(folder / "scout.qgz") as archive:
        assert archive.read("scout.qgs") == stored(folder) == project_of(run.found)


def test_every_source_is_relative_and_names_a_file_of_ours(folder):
    root = ET.fromstring(stored(folder))
    sources = [e.text for e in root.iter("datasource")]
    assert len(sources) > 15
    for source in sources:
        assert source.startswith(("./scout.gpkg|layername=", "./rasters/"))
        assert (folder / source.partition("|")[0]).exists()
    assert root.find("properties/Paths/Absolute").text == "false"


def test_the_tree_names_every_layer_once_with_its_own_id(folder, run):
    root = ET.fromstring(stored(folder))
    ids = [e.get("id") for e in root.iter("layer-tree-layer")]
    assert len(set(ids)) == len(ids)
    assert ids == [e.text for e in root.findall("projectlayers/maplayer/id")]
    shown = {e.get("source").split("layername=")[-1].split("|")[0]
             for e in root.iter("layer-tree-layer")}  # fmt: skip
    assert set(run.found.layers) <= shown  # whatever the run made can be switched on


def test_only_plan_features_cautions_water_and_ground_are_on(run):
    on = {g.title for g in groups_of(run.found) if g.on}
    assert on == {"Round", "Walks", "Features", "Cautions and keep-outs", "Water and wet ground",
                  "Property", "Ground"}  # fmt: skip
    order = [g.title for g in groups_of(run.found)]
    assert order[:6] == ["Round", "Walks", "Room between holes", "Features",
                         "Cautions and keep-outs", "Water and wet ground"]  # fmt: skip
    assert order[-1] == "Ground"


@pytest.mark.parametrize("where", ["scout.qgz", "geopackage:{}/scout.gpkg?projectName=scout"])
def test_qgis_opens_it_and_every_layer_in_it(folder, run, where, tmp_path):
    """What QGIS itself reads: groups, rows, units, themes; ids of legs as the frame has them."""
    if not has_module(SYSTEM_PYTHON, "qgis.core"):
        pytest.skip("no QGIS: apt-get install --no-install-recommends python3-qgis")
    path = where.format(folder) if ":" in where else str(folder / where)
    script = Path(__file__).with_name("project_in_qgis.py")
    picture = tmp_path / "seen.png"
    done = subprocess.run(
        [SYSTEM_PYTHON, str(script), path, str(picture)], capture_output=True, text=True
    )
    seen = json.loads(done.stdout)
    assert seen["opened"]
    assert seen["title"] == run.found.config.name
    assert seen["crs"] == "EPSG:32617"
    assert seen["units"] == "feet"
    assert seen["groups"] == [g.title for g in groups_of(run.found)]
    assert all(layer["valid"] for layer in seen["layers"].values())
    layout, legs = run.found.layers["layout_holes"], run.found.layers["legs"]
    for number in (1, 2):
        rows = seen["layers"][f"Proposal {number}: holes"]["rows"]
        assert rows == (layout["proposal"] == number).sum()
    assert seen["layers"]["All legs"]["rows"] == len(legs)
    assert {"Proposal 1", "Proposal 2", "Level blue", "Ground and canopy"} <= set(seen["themes"])
    assert picture.stat().st_size > 10_000
