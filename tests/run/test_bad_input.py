"""Bad input: one clear message, exit code 2, earlier results untouched. Tried as a user would."""

import ctypes
import json
import os
import platform
import struct
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pytest
import yaml
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from run.runs import called, copied, environment, lanewright

LEFT, BOTTOM, SIDE = 500_000.0, 4_400_000.0, 60.0
SMALL = {
    "levels": ["green"],
    "holes": 3,
    "legs": {"sites": {"boundary_setback": 1.0, "wet": True}, "throws": 64, "keep": 60},
    "layout": {
        "hole": {"keep": 30, "most_legs": 1},
        "proposals": 1,
        "solver": {"first": {"changes_each": 100}, "work": 0.2, "candidates": 30},
    },
}
"""Settings for land of half a football field, and for a run that soon ends."""


def tile(path: Path, kind: str = "meadow", epsg: int | None = 26916) -> Path:
    """A small survey: ground everywhere, or nothing but water, or no returns over the ground."""
    rng = np.random.default_rng(2)
    n = int(SIDE * SIDE * 6)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [LEFT, BOTTOM, 0]
    if epsg is not None:
        header.add_crs(CRS.from_epsg(epsg))
    las = laspy.LasData(header)
    las.x, las.y = LEFT + SIDE * rng.random(n), BOTTOM + SIDE * rng.random(n)
    las.z = np.full(n, 200.0) if kind == "plane" else 200 + 0.02 * rng.standard_normal(n)
    las.classification = np.full(n, 9 if kind == "water" else 2, np.uint8)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.write(path)
    return path


@pytest.fixture
def case(tmp_path):
    """A configuration that runs, to be spoilt."""
    tile(tmp_path / "a.laz")
    gpd.GeoDataFrame(
        geometry=[box(LEFT + 5, BOTTOM + 5, LEFT + SIDE - 5, BOTTOM + SIDE - 5)], crs=26916
    ).to_file(tmp_path / "land.gpkg")

    def spoil(**changes) -> Path:
        settings = {
            "name": "case",
            "property": "land.gpkg",
            "points": ["a.laz"],
            "out": "out",
            "leaf_state": "off",
        }
        settings |= changes
        path = tmp_path / "run.yaml"
        path.write_text(yaml.safe_dump({k: v for k, v in settings.items() if v is not None}))
        return path

    return spoil


def refused(config: Path, *said: str, command: str = "scout", run=called) -> str:
    """What the command prints of a fault; `check` prints the same, to the letter."""
    done = run(command, config)
    if command == "scout":
        checked = run("check", config)
        assert (checked.returncode, checked.stderr) == (done.returncode, done.stderr)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("error: ")
    for words in said:
        assert words in done.stderr
    return done.stderr


def test_missing_tile_and_missing_boundary_are_named_together(case, tmp_path):
    config = case(points=["none.laz"], property="nowhere.gpkg")
    refused(config, "none.laz", "nowhere.gpkg", run=lanewright)


def test_not_lidar(case, tmp_path):
    (tmp_path / "b.laz").write_text("hello")
    refused(case(points=["a.laz", "b.laz"]), "b.laz", "is not a LAS or LAZ file")


