"""Lines of lanes: down the middle of free space or along its edges, joined and kept off walls.

All in rows and columns; `lanes` measures them and gives them coordinates.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi
from skimage.measure import find_contours

from lanewright.base.grid import Grid
from lanewright.growth.centrelines import (
    Path,
    centre_lines,
    cut_at_bends,
    length_of,
    resampled,
    smoothed,
)
from lanewright.growth.freewidth import Room, width_between
from lanewright.growth.joining import chains, follows
from lanewright.settings.lanes import LanesSettings

STEP = 1.0  # m between points of a lane
CHORD = 10  # points over which a lane's heading is taken: a wiggle between bushes is no bend
HEADING = 10.0  # m over which a branch's direction at a junction is taken: past its ragged mouth
ALONG = 10.0  # m of a stretch over which the way it points at its end is taken
STRAIGHT = 30.0  # degrees that a lane may turn from one stretch to the next


def lane_lines(
    grid: Grid,
    room: Room,
    nearest: NDArray[np.int32],
    wide: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    settings: LanesSettings,
) -> list[Path]:
    """Lane lines in rows and columns, a point per metre, cut at bends and long enough.

    Between walls they run down the middle; on ground too wide for that, along its edge.
    """
    shortest = min(settings.min_piece, settings.min_length) / grid.cell
    space = _without_corners(room.width >= settings.min_pinch, room.wall)
    keep = inside & (room.width <= settings.open_width)
    cells_wide = room.width / np.float32(grid.cell)
    ahead = max(1, round(HEADING / grid.cell))
    middle = centre_lines(space, keep, cells_wide, settings.max_bend, shortest, ahead)
    beside = _beside_edges(grid, room, wide & inside, settings)
    stretches = _stretches(middle, room, grid.cell, settings)
    parts = _joined(stretches, room, grid.cell, settings)
    parts += _stretches(beside, room, grid.cell, settings)
    sigma = settings.smoothing / STEP
    lines = [_smooth_and_free(part, room, nearest, sigma, settings.min_pinch / 2) for part in parts]
    return [line for line in lines if length_of(line) >= shortest]


def _stretches(paths: list[Path], room: Room, cell: float, settings: LanesSettings) -> list[Path]:
    """Parts of lines between narrows and bends, a point per metre."""
    shortest = min(settings.min_piece, settings.min_length) / cell
    out = []
    for path in paths:
        if length_of(path) < shortest:
            continue
        whole = resampled(path, STEP / cell)
        for stretch in _between_narrows(whole, room.width, settings):
            if length_of(whole[stretch]) >= shortest:
                points = _without_tips(whole[stretch], room.width)
                out += _between_bends(points, shortest, settings)
    return out


def _between_bends(points: Path, shortest: float, settings: LanesSettings) -> list[Path]:
    line = smoothed(points, settings.smoothing / STEP)
    parts = [points[part] for part in cut_at_bends(line, settings.max_bend, CHORD)]
    return [part for part in parts if length_of(part) >= shortest]


def _joined(stretches: list[Path], room: Room, cell: float, settings: LanesSettings) -> list[Path]:
    """Stretches that run on into each other over free ground made one, and cut at bends again.

    A side way of a lane, or its ragged edge, draws the middle aside and parts what one throw sees.
    """
    shape = room.width.shape
    half = [room.width[cells_of(part[[0, -1]], shape)] / (2 * cell) for part in stretches]
    circle = np.concatenate(half) if half else np.zeros(0)
    ends = np.concatenate([part[[0, -1]] for part in stretches]) if half else np.zeros((0, 2))

    def wanted(a: int, b: int, gap: float, turns: list[float]) -> float | None:
        # Within one free circle it does not matter how the step lies.
        turn = turns[0] if gap <= max(circle[a], circle[b]) else max(turns)
        between = resampled(ends[[a, b]], 0.25)
        if turn > STRAIGHT or room.width[cells_of(between, shape)].min() < settings.min_pinch:
            return None
        return gap * cell + 5.0 * turn / STRAIGHT

    out = []
    found = follows(stretches, settings.min_piece / cell, ALONG / cell, wanted)
    for chain in chains(len(stretches), found):
        parts = [stretches[k][::-1] if back else stretches[k] for k, back in chain]
        if len(parts) == 1:
            out += parts
            continue
        whole = resampled(np.concatenate(parts), STEP / cell)
        out += _between_bends(whole, 0.0, settings)
    return out


def _without_corners(space: NDArray[np.bool_], wall: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Free space that no longer touches across a corner where two walls meet: nothing passes there.

    Centre lines step diagonally, from cell to cell. Arrays (rows, cols).
    """
    apart = space.copy()
    above, below = slice(None, -1), slice(1, None)
    for left, right in ((above, below), (below, above)):
        met = wall[above, right] & wall[below, left]
        met &= space[above, left] & space[below, right]
        apart[below, right] &= ~met
    return apart


