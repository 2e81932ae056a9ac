"""Points of a survey kept on disk in blocks, so that memory never follows their number."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanewright.base.grid import Grid
from lanewright.kernels.sift import settle
from lanewright.sources.outliers import lone_ground

RECORD = np.dtype(
    [
        ("x", "<i4"),  # mm from the grid's left edge
        ("y", "<i4"),  # mm from the grid's bottom edge
        ("z", "<i4"),  # mm
        ("time", "<f8"),
        ("source", "<u2"),
        ("number", "u1"),
        ("returns", "u1"),
        ("kind", "u1"),
    ]
)
"""A stored point: whole millimetres, so that two tiles agree on a point they share."""

MILLI = 1000.0


@dataclass(frozen=True)
class Points:
    """One block of returns in the run's CRS; never the whole cloud.

    Attributes
    ----------
    x, y, z
        Coordinates [m], float64.
    return_number, returns
        Number of this return within its pulse, and how many the pulse had; both at least 1.
    classification
        Point class of the LAS standard.
    gps_time
        Time of the pulse [s]; zero where the file has none.
    source_id
        Flight line.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    return_number: NDArray[np.uint8]
    returns: NDArray[np.uint8]
    classification: NDArray[np.uint8]
    gps_time: NDArray[np.float64]
    source_id: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True)
