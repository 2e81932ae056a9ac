"""A short walk past places: nearest neighbour first, then what 2-opt and or-opt still save."""

from __future__ import annotations

import numpy as np

from lanewright.base.arrays import Floats, Ints

_LEAST = 1e-6  # m; smaller savings are rounding
_CARRIED = 3  # places that or-opt moves at once


def tour(
    starts: Floats, ends: Floats | None = None, home: tuple[float, float] | None = None
) -> Ints:
    """Order in which to visit places so that the walks between them are short together.

    Parameters
    ----------
    starts : (n, 2)
        Where one comes to each place [m].
    ends : (n, 2)
        Where one leaves it, by default where one came: a hole is come to at its tee and left at
        its basket.
    home
        Where the walk begins and ends; without it, it begins and ends at any place.

    Returns
    -------
    numpy.ndarray
        Rows in the order of the walk; the same for the same places in any order, but for ties.

    Notes
    -----
    Nearest neighbour, then the best of all exchanges (a stretch turned round, or up to three
    places carried elsewhere) until none saves a step: Croes 1958 and Or 1976, from memory. No
    bound holds, but tours of this size come out within a few percent of the shortest.
    """
    starts = np.asarray(starts, np.float64).reshape(-1, 2)
    ends = starts if ends is None else np.asarray(ends, np.float64).reshape(-1, 2)
    if len(starts) != len(ends):
        raise ValueError(f"{len(starts)} starts and {len(ends)} ends")
    if len(starts) < 2:
        return np.arange(len(starts))
    steps = _steps(starts, ends, home)
    order = _nearest(steps, starts, home)
    while True:
        better = min((_turned(steps, order), _carried(steps, order)), key=lambda found: found[0])
        if better[0] > -_LEAST:
            return order
        order = better[1]


def length(
    order: Ints, starts: Floats, ends: Floats | None = None, home: tuple[float, float] | None = None
) -> float:
    """Metres walked between the places in that order, from home and back where there is one."""
    starts = np.asarray(starts, np.float64).reshape(-1, 2)
    ends = starts if ends is None else np.asarray(ends, np.float64).reshape(-1, 2)
    whole = np.r_[len(starts), order, len(starts)]
    return float(_steps(starts, ends, home)[whole[:-1], whole[1:]].sum())


def _steps(starts: Floats, ends: Floats, home: tuple[float, float] | None) -> Floats:
    """Metres from leaving a row to coming to a column; the last of both is home."""
    n = len(starts)
    steps = np.zeros((n + 1, n + 1))
    steps[:n, :n] = np.hypot(*(ends[:, None] - starts[None]).transpose(2, 0, 1))
    if home is not None:
        steps[n, :n] = np.hypot(*(starts - home).T)
        steps[:n, n] = np.hypot(*(ends - home).T)
    return steps


def _nearest(steps: Floats, starts: Floats, home: tuple[float, float] | None) -> Ints:
    n = len(starts)
    # Without a home the walk begins in a corner, the westernmost place.
    here = n if home is not None else int(np.lexsort((starts[:, 1], starts[:, 0]))[0])
    order = [] if home is not None else [here]
    left = np.ones(n, bool)
    left[order] = False
    while left.any():
        there = np.flatnonzero(left)
        here = int(there[np.argmin(steps[here, there])])
        left[here] = False
        order.append(here)
    return np.array(order, np.int64)


def _turned(steps: Floats, order: Ints) -> tuple[float, Ints]:
    """Most that turning one stretch round saves (negative), and the order then."""
    n = len(order)
    whole = np.r_[n, order, n]
    forth = np.r_[0.0, np.cumsum(steps[whole[:-1], whole[1:]])]
    back = np.r_[0.0, np.cumsum(steps[whole[1:], whole[:-1]])]
    first, last = np.triu_indices(n + 1, 1)  # places first..last of `whole` that are turned
    inside = first >= 1
    first, last = first[inside], last[inside]
    change = (
        steps[whole[first - 1], whole[last]]
        + (back[last] - back[first])
        + steps[whole[first], whole[last + 1]]
        - (forth[last + 1] - forth[first - 1])
    )
    if not change.size:
        return 0.0, order
    best = int(np.argmin(change))
    i, j = first[best] - 1, last[best]
    return float(change[best]), np.r_[order[:i], order[i:j][::-1], order[j:]]


def _carried(steps: Floats, order: Ints) -> tuple[float, Ints]:
    """Most that carrying up to three places elsewhere saves (negative), and the order then."""
    n = len(order)
    best, made = 0.0, order
    for size in range(1, min(_CARRIED, n - 1) + 1):
        for i in range(n - size + 1):
            rest = np.r_[n, order[:i], order[i + size :], n]
            head, tail = order[i], order[i + size - 1]
            taken = steps[rest[i], head] + steps[tail, rest[i + 1]] - steps[rest[i], rest[i + 1]]
            put = steps[rest[:-1], head] + steps[tail, rest[1:]] - steps[rest[:-1], rest[1:]]
            at = int(np.argmin(put))
            if put[at] - taken < best - _LEAST:
                best = float(put[at] - taken)
                made = np.r_[rest[1 : at + 1], order[i : i + size], rest[at + 1 : -1]]
    return best, made
