"""`lanewright rank`: every parcel of a layer scouted, and all of them in one ranking."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from dask import delayed

from lanewright.base.errors import InputError
from lanewright.base.rows import Row
from lanewright.rank.inputs import Job, Tiles, job_of, left_out, open_tiles
from lanewright.rank.one import Depth, Outcome, scout_parcel
from lanewright.rank.parcels import Parcel, read_parcels
from lanewright.rank.shares import shares_of
from lanewright.rank.tasks import Compute, Where, crew
from lanewright.rank.worth import judged, ordered
from lanewright.rank.written import NAMES, frame_of, write_ranking
from lanewright.settings.config import Config
from lanewright.store import Store, Written
from lanewright.workplace import workplace

log = logging.getLogger(__name__)

Show = Callable[[str], Callable[[float | None], None]]

SHOWN = 5
"""Parcels that the terminal names."""


@dataclass(frozen=True)
class Question:
    """What is asked of a ranking.

    Attributes
    ----------
    parcels
        Layer of polygons.
    depth
        How far to go: `full` runs the `best` of the quick look to the end.
    workers, scheduler
        Local processes, or the address of a Dask scheduler that runs already.
    """

    parcels: Path
    depth: Depth
    best: int
    workers: int
    scheduler: str | None


@dataclass(frozen=True)
class Ranking:
    """What came out: rows in order, their costs by depth and key, and where the files are."""

    out: Path
    rows: tuple[Row, ...]
    outcomes: tuple[tuple[Depth, Outcome], ...]

    def __str__(self) -> str:
        good = [row for row in self.rows if row["status"] == "ranked"]
        lines = [f"{len(good)} of {len(self.rows)} parcels ranked; {self.out / NAMES[2]}"]
        lines += [
            f"  {row['rank']}. {row['name']}: worth {row['worth']:.2f}, confidence "
            f"{row['confidence']:.2f}. {row['reason']}"
            for row in good[:SHOWN]
        ]
        bad = [row for row in self.rows if row["status"] != "ranked"]
        lines += [
            f"  could not be looked at: {row['name']}: {row['failed']}" for row in bad[:SHOWN]
        ]
        if len(bad) > SHOWN:
            lines.append(f"  and {len(bad) - SHOWN} more, in {NAMES[1]}")
        return "\n".join(lines)


def rank(
    config: Config, question: Question, show: Show = lambda _stage: lambda _share: None
) -> Ranking:
    """Scout every parcel of a layer into its own folder, and write the ranking.

    What an earlier ranking into the same folder finished is taken from the stores of its parcels.

    Parameters
    ----------
    config
        Settings of every run; `property` and other keys of one property are not read, `out` is
        the folder of the ranking.

    Raises
    ------
    InputError
        If the parcels or tiles cannot be read, no scheduler answers, or not one parcel could be
        looked at; the ranking is written all the same then.
    """
    with workplace(config, 1, NAMES) as place:
        parcels, crs = read_parcels(question.parcels, config.crs.vectors, config.rank.id_column)
        for key in left_out(config):
            log.warning("%s: belongs to one property, a ranking leaves it out", key)
        tiles = open_tiles(config)
        jobs, faults = _jobs(parcels, crs, config, tiles)
        log.info("%d parcels, %d of them to be scouted", len(parcels), len(jobs))
        where = Where(
            question.workers, question.scheduler, config.rank.worker_gb, place.stages / "dask"
        )
        outcomes: list[tuple[Depth, Outcome]] = []
        read_into = place.stages / "tiles"
        shutil.rmtree(read_into, ignore_errors=True)
        shares = shares_of(jobs, tiles, config, read_into)
        with crew(where) as compute:
            for depth in _depths(question.depth):
                chosen = jobs if depth == "quick" else _best(outcomes, jobs, config, question.best)
                move = show(depth)
                found = _scouted(chosen, shares, config, depth, compute, move)
                outcomes += [(depth, one) for one in found]
                shares = {one.key: one.shares for one in found}
                move(None)
        shutil.rmtree(read_into, ignore_errors=True)
        rows = _rows(parcels, outcomes, faults, config)
        ranking = Ranking(config.out, tuple(rows), tuple(outcomes))
        _write(ranking, parcels, crs, config, Store(place.stages))
    if not any(row["status"] == "ranked" for row in rows):
        raise InputError(
            question.parcels,
            f"not one of its {len(parcels)} parcels could be looked at; the first: "
            f"{rows[0]['failed']}",
            f"All are listed in {config.out / NAMES[1]}.",
        )
    return ranking


def _depths(depth: Depth) -> tuple[Depth, ...]:
    return ("quick",) if depth == "quick" else ("quick", "full")


def _jobs(
    parcels: Iterable[Parcel], crs: str, config: Config, tiles: Tiles
) -> tuple[list[Job], dict[str, str]]:
    """Parcels that can be scouted, and what is wrong with the others, by key."""
    jobs: list[Job] = []
    faults: dict[str, str] = {}
    for parcel in parcels:
        try:
            jobs.append(job_of(parcel, crs, config, tiles, config.out))
        except InputError as fault:
            faults[parcel.key] = " ".join(str(fault).split())
    return jobs, faults


def _scouted(
    jobs: list[Job],
    shares: Mapping[str, Sequence[object]],
    config: Config,
    depth: Depth,
    compute: Compute,
    move: Callable[[float | None], None],
) -> list[Outcome]:
    """Outcomes of jobs, in their order, whatever order they end in."""
    # Every task has a name of its own: a scheduler elsewhere may hold those of another ranking.
    task = delayed(scout_parcel, pure=False)
    tasks = [task(job, config.rank, depth, list(shares[job.key])) for job in jobs]
    found: dict[int, Outcome] = {}

    def done(number: int, result: object) -> None:
        if not isinstance(result, Outcome):  # what Dask says of a worker that is gone for good
            said = " ".join(str(result).split())[:300]
            result = Outcome(jobs[number].key, None, f"its worker ended: {said}")
        found[number] = result
        cost = result.cost
        if cost is not None:
            log.info(
                "%s %s: %s; %.1f s of CPU, %.1f s, peak %.0f MB",
                depth,
                result.key,
                result.fault or "done",
                cost.cpu,
                cost.wall,
                cost.peak_mb,
            )
        else:
            log.error("%s %s: %s", depth, result.key, result.fault)
        move(len(found) / len(jobs))

    compute(tasks, done)
    return [found[number] for number in range(len(jobs))]


def _best(
    outcomes: list[tuple[Depth, Outcome]], jobs: list[Job], config: Config, most: int
) -> list[Job]:
    """Jobs of the parcels that a quick look ranks first."""
    rows = ordered([_row(found, depth, config) for depth, found in outcomes])
    first = [row["parcel_id"] for row in rows if row["status"] == "ranked"][:most]
    by_key = {job.key: job for job in jobs}
    return [by_key[key] for key in first]


def _row(found: Outcome, depth: Depth, config: Config) -> Row:
    if found.figures is None:
        return {"parcel_id": found.key, "status": "failed", "failed": found.fault}
    row = judged(found.figures, config.rank, config.holes, config.field.visit)
    return {**row, "parcel_id": found.key, "status": "ranked", "depth": depth}


def _rows(
    parcels: list[Parcel],
    outcomes: list[tuple[Depth, Outcome]],
    faults: dict[str, str],
    config: Config,
) -> list[Row]:
    """Rows of all parcels in order; a full run that failed leaves the quick look, and says so."""
    rows: dict[str, Row] = {
        key: {"parcel_id": key, "status": "failed", "failed": fault}
        for key, fault in faults.items()
    }
    for depth, found in outcomes:
        row = _row(found, depth, config)
        if row["status"] == "failed" and rows.get(found.key, {}).get("status") == "ranked":
            row = {**rows[found.key], "failed": f"the full run failed: {found.fault}"}
        rows[found.key] = row
    return ordered([{**rows[p.key], "name": p.name} for p in parcels])


def _write(ranking: Ranking, parcels: list[Parcel], crs: str, config: Config, store: Store) -> None:
    shapes = {parcel.key: parcel.shape for parcel in parcels}
    frame = frame_of(ranking.rows, shapes, crs)
    heading: Row = {
        "title": config.name,
        "full": sum(row.get("depth") == "full" for row in ranking.rows),
        "wanted": config.holes,
        "weights": list(config.rank.worth.model_dump().items()),
    }
    with store.scratch("ranked") as beside:
        write_ranking(beside, frame, crs, heading, feet_first=config.units == "feet")
        Written(config.out, store.folder).publish(".", "ranked", beside)
