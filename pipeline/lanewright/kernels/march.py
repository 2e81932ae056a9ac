"""Walk lines through columns: the exhaustive search for throws that fit between the trees.

A line is a tee cell, an end cell and an arc. An arc says, for each of `n` samples, how far along
the chord it is, how far to the left of it, and how high above it; the chord joins the release
height over the tee with the end height over the end. Each sample falls in one cell and one layer
of that cell's column, and is blocked when the layer's bit is set.

What makes it fast: positions of a chunk of samples are worked out first, in plain float32 that
the compiler turns into vector code, then looked up one by one in integers; cells lie in memory in
tiles of 4 x 4 and the ends of one tee are visited in the order of their bearing, so that a line
finds most of its cells in the cache; and a line is given up at the sample that takes it over the
limit.
"""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks. Public functions are typed in full.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numba
import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

LAYER = 0.25  # height of a layer [m]
LAYERS = 64  # bits of a column
UNITS = 256  # heights are integers in 1/256 of a layer, about a millimetre
_SHIFT = 8
_VOID = 1 << 30  # ground of a cell nobody may fly over: no height reaches it
_BARRED = 1 << 16  # blocked samples that one sample over such a cell counts for
_TILE = 4  # side of a tile of cells; `_place` has its shifts
_CHUNK = 32  # samples worked out before the first look; doubles afterwards
_BEARINGS = 512  # classes of bearing that put the ends of a tee in order
NO_LIMIT = (1 << 31) - 1


N = TypeVar("N", bound=np.generic)


class Space(NamedTuple):
    """Columns and ground as the search reads them, with a barred ring one cell wide around.

    Attributes
    ----------
    blocked, searched
        Column masks, uint64, flat: tile by tile, and by rows in a tile.
    ground
        Ground height over `base` in 1/256 layers, int32, in the same order; 2**30 where a line
        may not pass.
    rows, cols
        Shape with the ring, in cells.
    base
        Height of zero in `ground` [m].
    cell
        Side of a cell [m].
    """

    blocked: NDArray[np.uint64]
    searched: NDArray[np.uint64]
    ground: NDArray[np.int32]
    rows: int
    cols: int
    base: float
    cell: float

    def height(self, z: NDArray[np.floating]) -> NDArray[np.float32]:
        """Height above sea level [m] in the units of the search."""
        scaled = (np.asarray(z, np.float64) - self.base) * (UNITS / LAYER)
        return np.rint(scaled).astype(np.float32)


class ArcTable(NamedTuple):
    """Arcs sampled for the search, one row per distance bin, class of grade and arc.

    Attributes
    ----------
    along, left, rise
        float32 (bins, grades, arcs, samples): share of the chord covered; offset to its left as a
        share of its length; height over it in 1/256 layers. Only the first ``samples[bin]`` of a
        row are used.
    samples
        int32 (bins,).
    limit
        int32 (bins,): a line with more blocked samples is given up.
    exists
        bool (bins, grades, arcs): rows that hold an arc; others are not tried.
    between
        float64 (grades - 1,): slopes of the chord, rise over length, that part the classes of
        grade; one right on it belongs to the lower class.
    start, step
        Bin ``b`` holds chords from ``start + b * step`` [m] on.
    """

    along: NDArray[np.float32]
    left: NDArray[np.float32]
    rise: NDArray[np.float32]
    samples: NDArray[np.int32]
    limit: NDArray[np.int32]
    exists: NDArray[np.bool_]
    between: NDArray[np.float64]
    start: float
    step: float


class Spots(NamedTuple):
    """Ends of lines: cells of the grid without its ring, and heights there.

    Attributes
    ----------
    row, col
        int32 (n,).
    z
        Height of the throw over the spot in the search's units, float32 (n,).
    """

    row: NDArray[np.int32]
    col: NDArray[np.int32]
    z: NDArray[np.float32]


