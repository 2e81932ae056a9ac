"""Same result for any tile order and thread count, killed or not; nothing changed, nothing made."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pytest
import yaml
from shapely import LineString

import worlds
from lanewright.publish.outputs import OUTPUTS
from run.runs import called, copied, environment, lanewright, results, tunnel_survey


@pytest.fixture(scope="module")
def unbroken(tunnel) -> dict[str, str]:
    """Results of a run on two threads that nobody disturbed."""
    legs = gpd.read_file(tunnel / "out" / "scout.gpkg", layer="legs")
    assert len(legs) > 0
    return results(tunnel / "out")


def test_tile_order_and_threads_change_nothing(tmp_path, unbroken):
    done = called("scout", tunnel_survey(tmp_path, ("z.laz", "a.laz")), "--threads", 1)
    assert done.returncode == 0, done.stderr
    assert results(tmp_path / "out") == unbroken


def test_killed_after_three_stages_in_turn_the_last_run_ends_in_the_same_result(tmp_path, unbroken):
    """Each run takes up where the one before was killed."""
    config = tunnel_survey(tmp_path)
    log = tmp_path / "out" / "run.log"
    for stage in ("ingest", "legs", "trim"):
        process = subprocess.Popen(
            [sys.executable, "-m", "lanewright", "scout", str(config), "--threads", "2"],
            env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline and process.poll() is None:
            if log.exists() and f"{stage}: done" in log.read_text():
                break
            time.sleep(0.01)
        os.kill(process.pid, signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL or stage == "trim"
        assert not (tmp_path / "out" / "scout.gpkg").exists() or stage == "trim"
    done = called("scout", config)
    assert done.returncode == 0, done.stderr
    said = log.read_text()
    for stage, runs_after in (("ingest", 3), ("legs", 2), ("trim", 1)):
        assert said.count(f"{stage}: done") == 1
        assert said.count(f"{stage}: nothing changed") == runs_after
    assert results(tmp_path / "out") == unbroken


def test_second_run_makes_nothing_and_says_so(tmp_path, tunnel, unbroken):
    config = copied(tunnel, tmp_path)
    called("scout", config)  # names the files by where they lie now
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "out").rglob("*.tif")}
    done = lanewright("scout", config)
    assert done.returncode == 0
    assert "nothing changed since the last run" in done.stdout
    assert {p: p.stat().st_mtime_ns for p in before} == before
    # A result that somebody changed is made again.
    (tmp_path / "out" / "rasters" / "slope.tif").write_bytes(b"spoilt")
    done = called("scout", config)
    assert "nothing changed since" not in done.stdout
    assert results(tmp_path / "out") == unbroken


def test_what_lies_in_the_out_folder_already_stays(tmp_path, tunnel):
    """The configuration's own folder as out folder, with a terrain model of the user's in it.

    What the stages made is there from a run elsewhere, but no record of published files.
    """
    config = tunnel_survey(tmp_path)
    records = shutil.ignore_patterns("claim", "results.json", "written.json")
    shutil.copytree(tunnel / "out" / ".stages", tmp_path / ".stages", ignore=records)
    settings = yaml.safe_load(config.read_text()) | {"out": "."}
    (tmp_path / "rasters").mkdir()
    mine = [tmp_path / "rasters" / "dem.tif", tmp_path / "notes.gpkg"]
    for path in mine:
        path.write_bytes(b"surveyed by hand")
    given = {p.name for p in tmp_path.iterdir()}
    for name in ("Tunnel", "Tunnel again"):  # the second time everything is published anew
        config.write_text(yaml.safe_dump(settings | {"name": name}))
        done = called("scout", config)
        assert done.returncode == 0, done.stderr
        assert all(path.read_bytes() == b"surveyed by hand" for path in mine)
    assert {p.name for p in tmp_path.iterdir()} >= given
    files = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()}
    ours = {f for f in files if not f.startswith(".stages")} - given - {"rasters/dem.tif"}
    assert ours <= {*OUTPUTS, "run.log"}


def test_a_changed_setting_makes_only_what_follows(tmp_path, tunnel):
    config = copied(tunnel, tmp_path)
    before = json.loads((tmp_path / "out" / "summary.json").read_text())["counts"]["legs"]
    settings = yaml.safe_load(config.read_text())
    settings["legs"]["keep"] = 2
    config.write_text(yaml.safe_dump(settings))
    done = called("scout", config)
    assert (
        "made: legs, cuts, holes, trim, layout, closer, roundtees, roundwork, publish;"
        in done.stdout
    )
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert [s["stage"] for s in summary["stages"] if not s["reused"]] == [
        "legs", "cuts", "holes", "trim", "layout", "closer", "roundtees", "roundwork", "publish",
    ]  # fmt: skip
    assert 0 < summary["counts"]["legs"] < before


def test_own_lines_alone_leave_the_whole_run_as_it_is(tmp_path, tunnel):
    """A line down the tunnel and one into the brush, scored by themselves and in a whole run."""
    config = copied(tunnel, tmp_path)
    x, y = worlds.LEFT, worlds.BOTTOM + 30
    lines = [LineString([(x + 8, y), (x + 52, y)]),
             LineString([(x + 10, y + 1), (x + 30, y), (x + 46, y - 9)])]  # fmt: skip
    gpd.GeoDataFrame({"name": ["Straight", "Bend"]}, geometry=lines, crs=26916).to_file(
        tmp_path / "own.gpkg"
    )
    settings = yaml.safe_load(config.read_text()) | {"own_holes": "own.gpkg"}
    config.write_text(yaml.safe_dump(settings))
    done = called("scout", config)
    assert done.returncode == 0, done.stderr
    out = tmp_path / "out"
    before = results(out)
    done = called("score", config)
    assert done.returncode == 0, done.stderr
    assert (
        "made: legs, cuts, holes, trim, layout, closer, roundtees, roundwork, publish;"
        in done.stdout
    )
    assert results(out) == before
    alone, whole = (gpd.read_file(folder / "scout.gpkg", layer="legs").query("origin == 'own'")
                    for folder in (out / "own-holes", out))  # fmt: skip
    assert whole["clear_rate"].nunique() == len(lines)
    # Besides the lines themselves there are only throws at their other tees and pins.
    assert (gpd.read_file(out / "own-holes" / "scout.gpkg", layer="holes")["origin"] == "own").all()
    assert sorted(alone["clear_rate"]) == sorted(whole["clear_rate"])
    assert "nothing changed since the last run" in called("scout", config).stdout


def test_from_and_until(tmp_path, tunnel):
    (tmp_path / "anew").mkdir()
    config = tunnel_survey(tmp_path / "anew")
    done = lanewright("scout", config, "--until", "ground", interpreter=["-X", "importtime"])
    assert done.returncode == 0
    late = {"ortools", "matplotlib", "plotly", "reportlab", "skimage"}
    loaded = {line.split("|")[-1].strip().split(".")[0] for line in done.stderr.splitlines()}
    assert "numpy" in loaded
    assert not late & loaded
    assert "stopped after ground" in done.stdout
    assert not (tmp_path / "anew" / "out" / "scout.gpkg").exists()
    done = called("scout", copied(tunnel, tmp_path / "copy"), "--from", "lanes")
    made = "lanes, marks, scene, features, flight, legs, cuts, holes, trim, layout"
    made += ", closer, roundtees, roundwork, publish"
    assert f"made: {made};" in done.stdout


def test_two_runs_do_not_share_a_folder(tmp_path):
    config = tunnel_survey(tmp_path)
    first = subprocess.Popen(
        [sys.executable, "-m", "lanewright", "scout", str(config)],
        env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    claim = tmp_path / "out" / ".stages" / "claim"
    while not claim.exists():
        time.sleep(0.01)
    time.sleep(0.2)
    first.send_signal(signal.SIGSTOP)  # it is not to finish before the other has tried
    second = lanewright("scout", config)
    first.send_signal(signal.SIGCONT)
    first.send_signal(signal.SIGINT)
    assert first.wait() == 130
    assert second.returncode == 2
    assert "another run is at work there" in second.stderr


def test_quiet_when_not_a_terminal(tunnel):
    said = (tunnel / "said.txt").read_text()
    assert (tunnel / "errors.txt").read_text() == ""
    assert "\x1b" not in said
    assert 0 < len(said.splitlines()) < 20


def test_runs_as_a_module_and_says_its_version():
    assert lanewright("--version").stdout.startswith("lanewright ")
    assert Path(sys.executable).exists()
