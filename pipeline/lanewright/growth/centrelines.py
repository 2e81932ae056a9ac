"""Centre lines of free space: thinned to a graph, joined through junctions into long lines.

Works in cells, rows and columns; widths, kinds and coordinates are given by `lanes`.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from skimage.morphology import skeletonize

from lanewright.kernels.skeleton import link, trace

Path = NDArray[np.float64]
"""(n, 2): row and column along a line."""

Follows = dict[tuple[int, int], tuple[int, int]]
"""Which end of a branch goes on at which end of another; (branch, 0 or 1) each."""

LOOKS = 2  # a branch too short to tell its direction is followed into the next
REACH = 8  # cells along a branch over which its direction at an end is taken


@dataclass(frozen=True)
class _Branches:
    """Branches of the thinned graph; cells of branch i are `cells[first[i] : last[i] + 1]`.

    Attributes
    ----------
    cells : (n, 2)
        Row and column.
    first, last : (branches,)
        Where a branch begins and ends in `cells`.
    ends : (branches, 2)
        Nodes at its beginning and end.
    length, width : (branches,)
        Length and mean free width [cells].
    end_width : (branches, 2)
        Free width at both ends [cells].
    """

    cells: Path
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    ends: NDArray[np.int64]
    length: NDArray[np.float64]
    width: NDArray[np.float64]
    end_width: NDArray[np.float64]

    def only(self, keep: NDArray[np.bool_], ends: NDArray[np.int64] | None = None) -> _Branches:
        """Some of the branches, if need be between other nodes."""
        return _Branches(
            self.cells,
            self.first[keep],
            self.last[keep],
            (self.ends if ends is None else ends)[keep],
            self.length[keep],
            self.width[keep],
            self.end_width[keep],
        )

    @property
    def end_degree(self) -> NDArray[np.int64]:
        """Number of branch ends that meet at both ends of each branch (branches, 2)."""
        return np.asarray(np.bincount(self.ends.ravel())[self.ends])


def centre_lines(
    space: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    width: NDArray[np.float32],
    max_bend: float,
    shortest: float = 0.0,
    ahead: int = REACH,
) -> list[Path]:
    """Lines down the middle of free space, joined through junctions where they run straightest.

    Parameters
    ----------
    space : (rows, cols)
        Where the centre of a disc of the least width may be. Thinning this, not the free space
        itself, leaves out most of the spurs that rough walls cause.
    keep : (rows, cols)
        Centre cells outside this are cut away after thinning.
    width : (rows, cols)
        Free width [cells]; spurs no longer than the width where they start are dropped, and
        junctions that lie within one free circle are one.
    max_bend
        Lines turn by at most this where they pass a junction [deg].
    shortest
        Connected lines that are shorter in all are left out [cells].
    ahead
        Cells along a branch over which its direction at a junction is taken.

    Returns
    -------
    list of (n, 2)
        Row and column, in an order that depends on the input alone.
    """
    thin: NDArray[np.bool_] = skeletonize(space) & keep  # type: ignore[no-untyped-call]
    # A cell by itself is no line.
    neighbours = ndi.convolve(thin.astype(np.uint8), np.ones((3, 3), np.uint8), mode="constant")
    thin &= neighbours > 1
    if not thin.any():
        return []
    branches = _long_enough(_branches(thin, width), shortest)
    for _ in range(3):  # dropping a spur may bare another
        spur = _is_spur(branches)
        if not spur.any():
            break
        branches = branches.only(~spur)
    return _joined(_contracted(branches), max_bend, ahead)


def _branches(thin: NDArray[np.bool_], width: NDArray[np.float32]) -> _Branches:
    links = np.zeros(thin.shape, np.uint8)
    joined = link(thin, links)
    cells = np.empty((joined, 2), np.int64)
    start = np.empty(joined // 2 + 1, np.int64)
    count = trace(links, links.copy(), cells, start)
    start, cells = start[: count + 1], cells[: start[count]]
    first, last = start[:-1], start[1:] - 1
    nodes = np.ravel_multi_index((cells[:, 0], cells[:, 1]), thin.shape)
    _, ends = np.unique(np.column_stack([nodes[first], nodes[last]]), return_inverse=True)
    steps = np.hypot(*np.diff(cells, axis=0).T)
    steps[last[:-1]] = 0.0  # from one branch to the next
    widths = width[cells[:, 0], cells[:, 1]].astype(np.float64)
    return _Branches(
        cells.astype(np.float64),
        first,
        last,
        ends.reshape(-1, 2).astype(np.int64),
        np.add.reduceat(np.append(steps, 0.0), first),
        np.add.reduceat(widths, first) / np.diff(start),
        np.column_stack([widths[first], widths[last]]),
    )


def _groups(count: int, links: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number the connected groups among `count` nodes, given linked pairs."""
    graph = coo_array((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _long_enough(branches: _Branches, shortest: float) -> _Branches:
    """Leave out networks too short for a lane, which in dense woods are most."""
    group = _groups(int(branches.ends.max()) + 1, branches.ends)[branches.ends[:, 0]]
    return branches.only(np.bincount(group, branches.length)[group] >= shortest)


def _is_spur(branches: _Branches) -> NDArray[np.bool_]:
    """Tell dead ends no longer than the free width where they start."""
    if not len(branches.first):
        return np.zeros(0, dtype=bool)
    at_junction = branches.end_degree > 1
    root = np.where(at_junction[:, 0], branches.end_width[:, 0], branches.end_width[:, 1])
    return np.asarray((at_junction.sum(axis=1) == 1) & (branches.length <= root))


def _contracted(branches: _Branches) -> _Branches:
    """Merge junctions that lie in one free circle; the line may jump between them unhindered."""
    if not len(branches.first):
        return branches
    short = (branches.end_degree > 2).all(axis=1)
    short &= branches.length <= np.maximum(1.5, branches.end_width.min(axis=1) / 2)
    merged = _groups(int(branches.ends.max()) + 1, branches.ends[short])
    return branches.only(~short, merged[branches.ends])


def _headings(branches: _Branches, follows: Follows, ahead: int) -> Path:
    """Point unit vectors from both ends of each branch along it (branches, 2, 2).

    A branch shorter than `ahead` cells is followed into the next, where that is known.
    """
    first, last, cells = branches.first, branches.last, branches.cells
    start = np.column_stack([first, last]).ravel()  # end 2 i is the first cell of branch i
    onward = np.full(len(start), -1)
    for (i, end), (j, other) in follows.items():
        onward[2 * i + end] = 2 * j + other
    here, left = np.arange(len(start)), np.full(len(start), ahead)
    for _ in range(ahead):
        size = (last - first)[here // 2]
        following = onward[here ^ 1]
        on = (left > size) & (following >= 0)
        if not on.any():
            break
        left = np.where(on, left - size, left)
        here = np.where(on, following, here)
    step = np.minimum(left, (last - first)[here // 2])
    out = cells[start[here] + np.where(here % 2 == 0, step, -step)] - cells[start]
    size = np.hypot(out[:, 0], out[:, 1])
    return np.asarray(out / np.maximum(size, 1e-9)[:, None]).reshape(-1, 2, 2)


def _joined(branches: _Branches, max_bend: float, ahead: int) -> list[Path]:
    """Chain branches: at each node the two widest that run on straightest belong together."""
    follows: Follows = {}
    for _ in range(LOOKS):
        follows = _follows(branches, _headings(branches, follows, ahead), max_bend)
    chains = []
    used: set[int] = set()
    every = range(len(branches.first))
    loose = [(i, end) for i in every for end in (0, 1) if (i, end) not in follows]
    # Whatever has no loose end is a ring, which may start anywhere.
    for start in [*loose, *((i, 0) for i in every)]:
        if start[0] in used:
            continue
        parts = []
        here: tuple[int, int] | None = start
        while here is not None and here[0] not in used:
            i, end = here
            used.add(i)
            path = branches.cells[branches.first[i] : branches.last[i] + 1]
            parts.append(path if end == 0 else path[::-1])
            here = follows.get((i, 1 - end))
        chains.append(np.concatenate(parts))
    return chains


def _follows(branches: _Branches, headings: Path, max_bend: float) -> Follows:
    """Which end of a branch goes on at which end of another; (branch, 0 or 1) each."""
    heading, width = headings.tolist(), branches.width.tolist()
    at_node: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for i, ends in enumerate(branches.ends.tolist()):
        for end in (0, 1):
            at_node[ends[end]].append((i, end))
    follows: Follows = {}
    for node in sorted(at_node):
        meeting = at_node[node]
        widest = max(width[i] for i, _ in meeting)
        pairs = []
        for one, other in itertools.combinations(meeting, 2):
            a, b = heading[one[0]][one[1]], heading[other[0]][other[1]]
            straight = min(1.0, max(-1.0, -(a[0] * b[0] + a[1] * b[1])))
            bend = math.degrees(math.acos(straight))
            if bend <= max_bend and one[0] != other[0]:
                narrow = 1 - min(width[one[0]], width[other[0]]) / widest
                pairs.append((bend / max_bend + narrow, one, other))
        for _, one, other in sorted(pairs):
            if one not in follows and other not in follows:
                follows[one], follows[other] = other, one
    return follows


def resampled(path: Path, step: float) -> Path:
    """Points at equal distances of about `step` along a line, both ends kept."""
    along = np.concatenate([[0.0], np.hypot(*np.diff(path, axis=0).T).cumsum()])
    count = max(2, round(along[-1] / step) + 1)
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, path[:, axis]) for axis in (0, 1)])


def smoothed(path: Path, sigma: float) -> Path:
    """Line through the running Gaussian mean of its points; `sigma` in points, ends stay put."""
    margin = min(len(path) - 1, int(4 * sigma) + 1)
    if sigma <= 0 or margin < 1:
        return path
    # Mirroring through the end points keeps them where they are.
    wide = np.pad(path, ((margin, margin), (0, 0)), mode="reflect", reflect_type="odd")
    return np.asarray(ndi.gaussian_filter1d(wide, sigma, axis=0)[margin:-margin])


def length_of(path: Path) -> float:
    """Sum the distances from point to point."""
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def cut_at_bends(path: Path, max_bend: float, reach: int) -> list[slice]:
    """Cut a line into parts that turn by no more than `max_bend` [deg] between any two places.

    A part that turns more is cut halfway between its extremes of heading. The heading is that of
    the chord over `reach` points, so a step to the next cell is no bend.
    """
    parts: list[slice] = []
    waiting = [(0, len(path))]
    while waiting:
        start, stop = waiting.pop()
        part = path[start:stop]
        if len(part) <= 2 * reach:
            parts.append(slice(start, stop))
            continue
        chords = part[reach:] - part[:-reach]
        heading = np.degrees(np.unwrap(np.arctan2(chords[:, 0], chords[:, 1])))
        low, high = sorted((int(heading.argmin()), int(heading.argmax())))
        if heading[high] - heading[low] <= max_bend and heading[low] - heading[high] <= max_bend:
            parts.append(slice(start, stop))
            continue
        # Halfway through the turn, a corner is the corner itself and an even arc falls in equal
        # parts. The chord that points so has its middle there.
        passed = (heading[low:high] < heading[[low, high]].mean()) != (heading[low] < heading[high])
        cut = start + low + int(np.append(passed, True).argmax()) + reach // 2
        waiting += [(cut, stop), (start, cut + 1)]
    return parts