class Found(NamedTuple):
    """Best line of each slot of each tee; -1 in `end` marks an empty slot.

    Attributes
    ----------
    end, arc, blocked, unknown, first
        int32 (tees, slots): index of the end and the arc, samples blocked, samples never searched,
        and the first blocked sample (-1 for a line without one).
    lines
        int64 (tees,): lines tried.
    """

    end: NDArray[np.int32]
    arc: NDArray[np.int32]
    blocked: NDArray[np.int32]
    unknown: NDArray[np.int32]
    first: NDArray[np.int32]
    lines: NDArray[np.int64]


class Reach(NamedTuple):
    """Ends that a tee tries.

    `low` and `high` (tees,) part the ends by row; `nearest` and `farthest` are the bounds of the
    squared distance in cells, both included.
    """

    low: NDArray[np.int64]
    high: NDArray[np.int64]
    nearest: int
    farthest: int


class Slots(NamedTuple):
    """What lines are tried, and what parts those of a tee.

    Attributes
    ----------
    shortest, longest
        Bounds of the horizontal length of a line [m], both included.
    group
        Group of each arc, from 0 on (arcs,).
    sectors, band
        Number of sectors of bearings, and width of a band of lengths [m].
    """

    shortest: float
    longest: float
    group: NDArray[np.int64]
    sectors: int = 24
    band: float = 20.0


class Line(NamedTuple):
    """One line: its start in cells of the ring and units of height, and what leads to its end."""

    row: np.float32
    col: np.float32
    z: np.float32
    rows: np.float32
    cols: np.float32
    rise: np.float32


class Arcs(NamedTuple):
    """The arrays of an `ArcTable`, flat, one arc after another."""

    along: NDArray[np.float32]
    left: NDArray[np.float32]
    rise: NDArray[np.float32]


class Steps(NamedTuple):
    """Room for the samples of a line: number of their cells, and heights (samples,)."""

    cells: NDArray[np.uint32]
    heights: NDArray[np.int32]


def make_space(
    blocked: NDArray[np.uint64],
    searched: NDArray[np.uint64],
    ground: NDArray[np.floating],
    barred: NDArray[np.bool_],
    cell: float,
) -> Space:
    """Put columns and ground in the form the search reads.

    Parameters
    ----------
    blocked, searched
        Column masks (rows, cols); bit k stands for k to k + 1 layers above the ground.
    ground
        Ground height [m] (rows, cols); NaN where unknown, which bars the cell.
    barred
        Cells that no line may pass over, at whatever height (rows, cols).
    cell
        Side of a cell [m].

    Raises
    ------
    ValueError
        If the arrays differ in shape.
    """
    if not blocked.shape == searched.shape == ground.shape == barred.shape:
        raise ValueError("columns, ground and barred cells differ in shape")
    finite = np.isfinite(ground)
    base = float(np.floor(ground[finite].min())) if finite.any() else 0.0
    rows, cols = blocked.shape
    height = np.full(blocked.shape, _VOID, np.int32)
    passable = finite & ~barred
    scaled = np.rint((ground[passable].astype(np.float64) - base) * (UNITS / LAYER))
    height[passable] = scaled.astype(np.int32)
    return Space(
        _tiled(blocked, 0),
        _tiled(searched, 0),
        _tiled(height, _VOID),
        rows + 2,
        cols + 2,
        base,
        cell,
    )


