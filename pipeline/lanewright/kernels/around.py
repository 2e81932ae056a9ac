"""What lies around places of a height raster, direction by direction."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def around(ground, marked, places, directions, reach, rise, fall, first):
    """Write how ground rises and falls around places, and where the first marked cell lies.

    Parameters
    ----------
    ground : (rows, cols)
        Heights [m]; a ray ends at NaN and at the raster's border.
    marked : (rows, cols)
        Cells that `first` looks for.
    places : (n, 2)
        Row and column.
    directions : (d, 2)
        Steps of one cell's length, rows and columns.
    reach
        Steps of each ray.
    rise, fall, first : (n, d)
        Written: most height gained and lost along the ray [m], both 0 or more, and steps to the
        first marked cell, 0 for none.
    """
    rows, cols = ground.shape
    for i in range(len(places)):
        r0, c0 = places[i, 0], places[i, 1]
        base = ground[r0, c0]
        for d in range(len(directions)):
            up, down, hit = 0.0, 0.0, 0
            for step in range(1, reach + 1):
                r = int(np.floor(r0 + step * directions[d, 0] + 0.5))
                c = int(np.floor(c0 + step * directions[d, 1] + 0.5))
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    break
                if hit == 0 and marked[r, c]:
                    hit = step
                height = ground[r, c]
                if np.isnan(height):
                    break
                up = max(up, height - base)
                down = max(down, base - height)
            rise[i, d], fall[i, d], first[i, d] = up, down, hit


@njit(cache=True, nogil=True)
def furthest_down(ground, ends, places, directions, near, far, best, cell):
    """Write the lowest end within a throw of each place.

    Parameters
    ----------
    ground : (rows, cols)
        Heights [m].
    ends : (rows, cols)
        Cells where a throw may end.
    places, directions
        As in `around`.
    near, far
        Steps of the shortest and longest throw.
    best : (n,)
        Written: height lost [m]; 0 where no end lies lower.
    cell : (n, 2)
        Written: row and column of that end.
    """
    rows, cols = ground.shape
    for i in range(len(places)):
        r0, c0 = places[i, 0], places[i, 1]
        base = ground[r0, c0]
        for d in range(len(directions)):
            for step in range(near, far + 1):
                r = int(np.floor(r0 + step * directions[d, 0] + 0.5))
                c = int(np.floor(c0 + step * directions[d, 1] + 0.5))
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    break
                if ends[r, c] and base - ground[r, c] > best[i]:
                    best[i] = base - ground[r, c]
                    cell[i, 0], cell[i, 1] = r, c
