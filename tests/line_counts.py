"""Blocked samples of given lines, counted by the very code of the search."""

# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from typing import NamedTuple

import numpy as np
from numba import njit, prange

from lanewright.kernels import march


class Lines(NamedTuple):
    """Lines from tees: ``ends[starts[t] : starts[t + 1]]`` are those of tee t, each with a bin."""

    ends: np.ndarray
    starts: np.ndarray
    bins: np.ndarray


@njit(cache=True, nogil=True, parallel=True)
def _count_all(space, tees, ends, lines, arcs, samples, limit, out):
    width = arcs.along.size // samples.size
    for t in prange(tees.row.size):
        steps = march.Steps(np.empty(width, np.uint32), np.empty(width, np.int32))
        r0, c0 = np.float32(tees.row[t] + 1.5), np.float32(tees.col[t] + 1.5)
        for p in range(lines.starts[t], lines.starts[t + 1]):
            e, b = lines.ends[p], lines.bins[p]
            dr = np.float32(ends.row[e] - tees.row[t])
            dc = np.float32(ends.col[e] - tees.col[t])
            line = march.Line(r0, c0, tees.z[t], dr, dc, np.float32(ends.z[e] - tees.z[t]))
            first, n = np.uintp(b * width), np.uintp(samples[b])
            out[p] = march.count_blocked(line, arcs, first, n, space, limit, steps)


def count_lines(space, tees, ends, lines, table, *, arc=0, grade=0, limit=march.NO_LIMIT):
    """Counts (lines,), all with the same arc and class of grade.

    A line is given up at the sample that takes its count over `limit`; one over a barred cell,
    outside the grid or over unknown ground counts 65536 for each such sample.
    """
    out = np.empty(lines.ends.size, np.uint32)
    arcs = march.Arcs(
        *(np.ascontiguousarray(a[:, grade, arc]).ravel()
          for a in (table.along, table.left, table.rise))
    )  # fmt: skip
    _count_all(space, tees, ends, lines, arcs, table.samples, np.uint32(limit), out)
    return out
