"""Throw at a leg in many worlds at once: what may stand on the land differs, the throws do not.

Where a throw flies does not depend on what it meets, so that its way is worked out once and what
it meets added up for every world. In a world each voxel holds what was found there, or the least
or the most of it and of those across its four sides; contacts of a code are the world's own; each
stem stands or does not, and stems too thin to see stand anywhere under the canopy.
"""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from lanewright.kernels.throws import (
    CHANCES,
    CHUNK,
    ERRORS,
    LAYERS,
    STATE,
    borrowing,
    cut,
    draw,
    lay,
    shifts_of,
)

OPEN, EXPECTED, AS_SEARCHED = range(3)
"""What a world holds where nothing was searched: nothing, what is expected there, or no less than
the mean of what was searched at that height."""


class Worlds(NamedTuple):
    """What differs from world to world, and which voxels need a look in any.

    `grows` (cells,) masks of the layers where growth may be met in some world, `stands` (cells,) a
    bit for each world in which a stem stands; `tables` (worlds, 256) contacts of codes [1/m];
    `walls` (worlds,) -1, 0 or 1, whether voxels hold the least, what was found or the most;
    `unseen` (worlds,) as in `OPEN`; `thin` (worlds,) share of the field's thin stems; `sure`
    contacts [1/m] of a stem that stands, `thin_top` layer up to which thin ones do.
    """

    grows: NDArray[np.uint64]
    stands: NDArray[np.uint16]
    tables: NDArray[np.float32]
    walls: NDArray[np.int64]
    unseen: NDArray[np.int64]
    thin: NDArray[np.float32]
    sure: float
    thin_top: int


@njit(cache=True, nogil=True, parallel=True)
def may_grow(density, table, searched, grows):
    """Write to `grows` (rows, cols) the layers that were not searched, or that hold growth.

    Growth of the cell itself or of one across its four sides.
    """
    rows, cols = grows.shape
    own = np.empty((rows, cols), np.uint64)
    for r in prange(rows):
        for c in range(cols):
            bits = np.uint64(0)
            for layer in range(LAYERS):
                if table[density[r, c, layer]] > 0:
                    bits |= np.uint64(1) << np.uint64(layer)
            own[r, c] = bits
    for r in prange(rows):
        for c in range(cols):
            bits = own[r, c] | np.uint64(~searched[r, c])
            if r > 0:
                bits |= own[r - 1, c]
            if r + 1 < rows:
                bits |= own[r + 1, c]
            if c > 0:
                bits |= own[r, c - 1]
            if c + 1 < cols:
                bits |= own[r, c + 1]
            grows[r, c] = bits


@borrowing
def _across(codes, j, layer, rows, cols):
    """Code of a voxel, and the least and the most of it and of those across its four sides."""
    r, c = j // cols, j % cols
    own = codes[np.uint32(j), layer]
    least = most = own
    for n in range(4):
        if n == 0:
            inside, k = r > 0, j - cols
        elif n == 1:
            inside, k = r + 1 < rows, j + cols
        elif n == 2:
            inside, k = c > 0, j - 1
        else:
            inside, k = c + 1 < cols, j + 1
        if inside:
            code = codes[np.uint32(k), layer]
            least, most = min(least, code), max(most, code)
    return least, own, most


@borrowing
def _add(field, worlds, j, layer, step, grows, sums):
    """Add what a throw meets in a stretch to its sum in every world (worlds,)."""
    cell = field.cells[np.uint32(j)]
    known = (cell.searched >> layer) & np.uint64(1)
    least = own = most = np.uint8(0)
    if grows:
        least, own, most = _across(field.density, j, layer, field.rows, field.cols)
    fear = np.float64(field.prior[layer] * step)
    stands = worlds.stands[np.uint32(j)]
    for w in range(sums.size):
        here = 0.0
        if grows:
            wall = worlds.walls[w]
            code = own if wall == 0 else least if wall < 0 else most
            here = np.float64(worlds.tables[w, code] * step)
        unseen = worlds.unseen[w]
        if unseen == OPEN:
            if known:
                sums[w] += here
            continue
        stem = 0.0
        thin = cell.stems * worlds.thin[w]
        if (stands >> np.uint16(w)) & np.uint16(1):
            if layer < cell.trunk_top:
                stem = np.float64(np.float32(worlds.sure + np.float64(thin)) * step)
        elif layer < np.uint64(worlds.thin_top):
            stem = np.float64(thin * step)
        if unseen == EXPECTED:
            sums[w] += here
            sums[w] += stem
        else:
            sums[w] += (here if known else max(here, fear)) + stem


@borrowing
def _walk(way, count, field, worlds, state, sums):
    """Add up what one throw meets in every world in the first `count` stretches of a chunk."""
    lowest, ceiling = np.float32(field.lowest), np.float32(LAYERS)
    past, down = state.past, state.down
    for s in range(count):
        past = past or way.place[s] > np.float32(1.0)  # beyond the target it is no longer this leg
        j, height, step = way.at[s], way.height[s], way.step[s]
        if past or down or j < 0:
            state.done = True
            break
        if height < lowest:
            down = True  # whatever grows there
        elif height < ceiling:
            layer = np.uint64(np.uint32(height))
            grows = (worlds.grows[np.uint32(j)] >> layer) & np.uint64(1)
            if grows or worlds.stands[np.uint32(j)] or field.cells[np.uint32(j)].stems > 0:
                _add(field, worlds, np.int64(j), layer, step, grows, sums)
        elif np.isnan(height):
            # Unknown ground, so nobody searched above it
            for w in range(sums.size):
                if worlds.unseen[w] == AS_SEARCHED:
                    sums[w] += np.float64(field.worst * step)
    state.past, state.down = past, down


@njit(cache=True, nogil=True, parallel=True)
def throw(legs, paths, field, worlds, points, clear):
    """Throw at each leg once for each row of `points`, as `throws.throw`, in every world.

    Writes `clear` (legs, throws, worlds): chance that the throw touches nothing.
    """
    throws = points.shape[0]
    for k in prange(clear.shape[0]):
        leg = np.int64(k)  # of one type before and after: what is called is compiled once
        chances = np.empty((throws, CHANCES), np.float32)
        states = np.empty(throws, STATE)
        shifts, sums = shifts_of(legs.seed[leg]), clear[leg]
        way = cut(legs, leg, paths, field.cell, np.int64(ERRORS))
        for t in range(throws):
            draw(points, t, shifts, paths, chances[t])
            state = states[t]
            state.row, state.col, state.up = legs.r0[leg], legs.c0[leg], legs.z0[leg]
            state.past = state.down = state.done = False
            sums[t] = 0.0
        for chunk in range(way.base.shape[0]):
            count = min(way.stretches - chunk * CHUNK, CHUNK)
            for t in range(throws):
                state = states[t]
                if not state.done:
                    lay(way, chunk, chances[t], state, legs, leg, field)
                    _walk(way, count, field, worlds, state, sums[t])
        for t in range(throws):
            for w in range(sums.shape[1]):
                sums[t, w] = np.exp(-sums[t, w])