def test_truncated(case, tmp_path):
    raw = (tmp_path / "a.laz").read_bytes()
    (tmp_path / "a.laz").write_bytes(raw[: len(raw) // 2])
    refused(case(), "a.laz", "cut off")


def test_no_crs(case, tmp_path):
    tile(tmp_path / "a.laz", epsg=None)
    refused(case(), "a.laz", "crs.points")


def test_wrong_crs(case):
    refused(case(crs={"points": "EPSG:25832"}), "km from the nearest tile")


def test_boundary_off_the_tiles(case, tmp_path):
    gpd.GeoDataFrame(geometry=[box(510_000, 4_400_000, 510_100, 4_400_100)], crs=26916).to_file(
        tmp_path / "land.gpkg"
    )
    refused(case(), "land.gpkg", "km from the nearest tile", "longitude")


def test_boundary_that_crosses_itself(case, tmp_path):
    bow = Polygon(
        [(LEFT, BOTTOM), (LEFT + 50, BOTTOM + 50), (LEFT + 50, BOTTOM), (LEFT, BOTTOM + 50)]
    )
    gpd.GeoDataFrame(geometry=[bow], crs=26916).to_file(tmp_path / "land.gpkg")
    refused(case(), "land.gpkg", "crosses or touches itself")


def test_boundary_in_degrees(case, tmp_path):
    gpd.GeoDataFrame(geometry=[box(-87, 39.7, -86.9, 39.8)], crs=26916).to_file(
        tmp_path / "land.gpkg"
    )
    refused(case(), "land.gpkg", "look like degrees")


def test_unknown_key_and_wrong_type(case):
    refused(case(hols=18, holes="many"), "hols: unknown key", "holes:", "run.yaml")


def test_unknown_level(case):
    refused(case(levels=["platinum"]), "platinum")


def test_score_without_own_holes(case):
    refused(case(), "own_holes is not set", command="score")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_folder_that_may_not_be_written(case, tmp_path):
    (tmp_path / "locked").mkdir(mode=0o555)
    refused(case(out="locked/out"), "locked")


def test_out_is_a_file(case, tmp_path):
    (tmp_path / "file").write_text("x")
    refused(case(out="file/out"), "results cannot be written there")


def test_full_disk_keeps_earlier_results(case, tmp_path):
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk to fill")
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", disk], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        (disk / "earlier.txt").write_text("stays")
        done = lanewright("scout", case(out=str(disk)))
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr
        assert done.stderr.startswith("error: ")
        assert "full" in done.stderr or "No space" in done.stderr
        assert (disk / "earlier.txt").read_text() == "stays"
    finally:
        subprocess.run(["umount", disk], check=False)


@pytest.mark.parametrize("kind", ["meadow", "plane"])
def test_no_vegetation_runs_and_finds_open_legs(case, tmp_path, kind):
    tile(tmp_path / "a.laz", kind)
    done = called("scout", case(**SMALL))
    assert done.returncode == 0, done.stderr
    legs = gpd.read_file(tmp_path / "out" / "scout.gpkg", layer="legs")
    assert len(legs) > 0
    assert (legs["clear_rate"] == 1).all()
    assert set(legs["lane_kind"]) <= {"open", "edge"}


def test_all_water_says_so(case, tmp_path):
    tile(tmp_path / "a.laz", "water")
    done = called("scout", case())
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "ground" in done.stderr


def test_check_says_what_it_found_and_writes_nothing(case, tmp_path):
    done = called("check", case())
    assert done.returncode == 0, done.stderr
    for words in ("a.laz", "LAS 1.4 format 6", "metre", "EPSG:26916", "2 ground", "0.2 ha",
                  "100 % within the tiles", "verdict: a run can start"):  # fmt: skip
        assert words in done.stdout
    assert not (tmp_path / "out").exists()
    assert len(done.stdout.splitlines()) < 40


def test_failing_run_leaves_earlier_results_untouched(tmp_path, tunnel):
    config = copied(tunnel, tmp_path)
    before = {p: p.read_bytes() for p in (tmp_path / "out").rglob("*.tif")}
    before[tmp_path / "out" / "scout.gpkg"] = (tmp_path / "out" / "scout.gpkg").read_bytes()
    raw = (tmp_path / "a.laz").read_bytes()
    (tmp_path / "a.laz").write_bytes(raw[: len(raw) // 2])
    refused(config, "cut off")
    assert all(path.read_bytes() == content for path, content in before.items())
    assert "cut off" in (tmp_path / "out" / "run.log").read_text()


# ---------------------------------------------------------------------------------------------
# What scout refuses, check refuses in the same words


def drawn(path: Path, *shapes, **columns) -> str:
    gpd.GeoDataFrame(columns, geometry=list(shapes), crs=26916).to_file(path)
    return path.name


IN = (LEFT + 20, BOTTOM + 20)
OUT = (LEFT + 500, BOTTOM + 20)


@pytest.mark.parametrize(
    ("name", "shape", "keys", "said"),
    [
        ("mine.gpkg", LineString([IN, OUT]), {"own_holes": "mine.gpkg"}, "outside the property"),
        ("keep.gpkg", LineString([IN, OUT]), {"trim": {"keep": "keep.gpkg"}}, "only points and"),
        ("p.gpkg", Point(IN), {"designer": "p.gpkg"}, "has neither a layer"),
        ("p.gpkg", Point(IN), {"layout": {"paths": "q.gpkg"}}, "q.gpkg: does not exist"),
        ("p.gpkg", Point(IN), {"arrival": [LEFT + 9000, BOTTOM]}, "km off the property"),
        ("p.gpkg", Point(IN), {"levels": ["platinum"]}, "platinum"),
        ("p.gpkg", Point(IN), {"keep_out": [{"path": "none.gpkg"}]}, "none.gpkg"),
        ("p.gpkg", Point(IN), {"crs": {"working": "EPSG:4326"}}, "not a projected CRS in metres"),
    ],
)
def test_designer_keep_list_paths_arrival_and_level(case, tmp_path, name, shape, keys, said):
    drawn(tmp_path / name, shape, name=["x"])
    refused(case(**keys), said)


def test_check_names_every_fault_at_once(case, tmp_path):
    (tmp_path / "file").write_text("x")
    drawn(tmp_path / "keep.gpkg", LineString([IN, OUT]))
    config = case(
        out="file/out", arrival=[LEFT + 9000, BOTTOM],
        trim={"keep": "keep.gpkg"}, layout={"paths": "q.gpkg"},
    )  # fmt: skip
    done = called("check", config)
    assert done.returncode == 2
    for said in ("results cannot be written", "km off", "only points and", "q.gpkg"):
        assert said in done.stderr
    # Without a plan there is no place to put what was drawn, but files are opened all the same.
    (tmp_path / "a.laz").write_text("hello")
    done = called("check", config)
    for said in ("not a LAS or LAZ file", "results cannot be written", "q.gpkg"):
        assert said in done.stderr


def test_check_leaves_nothing_behind_and_finds_names_that_are_taken(case, tmp_path):
    assert called("check", case(out="some/where/out")).returncode == 0
    assert not (tmp_path / "some").exists()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.html").write_text("mine")
    refused(case(), "report.html")
    assert (tmp_path / "out" / "report.html").read_text() == "mine"


def test_heights_of_a_damaged_scale_and_a_hostile_count(case, tmp_path):
    good = (tmp_path / "a.laz").read_bytes()
    raw = bytearray(good)
    struct.pack_into("<d", raw, 131 + 16, 1e5)
    (tmp_path / "a.laz").write_bytes(raw)
    assert "heights that no land has" in called("scout", case()).stderr
    checked = called("check", case())
    assert checked.returncode == 2
    assert "heights that no land has" in checked.stderr
    raw = bytearray(good)
    struct.pack_into("<Q", raw, 247, 2**62)
    (tmp_path / "a.laz").write_bytes(raw)
    refused(case(), "4611686018427387904 points in 1 chunks cannot stand in")


def test_what_a_run_made_is_no_elevation_of_the_next(case, tmp_path):
    (tmp_path / "out" / "rasters").mkdir(parents=True)
    (tmp_path / "out" / "rasters" / "slope.tif").write_bytes(b"II*\0")
    said = called("check", case(elevation=["**/*.tif"])).stderr
    assert "**/*.tif: no file matches this pattern under elevation" in said


def test_many_tiles_print_a_summary(case, tmp_path):
    las = laspy.read(tmp_path / "a.laz")
    for i in range(60):
        las[np.arange(i, len(las), 60)].write(tmp_path / f"part{i:02}.laz")
    done = called("check", case(points=["part*.laz"]))
    assert done.returncode == 0, done.stderr
    assert "points: 60 tiles, 21,600" in done.stdout
    assert "60 x LAS 1.4 format 6 LAZ" in done.stdout
    assert "and 57 more: heights in metres" in done.stdout
    assert len(done.stdout.splitlines()) < 25


# ---------------------------------------------------------------------------------------------
# Nothing from elsewhere: neither code nor data


def test_modules_in_the_current_folder_are_not_run(case, tmp_path):
    here = tmp_path / "here"
    here.mkdir()
    for name in ("laspy", "queue", "numpy", "yaml", "typer", "rasterio", "select", "lanewright"):
        text = f"open({str(tmp_path / 'run')!r}, 'a').write('{name} ')\nraise SystemExit(9)\n"
        (here / f"{name}.py").write_text(text)
    env = {**environment(), "PYTHONSTARTUP": str(here / "queue.py")}
    # Python itself looks for the package here first, if asked to run it by name.
    (here / "lanewright.py").unlink()
    done = subprocess.run(
        [sys.executable, "-m", "lanewright", "scout", str(case()), "--until", "ground"],
        cwd=here, env=env, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize("name", [".numba_config.yaml", "matplotlibrc"])
@pytest.mark.parametrize("command", ["scout", "check", "doctor"])
def test_settings_of_libraries_in_the_current_folder_are_refused(
    case, tmp_path, monkeypatch, name, command
):
    """numba would take pickled code from a folder that such a file names, and run it."""
    config = case()
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text("cache_dir: ./cache\n")
    done = called(command, *([config] if command != "doctor" else []))
    assert done.returncode == 2
    assert done.stderr.startswith(f"error: {tmp_path / name}: lies in the current folder")
    assert not (tmp_path / "cache").exists()


def test_a_folder_whose_name_is_no_text_and_one_that_is_gone(case, tmp_path, monkeypatch):
    config, odd = case(), tmp_path / os.fsdecode(b"K\xe4fer")
    odd.mkdir()
    (odd / "run.yaml").write_bytes(config.read_bytes())
    done = called("check", odd / "run.yaml")
    assert done.returncode == 2
    assert "no UTF-8" in done.stderr
    done = called("scout", config, "--out", odd / "out", "--until", "ingest")
    assert done.returncode == 2
    assert "no UTF-8" in done.stderr
    (tmp_path / "gone").mkdir()
    monkeypatch.chdir(tmp_path / "gone")
    (tmp_path / "gone").rmdir()
    done = called("check", config)
    assert done.returncode == 2
    assert done.stderr.startswith("error: the current folder: was removed")


class _Step(ctypes.Structure):
    _fields_ = (("code", ctypes.c_ushort), ("jt", ctypes.c_ubyte), ("jf", ctypes.c_ubyte),
                ("k", ctypes.c_uint))  # fmt: skip


class _Filter(ctypes.Structure):
    _fields_ = (("count", ctypes.c_ushort), ("steps", ctypes.POINTER(_Step)))


SOCKET = {"x86_64": 41, "aarch64": 198}.get(platform.machine())
"""Number of the system call `socket` (Linux)."""


def _forbid_sockets() -> None:
    """End this process, and all that it starts, at the first socket of IPv4 or IPv6 (seccomp)."""
    load, equal, answer = 0x20, 0x15, 0x06
    steps = (_Step * 6)(
        _Step(load, 0, 0, 0),  # number of the system call
        _Step(equal, 0, 3, SOCKET or 0),
        _Step(load, 0, 0, 16),  # its first argument: the family
        _Step(equal, 2, 0, 2),  # AF_INET
        _Step(equal, 1, 0, 10),  # AF_INET6
        _Step(answer, 0, 0, 0x7FFF0000),  # allow
    )
    steps = (_Step * 7)(*steps, _Step(answer, 0, 0, 0x80000000))  # kill
    steps[1].jf = 3  # any other call: allow
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(38, 1, 0, 0, 0) or libc.prctl(
        22, 2, ctypes.byref(_Filter(7, ctypes.cast(steps, ctypes.POINTER(_Step)))), 0, 0
    ):
        os._exit(77)


def without_sockets(*command: object) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, *map(str, command)], env=environment(), capture_output=True, text=True,
        check=False, preexec_fn=_forbid_sockets,
    )  # fmt: skip
    if done.returncode == 77:
        pytest.skip("this system does not let a process forbid itself sockets")
    return done


@pytest.mark.skipif(SOCKET is None or sys.platform != "linux", reason="needs seccomp of Linux")
def test_a_whole_run_opens_no_socket(case, tmp_path):
    """With a boundary, a keep-out and elevation; a process that asks for one socket is killed."""
    asks = without_sockets("-c", "import socket; socket.socket()")
    assert asks.returncode == -31  # SIGSYS: the test can fail
    drawn(tmp_path / "road.gpkg", LineString([IN, (LEFT + 30, BOTTOM + 50)]))
    config = case(**SMALL, keep_out=[{"path": "road.gpkg", "buffer": 1.0}])
    done = without_sockets("-m", "lanewright", "scout", config)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.skipif(SOCKET is None or sys.platform != "linux", reason="needs seccomp of Linux")
@pytest.mark.parametrize(
    ("name", "key", "text"),
    [
        ("d.tif", "elevation", '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand '
         'dataType="Byte" band="1"><SimpleSource><SourceFilename>/vsicurl/http://127.0.0.1:9/a.tif'
         "</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"),
        ("land.gpkg", "property", '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>'
         "/vsicurl/http://127.0.0.1:9/a.json</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"),
        ("land.gpkg", "property", json.dumps({
            "type": "FeatureCollection", "features": [], "crs": {
                "type": "link", "properties": {"href": "http://127.0.0.1:9/crs"}}})),
    ],
)  # fmt: skip
def test_disguised_files_are_refused_without_a_socket(case, tmp_path, name, key, text):
    (tmp_path / name).write_text(text)
    config = case(**{key: [name] if key == "elevation" else name})
    done = without_sockets("-m", "lanewright", "scout", config)
    assert done.returncode == 2, done.stderr
    assert name in done.stderr


def test_a_survey_too_thin_shows_no_trees_and_says_so(tmp_path):
    """0.04 first returns per m2, half of them 15 m up: every one would be an apex."""
    rng = np.random.default_rng(4)
    side, n = 250.0, 2500
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [LEFT, BOTTOM, 0]
    header.add_crs(CRS.from_epsg(26916))
    las = laspy.LasData(header)
    las.x, las.y = LEFT + side * rng.random(n), BOTTOM + side * rng.random(n)
    high = rng.random(n) < 0.5
    las.z = 200 + 15.0 * high
    las.classification = np.where(high, 5, 2).astype(np.uint8)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.write(tmp_path / "a.laz")
    (tmp_path / "run.yaml").write_text(
        yaml.safe_dump({"name": "thin", "points": ["a.laz"], "out": "out", "levels": ["green"]})
    )
    done = called("scout", tmp_path / "run.yaml", "--until", "vegetation")
    assert done.returncode == 0, done.stderr
    log = (tmp_path / "out" / "run.log").read_text()
    assert " 0 probable trees" in log
    assert "0.04 first returns per m2 are too few for trees, columns or clear rates" in log
