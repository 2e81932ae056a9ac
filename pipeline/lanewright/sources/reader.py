"""Reading point files in guarded processes: a panic, a hang or a crash costs one clear message.

`serve` is the worker; it talks in pickles over its standard streams. It imports little, for it
starts once or twice in every run.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import itertools
import os
import pickle
import queue
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import laspy
import numpy as np
from laspy import DecompressionSelection as Field
from numpy.typing import NDArray

from lanewright.base.errors import InputError
from lanewright.kernels import sift
from lanewright.sources.crs import Bounds, to_working
from lanewright.sources.las import PointTile
from lanewright.sources.points import RECORD, Blocks

CHUNK = 500_000
"""Points decoded at a time."""

PART = 4_000_000
"""Points of a tile that one worker reads in one go; a single tile keeps all of them busy."""

# LAS 1.4: only what a column needs is decompressed.
_FIELDS = (
    Field.XY_RETURNS_CHANNEL
    | Field.Z
    | Field.CLASSIFICATION
    | Field.FLAGS
    | Field.GPS_TIME
    | Field.POINT_SOURCE_ID
)


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


_NOWHERE = Frame("", (0.0, 0.0, 0.0, 0.0), Blocks(1000, 1, 1), (), False)
"""Frame of a reading that only counts."""


@dataclass(frozen=True)
class Part:
    """A run of points of one tile; `out` receives what is kept, or nothing is written."""

    tile: PointTile
    first: int
    count: int
    frame: Frame | None
    out: Path | None


@dataclass
class Tally:
    """What a reading met: counts by class before anything is left out, and why points were."""

    read: int = 0
    kept: int = 0
    classes: dict[int, int] = field(default_factory=dict)
    returns: dict[int, int] = field(default_factory=dict)
    outside: int = 0
    withheld: int = 0
    left_out: int = 0
    overlap: int = 0
    mended_returns: int = 0
    first_time: float = float("inf")
    last_time: float = float("-inf")
    segments: list[tuple[int, int, int]] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add the counts of another reading of the same tile."""
        for name in (
            "read",
            "kept",
            "outside",
            "withheld",
            "left_out",
            "overlap",
            "mended_returns",
        ):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for mine, theirs in ((self.classes, other.classes), (self.returns, other.returns)):
            for key, count in theirs.items():
                mine[key] = mine.get(key, 0) + count
        self.first_time = min(self.first_time, other.first_time)
        self.last_time = max(self.last_time, other.last_time)


