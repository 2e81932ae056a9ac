"""One opener: formats by content, and nothing is fetched however a file is disguised."""

import contextlib
import http.server
import json
import shutil
import sqlite3
import threading
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely import box

from lanewright.base.errors import InputError
from lanewright.sources import opening

SQUARE = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]}


@pytest.fixture(scope="module")
def server():
    """A server on this machine that counts who asks."""
    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"EPSG:4326")

        do_HEAD = do_POST = do_GET  # noqa: N815

        def log_message(self, *_):
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as served:
        threading.Thread(target=served.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{served.server_port}", asked
        served.shutdown()


def disguised(url: str) -> dict[str, str]:
    """Texts that make GDAL ask a server, by what they are."""
    linked = {"type": "Feature", "properties": {}, "geometry": SQUARE}
    return {
        "raster VRT": f'<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Byte" '
        f'band="1"><SimpleSource><SourceFilename>/vsicurl/{url}/a.tif</SourceFilename>'
        "</SimpleSource></VRTRasterBand></VRTDataset>",
        "WMS": f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}</ServerUrl></Service>'
        "</GDAL_WMS>",
        "OGR VRT": f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/vsicurl/{url}/a.json'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "OGR VRT behind KML": '<kml xmlns="http://www.opengis.net/kml/2.2"/><OGRVRTDataSource>'
        f'<OGRVRTLayer name="a"><SrcDataSource>/vsicurl/{url}/a.json</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>",
        "WFS": f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
        "CRS link": json.dumps(
            {"type": "FeatureCollection", "features": [linked],
             "crs": {"type": "link", "properties": {"href": f"{url}/crs", "type": "proj4"}}}
        ),
        "CRS link said twice": '{"type": "FeatureCollection", "features": [], "crs": {'
        f'"type": "link", "type": "name", "properties": {{"href": "{url}/crs", "name": "x"}}}}}}',
        "pipeline": json.dumps(
            {"type": "gdal_streamed_alg", "command_line": f"gdal vector read /vsicurl/{url}/a.json"}
        ),
        "entity": f'<!DOCTYPE kml [<!ENTITY a SYSTEM "{url}/a">]><kml>&a;</kml>',
    }  # fmt: skip


NAMES = list(disguised(""))


@pytest.mark.parametrize("ending", ["tif", "gpkg", "geojson", "kml", "shp"])
@pytest.mark.parametrize("what", NAMES)
def test_disguised_files_are_refused_and_nobody_is_asked(tmp_path, server, what, ending):
    url, asked = server
    path = tmp_path / f"a.{ending}"
    path.write_text(disguised(url)[what])
    with pytest.raises(InputError), opening.raster(path):
        pass
    with pytest.raises(InputError):
        opening.layer_names(path)
    assert asked == []


def test_the_server_would_notice(tmp_path, server):
    """Without the opener GDAL does ask, so the test above can fail."""
    url, asked = server
    path = tmp_path / "a.geojson"
    path.write_text(disguised(url)["CRS link"])
    kept = {k: pyogrio.get_gdal_config_option(k) for k in opening.OFFLINE}
    pyogrio.set_gdal_config_options(dict.fromkeys(opening.OFFLINE))
    try:
        pyogrio.read_dataframe(path)
    finally:
        pyogrio.set_gdal_config_options(kept)
    end = time.monotonic() + 5  # some versions keep the server's thread waiting while they read
    while not asked and time.monotonic() < end:
        time.sleep(0.02)
    assert asked
    asked.clear()
    pyogrio.read_dataframe(path)  # the options of GDAL alone keep it here too
    assert asked == []


def raster(path: Path) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=8, count=1, dtype="float32", crs="EPSG:26916",
        transform=from_origin(5e5, 4.4e6, 1, 1),
    ) as out:  # fmt: skip
        out.write(np.full((8, 8), 7, "float32"), 1)
    return path


def test_files_beside_a_raster_are_not_opened(tmp_path, server):
    """Overviews and masks beside a GeoTIFF may be of any format, an address among them."""
    url, asked = server
    path = raster(tmp_path / "a.tif")
    for name in ("a.tif.ovr", "a.tif.msk", "a.tif.aux.xml"):
        (tmp_path / name).write_text(disguised(url)["raster VRT"])
    with opening.raster(path) as source:
        assert source.overviews(1) == []
        assert (source.read(1) == 7).all()
        source.dataset_mask()
    assert asked == []


