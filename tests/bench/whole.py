"""The whole run on an invented square kilometre of 8 points per square metre, LAZ to GeoPackage.

    python tests/bench/whole.py [points per square metre]

Prints where the time goes and the peak of memory, and the run's time as a ratio to bare reading
of the same tiles, which no run can do without.
"""

import json
import os
import sys
import tempfile
import time
from pathlib import Path

import laspy
import yaml

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "sample_tiles"))

from lanewright.scout import run  # noqa: E402
from lanewright.settings.config import load  # noqa: E402
from woods import survey_km2  # noqa: E402


def main() -> None:
    """Make the land, run twice, print."""
    density = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(os.environ.get("LANEWRIGHT_BENCH", name))
        tiles = sorted(folder.glob("km2-*/*.laz")) or survey_km2(
            folder / f"km2-{density:g}", density
        )
        config = folder / "km2.yaml"
        settings = {
            "name": "Square kilometre",
            "points": [str(t) for t in tiles],
            "out": str(folder / "out"),
            "leaf_state": "off",
        }
        config.write_text(yaml.safe_dump(settings))
        began = time.perf_counter()
        for tile in tiles:
            laspy.read(tile, laz_backend=laspy.LazBackend.LazrsParallel)
        bare = time.perf_counter() - began
        began = time.perf_counter()
        print(run(load(config), start_at="ingest"))
        first = time.perf_counter() - began
        summary = json.loads((folder / "out" / "summary.json").read_text())
        began = time.perf_counter()
        print(run(load(config)))
        second = time.perf_counter() - began
    print()
    for stage in summary["stages"]:
        print(f"{stage['stage']:<11} {stage['seconds']:7.1f} s {stage['peak_memory_mb']:8,.0f} MB")
    print(f"{'whole run':<11} {first:7.1f} s {summary['peak_memory_mb']:8,.0f} MB")
    print(f"again, nothing changed {second:.1f} s")
    print(f"bare reading of the tiles {bare:.1f} s, ratio {first / bare:.0f}")
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
