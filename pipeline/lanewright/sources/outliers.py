"""Lone returns of the ground class that lie far off the ground around them.

A pulse reflected twice arrives late and is stored metres under the land; a bird or a misread code
lies over it. One such return in the ground class makes a pit or a peak as wide as the spacing of
the ground returns.
"""

from __future__ import annotations

import numpy as np

from lanewright.base.arrays import Flags, Floats

CELL = 5.0
"""Side [m] of the squares whose median heights show the lie of the land."""

FAR = 3.0
"""Height [m] off the land around from which a return is looked at, besides the relief there."""

COMPANY = 3
"""Returns that share a height are a rock, a bank or a roof; fewer are by chance."""

REACH = 6.0
"""Company is sought so far around [m]."""

_NEAREST = 16  # returns looked at for company
_NEAR, _STEEP = 1.0, 2.0  # company lies within this height [m], and this much more per metre away
_SQUARES = 3  # squares with ground around, so that they show the lie of the land


def lone_ground(x: Floats, y: Floats, z: Floats) -> Flags:
    """Returns of the ground class that no neighbour supports.

    Parameters
    ----------
    x, y, z : (n,)
        Returns of class 2 [m], any order.

    Returns
    -------
    (n,) bool
        True where a return lies `FAR` and more off the median heights of the squares around, their
        relief added, and fewer than `COMPANY` - 1 others within `REACH` lie near its height, or
        beyond it. Cliffs and steep banks have relief and company, and stay.
    """
    lone = np.zeros(len(x), bool)
    if len(x) < COMPANY:
        return lone
    candidates = np.flatnonzero(_far(x, y, z))
    if not len(candidates):
        return lone
    from scipy.spatial import cKDTree  # half a second of imports in every reading process

    tree = cKDTree(np.column_stack([x, y]))
    count = min(_NEAREST, len(x))
    distance, other = tree.query(
        np.column_stack([x, y])[candidates], count, distance_upper_bound=REACH
    )
    distance, other = distance.reshape(-1, count), other.reshape(-1, count)
    found = np.isfinite(distance) & (other != candidates[:, None])
    away = z[np.where(found, other, 0)] - z[candidates][:, None]
    allowed = _NEAR + _STEEP * np.where(found, distance, 0)
    company, over, under = (
        (found & side).sum(axis=1)
        for side in (np.abs(away) <= allowed, away > allowed, away < -allowed)
    )
    # On a face of rock some lie higher and some lower; noise lies beyond them all.
    lone[candidates] = (company < COMPANY - 1) & (np.minimum(over, under) < COMPANY - 1)
    return lone


def _far(x: Floats, y: Floats, z: Floats) -> Flags:
    """Whether a return lies far off what the squares around its own show."""
    col = np.floor((x - x.min()) / CELL).astype(np.int64) + 1
    row = np.floor((y - y.min()) / CELL).astype(np.int64) + 1
    shape = int(row.max()) + 2, int(col.max()) + 2
    cell = row * shape[1] + col
    order = np.lexsort((z, cell))
    held, first, count = np.unique(cell[order], return_index=True, return_counts=True)
    median = np.full(shape[0] * shape[1], np.nan)
    median[held] = z[order][first + (count - 1) // 2]
    around = median.reshape(shape)
    middle, low, high, known = (np.full(shape, np.nan) for _ in range(4))
    rows, cols = np.divmod(held, shape[1])
    steps = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    ring = np.stack([around[rows + i, cols + j] for i, j in steps])
    known[rows, cols] = np.isfinite(ring).sum(axis=0)
    some = np.isfinite(ring).any(axis=0)
    ring = ring[:, some]
    middle[rows[some], cols[some]] = np.nanmedian(ring, axis=0)
    low[rows[some], cols[some]] = np.nanmin(ring, axis=0)
    high[rows[some], cols[some]] = np.nanmax(ring, axis=0)
    middle, relief, known = middle[row, col], (high - low)[row, col], known[row, col]
    with np.errstate(invalid="ignore"):
        off: Flags = (np.abs(z - middle) > FAR + relief) & (known >= _SQUARES)
    return off
