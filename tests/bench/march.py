"""Lines a second of the exhaustive search, on columns of a real wood.

    python tests/bench/march.py [folder of open data]

Takes the two bcts-12 tiles (conifer wood, 12 points per square metre), mirrored to 16 ha of 0.5 m
cells: a cell and layer with any return above the ground is blocked, and blocked cells are grown by
one cell, half a disc and its wobble. Lines of 58 to 62 m (120 samples, one arc) start every 6 m
and end every 1.5 m. Prints the best of several rounds on all threads, by the clock and by CPU
time (which tells what the cores would do if nobody else used them), and the machine's load.
"""

import os
import sys
import time
from pathlib import Path

import laspy
import numba
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator

from lanewright.kernels import march

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from line_counts import Lines, count_lines

CELL = 0.5
LINE_SAMPLES = 120


def wood(folder: Path) -> tuple[NDArray[np.uint64], NDArray[np.float32]]:
    """Blocked masks and ground of the tiles, 800 x 800 cells."""
    tiles = [laspy.read(folder / "bcts-12" / f"bcts_{i}.laz") for i in (1, 2)]
    x, y, z = (np.concatenate([np.asarray(t[axis]) for t in tiles]) for axis in "xyz")
    is_ground = np.concatenate([np.asarray(t.classification) for t in tiles]) == 2
    left, top, rows, cols = 885026.0, 629690.0, 1040, 360
    centres = np.meshgrid(
        left + (np.arange(cols) + 0.5) * CELL, top - (np.arange(rows) + 0.5) * CELL
    )
    surface = LinearNDInterpolator(np.c_[x, y][is_ground], z[is_ground])
    ground = surface(*centres)
    ground[np.isnan(ground)] = np.nanmean(ground)
    row = np.floor((top - y) / CELL).astype(int)
    col = np.floor((x - left) / CELL).astype(int)
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols) & ~is_ground
    row, col, z = row[inside], col[inside], z[inside]
    layer = np.floor((z - ground[row, col]) / march.LAYER)
    low = (layer >= 0) & (layer < march.LAYERS)
    blocked = np.zeros((rows, cols), np.uint64)
    bits = np.uint64(1) << layer[low].astype(np.uint64)
    np.bitwise_or.at(blocked, (row[low], col[low]), bits)
    square = [
        np.ascontiguousarray(np.hstack([a, a[:, ::-1], a])[100:900, :800])
        for a in (blocked, ground)
    ]
    return square[0], square[1].astype(np.float32)


def main() -> None:
    """Build the wood and time the kernel."""
    here = Path(__file__).resolve().parents[2]
    folder = Path(
        sys.argv[1]
        if len(sys.argv) > 1
        else os.environ.get("LANEWRIGHT_DATA", here.parent / "shared" / "data")
    )
    hit, ground = wood(folder)
    blocked = march.grow(hit, 1.0)
    space = march.make_space(blocked, blocked, ground, np.zeros(hit.shape, bool), CELL)
    lattice = np.arange(150, 650, 12)
    tee_row, tee_col = (a.ravel().astype(np.int32) for a in np.meshgrid(lattice, lattice))
    offsets = np.arange(-126, 127, 3)
    ring = np.array(
        [(r, c) for r in offsets for c in offsets if 116**2 <= r * r + c * c <= 124**2], np.int32
    )
    ring = ring[np.argsort(np.arctan2(ring[:, 1], -ring[:, 0]), kind="stable")]
    places = np.arange(0, hit.shape[0], 3)
    row, col = (a.ravel().astype(np.int32) for a in np.meshgrid(places, places, indexing="ij"))
    down, across = (tee_row[:, None] + ring[:, 0]) // 3, (tee_col[:, None] + ring[:, 1]) // 3
    pairs = (down * places.size + across).ravel().astype(np.int32)
    starts = np.arange(tee_row.size + 1) * len(ring)
    tees = march.Spots(tee_row, tee_col, space.height(ground[tee_row, tee_col] + 1.4))
    ends = march.Spots(row, col, space.height(ground[row, col] + 0.9))
    along = ((np.arange(LINE_SAMPLES) + 0.5) / LINE_SAMPLES).astype(np.float32)
    along = along.reshape(1, 1, 1, -1)
    units = march.UNITS / march.LAYER
    table = march.ArcTable(
        along,
        (0.06 * (along**3 - along)).astype(np.float32),
        (units * 8.0 * along * (1 - along)).astype(np.float32),  # 2 m over the chord at mid-flight
        np.array([LINE_SAMPLES], np.int32),
        np.array([march.NO_LIMIT], np.int32),
        np.ones((1, 1, 1), bool),
        np.empty(0),
        0.0,
        1000.0,
    )
    lines = Lines(pairs, starts, np.zeros(pairs.size, np.int32))
    cores = numba.get_num_threads()
    print(f"{pairs.size:,} lines of {LINE_SAMPLES} samples, {cores} threads")
    for limit, words in (
        (march.NO_LIMIT, "every sample counted"),
        (3, "stopped at the 4th blocked sample (2.5 %)"),
        (0, "stopped at the 1st blocked sample"),
    ):
        clock, cpu = [], []
        for _ in range(9):
            before = time.perf_counter(), time.process_time()
            count = count_lines(space, tees, ends, lines, table, limit=limit)
            clock.append(time.perf_counter() - before[0])
            cpu.append(time.process_time() - before[1])
        rate = pairs.size / 1e6
        print(
            f"{words:45s} {rate / min(clock):6.1f} M lines/s best, {rate / np.median(clock):5.1f} "
            f"median; {cores * rate / min(cpu):5.1f} by CPU time; "
            f"{np.mean(count <= limit):6.1%} of lines within the limit"
        )
    print("load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
