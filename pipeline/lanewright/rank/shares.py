"""Tasks by tile for the tasks by parcel: each tile once for all parcels that it touches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from dask import delayed
from dask.delayed import Delayed

from lanewright.rank.inputs import Job, Tiles
from lanewright.rank.tiles import TileRead, Wish, look_at_model, read_tile
from lanewright.settings.config import Config
from lanewright.store.shelf import Shelf
from lanewright.workplace import STAGES


def shares_of(
    jobs: Sequence[Job], tiles: Tiles, config: Config, folder: Path
) -> Mapping[str, Sequence[Delayed]]:
    """For each job, by its key, the tasks that give what it gets of its files.

    A tile is decoded for parcels whose points are not stored yet; of the others only its content
    is asked, which says whether what is stored still holds.

    Parameters
    ----------
    folder
        Where points lie between the two kinds of tasks.
    """
    wishes: dict[str, list[Wish]] = {}
    for job in jobs:
        if job.frame is not None and not _has_points(job):
            wish = Wish(job.key, job.frame, folder / job.key)
            for path in job.config.points:
                wishes.setdefault(path, []).append(wish)
    wanted = {path for job in jobs for path in (*job.config.points, *job.config.elevation)}
    read, look = delayed(read_tile, pure=False), delayed(look_at_model, pure=False)
    tasks: dict[str, Delayed] = {}
    for tile in tiles.files.tiles:
        if (path := str(tile.path)) in wanted:
            mine = wishes.get(path, [])
            stall = config.ingest.stall_seconds
            tasks[path] = read(tile, config.crs, mine, stall)
    for model in tiles.files.models:
        if (path := str(model.path)) in wanted:
            tasks[path] = look(model)
    share = delayed(TileRead.share, pure=False)
    return {
        job.key: [share(tasks[p], job.key) for p in (*job.config.points, *job.config.elevation)]
        for job in jobs
    }


def _has_points(job: Job) -> bool:
    """Whether an earlier ranking stored the parcel's points."""
    stored = Shelf(job.config.out / STAGES, "whole").last("ingest")
    return stored is not None and stored.exists()
