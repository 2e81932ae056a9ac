"""Slope in percent of 16 million cells, beside gdaldem and xarray-spatial.

    python tests/bench/slope.py [side of the model in cells, default 4000]

The terrain model is hills of spectral noise (sd 20 m) on a tilt with 3 cm of white noise, float32,
1 m cells, an uncompressed GeoTIFF on a disk in memory where there is one. File to file, both read
and write it; in memory, ours is the gradient kernel and its length, the peer's its own call.
Prints the best of seven rounds after one to warm up (and compile), taken in turns so that a busy
machine hurts all alike, by the clock and by CPU time (what the cores would take if nobody else
used them), and peer over ours: above 1, ours is faster.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numba
import numpy as np
import rasterio
from numpy.typing import NDArray

from lanewright.kernels.relief import gradient, steepness

ROUNDS = 7


def hills(side: int) -> NDArray[np.float32]:
    """Random hills with the smoothness of real ones."""
    rng = np.random.default_rng(9)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = np.inf
    shape = (side, side // 2 + 1)
    spectrum = (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * wave**-1.9
    noise = np.fft.irfft2(spectrum, (side, side))
    row, col = np.mgrid[:side, :side]
    tilt = 300 + 0.02 * col + 0.01 * row
    return (tilt + noise * 20 / noise.std() + rng.normal(0, 0.03, noise.shape)).astype(np.float32)


def slope_pct(surface: NDArray[np.float32], cell: float) -> NDArray[np.float32]:
    """As the terrain stage takes it."""
    return steepness(*gradient(surface, cell))


def file_to_file(source: Path, target: Path) -> None:
    """Read, take the slope, write."""
    with rasterio.open(source) as file:
        surface, profile = file.read(1), file.profile
    with rasterio.open(target, "w", **profile) as file:
        file.write(slope_pct(surface, 1.0), 1)


def timed(calls: dict[str, Callable[[], object]]) -> dict[str, tuple[float, float]]:
    """Least seconds of each call by the clock and by CPU, children included; in turns."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in calls}
    for turn in range(ROUNDS + 1):
        for name, call in calls.items():
            start, used = time.perf_counter(), sum(os.times()[:4])
            call()
            if turn:
                taken[name].append((time.perf_counter() - start, sum(os.times()[:4]) - used))
    return {name: tuple(map(min, zip(*rounds, strict=True))) for name, rounds in taken.items()}


def numpy_slope(z: NDArray[np.float32]) -> NDArray[np.float32]:
    """Horn's weights by slices of whole arrays."""
    a, b, c = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
    d, f = z[1:-1, :-2], z[1:-1, 2:]
    g, h, i = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
    east = (c + 2 * f + i - a - 2 * d - g) / 8
    south = (g + 2 * h + i - a - 2 * b - c) / 8
    return 100 * np.hypot(east, south)


def report(title: str, taken: dict[str, tuple[float, float]], cells: int) -> None:
    """One line per peer."""
    wall, cpu = taken.pop("ours")
    print(f"{title}: ours {wall:.3f} s ({cpu:.2f} s CPU), {cells / wall / 1e6:.0f} Mcell/s")
    for name, (other, used) in taken.items():
        print(
            f"  {name:<24} {other:.3f} s ({used:.2f} s CPU)   "
            f"ratio {other / wall:.1f} by the clock, {used / cpu:.1f} by CPU"
        )


def main() -> None:
    """Make the model and time everybody on it."""
    side = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    surface = hills(side)
    threads = numba.get_num_threads()
    print(f"{side} x {side} cells, {threads} threads, load {os.getloadavg()[0]:.1f}")

    fast_disk = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(dir=fast_disk) as folder:
        source, ours, theirs = (Path(folder) / f"{n}.tif" for n in ("dem", "ours", "theirs"))
        with rasterio.open(
            source,
            "w",
            driver="GTiff",
            width=side,
            height=side,
            count=1,
            dtype="float32",
            crs="EPSG:32631",
            transform=rasterio.Affine(1, 0, 5e5, 0, -1, 4e6),
        ) as file:
            file.write(surface, 1)
        calls: dict[str, Callable[[], object]] = {"ours": lambda: file_to_file(source, ours)}
        if shutil.which("gdaldem"):
            command = ["gdaldem", "slope", "-q", "-p", "-compute_edges", str(source), str(theirs)]
            calls["gdaldem slope -p"] = lambda: subprocess.run(command, check=True)
        else:
            print("gdaldem is missing (Debian: apt install gdal-bin): no ratio to it in this run")
        report("file to file", timed(calls), side**2)
        if theirs.exists():
            with rasterio.open(ours) as a, rasterio.open(theirs) as b:
                off = np.abs(a.read(1) - b.read(1))[1:-1, 1:-1]
            print(f"  greatest difference to gdaldem: {off.max():.4f} percentage points of slope")

    calls = {"ours": lambda: slope_pct(surface, 1.0), "numpy slices": lambda: numpy_slope(surface)}
    try:
        import xarray
        import xrspatial
    except ImportError:
        print("xarray-spatial is missing: no ratio to it in this run")
    else:
        raster = xarray.DataArray(surface, dims=("y", "x"), attrs={"res": (1, 1)})
        calls["xarray-spatial (degrees)"] = lambda: xrspatial.slope(raster)
    report(f"in memory, {threads} threads", timed(calls), side**2)
    numba.set_num_threads(1)
    report("in memory, 1 thread", timed({"ours": calls["ours"]}), side**2)


if __name__ == "__main__":
    main()
