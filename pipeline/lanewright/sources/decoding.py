"""In a reading process: points decoded, sifted and written by block.

`serve` talks in pickles over its standard streams. It imports little, for it starts once or twice
in every run.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import pickle
import sys
import traceback
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import IO

import numpy as np
from numpy.typing import NDArray

from lanewright.base.errors import InputError
from lanewright.kernels import sift
from lanewright.sources.crs import to_working
from lanewright.sources.files import CheckedFile, changed
from lanewright.sources.las import HIGHEST, LOWEST, read_header
from lanewright.sources.lidarlib import laspy
from lanewright.sources.points import RECORD, Blocks
from lanewright.sources.reader import CHUNK, COARSE, MEMORY, Frame, Part, Tally, too_much

CHUNK_BYTES = 2**26
"""Bytes decoded at a time, where records are longer than usual."""

Field = laspy.DecompressionSelection
# LAS 1.4: only what a column needs is decompressed.
_FIELDS = (
    Field.XY_RETURNS_CHANNEL
    | Field.Z
    | Field.CLASSIFICATION
    | Field.FLAGS
    | Field.GPS_TIME
    | Field.POINT_SOURCE_ID
)

_NOWHERE = Frame("", (0.0, 0.0, 0.0, 0.0), Blocks(1000, 1, 1), (), False)
"""Frame of a reading that only counts."""


def read_part(part: Part, beat: Callable[[int], None]) -> Tally:
    """Decode a run of points, keep what each frame asks for, write it sorted by block."""
    header = part.tile.header
    backend = laspy.LazBackend.Lazrs if header.compressed else None
    most = max(1, min(CHUNK, CHUNK_BYTES // header.record))
    with contextlib.ExitStack() as stack:
        frames = ((part.frame, part.out), *part.more)
        outs = [stack.enter_context(out.open("wb")) if out else None for _, out in frames]
        file, watched = _open(part, stack)
        with _decoding(part, watched):
            reader = stack.enter_context(
                laspy.open(
                    file,
                    closefd=False,
                    laz_backend=backend,
                    read_evlrs=False,
                    decompression_selection=_FIELDS,
                )
            )
            if part.first:
                reader.seek(part.first)
        sieves = [_Sieve(replace(part, frame=frame), reader.header) for frame, _ in frames]
        left = part.count
        while left:
            with _decoding(part, watched):
                raw = reader.read_points(min(most, left)).array
            if not len(raw):
                raise InputError(
                    header.path,
                    f"ends {left} points before the {header.points} its header promises",
                    "Download or export the tile again.",
                )
            left -= len(raw)
            columns, astray = sieves[0].columns(raw)
            for sieve, out in zip(sieves, outs, strict=True):
                records, held = sieve.pick(raw, columns, astray)
                if out is not None and len(records):
                    _write(records, held, out, sieve.tally)
            beat(len(raw))
    tally, *more = [sieve.finished() for sieve in sieves]
    tally.more = more
    return tally


def _open(part: Part, stack: contextlib.ExitStack) -> tuple[IO[bytes], CheckedFile | None]:
    """The tile's file; every byte that comes from it is what the run was planned with."""
    path = part.tile.path
    try:
        if part.content is None:
            return stack.enter_context(path.open("rb")), None
        watched = stack.enter_context(CheckedFile(path, part.content))
    except OSError:
        raise changed(path) from None
    file = io.BufferedReader(watched)
    if read_header(path, file) != part.tile.header:
        raise changed(path)
    file.seek(0)
    return file, watched


@contextlib.contextmanager
def _decoding(part: Part, watched: CheckedFile | None) -> Iterator[None]:
    """Turn whatever a decoder throws into one clear message."""
    try:
        yield
    except BaseException as err:
        # Decoders panic outside Exception; only these few are not theirs.
        if isinstance(err, KeyboardInterrupt | SystemExit | MemoryError):
            raise
        if watched is not None and watched.changed:
            raise changed(part.tile.path) from None
        reason = (str(err).splitlines() or [type(err).__name__])[0][:160]
        raise InputError(
            part.tile.path,
            f"its points cannot be decoded ({reason})",
            "Download or export the tile again, or leave it out of points.",
        ) from None


