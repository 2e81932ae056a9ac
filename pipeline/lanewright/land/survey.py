"""Stage `ingest`: from files to one grid, with the points at rest on it.

`plan` reads headers only and settles CRS, units, extent and grid; `read_survey` then reads what
touches the property.
"""

from __future__ import annotations

import datetime as dt
import glob
import hashlib
import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import MultiPolygon, Polygon, box, union_all

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of, patches
from lanewright.land.water import Tally
from lanewright.settings.config import Config
from lanewright.settings.ingest import CrsSettings, IngestSettings
from lanewright.sources import crs as crs_of
from lanewright.sources import rasters, reader, vectors
from lanewright.sources.crs import Bounds
from lanewright.sources.las import GPS_EPOCH, PointTile, open_tile
from lanewright.sources.points import Blocks, PointStore, pack
from lanewright.sources.rasters import ElevationTile
from lanewright.store import stage

log = logging.getLogger(__name__)

T = TypeVar("T")

MOST_CELLS = 60_000_000
"""A grid of more cells than 15 km2 at 0.5 m is taken for a mistake."""

FINE_DENSITY = 4.0
"""First returns per m2 from which half-metre cells pay; two fall in each cell then."""

EDGE = 1.0
"""Corners of the grid fall on whole multiples of this [m]."""


@dataclass(frozen=True)
class Plan:
    """What headers alone tell: the files to read, the CRS, the grid.

    Attributes
    ----------
    working
        WKT of the CRS that the run works in.
    land
        The property in the working CRS; None until the points have told their extent.
    tiles, elevation
        Files that touch the property and its context, in the order of their content.
    skipped
        Files given that do not touch.
    checksums
        Content of each file to read, by path.
    """

    working: str
    land: MultiPolygon | None
    grid: Grid
    tiles: tuple[PointTile, ...]
    elevation: tuple[ElevationTile, ...]
    skipped: tuple[Path, ...]
    keep_out: MultiPolygon
    water: MultiPolygon
    own_holes: tuple[tuple[str, str], ...]
    checksums: dict[str, str]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def content_key(self) -> object:
        """What decides the survey: contents, references and extent, never names or order."""
        return [
            self.working,
            self.land.wkt if self.land is not None else None,
            [self.grid.left, self.grid.top, self.grid.cell, self.grid.rows, self.grid.cols],
            [
                (
                    self.checksums[str(t.path)],
                    t.reference.crs,
                    t.reference.to_crs,
                    t.reference.vertical,
                )
                for t in self.tiles
            ],
            [(self.checksums[str(e.path)], e.crs, e.vertical) for e in self.elevation],
            self.keep_out.wkt,
            self.water.wkt,
            self.own_holes,
        ]


@dataclass(frozen=True)
class Survey:
    """Everything that was read, on one grid.

    Attributes
    ----------
    points
        Returns at rest; None where there is no lidar.
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
    """

    grid: Grid
    land: MultiPolygon
    inside: NDArray[np.bool_]
    points: PointStore | None
    tally: Tally | None
    ground_returns: NDArray[np.uint16] | None
    elevation: NDArray[np.float32] | None
    heights_given: bool
    keep_out: MultiPolygon
    water: MultiPolygon
    own_holes: tuple[tuple[str, str], ...]
    wires: NDArray[np.float64]
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


# ---------------------------------------------------------------------------------------------
# Headers


