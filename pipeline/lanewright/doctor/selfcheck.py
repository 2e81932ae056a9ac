"""A tiny land with a known answer, run from a tile through the stages up to the vegetation.

60 m by 60 m, rising 10 m in 100 m towards the east, with one square block of growth 6 m high. What
must come out follows from that by geometry: a slope of 10 percent falling to the west, a canopy of
6 m over the block and of nothing elsewhere.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.base.errors import InputError
from lanewright.growth.vegetation import Vegetation, sort_vegetation
from lanewright.land.ground import find_ground
from lanewright.land.plan import Plan, plan
from lanewright.land.reading import read_points
from lanewright.land.survey import lay_survey
from lanewright.land.terrain import Terrain, find_terrain
from lanewright.settings.config import Config
from lanewright.sources.laz import Returns, write_laz
from lanewright.store import Store

SIDE, SPACING = 60.0, 0.35
"""Side of the land and distance between pulses [m]; 8 pulses per m2."""
RISE, HEIGHT = 0.1, 6.0
"""Rise over run towards the east, height of the growth [m]."""
BLOCK = (24.0, 24.0, 36.0, 36.0)
"""Left, bottom, right, top of the growth [m]."""
CORNER = (500_000.0, 4_400_000.0)
"""South-west corner in EPSG:26916; an invented place."""
RIM = 5.0
"""Cells so near an edge of the land or of the growth are not judged [m]."""


@dataclass(frozen=True)
class Finding:
    """One answer of the check: what was found, what it must be, and how far it may be off."""

    what: str
    found: float
    truth: float
    allowed: float

    @property
    def holds(self) -> bool:
        """Whether it is near enough; not a number never is."""
        return bool(abs(self.found - self.truth) <= self.allowed)


def tiny_land(path: Path) -> None:
    """Write the tile of the tiny land."""
    rng = np.random.default_rng(16)
    steps = np.arange(0.0, SIDE, SPACING)
    x, y = (a.ravel() + rng.uniform(0, SPACING, a.size) for a in np.meshgrid(steps, steps))
    ground = 200.0 + RISE * x + rng.normal(0, 0.01, x.size)
    grown = _within(x, y, BLOCK, 0.0)
    time_of = 3.0e8 + np.arange(x.size) * 1e-5
    both = np.concatenate([np.ones(x.size, np.uint8), np.full(int(grown.sum()), 2, np.uint8)])
    first = np.where(grown, ground + HEIGHT - rng.uniform(0, 0.1, x.size), ground)
    where = np.concatenate([np.arange(x.size), np.flatnonzero(grown)])
    z = np.concatenate([first, ground[grown]])
    of = np.where(grown, 2, 1).astype(np.uint8)[where]
    returns = Returns(
        x=x[where] + CORNER[0],
        y=y[where] + CORNER[1],
        z=z,
        time=time_of[where],
        number=both,
        of=of,
        classes=np.where(both == of, 2, 5).astype(np.uint8),
        source=np.ones(where.size, np.uint16),
    )
    write_laz(path, returns, "EPSG:26916")


def check_itself() -> tuple[list[Finding], float]:
    """Run the stages on the tiny land; what was found, and seconds taken.

    Raises
    ------
    InputError
        If its files cannot be written.
    """
    began = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="lanewright-") as folder:
        tile = Path(folder) / "tiny.laz"
        try:
            tiny_land(tile)
        except OSError as err:
            raise InputError(folder, f"cannot be written ({err.strerror})", "Set TMPDIR.") from None
        config = Config(name="Tiny land", points=(str(tile),), out=Path(folder) / "out")
        store = Store(Path(folder) / "stages")
        found = plan(config)
        assert found.points is not None
        cloud = store.step(read_points, found.points)
        survey = store.step(lay_survey, cloud, found.grid, found.land, found.elevation)
        ground = store.step(find_ground, survey, config.ground)
        terrain = store.step(find_terrain, survey, ground, found.water, config.terrain)
        growth = store.step(
            sort_vegetation, cloud.points, survey.grid, ground.surface, config.vegetation
        )
        findings = _findings(found, terrain, growth)
    return findings, time.perf_counter() - began


def _findings(found: Plan, terrain: Terrain, growth: Vegetation) -> list[Finding]:
    grid = found.grid
    col, row = np.meshgrid(np.arange(grid.cols) + 0.5, np.arange(grid.rows) + 0.5)
    x, y = grid.left + col * grid.cell - CORNER[0], grid.top - row * grid.cell - CORNER[1]
    inner = _within(x, y, (0.0, 0.0, SIDE, SIDE), -RIM)
    block, bare = _within(x, y, BLOCK, -1.0), inner & ~_within(x, y, BLOCK, RIM)
    west = np.abs((terrain.aspect_deg[bare] - 270.0 + 180.0) % 360.0 - 180.0)
    canopy = growth.canopy_height
    return [
        Finding("slope of the bare land [%]", _mid(terrain.slope_pct[bare]), 100 * RISE, 0.3),
        Finding("way it falls, degrees off west", _mid(west), 0.0, 4.0),
        Finding("height of the growth [m]", _mid(canopy[block]), HEIGHT, 0.25),
        Finding("height of the bare land [m]", _mid(canopy[bare]), 0.0, 0.1),
    ]


def _mid(values: Floats | Raster) -> float:
    return float(np.median(values)) if values.size else float("nan")


def _within(x: Floats, y: Floats, box: tuple[float, float, float, float], by: float) -> Flags:
    left, bottom, right, top = box
    inside: Flags = (x > left - by) & (x < right + by) & (y > bottom - by) & (y < top + by)
    return inside