class _Sieve:
    """Sifts run after run of decoded points of one part, and counts."""

    def __init__(self, part: Part, header: laspy.LasHeader) -> None:
        self.tally = Tally()
        self._part, self._header = part, header
        frame = part.frame or _NOWHERE
        vertical = part.tile.reference.vertical
        scale, offset = float(header.scales[2]), float(header.offsets[2])
        unwanted = np.zeros(256, bool)
        unwanted[list(frame.left_out)] = True
        # The header's range may be rounded by a step of the scale; a millimetre is not argued over.
        slack = max(scale * vertical, 0.001) * 1.001
        stated = (part.tile.header.low * vertical, part.tile.header.high * vertical)
        rows, cols = frame.coarse
        self._rules = sift.Rules(
            modern=part.tile.header.point_format >= 6,
            box=np.array(frame.box),
            unwanted=unwanted,
            keep_overlap=frame.keep_overlap,
            size_mm=frame.blocks.size,
            cols=frame.blocks.cols,
            coarse_mm=round(COARSE * 1000),
            coarse_cols=cols,
            z_scale=scale,
            z_offset=offset,
            z_metres=vertical,
            heights=np.array([LOWEST, HIGHEST, stated[0] - slack, stated[1] + slack]),
        )
        self._blocks = frame.blocks.rows * frame.blocks.cols
        self._lowest = np.full((2, rows * cols), np.inf)

    def pick(
        self, decoded: NDArray[np.void], raw: sift.Raw, astray: int
    ) -> tuple[NDArray[np.void], NDArray[np.int64]]:
        """Records of the points to keep, sorted by block, and how many each block got.

        Parameters
        ----------
        raw, astray
            As `columns` gives them for the decoded points.
        """
        self.tally.astray += astray
        found = sift.Found(
            block=np.empty(len(decoded), np.uint16),
            classes=np.zeros(256, np.int64),
            returns=np.zeros(16, np.int64),
            kept=np.zeros(256, np.int64),
            reasons=np.zeros(7, np.int64),
            held=np.zeros(self._blocks, np.int64),
            span=np.array([np.inf, -np.inf]),
            firsts=np.zeros(1, np.int64),
            lowest=self._lowest,
        )
        sift.choose(raw, self._rules, found)
        self._count(decoded, found)
        records = np.empty(int(found.held.sum()), RECORD)
        place = np.concatenate([[0], np.cumsum(found.held)[:-1]])
        sift.shape(raw, self._rules, found.block, place, records)
        return records, found.held

    def columns(self, decoded: NDArray[np.void]) -> tuple[sift.Raw, int]:
        """Columns of decoded points in the working CRS, and how many lie off the stated bounds.

        Sieves of one part share them: their frames have the same CRS.
        """
        scale, offset = self._header.scales, self._header.offsets
        with np.errstate(over="ignore", invalid="ignore"):
            x, y = decoded["X"] * scale[0] + offset[0], decoded["Y"] * scale[1] + offset[1]
        left, bottom, right, top = self._part.tile.header.bounds
        slack = 2 * scale[:2]
        held = (x >= left - slack[0]) & (x <= right + slack[0])
        held &= (y >= bottom - slack[1]) & (y <= top + slack[1])
        astray = int(np.count_nonzero(~held))
        if self._part.frame is not None:
            x, y = to_working(self._part.tile.reference, self._part.frame.working, x, y)
        modern = self._rules.modern
        kind = decoded["classification"] if modern else decoded["raw_classification"]
        raw = sift.Raw(
            x=x,
            y=y,
            z=decoded["Z"],
            time=decoded["gps_time"] if _timed(decoded) else np.empty(0),
            source=decoded["point_source_id"],
            bits=decoded["bit_fields"],
            kind=kind,
            flags=decoded["classification_flags"] if modern else kind,
        )
        return raw, astray

    def _count(self, decoded: NDArray[np.void], found: sift.Found) -> None:
        tally = self.tally
        for mine, histogram in (
            (tally.classes, found.classes),
            (tally.returns, found.returns),
            (tally.kept_classes, found.kept),
        ):
            for value in np.flatnonzero(histogram).tolist():
                mine[value] = mine.get(value, 0) + int(histogram[value])
        reasons = found.reasons
        tally.read += len(decoded)
        tally.outside += len(decoded) - int(reasons[sift.INSIDE])
        tally.withheld += int(reasons[sift.WITHHELD])
        tally.left_out += int(reasons[sift.LEFT_OUT])
        tally.overlap += int(reasons[sift.OVERLAP])
        tally.impossible += int(reasons[sift.IMPOSSIBLE])
        tally.unstated += int(reasons[sift.UNSTATED])
        tally.mended_returns += int(reasons[sift.MENDED])
        tally.kept += int(found.held.sum())
        tally.first_returns += int(found.firsts[0])
        tally.lowest = min(tally.lowest, float(found.span[0]))
        tally.highest = max(tally.highest, float(found.span[1]))
        if _timed(decoded):
            times = decoded["gps_time"]
            times = times[np.isfinite(times) & (times != 0)]
            if len(times):
                tally.first_time = min(tally.first_time, float(times.min()))
                tally.last_time = max(tally.last_time, float(times.max()))

    def finished(self) -> Tally:
        """The tally with the low heights of all runs."""
        held = np.flatnonzero(np.isfinite(self._lowest).any(axis=0))
        self.tally.low_cells = held
        self.tally.low_last, self.tally.low_ground = self._lowest[:, held]
        return self.tally


def _timed(decoded: NDArray[np.void]) -> bool:
    return "gps_time" in (decoded.dtype.names or ())


def _write(
    records: NDArray[np.void], held: NDArray[np.int64], out: IO[bytes], tally: Tally
) -> None:
    start = out.tell() // RECORD.itemsize
    records.tofile(out)
    numbers = np.flatnonzero(held)
    firsts = start + np.concatenate([[0], np.cumsum(held[numbers])[:-1]])
    tally.segments += zip(numbers.tolist(), firsts.tolist(), held[numbers].tolist(), strict=True)


def serve() -> None:
    """Take parts from standard input until it ends; answer with beats, tallies and errors."""
    source, sink = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing that a library prints may reach the answers
    bound_memory()

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
        except MemoryError:
            say("fail", too_much(part.tile.path))
        except Exception:
            say("bug", traceback.format_exc())


def bound_memory() -> None:
    """Let a decoder that is misled fail by itself, before it takes the machine's memory."""
    with contextlib.suppress(ImportError, OSError, ValueError):  # not every system has it
        import resource

        _soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = MEMORY if hard == resource.RLIM_INFINITY else min(MEMORY, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
