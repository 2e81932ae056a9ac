"""A ranking of four parcels: killed, finished, and held against runs of the parcels alone."""

import csv
import os
import signal
import subprocess
import sys
import time
from contextlib import closing
from sqlite3 import connect

import geopandas as gpd
import psutil
import pytest
import shapely
import yaml
from pandas.testing import assert_frame_equal

from lanewright.rank.figures import looked_at
from run.runs import environment, lanewright
from run.test_bad_input import without_sockets
from small import CRS, LAND, small_property

LEFT, BOTTOM, RIGHT, TOP = LAND.bounds
MIDDLE = LAND.centroid.x
PARCELS = {
    "W": shapely.box(LEFT + 20, BOTTOM + 20, MIDDLE, TOP - 20),
    "E": shapely.box(MIDDLE, BOTTOM + 20, RIGHT - 20, TOP - 20),
    "far": shapely.box(RIGHT + 9_000, BOTTOM, RIGHT + 9_100, TOP),
    "bow": shapely.Polygon([(LEFT, BOTTOM), (RIGHT, TOP), (RIGHT, BOTTOM), (LEFT, TOP)]),
}
COMMAND = [sys.executable, "-m", "lanewright"]
PATIENCE = 900


def started(*words):
    command = [*COMMAND, *map(str, words)]
    return subprocess.Popen(
        command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )


def wait_for(what, process):
    end = time.monotonic() + PATIENCE
    while not what() and time.monotonic() < end:
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.02)
    assert what()


def log_of(out, key):
    path = out / "parcels" / key / "run.log"
    return path.read_text() if path.exists() else ""


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rank")
    config = small_property(folder, ingest={"context": 10.0})
    gpd.GeoDataFrame(
        {"pin": list(PARCELS), "name": [f"lot {key}" for key in PARCELS]},
        geometry=list(PARCELS.values()), crs=CRS,
    ).to_file(folder / "parcels.gpkg")  # fmt: skip
    return folder, config


@pytest.fixture(scope="module")
def ranked(land):
    """The client is killed after the first parcel, then a worker amid the second."""
    folder, config = land
    out = folder / "ranked"
    words = ("rank", folder / "parcels.gpkg", config, "--out", out, "--workers")
    client = started(*words, 1)
    wait_for(lambda: any("features: done" in log_of(out, key) for key in "WE"), client)
    client.send_signal(signal.SIGKILL)
    client.wait()
    first = next(key for key in "WE" if "features: done" in log_of(out, key))
    second = "E" if first == "W" else "W"
    before = log_of(out, second)

    client = started(*words, 2)
    wait_for(lambda: "ingest: " in log_of(out, second).removeprefix(before), client)
    busy = [
        child.pid
        for child in psutil.Process(client.pid).children(recursive=True)
        if any(f.path.endswith(f"{second}/run.log") for f in child.open_files())
    ]
    assert len(busy) == 1
    os.kill(busy[0], signal.SIGKILL)
    _, said = client.communicate(timeout=PATIENCE)
    assert client.returncode == 0, said
    with (out / "ranked.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = {row["parcel_id"]: row for row in csv.DictReader(file)}
    return out, rows, first


def test_one_bad_parcel_never_stops_the_rest(ranked):
    _, rows, _ = ranked
    assert {key: row["status"] for key, row in rows.items()} == {
        "W": "ranked", "E": "ranked", "far": "failed", "bow": "failed",
    }  # fmt: skip
    assert "no tile touches it" in rows["far"]["failed"]
    assert "crosses or touches itself" in rows["bow"]["failed"]
    assert sorted(row["rank"] for row in rows.values()) == ["", "", "1", "2"]


def test_what_was_finished_is_not_made_again(ranked):
    out, _, first = ranked
    assert log_of(out, first).count("features: done") == 1
    assert "features: nothing changed" in log_of(out, first)


def test_tiles_were_read_for_all_parcels_at_once(ranked):
    out, _, first = ranked
    assert log_of(out, first).count("read before, with other parcels") == 1
    assert list((out / ".stages").glob("tiles")) == []


def test_one_worker_opens_no_socket_and_changes_nothing(ranked, land):
    """Ranked again within one process, which ends at its first socket (seccomp)."""
    out, _, _ = ranked
    folder, config = land
    before = (out / "ranked.csv").read_bytes()
    words = ("-m", "lanewright", "rank")
    done = without_sockets(*words, folder / "parcels.gpkg", config, "--out", out, "--workers", 1)
    assert done.returncode == 0, done.stderr
    assert (out / "ranked.csv").read_bytes() == before


def test_layer_table_and_page_say_the_same(ranked):
    out, rows, _ = ranked
    with closing(connect(out / "ranked.gpkg")) as db:
        layer = dict(db.execute("SELECT parcel_id, rank FROM ranked").fetchall())
    assert {key: str(rank or "") for key, rank in layer.items()} == {
        key: row["rank"] for key, row in rows.items()
    }
    page = (out / "ranked.html").read_text()
    assert all(f"lot {key}" in page for key in PARCELS)
    areas = {key: float(rows[key]["area_ha"]) for key in "WE"}
    assert areas == pytest.approx({key: PARCELS[key].area / 1e4 for key in "WE"}, abs=0.006)


def test_a_parcel_is_as_a_run_of_it_alone(ranked, land):
    """The run alone has the settings as the user wrote them and all tiles."""
    out, _, _ = ranked
    folder, config = land
    gpd.GeoDataFrame(geometry=[PARCELS["E"]], crs=CRS).to_file(folder / "east.gpkg")
    settings = yaml.safe_load(config.read_text()) | {"property": "east.gpkg", "out": "alone"}
    alone = folder / "alone.yaml"
    alone.write_text(yaml.safe_dump(settings))
    done = lanewright("scout", alone, "--until", "features", timeout=PATIENCE)
    assert done.returncode == 0, done.stderr
    mine = looked_at(out / "parcels" / "E" / ".stages", surveyed=True)
    theirs = looked_at(folder / "alone" / ".stages", surveyed=True)
    assert len(theirs.features.features) > 0
    assert_frame_equal(mine.features.features, theirs.features.features)
    assert_frame_equal(mine.scene.trees, theirs.scene.trees)
    assert (mine.scene.density == theirs.scene.density).all()
    assert mine.survey.facts == theirs.survey.facts
