"""What headers alone say: the files to read, CRS and units, one grid. No point is read here."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import IO, NamedTuple

from geopandas import GeoDataFrame
from shapely import MultiPolygon, box, union_all

from lanewright.base import schema
from lanewright.base.errors import Faults, InputError, some, together
from lanewright.base.grid import Grid
from lanewright.land.parts import as_multi, chosen, parts_of, scattered
from lanewright.land.pointplan import Contents, PointPlan
from lanewright.land.stated import (
    FINE_DENSITY,
    assumed,
    doubts,
    far_off,
    first_returns_of,
    warnings_of,
)
from lanewright.settings.config import Config
from lanewright.settings.ingest import CrsSettings, IngestSettings
from lanewright.sources import crs as crs_of
from lanewright.sources import rasters, vectors
from lanewright.sources.converted import Converted, convert, is_las
from lanewright.sources.crs import Bounds
from lanewright.sources.files import Fingerprint, changed, expand, fingerprint, open_checked
from lanewright.sources.las import PointTile, open_tile
from lanewright.sources.pdal import reader_of
from lanewright.sources.rasters import ElevationTile

MOST_CELLS = 60_000_000
"""A grid of more cells than 15 km2 at 0.5 m is taken for a mistake."""

EDGE = 1.0
"""Corners of the grid fall on whole multiples of this [m]."""


@dataclass(frozen=True)
class Plan:
    """Everything that is settled before a point is read.

    Attributes
    ----------
    working
        WKT of the CRS that the run works in.
    land
        The property in the working CRS; None until the points show their extent.
    points
        How to read the tiles; None where there is no lidar.
    elevation
        Terrain models that touch the property and its context, the finest first.
    earlier
        How to read the tiles of an earlier survey; None where none is to be compared with.
    skipped
        Files given that do not touch.
    keep_out, water
        Drawn areas, with their buffers.
    own_holes
        Drawn lines: name and WKT.
    keep_out_lines
        Lines that keep-out files draw, before buffers: name of the file, buffer [m] and WKT.
    converted
        Point files of other formats that PDAL read.
    others
        Parts of the property that are left to runs of their own.
    """

    working: str
    land: MultiPolygon | None
    grid: Grid
    points: PointPlan | None
    elevation: tuple[ElevationTile, ...]
    skipped: tuple[Path, ...]
    keep_out: MultiPolygon
    water: MultiPolygon
    own_holes: tuple[tuple[str, str], ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    converted: tuple[Converted, ...] = ()
    earlier: PointPlan | None = None
    keep_out_lines: tuple[tuple[str, float, str], ...] = ()
    others: MultiPolygon = field(default_factory=MultiPolygon)

    @property
    def reach(self) -> Bounds:
        """Left, bottom, right, top of all that the property's files may be about [m]."""
        found: Bounds = union_all([box(*self.grid.bounds), self.others]).bounds
        return found

    @property
    def tiles(self) -> tuple[PointTile, ...]:
        """Point files that touch the property and its context, in the order of their content."""
        return self.points.tiles if self.points is not None else ()

    @property
    def contents(self) -> dict[Path, Fingerprint]:
        """Content of each file to read."""
        found = (
            dict(zip((t.path for t in self.tiles), self.points.contents, strict=True))
            if self.points is not None
            else {}
        )
        if self.earlier is not None:
            found |= dict(
                zip((t.path for t in self.earlier.tiles), self.earlier.contents, strict=True)
            )
        return found | {m.path: m.content for m in self.elevation if m.content is not None}


# ---------------------------------------------------------------------------------------------
# The plan


class Files(NamedTuple):
    """Headers of all files given, and the outline as its file has it."""

    tiles: list[PointTile]
    models: list[ElevationTile]
    earlier: list[PointTile]
    outline: GeoDataFrame | None
    converted: tuple[Converted, ...]


class Placed(NamedTuple):
    """Where everything lies in the working CRS."""

    working: str
    boxes: dict[Path, Bounds]
    land: MultiPolygon | None
    extent: Bounds
    around: Bounds
    others: MultiPolygon