def _tiled(raster: NDArray[N], outside: int) -> NDArray[N]:
    """Raster with a ring of `outside` around it, tile by tile (flat)."""
    rows, cols = (-(-(n + 2) // _TILE) for n in raster.shape)
    whole = np.full((rows * _TILE, cols * _TILE), outside, raster.dtype)
    whole[1 : raster.shape[0] + 1, 1 : raster.shape[1] + 1] = raster
    return whole.reshape(rows, _TILE, cols, _TILE).swapaxes(1, 2).ravel()


def grow(masks: NDArray[np.uint64], radius: float) -> NDArray[np.uint64]:
    """Spread set bits to every cell whose centre lies within `radius` cells.

    Parameters
    ----------
    masks
        Column masks (rows, cols).
    radius
        In cells; below 1 nothing changes.
    """
    reach = int(radius)
    rows, cols = masks.shape
    grown = masks.copy()
    for i in range(-reach, reach + 1):
        for j in range(-reach, reach + 1):
            if i * i + j * j > radius * radius or (i == 0 and j == 0):
                continue
            to = grown[max(i, 0) : rows + min(i, 0), max(j, 0) : cols + min(j, 0)]
            to |= masks[max(-i, 0) : rows + min(-i, 0), max(-j, 0) : cols + min(-j, 0)]
    return grown


@njit(cache=True, nogil=True, inline="always")
def _place(row, col, tiles):
    """Where cell (row, col) lies in a tiled raster `tiles` tiles wide."""
    tile = np.uint32((row >> np.uint32(2)) * tiles + (col >> np.uint32(2)))
    inside = np.uint32(((row & np.uint32(3)) << np.uint32(2)) | (col & np.uint32(3)))
    return np.uint32((tile << np.uint32(4)) | inside)


@njit(cache=True, nogil=True, inline="always")
def count_blocked(line, arcs, first, n, space, limit, steps):
    """Blocked samples of one line, at most one sample past `limit`.

    The arc is that of the `n` samples from `first` on; where they are is left in `steps`.
    """
    r0, c0, z0, dr, dc, dz = line
    along, left, rise = arcs
    blocked, ground = space.blocked, space.ground
    rows, cols = np.uint32(space.rows), np.uint32(space.cols)
    cells, heights = steps
    # All unsigned: a signed index would be checked for wrapping at each look. Positions count in
    # the machine's own width, so that the compiler sees them run on and makes vectors of them.
    count = np.uint32(0)
    last_row = np.int32(rows - np.uint32(1))
    last_col = np.int32(cols - np.uint32(1))
    tiles = np.uint32((cols + np.uint32(_TILE - 1)) >> np.uint32(2))
    end = np.uintp(n)
    start = np.uintp(0)
    # Where nothing can be given up, there is nothing to stop for.
    chunk = np.uintp(_CHUNK) if limit < n else end
    while start < end:
        stop = np.uintp(min(np.uintp(start + chunk), end))
        for i in range(start, stop):
            k = np.uintp(first + i)
            r = r0 + dr * along[k] - dc * left[k]
            c = c0 + dc * along[k] + dr * left[k]
            # Outside the grid is the barred ring; its row 0 also takes what truncation rounds up.
            row = np.uint32(min(max(np.int32(r), np.int32(0)), last_row))
            col = np.uint32(min(max(np.int32(c), np.int32(0)), last_col))
            cells[i] = _place(row, col, tiles)
            heights[i] = np.int32(z0 + dz * along[k] + rise[k])
        if limit >= n:
            lowest = np.int32(0)
            for i in range(start, stop):
                j = cells[i]
                layer = np.int32(np.int32(heights[i] - ground[j]) >> np.int32(_SHIFT))
                place = np.uint32(layer)
                bit = np.uint32((blocked[j] >> np.uint64(place & np.uint32(63))) & np.uint64(1))
                held = np.uint32(bit & np.uint32(place < np.uint32(LAYERS)))
                count = np.uint32(count + np.uint32(held | (place >> np.uint32(31))))
                lowest = min(lowest, layer)
            if lowest > np.int32(-_BARRED):
                return count
            count = np.uint32(0)  # over a barred cell: count with its weight
        for i in range(start, stop):
            j = cells[i]
            layer = np.int32(np.int32(heights[i] - ground[j]) >> np.int32(_SHIFT))
            if np.uint32(layer) < np.uint32(LAYERS):
                bit = (blocked[j] >> np.uint64(np.uint32(layer) & np.uint32(63))) & np.uint64(1)
                count = np.uint32(count + np.uint32(bit))
                if count > limit:
                    return count
            elif layer < 0:
                # Into the ground, or over a barred cell, whose ground no height reaches.
                more = np.uint32(1) if layer > np.int32(-_BARRED) else np.uint32(_BARRED)
                count = np.uint32(count + more)
                if count > limit:
                    return count
        start = stop
        chunk = np.uintp(chunk + chunk)
    return count


@njit(cache=True, nogil=True)
def _look_again(steps, n, space, most):
    """First blocked sample (-1: none) and samples never searched of a line walked to its end.

    Gives up at the first sample that makes those more than `most`.
    """
    cells, heights = steps
    blocked, searched, ground = space.blocked, space.searched, space.ground
    first = np.int32(-1)
    unknown = np.int32(0)
    for i in range(np.uint32(n)):
        j = cells[i]
        k = np.int32(np.int32(heights[i] - ground[j]) >> np.int32(_SHIFT))
        if np.uint32(k) < np.uint32(LAYERS):
            bit = np.uint64(1) << np.uint64(np.uint32(k))
            if first < 0 and blocked[j] & bit:
                first = np.int32(i)
            if not searched[j] & bit:
                unknown = np.int32(unknown + 1)
                if unknown > most:
                    break
        elif k < 0 and first < 0:
            first = np.int32(i)
    return first, unknown


@njit(cache=True, nogil=True)
def _bearing(dr, dc, classes):
    """Class of the direction (dr, dc), counted clockwise from north."""
    turn = np.arctan2(np.float64(dc), np.float64(-dr)) / (2.0 * np.pi)
    if turn < 0:
        turn += 1.0
    # The nudge keeps directions right on an edge in the class above it on every machine.
    return min(np.int64(turn * classes + 1e-9), classes - 1)


@njit(cache=True, nogil=True)
def _in_order_of_bearing(dr, dc, n, counts, order):
    """Counting sort of the first `n` directions; equal bearings keep their order."""
    counts[:] = 0
    for p in range(n):
        counts[_bearing(dr[p], dc[p], np.int64(_BEARINGS)) + 1] += 1
    for b in range(_BEARINGS):
        counts[b + 1] += counts[b]
    for p in range(n):
        b = _bearing(dr[p], dc[p], np.int64(_BEARINGS))
        order[counts[b]] = p
        counts[b] += 1


@njit(cache=True, nogil=True, parallel=True)
def _search(space, tees, ends, table, reach, slots, found):
    """Write `found` of `search`."""
    bins, grades, arcs, width = table.along.shape
    per_metre = UNITS / LAYER
    flat = Arcs(table.along.ravel(), table.left.ravel(), table.rise.ravel())
    t_row, t_col, e_row, e_col = tees.row, tees.col, ends.row, ends.col
    low, high, nearest, farthest = reach
    band_start, _, group, sectors, band = slots
    groups = group.max() + 1
    bands = found.end.shape[1] // (sectors * groups)
    exists, between, samples, limits = table.exists, table.between, table.samples, table.limit
    out_end, out_arc, out_blocked = found.end, found.arc, found.blocked
    out_unknown, out_first, out_lines = found.unknown, found.first, found.lines
    for t in prange(t_row.size):
        steps = Steps(np.empty(width, np.uint32), np.empty(width, np.int32))
        counts = np.empty(_BEARINGS + 1, np.int64)
        span = high[t] - low[t]
        near = np.empty(span, np.int32)
        order = np.empty(span, np.int32)
        dr_near = np.empty(span, np.int32)
        dc_near = np.empty(span, np.int32)
        n = np.int64(0)
        for e in range(low[t], high[t]):
            down = np.int64(e_row[e]) - np.int64(t_row[t])
            across = np.int64(e_col[e]) - np.int64(t_col[t])
            if nearest <= down * down + across * across <= farthest:
                near[n] = e
                dr_near[n] = down
                dc_near[n] = across
                n += 1
        _in_order_of_bearing(dr_near, dc_near, n, counts, order)
        r0 = np.float32(t_row[t] + 1.5)
        c0 = np.float32(t_col[t] + 1.5)
        z0 = tees.z[t]
        lines = 0
        for p in range(n):
            e = near[order[p]]
            dr = np.float32(dr_near[order[p]])
            dc = np.float32(dc_near[order[p]])
            dz = np.float32(ends.z[e] - z0)
            length = np.sqrt(np.float64(dr) * np.float64(dr) + np.float64(dc) * np.float64(dc))
            length *= space.cell
            slope = np.float64(dz) / (per_metre * length)
            grade = 0
            while grade < between.size and slope > between[grade]:
                grade += 1
            b = min(max(np.int64((length - table.start) / table.step), 0), bins - 1)
            sector = _bearing(dr_near[order[p]], dc_near[order[p]], sectors)
            strip = min(max(np.int64((length - band_start) / band), 0), bands - 1)
            place = (sector * bands + strip) * groups
            for a in range(arcs):
                if not exists[b, grade, a]:
                    continue
                lines += 1
                slot = place + group[a]
                # A line must better what the slot holds, or it is not worth finishing.
                limit = limits[b]
                taken = out_end[t, slot] >= 0
                if taken:
                    if out_blocked[t, slot] == 0 and out_unknown[t, slot] == 0:
                        continue
                    limit = min(limit, out_blocked[t, slot])
                begin = np.uintp(((b * grades + grade) * arcs + a) * width)
                line, n_ = Line(r0, c0, z0, dr, dc, dz), np.uintp(samples[b])
                count = count_blocked(line, flat, begin, n_, space, np.uint32(limit), steps)
                if count > limit:
                    continue
                most = np.int32(NO_LIMIT)
                if taken and count == out_blocked[t, slot]:
                    most = np.int32(out_unknown[t, slot] - 1)
                first, unknown = _look_again(steps, samples[b], space, most)
                if unknown <= most:
                    out_end[t, slot] = e
                    out_arc[t, slot] = a
                    out_blocked[t, slot] = count
                    out_unknown[t, slot] = unknown
                    out_first[t, slot] = first
        out_lines[t] = lines


def search(
    space: Space,
    tees: Spots,
    ends: Spots,
    table: ArcTable,
    slots: Slots,
) -> Found:
    """Try every tee with every end in reach and every arc; keep the best line of each slot.

    A slot of a tee is a sector of bearings, a band of lengths and a group of arcs (all arcs with
    the same finish, for one), so that one open direction does not take every place. Best is fewest
    blocked samples, then fewest never searched; of equals the first in order of bearing (clockwise
    from north, in 512 classes), of end and of arc. So a slot with a line that is all clear and all
    seen is settled, and open land costs little.

    Parameters
    ----------
    space
        Columns and ground.
    tees
        Where lines start; `z` is the release height.
    ends
        Where lines end, sorted by row.
    table
        Sampled arcs. Lines shorter or longer than its bins use the first or last one.
    slots
        What lines are tried, and what parts those of a tee.

    Returns
    -------
    Found
        The slots of a tee are ordered by sector, band and group.

    Raises
    ------
    ValueError
        If the ends are not sorted by row.
    """
    if np.any(np.diff(ends.row) < 0):
        raise ValueError("the ends of a search must be sorted by row")
    rows = int(np.ceil(slots.longest / space.cell))
    # Squared cell distances are whole numbers: the bounds cut the same lines on any machine.
    reach = Reach(
        np.searchsorted(ends.row, tees.row - rows, "left"),
        np.searchsorted(ends.row, tees.row + rows, "right"),
        int(np.ceil((slots.shortest / space.cell) ** 2 - 1e-6)),
        int(np.floor((slots.longest / space.cell) ** 2 + 1e-6)),
    )
    bands = max(1, int(np.ceil((slots.longest - slots.shortest) / slots.band)))
    shape = (tees.row.size, slots.sectors * bands * (int(slots.group.max()) + 1))
    end, arc, blocked, unknown, first = (np.full(shape, -1, np.int32) for _ in range(5))
    found = Found(end, arc, blocked, unknown, first, np.zeros(shape[0], np.int64))
    _search(space, tees, ends, table, reach, slots, found)
    return found


def threads() -> int:
    """Most threads there are to use."""
    return int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
