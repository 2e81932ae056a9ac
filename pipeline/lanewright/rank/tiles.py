"""Tiles read once for all parcels that they touch: what a task by tile does."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.land.plan import content_of
from lanewright.land.pointplan import Ready
from lanewright.settings.ingest import CrsSettings
from lanewright.sources.files import Fingerprint, fingerprint
from lanewright.sources.las import PointTile
from lanewright.sources.rasters import ElevationTile
from lanewright.sources.reader import Frame, Part, Tally, parts_of, read_parts

log = logging.getLogger(__name__)

AT_ONCE = 200
"""Parcels that one decoding of a tile serves; each keeps a file open meanwhile."""


@dataclass(frozen=True)
class Wish:
    """A parcel that wants a tile: its key, where its points go, and a folder for them."""

    key: str
    frame: Frame
    folder: Path


@dataclass(frozen=True)
class Share:
    """What a parcel gets of one file.

    Attributes
    ----------
    content
        As the file was; None where it could not be read, and the parcel's own run finds out why.
    ready
        Readings onto its grid; empty where it is to read the tile itself.
    """

    path: Path
    content: Fingerprint | None
    ready: Ready = ()


@dataclass(frozen=True)
class TileRead:
    """One file looked at once: its content, and what each parcel that wanted it gets."""

    path: Path
    content: Fingerprint | None
    ready: dict[str, Ready]

    def share(self, key: str) -> Share:
        """What the parcel of that key gets."""
        return Share(self.path, self.content, self.ready.get(key, ()))


def read_tile(
    tile: PointTile, crs: CrsSettings, wishes: Sequence[Wish], stall_seconds: float
) -> TileRead:
    """Decode a tile once, in a guarded process, onto the grids of all parcels that want it."""
    ready: dict[str, Ready] = {}
    try:
        content = content_of(tile, crs)
        for start in range(0, len(wishes), AT_ONCE):
            some = wishes[start : start + AT_ONCE]
            for wish in some:
                wish.folder.mkdir(parents=True, exist_ok=True)
            ready |= _read(tile, content, some, stall_seconds)
    except InputError:
        return TileRead(tile.path, None, {})
    except Exception:  # it would take every parcel of the tile with it
        log.exception("tile %s", tile.path)
        return TileRead(tile.path, None, {})
    return TileRead(tile.path, content, ready)


def _read(
    tile: PointTile, content: Fingerprint, wishes: Sequence[Wish], stall_seconds: float
) -> dict[str, Ready]:
    first, *others = wishes
    parts = [
        replace(
            part,
            more=tuple((w.frame, w.folder / part.out.name) for w in others if part.out is not None),
        )
        for part in parts_of(tile, first.frame, first.folder, content)
    ]
    tallies = read_parts(parts, 1, stall_seconds)
    ready: dict[str, list[tuple[Part, Tally]]] = {}
    for part, tally in zip(parts, tallies, strict=True):
        mine = ((part.frame, part.out), *part.more)
        for wish, (frame, out), met in zip(wishes, mine, (tally, *tally.more), strict=True):
            alone = replace(part, frame=frame, out=out, more=())
            ready.setdefault(wish.key, []).append((alone, replace(met, more=[])))
    return {key: tuple(pairs) for key, pairs in ready.items()}


def look_at_model(model: ElevationTile) -> TileRead:
    """Content of an elevation tile, of which each parcel reads its own window."""
    try:
        return TileRead(model.path, fingerprint(model.path), {})
    except InputError:
        return TileRead(model.path, None, {})