def parts_of(tile: PointTile, frame: Frame, folder: Path) -> list[Part]:
    """The tile cut into runs of about equal length, each with a file to write to."""
    total = tile.header.points
    pieces = 1 if total <= CHUNK else max(2, -(-total // PART))
    edges = [round(total * i / pieces) for i in range(pieces + 1)]
    stem = f"{abs(hash_name(tile.path)):016x}"
    return [
        Part(tile, a, b - a, frame, folder / f"{stem}-{a}.part")
        for a, b in itertools.pairwise(edges)
    ]


def hash_name(path: Path) -> int:
    """Number for a part file's name."""
    return int.from_bytes(hashlib.blake2b(str(path).encode(), digest_size=8).digest(), "big")


# ---------------------------------------------------------------------------------------------
# In the worker


def read_part(part: Part, beat: Callable[[int], None]) -> Tally:
    """Decode a run of points, keep what the frame asks for, write it sorted by block."""
    tally = Tally()
    header = part.tile.header
    backend = laspy.LazBackend.Lazrs if header.compressed else None
    with contextlib.ExitStack() as stack:
        out = stack.enter_context(part.out.open("wb")) if part.out else None
        with _decoding(part):
            reader = stack.enter_context(
                laspy.open(
                    header.path,
                    laz_backend=backend,
                    read_evlrs=False,
                    decompression_selection=_FIELDS,
                )
            )
            if part.first:
                reader.seek(part.first)
        left = part.count
        while left:
            with _decoding(part):
                raw = reader.read_points(min(CHUNK, left)).array
            if not len(raw):
                raise InputError(
                    header.path,
                    f"ends {left} points before the {header.points} its header promises",
                    "Download or export the tile again.",
                )
            left -= len(raw)
            records, held = _sift(raw, part, reader.header, tally)
            if out is not None and len(records):
                _write(records, held, out, tally)
            beat(len(raw))
    return tally


@contextlib.contextmanager
def _decoding(part: Part) -> Iterator[None]:
    """Turn whatever a decoder throws into one clear message."""
    try:
        yield
    except BaseException as err:
        # Decoders panic outside Exception; only these few are not theirs.
        if isinstance(err, KeyboardInterrupt | SystemExit | MemoryError):
            raise
        reason = (str(err).splitlines() or [type(err).__name__])[0][:160]
        raise InputError(
            part.tile.path,
            f"its points cannot be decoded ({reason})",
            "Download or export the tile again, or leave it out of points.",
        ) from None


def _sift(raw: NDArray[Any], part: Part, header: Any, tally: Tally) -> tuple[Any, Any]:
    """Points to keep as records sorted by block, and points by block; everything else counted."""
    tally.read += len(raw)
    time_of = raw["gps_time"] if "gps_time" in (raw.dtype.names or ()) else np.empty(0)
    times = time_of[np.isfinite(time_of) & (time_of != 0)]
    if len(times):
        tally.first_time = min(tally.first_time, float(times.min()))
        tally.last_time = max(tally.last_time, float(times.max()))
    frame = part.frame or _NOWHERE
    reference = part.tile.reference
    scale, offset = header.scales, header.offsets
    x, y = raw["X"] * scale[0] + offset[0], raw["Y"] * scale[1] + offset[1]
    if part.frame is not None:
        x, y = to_working(reference, frame.working, x, y)

    modern = part.tile.header.point_format >= 6
    kind = raw["classification"] if modern else raw["raw_classification"]
    flags = raw["classification_flags"] if modern else kind
    bits = raw["bit_fields"]
    box = np.array(frame.box)
    unwanted = np.zeros(256, bool)
    unwanted[list(frame.left_out)] = True
    block = np.empty(len(raw), np.uint16)
    classes, returns = np.zeros(256, np.int64), np.zeros(16, np.int64)
    counts = np.zeros(5, np.int64)
    held = np.zeros(frame.blocks.rows * frame.blocks.cols, np.int64)
    sift.choose(
        x, y, bits, kind, flags, modern, box, unwanted, frame.keep_overlap,
        frame.blocks.size, frame.blocks.cols, block, classes, returns, counts, held,
    )  # fmt: skip
    for mine, histogram in ((tally.classes, classes), (tally.returns, returns)):
        for value in np.flatnonzero(histogram).tolist():
            mine[value] = mine.get(value, 0) + int(histogram[value])
    tally.outside += len(raw) - int(counts[sift.INSIDE])
    tally.withheld += int(counts[sift.WITHHELD])
    tally.left_out += int(counts[sift.LEFT_OUT])
    tally.overlap += int(counts[sift.OVERLAP])
    tally.mended_returns += int(counts[sift.MENDED])
    tally.kept += int(held.sum())

    records = np.empty(int(held.sum()), RECORD)
    place = np.concatenate([[0], np.cumsum(held)[:-1]])
    sift.shape(
        x, y, raw["Z"], time_of, raw["point_source_id"], bits, kind, modern, box,
        float(scale[2]), float(offset[2]), reference.vertical, block, place, records,
    )  # fmt: skip
    return records, held


def _write(records: NDArray[Any], held: NDArray[Any], out: Any, tally: Tally) -> None:
    start = out.tell() // RECORD.itemsize
    records.tofile(out)
    numbers = np.flatnonzero(held)
    firsts = start + np.concatenate([[0], np.cumsum(held[numbers])[:-1]])
    tally.segments += zip(numbers.tolist(), firsts.tolist(), held[numbers].tolist(), strict=True)


def serve() -> None:
    """Take parts from standard input until it ends; answer with beats, tallies and errors."""
    source, sink = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that a library prints may reach the answers

    def say(*message: object) -> None:
        pickle.dump(message, sink)
        sink.flush()

    while True:
        try:
            part: Part = pickle.load(source)
        except EOFError:
            return
        try:
            say("done", read_part(part, lambda n: say("beat", n)))
        except InputError as err:
            say("fail", err)
        except OSError as err:
            full = err.errno in (errno.ENOSPC, errno.EDQUOT)
            problem = "the disk is full" if full else f"cannot be written ({err.strerror})"
            say("fail", InputError(part.out, problem, "Make room, or choose another out folder."))
        except Exception:
            say("bug", traceback.format_exc())


# ---------------------------------------------------------------------------------------------
# In the run


class _Worker:
    """One reading process and the thread that listens to it."""

    def __init__(self, inbox: queue.Queue[tuple[_Worker, Any]]) -> None:
        paths = os.pathsep.join(p for p in sys.path if p)
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from lanewright.sources.reader import serve; serve()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": paths, "RAYON_NUM_THREADS": "1"},
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
        For the first tile that cannot be decoded, makes no headway for `stall_seconds`, or takes
        its process down with it.
    """
    waiting = list(enumerate(parts))[::-1]
    results: dict[int, Tally] = {}
    total = len(waiting)
    inbox: queue.Queue[tuple[_Worker, Any]] = queue.Queue()
    crew = [_Worker(inbox) for _ in range(max(1, min(workers, total)))]
    at: dict[_Worker, int] = {}
    try:
        for worker in crew:
            if waiting:
                at[worker], part = waiting.pop()
                worker.give(part)
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
                    worker.part = None
                    if waiting:
                        at[worker], part = waiting.pop()
                        worker.give(part)
                case ("fail", error):
                    raise error
                case ("bug", trace):
                    raise RuntimeError(f"the point reader failed\n{trace}")
                case _:
                    if worker.part is not None:
                        raise InputError(
                            worker.part.tile.path,
                            "reading it crashed the decoder",
                            "Download or export the tile again, or leave it out of points.",
                        )
    finally:
        for worker in crew:
            worker.process.kill()
            worker.process.wait()
            for pipe in (worker.process.stdin, worker.process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
    return [results[i] for i in range(total)]


def _look_for_stalls(crew: list[_Worker], seconds: float) -> None:
    for worker in crew:
        if worker.part is not None and time.monotonic() - worker.heard > seconds:
            raise InputError(
                worker.part.tile.path,
                f"reading it makes no headway for {seconds:.0f} s",
                "Leave it out of points, or raise ingest.stall_seconds for a slow disk.",
            )
