"""Stage `survey`: the property, its elevation tiles and its points on one grid."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, union_all

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of, patches
from lanewright.land.parts import as_multi
from lanewright.land.reading import Cloud
from lanewright.land.seams import Sheet, judge, seams
from lanewright.land.water import Tally
from lanewright.sources import rasters, reader
from lanewright.sources.points import PointStore
from lanewright.sources.rasters import ElevationTile, Reading
from lanewright.store import stage


@dataclass(frozen=True)
class Survey:
    """Everything that was read, on one grid.

    Attributes
    ----------
    points
        Stored returns; None where there is no lidar.
    tally, ground_returns
        Counts of returns by cell, and of those of class 2; None where there is no lidar.
    elevation
        Heights of the terrain model tiles [m] (rows, cols); None where none were given.
    heights_given
        The points' z is height over ground already.
    inside
        Cells of the property.
    wires
        Places of returns that the vendor calls wires (classes 13 and 14), as x, y, z rows.
    first_returns_per_m2
        Over the ground that the survey covers; NaN where there is no lidar.
    keep_out
        Drawn areas with their buffers; empty until `mark_survey`, so that nothing before depends on
        them.
    """

    grid: Grid
    land: MultiPolygon
    inside: Flags
    points: PointStore | None
    tally: Tally | None
    ground_returns: NDArray[np.uint16] | None
    elevation: Raster | None
    heights_given: bool
    wires: Floats
    first_returns_per_m2: float
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    keep_out: MultiPolygon = field(default_factory=MultiPolygon)


@stage("survey", version=2)
def lay_survey(
    cloud: Cloud | None,
    grid: Grid,
    land: MultiPolygon | None,
    elevation: tuple[ElevationTile, ...],
) -> Survey:
    """The land, its elevation tiles and its points on one grid.

    Parameters
    ----------
    cloud
        Result of `read_points`; None without lidar.
    grid
        Georeference.
    land
        The property; by default what the points, or the elevation tiles, cover.
    elevation
        Terrain models to read.

    Raises
    ------
    InputError
        If an elevation tile cannot be read, or two do not fit each other.
    """
    warnings = list(cloud.warnings) if cloud is not None else []
    facts = dict(cloud.facts) if cloud is not None else {}
    model = None
    if elevation:
        model = _read_models(elevation, grid, facts, warnings)
    if land is None:
        covered = cloud.tally.covered if cloud is not None else np.isfinite(model)  # type: ignore[arg-type]
        land = _footprint(covered, grid)
    heights_given = cloud is not None and cloud.heights_given
    if heights_given:
        warnings.append(
            "the points' heights are above ground already; the land's own shape comes from the "
            "elevation tiles"
            if model is not None
            else "the points' heights are above ground already and no elevation is given: drainage "
            "and wet ground are not known, slope and flight over falling ground are those of a "
            "flat plane"
        )
    return Survey(
        grid=grid,
        land=land,
        inside=cells_of(land, grid),
        points=cloud.points if cloud is not None else None,
        tally=cloud.tally if cloud is not None else None,
        ground_returns=cloud.ground_returns if cloud is not None else None,
        elevation=model,
        heights_given=heights_given,
        wires=cloud.wires if cloud is not None else np.empty((0, 3)),
        first_returns_per_m2=cloud.first_returns_per_m2 if cloud is not None else np.nan,
        facts=facts,
        warnings=tuple(warnings),
    )


@stage("marks", version=1)
def mark_survey(survey: Survey, keep_out: MultiPolygon) -> Survey:
    """The survey with drawn keep-outs, for the stages that mind them."""
    return replace(survey, keep_out=keep_out)


def _read_models(
    tiles: tuple[ElevationTile, ...], grid: Grid, facts: dict[str, object], warnings: list[str]
) -> Raster:
    readings = rasters.read_elevation(list(tiles), grid)
    for reading in readings:
        warnings += reading.warnings
    sheets = [_sheet(reading, grid.cell) for reading in readings]
    names = {tile.token: str(tile.path) for tile in tiles}
    judge(seams(sheets), "elevation", names, facts, warnings)
    return rasters.joined(readings, grid)


def _sheet(reading: Reading, cell: float) -> Sheet:
    """Mean heights of an elevation tile in coarse cells of the grid."""
    factor = max(1, round(reader.COARSE / cell))
    rows, cols = reading.heights.shape
    top, left = reading.row % factor, reading.col % factor
    high, wide = (-(-(n + edge) // factor) for n, edge in ((rows, top), (cols, left)))
    padded = np.full((high * factor, wide * factor), np.nan)
    padded[top : top + rows, left : left + cols] = reading.heights
    blocks = padded.reshape(high, factor, wide, factor)
    known = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3))
    mean = np.where(known > 0, total / np.maximum(known, 1), np.nan)
    return Sheet(reading.tile.token, reading.row // factor, reading.col // factor, mean)


def _footprint(covered: Flags, grid: Grid) -> MultiPolygon:
    found = [outline for outline, _ in patches(covered, grid)]
    return as_multi(union_all(found).simplify(grid.cell)) if found else MultiPolygon()
