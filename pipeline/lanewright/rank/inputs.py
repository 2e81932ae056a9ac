"""What all parcels share, opened once, and the configuration of each parcel out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import geopandas as gpd
import shapely

from lanewright.base.errors import Faults, InputError
from lanewright.land.plan import Files, grid_over, open_all, place_of
from lanewright.land.pointplan import frame_over
from lanewright.rank.parcels import Parcel
from lanewright.settings.config import Config
from lanewright.settings.rank import RankSettings
from lanewright.sources.reader import Frame
from lanewright.sources.vectors import FARTHEST

PARCELS = "parcels"
"""Folder of the parcels' own out folders, within the out folder of the ranking."""

OUTLINE = "parcel.gpkg"
"""File of a parcel's outline, within its own folder."""

ONE_PROPERTY = ("part", "own_holes", "designer", "arrival", "compare")
"""Keys that belong to one property; a ranking leaves them out."""


@dataclass(frozen=True)
class Job:
    """One parcel to be scouted.

    Attributes
    ----------
    key
        Of the parcel; its folder is named so.
    config
        What its run works with: a run of its own with these settings finds the same.
    outline, crs
        WKB of its polygon, and WKT of the CRS it is in.
    frame
        Where its points go; None without lidar.
    """

    key: str
    config: Config
    outline: bytes
    crs: str
    frame: Frame | None


@dataclass(frozen=True)
class Tiles:
    """Tiles of a configuration by place.

    Attributes
    ----------
    working
        WKT of the CRS that every parcel is worked in: the one a run over all tiles would take.
    files
        Headers of all of them.
    paths, tree
        Paths, points before elevation, and their boxes in the same order, in the working CRS.
    """

    working: str
    files: Files
    paths: tuple[Path, ...]
    tree: shapely.STRtree

    def touching(self, box: shapely.Polygon) -> list[Path]:
        """Files whose box shares ground with this one, in their order."""
        found = self.tree.query(box)
        return [self.paths[k] for k in sorted(found.tolist())]


def open_tiles(config: Config) -> Tiles:
    """Headers of all tiles of a configuration, and where they lie.

    Raises
    ------
    InputError
        If one cannot be opened or placed, all faults in one message.
    """
    faults = Faults()
    config = config.model_copy(update={"property": None, "compare": None})
    files = open_all(config, faults)
    faults.stop()
    place = faults.attempt(partial(place_of, config, files))
    faults.stop()
    assert place is not None
    paths = (*(t.path for t in files.tiles), *(m.path for m in files.models))
    boxes = [shapely.box(*place.boxes[path]) for path in paths]
    return Tiles(place.working, files, paths, shapely.STRtree(boxes))


def job_of(parcel: Parcel, crs: str, config: Config, tiles: Tiles, out: Path) -> Job:
    """What one parcel's run works with.

    Raises
    ------
    InputError
        If the parcel has a fault, cannot be placed, or no tile touches it.
    """
    if parcel.fault:
        raise InputError(f"parcel {parcel.key}", parcel.fault, "Mend it in the layer.")
    placed = gpd.GeoSeries([parcel.shape], crs=crs).to_crs(tiles.working).iloc[0]
    reach = config.ingest.context
    left, bottom, right, top = placed.bounds
    if not max(map(abs, (left, bottom, right, top))) < FARTHEST:
        raise InputError(
            f"parcel {parcel.key}", "lies outside what the working CRS covers", "Check its CRS."
        )
    around = shapely.box(left - reach, bottom - reach, right + reach, top + reach)
    near = {str(path) for path in tiles.touching(around)}
    points = tuple(str(t.path) for t in tiles.files.tiles if str(t.path) in near)
    models = tuple(str(m.path) for m in tiles.files.models if str(m.path) in near)
    if not points and not models:
        raise InputError(
            f"parcel {parcel.key}", "no tile touches it", "Add tiles that cover it to points."
        )
    folder = out / PARCELS / parcel.key
    mine = config.model_copy(
        update={
            **dict.fromkeys(ONE_PROPERTY),
            "name": parcel.name,
            "property": folder / OUTLINE,
            "points": points,
            "elevation": models,
            "crs": config.crs.model_copy(update={"working": tiles.working}),
            "out": folder,
            "rank": RankSettings(),
        }
    )
    frame = _frame(parcel, crs, mine, tiles) if points else None
    return Job(parcel.key, mine, shapely.to_wkb(parcel.shape), crs, frame)


def _frame(parcel: Parcel, crs: str, config: Config, tiles: Tiles) -> Frame:
    """Where the points of a parcel go, as the plan of its run will settle it."""
    near = {Path(path) for path in (*config.points, *config.elevation)}
    files = tiles.files._replace(
        tiles=[tile for tile in tiles.files.tiles if tile.path in near],
        models=[model for model in tiles.files.models if model.path in near],
        outline=gpd.GeoDataFrame(geometry=[parcel.shape], crs=crs),
    )
    ingest = config.ingest
    return frame_over(grid_over(config, files), ingest.left_out_classes, ingest.overlap_points)


def left_out(config: Config) -> Sequence[str]:
    """Keys of the configuration that a ranking does not use."""
    return [key for key in ONE_PROPERTY if getattr(config, key) is not None]