class Blocks:
    """How the grid is cut into square blocks for stored points; row 0 is the southernmost.

    Attributes
    ----------
    size
        Side of a block [mm].
    rows, cols
        Blocks up and across.
    """

    size: int
    rows: int
    cols: int

    @classmethod
    def over(cls, grid: Grid, size_m: float = 50.0) -> Blocks:
        """Blocks of about `size_m`, wider where there would be more than a 16-bit number holds."""
        left, bottom, right, top = grid.bounds
        while True:
            rows, cols = int(-(-(top - bottom) // size_m)), int(-(-(right - left) // size_m))
            if rows * cols < 65_000:
                return cls(round(size_m * MILLI), rows, cols)
            size_m *= 2


class PointStore:
    """Points of a finished reading, sorted and without duplicates, in one file by block.

    The order within a block depends on the points alone, so nothing that reads them can notice
    in which order tiles came.
    """

    def __init__(self, folder: Path, grid: Grid, blocks: Blocks) -> None:
        self.grid = grid
        self._blocks = blocks
        self._first: NDArray[np.int64] = np.load(folder / "first.npy")
        self._records = folder / "points.bin"

    @property
    def parts(self) -> tuple[Grid, Blocks]:
        """What it takes, besides its folder, to open it again."""
        return self.grid, self._blocks

    def __len__(self) -> int:
        return int(self._first[-1])

    def blocks(self, size_m: float = 100.0) -> list[tuple[int, int, int, int]]:
        """Windows (row, col, rows, cols) of about `size_m` that tile the grid, row by row."""
        step = max(1, round(size_m / self.grid.cell))
        return [
            (row, col, min(step, self.grid.rows - row), min(step, self.grid.cols - col))
            for row in range(0, self.grid.rows, step)
            for col in range(0, self.grid.cols, step)
        ]

    def read(self, bounds: tuple[float, float, float, float]) -> Points:
        """Points inside left <= x < right, bottom < y <= top, in their canonical order.

        The edges are those of `Grid.rowcol`: a point on one belongs to the cell south-east of it.
        """
        left, bottom = self.grid.bounds[:2]
        x0, x1 = (round((b - left) * MILLI) for b in (bounds[0], bounds[2]))
        y0, y1 = (round((b - bottom) * MILLI) for b in (bounds[1], bounds[3]))
        size, cols = self._blocks.size, self._blocks.cols
        # Outer blocks also hold what lies on the grid's far edges.
        col0, col1 = max(0, x0 // size), min(cols - 1, (x1 - 1) // size)
        row0, row1 = max(0, y0 // size), min(self._blocks.rows - 1, y1 // size)
        parts = []
        for row in range(row0, row1 + 1):
            if col0 > col1:
                break
            start, stop = self._first[[row * cols + col0, row * cols + col1 + 1]]
            # Read, not mapped: a mapped file would count as memory of the run, all of it.
            part = _records(self._records, start, stop - start)
            x, y = part["x"], part["y"]
            inside = (x >= x0) & (x < x1) & (y > y0) & (y <= y1)
            parts.append(part if inside.all() else part[inside])
        records = np.concatenate(parts) if parts else np.empty(0, RECORD)
        return _points(records, left, bottom)

    def windows(self, size_m: float = 100.0) -> Iterator[tuple[tuple[int, int, int, int], Points]]:
        """Each window of `blocks` with its points."""
        for row, col, rows, cols in self.blocks(size_m):
            yield (row, col, rows, cols), self.read(self.grid.window(row, col, rows, cols).bounds)


def _records(path: Path, first: int, count: int) -> NDArray[np.void]:
    return np.fromfile(path, RECORD, count=count, offset=first * RECORD.itemsize)


def _points(records: NDArray[np.void], left: float, bottom: float) -> Points:
    return Points(
        x=left + records["x"] / MILLI,
        y=bottom + records["y"] / MILLI,
        z=records["z"] / MILLI,
        return_number=np.ascontiguousarray(records["number"]),
        returns=np.ascontiguousarray(records["returns"]),
        classification=np.ascontiguousarray(records["kind"]),
        gps_time=np.ascontiguousarray(records["time"]),
        source_id=np.ascontiguousarray(records["source"]),
    )


Segment = tuple[Path, int, int]
"""A run of records of one block in a part file: file, first record, how many."""


@dataclass(frozen=True)
class Packed:
    """What bringing the parts together came to.

    Attributes
    ----------
    kept
        Points stored.
    duplicates
        Points that two tiles share, counted once and not again.
    lone
        Returns of the ground class far off all others, left out.
    """

    kept: int
    duplicates: int
    lone: int


def pack(
    folder: Path,
    blocks: Blocks,
    segments: dict[int, list[Segment]],
    threads: int,
    recode: NDArray[np.uint8] | None = None,
) -> Packed:
    """Bring what the readers wrote into the final file.

    Parameters
    ----------
    folder
        Receives `points.bin` and `first.npy`.
    segments
        Runs of records by block number, any order.
    recode
        Class to store for each class read (256,); by default the same.
    """
    total = blocks.rows * blocks.cols

    def block(number: int) -> tuple[NDArray[np.void], int, int]:
        parts = [_records(path, first, count) for path, first, count in segments.get(number, ())]
        if not parts:
            return np.empty(0, RECORD), 0, 0
        records = parts[0] if len(parts) == 1 else np.concatenate(parts)
        if recode is not None:
            records["kind"] = recode[records["kind"]]
        once = canonical(records)
        kept = _without_lone(once)
        return kept, len(records) - len(once), len(once) - len(kept)

    first = np.zeros(total + 1, np.int64)
    duplicates = lone = 0
    with (folder / "points.bin").open("wb") as file, ThreadPoolExecutor(threads) as pool:
        for number, (records, repeated, alone) in enumerate(_in_order(pool, block, total, threads)):
            records.tofile(file)
            first[number + 1] = first[number] + len(records)
            duplicates += repeated
            lone += alone
    np.save(folder / "first.npy", first)
    return Packed(int(first[-1]), duplicates, lone)


def _without_lone(records: NDArray[np.void]) -> NDArray[np.void]:
    """Records of a block without returns of the ground class that nothing supports."""
    ground = np.flatnonzero(records["kind"] == 2)
    x, y, z = (records[name][ground] / MILLI for name in ("x", "y", "z"))
    lone = lone_ground(x, y, z)
    return np.delete(records, ground[lone]) if lone.any() else records


def _in_order(pool: ThreadPoolExecutor, work: Any, total: int, threads: int) -> Iterable[Any]:
    """Results in order with only a few blocks in memory at a time."""
    step = 4 * threads
    for start in range(0, total, step):
        yield from pool.map(work, range(start, min(start + step, total)))


def canonical(records: NDArray[np.void]) -> NDArray[np.void]:
    """Records in an order that depends on their values alone, exact repeats counted once.

    A repeat has the same place, pulse time and return numbers, as points have that two tiles
    share; of repeats with different classes the lowest class stays.
    """
    place = (records["x"].astype(np.int64) << 32) | (
        records["y"].astype(np.int64) & np.int64(0xFFFFFFFF)
    )
    order = np.argsort(place)  # need not be stable: ties are settled next
    keep = np.empty(len(records), bool)
    settle(records, order, place, keep)
    return records[order] if keep.all() else records[order[keep]]
