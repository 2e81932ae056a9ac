"""Reading point files in guarded processes: a panic, a hang or a crash costs one clear message.

What the processes do stands in `decoding`.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import os
import pickle
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import lanewright
from lanewright.base.errors import InputError
from lanewright.sources.crs import Bounds
from lanewright.sources.files import Fingerprint
from lanewright.sources.las import PointTile
from lanewright.sources.points import Blocks

CHUNK = 500_000
"""Points decoded at a time."""

PART = 4_000_000
"""Points of a tile that one worker reads in one go; a single tile keeps all of them busy."""

WORTH_A_PROCESS = 1_000_000
"""Points for each further process: one starts in a second, in which another decodes as many."""

MEMORY = 4 * 2**30
"""Bytes that a reading process may take; it needs a tenth of it."""

COARSE = 5.0
"""Side [m] of the cells whose lowest heights are kept, for comparing tiles along their seams."""


@dataclass(frozen=True)
class Frame:
    """Where points go: the run's CRS, the box to keep, the blocks.

    `box` is left, bottom, right, top [m] in the working CRS; corners of blocks start there.
    """

    working: str
    box: Bounds
    blocks: Blocks
    left_out: tuple[int, ...]
    keep_overlap: bool

    @property
    def coarse(self) -> tuple[int, int]:
        """Rows and columns of coarse cells over the box; row 0 is the southernmost."""
        left, bottom, right, top = self.box
        return max(1, int(-(-(top - bottom) // COARSE))), max(1, int(-(-(right - left) // COARSE)))


@dataclass(frozen=True)
class Part:
    """A run of points of one tile; `out` receives what is kept, or nothing is written.

    `content` is what the file has to hold; None where nobody asks. `more` are further frames in the
    same CRS that the same decoding fills, each with the file it goes to.
    """

    tile: PointTile
    first: int
    count: int
    frame: Frame | None
    out: Path | None
    content: Fingerprint | None = None
    more: tuple[tuple[Frame, Path], ...] = ()


_COUNTS = (
    "read",
    "kept",
    "first_returns",
    "astray",
    "outside",
    "withheld",
    "left_out",
    "overlap",
    "impossible",
    "unstated",
    "mended_returns",
)


@dataclass
class Tally:
    """What a reading met: counts by class before anything is left out, and why points were.

    Attributes
    ----------
    kept_classes
        Points kept, by class.
    first_returns
        Points kept that are the first of their pulse.
    astray
        Points off the bounds that the file's header states, kept or not.
    impossible, unstated
        Points left out because no land is so high or low, or because the file's header states a
        range of heights that does not hold them.
    lowest, highest
        Heights met [m], the impossible ones among them.
    segments
        Block number, first record and count of each run of records written.
    low_cells, low_last, low_ground
        Coarse cells of the frame that hold points, by number, and the lowest height [m] of last
        returns and of class 2 in each; infinite without.
    more
        Tallies of the part's further frames, in their order.
    """

    read: int = 0
    kept: int = 0
    classes: dict[int, int] = field(default_factory=dict)
    kept_classes: dict[int, int] = field(default_factory=dict)
    returns: dict[int, int] = field(default_factory=dict)
    first_returns: int = 0
    astray: int = 0
    outside: int = 0
    withheld: int = 0
    left_out: int = 0
    overlap: int = 0
    impossible: int = 0
    unstated: int = 0
    mended_returns: int = 0
    lowest: float = float("inf")
    highest: float = float("-inf")
    first_time: float = float("inf")
    last_time: float = float("-inf")
    segments: list[tuple[int, int, int]] = field(default_factory=list)
    low_cells: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    low_last: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    low_ground: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    more: list[Tally] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add the counts of another reading; segments and low heights stay apart."""
        for name in _COUNTS:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for mine, theirs in (
            (self.classes, other.classes),
            (self.kept_classes, other.kept_classes),
            (self.returns, other.returns),
        ):
            for key, count in theirs.items():
                mine[key] = mine.get(key, 0) + count
        self.lowest, self.highest = min(self.lowest, other.lowest), max(self.highest, other.highest)
        self.first_time = min(self.first_time, other.first_time)
        self.last_time = max(self.last_time, other.last_time)


