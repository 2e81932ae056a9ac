"""A machine that fails a run: full or read-only disk, no memory, interrupts, kills, clocks."""

import io
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from lanewright import cli
from lanewright.base.errors import InputError
from lanewright.cli import app
from lanewright.store import Store, Written, stage
from run.runs import called, environment, lanewright, tunnel_survey

MEGABYTE = 2**20


@dataclass(frozen=True)
class Much:
    array: NDArray[np.float64]
    table: pd.DataFrame


@stage("first", version=1)
def first(seed: int) -> Much:
    return _much(seed)


@stage("second", version=1)
def second(seed: int, workspace: Path) -> Much:
    (workspace / "points.bin").write_bytes(bytes(range(256)) * 1024)
    return _much(seed)


def _much(seed: int) -> Much:
    """A quarter of a megabyte each of array and table, none of it to be packed."""
    chance = np.random.default_rng(seed)
    return Much(chance.random(2**15), pd.DataFrame({"x": chance.random(2**15)}))


def both(folder: Path) -> tuple[float, float]:
    """Two stages of some 0.5 and 0.75 MB; sums that tell whether they came back right."""
    store = Store(folder)
    one, two = store.step(first, 1), store.step(second, 2)
    assert (store.folder / f"{_name(folder, 'second')}" / "points.bin").stat().st_size == 2**18
    return float(one.array.sum() + one.table["x"].sum()), float(two.array.sum())


def _name(folder: Path, stage_name: str) -> str:
    return next(p.name for p in folder.glob(f"{stage_name}-*") if not p.name.endswith(".part"))


@contextmanager
def disk(folder: Path, size: int, more: str = "") -> Iterator[Path]:
    """A disk of so many bytes."""
    folder.mkdir(exist_ok=True)
    options = f"size={size}{more}"
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a small disk to fill can be mounted by root only")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.parametrize("kilobytes", [8, 16, 32, 64, *range(100, 1700, 100)])
def test_a_disk_full_at_any_moment_is_a_message_and_the_rerun_is_right(tmp_path, kilobytes):
    wanted = both(tmp_path / "roomy")
    with disk(tmp_path / "small", kilobytes * 1024) as small:
        try:
            got = both(small / "store")
        except InputError as fault:
            assert "the disk is full" in str(fault)
            assert list((small / "store").glob("*.part")) == []
        except OSError as fault:
            assert fault.errno == 28  # what the command makes a message of
        else:
            assert got == wanted
            assert kilobytes > 1000
        subprocess.run(["mount", "-o", "remount,size=9m", str(small)], check=True)
        assert both(small / "store") == wanted


def test_a_disk_that_fills_while_files_are_moved_leaves_whole_files(tmp_path):
    with disk(tmp_path / "small", 64 * 1024) as out:
        (out / ".stages").mkdir()
        ready = out / ".stages" / "ready"
        ready.mkdir()
        (ready / "scout.gpkg").write_bytes(b"1" * 4096)
        written = Written(out, out / ".stages")
        subprocess.run(  # fails when the disk is full, as it is to be
            ["dd", "if=/dev/zero", f"of={out / 'filler'}"], capture_output=True, check=False
        )
        with pytest.raises(OSError, match="No space"):
            written.publish(".", "k", ready)
        assert not (out / "scout.gpkg").exists()
        (out / "filler").unlink()
        Written(out, out / ".stages").publish(".", "k", ready)
        assert (out / "scout.gpkg").read_bytes() == b"1" * 4096


def test_the_command_says_that_the_disk_is_full(tmp_path):
    """While points are read, which happens in processes of their own, and while logging."""
    config = tunnel_survey(tmp_path)
    for size in (40 * 1024, 2 * MEGABYTE):
        with disk(tmp_path / "small", size) as small:
            done = lanewright("scout", config, "--out", small / "out")
            assert done.returncode == 2, done.stderr
            assert "disk is full" in done.stderr or "cannot be written" in done.stderr
            assert len(done.stderr.splitlines()) == 1
            assert "Traceback" not in done.stderr


