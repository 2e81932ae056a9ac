"""From a boundary to a folder that `check` accepts, against a server on loopback.

The tiles are real (IGN LiDAR HD, COPC with its plain LAZ twin) or planted; what must be fetched is
read from the twin, or from the raster, by laspy and rasterio on the disk.
"""

import hashlib
import io
import json

import geopandas as gpd
import laspy
import numpy as np
import pytest
import rasterio
import shapely
import yaml
from laspy.copc import Bounds, CopcReader, load_octree_for_query
from pyproj import CRS, Transformer
from typer.testing import CliRunner

import fetch_server as web
import pulses
import worlds
from lanewright.cli import app
from lanewright.fetch import client as clients
from run.runs import lanewright

CLI = CliRunner()
LAND = shapely.box(770_505, 6_277_505, 770_517, 6_277_517)
"""Twelve metres square in the corner of the real tile (EPSG:2154)."""


@pytest.fixture(autouse=True)
def _alone(monkeypatch, tmp_path):
    """A cache of its own, no proxy, no patience."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("no_proxy", "*")
    quick = clients.Manners(attempts=3, pause=0.01, longest_pause=0.05, timeout=2.0)
    monkeypatch.setattr(clients, "Manners", lambda: quick)


@pytest.fixture
def site():
    with web.serving(web.Site()) as served:
        yield served


def degrees(shape, crs):
    to = Transformer.from_crs(crs, 4326, always_xy=True)
    return shapely.transform(shape, to.transform, interleaved=False)


def item(name, place, assets, **stated):
    return {
        "type": "Feature", "stac_version": "1.0.0", "id": name, "collection": "survey",
        "geometry": place and shapely.geometry.mapping(place),
        "bbox": list(place.bounds) if place else None, "links": [], "assets": assets,
        "properties": {"datetime": "2022-03-01T00:00:00Z", "pc:density": 35.2, **stated},
    }  # fmt: skip


def catalogue(site, items, **collection):
    """A static catalogue: root, one collection, its items; its links run in a circle as well."""
    site.put("/catalog.json", {"type": "Catalog", "id": "root", "stac_version": "1.0.0", "links": [
        {"rel": "self", "href": "./catalog.json"}, {"rel": "child", "href": "./c/collection.json"},
        {"rel": "child", "href": "./catalog.json"}]})  # fmt: skip
    links = [{"rel": "item", "href": f"./{i['id']}.json"} for i in items]
    links += [
        {"rel": "child", "href": "../catalog.json"},
        {"rel": "child", "href": "collection.json"},
    ]
    site.put(
        "/c/collection.json", {"type": "Collection", "id": "survey", "links": links, **collection}
    )
    for one in items:
        site.put(f"/c/{one['id']}.json", one)


def sources(folder, site, **more):
    path = folder / "sources.yaml"
    ours = {"type": "stac", "url": f"{site.url}/catalog.json", "http": True, "local": True,
            "licence": "open", "vertical": "NGF-IGN69, metres"}  # fmt: skip
    path.write_text(yaml.safe_dump({"sources": {"ours": ours | more}}))
    return path


def boundary(folder, shape, crs, name="land.gpkg"):
    gpd.GeoDataFrame(geometry=[shape], crs=crs).to_file(folder / name)
    return folder / name


def call(*words):
    return CLI.invoke(app, list(map(str, words)))


def got(tmp_path, site, *more, land=LAND, crs=2154, expect=0, **source):
    """Run `get`; folder, configuration, output."""
    done = call(
        "get", boundary(tmp_path, land, crs), "--into", tmp_path / "got", "--sources",
        sources(tmp_path, site, **source), *more,
    )  # fmt: skip
    assert done.exit_code == expect, done.output
    path = tmp_path / "got" / "scout.yaml"
    return (
        tmp_path / "got",
        yaml.safe_load(path.read_text()) if path.exists() else None,
        done.output,
    )


def within(las, box):
    x, y = np.asarray(las.x), np.asarray(las.y)
    keep = (x >= box[0]) & (x <= box[2]) & (y >= box[1]) & (y <= box[3])
    table = np.column_stack([x[keep], y[keep], np.asarray(las.z)[keep]]).round(3)
    extra = [np.asarray(las[n])[keep] for n in ("intensity", "classification", "return_number")]
    table = np.column_stack([table, *extra, np.asarray(las.gps_time)[keep]])
    return table[np.lexsort(table.T)]


@pytest.fixture
def copc(site, real_data):
    """The real tile on the server, in a catalogue; its plain twin."""
    site.files["/c/tile.copc.laz"] = (real_data / "copc-ign" / "buildings.copc.laz").read_bytes()
    las = laspy.read(real_data / "copc-ign" / "buildings.laz")
    hull = shapely.box(*las.header.mins[:2], *las.header.maxs[:2])
    assets = {"data": {"href": "tile.copc.laz", "type": "application/vnd.laszip+copc",
                       "roles": ["data"], "file:size": 371_722}}  # fmt: skip
    catalogue(site, [item("a", degrees(hull, 2154), assets, **{"proj:code": "EPSG:2154+5720"})])
    return las


def _needed(tile, box):
    with CopcReader(io.BytesIO(tile)) as reader:
        low, high = reader.header.mins, reader.header.maxs
        bounds = Bounds(np.array(box[:2]), np.array(box[2:])).ensure_3d(low, high)
        nodes = load_octree_for_query(reader.source, reader.copc_info, reader.root_page, bounds)
        return sum(n.byte_size for n in nodes)


def test_copc_gives_the_points_of_the_box_and_no_county(tmp_path, site, copc):
    """Every point of the plain twin in the box of property and margin, with all its values."""
    folder, config, output = got(tmp_path, site, "--margin", 3)
    (name,) = config["points"]
    part = laspy.read(folder / name)
    box = part.header.mins[0], part.header.mins[1], part.header.maxs[0], part.header.maxs[1]
    asked = LAND.buffer(3, join_style="mitre").bounds
    assert np.abs(np.subtract(box, asked)).max() < 0.6
    assert np.array_equal(within(part, asked), within(copc, asked))
    assert part.header.parse_crs().to_epsg() == 2154
    record = json.loads((folder / "provenance.json").read_text())["files"][0]
    used = site.sent - sum(len(b) for p, b in site.files.items() if p.endswith(".json"))
    assert record["used"] == pytest.approx(used, abs=2000)
    # Chunks that laspy's own reader of COPC would fetch, and 64 kB of headers and gaps.
    assert record["used"] < _needed(site.files["/c/tile.copc.laz"], asked) + 2**16
    assert record["used"] < 0.9 * 371_722
    assert "of 0.37 MB" in output
    assert all("Range" in h for h in site.asked("/c/tile.copc.laz"))


def test_what_get_writes_passes_check_and_a_rerun_asks_for_no_tile(tmp_path, site, copc):
    folder, config, output = got(tmp_path, site)
    assert "next: lanewright check" in output
    assert config["leaf_state"] == "unknown"
    text = (folder / "scout.yaml").read_text()
    assert "licence: open" in text
    assert "NGF-IGN69" in text
    assert "leaves off, a guess" in text
    done = lanewright("check", folder / "scout.yaml")
    assert done.returncode == 0, done.stderr
    assert "a run can start" in done.stdout
    before = len(site.asked("/c/tile.copc.laz"))
    got(tmp_path, site)
    assert len(site.asked("/c/tile.copc.laz")) == before
    (folder / config["points"][0]).write_bytes(b"LASF damaged since")
    got(tmp_path, site)
    assert len(site.asked("/c/tile.copc.laz")) > before
    assert len(laspy.read(folder / config["points"][0]).points) > 1000


def test_a_server_that_ignores_ranges_gives_the_whole_tile(tmp_path, site, copc):
    site.ranges = False
    folder, config, _output = got(tmp_path, site)
    assert (folder / config["points"][0]).read_bytes() == site.files["/c/tile.copc.laz"]


@pytest.mark.parametrize("at", [469, 477, 96, 381, 429])
def test_damaged_copc_headers_are_refused(tmp_path, site, copc, at):
    """Offsets of hierarchy and points, the cube: turned into what points off the file."""
    tile = bytearray(site.files["/c/tile.copc.laz"])
    tile[at : at + 8] = b"\xff" * 8
    site.files["/c/tile.copc.laz"] = bytes(tile)
    folder, config, output = got(tmp_path, site, expect=2)
    assert "Traceback" not in output
    assert config is None
    assert not list(folder.glob("*.laz"))


def test_a_hierarchy_that_points_at_itself_ends(tmp_path, site, copc):
    tile = bytearray(site.files["/c/tile.copc.laz"])
    root = int.from_bytes(tile[469:477], "little")
    tile[root + 16 : root + 24] = root.to_bytes(8, "little")
    tile[root + 24 : root + 32] = (32).to_bytes(4, "little") + b"\xff" * 4
    site.files["/c/tile.copc.laz"] = bytes(tile)
    assert "damaged hierarchy" in got(tmp_path, site, expect=2)[2]


def test_chunks_that_are_noise_end_in_one_message(tmp_path, site, copc):
    tile = bytearray(site.files["/c/tile.copc.laz"])
    tile[5000:300_000] = np.random.default_rng(0).bytes(295_000)
    site.files["/c/tile.copc.laz"] = bytes(tile)
    done = got(tmp_path, site, expect=2)[2]
    assert "Traceback" not in done
    assert "cannot be decoded" in done or "damaged" in done


# Planted trees and rasters ----------------------------------------------------------------------


PLANTED = worlds.plane(density=6.0, slope=(0.1, 0.0), size=60.0)
INNER = shapely.box(worlds.LEFT + 10, worlds.BOTTOM + 10, worlds.LEFT + 22, worlds.BOTTOM + 20)


def entwine(site, folder, size=60.0):
    """The planted land as an EPT of three levels, in web mercator as the public trees are."""
    to = Transformer.from_crs(26916, 3857, always_xy=True)
    p = {k: np.asarray(v) for k, v in PLANTED.points.items()}
    p["x"], p["y"] = to.transform(p["x"], p["y"])
    low = np.array([p["x"].min() - 1, p["y"].min() - 1, p["z"].min() - 1])
    side = float(max(np.ptp(p["x"]), np.ptp(p["y"]))) + 2
    level = np.random.default_rng(5).integers(0, 3, len(p["x"]))
    counts = {}
    for depth in range(3):
        cell = [((p[k] - low[i]) // (side / 2**depth)).astype(int) for i, k in enumerate("xyz")]
        keys = np.array([f"{depth}-{a}-{b}-{c}" for a, b, c in zip(*cell, strict=True)])
        for key in np.unique(keys[level == depth]):
            mine = (level == depth) & (keys == key)
            tile = folder / f"{key}.laz"
            pulses.write_laz(tile, {k: v[mine] for k, v in p.items()}, CRS.from_epsg(3857), 0.001)
            site.files[f"/t/ept-data/{key}.laz"] = tile.read_bytes()
            counts[str(key)] = int(mine.sum())
    sub = {k: v for k, v in counts.items() if k.startswith("2-")}
    first = next(k for k in counts if k.startswith("1-"))
    x, y, z = (int(v) for v in first.split("-")[1:])
    below = {k: v for k, v in sub.items() if [int(c) // 2 for c in k.split("-")[1:]] == [x, y, z]}
    site.put(f"/t/ept-hierarchy/{first}.json", {first: counts[first], **below})
    rest = {k: v for k, v in counts.items() if k not in below}
    site.put("/t/ept-hierarchy/0-0-0-0.json", rest | {first: -1})
    cube = [*low, *(low + side)]
    site.put("/t/ept.json", {"bounds": cube, "boundsConforming": cube, "dataType": "laszip",
        "points": len(p["x"]), "span": 128, "version": "1.1.0",
        "schema": [{"name": n, "type": "signed", "size": 4, "scale": 0.001, "offset": 0}
                   for n in "XYZ"],
        "srs": {"authority": "EPSG", "horizontal": "3857", "wkt": ""}})  # fmt: skip
    return p


def test_ept_gives_the_points_of_the_box(tmp_path, site):
    p = entwine(site, tmp_path)
    place = degrees(shapely.box(*PLANTED.bounds), 26916)
    catalogue(site, [item("t", place, {"ept": {"href": "../t/ept.json", "roles": ["data"]}})])
    folder, config, _output = got(tmp_path, site, "--margin", 2, land=INNER, crs=26916)
    part = laspy.read(folder / config["points"][0])
    lo, hi = part.header.mins[:2], part.header.maxs[:2]
    stretch = 1 / np.cos(np.radians(place.centroid.y))
    assert hi[0] - lo[0] == pytest.approx(16 * stretch, abs=2.5)
    kept = (p["x"] >= lo[0] - 1e-3) & (p["x"] <= hi[0] + 1e-3)
    kept &= (p["y"] >= lo[1] - 1e-3) & (p["y"] <= hi[1] + 1e-3)
    assert len(part.points) == kept.sum()
    assert np.sort(np.asarray(part.gps_time)) == pytest.approx(np.sort(p["gps_time"][kept]))
    assert part.header.parse_crs().to_epsg() == 3857
    assert "as delivered" in (folder / "scout.yaml").read_text()
    fetched = {path for path, _h in site.requests if path.startswith("/t/ept-data/")}
    assert 0 < len(fetched) < len([f for f in site.files if f.startswith("/t/ept-data/")])


def test_ept_that_is_not_laz_or_damaged_is_refused(tmp_path, site):
    entwine(site, tmp_path)
    place = degrees(shapely.box(*PLANTED.bounds), 26916)
    catalogue(site, [item("t", place, {"ept": {"href": "../t/ept.json"}})])
    stated = json.loads(site.files["/t/ept.json"])
    for change, said in (
        ({"dataType": "zstandard"}, "not as LAZ"), ({"bounds": [0, 0, 0, 1, 1, 9]}, "no cube"),
        ({"srs": {}}, "does not state its CRS"),
    ):  # fmt: skip
        site.put("/t/ept.json", stated | change)
        assert said in got(tmp_path, site, land=INNER, crs=26916, expect=2)[2]
    site.put("/t/ept.json", stated)
    site.put("/t/ept-hierarchy/0-0-0-0.json", {"../../x": 5})
    assert "damaged hierarchy" in got(tmp_path, site, land=INNER, crs=26916, expect=2)[2]


def test_a_geotiff_gives_its_window(tmp_path, site):
    """A plane in a tiled GeoTIFF of 4 MB: each cell kept has the plane's height there."""
    step = 0.5
    col, row = np.meshgrid(np.arange(2048), np.arange(1024))
    top = worlds.BOTTOM + 200
    heights = (300 + 0.1 * col * step + 0.2 * row * step).astype(np.float32)
    heights += np.random.default_rng(1).normal(0, 0.01, heights.shape).astype(np.float32)
    transform = rasterio.transform.from_origin(worlds.LEFT - 100, top, step, step)
    with rasterio.open(tmp_path / "dem.tif", "w", driver="COG", dtype="float32", count=1,
                       width=2048, height=1024, crs=26916, transform=transform, nodata=-9999,
                       blocksize=256) as file:  # fmt: skip
        file.write(heights, 1)
    site.files["/c/dem.tif"] = (tmp_path / "dem.tif").read_bytes()
    place = degrees(shapely.box(worlds.LEFT - 100, top - 512, worlds.LEFT + 924, top), 26916)
    catalogue(site, [item("d", place, {"dtm": {"href": "dem.tif", "type": "image/tiff"}})])
    folder, config, _ = got(tmp_path, site, land=INNER, crs=26916, kind="elevation")
    with rasterio.open(folder / config["elevation"][0]) as part:
        values, move, crs = part.read(1), part.transform, part.crs
        assert part.nodata == -9999
    assert crs.to_epsg() == 26916
    r0, c0 = round((top - move.f) / step), round((move.c - worlds.LEFT + 100) / step)
    assert np.array_equal(values, heights[r0 : r0 + values.shape[0], c0 : c0 + values.shape[1]])
    assert values.shape[1] * step == pytest.approx(12 + 100, abs=4)
    used = json.loads((folder / "provenance.json").read_text())["files"][0]["used"]
    assert used < 0.35 * len(site.files["/c/dem.tif"])


