"""CPU and clock of publishing a finished run, part by part, and of bare libraries on the same work.

    python tests/bench/publishing.py [configuration]

Opens the demo, or another configuration, in its own folder or, with `LANEWRIGHT_DEMO`, in that one;
stages that are not stored there are run first. Peers write the same frames with pyogrio, a layer
each and nothing said of them, and the same arrays with rasterio as GDAL packs them. Book,
sheet and page have no peer that draws them.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyogrio
import rasterio

from lanewright.publish import results
from lanewright.publish.field import write_field
from lanewright.publish.findings import Findings
from lanewright.publish.gather import findings_of
from lanewright.publish.geopackage import write_shaped
from lanewright.publish.report.page import write_report
from lanewright.publish.sheet import write_sheet
from lanewright.scout import scout
from lanewright.settings.config import load
from lanewright.store import Store

TIMES = 3
MOST_SECONDS, MOST_MB = 12.0, 15.0
"""CPU of all parts together, and size of the page of 50 ha."""


def medians(work: Callable[[Path], object]) -> tuple[float, float]:
    """Seconds of CPU and of the clock, each time in a fresh folder."""
    took = []
    for _ in range(TIMES):
        with tempfile.TemporaryDirectory() as folder:
            before = time.process_time(), time.perf_counter()
            work(Path(folder))
            took.append((time.process_time() - before[0], time.perf_counter() - before[1]))
    cpu, clock = np.median(took, axis=0)
    return float(cpu), float(clock)


def bare_layers(found: Findings, folder: Path) -> None:
    """The same frames by pyogrio alone."""
    for name, frame in found.layers.items():
        pyogrio.write_dataframe(frame, folder / "bare.gpkg", layer=name, driver="GPKG")


def bare_rasters(found: Findings, folder: Path) -> None:
    """The same arrays by rasterio alone."""
    grid = found.grid
    for name, array in found.rasters.items():
        with rasterio.open(
            folder / f"{name}.tif", "w", driver="COG", dtype="float32", count=1,
            height=grid.rows, width=grid.cols, crs=grid.crs, transform=grid.transform,
            nodata=-9999.0, compress="DEFLATE",
        ) as file:  # fmt: skip
            file.write(np.nan_to_num(np.asarray(array, np.float32), nan=-9999.0), 1)


def main() -> None:
    """Time each part."""
    here = Path(__file__).resolve().parents[2]
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else here / "configs" / "hollow-creek.yaml"
    config = load(path)
    if "LANEWRIGHT_DEMO" in os.environ:
        config = config.model_copy(update={"out": Path(os.environ["LANEWRIGHT_DEMO"])})
    scouting = scout(config, Store(config.out / ".stages"))
    found, outing = findings_of(config, scouting)
    words, crs = results.words_of(config), found.grid.crs
    gathered = medians(lambda _: findings_of(config, scouting))
    parts = {
        "field book and points": (lambda at: write_field(at, found, outing), None),
        "owner's sheet": (lambda at: write_sheet(at / "sheet.pdf", found, outing), None),
        "page": (lambda at: write_report(at / "report.html", found), None),
        "GeoPackage": (
            lambda at: write_shaped(at / "scout.gpkg", found.layers, crs, words=words),
            lambda at: bare_layers(found, at),
        ),
        "rasters": (
            lambda at: results._write_rasters(at / "rasters", found, words),
            lambda at: bare_rasters(found, at),
        ),
    }
    print(f"{'findings':24}{gathered[0]:6.2f} s CPU {gathered[1]:6.2f} s clock")
    for name, (ours, bare) in parts.items():
        cpu, clock = medians(ours)
        line = f"{name:24}{cpu:6.2f} s CPU {clock:6.2f} s clock"
        if bare is not None:
            peer = medians(bare)
            line += f"; bare {peer[0]:5.2f} and {peer[1]:5.2f}, ratio of CPU {cpu / peer[0]:.2f}"
        print(line, flush=True)

    def everything(folder: Path) -> None:
        results.write_all(folder, *findings_of(config, scouting))

    cpu, clock = medians(everything)
    print(f"{'all, as a run does it':24}{cpu:6.2f} s CPU {clock:6.2f} s clock", end="")
    print(f" (at most {MOST_SECONDS:g} s of CPU)")
    with tempfile.TemporaryDirectory() as folder:
        write_report(Path(folder) / "report.html", found)
        size = (Path(folder) / "report.html").stat().st_size / 1e6
    print(f"page of {size:.1f} MB (at most {MOST_MB:g})")
    print(f"{os.cpu_count()} cores, load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