def test_a_disk_that_cannot_be_written_is_a_message(tmp_path):
    config = tunnel_survey(tmp_path)
    with disk(tmp_path / "fixed", MEGABYTE, ",ro") as fixed:
        done = lanewright("scout", config, "--out", fixed / "out")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr
    assert "Read-only" in done.stderr


def test_an_out_folder_that_became_read_only_is_a_message(tmp_path):
    config = tunnel_survey(tmp_path)
    with disk(tmp_path / "disk", 99 * MEGABYTE) as place:
        out = place / "out"
        assert lanewright("scout", config, "--out", out, "--until", "ingest").returncode == 0
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        done = lanewright("scout", config, "--out", out)
        assert done.returncode == 2
        assert "cannot be written" in done.stderr
        subprocess.run(["mount", "-o", "remount,rw", str(place)], check=True)
        done = lanewright("scout", config, "--out", out, "--until", "ingest")
        assert "ingest: nothing changed" in (out / "run.log").read_text()


@pytest.mark.parametrize("megabytes", [400, 1000])
def test_too_little_memory_is_a_message(tmp_path, tunnel, megabytes):
    """Too little to load the libraries, and too little to compute."""
    # The run of `tunnel` compiled all, so that little is left to compile here.
    config = tunnel_survey(tmp_path)
    limit = megabytes * MEGABYTE
    done = subprocess.run(
        [sys.executable, "-m", "lanewright", "scout", str(config)],
        capture_output=True, text=True, timeout=600, check=False, env=environment(),
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
    )  # fmt: skip
    assert done.returncode == 2
    assert "memory" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("end", "code", "said"),
    [
        ("os.abort()", 2, "the 900 MB that memory is limited to did not suffice"),
        ("os._exit(127)", 2, "did not suffice"),  # as the system's loader does
        ("os._exit(1)", 2, "did not suffice"),
        ("os._exit(130)", 130, ""),  # as an interrupt does
        ("os.kill(os.getpid(), 9)", -9, ""),
        ("sys.exit(2)", 2, ""),
        ("raise ValueError('a bug')", 1, "ValueError: a bug"),
        ("print('well')", 0, ""),
    ],
)
def test_a_library_that_ends_the_process_under_a_limit_is_a_message(end, code, said):
    script = f"import os, sys\nfrom lanewright.base.limited import guarded\nguarded(lambda: {end})"
    if end.startswith("raise"):
        script = script.replace(f"lambda: {end}", f"lambda: exec({end!r})")
    limit = (900 * MEGABYTE,) * 2
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False,
        env=environment(), preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, limit),
    )  # fmt: skip
    assert done.returncode == code
    assert said in done.stderr
    assert ("error:" in done.stderr) == ("suffice" in said)
    assert done.stdout == ("well\n" if "well" in end else "")


@pytest.mark.parametrize(("encoding", "tree"), [("latin-1", b"\\u6728"), ("utf-8", "木".encode())])
def test_a_terminal_that_lacks_signs_shows_their_numbers(monkeypatch, encoding, tree):
    shown = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(shown, encoding=encoding))
    cli._write_what_fits()
    cli.out.print("Wood 木 é", markup=False)
    sys.stdout.flush()
    assert shown.getvalue() == b"Wood " + tree + " é\n".encode(encoding)


