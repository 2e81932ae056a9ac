"""From a boundary to a finished run: tiles cut from the demo's, served on loopback as COPC and LAZ.

What must come out is what a run makes of the same tiles on the disk. The COPC file is written by
tests/copc_file.py, which laspy's own reader of COPC is held against here.
"""

import io
import json

import geopandas as gpd
import laspy
import numpy as np
import pyogrio
import rasterio
import shapely
import yaml
from laspy.copc import CopcReader

import copc_file
import small
from fetch import test_get as helpers
from run.runs import called

_alone, site = helpers._alone, helpers.site


def served(site, folder):
    """One tile as COPC, the other as plain LAZ, in a static catalogue."""
    items = []
    for name in ("a", "b"):
        las = laspy.read(folder / f"{name}.laz")
        hull = shapely.box(*las.header.mins[:2], *las.header.maxs[:2])
        file = f"{name}.copc.laz" if name == "a" else f"{name}.laz"
        body = copc_file.as_copc(las) if name == "a" else (folder / "b.laz").read_bytes()
        site.files[f"/c/{file}"] = body
        asset = {"href": file, "roles": ["data"], "file:size": len(body)}
        items.append(helpers.item(name, helpers.degrees(hull, small.CRS), {"d": asset}))
    helpers.catalogue(site, items)


def table(las):
    names = ("intensity", "classification", "return_number", "number_of_returns", "gps_time")
    whole = np.column_stack([las.x, las.y, las.z, *(np.asarray(las[n]) for n in names)])
    return whole[np.lexsort(whole.T)]


def test_a_planted_copc_file_is_read_in_parts(tmp_path, site):
    small.small_property(tmp_path)
    las = laspy.read(tmp_path / "a.laz")
    served(site, tmp_path)
    tile = site.files["/c/a.copc.laz"]
    with CopcReader(io.BytesIO(tile)) as reader:
        points, coarse = reader.query(), reader.query(level=0)
        assert reader.header.parse_crs().sub_crs_list[0].to_epsg() == small.CRS
    assert 0 < len(coarse) < len(points) / 2
    assert len(points) == len(las.points)
    assert np.array_equal(np.sort(np.asarray(points.gps_time)), np.sort(np.asarray(las.gps_time)))
    corner = shapely.box(*las.header.mins[:2] + 5, *las.header.mins[:2] + 17)
    folder, config, _output = helpers.got(
        tmp_path, site, "--margin", 2, "--take", "points/ours/survey/laz", land=corner,
        crs=small.CRS,
    )  # fmt: skip
    (name,) = [n for n in config["points"] if n.startswith("a-")]
    part, box = laspy.read(folder / name), corner.buffer(2, join_style="mitre").bounds
    assert np.array_equal(helpers.within(part, box), helpers.within(las, box))
    record = json.loads((folder / "provenance.json").read_text())["files"]
    used = {r["name"][0]: r["used"] for r in record}
    assert used["a"] < 0.9 * len(tile)


def test_a_run_on_what_was_fetched_equals_one_on_the_tiles_themselves(tmp_path, site):
    local = small.small_property(tmp_path)
    served(site, tmp_path)
    folder, config, _output = helpers.got(
        tmp_path, site, "--margin", 100, land=small.LAND, crs=small.CRS
    )
    for name in config["points"]:
        given = laspy.read(tmp_path / f"{name[0]}.laz")
        assert np.array_equal(table(laspy.read(folder / name)), table(given))
    (folder / "mine.yaml").write_text(yaml.safe_dump(config | small.SETTINGS | {"name": "Small"}))
    for path in (local, folder / "mine.yaml"):
        done = called("scout", path)
        assert done.returncode == 0, done.stderr
    one, other = tmp_path / "out", folder / "results"
    layers = [name for name, _kind in pyogrio.list_layers(one / "scout.gpkg")]
    assert "legs" in layers
    for layer in layers:
        mine, theirs = (gpd.read_file(p / "scout.gpkg", layer=layer) for p in (one, other))
        assert mine.equals(theirs), layer
    rasters = sorted(p.name for p in (one / "rasters").glob("*.tif"))
    assert rasters
    for name in rasters:
        with (
            rasterio.open(one / "rasters" / name) as a,
            rasterio.open(other / "rasters" / name) as b,
        ):
            assert a.transform == b.transform
            assert np.array_equal(a.read(masked=True).filled(-1), b.read(masked=True).filled(-1))
    counts = [json.loads((p / "summary.json").read_text())["counts"] for p in (one, other)]
    assert counts[0] == counts[1]
    assert counts[0]["legs"] > 0
