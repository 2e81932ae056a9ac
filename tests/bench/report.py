"""Seconds and size of the page, of a run that is finished: beside a bare copy of what is in it.

    python tests/bench/report.py [configuration]

Runs the demo, or another configuration, as far as its stage store does not hold it yet, in the
store's own folder; then makes the page three times. The peer is the plotting library's own writer
of a whole page with one figure of as many points as the page's first view holds.
"""

import os
import sys
import time
from pathlib import Path

import numpy as np
import plotly.graph_objects as go

from lanewright.publish import results
from lanewright.publish.field import arrival_of
from lanewright.publish.report import page as report
from lanewright.publish.report.space import POINTS
from lanewright.scout import scout
from lanewright.settings.config import load
from lanewright.store import Store

TIMES = 3
MOST_SECONDS, MOST_MB = 30.0, 15.0


def main() -> None:
    """Time the page of a run."""
    here = Path(__file__).resolve().parents[2]
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else here / "configs" / "hollow-creek.yaml"
    config = load(path)
    store = Store(config.out / ".stages")
    scouting = scout(config, store)
    layers, rasters = results._layers(config, scouting), results._rasters(scouting)
    summary = results._summary(config, scouting, layers, store.timings)
    arrival = arrival_of(config, scouting.survey.grid, rasters["ground"])
    clock, cpu = [], []
    for _ in range(TIMES):
        before = time.perf_counter(), time.process_time()
        found = report.findings_of(config, scouting, layers, rasters, summary, arrival)
        page = report.build_report(found)
        clock.append(time.perf_counter() - before[0])
        cpu.append(time.process_time() - before[1])
    size = len(page.encode()) / 1e6
    cards = page.count('<article class="card"')
    points = np.random.default_rng(0).random((3, POINTS))
    before = time.perf_counter()
    peer = go.Figure(go.Scatter3d(x=points[0], y=points[1], z=points[2])).to_html()
    peer_seconds = time.perf_counter() - before
    seconds = float(np.median(clock))
    print(f"{cards} cards, {size:.1f} MB (at most {MOST_MB:g} for 50 ha)")
    print(f"page  {seconds:5.1f} s clock, {np.median(cpu):5.1f} s CPU (at most {MOST_SECONDS:g} s)")
    print(
        f"peer  {peer_seconds:5.1f} s for one figure in {len(peer) / 1e6:.1f} MB; "
        f"ratio {seconds / peer_seconds:.0f} in time for {cards} times as many, "
        f"{size * 1e6 / len(peer):.2f} in size"
    )
    print(f"{os.cpu_count()} cores, load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