@pytest.mark.parametrize(
    ("name", "driver"),
    [("a.gpkg", "GPKG"), ("a.geojson", "GeoJSON"), ("a.shp", "ESRI Shapefile"), ("a.kml", "KML")],
)
def test_the_formats_promised_are_read_whatever_they_are_called(tmp_path, name, driver):
    frame = gpd.GeoDataFrame({"name": ["x"]}, geometry=[box(0, 0, 1, 1)], crs=4326)
    folder = tmp_path / "with [brackets] and spaces"
    folder.mkdir()
    frame.to_file(folder / name, driver=driver)
    assert opening.vector_format(folder / name) == driver
    (layer,) = opening.layer_names(folder / name)
    assert opening.read_layer(folder / name, layer).geometry.area.tolist() == [1.0]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"PK\x03\x04" + bytes(100), "ZIP archive"),
        (b"\x89PNG" + bytes(100), "picture"),
        (b'{"type": "Topology"}', "not GeoJSON"),
        (b"[" * 100_000, "no known kind"),
        (b'{"a":' * 100_000, "nested too deep"),
        (b'{"type": "Point", "coordinates": [' + b"9" * 5000 + b", 1]}", "cannot be read"),
        (b"SQLite format 3\0" + bytes(100), "no GeoPackage"),
        (b"<kml>" + b"<a>" * 300, "nested too deep"),
        (b"<svg></svg>", "not KML"),
    ],
)
def test_other_content_is_named(tmp_path, content, said):
    path = tmp_path / "a.gpkg"
    path.write_bytes(content)
    with pytest.raises(InputError, match=said):
        opening.layer_names(path)
    with pytest.raises(InputError, match="not a GeoTIFF"), opening.raster(path):
        pass


@pytest.mark.parametrize("features", [1, 1000])
def test_a_million_columns_are_refused_before_they_are_laid_out(tmp_path, features):
    """In one row, and in a thousand rows of a thousand columns each."""
    each = 1_000_000 // features
    rows = [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": [0, 0]},
         "properties": {f"c{row}_{k}": k for k in range(each)}}
        for row in range(features)
    ]  # fmt: skip
    path = tmp_path / "wide.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": rows}))
    with pytest.raises(InputError, match="more than 2,000 different columns"):
        opening.layer_names(path)


def test_missing_and_folders(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        opening.layer_names(tmp_path / "a.gpkg")
    with pytest.raises(InputError, match="is not a file"), opening.raster(tmp_path):
        pass


def left_open(folder: Path, change: str) -> Path:
    """A GeoPackage that a viewer changed and then crashed: the change is in its log alone."""
    path = folder / "live.gpkg"
    gpd.GeoDataFrame({"name": ["old"]}, geometry=[box(0, 0, 9, 9)], crs=26916).to_file(path)
    (folder / "crashed").mkdir()
    with contextlib.closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA journal_mode = wal")
        base.execute("PRAGMA wal_autocheckpoint = 0")
        kept = base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        base.executescript("".join(f'DROP TRIGGER "{name}";' for (name,) in kept) + change)
        for name in ("live.gpkg", "live.gpkg-wal"):
            shutil.copy(folder / name, folder / "crashed")
    return folder / "crashed" / "live.gpkg"


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_what_a_viewer_saved_last_is_read_and_its_files_stay_as_they_are(tmp_path):
    path = left_open(tmp_path, "UPDATE live SET name = 'new';")
    before = content(path.parent)
    assert set(before) == {"live.gpkg", "live.gpkg-wal"}
    assert opening.layer_names(path) == ["live"]
    assert opening.read_layer(path, "live")["name"].tolist() == ["new"]
    assert content(path.parent) == before


def test_a_query_that_stands_in_the_log_alone_is_refused(tmp_path):
    endless = "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t)"
    path = left_open(
        tmp_path,
        "ALTER TABLE live RENAME TO kept;"
        f"CREATE VIEW live AS {endless} SELECT n AS fid, geom, name FROM t, kept;",
    )
    before = content(path.parent)
    with pytest.raises(InputError, match="its layer live is a query"):
        opening.layer_names(path)
    assert content(path.parent) == before


def test_a_file_called_like_a_log_is_not_removed(tmp_path):
    path = tmp_path / "land.gpkg"
    gpd.GeoDataFrame({"name": ["a"]}, geometry=[box(0, 0, 9, 9)], crs=26916).to_file(path)
    for ending in ("-wal", "-journal"):
        (tmp_path / f"land.gpkg{ending}").write_text("notes of mine")
    before = content(tmp_path)
    assert opening.read_layer(path, "land")["name"].tolist() == ["a"]
    assert content(tmp_path) == before
