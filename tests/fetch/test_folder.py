"""What `get` leaves in a folder: what is fetched again, how much may come, whose files are kept."""

import json

import laspy
import numpy as np
import pytest
import rasterio
import shapely
import yaml

from fetch import test_get as helpers
from lanewright.fetch import copc as copc_parts

_alone, site, copc = helpers._alone, helpers.site, helpers.copc
got, within, LAND = helpers.got, helpers.within, helpers.LAND
TILE = "/c/tile.copc.laz"


def test_a_wider_margin_or_another_property_is_fetched_again(tmp_path, site, copc):
    """Parts are kept for the box they were cut to, not for whatever is asked for later."""
    folder, config, _output = got(tmp_path, site, "--margin", 3)
    before = len(site.asked(TILE))
    got(tmp_path, site, "--margin", 2)
    assert len(site.asked(TILE)) == before
    got(tmp_path, site, "--margin", 6)
    asked = LAND.buffer(6, join_style="mitre").bounds
    assert np.array_equal(
        within(laspy.read(folder / config["points"][0]), asked), within(copc, asked)
    )
    beside = shapely.affinity.translate(LAND, 15, 0)
    got(tmp_path, site, "--margin", 0, land=beside)
    part = laspy.read(folder / config["points"][0])
    assert np.array_equal(within(part, beside.bounds), within(copc, beside.bounds))


def test_parts_together_stay_within_what_may_come(tmp_path, site, copc):
    """Six tiles of which some 0.3 MB each are needed; a megabyte may come."""
    assets = {"type": "application/vnd.laszip+copc"}
    hull = helpers.degrees(shapely.box(*copc.header.mins[:2], *copc.header.maxs[:2]), 2154)
    items = []
    for n in range(6):
        site.files[f"/c/t{n}.copc.laz"] = site.files[TILE]
        items.append(helpers.item(f"i{n}", hull, {"d": assets | {"href": f"t{n}.copc.laz"}}))
    helpers.catalogue(site, items)
    folder, config, output = got(tmp_path, site, "--margin", 60, "--most", 0.001, expect=2)
    assert "more than 1,000,000 bytes would be fetched" in output
    assert site.sent < 1_200_000
    assert config is None
    kept = len(list(folder.glob("*.laz")))
    assert 0 < kept < 6
    _folder, config, _ = got(tmp_path, site, "--margin", 60, "--most", 0.1)
    assert len(config["points"]) == 6


def test_files_of_others_are_never_written_over(tmp_path, site, copc):
    folder = tmp_path / "got"
    folder.mkdir()
    mine = b"# mine, in Latin-1: \xe9t\xe9\n"
    (folder / "scout.yaml").write_bytes(mine)
    (folder / "scout-2.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    done = helpers.call(
        "get", helpers.boundary(tmp_path, LAND, 2154), "--into", folder, "--sources",
        helpers.sources(tmp_path, site),
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert (folder / "scout.yaml").read_bytes() == mine
    assert not (tmp_path / "elsewhere.yaml").exists()
    assert yaml.safe_load((folder / "scout-3.yaml").read_text())["points"]
    for theirs in ('{"files": []}', "[1]", "\xe9", '{"written_by": "lanewright get"}'):
        (folder / "provenance.json").write_text(theirs, "latin-1")
        done = helpers.call(
            "get", tmp_path / "land.gpkg", "--into", folder, "--sources", tmp_path / "sources.yaml"
        )
        assert done.exit_code == 2
        assert "was not written by lanewright get" in done.output
        assert (folder / "provenance.json").read_text("latin-1") == theirs


def test_nodes_that_overlap_are_refused(tmp_path, site, copc):
    """Two entries for the same bytes would count points twice, or make a small file a large one."""
    tile = bytearray(site.files[TILE])
    root = int.from_bytes(tile[469:477], "little")
    first = int.from_bytes(tile[root + 16 : root + 24], "little")
    for entry in range(1, 5):
        at = root + 32 * entry
        tile[at + 16 : at + 24] = (first + entry).to_bytes(8, "little")
    site.files[TILE] = bytes(tile)
    assert "damaged hierarchy" in got(tmp_path, site, expect=2)[2]


def test_nodes_larger_than_one_request_arrive_whole(tmp_path, site, copc, monkeypatch):
    monkeypatch.setattr(copc_parts, "MOST_RANGE", 5000)
    folder, config, _output = got(tmp_path, site, "--margin", 3)
    asked = LAND.buffer(3, join_style="mitre").bounds
    part = laspy.read(folder / config["points"][0])
    assert np.array_equal(within(part, asked), within(copc, asked))
    sizes = [h["Range"].removeprefix("bytes=").split("-") for h in site.asked(TILE)]
    assert max(int(b) - int(a) + 1 for a, b in sizes[1:]) <= 2**14


def test_a_geotiff_of_scaled_numbers_keeps_its_heights(tmp_path, site):
    """Whole numbers that stand for heights by scale and offset, as some services publish them."""
    left, bottom = helpers.worlds.LEFT, helpers.worlds.BOTTOM
    stored = np.arange(200 * 200, dtype=np.int16).reshape(200, 200) % 30_000
    transform = rasterio.transform.from_origin(left - 50, bottom + 150, 1.0, 1.0)
    with rasterio.open(tmp_path / "dem.tif", "w", driver="COG", dtype="int16", count=1, width=200,
                       height=200, crs=26916, transform=transform, nodata=-1) as file:  # fmt: skip
        file.write(stored, 1)
        file.scales, file.offsets = (0.01,), (250.0,)
    site.files["/c/dem.tif"] = (tmp_path / "dem.tif").read_bytes()
    place = helpers.degrees(shapely.box(left - 50, bottom - 50, left + 150, bottom + 150), 26916)
    dtm = {"href": "dem.tif", "type": "image/tiff"}
    helpers.catalogue(site, [helpers.item("d", place, {"dtm": dtm})])
    folder, config, _ = got(tmp_path, site, land=helpers.INNER, crs=26916, kind="elevation")
    with rasterio.open(folder / config["elevation"][0]) as part:
        assert (part.scales, part.offsets) == ((0.01,), (250.0,))
        row, col = round(bottom + 150 - part.transform.f), round(part.transform.c - left + 50)
        same = stored[row : row + part.height, col : col + part.width]
        assert np.array_equal(part.read(1), same)


def test_the_record_says_what_a_part_covers(tmp_path, site, copc):
    folder, _config, _output = got(tmp_path, site, "--margin", 3)
    record = json.loads((folder / "provenance.json").read_text())
    west, south, east, north = record["files"][0]["box"]
    place = helpers.degrees(LAND.buffer(3, join_style="mitre"), 2154)
    assert (west, south, east, north) == pytest.approx(place.bounds, abs=3e-5)
