"""Runs as a user makes them, in a process of their own, and their results read back."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import yaml

import pulses
import worlds

QUIET = {"crs", "property"}


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}


def lanewright(
    *words: object, timeout: float = 600, interpreter: list[str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command; `interpreter` are options of Python's own."""
    return subprocess.run(
        [sys.executable, *(interpreter or ()), "-m", "lanewright", *map(str, words)],
        capture_output=True, text=True, timeout=timeout, check=False, env=environment(),
    )  # fmt: skip


def results(out: Path) -> dict[str, str]:
    """Checksums of everything a run made, but for what tells of time."""
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted([out / "scout.gpkg", *(out / "rasters").glob("*.tif")])
    }


def tunnel_survey(folder: Path, names: tuple[str, str] = ("a.laz", "b.laz")) -> Path:
    """A planted tunnel as two tiles that share 10 m, and a configuration that finds legs in it."""
    world = worlds.tunnel(size=60.0)
    x = world.points["x"]
    middle = (world.bounds[0] + world.bounds[2]) / 2
    for name, mine in zip(names, (x < middle + 5, x > middle - 5), strict=True):
        part = {k: np.asarray(v)[mine] for k, v in world.points.items()}
        pulses.write_laz(folder / name, part)
    path = folder / "run.yaml"
    path.write_text(
        yaml.safe_dump(
            {
                "name": "Tunnel",
                "points": [str(folder / n) for n in names],
                "out": "out",
                "leaf_state": "off",
                "levels": ["green"],
                "legs": {"sites": {"boundary_setback": 1.0, "tee_room": 1.0, "wet": True}},
            }
        )
    )
    return path
