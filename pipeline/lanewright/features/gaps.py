"""Gaps: short narrow ways between two roomy places."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy import ndimage as ndi
from skimage.segmentation import watershed

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.grid import Grid
from lanewright.base.units import both
from lanewright.features.found import Found, full, gap_for
from lanewright.scene import FLIGHT, Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level

FINE = 1.0  # m; side of the cells in which gaps are sought
WALL = 8  # cells beside a gap that are looked at for a wall
NARROW = 2.0  # m of free width that count as shut
WALLED = 0.6  # share of them that must be shut or not known; ours
FROM = 25.0  # m before a gap from which it is thrown at


def gaps(scene: Scene, levels: Sequence[Level], settings: FeaturesSettings) -> Iterator[Found]:
    """Places where two roomy parts of the land meet through a narrow, short way.

    Roomy parts flood down the free width until they meet; where two floods meet at their widest
    lies the gap between them, and its width there is that of the widest circle that passes.
    """
    factor = max(1, round(FINE / scene.grid.cell))
    grid = scene.grid.coarser(factor)
    width, known = _free(scene, factor)
    rooms, count = ndi.label(width >= settings.gap_room, structure=np.ones((3, 3)))
    if count < 2:
        return
    flood = watershed(-width, rooms, mask=width >= settings.gap_from)  # type: ignore[no-untyped-call]
    roomy = np.append(0.0, ndi.maximum(width, rooms, np.arange(1, count + 1)))
    for row, col, one, other in _saddles(flood, width):
        across = float(width[row, col])
        if not settings.gap_from <= across <= settings.gap_to:
            continue
        if across * settings.gap_ratio > min(roomy[one], roomy[other]):
            continue
        ends = [_nearest(rooms == room, row, col) for room in (one, other)]
        depths = [float(np.hypot(r - row, c - col)) * grid.cell for r, c in ends]
        if max(depths) > settings.gap_depth:
            continue
        beside = _beside((row, col), ends, across / grid.cell, width.shape)
        if (width[beside] < NARROW).mean(1).min() < WALLED:
            continue
        wall = float(known[beside].mean(1).min())
        found = _gap(scene, grid, (row, col), ends, across, levels, settings)
        if found is not None:
            yield found if wall == 1 else _doubted(found, wall)


def _doubted(gap: Found, known: float) -> Found:
    """A gap of whose wall lidar searched only a share."""
    return replace(
        gap,
        certainty=gap.certainty * known,
        reason=f"{gap.reason[:-1]}; {1 - known:.0%} of the wall beside it was not seen by lidar, "
        "and may be open.",
    )


def _free(scene: Scene, factor: int) -> tuple[Floats, Flags]:
    """Free width [m] in cells of about 1 m, 0 where it is not known, and where it is."""
    width = scene.free_width
    rows, cols = (-(-n // factor) * factor for n in width.shape)
    whole = np.full((rows, cols), np.nan, np.float32)
    whole[: width.shape[0], : width.shape[1]] = width
    parts = whole.reshape(rows // factor, factor, cols // factor, factor)
    known = np.isfinite(parts).any((1, 3))
    return np.nan_to_num(parts).max((1, 3)).astype(np.float64), np.asarray(known)


def _saddles(flood: np.ndarray, width: Floats) -> list[tuple[int, int, int, int]]:
    """Widest cell on the border of each two floods: row, column and both their numbers."""
    best: dict[tuple[int, int], tuple[float, int, int]] = {}
    for step in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here, there, offset = _shifted(flood, step)
        meet = np.argwhere((here != there) & (here > 0) & (there > 0))
        for r, c in meet:
            pair = (int(min(here[r, c], there[r, c])), int(max(here[r, c], there[r, c])))
            at = (int(r), int(c + offset))
            value = float(min(width[at], width[at[0] + step[0], at[1] + step[1]]))
            if pair not in best or (value, *at) > best[pair]:
                best[pair] = (value, *at)
    return [(r, c, *pair) for pair, (_, r, c) in sorted(best.items())]


def _shifted(flood: np.ndarray, step: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, int]:
    """Two views of a raster, one a step aside, and how many columns the first starts late."""
    down, right = step
    here = flood[: flood.shape[0] - down]
    there = flood[down:]
    if right >= 0:
        return here[:, : flood.shape[1] - right], there[:, right:], 0
    return here[:, -right:], there[:, :right], -right


def _nearest(room: Flags, row: int, col: int) -> tuple[int, int]:
    cells = np.argwhere(room)
    k = int(np.hypot(*(cells - (row, col)).T).argmin())
    return int(cells[k, 0]), int(cells[k, 1])


def _beside(
    at: tuple[int, int], ends: list[tuple[int, int]], across: float, shape: tuple[int, ...]
) -> tuple[Ints, Ints]:
    """Rows and columns of the cells left and right of a gap, each (2, WALL); lengths in cells.

    Between two lone trees one throws as well around them: a gap is a way through a wall.
    """
    way = np.subtract(ends[1], ends[0]).astype(np.float64)
    aside = np.array([-way[1], way[0]]) / max(float(np.hypot(*way)), 1e-9)
    reach = across / 2 + np.arange(1.0, WALL + 1.0)
    sides = np.array([-1.0, 1.0])[:, None, None]
    cells = np.rint(np.array(at) + sides * reach[:, None] * aside).astype(np.int64)
    cells = np.clip(cells, 0, np.array(shape) - 1)
    return cells[..., 0], cells[..., 1]


def _gap(
    scene: Scene,
    grid: Grid,
    at: tuple[int, int],
    ends: list[tuple[int, int]],
    across: float,
    levels: Sequence[Level],
    settings: FeaturesSettings,
) -> Found | None:
    """The gap as a line through it, from room to room; None outside the property or in water."""
    rows, cols = np.array([ends[0], at, ends[1]]).T
    x, y = grid.xy(rows, cols)
    line = shapely.LineString(np.column_stack([x, y]))
    middle = shapely.Point(x[1], y[1])
    if not scene.land.contains(middle) or scene.off_limits.intersects(line):
        return None
    if scene.water[scene.grid.rowcol(x, y)].any():
        return None
    fine = scene.grid.rowcol(x[1:2], y[1:2])
    window = scene.searched[
        max(0, int(fine[0][0]) - 6) : int(fine[0][0]) + 7,
        max(0, int(fine[1][0]) - 6) : int(fine[1][0]) + 7,
    ]
    seen = float(np.bitwise_count(window & FLIGHT).mean() / int(FLIGHT).bit_count())
    can = [level for level in levels if gap_for(level, FROM) <= across]
    need = min(gap_for(level, FROM) for level in levels)
    easy = 1.2 * max(gap_for(level, FROM) for level in levels)
    who = (
        f"two thirds of throws of {', '.join(v.name for v in can)} pass it from {both(FROM)}"
        if can
        else f"from {both(FROM)} two thirds of throws need {both(need, 1)}"
    )
    return Found(
        kind="gap",
        line=line,
        # Best where it asks a question that most throws still answer.
        worth=1.0 - 0.6 * full(abs(across - easy), easy),
        certainty=seen,
        figure=both(across, 1),
        reason=f"A way {both(across, 1)} wide between two rooms of {both(settings.gap_room)} and "
        f"more: {who}.",
        levels=[level.name for level in can],
        figures={"width_m": across, "pinch_width_m": across, "seen_share": seen},
    )