def plan(config: Config) -> Plan:
    """Settle what can be settled without reading a point.

    Raises
    ------
    InputError
        Everything that is wrong with the inputs, in one message.
    """
    faults: list[InputError] = []

    def attempt(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except InputError as err:
            faults.append(err)
            return None

    settings = config.crs
    tiles = [
        tile
        for path in _expand(config.points, "points", faults)
        if (tile := attempt(partial(_open, path, settings))) is not None
    ]
    models = [
        model
        for path in _expand(config.elevation, "elevation", faults)
        if (
            model := attempt(
                partial(rasters.open_elevation, path, settings.elevation, settings.elevation_unit)
            )
        )
        is not None
    ]
    outline = None
    if config.property is not None:
        given = config.property
        outline = attempt(partial(vectors.property_polygon, given, settings.vectors))
    if faults or not (tiles or models):
        raise together(faults)

    references = [t.reference for t in tiles] or [m.reference for m in models]
    first = tiles[0].header.bounds if tiles else models[0].bounds
    working = crs_of.working_crs(references, first, settings.working).to_wkt()
    boxes = {t.path: crs_of.bounds_in(t.reference, working, t.header.bounds) for t in tiles}
    boxes |= {m.path: rasters.bounds_in_working(m, working) for m in models}

    land: MultiPolygon | None = None
    if outline is not None and config.property is not None:
        moved = vectors.in_working(config.property, outline, working)
        land = _multi(moved.geometry.iloc[0])
    extent = (
        land.bounds if land is not None else union_all([box(*b) for b in boxes.values()]).bounds
    )
    # A metre takes in the points on the very edge of a tile.
    context = config.ingest.context if land is not None else EDGE
    around = (extent[0] - context, extent[1] - context, extent[2] + context, extent[3] + context)

    def touches(path: Path) -> bool:
        b = boxes[path]
        return bool(b[0] < around[2] and b[2] > around[0] and b[1] < around[3] and b[3] > around[1])

    near = [t for t in tiles if touches(t.path)]
    near_models = [m for m in models if touches(m.path)]
    paths = [t.path for t in tiles] + [m.path for m in models]
    skipped = [path for path in paths if not touches(path)]
    if not near and not near_models:
        raise InputError(
            config.property, _how_far(working, extent, list(boxes.values())),
            "Check the CRS of the boundary and that these are its tiles.",
        )  # fmt: skip
    density = _density(near, boxes)
    cell = config.ingest.cell
    if cell == "auto":
        cell = 0.5 if density >= FINE_DENSITY or not near else 1.0
        if not near:
            cell = 1.0
    if (around[2] - around[0]) * (around[3] - around[1]) / cell**2 > MOST_CELLS:
        raise InputError(
            config.property or "property",
            f"the land spans {(around[2] - around[0]) / 1000:.1f} x "
            f"{(around[3] - around[1]) / 1000:.1f} km, too much at cells of {cell} m",
            "Give a smaller property polygon; stray points far off also stretch the extent of "
            "tiles. Or raise ingest.cell.",
        )
    grid = Grid.over(around, cell, working, align=EDGE)

    keep_out = [
        shape
        for item in config.keep_out
        if (
            shape := attempt(
                partial(vectors.areas, item.path, working, settings.vectors, item.buffer)
            )
        )
        is not None
    ]
    water = [
        shape
        for path in config.water
        if (shape := attempt(partial(vectors.areas, path, working, settings.vectors))) is not None
    ]
    own: tuple[tuple[str, str], ...] = ()
    if config.own_holes is not None:
        drawn_path = config.own_holes
        drawn = attempt(partial(vectors.drawn_lines, drawn_path, working, settings.vectors))
        if drawn is not None:
            own = tuple(zip(drawn["name"], drawn.geometry.to_wkt(), strict=True))
    if faults:
        raise together(faults)

    used = [t.path for t in near] + [m.path for m in near_models]
    checksums = {str(path): checksum(path) for path in used}
    near.sort(key=lambda t: (checksums[str(t.path)], t.header.bounds))
    near_models.sort(key=lambda m: (m.cell, checksums[str(m.path)]))
    warnings = [f"{t.path}: {t.reference.doubt}" for t in near if t.reference.doubt]
    if land is None:
        warnings.append("no property polygon is given; the extent of the tiles is taken for it")
    elif (share := _covered_share(land, [boxes[path] for path in used])) < 0.995:
        warnings.append(f"the tiles cover {share:.0%} of the property; the rest stays unknown")
    if near and density < FINE_DENSITY / 2:
        warnings.append(
            f"the lidar has {density:.2g} first returns per m2; below 2 per m2 little can be said "
            "of gaps between trees"
        )
    assumed = sorted({f"{t.path.name}: {a}" for t in near for a in t.reference.assumed})
    assumed += sorted({f"{m.path.name}: {a}" for m in near_models for a in m.assumed})
    return Plan(
        working=working,
        land=land,
        grid=grid,
        tiles=tuple(near),
        elevation=tuple(near_models),
        skipped=tuple(sorted(skipped)),
        keep_out=_multi(union_all(keep_out)) if keep_out else MultiPolygon(),
        water=_multi(union_all(water)) if water else MultiPolygon(),
        own_holes=own,
        checksums=checksums,
        assumed=tuple(assumed),
        warnings=tuple(warnings),
    )


def _open(path: Path, settings: CrsSettings) -> PointTile:
    return open_tile(
        path,
        crs=settings.points,
        horizontal_unit=settings.horizontal_unit,
        vertical_unit=settings.vertical_unit,
    )


def _expand(patterns: tuple[str, ...], key: str, faults: list[InputError]) -> list[Path]:
    """Files that the patterns name, each once, sorted."""
    found: set[Path] = set()
    for pattern in patterns:
        matches = sorted(glob.glob(pattern, recursive=True))  # noqa: PTH207 - absolute patterns
        if not matches:
            faults.append(
                InputError(pattern, f"no file matches this pattern under {key}", "Check the path.")
            )
        found.update(Path(m).resolve() for m in matches)
    return sorted(found)


def together(faults: list[InputError]) -> InputError:
    """One error that says everything several said."""
    if len(faults) == 1:
        return faults[0]
    text = "".join(f"\n  {f.where}: {f.problem}. {f.remedy}" for f in faults)
    return InputError(
        f"{len(faults)} inputs", f"cannot be used:{text}\n", "Mend or leave out each."
    )


def _multi(geometry: object) -> MultiPolygon:
    parts = [
        g for g in getattr(geometry, "geoms", [geometry]) if isinstance(g, Polygon) and g.area > 0
    ]
    return MultiPolygon(parts)


def checksum(path: Path) -> str:
    """BLAKE2 of a file's content."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def _density(tiles: list[PointTile], boxes: dict[Path, Bounds]) -> float:
    """First returns per m2 of the densest tile's box; all returns where firsts are not counted."""
    best = 0.0
    for tile in tiles:
        left, bottom, right, top = boxes[tile.path]
        area = max((right - left) * (top - bottom), 1.0)
        best = max(best, (tile.header.first_returns or tile.header.points) / area)
    return best


def _covered_share(land: MultiPolygon, boxes: list[Bounds]) -> float:
    return float(union_all([box(*b) for b in boxes]).intersection(land).area / land.area)


def _how_far(working: str, extent: Bounds, boxes: list[Bounds]) -> str:
    ground = union_all([box(*b) for b in boxes])
    away = box(*extent).distance(ground) / 1000

    def place(b: Bounds) -> str:
        at = crs_of.lonlat_of(working, (b[0] + b[2]) / 2, (b[1] + b[3]) / 2)
        return f"longitude {at[0]:.4f}, latitude {at[1]:.4f}" if at else "off the earth"

    return (
        f"the property, at {place(extent)}, lies {away:.1f} km from the nearest tile, the tiles "
        f"are at {place(ground.bounds)}"
    )


# ---------------------------------------------------------------------------------------------
# Points


@stage("ingest", version=1)
def read_survey(
    plan: Plan,
    settings: IngestSettings,
    *,
    workspace: Path | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Survey:
    """Read the tiles of a plan onto its grid.

    Raises
    ------
    InputError
        If a tile cannot be decoded, or no point lies on the property.
    """
    grid = plan.grid
    facts: dict[str, object] = {}
    warnings: list[str] = []
    points, tally, ground_returns = None, None, None
    wires = np.empty((0, 3))
    if plan.tiles:
        if workspace is None:
            raise ValueError("points need a workspace")
        points = _read_points(plan, settings, workspace, progress, facts, warnings)
        tally, ground_returns, wires = _count(points)
    elevation = rasters.read_elevation(list(plan.elevation), grid) if plan.elevation else None
    if plan.land is not None:
        land = plan.land
    elif tally is not None:
        land = _footprint(tally.covered, grid)
    else:
        assert elevation is not None
        land = _footprint(np.isfinite(elevation), grid)
    inside = cells_of(land, grid)
    heights_given = points is not None and _heights_given(points)
    if heights_given:
        warnings.append(
            "the points' heights are above ground already; the land's own shape comes from the "
            "elevation tiles"
            if elevation is not None
            else "the points' heights are above ground already and no elevation is given: slope, "
            "drainage and flight over falling ground are those of a flat plane"
        )
    return Survey(
        grid=grid,
        land=land,
        inside=inside,
        points=points,
        tally=tally,
        ground_returns=ground_returns,
        elevation=elevation,
        heights_given=heights_given,
        keep_out=plan.keep_out,
        water=plan.water,
        own_holes=plan.own_holes,
        wires=wires,
        facts=facts,
        warnings=tuple(warnings),
    )


def _read_points(
    plan: Plan,
    settings: IngestSettings,
    workspace: Path,
    progress: Callable[[float | None], None],
    facts: dict[str, object],
    warnings: list[str],
) -> PointStore:
    grid, blocks = plan.grid, Blocks.over(plan.grid)
    frame = reader.Frame(
        plan.working, grid.bounds, blocks, settings.left_out_classes, settings.overlap_points
    )
    parts = [part for tile in plan.tiles for part in reader.parts_of(tile, frame, workspace)]
    total, done = sum(p.count for p in parts), 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        progress(0.9 * done / total)

    tallies = reader.read_parts(parts, threads(), settings.stall_seconds, advance)
    whole = reader.Tally()
    segments: dict[int, list[tuple[Path, int, int]]] = {}
    for part, tally in zip(parts, tallies, strict=True):
        whole.add(tally)
        assert part.out is not None
        for number, first, count in tally.segments:
            segments.setdefault(number, []).append((part.out, first, count))
    if whole.kept == 0:
        where = plan.tiles[0].path if len(plan.tiles) == 1 else "points"
        raise InputError(
            where,
            f"none of its {whole.read} points can be used: {whole.outside} lie off the property, "
            f"{whole.withheld} are withheld, {whole.left_out} noise, {whole.overlap} overlap",
            "Check the boundary against the tiles.",
        )
    kept, duplicates = pack(workspace, blocks, segments, threads())
    for part in parts:
        assert part.out is not None
        part.out.unlink(missing_ok=True)
    progress(1.0)
    facts.update(
        points_read=whole.read,
        points_kept=kept,
        points_outside=whole.outside,
        points_withheld=whole.withheld,
        points_left_out_by_class=whole.left_out,
        points_overlap=whole.overlap,
        points_duplicate=duplicates,
        returns_mended=whole.mended_returns,
        classes={str(k): v for k, v in sorted(whole.classes.items())},
    )
    log.info(
        "kept %d of %d points: %d off the property, %d duplicates, %d withheld, %d noise and other "
        "classes left out, %d overlap",
        kept, whole.read, whole.outside, duplicates, whole.withheld, whole.left_out, whole.overlap,
    )  # fmt: skip
    if whole.mended_returns:
        warnings.append(
            f"{whole.mended_returns} points say less returns than their own number; mended"
        )
    _dates(plan, tallies, parts, facts, warnings)
    return PointStore(workspace, grid, blocks)


def threads() -> int:
    """Threads to use, as numba was told."""
    import numba

    return int(numba.get_num_threads())


def _dates(
    plan: Plan,
    tallies: list[reader.Tally],
    parts: list[reader.Part],
    facts: dict[str, object],
    warnings: list[str],
) -> None:
    """Flight dates from GPS times, where the tiles count them in full."""
    flown: list[dt.datetime] = []
    for part, tally in zip(parts, tallies, strict=True):
        if (
            part.tile.header.adjusted_time
            and np.isfinite([tally.first_time, tally.last_time]).all()
        ):
            for t in (tally.first_time, tally.last_time):
                if 0 <= t + 1e9 < 4e9:
                    flown.append(GPS_EPOCH + dt.timedelta(seconds=t + 1e9))
    if flown:
        first, last = min(flown), max(flown)
        facts["flown"] = [first.date().isoformat(), last.date().isoformat()]
        if (last - first).days > 300:
            warnings.append(
                f"the tiles were flown between {first.date()} and {last.date()}; what grew or was "
                "cut between is mixed in one picture"
            )


def _count(points: PointStore) -> tuple[Tally, NDArray[np.uint16], NDArray[np.float64]]:
    """Returns by cell, those of class 2 among them, and wires."""
    grid = points.grid
    returns, ground, water = (np.zeros(grid.shape, np.uint16) for _ in range(3))
    level = np.zeros(grid.shape, np.float64)
    wires = [np.empty((0, 3))]
    for (row, col, rows, cols), block in points.windows():
        r, c = grid.rowcol(block.x, block.y)
        cell = np.clip(r - row, 0, rows - 1) * cols + np.clip(c - col, 0, cols - 1)
        here = np.s_[row : row + rows, col : col + cols]
        is_water = block.classification == 9
        for counts, chosen in (
            (returns, np.ones(len(block), bool)),
            (ground, block.classification == 2),
            (water, is_water),
        ):
            number = np.bincount(cell[chosen], minlength=rows * cols)
            counts[here] = np.minimum(number, 65535).reshape(rows, cols)
        sums = np.bincount(cell[is_water], block.z[is_water], minlength=rows * cols)
        level[here] = sums.reshape(rows, cols)
        is_wire = np.isin(block.classification, (13, 14))
        wires.append(np.column_stack([block.x, block.y, block.z])[is_wire])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (level / water).astype(np.float32)
    tally = Tally(returns, water, mean, _covered(returns > 0, grid.cell))
    return tally, ground, np.concatenate(wires)


def _covered(any_return: NDArray[np.bool_], cell: float) -> NDArray[np.bool_]:
    """Footprint of the survey: cells with returns, closed over gaps and holes.

    Cells are joined to squares of some four times the spacing of the returns, within which a gap
    is chance (the data void rule of the USGS Lidar Base Specification, from memory).
    """
    spacing = cell / np.sqrt(max(float(any_return.mean()), 1e-4))
    factor = max(1, round(float(np.clip(4 * spacing, 2.0, 10.0)) / cell))
    rows, cols = (-(-n // factor) for n in any_return.shape)
    padded = np.zeros((rows * factor, cols * factor), bool)
    padded[: any_return.shape[0], : any_return.shape[1]] = any_return
    coarse = padded.reshape(rows, factor, cols, factor).any(axis=(1, 3))
    # A margin, for closing must not eat at the edge of the grid.
    closed = ndimage.binary_closing(np.pad(coarse, 4), iterations=3)[4:-4, 4:-4] | coarse
    filled = ndimage.binary_fill_holes(closed)
    fine = np.repeat(np.repeat(filled, factor, 0), factor, 1)
    return fine[: any_return.shape[0], : any_return.shape[1]]


def _footprint(covered: NDArray[np.bool_], grid: Grid) -> MultiPolygon:
    found = [outline for outline, _ in patches(covered, grid)]
    return _multi(union_all(found).simplify(grid.cell)) if found else MultiPolygon()


def _heights_given(points: PointStore) -> bool:
    """Whether z is height over ground: the vendor's ground lies at zero and trees do not."""
    ground, off, tall = 0, 0, 0
    for _window, block in points.windows(400.0):
        is_ground = block.classification == 2
        ground += int(np.count_nonzero(is_ground))
        off += int(np.count_nonzero(np.abs(block.z[is_ground]) > 0.3))
        tall += int(np.count_nonzero(block.z > 2.0))
        if off > 10 and off > 0.5 * ground:
            return False  # plainly heights over datum; no need to look at the rest
    return ground >= 50 and off <= 0.01 * ground and tall > 0
