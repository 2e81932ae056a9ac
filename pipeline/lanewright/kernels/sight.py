"""How far an eye sees over the land, direction by direction."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def sight(top, places, eyes, directions, reach, longest, seen):
    """Write the longest sight line of each place and direction.

    A cell is seen when no cell before it on the ray reaches the line from the eye to its top.

    Parameters
    ----------
    top : (rows, cols)
        Height of what is seen and hides what lies behind [m]; a ray ends at NaN and at the border.
    places : (n, 2)
        Row and column of the eyes.
    eyes : (n,)
        Their heights [m].
    directions : (d, 2)
        Steps of one cell's length, rows and columns.
    reach
        Steps of each ray.
    longest, seen : (n, d)
        Written: steps to the farthest cell that is seen, and how many are.
    """
    rows, cols = top.shape
    for i in range(len(places)):
        r0, c0 = places[i, 0], places[i, 1]
        for d in range(len(directions)):
            steepest = -np.inf
            far, count = 0, 0
            for step in range(1, reach + 1):
                r = int(np.floor(r0 + step * directions[d, 0] + 0.5))
                c = int(np.floor(c0 + step * directions[d, 1] + 0.5))
                if r < 0 or c < 0 or r >= rows or c >= cols:
                    break
                height = top[r, c]
                if np.isnan(height):
                    break
                slope = (height - eyes[i]) / step
                if slope > steepest:
                    steepest = slope
                    far = step
                    count += 1
            longest[i, d], seen[i, d] = far, count
