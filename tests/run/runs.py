"""Runs as a user makes them, in a process of their own, and their results read back."""

import functools
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path

import numpy as np
import yaml

import pulses
import worlds
from lanewright.cli import app

QUIET = {"crs", "property"}


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}


def lanewright(
    *words: object, timeout: float = 600, interpreter: list[str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command; `interpreter` are options of Python's own."""
    return subprocess.run(
        [sys.executable, *(interpreter or ()), "-m", "lanewright", *map(str, words)],
        capture_output=True, text=True, timeout=timeout, check=False, env=environment(),
    )  # fmt: skip


def called(*words: object) -> subprocess.CompletedProcess[str]:
    """The same command in this process, which saves seconds of imports.

    For tests of what a run makes or refuses. What libraries print past Python is caught as well.
    """
    code = 0
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        with ExitStack() as caught:
            for number, file in ((1, out), (2, err)):
                caught.enter_context(_into(number, file.fileno()))
            stdout, stderr = (
                caught.enter_context(open(n, "w", encoding="utf-8", closefd=False)) for n in (1, 2)
            )
            caught.enter_context(redirect_stdout(stdout))
            caught.enter_context(redirect_stderr(stderr))
            caught.enter_context(warnings.catch_warnings())
            warnings.filterwarnings("default", category=RuntimeWarning)  # as in a process
            try:
                app([str(word) for word in words])
            except SystemExit as end:
                code = int(end.code or 0)
        said = []
        for file in (out, err):
            file.seek(0)
            said.append(file.read().decode())
    return subprocess.CompletedProcess(list(words), code, *said)


@contextmanager
def _into(number: int, file: int) -> Iterator[None]:
    """Let what is written to a descriptor go to another file."""
    before = os.dup(number)
    os.dup2(file, number)
    try:
        yield
    finally:
        os.dup2(before, number)
        os.close(before)


def copied(finished: Path, folder: Path) -> Path:
    """Copy a folder with a finished run; the configuration of the copy."""
    shutil.copytree(finished, folder, dirs_exist_ok=True)
    config = folder / "run.yaml"
    config.write_text(config.read_text().replace(str(finished), str(folder)))
    return config


def results(out: Path) -> dict[str, str]:
    """Checksums of everything a run made, except for what names the time."""
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted([out / "scout.gpkg", *(out / "rasters").glob("*.tif")])
    }


@functools.cache
def _tunnel_tiles() -> tuple[bytes, bytes]:
    """West and east half as LAZ; flown once in a process, which takes seconds."""
    world = worlds.tunnel(size=60.0)
    x = world.points["x"]
    middle = (world.bounds[0] + world.bounds[2]) / 2
    tiles = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "half.laz"
        for mine in (x < middle + 5, x > middle - 5):
            pulses.write_laz(path, {k: np.asarray(v)[mine] for k, v in world.points.items()})
            tiles.append(path.read_bytes())
    return tiles[0], tiles[1]


def tunnel_survey(folder: Path, names: tuple[str, str] = ("a.laz", "b.laz")) -> Path:
    """A planted tunnel as two tiles that share 10 m, and a configuration that finds legs in it."""
    for name, tile in zip(names, _tunnel_tiles(), strict=True):
        (folder / name).write_bytes(tile)
    path = folder / "run.yaml"
    path.write_text(
        yaml.safe_dump(
            {
                "name": "Tunnel",
                "points": [str(folder / n) for n in names],
                "out": "out",
                "leaf_state": "off",
                "levels": ["green"],
                "legs": {"sites": {"boundary_setback": 1.0, "tee_room": 1.0, "wet": True}},
            }
        )
    )
    return path
