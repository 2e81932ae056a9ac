"""Filling hollows and steepest descent on 4 million cells, beside pyflwdir and whitebox-workflows.

    python tests/bench/flow.py [side of the model in cells, default 2000]

The terrain model is that of `slope.py`. Ours is what the terrain stage takes: the flood, and a D8
code of every cell on it; pyflwdir's call gives both as well, whitebox-workflows takes two, its time
without reading the file. Filled heights are compared; ways across flats differ by design. Prints
as `slope.py` does.
"""

import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyflwdir.dem
import rasterio
from numpy.typing import NDArray
from slope import hills, report, timed

from lanewright.kernels.flow import ranks, steepest
from lanewright.land.drainage import fill


def ours(surface: NDArray[np.float32]) -> NDArray[np.float64]:
    """Filled heights; codes are taken and dropped."""
    flow = fill(surface)
    steepest(flow.surface, flow.filled, flow.came_from, ranks(flow.order, surface.shape))
    return flow.filled


def whitebox(surface: NDArray[np.float32], folder: Path) -> Callable[[], object]:
    """The same by whitebox-workflows."""
    import whitebox_workflows

    path, (rows, cols) = folder / "dem.tif", surface.shape
    profile = {"driver": "GTiff", "width": cols, "height": rows, "count": 1, "dtype": "float32"}
    place = rasterio.Affine(1, 0, 5e5, 0, -1, 4e6)
    with rasterio.open(path, "w", **profile, crs="EPSG:32631", transform=place) as file:
        file.write(surface, 1)
    tools = whitebox_workflows.WbEnvironment().hydrology
    model = whitebox_workflows.WbEnvironment().read_raster(str(path))

    def run() -> object:
        return tools.d8_pointer(dem=tools.fill_depressions(dem=model))

    return run


def main() -> None:
    """Make the model and time everybody on it."""
    side = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    surface = hills(side)
    print(f"{side} x {side} cells, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as folder:
        calls: dict[str, Callable[[], object]] = {
            "ours": lambda: ours(surface),
            "pyflwdir": lambda: pyflwdir.dem.fill_depressions(surface),
        }
        try:
            calls["whitebox-workflows"] = whitebox(surface, Path(folder))
        except ImportError:
            print("whitebox-workflows is missing: no ratio to it in this run")
        report("fill and steepest descent", timed(calls), side**2)
    off = np.abs(ours(surface) - pyflwdir.dem.fill_depressions(surface)[0]).max()
    print(f"  greatest difference to pyflwdir's filled heights: {off:.4f} m")


if __name__ == "__main__":
    main()
