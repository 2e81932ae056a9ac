"""Reading LAZ against bare lazrs: decode, sift, sort by block and write, against decode alone.

    python tests/bench/reading.py [million points]

The points lie on scan lines of one square kilometre with one to four returns a pulse, in format 6
at 1 cm, as `lasinfo`-like headers of public tiles have them. Both sides decompress the same
dimensions on all cores; the peer is laspy with lazrs in parallel, reading in chunks. Medians of
five after one warm-up, by the clock and by CPU time. Starting the guarded processes costs the same
whatever the size; it is measured on a tile of a thousand points and counted apart.
"""

import os
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import laspy
import numba
import numpy as np
from pyproj import CRS

from lanewright.base.grid import Grid
from lanewright.sources import decoding, reader
from lanewright.sources.las import open_tile
from lanewright.sources.points import Blocks, pack


def survey(path: Path, millions: float) -> int:
    """Write the tile; how many points it has."""
    rng = np.random.default_rng(7)
    returns = rng.choice([1, 1, 2, 2, 3, 4], size=round(millions * 1e6 / 2.1667))
    pulse = np.repeat(np.arange(len(returns)), returns)
    number = np.arange(len(pulse)) - np.repeat(np.cumsum(returns) - returns, returns) + 1
    last = number == returns[pulse]
    lines = len(returns) // 1500 + 1
    x = (pulse % 1500) / 1.5 + 0.02 * number
    y = (pulse // 1500) / lines * 1000
    z = 50 + 10 * np.sin(x / 100) + np.where(last, 0, rng.gamma(4, 4, len(pulse)))
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [500_000, 4_400_000, 0]
    header.add_crs(CRS.from_epsg(26916))
    las = laspy.LasData(header)
    las.x, las.y, las.z = 500_000 + x, 4_400_000 + y, z
    las.return_number, las.number_of_returns = number, returns[pulse]
    las.gps_time = pulse * 2e-6
    las.classification = np.where(last, 2, 1)
    las.point_source_id = np.ones(len(pulse), np.uint16)
    las.write(path)
    return len(pulse)


def now() -> np.ndarray:
    """Seconds by the clock, and of CPU with children that ended."""
    return np.array([time.perf_counter(), sum(os.times()[:4])])


def bare(path: Path) -> np.ndarray:
    """Seconds to decode the same dimensions with laspy and lazrs on all cores."""
    began = now()
    with laspy.open(
        path, laz_backend=laspy.LazBackend.LazrsParallel, decompression_selection=decoding._FIELDS
    ) as file:
        for _ in file.chunk_iterator(1_000_000):
            pass
    return now() - began


def ours(path: Path, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Seconds to read into parts by block, and to bring those into the final file."""
    tile = open_tile(path)
    grid = Grid.over(tile.header.bounds, 0.5, tile.reference.crs, align=1.0)
    blocks = Blocks.over(grid)
    frame = reader.Frame(grid.crs, grid.bounds, blocks, (7, 18), False)
    parts = reader.parts_of(tile, frame, folder)
    if len(parts) == 1:  # the small tile twice, so that it starts as many processes
        parts.append(replace(parts[0], out=folder / "again.part"))
    began = now()
    tallies = reader.read_parts(parts, numba.config.NUMBA_NUM_THREADS, 60.0)
    read = now()
    segments: dict[int, list] = {}
    for part, tally in zip(parts, tallies, strict=True):
        for number, first, count in tally.segments:
            segments.setdefault(number, []).append((part.out, first, count))
    pack(folder, blocks, segments, numba.config.NUMBA_NUM_THREADS)
    return read - began, now() - read


def main() -> None:
    """Measure and print."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 16.0
    reader.WORTH_A_PROCESS = 1  # as many processes for the small tile
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "survey.laz"
        count = survey(path, millions)
        survey(small := Path(folder) / "small.laz", 0.001)
        size = path.stat().st_size / 1e6
        bare(path), ours(path, Path(folder))
        peer, read, packed, start = [], [], [], []
        for _ in range(5):  # in turn, so that a drifting machine is fair to both
            peer.append(bare(path))
            start.append(ours(small, Path(folder))[0])
            a, b = ours(path, Path(folder))
            read.append(a - start[-1])
            packed.append(b)
    theirs, mine, rest, begin = (np.median(v, axis=0) for v in (peer, read, packed, start))
    print(
        f"{count:,} points, {size:.0f} MB LAZ, load {os.getloadavg()[0]:.1f}; by the clock, of CPU"
    )
    for what, (wall, cpu) in {
        "bare parallel lazrs": theirs,
        "reading into blocks": mine,
        "starting the readers, once a run": begin,
        "sorting, duplicates out": rest,
    }.items():
        print(f"{what:<33}{wall:6.2f} s {cpu:6.2f} s")
    for what, (wall, cpu) in {
        "reading": mine / theirs,
        "with sorting": (mine + rest) / theirs,
    }.items():
        print(f"ratio to bare, {what:<18}{wall:6.2f}   {cpu:6.2f}")


if __name__ == "__main__":
    main()