class _Drawn(NamedTuple):
    """What people drew, in the working CRS."""

    keep_out: MultiPolygon
    water: MultiPolygon
    own: tuple[tuple[str, str], ...]
    lines: tuple[tuple[str, float, str], ...] = ()


_NOTHING_KNOWN: Contents = MappingProxyType({})


def plan(config: Config, known: Contents = _NOTHING_KNOWN) -> Plan:
    """Settle what can be settled without reading a point.

    Parameters
    ----------
    known
        Content of files that were looked at before; whoever reads one later notices if it has
        changed since.

    Raises
    ------
    InputError
        Everything that is wrong with the inputs, in one message.
    """
    faults = Faults()
    files = open_all(config, faults)
    if faults.found or not (files.tiles or files.models):
        _look_at_drawings(config, faults)
        raise together(faults.found)
    place = faults.attempt(partial(place_of, config, files))
    if place is None:
        _look_at_drawings(config, faults)
        raise together(faults.found)
    drawn = _drawn(config, place, faults)
    near = [t for t in files.tiles if _touches(place, t.path)]
    before = [t for t in files.earlier if _touches(place, t.path)]
    models = [m for m in files.models if _touches(place, m.path)]
    paths = [t.path for t in (*files.tiles, *files.earlier)] + [m.path for m in files.models]
    skipped = sorted(path for path in paths if not _touches(place, path))
    density = first_returns_of(near, place.boxes)
    grid = faults.attempt(partial(_grid, config, place, near, density)) if near or models else None
    if not near and not models:
        faults.found.append(
            far_off(_whose(config), place.working, place.extent, list(place.boxes.values()))
        )
    if files.earlier and not before:
        faults.found.append(
            InputError(
                "compare.points",
                "no tile of the earlier survey touches the property",
                "Check which files are named, and the CRS that they state.",
            )
        )
    if files.earlier and not near:
        faults.found.append(
            InputError(
                "compare.points",
                "there is no lidar of today on the property to compare with",
                "Name today's tiles in points.",
            )
        )
    faults.stop()
    assert grid is not None

    points = faults.attempt(partial(_point_plan, config, grid, near, known)) if near else None
    earlier = faults.attempt(partial(_point_plan, config, grid, before, known)) if before else None
    elevation = faults.attempt(partial(_elevation_plan, config.crs, models, known))
    if points is not None and earlier is not None:
        faults.attempt(partial(_other_content, points, earlier))
    faults.stop()
    assert elevation is not None
    return Plan(
        working=place.working,
        land=place.land,
        grid=grid,
        points=points,
        elevation=elevation,
        earlier=earlier,
        skipped=tuple(skipped),
        keep_out=drawn.keep_out,
        water=drawn.water,
        own_holes=drawn.own,
        keep_out_lines=drawn.lines,
        assumed=assumed([*near, *before], models) + _read_by_pdal(files.converted),
        warnings=doubts([*near, *before])
        + warnings_of(place.land, _boxes(place, near, models), density if near else None),
        converted=files.converted,
        others=place.others,
    )


def open_all(config: Config, faults: Faults) -> Files:
    """Headers of every file that a configuration names; what cannot be opened is a fault."""
    settings = config.crs
    then = config.compare.points if config.compare is not None else ()
    paths, converted = _as_las(expand(config.points, "points", faults), faults)
    before, also = _as_las(expand(then, "compare.points", faults), faults)
    tiles, earlier = (
        [
            tile
            for path in given
            if (tile := faults.attempt(partial(_open_points, path, settings))) is not None
        ]
        for given in (paths, before)
    )
    rasters = (config.out / "rasters").resolve()
    results = frozenset(rasters / f"{name}.tif" for name in schema.RASTERS)
    models = [
        model
        for path in expand(config.elevation, "elevation", faults, results)
        if (model := faults.attempt(partial(_open_elevation, path, settings))) is not None
    ]
    outline = None
    if config.property is not None:
        outline = faults.attempt(
            partial(vectors.property_polygon, config.property, settings.vectors)
        )
    return Files(tiles, models, earlier, outline, (*converted, *also))


