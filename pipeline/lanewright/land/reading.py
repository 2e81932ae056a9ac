"""Stage `ingest`: the points of the tiles stored on the run's grid.

Stored points depend on the content of the tiles and on the grid alone. What people draw comes
after them.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.arrays import Flags, Floats
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.land.pointplan import PointPlan
from lanewright.land.seams import Sheet, judge, seams
from lanewright.land.water import Tally
from lanewright.sources import reader
from lanewright.sources.files import token
from lanewright.sources.las import GPS_EPOCH, HIGHEST, LOWEST
from lanewright.sources.points import Blocks, Packed, PointStore, pack
from lanewright.store import stage

log = logging.getLogger(__name__)

FEW_ODD = 0.01
"""Share of a tile's points that lie where they cannot, from which the tile is refused."""

TOO_THIN = 0.5
"""First returns per m2 below which trees, columns and clear rates mean nothing: no published
detection of trees was tried on fewer than 0.6 pulses per m2 (thinned plots of 2,525 field stems,
Grigoryev 2026, draft), and a column of a metre then holds less than one ray."""

KIND_MOST = {13: 0.05, 14: 0.05, 15: 0.01, 16: 0.01, 19: 0.1}
"""Largest share of the points that wires, towers, connectors and overhead structures can be. Class
15 is a transmission tower in LAS 1.4 and was free for other uses before; a lattice tower is some
hundred points in a span of 300 m. `common practice, no source`."""

_KINDS = {13: "wire guard", 14: "wire", 15: "tower", 16: "wire connector", 19: "overhead structure"}
_VEGETATION = 1  # class stored for what is treated as vegetation: unclassified


@dataclass(frozen=True)
class Cloud:
    """All that the points alone decide.

    Attributes
    ----------
    points
        Stored returns.
    tally, ground_returns
        Counts of returns by cell, and of those of class 2 (rows, cols).
    wires
        Places of returns that the vendor calls wires (classes 13 and 14), as x, y, z rows.
    heights_given
        The points' z is height over ground already.
    first_returns_per_m2
        Over the ground that the survey covers.
    """

    points: PointStore
    tally: Tally
    ground_returns: NDArray[np.uint16]
    wires: Floats
    heights_given: bool
    first_returns_per_m2: float
    facts: dict[str, object]
    warnings: tuple[str, ...]


