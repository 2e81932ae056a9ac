"""The cheapest corridor that a disc can fly through growth, from every tee to every end.

Work is given per square metre of ground, as the mean over discs of several radii and by bands of
height; a corridor is as wide as the throws of a level stray where it is. Each arc of each pair is
added up sample by sample and given up as soon as it costs more than the best of its slot.
"""

# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


class Wood(NamedTuple):
    """What corridors are led through; arrays on one grid of square cells.

    Attributes
    ----------
    work
        Hours per square metre to clear a band of height, mean over a disc of each radius, float32
        (radii, bands, rows, cols).
    radii
        Of these discs [m], rising (radii,).
    tops
        Upper end of each band over the ground [m], rising; the last is open (bands,).
    trees
        Share of the ground around with trees, float32 (rows, cols).
    ground
        Height [m], float32 (rows, cols).
    closed
        Cells that no line may come over, ground that is not known among them, bool
        (rows, cols).
    cell
        Side of a cell [m].
    """

    work: NDArray[np.float32]
    radii: NDArray[np.float64]
    tops: NDArray[np.float64]
    trees: NDArray[np.float32]
    ground: NDArray[np.float32]
    closed: NDArray[np.bool_]
    cell: float


class Arcs(NamedTuple):
    """Flights of a level by bin of distance, class of grade and arc.

    Attributes
    ----------
    along, left, rise
        Share of the chord covered, offset to its left as a share of its length, height over it
        [m]; float32 (bins, grades, arcs, samples), the first on the tee, the last on the end.
    exists
        bool (bins, grades, arcs).
    between
        Slopes of the chord that part the classes of grade (grades - 1,).
    start, step
        Bin b holds chords from start + b * step [m] on.
    stray
        How far throws stray to a side, one standard deviation, as a share of the way.
    disc
        Width of a disc [m].
    """

    along: NDArray[np.float32]
    left: NDArray[np.float32]
    rise: NDArray[np.float32]
    exists: NDArray[np.bool_]
    between: NDArray[np.float64]
    start: float
    step: float
    stray: float
    disc: float


class Slots(NamedTuple):
    """Which lines compete: those of one tee in the same sector and class of length.

    Attributes
    ----------
    shortest, longest
        Of lines [m].
    sectors, lengths
        How many of each.
    wooded
        Share of a line that must run among trees.
    least
        Hours below which there is nothing to cut.
    """

    shortest: float
    longest: float
    sectors: int
    lengths: int
    wooded: float
    least: float


@njit(cache=True, nogil=True)
def line_work(wood, arcs, b, g, a, tee, end, least):
    """Hours and share among trees of one line; infinite once it costs more than `least`, or closed.

    `tee` and `end` are row, column (in cells, fractions kept) and height [m].
    """
    rows, cols = wood.trees.shape
    samples = arcs.along.shape[3]
    dr, dc = end[0] - tee[0], end[1] - tee[1]
    length = np.hypot(dr, dc) * wood.cell
    step = length / (samples - 1)
    hours, trees = 0.0, 0.0
    for k in range(samples):
        along, left = arcs.along[b, g, a, k], arcs.left[b, g, a, k]
        r = int(tee[0] + dr * along - dc * left)
        c = int(tee[1] + dc * along + dr * left)
        if r < 0 or c < 0 or r >= rows or c >= cols or wood.closed[r, c]:
            return np.inf, 0.0
        height = tee[2] + (end[2] - tee[2]) * along + arcs.rise[b, g, a, k] - wood.ground[r, c]
        band = 0
        while band < wood.tops.size - 1 and height > wood.tops[band]:
            band += 1
        half = arcs.disc / 2 + arcs.stray * along * length
        radius = 0
        while radius < wood.radii.size - 1 and half > wood.radii[radius]:
            radius += 1
        hours += wood.work[radius, band, r, c] * 2 * half * step
        trees += wood.trees[r, c]
        if hours >= least:
            return np.inf, 0.0
    return hours, trees / samples


@njit(cache=True, nogil=True, parallel=True)
def cheapest(wood, arcs, slots, tees, ends, best, which, arc):
    """Cheapest line of every slot of every tee.

    Parameters
    ----------
    wood, arcs, slots
        As their classes say.
    tees, ends : (n, 3)
        Row and column in cells, fractions kept, and the height of the throw there [m].
    best, which, arc : (tees, sectors * lengths)
        Written: hours (infinite for none), row in `ends`, arc; -1 for none.
    """
    bins = arcs.exists.shape[0]
    for t in prange(tees.shape[0]):
        for e in range(ends.shape[0]):
            dr, dc = ends[e, 0] - tees[t, 0], ends[e, 1] - tees[t, 1]
            length = np.hypot(dr, dc) * wood.cell
            if length < slots.shortest or length > slots.longest:
                continue
            share = (np.arctan2(dr, dc) / (2 * np.pi)) % 1.0
            sector = min(int(share * slots.sectors), slots.sectors - 1)
            span = slots.longest - slots.shortest
            which_length = min(
                int((length - slots.shortest) / max(span, 1e-9) * slots.lengths), slots.lengths - 1
            )
            slot = sector * slots.lengths + which_length
            b = min(max(int((length - arcs.start) / arcs.step), 0), bins - 1)
            slope = (ends[e, 2] - tees[t, 2]) / length
            g = 0
            while g < arcs.between.size and slope > arcs.between[g]:
                g += 1
            for a in range(arcs.exists.shape[2]):
                if not arcs.exists[b, g, a]:
                    continue
                hours, trees = line_work(wood, arcs, b, g, a, tees[t], ends[e], best[t, slot])
                if slots.least <= hours < best[t, slot] and trees >= slots.wooded:
                    best[t, slot], which[t, slot], arc[t, slot] = hours, e, a
