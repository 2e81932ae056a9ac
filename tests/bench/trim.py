"""Legs planned a minute, and memory while they are.

    python tests/bench/trim.py [out folder of a finished run] [legs]

Takes the stage store of a finished run of the demo (or of any land with lidar): plans the trim work
of so many of its legs, those that need most first, and of half of them. Prints seconds by the
clock, CPU time of one and of all threads, the rise of memory, and how many legs were proven least.
"""

import os
import resource
import sys
import time
from pathlib import Path

import numba

from lanewright.finished.stored import stored_results
from lanewright.flight.flight import fly_throws
from lanewright.legs.thrower import thrower_of
from lanewright.settings.config import load
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import levels_named
from lanewright.settings.trim import TrimSettings
from lanewright.trim import plan as trim


def main() -> None:
    """Load a run's stages and time the plan."""
    here = Path(__file__).resolve().parents[2]
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else here / "outputs" / "hollow-creek"
    wanted = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    stored = stored_results(out, load(here / "configs" / "hollow-creek.yaml"))
    scene, legs = stored.scene, stored.legs
    settings = LegsSettings()
    levels = tuple(dict.fromkeys(legs.legs["level"]))
    flights = fly_throws(levels_named(levels), FlightSettings())
    growth, _ = trim.growth_of(scene, TrimSettings(), settings, ())
    # The hardest work lies in legs that are neither open nor hopeless.
    table = legs.legs.assign(off=(legs.legs["clear_rate"] - 0.4).abs()).sort_values("off")
    print(f"{numba.get_num_threads()} threads, {os.cpu_count()} cores")
    for count in (8, wanted // 2, wanted):  # the first warms up
        before = time.perf_counter(), time.process_time()
        held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        got = trim.plan_legs(growth, thrower_of(scene, flights, settings), table.head(count))
        clock, cpu = time.perf_counter() - before[0], time.process_time() - before[1]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        facts = got.facts
        print(
            f"{len(got.per_leg):4d} legs  {clock:6.1f} s clock  {cpu:6.1f} s CPU  "
            f"{1000 * cpu / len(got.per_leg):5.0f} ms a leg  "
            f"peak {peak:5.0f} MB (+{peak - held:.0f})  "
            f"{facts['legs_proven_least']} proven least, largest gap {facts['largest_gap']}"
        )
    print("load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