def _between_narrows(
    points: Path, width: NDArray[np.float32], settings: LanesSettings
) -> list[slice]:
    """Parts of a line that are wide enough, over pinch points but not over narrow stretches."""
    wide = np.flatnonzero(width[cells_of(points, width.shape)] >= settings.min_width)
    if len(wide) == 0:
        return []
    far = np.flatnonzero(np.diff(wide) > settings.max_pinch_length / STEP)
    first, last = wide[np.append(0, far + 1)], wide[np.append(far, -1)]
    return [slice(a, b + 1) for a, b in zip(first, last, strict=True)]


def _without_tips(points: Path, width: NDArray[np.float32]) -> Path:
    """Cut off ends that run on into a corner of a dead end, where the width falls to nothing."""
    widths = width[cells_of(points, width.shape)]
    usual = float(np.median(widths))
    # As far as from the middle of a square end to its corner.
    reach = min(len(points) // 2 - 1, math.ceil(usual / math.sqrt(2) / STEP))
    narrow = widths < 0.75 * usual
    first = 0
    while first < reach and narrow[first]:
        first += 1
    last = len(points)
    while last > len(points) - reach and narrow[last - 1]:
        last -= 1
    return points[first:last]


def _beside_edges(
    grid: Grid, room: Room, wide: NDArray[np.bool_], settings: LanesSettings
) -> list[Path]:
    """Lines at a fixed distance from the walls of wide ground."""
    if not wide.any():
        return []
    # A lone tree has no edge to play along: only walls as large as the smallest opening count.
    labels, _ = ndi.label(room.wall, structure=np.ones((3, 3)))
    large = np.bincount(labels.ravel()) * grid.cell**2 >= settings.min_opening
    large[0] = False
    width = width_between(large[labels], grid.cell)
    level = 2 * settings.edge_offset
    return list(find_contours(width, level, mask=wide))  # type: ignore[no-untyped-call]


def _smooth_and_free(
    points: Path, room: Room, nearest: NDArray[np.int32], sigma: float, least: float
) -> Path:
    """Smooth a line as far as it stays off the walls and in the middle of its pinch points."""
    for softness in (sigma, sigma / 2, sigma / 4):
        line = smoothed(points, softness)
        free = room.width[cells_of(resampled(line, 0.25), room.wall.shape)].min() >= least
        if free and (width_at(line, nearest) > 0).all():
            return line
    # Where it grazes a wall even so, the middle of its free cell is as far off as is known.
    grazes = width_at(points, nearest) == 0
    return np.where(grazes[:, None], np.rint(points), points)


def cells_of(points: Path, shape: tuple[int, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells that hold the points; what falls outside takes the nearest cell."""
    row = np.clip(np.rint(points[..., 0]).astype(np.int64), 0, shape[0] - 1)
    col = np.clip(np.rint(points[..., 1]).astype(np.int64), 0, shape[1] - 1)
    return row, col


def nearest_wall(wall: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Row and column of the wall nearest to each cell, with one wall all round the raster."""
    nearest: NDArray[np.int32] = ndi.distance_transform_edt(
        ~np.pad(wall, 1, constant_values=True), return_distances=False, return_indices=True
    )
    return nearest


def width_at(points: Path, nearest: NDArray[np.int32]) -> NDArray[np.float64]:
    """Diameter of the widest free circle around points between cell centres [cells].

    The raster of widths, which knows circles around cell centres only, is a cell low in the middle
    of a corridor of an even number of cells. Here the circle stands on the line and ends at the
    face of the nearest wall, among those that are nearest to one of the four cells around the
    point.

    Parameters
    ----------
    points : (n, 2)
        Row and column.
    nearest : (2, rows + 2, cols + 2)
        Row and column of the wall nearest to each cell, on the raster padded by one wall all round.
    """
    padded = points + 1
    half = np.full(len(points), np.inf)
    for offset in ((0, 0), (0, 1), (1, 0), (1, 1)):
        row, col = cells_of(np.floor(padded) + offset, nearest.shape[1:])
        gap = np.abs(nearest[:, row, col].T - padded) - 0.5
        half = np.minimum(half, np.hypot(*np.maximum(gap, 0).T))
    return 2 * half
