"""What decides the stored points, and readings of tiles that were made before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from lanewright.base.grid import Grid
from lanewright.sources.files import Fingerprint
from lanewright.sources.las import PointTile
from lanewright.sources.points import Blocks
from lanewright.sources.reader import Frame, Part, Tally

Ready = tuple[tuple[Part, Tally], ...]
"""Parts of the tiles that were read, and what the reading met."""

Contents = Mapping[Path, Fingerprint]
"""Content of files by path."""


def frame_over(grid: Grid, left_out: tuple[int, ...], keep_overlap: bool) -> Frame:
    """Frame that points are read into for a grid."""
    return Frame(grid.crs, grid.bounds, Blocks.over(grid), left_out, keep_overlap)


@dataclass(frozen=True)
class PointPlan:
    """What decides the stored points: content of the tiles and the grid, never names or order.

    Attributes
    ----------
    tiles, contents
        Tiles to read, in the order of their content, and what each has to hold.
    left_out, keep_overlap
        Classes that are dropped; whether points flagged as overlap are kept.
    stall_seconds
        A tile is given up after so long without headway; no result depends on it.
    ready
        Readings that were made before, onto this very grid; None where the tiles are to be read.
    """

    grid: Grid
    tiles: tuple[PointTile, ...]
    contents: tuple[Fingerprint, ...]
    left_out: tuple[int, ...]
    keep_overlap: bool
    stall_seconds: float
    ready: Ready | None = None

    @property
    def frame(self) -> Frame:
        """Where points go, and which are dropped."""
        return frame_over(self.grid, self.left_out, self.keep_overlap)

    @property
    def content_key(self) -> object:
        """Key of the stored points."""
        grid = self.grid
        return [
            [grid.crs, grid.left, grid.top, grid.cell, grid.rows, grid.cols],
            [
                [c.whole, t.reference.crs, t.reference.to_crs, t.reference.vertical]
                for t, c in zip(self.tiles, self.contents, strict=True)
            ],
            sorted(set(self.left_out)),
            self.keep_overlap,
        ]
