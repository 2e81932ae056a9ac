"""What `lanewright doctor` reports, and when it says no.

The tiny land's answers follow from how it is made: a plane and a block.
"""

import subprocess
import sys
from pathlib import Path

import laspy
import numpy as np
import pytest
from typer.testing import CliRunner

from lanewright.base.errors import InputError
from lanewright.cli import app
from lanewright.doctor import machine, report, selfcheck
from run.runs import environment

OUTCOME = CliRunner()
TINY = selfcheck.tiny_land


def doctor(*words):
    return OUTCOME.invoke(app, ["doctor", *map(str, words)])


def test_the_tiny_land_is_what_its_answers_say(tmp_path):
    """Constructed: a plane fitted to the last returns rises a tenth; firsts stand 6 m above it."""
    selfcheck.tiny_land(tmp_path / "tiny.laz")
    las = laspy.read(tmp_path / "tiny.laz")
    x, y, z = (np.asarray(a) for a in (las.x, las.y, las.z))
    last = las.return_number == las.number_of_returns
    terms = np.column_stack([x - x.min(), y - y.min(), np.ones_like(x)])
    plane = np.linalg.lstsq(terms[last], z[last], rcond=None)[0]
    assert plane[:2] == pytest.approx([0.1, 0.0], abs=0.001)
    above = (z - terms @ plane)[~last]
    assert above.min() > 5.8
    assert above.max() < 6.1
    assert 7 < np.count_nonzero(las.return_number == 1) / 3600 < 9
    assert las.header.parse_crs().to_epsg() == 26916


def test_a_sound_machine_passes_with_all_its_lines():
    done = doctor()
    assert done.exit_code == 0, done.output
    for name in ("packages", "threads", "memory", "disk, results", "kernels", "PDAL", "Chromium",
                 "GDAL tools", "self-check"):  # fmt: skip
        assert any(line[9:].startswith(name) for line in done.output.splitlines()), name
    assert "4 known answers met" in done.output
    assert "verdict: a run can work here" in done.output


def _another_land(path):
    """The tiny land twice as steep (RISE is read when it is written), its growth cut off."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(selfcheck, "RISE", 0.2)
        patch.setattr(selfcheck, "HEIGHT", 0.1)
        TINY(path)


def test_a_wrong_answer_is_named_and_ends_with_2(monkeypatch):
    """A tile whose ground rises twice as steeply, and whose growth is missing, must not pass."""
    monkeypatch.setattr(selfcheck, "tiny_land", _another_land)
    done = doctor()
    assert done.exit_code == 2
    assert "slope of the bare land [%] 20.0" in done.output
    assert "height of the growth [m] 0.0" in done.output
    assert "verdict: a run cannot work here" in done.output


def test_packages_that_lack_or_are_old_are_named(monkeypatch):
    wanted = ["numpy>=2.0", "nosuchthing>=1.0", "scipy>=999.1", 'pytest>=999; extra == "dev"']
    monkeypatch.setattr(machine.metadata, "requires", lambda _name: wanted)
    monkeypatch.setattr(report, "check_itself", lambda: ([], 0.0))
    done = doctor()
    assert done.exit_code == 2
    assert "nosuchthing is not installed; scipy is" in done.output
    assert "older than 999.1" in done.output
    assert "pytest" not in done.output
    assert "pip install" in done.output


def test_a_folder_that_takes_nothing_is_missing(monkeypatch, tmp_path):
    monkeypatch.setattr(machine.os, "access", lambda path, _mode: path != tmp_path)
    results, scratch = machine.disks(tmp_path / "not" / "yet", Path("/"))
    assert (results.state, scratch.state) == ("missing", "ok")
    assert str(tmp_path) in results.found


def test_little_disk_or_a_temporary_folder_that_fails(monkeypatch, tmp_path):
    usage = machine.shutil.disk_usage("/")
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _p: usage._replace(free=10**9))
    assert {i.state for i in machine.disks(tmp_path, tmp_path)} == {"look"}

    def full():
        raise InputError(tmp_path, "cannot be written (no space)", "Set TMPDIR.")

    monkeypatch.setattr(report, "check_itself", full)
    said, sound = report.examine(tmp_path)
    assert not sound
    assert "cannot be written (no space)" in said


@pytest.mark.parametrize(
    ("prints", "state", "said"),
    [
        ("pdal 2.2.0 (git-version: Release)", "ok", "2.2.0"),
        ("pdal 2.10.1 (git-version: Release)", "ok", "2.10.1"),
        ("pdal 1.9.4 (git-version: Release)", "look", "is not used"),
        ("nothing of the kind", "look", "is not used"),
    ],
)
def test_pdal_counts_by_the_version_that_it_prints(monkeypatch, tmp_path, prints, state, said):
    program = tmp_path / "pdal"
    program.write_text(f"#!/bin/sh\necho '{'-' * 20}'\necho '{prints}'\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    item = machine.pdal()
    assert item.state == state
    assert said in item.found


def test_without_pdal_or_tools_a_run_goes_on(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert [i.state for i in machine.machine(tmp_path)[-3:]] == ["absent"] * 3


def test_kernels_kept_are_counted_from_the_files_there(tmp_path):
    """In a process of its own with an empty cache: none, and one once one has been compiled."""
    code = (
        "from lanewright.doctor.machine import kernels; print(kernels().found);"
        "from lanewright.kernels.canopy import stamp; import numpy as np; a = np.zeros(1);"
        "stamp(a, a, a, 0.0, 1.0, 1.0, 0.1, np.zeros((2, 2), np.float32));"
        "print(kernels().found)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**environment(), "NUMBA_CACHE_DIR": str(tmp_path)},
    )  # fmt: skip
    before, after = done.stdout.splitlines()
    assert before.startswith("0 of ")
    assert after.startswith("1 of ")


@pytest.mark.parametrize("lacks", ["numba", "psutil", "laspy", "rasterio", "numpy", "pydantic",
                                   "typer", "rich"])  # fmt: skip
def test_a_missing_package_is_named_and_ends_with_2(lacks):
    """Python reports it missing, as it does of a package that was never installed."""
    code = f"""
import sys
class Without:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] == {lacks!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)
sys.meta_path.insert(0, Without())
sys.argv = ["lanewright", "doctor"]
from lanewright.__main__ import main
main()
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=environment()
    )
    said = done.stdout + done.stderr
    assert done.returncode == 2, said
    assert lacks in said
    assert "pip install" in said
    assert "Traceback" not in said


def test_another_command_names_a_missing_package_too(tmp_path):
    code = """
import sys
sys.modules["pyproj"] = None
sys.argv = ["lanewright", "check", "none.yaml"]
from lanewright.__main__ import main
main()
"""
    (tmp_path / "none.yaml").write_text("{name: x, points: [x.laz], out: out}")
    (tmp_path / "x.laz").write_bytes(b"LASF")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False,
                          env=environment(), cwd=tmp_path)  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "the package pyproj is not installed" in done.stderr
    assert "Traceback" not in done.stderr
