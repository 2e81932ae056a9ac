"""PDAL as a process: what it is asked, how it is bounded, and that nothing of it is left behind.

A program of a few lines stands in for PDAL: it writes down the pipeline and does what a test asks.
"""

import glob
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import pulses
import worlds
from lanewright.base import processes
from lanewright.base.errors import InputError
from lanewright.sources import pdal
from lanewright.sources.converted import convert
from run.runs import environment


@pytest.fixture
def fake(monkeypatch, tmp_path):
    """A function that puts a program `pdal` on the path; its argument is what a pipeline runs."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))

    def make(code: str) -> Path:
        folder = tmp_path / "bin"
        folder.mkdir(exist_ok=True)
        program = folder / "pdal"
        program.write_text(
            f"#!{sys.executable}\nimport json, os, shutil, subprocess, sys, time\n"
            "if sys.argv[1] == '--version':\n    print('pdal 2.9.0'); sys.exit()\n"
            "text = open(sys.argv[2]).read()\n"
            f"open({str(tmp_path / 'asked.json')!r}, 'w').write(text)\n"
            f"stages = json.loads(text)['pipeline']\n{code}\n"
        )
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
        pdal._program.cache_clear()
        return program

    yield make
    pdal._program.cache_clear()


def gone(pid: int) -> bool:
    """Whether a process has ended; one that waits to be reaped has."""
    for _ in range(100):
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except (FileNotFoundError, ProcessLookupError):
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    return False


def test_names_are_no_patterns_and_the_record_names_no_folder(fake, tmp_path):
    """A neighbour that the name would match as a pattern (POSIX glob) must not be read as well."""
    pulses.write_laz(tmp_path / "made.laz", worlds.plane(density=1.0, size=20.0).points)
    fake(f"shutil.copy({str(tmp_path / 'made.laz')!r}, stages[-1]['filename'])")
    lidar = tmp_path / "Lidar \u00e9t\u00e9 [2]"
    lidar.mkdir()
    odd, decoy = lidar / "clo#ud [1]*.ply", lidar / "clo#ud 1x.ply"
    for path in (odd, decoy):
        path.write_bytes(b"ply\n" + path.name.encode())
    found = convert(odd)
    asked = json.loads((tmp_path / "asked.json").read_text())["pipeline"]
    assert glob.glob(asked[0]["filename"]) == [str(odd)]  # noqa: PTH207 - the pattern is whole
    assert "#" not in asked[-1]["filename"]
    assert found.file.name.isascii()
    assert not set(found.file.name) & set("#[]* ")
    said = json.loads(found.pipeline)["pipeline"]
    assert said[0]["filename"] == odd.name
    assert "/" not in said[-1]["filename"]
    assert convert(odd) == found  # as kept


def test_a_folder_that_pdal_would_number_is_named(fake, tmp_path, monkeypatch):
    fake("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "a#b"))
    (tmp_path / "c.ply").write_bytes(b"ply\n")
    with pytest.raises(InputError, match=r"has a # in its name.*XDG_CACHE_HOME"):
        convert(tmp_path / "c.ply")


def test_a_pipeline_that_does_not_end_is_killed_with_all_it_started(fake, tmp_path, monkeypatch):
    fake(
        f"child = subprocess.Popen(['sleep', '60'])\n"
        f"open({str(tmp_path / 'pids')!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
        "time.sleep(60)"
    )
    monkeypatch.setattr(pdal, "LONGEST", 1.5)
    (tmp_path / "c.ply").write_bytes(b"ply\n")
    began = time.monotonic()
    with pytest.raises(InputError, match="takes more than"):
        convert(tmp_path / "c.ply")
    assert time.monotonic() - began < 20
    for pid in (tmp_path / "pids").read_text().split():
        assert gone(int(pid))


@pytest.mark.skipif(sys.platform != "linux", reason="memory of a process is bounded on Linux only")
def test_a_pipeline_that_takes_too_much_memory_fails_by_itself(fake, tmp_path, monkeypatch):
    fake("time.sleep(0.3); kept = bytearray(2**30)")
    monkeypatch.setattr(pdal, "MEMORY", 2**28)
    (tmp_path / "c.ply").write_bytes(b"ply\n")
    with pytest.raises(InputError, match=r"PDAL 2\.9\.0 cannot do it \(MemoryError\)"):
        convert(tmp_path / "c.ply")


def test_ctrl_c_leaves_no_pdal_behind(fake, tmp_path):
    fake(f"open({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid())); time.sleep(60)")
    (tmp_path / "c.ply").write_bytes(b"ply\n")
    config = tmp_path / "run.yaml"
    config.write_text("{name: x, points: [c.ply], out: out, crs: {points: EPSG:26916}}")
    run = subprocess.Popen(
        [sys.executable, "-m", "lanewright", "check", str(config)], env=environment(),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    for _ in range(600):
        if (tmp_path / "pid").exists() and (tmp_path / "pid").read_text():
            break
        assert run.poll() is None, run.communicate()
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    _out, err = run.communicate(timeout=20)
    assert run.returncode == 130
    assert "interrupted" in err
    assert gone(int((tmp_path / "pid").read_text()))


PACKAGE = """
class info: version = "2.7.1"
class Pipeline:
    def __init__(self, text): self.text = text
    def execute(self): print("executed", len(self.text))
"""


def test_the_python_package_is_taken_from_its_place_and_never_from_the_current_folder(
    tmp_path, monkeypatch
):
    here, place = tmp_path / "here", tmp_path / "site"
    here.mkdir()
    place.mkdir()
    mark = tmp_path / "ran"
    (here / "pdal.py").write_text(f"open({str(mark)!r}, 'w')\n{PACKAGE}".replace("2.7.1", "9.9.9"))
    monkeypatch.chdir(here)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", str(here))
    monkeypatch.syspath_prepend(str(here))
    pdal._program.cache_clear()
    assert shutil.which("pdal") is None
    assert pdal.program() is None
    (place / "pdal.py").write_text(PACKAGE)
    monkeypatch.syspath_prepend(str(place))
    pdal._program.cache_clear()
    found = pdal.program()
    assert found is not None
    assert (found.version, found.where) == ("2.7.1", "its Python package")
    stages = [{"type": "readers.las", "filename": "x"}]
    assert "readers.las" in pdal.run(found, "x", stages, tmp_path)
    assert not mark.exists()
    pdal._program.cache_clear()


def test_the_end_of_what_a_program_says_is_kept(monkeypatch):
    monkeypatch.setattr(processes, "MOST_SAID", 50)
    code = (
        "import sys; print('x' * 10**6, 'end'); sys.exit('a\\n\\nlast line ' + 'y' * 10 + '\\n\\n')"
    )
    done = processes.run_bounded([sys.executable, "-c", code], 60.0, 2**32)
    assert done.said.endswith("xx end\n")
    assert len(done.said) == 50
    assert done.last_word == "last line " + "y" * 10
