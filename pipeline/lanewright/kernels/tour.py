"""Order of a short walk past places: nearest neighbour, then 2-opt and or-opt."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit

LEAST = 1e-6
"""Metres; smaller savings are rounding."""

CARRIED = 3
"""Most places that are carried elsewhere at once."""


@njit(cache=True, nogil=True)
def step(a, b, starts, ends, home, leaves, returns):
    """Metres from leaving place `a` to coming to place `b`; the number past the last is home.

    Steps from home cost nothing unless the walk `leaves` there, steps to it unless it `returns`.
    """
    n = len(starts)
    if (a == n and not leaves) or (b == n and not returns):
        return 0.0
    ax, ay = (home[0], home[1]) if a == n else (ends[a, 0], ends[a, 1])
    bx, by = (home[0], home[1]) if b == n else (starts[b, 0], starts[b, 1])
    return np.sqrt((bx - ax) ** 2 + (by - ay) ** 2)


@njit(cache=True, nogil=True)
def tour(starts, ends, home, leaves, returns, first, order):
    """Write to `order` (n,) in which order to visit places.

    One comes to a place at `starts` (n, 2) and leaves it at `ends` (n, 2), or where one came
    if there are no ends. A walk that does not leave `home` (2,) begins at the place `first`. Ties
    go to the lower number.
    """
    n, same = len(starts), len(ends) == 0
    if same:
        ends = starts
    where = (starts, ends, home, leaves, returns)
    left = np.ones(n, np.bool_)
    here, begin = n, 0
    if not leaves:
        here, begin = first, 1
        order[0] = first
        left[first] = False
    for i in range(begin, n):
        best, near = -1, np.inf
        for j in range(n):
            if left[j]:
                away = step(here, j, *where)
                if away < near:
                    best, near = j, away
        order[i] = best
        left[best] = False
        here = best
    shorter = True
    while shorter:
        if same:
            shorter = turn_places(order, *where)
            shorter = carry_places(order, *where) or shorter
        else:
            shorter = turn(order, *where)
            shorter = carry(order, *where) or shorter


@njit(cache=True, nogil=True)
def turn(order, starts, ends, home, leaves, returns):
    """One pass of 2-opt: turn stretches round that are shorter so; says whether any was."""
    n = len(order)
    where = (starts, ends, home, leaves, returns)
    shorter = False
    for i in range(n):
        before = order[i - 1] if i > 0 else n
        inner = 0.0  # what the inside of the stretch saves when it is walked backwards
        for j in range(i + 1, n):
            inner += step(order[j - 1], order[j], *where) - step(order[j], order[j - 1], *where)
            after = order[j + 1] if j + 1 < n else n
            saved = (
                inner
                + step(before, order[i], *where)
                + step(order[j], after, *where)
                - step(before, order[j], *where)
                - step(order[i], after, *where)
            )
            if saved > LEAST:
                order[i : j + 1] = order[i : j + 1][::-1].copy()
                inner = -inner
                shorter = True
    return shorter


@njit(cache=True, nogil=True)
def carry(order, starts, ends, home, leaves, returns):
    """One pass of or-opt: carry up to three places where they fit best; says whether any went."""
    n = len(order)
    where = (starts, ends, home, leaves, returns)
    shorter = False
    for size in range(1, min(CARRIED, n - 1) + 1):
        rest = np.empty(n - size, order.dtype)
        for i in range(n - size + 1):
            head, tail = order[i], order[i + size - 1]
            rest[:i], rest[i:] = order[:i], order[i + size :]
            m = n - size
            before = rest[i - 1] if i > 0 else n
            after = rest[i] if i < m else n
            taken = (
                step(before, head, *where) + step(tail, after, *where) - step(before, after, *where)
            )
            best, place = np.inf, -1
            for k in range(m + 1):
                before = rest[k - 1] if k > 0 else n
                after = rest[k] if k < m else n
                put = (
                    step(before, head, *where)
                    + step(tail, after, *where)
                    - step(before, after, *where)
                )
                if put < best:
                    best, place = put, k
            if taken - best > LEAST:
                moved = order[i : i + size].copy()
                order[:place] = rest[:place]
                order[place : place + size] = moved
                order[place + size :] = rest[place:]
                shorter = True
    return shorter


@njit(cache=True, nogil=True)
def _laid(order, places):
    """Places in their order, and the squared step from each to the next (n - 1,)."""
    x, y = places[order, 0], places[order, 1]
    return x, y, (x[1:] - x[:-1]) ** 2 + (y[1:] - y[:-1]) ** 2


@njit(cache=True, nogil=True)
def turn_places(order, starts, ends, home, leaves, returns):
    """As `turn` where one leaves a place where one came, with the same outcome and much faster.

    Turning round saves nothing where neither new step is shorter than the old one at its end: the
    squares of two distances tell. Inside a stretch nothing changes.
    """
    n = len(order)
    where = (starts, ends, home, leaves, returns)
    x, y, after2 = _laid(order, starts)
    shorter = False
    for i in range(n):
        before = order[i - 1] if i > 0 else n
        for j in range(i + 1, n):
            if i > 0 and j + 1 < n:
                near = (x[j] - x[i - 1]) ** 2 + (y[j] - y[i - 1]) ** 2 < after2[i - 1]
                if not near and (x[j + 1] - x[i]) ** 2 + (y[j + 1] - y[i]) ** 2 >= after2[j]:
                    continue
            after = order[j + 1] if j + 1 < n else n
            saved = (
                step(before, order[i], *where)
                + step(order[j], after, *where)
                - step(before, order[j], *where)
                - step(order[i], after, *where)
            )
            if saved > LEAST:
                order[i : j + 1] = order[i : j + 1][::-1].copy()
                x, y, after2 = _laid(order, starts)
                shorter = True
    return shorter


@njit(cache=True, nogil=True)
def carry_places(order, starts, ends, home, leaves, returns):
    """As `carry` where one leaves a place where one came, with the same outcome and much faster.

    A stretch fits no better between two places if the first is farther from its head than what
    taking it out saves and the step between them together.
    """
    n = len(order)
    where = (starts, ends, home, leaves, returns)
    x, y, after2 = _laid(order, starts)
    steps = np.sqrt(after2)
    shorter = False
    for size in range(1, min(CARRIED, n - 1) + 1):
        m = n - size
        for i in range(m + 1):
            head, tail = order[i], order[i + size - 1]
            before = order[i - 1] if i > 0 else n
            after = order[i + size] if i < m else n
            taken = (
                step(before, head, *where) + step(tail, after, *where) - step(before, after, *where)
            )
            best, place = np.inf, -1
            for k in range(m + 1):
                last = k - 1 if k <= i else k + size - 1
                if 0 < k < m and k != i:
                    near = taken + steps[last]
                    if (x[last] - x[i]) ** 2 + (y[last] - y[i]) ** 2 >= near * near:
                        continue
                before = order[last] if k > 0 else n
                after = order[k if k < i else k + size] if k < m else n
                put = (
                    step(before, head, *where)
                    + step(tail, after, *where)
                    - step(before, after, *where)
                )
                if put < best:
                    best, place = put, k
            if taken - best > LEAST:
                moved = order[i : i + size].copy()
                rest = np.concatenate((order[:i], order[i + size :]))
                order[:place] = rest[:place]
                order[place : place + size] = moved
                order[place + size :] = rest[place:]
                x, y, after2 = _laid(order, starts)
                steps = np.sqrt(after2)
                shorter = True
    return shorter