@stage("ingest", version=2)
def read_points(
    plan: PointPlan,
    *,
    workspace: Path | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Cloud:
    """Read the tiles of a plan onto its grid.

    Raises
    ------
    InputError
        If a tile cannot be decoded, is not what it was when the run was planned, holds heights
        that cannot be, or does not fit its neighbour; or if no point lies on the property.
    """
    if workspace is None:
        raise ValueError("points need a workspace")
    facts: dict[str, object] = {}
    warnings: list[str] = []
    parts, tallies = _decode(plan, workspace, progress)
    whole = _whole(plan, parts, tallies)
    names = {token(c): str(t.path) for t, c in zip(plan.tiles, plan.contents, strict=True)}
    judge(seams(_low_sheets(plan.grid, parts, tallies)), "points", names, facts, warnings)
    recode = _recode(whole, facts, warnings)
    segments: dict[int, list[tuple[Path, int, int]]] = {}
    for part, tally in zip(parts, tallies, strict=True):
        assert part.out is not None
        for number, first, count in tally.segments:
            segments.setdefault(number, []).append((part.out, first, count))
    blocks = Blocks.over(plan.grid)
    packed = pack(workspace, blocks, segments, threads(), recode)
    for part in parts:
        assert part.out is not None
        part.out.unlink(missing_ok=True)
    progress(1.0)
    _report(whole, packed, facts, warnings)
    _dates(tallies, parts, facts, warnings)
    points = PointStore(workspace, plan.grid, blocks)
    return _counted(points, facts, warnings)


def threads() -> int:
    """Threads to use, as set for numba."""
    import numba

    return int(numba.get_num_threads())


def _decode(
    plan: PointPlan, workspace: Path, progress: Callable[[float | None], None]
) -> tuple[list[reader.Part], list[reader.Tally]]:
    if plan.ready is not None and all(p.out and p.out.exists() for p, _ in plan.ready):
        log.info("%d runs of points were read before, with other parcels", len(plan.ready))
        return [part for part, _ in plan.ready], [tally for _, tally in plan.ready]
    frame = plan.frame
    parts = [
        part
        for tile, content in zip(plan.tiles, plan.contents, strict=True)
        for part in reader.parts_of(tile, frame, workspace, content)
    ]
    total, done = sum(p.count for p in parts), 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        progress(0.9 * done / total)

    return parts, reader.read_parts(parts, threads(), plan.stall_seconds, advance)


def _whole(plan: PointPlan, parts: list[reader.Part], tallies: list[reader.Tally]) -> reader.Tally:
    """Counts of all tiles; faults of single tiles are raised."""
    by_tile: dict[Path, reader.Tally] = {}
    whole = reader.Tally()
    for part, tally in zip(parts, tallies, strict=True):
        by_tile.setdefault(part.tile.path, reader.Tally()).add(tally)
        whole.add(tally)
    for path, tally in sorted(by_tile.items()):
        check_points(path, tally)
    if whole.kept == 0:
        where = plan.tiles[0].path if len(plan.tiles) == 1 else "points"
        raise InputError(
            where,
            f"none of its {whole.read} points can be used: {whole.outside} lie off the property, "
            f"{whole.withheld} are withheld, {whole.left_out} noise, {whole.overlap} overlap",
            "Check the boundary against the tiles.",
        )
    return whole


def check_points(path: Path, tally: reader.Tally) -> None:
    """Refuse a tile of which more than a few points lie where they cannot.

    Raises
    ------
    InputError
        If more than one in a hundred lies off the bounds or heights that its header states, or at
        a height that no land has.
    """
    if tally.astray > FEW_ODD * tally.read:
        raise InputError(
            path,
            f"{tally.astray} of its points lie off the bounds that its header states",
            "Its scale or offset is damaged, or its header was not brought up to date; export the "
            "tile again.",
        )
    odd = tally.impossible + tally.unstated
    if odd <= FEW_ODD * (odd + tally.kept):
        return
    span = (
        f"from {tally.lowest:.6g} to {tally.highest:.6g} m"
        if tally.lowest <= tally.highest
        else "that are no numbers"
    )
    problem = (
        f"{tally.impossible} of its points have heights that no land has, {LOWEST:.0f} to "
        f"{HIGHEST:.0f} m"
        if tally.impossible >= tally.unstated
        else f"{tally.unstated} of its points lie off the range of heights that its header states"
    )
    raise InputError(
        path,
        f"{problem} (heights {span})",
        "Its scale or offset is damaged, or crs.vertical_unit is wrong; export the tile again.",
    )


def _low_sheets(grid: Grid, parts: list[reader.Part], tallies: list[reader.Tally]) -> list[Sheet]:
    """Lowest heights of each tile in coarse cells: of class 2 if all tiles have it."""
    by_tile: dict[str, list[reader.Tally]] = {}
    for part, tally in zip(parts, tallies, strict=True):
        if len(tally.low_cells):
            assert part.content is not None
            by_tile.setdefault(token(part.content), []).append(tally)
    has_ground = all(
        any(np.isfinite(t.low_ground).any() for t in tallies) for tallies in by_tile.values()
    )
    left, _bottom, right, _top = grid.bounds
    cols = max(1, int(-(-(right - left) // reader.COARSE)))
    sheets = []
    for name, tallies in by_tile.items():
        row, col = np.divmod(np.concatenate([t.low_cells for t in tallies]), cols)
        low = np.concatenate([t.low_ground if has_ground else t.low_last for t in tallies])
        heights = np.full((int(np.ptp(row)) + 1, int(np.ptp(col)) + 1), np.inf)
        np.minimum.at(heights, (row - row.min(), col - col.min()), low)
        heights[~np.isfinite(heights)] = np.nan
        sheets.append(Sheet(name, int(row.min()), int(col.min()), heights))
    return sheets


def _recode(
    whole: reader.Tally, facts: dict[str, object], warnings: list[str]
) -> NDArray[np.uint8] | None:
    """Classes to store: one that holds more than its kind can is treated as vegetation."""
    changed = []
    for code, most in KIND_MOST.items():
        share = whole.kept_classes.get(code, 0) / max(whole.kept, 1)
        if share > most:
            changed.append(code)
            warnings.append(
                f"class {code} holds {share:.0%} of the points, more than its kind in LAS 1.4 "
                f"({_KINDS[code]}) can; it is treated as vegetation"
            )
    if not changed:
        return None
    facts["classes_taken_for_vegetation"] = changed
    recode = np.arange(256, dtype=np.uint8)
    recode[changed] = _VEGETATION
    return recode


def _report(
    whole: reader.Tally, packed: Packed, facts: dict[str, object], warnings: list[str]
) -> None:
    facts.update(
        points_read=whole.read,
        points_kept=packed.kept,
        points_outside=whole.outside,
        points_withheld=whole.withheld,
        points_left_out_by_class=whole.left_out,
        points_overlap=whole.overlap,
        points_duplicate=packed.duplicates,
        points_impossible_height=whole.impossible,
        points_off_stated_heights=whole.unstated,
        ground_points_lone=packed.lone,
        returns_mended=whole.mended_returns,
        classes={str(k): v for k, v in sorted(whole.classes.items())},
    )
    log.info(
        "kept %d of %d points: %d off the property, %d duplicates, %d withheld, %d noise and other "
        "classes left out, %d overlap, %d of impossible height, %d alone in the ground class",
        packed.kept,
        whole.read,
        whole.outside,
        packed.duplicates,
        whole.withheld,
        whole.left_out,
        whole.overlap,
        whole.impossible + whole.unstated,
        packed.lone,
    )
    if whole.mended_returns:
        warnings.append(
            f"{whole.mended_returns} points say less returns than their own number; mended"
        )
    if whole.impossible or whole.unstated:
        warnings.append(
            f"{whole.impossible} points with heights that no land has and {whole.unstated} off the "
            "range that their header states were left out"
        )
    if packed.lone:
        warnings.append(
            f"{packed.lone} returns of the ground class lie metres off all others around them, as "
            "echoes and birds do; they were left out"
        )


def _dates(
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


def _counted(points: PointStore, facts: dict[str, object], warnings: list[str]) -> Cloud:
    """Stored points with what is counted of them: returns by cell, wires, first returns."""
    grid, firsts = points.grid, 0
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
        firsts += int(np.count_nonzero(block.return_number == 1))
        is_wire = np.isin(block.classification, (13, 14))
        wires.append(np.column_stack([block.x, block.y, block.z])[is_wire])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (level / water).astype(np.float32)
    covered = _covered(returns > 0, grid.cell)
    density = firsts / max(float(covered.sum()) * grid.cell**2, 1.0)
    facts["first_returns_per_m2"] = round(density, 3)
    if density < TOO_THIN:
        warnings.append(
            f"{density:.2g} first returns per m2 are too few for trees, columns or clear rates to "
            "mean anything; believe the terrain alone"
        )
    for text in warnings:
        log.warning("%s", text)
    return Cloud(
        points=points,
        tally=Tally(returns, water, mean, covered),
        ground_returns=ground,
        wires=np.concatenate(wires),
        heights_given=_heights_given(points),
        first_returns_per_m2=density,
        facts=facts,
        warnings=tuple(warnings),
    )


def _covered(any_return: Flags, cell: float) -> Flags:
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
