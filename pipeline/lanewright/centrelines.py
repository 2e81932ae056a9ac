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
from skan import Skeleton
from skimage.morphology import skeletonize

Path = NDArray[np.float64]
"""(n, 2): row and column along a line."""


@dataclass(frozen=True)
class _Branch:
    """Part of the thinned graph between two nodes; `path` runs from `ends[0]` to `ends[1]`."""

    path: Path
    ends: tuple[int, int]
    length: float


def centre_lines(
    space: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    width: NDArray[np.float32],
    max_bend: float,
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

    Returns
    -------
    list of (n, 2)
        Row and column, in an order that depends on the input alone.
    """
    thin: NDArray[np.bool_] = skeletonize(space) & keep  # type: ignore[no-untyped-call]
    # A cell by itself is no line, and the graph library refuses a skeleton of such only.
    neighbours = ndi.convolve(thin.astype(np.uint8), np.ones((3, 3), np.uint8), mode="constant")
    thin &= neighbours > 1
    if not thin.any():
        return []
    branches = _branches(thin)
    for _ in range(3):  # dropping a spur may bare another
        branches, again = _without_spurs(branches, width)
        if not again:
            break
    return _joined(_contracted(branches, width), width, max_bend)


def _branches(thin: NDArray[np.bool_]) -> list[_Branch]:
    skeleton = Skeleton(thin, keep_images=False)
    lengths = skeleton.path_lengths()
    nodes: dict[tuple[int, int], int] = {}
    branches = []
    for i in range(skeleton.n_paths):
        path = np.asarray(skeleton.path_coordinates(i), dtype=np.float64)
        first, last = (
            nodes.setdefault((int(row), int(col)), len(nodes)) for row, col in path[[0, -1]]
        )
        branches.append(_Branch(path, (first, last), float(lengths[i])))
    return branches


def _degrees(branches: list[_Branch]) -> dict[int, int]:
    degree: dict[int, int] = defaultdict(int)
    for branch in branches:
        for node in branch.ends:
            degree[node] += 1
    return degree


def _at(width: NDArray[np.float32], point: Path) -> float:
    return float(width[int(point[0]), int(point[1])])


def _without_spurs(
    branches: list[_Branch], width: NDArray[np.float32]
) -> tuple[list[_Branch], bool]:
    degree = _degrees(branches)
    kept = []
    for branch in branches:
        first, last = (degree[node] > 1 for node in branch.ends)
        root = branch.path[0] if first else branch.path[-1]
        is_spur = first != last and branch.length <= _at(width, root)
        if not is_spur:
            kept.append(branch)
    return kept, len(kept) < len(branches)


def _contracted(branches: list[_Branch], width: NDArray[np.float32]) -> list[_Branch]:
    """Merge junctions that lie in one free circle; the line may jump between them unhindered."""
    degree = _degrees(branches)
    short = [
        all(degree[node] > 2 for node in b.ends)
        and b.length <= max(1.5, min(_at(width, b.path[0]), _at(width, b.path[-1])) / 2)
        for b in branches
    ]
    count = 1 + max((max(b.ends) for b in branches), default=-1)
    links = np.array([b.ends for b, s in zip(branches, short, strict=True) if s]).reshape(-1, 2)
    graph = coo_array((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(count, count))
    merged = connected_components(graph, directed=False)[1] if count else np.zeros(0, int)
    return [
        _Branch(b.path, (int(merged[b.ends[0]]), int(merged[b.ends[1]])), b.length)
        for b, s in zip(branches, short, strict=True)
        if not s
    ]


def _heading_out(branch: _Branch, end: int, reach: int) -> Path:
    """Point the unit vector from one end of a branch to the cell `reach` cells along it."""
    path = branch.path if end == 0 else branch.path[::-1]
    step = path[min(reach, len(path) - 1)] - path[0]
    size = math.hypot(*step)
    return np.asarray(step / size if size > 0 else step)


def _joined(
    branches: list[_Branch], width: NDArray[np.float32], max_bend: float, reach: int = 8
) -> list[Path]:
    """Chain branches: at each node the two widest that run on straightest belong together."""
    usual = [float(np.median(width[tuple(b.path.astype(int).T)])) for b in branches]
    at_node: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for i, branch in enumerate(branches):
        for end in (0, 1):
            at_node[branch.ends[end]].append((i, end))
    follows: dict[tuple[int, int], tuple[int, int]] = {}
    for node in sorted(at_node):
        meeting = at_node[node]
        heading = [_heading_out(branches[i], end, reach) for i, end in meeting]
        widest = max(usual[i] for i, _ in meeting)
        pairs = []
        for a, b in itertools.combinations(range(len(meeting)), 2):
            one, other = meeting[a], meeting[b]
            bend = math.degrees(math.acos(min(1.0, max(-1.0, -float(heading[a] @ heading[b])))))
            if bend <= max_bend and one[0] != other[0]:
                narrow = 1 - min(usual[one[0]], usual[other[0]]) / widest
                pairs.append((bend / max_bend + narrow, one, other))
        for _, one, other in sorted(pairs):
            if one not in follows and other not in follows:
                follows[one], follows[other] = other, one
    chains = []
    used: set[int] = set()
    loose = [(i, end) for i in range(len(branches)) for end in (0, 1) if (i, end) not in follows]
    # Whatever has no loose end is a ring, which may start anywhere.
    for start in [*loose, *((i, 0) for i in range(len(branches)))]:
        if start[0] in used:
            continue
        parts = []
        here: tuple[int, int] | None = start
        while here is not None and here[0] not in used:
            used.add(here[0])
            path = branches[here[0]].path
            parts.append(path if here[1] == 0 else path[::-1])
            here = follows.get((here[0], 1 - here[1]))
        chains.append(np.concatenate(parts))
    return chains


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

    A part that turns more is cut where it turns fastest between its extremes of heading. The
    heading is that of the chord over `reach` points, so a step to the next cell is no bend.
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
        # A turn is spread over the chords that reach across it; its middle is that of a chord.
        turn = np.abs(np.diff(smoothed(heading[low : high + 1, None], reach / 2), axis=0))
        cut = start + low + 1 + int(turn.argmax()) + reach // 2
        waiting += [(cut, stop), (start, cut + 1)]
    return parts