def _as_las(paths: list[Path], faults: Faults) -> tuple[list[Path], tuple[Converted, ...]]:
    """Files that can be read as they are, and what others were read into by PDAL."""
    found, converted = [], []
    for path in paths:
        if is_las(path) or reader_of(path) is None:
            found.append(path)
        elif (laz := faults.attempt(partial(convert, path))) is not None:
            found.append(laz.file)
            converted.append(laz)
    return found, tuple(converted)


def _read_by_pdal(converted: tuple[Converted, ...]) -> tuple[str, ...]:
    return tuple(f"{c.original}: read by PDAL {c.version}, as {c.file.name}" for c in converted)


def _open_points(path: Path, settings: CrsSettings, file: IO[bytes] | None = None) -> PointTile:
    return open_tile(
        path,
        crs=settings.points,
        horizontal_unit=settings.horizontal_unit,
        vertical_unit=settings.vertical_unit,
        file=file,
    )


def _open_elevation(path: Path, settings: CrsSettings) -> ElevationTile:
    return rasters.open_elevation(path, settings.elevation, settings.elevation_unit)


def _look_at_drawings(config: Config, faults: Faults) -> None:
    """Faults of drawn files that show without a place to put them."""
    for path in [*(k.path for k in config.keep_out), *config.water, config.own_holes]:
        if path is not None:
            faults.attempt(partial(vectors.read_vectors, path, config.crs.vectors))


def place_of(config: Config, files: Files) -> Placed:
    """Working CRS, and where the property and the files lie in it.

    Raises
    ------
    InputError
        If no CRS can be worked in, or a tile has no place in it.
    """
    tiles, models = files.tiles, files.models
    references = [t.reference for t in tiles] or [m.reference for m in models]
    first = tiles[0].header.bounds if tiles else models[0].bounds
    working = crs_of.working_crs(references, first, config.crs.working).to_wkt()
    boxes = {t.path: _box_of(t, working) for t in (*files.earlier, *tiles)}
    boxes |= {m.path: rasters.bounds_in_working(m, working) for m in models}
    land, others = None, MultiPolygon()
    if files.outline is not None and config.property is not None:
        moved = vectors.in_working(config.property, files.outline, working)
        land, others = chosen(config, as_multi(moved.geometry.iloc[0]))
    present = [boxes[t.path] for t in tiles] + [boxes[m.path] for m in models]
    whole = union_all([box(*b) for b in present]).bounds
    extent = land.bounds if land is not None else whole
    # A metre takes in the points on the very edge of a tile.
    context = config.ingest.context if land is not None else EDGE
    around = (extent[0] - context, extent[1] - context, extent[2] + context, extent[3] + context)
    return Placed(working, boxes, land, extent, around, others)


def _box_of(tile: PointTile, working: str) -> Bounds:
    found = crs_of.bounds_in(tile.reference, working, tile.header.bounds)
    if not all(math.isfinite(b) for b in found):
        raise InputError(
            tile.path,
            "cannot be placed in the CRS of the run: its corners lie nowhere",
            "Check its CRS, or set crs.working to one made for this place.",
        )
    return found


def _touches(place: Placed, path: Path) -> bool:
    b, around = place.boxes[path], place.around
    return bool(b[0] < around[2] and b[2] > around[0] and b[1] < around[3] and b[3] > around[1])


def _boxes(place: Placed, near: list[PointTile], models: list[ElevationTile]) -> list[Bounds]:
    return [place.boxes[p] for p in [*(t.path for t in near), *(m.path for m in models)]]


def _grid(config: Config, place: Placed, near: list[PointTile], density: float) -> Grid:
    cell = config.ingest.cell
    if cell == "auto":
        cell = 0.5 if near and density >= FINE_DENSITY else 1.0
    wide, high = place.around[2] - place.around[0], place.around[3] - place.around[1]
    if config.part is None and place.land is not None:
        parts = parts_of(place.land, config.ingest.context)
        if len(parts) > 1:
            raise scattered(config, parts)
    if not wide * high / cell**2 <= MOST_CELLS:
        raise InputError(
            config.property or "property",
            f"the land spans {wide / 1000:.1f} x {high / 1000:.1f} km, too much at cells of "
            f"{cell} m",
            "Give a smaller property polygon; stray points far off also stretch the extent of "
            "tiles. Or raise ingest.cell.",
        )
    return Grid.over(place.around, cell, place.working, align=EDGE)


