"""One parcel, from its outline to its figures: what a task of the ranking does."""

from __future__ import annotations

import logging
import os
import resource
import threading
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import geopandas as gpd
import shapely

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.base.rows import Row
from lanewright.check import Inputs, inputs_of
from lanewright.publish.whole import beside
from lanewright.rank.inputs import OUTLINE, Job
from lanewright.rank.tiles import Share
from lanewright.settings.config import Config
from lanewright.settings.rank import RankSettings
from lanewright.store import Damaged
from lanewright.workplace import STAGES

log = logging.getLogger(__name__)

Depth = Literal["quick", "full"]

LAST = "features"
"""Stage that a quick look ends with."""

_ALONE = threading.Lock()
"""The log and the number of threads belong to the process, so that it makes one run at a time."""


@dataclass(frozen=True)
class Cost:
    """What a task took: processor and wall-clock seconds, and the process's peak memory [MB].

    Reading processes are in the seconds, not in the memory; a process keeps its peak.
    """

    cpu: float
    wall: float
    peak_mb: float
    process: int


@dataclass(frozen=True)
class Outcome:
    """What came of one parcel: its figures, or why there are none."""

    key: str
    figures: Row | None
    fault: str
    cost: Cost | None = None
    shares: tuple[Share, ...] = ()


def scout_parcel(
    job: Job, settings: RankSettings, depth: Depth, shares: Sequence[Share]
) -> Outcome:
    """Scout one parcel in its own folder with one thread; whatever goes wrong is its outcome.

    Stages that an earlier ranking or run finished there are taken from its store.

    Parameters
    ----------
    shares
        What tasks by tile read for it.
    """
    with _ALONE:
        began, ticks = time.perf_counter(), _cpu()
        figures, fault = None, ""
        try:
            figures = _scouted(job, settings, depth, shares)
        except InputError as error:
            fault = str(error)
        except Exception as error:  # one parcel must not stop the others
            log.error("parcel %s: %s", job.key, traceback.format_exc())
            fault = (
                f"a bug in lanewright {__version__}: {type(error).__name__}: {error}; the "
                "traceback is in run.log of its folder"
            )
        cost = Cost(_cpu() - ticks, time.perf_counter() - began, _peak(), os.getpid())
        known = tuple(replace(share, ready=()) for share in shares)
        return Outcome(job.key, figures, " ".join(fault.split()), cost, known)


def _scouted(job: Job, settings: RankSettings, depth: Depth, shares: Sequence[Share]) -> Row:
    from lanewright.rank.figures import figures_of, looked_at, main_level, round_of
    from lanewright.scout import run

    config = job.config
    write_outline(job)
    last = LAST if depth == "quick" else None
    run(config, stop_after=last, threads=1, given=_given(config, shares))
    try:
        found = looked_at(config.out / STAGES, bool(config.points))
    except Damaged as fault:
        raise InputError(config.out, f"its results are damaged: {fault}", "Rank again.") from None
    figures = figures_of(found, config, main_level(config), settings)
    return figures if depth == "quick" else figures | round_of(config.out)


def _given(config: Config, shares: Sequence[Share]) -> Inputs:
    """Inputs of the run, with what was read for it where that fits its plan."""
    known = {share.path: share.content for share in shares if share.content is not None}
    given = inputs_of(config, known=known)
    points = given.plan.points
    if points is None:
        return given
    read = {share.path: share.ready for share in shares}
    ready = tuple(pair for tile in points.tiles for pair in read.get(tile.path, ()))
    whole = all(read.get(tile.path) for tile in points.tiles)
    if not whole or any(part.frame != points.frame for part, _ in ready):
        return given
    plan = replace(given.plan, points=replace(points, ready=ready))
    return replace(given, plan=plan)


def write_outline(job: Job) -> None:
    """Put the parcel's outline into its folder, unless it lies there already.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    path, shape = job.config.out / OUTLINE, shapely.from_wkb(job.outline)
    if path.exists() and _holds(path, shape, job.crs):
        return
    with beside(path) as part:
        gpd.GeoDataFrame(geometry=[shape], crs=job.crs).to_file(part, layer="parcel", driver="GPKG")


def _holds(path: Path, shape: shapely.Geometry, crs: str) -> bool:
    from lanewright.sources.crs import same_crs
    from lanewright.sources.vectors import read_vectors

    try:
        stored = read_vectors(path)
    except InputError:
        return False
    return (
        len(stored) == 1
        and bool(shapely.equals_exact(stored.geometry.iloc[0], shape))
        and same_crs(stored.crs.to_wkt(), crs)
    )


def _peak() -> float:
    """Peak memory of this process [MB]; `ru_maxrss` of Linux would count its parent's too."""
    status = Path("/proc/self/status")
    if status.exists():
        lines = dict(line.partition(":")[::2] for line in status.read_text().splitlines())
        if "VmHWM" in lines:
            return int(lines["VmHWM"].split()[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _cpu() -> float:
    """Processor seconds of this process and of those that it started and that have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system