def interrupted(words: list[str], after: float) -> tuple[int, str]:
    """Exit code and messages of a command interrupted so long after our first line ran.

    What Python prints of its imports marks that moment: before it Python itself starts.
    """
    process = subprocess.Popen(
        [sys.executable, "-X", "importtime", "-m", "lanewright", *words], env=environment(),
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert process.stderr is not None
    for line in process.stderr:
        if line.split("|")[-1].strip() == "lanewright":
            break
    process.stderr.readline()  # the first import of ours
    time.sleep(after)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does, reading processes included
    said = "".join(line for line in process.stderr if not line.startswith("import time:"))
    return process.wait(timeout=120), said


@pytest.mark.parametrize("after", [0.0, 0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.5, 1.0, 3.0, 6.0])
def test_an_interrupt_is_no_traceback(tmp_path, after):
    code, said = interrupted(["scout", str(tunnel_survey(tmp_path))], after)
    assert code == 130, said
    assert "interrupted" in said
    assert "Traceback" not in said
    assert len(said.splitlines()) == 1


def test_three_runs_at_once_do_not_disturb_each_other(tmp_path):
    config = tunnel_survey(tmp_path)
    command = [sys.executable, "-m", "lanewright", "scout", str(config), "--until", "lanes"]
    runs = [
        subprocess.Popen(command, env=environment(), stderr=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    said = [run.communicate(timeout=600)[1] for run in runs]
    codes = [run.returncode for run in runs]
    ends = zip(codes, said, strict=True)
    assert set(codes) <= {0, 2}
    assert 0 in codes
    assert all("another run is at work" in text for code, text in ends if code == 2)
    done = called("scout", config, "--until", "lanes")
    assert done.returncode == 0
    log = (tmp_path / "out" / "run.log").read_text()
    assert "damaged" not in log
    assert log.count("lanes: done") == 1


def test_a_clock_set_back_changes_nothing(tmp_path):
    """Everything is from tomorrow, and Python's clock goes a year behind."""
    config = tunnel_survey(tmp_path)
    assert called("scout", config, "--until", "terrain").returncode == 0
    for path in [*(tmp_path / "out").rglob("*"), *tmp_path.glob("*.laz")]:
        os.utime(path, (time.time() + 86_400,) * 2)
    (tmp_path / "clock").mkdir()
    (tmp_path / "clock" / "sitecustomize.py").write_text(
        "import time\nreal = time.time\ntime.time = lambda: real() - 365 * 86_400\n"
    )
    path = os.pathsep.join([str(tmp_path / "clock"), environment()["PYTHONPATH"]])
    done = subprocess.run(
        [sys.executable, "-m", "lanewright", "scout", str(config), "--until", "terrain"],
        env=environment() | {"PYTHONPATH": path}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    log = (tmp_path / "out" / "run.log").read_text()
    for name in ("ingest", "ground", "terrain"):
        assert log.count(f"{name}: nothing changed") == 1


def test_an_input_swapped_and_put_back_is_read_again_each_time(tmp_path):
    """Same name, size and times, other content: contents are what counts."""
    config = tunnel_survey(tmp_path)
    tile = tmp_path / "b.laz"
    own, other = tile.read_bytes(), (tmp_path / "a.laz").read_bytes()
    times = (tile.stat().st_atime, tile.stat().st_mtime)

    def surface(content: bytes) -> bytes:
        tile.write_bytes(content)
        os.utime(tile, times)
        done = called("scout", config, "--until", "ground")
        assert done.returncode == 0, done.stderr
        (place,) = (tmp_path / "out" / ".stages").glob("ground-*")
        return (place / "000.npy").read_bytes()

    first_time = surface(own)
    assert surface(other) != first_time
    assert surface(own) == first_time


def test_an_interrupt_within_a_call_from_compiled_code_ends_the_command():
    """There an exception would be printed and passed over: ctypes cannot hand it on."""
    code = """
import ctypes, signal
from lanewright.cli import _faults
with _faults():
    ctypes.CFUNCTYPE(None)(lambda: signal.raise_signal(signal.SIGINT))()
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment(), capture_output=True, text=True, check=False
    )
    assert done.returncode == 130
    assert done.stderr == "interrupted; a rerun takes up where this one stopped\n"


def test_a_command_that_was_begun_in_this_process_leaves_its_handler(tmp_path):
    """As in a notebook: the interrupt still raises afterwards."""
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(SystemExit):
        app(["check", str(tmp_path / "nothing.yaml")])
    assert signal.getsignal(signal.SIGINT) is before