def parts_of(
    tile: PointTile, frame: Frame, folder: Path, content: Fingerprint | None = None
) -> list[Part]:
    """The tile cut into runs of about equal length, each with a file to write to."""
    total = tile.header.points
    pieces = 1 if total <= CHUNK else max(2, -(-total // PART))
    edges = [round(total * i / pieces) for i in range(pieces + 1)]
    stem = f"{abs(hash_name(tile.path)):016x}"
    return [
        Part(tile, a, b - a, frame, folder / f"{stem}-{a}.part", content)
        for a, b in itertools.pairwise(edges)
    ]


def hash_name(path: Path) -> int:
    """Number for a part file's name."""
    return int.from_bytes(hashlib.blake2b(str(path).encode(), digest_size=8).digest(), "big")


def too_much(path: Path) -> InputError:
    """What to report of a file that asks for too much memory."""
    return InputError(
        path,
        f"reading it takes more than {MEMORY / 2**30:.0f} GB of memory, or all there is",
        "Give this machine's memory free, or cut the tile; a damaged tile asks for too much too.",
    )


# ---------------------------------------------------------------------------------------------
# Processes

LOAD = """
import importlib.util, sys
root, *places = sys.argv[1:]
sys.path += [p for p in places if p not in sys.path]
spec = importlib.util.spec_from_file_location(
    "lanewright", root + "/__init__.py", submodule_search_locations=[root])
package = importlib.util.module_from_spec(spec)
sys.modules["lanewright"] = package
spec.loader.exec_module(package)
"""
"""First lines of what `start_command` runs: they make this package known."""

_START = LOAD + "from lanewright.sources.decoding import serve\nserve()\n"


def start_command(code: str = _START) -> list[str]:
    """Command of a Python process that runs this package and nothing that lies about.

    Isolated (`-I`): neither the current folder nor variables of the environment decide what it
    imports. It gets this package's own folder, and behind its own places those that this process
    imports from, all but the current folder.
    """
    here = os.path.realpath(os.curdir)
    places = [os.path.realpath(p) for p in sys.path if p]
    root = str(Path(lanewright.__file__).resolve().parent)
    return [sys.executable, "-I", "-c", code, root, *(p for p in places if p != here)]


class _Worker:
    """One reading process and the thread that listens to it."""

    def __init__(self, inbox: queue.Queue[tuple[_Worker, Any]]) -> None:
        # A file, for a pipe that nobody reads would stop the process once it is full.
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        self.process = subprocess.Popen(
            start_command(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            env={**os.environ, "RAYON_NUM_THREADS": "1"},
        )
        self.part: Part | None = None
        self.heard = time.monotonic()
        self._inbox = inbox
        threading.Thread(target=self._listen, daemon=True).start()

    def give(self, part: Part) -> None:
        self.part, self.heard = part, time.monotonic()
        assert self.process.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # its end is heard from the other pipe
            pickle.dump(part, self.process.stdin)
            self.process.stdin.flush()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        try:
            while True:
                self._inbox.put((self, pickle.load(self.process.stdout)))
        except Exception:  # whatever it is, nothing more will be heard
            self._inbox.put((self, ("gone",)))

    def fault(self) -> InputError:
        """Why the process ended over its part."""
        assert self.part is not None
        code, path = self.process.wait(), self.part.tile.path
        self._said.seek(0)
        said = self._said.read(10_000).decode("utf-8", "replace")
        if code == -signal.SIGKILL:
            return InputError(
                path,
                "the process reading it was killed by the system, as happens when memory runs out",
                "Close other programs, use fewer --threads, or cut the tile.",
            )
        if "memory allocation of" in said or "MemoryError" in said:
            return too_much(path)
        return InputError(
            path,
            "reading it crashed the decoder",
            "Download or export the tile again, or leave it out of points.",
        )

    def end(self) -> None:
        """Stop the process and close what belongs to it."""
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout, self._said):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def read_parts(
    parts: Iterable[Part],
    workers: int,
    stall_seconds: float,
    progress: Callable[[int], None] = lambda _n: None,
) -> list[Tally]:
    """Read parts in guarded processes; tallies come back in the order of the parts.

    Raises
    ------
    InputError
        For the first tile that cannot be decoded, is not what it was, makes no headway for
        `stall_seconds`, or takes its process down with it.
    """
    waiting = list(enumerate(parts))[::-1]
    results: dict[int, Tally] = {}
    total = len(waiting)
    worth = 1 + sum(part.count for _, part in waiting) // WORTH_A_PROCESS
    inbox: queue.Queue[tuple[_Worker, Any]] = queue.Queue()
    crew: list[_Worker] = []
    at: dict[_Worker, int] = {}

    def feed(worker: _Worker) -> None:
        worker.part = None
        if waiting:
            at[worker], part = waiting.pop()
            worker.give(part)

    try:
        for _ in range(max(1, min(workers, total, worth))):
            crew.append(_Worker(inbox))
            feed(crew[-1])
        while len(results) < total:
            try:
                worker, message = inbox.get(timeout=1.0)
            except queue.Empty:
                _look_for_stalls(crew, stall_seconds)
                continue
            worker.heard = time.monotonic()
            match message:
                case ("beat", count):
                    progress(count)
                case ("done", tally):
                    results[at[worker]] = tally
                    feed(worker)
                case ("fail", error):
                    raise error
                case ("bug", trace):
                    raise RuntimeError(f"the point reader failed\n{trace}")
                case _ if worker.part is not None:
                    raise worker.fault()
    finally:
        for worker in crew:
            worker.end()
    return [results[i] for i in range(total)]


def _look_for_stalls(crew: list[_Worker], seconds: float) -> None:
    for worker in crew:
        if worker.part is not None and time.monotonic() - worker.heard > seconds:
            raise InputError(
                worker.part.tile.path,
                f"reading it makes no headway for {seconds:.0f} s",
                "Leave it out of points, or raise ingest.stall_seconds for a slow disk.",
            )
