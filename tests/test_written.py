"""Files of the user's are neither replaced nor removed, whatever they are called."""

import os
from pathlib import Path

import pytest
import yaml
from typer.testing import CliRunner

from lanewright.base.errors import InputError
from lanewright.cli import app
from lanewright.publish.outputs import OUTPUTS
from lanewright.store import Written
from lanewright.store.files import check_value, read_json, write_json

MINE = b"surveyed by hand"


def made(folder: Path, **files: str) -> Path:
    """A folder of files about to be published; underscores stand for slashes and dots."""
    for name, text in files.items():
        path = folder / name.replace("__", "/").replace("_", ".")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder


def written(out: Path) -> Written:
    (out / ".stages").mkdir(parents=True, exist_ok=True)
    return Written(out, out / ".stages")


def test_what_was_written_stands_until_somebody_changes_it(tmp_path):
    out = tmp_path / "out"
    written(out).publish(".", "k", made(tmp_path / "a", scout_gpkg="1", rasters__slope_tif="2"))
    assert written(out).stands(".", "k")
    assert not written(out).stands(".", "other")
    (out / "rasters" / "slope.tif").write_text("3")
    assert not written(out).stands(".", "k")
    written(out).publish(".", "k", made(tmp_path / "b", scout_gpkg="1", rasters__slope_tif="2"))
    assert (out / "rasters" / "slope.tif").read_text() == "2"


def test_only_our_own_stale_files_go(tmp_path):
    out = tmp_path / "out"
    first = made(tmp_path / "a", rasters__slope_tif="1", rasters__old_tif="2", rasters__new_tif="3")
    written(out).publish(".", "k", first)
    (out / "rasters" / "dem.tif").write_bytes(MINE)
    (out / "rasters" / "new.tif").write_bytes(MINE)  # put in the place of one of ours
    written(out).publish(".", "l", made(tmp_path / "b", rasters__slope_tif="4"))
    assert sorted(p.name for p in (out / "rasters").iterdir()) == [
        "dem.tif",
        "new.tif",
        "slope.tif",
    ]
    assert (out / "rasters" / "dem.tif").read_bytes() == MINE
    assert (out / "rasters" / "new.tif").read_bytes() == MINE
    with pytest.raises(InputError, match=r"new\.tif"):  # it was let go of, so it is the user's
        written(out).publish(".", "m", made(tmp_path / "c", rasters__new_tif="5"))


@pytest.mark.parametrize(
    "name", ["../dem.tif", "rasters/../../dem.tif", "linked/dem.tif", "ABSOLUTE"]
)
def test_a_planted_record_removes_nothing_outside(tmp_path, name):
    """It confirms its own checksum and says that a file of the user's was written by a run."""
    out, theirs = tmp_path / "out", tmp_path / "dem.tif"
    theirs.write_bytes(MINE)
    written(out).publish(".", "k", made(tmp_path / "a", scout_gpkg="1", rasters__slope_tif="2"))
    (out / "linked").symlink_to(tmp_path)
    record = out / ".stages" / "written.json"
    said = read_json(record)
    said["files"]["."][str(theirs) if name == "ABSOLUTE" else name] = check_value(theirs)
    write_json(record, said)
    again = made(tmp_path / "b", scout_gpkg="3", rasters__slope_tif="4")
    if name.startswith("linked"):
        written(out).publish(".", "l", again)
    else:  # a record like that is none, so that nothing there counts as ours
        with pytest.raises(InputError, match="no earlier run wrote"):
            written(out).publish(".", "l", again)
    assert theirs.read_bytes() == MINE


def test_folders_of_two_kinds_of_run_do_not_mix(tmp_path):
    out = tmp_path / "out"
    written(out).publish(".", "k", made(tmp_path / "a", scout_gpkg="1", holes_csv="1"))
    written(out).publish("own", "l", made(tmp_path / "b", scout_gpkg="2"))
    written(out).publish(".", "m", made(tmp_path / "c", scout_gpkg="3"))
    assert written(out).stands("own", "l")
    assert not (out / "holes.csv").exists()


def test_killed_while_moving_the_next_run_knows_its_files(tmp_path, monkeypatch):
    out = tmp_path / "out"
    moved = []
    move = Path.replace

    def replace(self, target):
        if self.suffix == ".tif":
            if moved:
                raise KeyboardInterrupt
            moved.append(target)
        return move(self, target)

    with monkeypatch.context() as m:
        m.setattr(Path, "replace", replace)
        with pytest.raises(KeyboardInterrupt):
            written(out).publish(".", "k", made(tmp_path / "a", a_tif="1", b_tif="2", c_tif="3"))
    assert len(list(out.glob("*.tif"))) == 1
    assert not written(out).stands(".", "k")
    written(out).publish(".", "l", made(tmp_path / "b", b_tif="4"))
    assert [p.name for p in out.glob("*.tif")] == ["b.tif"]


