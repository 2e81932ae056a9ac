"""Ranking 24 parcels with one and with two workers: `python tests/bench rank`.

The parcels are rectangles cut from the demo's land, quick depth. One worker is this process, two
are processes of Dask's LocalCluster. Printed are wall-clock and processor seconds, how many times
faster two are, the largest peak memory of a worker, and whether both wrote the same bytes. Load of
the machine stands beside, for two workers on two busy cores show little.
"""

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from lanewright.rank.command import Question, rank
from lanewright.settings.config import load

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "configs" / "hollow-creek.yaml"
COLS, ROWS = 6, 4


def parcels(folder: Path) -> Path:
    """The box of the demo's property in equal rectangles."""
    land = gpd.read_file(ROOT / "sample_tiles" / "property.gpkg")
    left, bottom, right, top = land.total_bounds
    x, y = np.linspace(left, right, COLS + 1), np.linspace(bottom, top, ROWS + 1)
    shapes = [shapely.box(x[i], y[j], x[i + 1], y[j + 1]) for j in range(ROWS) for i in range(COLS)]
    path = folder / "parcels.gpkg"
    gpd.GeoDataFrame({"pin": range(1, len(shapes) + 1)}, geometry=shapes, crs=land.crs).to_file(
        path
    )
    print(f"{len(shapes)} parcels of {shapes[0].area / 1e4:.1f} ha, quick")
    return path


def cpu() -> float:
    """Processor seconds of this process and of its children that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        layer, settings = parcels(folder), load(CONFIG)
        walls, tables = [], []
        for workers in (1, 2):
            out = folder / f"by-{workers}"
            load_before, began, ticks = os.getloadavg()[0], time.perf_counter(), cpu()
            found = rank(
                settings.model_copy(update={"out": out}),
                Question(layer, "quick", 1, workers, None),
            )
            walls.append(time.perf_counter() - began)
            tables.append((out / "ranked.csv").read_bytes())
            costs = [one.cost for _, one in found.outcomes if one.cost is not None]
            print(
                f"{workers} workers: {walls[-1]:.0f} s, {cpu() - ticks:.0f} s of CPU, of which "
                f"parcels {sum(c.cpu for c in costs):.0f} (median "
                f"{np.median([c.cpu for c in costs]):.1f} each), peak of a worker "
                f"{max(c.peak_mb for c in costs):.0f} MB, "
                f"{sum(row['status'] == 'ranked' for row in found.rows)} ranked; load "
                f"{load_before:.1f} before, {os.getloadavg()[0]:.1f} after",
                flush=True,
            )
        print(
            f"two are {walls[0] / walls[1]:.2f} times as fast; same bytes: {tables[0] == tables[1]}"
        )


if __name__ == "__main__":
    sys.exit(main())
