"""Who owns which cell, how high brush stands, and which pieces pay best."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit, prange

LAYERS = 64
LIMIT = 1.3
"""Crown radii within which growth is taken for a tree's; ours: crowns are not round."""


@njit(cache=True, nogil=True, parallel=True)
def brush_tops(density, thick, first_at_most, gap, out):
    """Layers up to which growth stands on the ground without a gap (rows, cols).

    `thick` (256,) says which density codes count as growth; it must begin no higher than layer
    `first_at_most`, and more than `gap` layers without it end it.
    """
    rows, cols, _ = density.shape
    for r in prange(rows):
        for c in range(cols):
            top = 0
            for k in range(LAYERS):
                if thick[density[r, c, k]]:
                    top = k + 1
                elif top == 0:
                    if k >= first_at_most:
                        break
                elif k - top >= gap:
                    break
            out[r, c] = top


@njit(cache=True, nogil=True)
def owners(row, col, reach, out, share):
    """Tree in whose crown each cell lies, -1 elsewhere: the one fewest of its radii away.

    `row`, `col` (trees,) are places in cells, centres at .5; `reach` the crown radius in cells.
    `share` (rows, cols) float32 must start at infinity; ties go to the first tree.
    """
    rows, cols = out.shape
    for t in range(row.size):
        wide = reach[t] * LIMIT
        for r in range(max(0, int(row[t] - wide)), min(rows, int(row[t] + wide) + 1)):
            for c in range(max(0, int(col[t] - wide)), min(cols, int(col[t] + wide) + 1)):
                away = np.float32(np.hypot(r + 0.5 - row[t], c + 0.5 - col[t]) / reach[t])
                if away <= LIMIT and away < share[r, c]:
                    share[r, c] = away
                    out[r, c] = t


@njit(cache=True, nogil=True)
def by_worth(depth, need, cost, within, left, gone, order):
    """Pieces by throws cleared, and brought nearer, for their cost; see `leastwork.by_worth`.

    `depth` (throws, pieces) and `need` of throws that are not clear; `left` says which pieces to
    put in order and `gone` (throws,) what is gone already; both are used up. Writes to `order` and
    gives how many.
    """
    throws, pieces = depth.shape
    less = np.zeros(depth.shape)  # what parts of a whole are gone already
    count = 0
    while True:
        best, most = -1, -np.inf
        for j in range(pieces):
            if not left[j]:
                continue
            gain = 0.0
            for t in range(throws):
                more = depth[t, j] - less[t, j]
                if more <= 0.0:
                    continue
                before = min(gone[t] / need[t], 1.0)
                if before >= 1.0:
                    continue
                share = min((gone[t] + more) / need[t], 1.0)
                if share >= 1.0:
                    gain += 1.0
                gain += 0.3 * (share * share - before * before)
            worth = gain / cost[j]
            if worth > most:
                best, most = j, worth
        if best < 0:
            return count
        for t in range(throws):
            gone[t] += depth[t, best] - less[t, best]
            if within[best] >= 0:
                less[t, within[best]] += depth[t, best]
        order[count] = best
        count += 1
        left[best] = False
        for j in range(pieces):
            if within[j] == best:
                left[j] = False