def test_log_of_a_viewer_goes_with_the_old_database_only(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "other.gpkg-wal").write_bytes(MINE)
    written(out).publish(".", "k", made(tmp_path / "a", scout_gpkg="1"))
    (out / "scout.gpkg-wal").write_text("changes to the old one")
    written(out).publish(".", "l", made(tmp_path / "b", scout_gpkg="2"))
    assert not (out / "scout.gpkg-wal").exists()
    assert (out / "other.gpkg-wal").read_bytes() == MINE


# ---------------------------------------------------------------------------------------------
# By the command


def scout(folder: Path) -> tuple[int, str]:
    """Exit code and message of a run whose out folder is that of its inputs."""
    config = folder / "run.yaml"
    config.write_text(yaml.safe_dump({"name": "Mine", "points": ["*.laz"], "out": "."}))
    done = CliRunner().invoke(app, ["scout", str(config)])
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, " ".join(done.output.split())


@pytest.mark.parametrize("name", [*OUTPUTS, "run.log"])
def test_a_name_that_is_taken_stops_the_run_before_it_starts(tmp_path, name):
    mine = tmp_path / name
    mine.parent.mkdir(exist_ok=True)
    mine.write_bytes(MINE)
    code, said = scout(tmp_path)
    assert code == 2
    assert "taken by files which no earlier run wrote" in said
    assert name in said
    assert mine.read_bytes() == MINE


def links(folder: Path) -> dict[str, tuple[Path, Path]]:
    """What may be a link in an out folder, and where each leads."""
    elsewhere = folder / "elsewhere"
    (elsewhere / "dems").mkdir(parents=True)
    (elsewhere / "dems" / "slope.tif").write_bytes(MINE)
    (elsewhere / "file").write_bytes(MINE)
    return {
        "rasters": (elsewhere / "dems", elsewhere / "dems" / "slope.tif"),
        ".stages": (elsewhere / "dems", elsewhere / "dems" / "slope.tif"),
        ".stages/claim": (elsewhere / "file", elsewhere / "file"),
        "run.log": (elsewhere / "file", elsewhere / "file"),
        "scout.gpkg": (elsewhere / "file", elsewhere / "file"),
        "report.html": (elsewhere / "nowhere", elsewhere / "nowhere"),
    }


@pytest.mark.parametrize(
    "name", ["rasters", ".stages", ".stages/claim", "run.log", "scout.gpkg", "report.html"]
)
def test_links_are_not_followed(tmp_path, name):
    target, touched = links(tmp_path)[name]
    out = tmp_path / "out"
    (out / name).parent.mkdir(parents=True)
    (out / name).symlink_to(target)
    before = sorted(p.relative_to(tmp_path) for p in (tmp_path / "elsewhere").rglob("*"))
    code, said = scout(out)
    assert code == 2
    assert "link" in said
    assert not touched.exists() or touched.read_bytes() == MINE
    assert sorted(p.relative_to(tmp_path) for p in (tmp_path / "elsewhere").rglob("*")) == before
    assert (out / name).is_symlink()


@pytest.mark.parametrize("name", ["run.log", ".stages/claim"])
def test_a_second_name_of_a_users_file_is_not_written_to(tmp_path, name):
    """A hard link, even where the record names it."""
    out = tmp_path / "out"
    written(out).open_log("run.log").close()
    mine = tmp_path / "diary.txt"
    mine.write_bytes(MINE)
    (out / name).unlink(missing_ok=True)
    os.link(mine, out / name)
    code, said = scout(out)
    assert code == 2
    assert "is a link, or no plain file" in said
    assert mine.read_bytes() == MINE


@pytest.mark.parametrize("name", ["run.log", ".stages/claim", "scout.gpkg"])
def test_a_pipe_does_not_hang_the_run(tmp_path, name):
    (tmp_path / name).parent.mkdir(exist_ok=True)
    os.mkfifo(tmp_path / name)
    code, _ = scout(tmp_path)
    assert code == 2


def test_a_users_file_called_claim_is_left_as_it_is(tmp_path):
    (tmp_path / ".stages").mkdir()
    (tmp_path / ".stages" / "claim").write_bytes(MINE)
    scout(tmp_path)
    assert (tmp_path / ".stages" / "claim").read_bytes() == MINE