def _whose(config: Config) -> str:
    """Name of the outline in a message."""
    return f"part {config.part} of {config.property}" if config.part else str(config.property)


def grid_over(config: Config, files: Files) -> Grid:
    """Grid that `plan` would settle for a property, out of headers that were read before.

    Raises
    ------
    InputError
        If the property cannot be placed, or is too large or scattered for one grid.
    """
    place = place_of(config, files)
    near = [tile for tile in files.tiles if _touches(place, tile.path)]
    return _grid(config, place, near, first_returns_of(near, place.boxes))


def _point_plan(config: Config, grid: Grid, near: list[PointTile], known: Contents) -> PointPlan:
    pairs = [(tile, known.get(tile.path) or content_of(tile, config.crs)) for tile in near]
    pairs.sort(key=lambda p: (p[1].whole, p[0].header.bounds, p[0].path))
    settings: IngestSettings = config.ingest
    return PointPlan(
        grid=grid,
        tiles=tuple(t for t, _ in pairs),
        contents=tuple(c for _, c in pairs),
        left_out=settings.left_out_classes,
        keep_overlap=settings.overlap_points,
        stall_seconds=settings.stall_seconds,
    )


def _other_content(points: PointPlan, earlier: PointPlan) -> None:
    """Refuse a tile that stands in both surveys: it would hide every change."""
    today = {content.whole for content in points.contents}
    twice = [
        str(tile.path)
        for tile, content in zip(earlier.tiles, earlier.contents, strict=True)
        if content.whole in today
    ]
    if twice:
        raise InputError(
            "compare.points",
            f"{some(twice)}: of the same content as a tile in points",
            "Name the tiles of the earlier survey alone.",
        )


def content_of(tile: PointTile, settings: CrsSettings) -> Fingerprint:
    """Fingerprint of a tile, if its header is still the one that was looked at."""
    content = fingerprint(tile.path)
    with open_checked(tile.path, content) as file:
        if _open_points(tile.path, settings, file) != tile:
            raise changed(tile.path)
    return content


def _elevation_plan(
    settings: CrsSettings, models: list[ElevationTile], known: Contents
) -> tuple[ElevationTile, ...]:
    found = []
    for model in models:
        content = known.get(model.path) or fingerprint(model.path)
        if _open_elevation(model.path, settings) != model:
            raise changed(model.path)
        found.append(replace(model, content=content))
    return tuple(sorted(found, key=lambda m: (m.cell, str(m.content_key), m.path)))


def _drawn(config: Config, place: Placed, faults: Faults) -> _Drawn:
    working, assumed = place.working, config.crs.vectors

    def area(path: Path, buffer: float = 0.0) -> MultiPolygon:
        shape = vectors.areas(path, working, assumed, buffer)
        vectors.near_enough(path, shape, union_all([box(*place.extent), place.others]).bounds)
        return shape

    keep_out = [faults.attempt(partial(area, k.path, k.buffer)) for k in config.keep_out]
    water = [faults.attempt(partial(area, path)) for path in config.water]
    own: tuple[tuple[str, str], ...] = ()
    if config.own_holes is not None:
        lines = faults.attempt(partial(vectors.drawn_lines, config.own_holes, working, assumed))
        if lines is not None:
            own = tuple(zip(lines["name"], lines.geometry.to_wkt(), strict=True))
    if any(shape is None for shape in keep_out):
        return _Drawn(_union(keep_out), _union(water), own)
    lines = tuple(
        (k.path.stem, k.buffer, line.wkt)
        for k in config.keep_out
        if not (line := vectors.lines_in(k.path, working, assumed)).is_empty
    )
    return _Drawn(_union(keep_out), _union(water), own, lines)


def _union(found: list[MultiPolygon | None]) -> MultiPolygon:
    return as_multi(union_all([shape for shape in found if shape is not None]))
