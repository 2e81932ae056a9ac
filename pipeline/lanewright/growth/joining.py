"""Lines that run on into one another: which end belongs to which, and the chains that makes."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Path = NDArray[np.float64]
Wanted = Callable[[int, int, float, list[float]], float | None]
"""Of two ends, metres between them and degrees turned there: how badly they fit, or None."""


def follows(lines: list[Path], gap: float, along: float, wanted: Wanted) -> dict[int, int]:
    """Which end runs on into which, best fits first; no chain closes upon itself.

    Parameters
    ----------
    lines
        Points in order, (n, 2) each; end 2 i is the first point of line i, 2 i + 1 its last.
    gap
        Ends farther apart are not tried.
    along
        Of a line, over which the way it points at its end is taken; in the units of the points.
    wanted
        Given two ends, what lies between them and by how many degrees the way turns from one line
        to the other, from one to the step between, and from the step to the other.
    """
    if not lines:
        return {}
    ends = np.concatenate([line[[0, -1]] for line in lines])
    out = np.concatenate([[_outward(line, along), _outward(line[::-1], along)] for line in lines])
    fits = []
    for a, b in sorted(cKDTree(ends).query_pairs(gap)):
        if a // 2 == b // 2:
            continue
        across = ends[b] - ends[a]
        turns = [_angle(out[a], -out[b]), _angle(out[a], across), _angle(-out[b], across)]
        fit = wanted(a, b, float(np.hypot(*across)), turns)
        if fit is not None:
            fits.append((fit, a, b))
    found: dict[int, int] = {}
    group = list(range(len(lines)))
    for _, a, b in sorted(fits):
        one, other = group[a // 2], group[b // 2]
        if a not in found and b not in found and one != other:
            found[a], found[b] = b, a
            group = [one if g == other else g for g in group]
    return found


def chains(count: int, following: dict[int, int]) -> Iterator[list[tuple[int, bool]]]:
    """Lines that belong together in order, each with whether it runs from its last point."""
    used: set[int] = set()
    loose = [e for e in range(2 * count) if e not in following]
    for start in loose:
        if start // 2 in used:
            continue
        chain: list[tuple[int, bool]] = []
        here: int | None = start
        while here is not None:
            used.add(here // 2)
            chain.append((here // 2, bool(here % 2)))
            here = following.get(here ^ 1)
        yield chain


def _outward(line: Path, along: float) -> Path:
    """Unit vector that points out of a line at its first point."""
    away = np.hypot(*(line - line[0]).T)
    far = np.flatnonzero(away >= along)
    way = line[0] - line[far[0] if len(far) else -1]
    return np.asarray(way / max(float(np.hypot(*way)), 1e-9))


def _angle(one: Path, other: Path) -> float:
    """Degrees between two ways."""
    size = max(float(np.hypot(*one) * np.hypot(*other)), 1e-9)
    return float(np.degrees(np.arccos(np.clip(one @ other / size, -1.0, 1.0))))