def test_whole_tiles_are_checked_against_the_catalogue(tmp_path, site):
    """LAZ without COPC: size and checksum (multihash of the file extension) decide."""
    pulses.write_laz(tmp_path / "t.laz", PLANTED.points)
    tile = (tmp_path / "t.laz").read_bytes()
    site.files["/c/t.laz"] = tile
    place = degrees(shapely.box(*PLANTED.bounds), 26916)
    right = "1220" + hashlib.sha256(tile).hexdigest()
    asset = {"href": "t.laz", "file:size": len(tile), "file:checksum": right}
    catalogue(site, [item("t", place, {"d": asset})])
    folder, config, output = got(tmp_path, site, land=INNER, crs=26916)
    assert (folder / config["points"][0]).read_bytes() == tile
    assert f"1 whole files, about {len(tile) / 1e6:,.1f} MB" in output
    catalogue(site, [item("t", place, {"d": asset | {"file:checksum": "1220" + "0" * 64}})])
    (folder / config["points"][0]).unlink()
    again = (
        "find",
        boundary(tmp_path, INNER, 26916),
        "--sources",
        sources(tmp_path, site),
        "--fresh",
    )
    assert call(*again).exit_code == 0
    done = got(tmp_path, site, land=INNER, crs=26916, expect=2)[2]
    assert "checksum differs" in done
    assert not list(folder.glob("*.laz"))
