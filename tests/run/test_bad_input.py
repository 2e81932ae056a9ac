"""Bad input: one clear message, exit code 2, earlier results untouched. Tried as a user would."""

import os
import subprocess
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pytest
import yaml
from pyproj import CRS
from shapely import Polygon, box

from run.runs import lanewright

LEFT, BOTTOM, SIDE = 500_000.0, 4_400_000.0, 60.0
SMALL = {"sites": {"boundary_setback": 1.0, "wet": True}}
"""Settings of the legs for land of half a football field."""


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


def refused(config: Path, *said: str, command: str = "scout") -> str:
    done = lanewright(command, config)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("error: ")
    for words in said:
        assert words in done.stderr
    return done.stderr


def test_missing_tile_and_missing_boundary_are_told_together(case, tmp_path):
    refused(case(points=["none.laz"], property="nowhere.gpkg"), "none.laz", "nowhere.gpkg")


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
        said = refused(case(out=str(disk)))
        assert "full" in said or "No space" in said
        assert (disk / "earlier.txt").read_text() == "stays"
    finally:
        subprocess.run(["umount", disk], check=False)


@pytest.mark.parametrize("kind", ["meadow", "plane"])
def test_no_vegetation_runs_and_finds_open_legs(case, tmp_path, kind):
    tile(tmp_path / "a.laz", kind)
    done = lanewright("scout", case(levels=["green"], legs=SMALL))
    assert done.returncode == 0, done.stderr
    legs = gpd.read_file(tmp_path / "out" / "scout.gpkg", layer="legs")
    assert len(legs) > 0
    assert (legs["clear_rate"] == 1).all()
    assert set(legs["lane_kind"]) <= {"open", "edge"}


def test_all_water_says_so(case, tmp_path):
    tile(tmp_path / "a.laz", "water")
    done = lanewright("scout", case())
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "ground" in done.stderr


def test_check_says_what_it_found_and_writes_nothing(case, tmp_path):
    done = lanewright("check", case())
    assert done.returncode == 0, done.stderr
    for words in ("a.laz", "LAS 1.4 format 6", "metre", "EPSG:26916", "2 ground", "0.2 ha",
                  "100 % within the tiles", "verdict: a run can start"):  # fmt: skip
        assert words in done.stdout
    assert not (tmp_path / "out").exists()
    assert len(done.stdout.splitlines()) < 40


def test_failing_run_leaves_earlier_results_untouched(case, tmp_path):
    config = case(levels=["green"], legs=SMALL)
    assert lanewright("scout", config).returncode == 0
    before = {p: p.read_bytes() for p in (tmp_path / "out").rglob("*.tif")}
    before[tmp_path / "out" / "scout.gpkg"] = (tmp_path / "out" / "scout.gpkg").read_bytes()
    raw = (tmp_path / "a.laz").read_bytes()
    (tmp_path / "a.laz").write_bytes(raw[: len(raw) // 2])
    refused(config, "cut off")
    assert all(path.read_bytes() == content for path, content in before.items())
    assert "cut off" in (tmp_path / "out" / "run.log").read_text()
