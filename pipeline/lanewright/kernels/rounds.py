"""Compiled search for a good round: changes to a round, taken by simulated annealing."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

DRAWN = 3
"""Holes drawn for a place, of which the best is tried."""


class Terms(NamedTuple):
    """What a round is worth, and the rules that it must keep.

    Attributes
    ----------
    apart : (n, n) bool
        Holes that cannot both be in a round.
    gain : (n,) float64
        Points of each hole.
    cost : (n + 1, n + 1) float32
        Points that the walk from each hole to each other costs, the last of both the arrival;
        infinite where there is none.
    kind, least, weight : (n, k) bool, (k,) int64, (k,) float64
        The mix: members, least number, points for each hole short.
    length, low, high, per_metre
        Length of holes in whole metres (n,), their usual total, points for a metre off it.
    finish, most, repeat
        Code of each hole's finish (n,) int64, most in a row, points for each beyond.
    trim, budget
        Hours of trimming (n,), most of them in all.
    place : (n,) int64
        Number that a hole must have; 0 for any.
    half : int
        Holes before the stop at the arrival; 0 for no stop.
    earlier, shared : (e, n) bool, (e,) int64
        Holes that lie where earlier rounds have one, and the most of them.
    way : (n + 1, n + 1) int32
        Row of `fire` of each walk; below 0 where nobody looked.
    fire : (ways, words) uint64
        Holes whose line of fire a way comes into, a bit each.
    crossing
        Points that each walk into a line of fire costs.
    """

    apart: NDArray[np.bool_]
    gain: NDArray[np.float64]
    cost: NDArray[np.float32]
    kind: NDArray[np.bool_]
    least: NDArray[np.int64]
    weight: NDArray[np.float64]
    length: NDArray[np.float64]
    low: float
    high: float
    per_metre: float
    finish: NDArray[np.int64]
    most: int
    repeat: float
    trim: NDArray[np.float64]
    budget: float
    place: NDArray[np.int64]
    half: int
    earlier: NDArray[np.bool_]
    shared: NDArray[np.int64]
    way: NDArray[np.int32]
    fire: NDArray[np.uint64]
    crossing: float


class Cooling(NamedTuple):
    """How the search goes.

    Attributes
    ----------
    steps
        Changes tried.
    hot, cold
        How much worse a change may be at first and at last, as a temperature [points].
    strain
        Points that each broken rule costs while the search is under way.
    near, back : (n + 1, m) int64
        Holes whose tee is near each basket, and whose basket is near each tee, the last row the
        arrival's; -1 where there are fewer.
    """

    steps: int
    hot: float
    cold: float
    strain: float
    near: NDArray[np.int64]
    back: NDArray[np.int64]


@njit(cache=True, nogil=True)
def clashes(order, apart):
    """Pairs of a round that cannot both be there."""
    broken = 0
    for i in range(order.size):
        for j in range(i + 1, order.size):
            if apart[order[i], order[j]]:
                broken += 1
    return broken


@njit(cache=True, nogil=True)
def _walks(order, terms):
    """Points that the walks of a round cost, and how many there are none of."""
    n, count, words = terms.gain.size, order.size, terms.fire.shape[1]
    held = np.zeros(words, np.uint64)
    for hole in order if words else order[:0]:
        held[hole >> 6] |= np.uint64(1) << np.uint64(hole & 63)
    points, missing = 0.0, 0
    for i in range(count + 1):
        a = order[i - 1] if i > 0 else n
        b = order[i] if i < count else n
        stops = 2 if terms.half > 0 and i == terms.half else 1
        for s in range(stops):
            left, to = (a if s == 0 else n), (n if stops == 2 and s == 0 else b)
            walk = terms.cost[left, to]
            if walk == np.inf:
                missing += 1
                continue
            points += walk
            way = terms.way[left, to]
            for w in range(words if way >= 0 else 0):
                if terms.fire[way, w] & held[w]:
                    points += terms.crossing
                    break
    return points, missing


@njit(cache=True, nogil=True)
def worth(order, terms):
    """Points of a round, and how many rules it breaks but for clashes.

    Parameters
    ----------
    order : (count,) int64
        Holes in playing order; none twice.
    terms : Terms
        What counts.

    Returns
    -------
    points, broken : float, int
    """
    count, kinds = order.size, terms.least.size
    points, broken = 0.0, 0
    total, hours, run, before = 0.0, 0.0, 0, -1
    there = np.zeros(kinds, np.int64)
    for i in range(count):
        hole = order[i]
        points += terms.gain[hole]
        total += terms.length[hole]
        hours += terms.trim[hole]
        if terms.place[hole] != 0 and terms.place[hole] != i + 1:
            broken += 1
        if i == terms.half:
            run = 0
        run = run + 1 if terms.finish[hole] == before and run > 0 else 1
        if run > terms.most:
            points -= terms.repeat
            run = 1
        before = terms.finish[hole]
        for k in range(kinds):
            there[k] += terms.kind[hole, k]
    walks, missing = _walks(order, terms)
    points -= walks
    broken += missing
    for k in range(kinds):
        points -= terms.weight[k] * max(0, terms.least[k] - there[k])
    points -= terms.per_metre * max(terms.low - total, total - terms.high, 0.0)
    if hours > terms.budget + 1e-9:
        broken += 1
    for e in range(terms.shared.size):
        same = 0
        for i in range(count):
            same += terms.earlier[e, order[i]]
        broken += max(0, same - terms.shared[e])
    return points, broken


@njit(cache=True, nogil=True)
def _at_most(order, terms, strain):
    """What a round is worth but for what can only cost: its holes less its walks by themselves."""
    n, count = terms.gain.size, order.size
    points = terms.gain[order[0]]
    for i in range(1, count):
        points += terms.gain[order[i]]
    for i in range(count + 1):
        a = order[i - 1] if i > 0 else n
        b = order[i] if i < count else n
        if terms.half > 0 and i == terms.half:
            walk = np.float64(terms.cost[a, n]) + np.float64(terms.cost[n, b])
        else:
            walk = terms.cost[a, b]
        points -= min(walk, strain)
    return points


@njit(cache=True, nogil=True)
def _next(tried, i, there, terms, cooling, onward, rng):
    """A hole to put at a place of a round; -1 for none.

    Mostly the best of a few whose tees are near the basket before, or whose baskets are near the
    tee after: by its points and the walk to it, and by the walk on unless the next hole changes
    too. Now and then any hole.
    """
    n = terms.gain.size
    before = tried[i - 1] if i > 0 and i != terms.half else n
    after = tried[i + 1] if i + 1 < tried.size and i + 1 != terms.half else n
    found, most = -1, -np.inf
    for _ in range(DRAWN if rng.random() < 0.8 else 0):
        if onward and rng.random() < 0.5:
            new = cooling.back[after, rng.integers(0, cooling.back.shape[1])]
        else:
            new = cooling.near[before, rng.integers(0, cooling.near.shape[1])]
        if new < 0 or there[new]:
            continue
        points = terms.gain[new] - terms.cost[before, new]
        if onward:
            points -= terms.cost[new, after]
        if points > most or found < 0:
            found, most = new, points
    if found < 0:
        found = rng.integers(0, n)
        if there[found]:
            return -1
    return found


@njit(cache=True, nogil=True)
def _exchange(tried, size, there, must, terms, cooling, rng):
    """Put other holes in the place of one or two in a row; the first place, -1 for no change."""
    count = tried.size
    i = rng.integers(0, count - size + 1)
    for k in range(i, i + size):
        if must[tried[k]]:
            return -1
    for k in range(i, i + size):
        new = _next(tried, k, there, terms, cooling, k == i + size - 1, rng)
        if new < 0 or (k > i and new == tried[i]):
            return -1
        tried[k] = new
    return i


@njit(cache=True, nogil=True)
def _clashes_changed(tried, order, i, size, apart):
    """By how many clashes a round with other holes at some places in a row differs."""
    more = 0
    for k in range(i, i + size):
        for j in range(order.size):
            if j < i or j >= i + size:
                more += int(apart[tried[k], order[j]]) - int(apart[order[k], order[j]])
        for j in range(k + 1, i + size):
            more += int(apart[tried[k], tried[j]]) - int(apart[order[k], order[j]])
    return more


@njit(cache=True, nogil=True)
def _shift(tried, order, rng):
    """Move a stretch of the round elsewhere."""
    count = order.size
    size = min(1 + rng.integers(0, max(1, count // 2)), count - 1)
    i, j = rng.integers(0, count - size + 1), rng.integers(0, count - size + 1)
    rest = 0
    for k in range(count):
        if k < i or k >= i + size:
            tried[rest if rest < j else rest + size] = order[k]
            rest += 1
    for k in range(size):
        tried[j + k] = order[i + k]


@njit(cache=True, nogil=True)
def anneal(start, must, terms, cooling, rng):
    """Better a round by small changes, worse ones taken the less the colder it gets.

    A change puts other holes in the place of one or two, exchanges two, or moves some elsewhere.
    Broken rules cost points, so that the search may pass through rounds that are none.

    Parameters
    ----------
    start : (count,) int64
        Round to start from; need not keep the rules, but no hole may be there twice.
    must : (n,) bool
        Holes that stay.
    terms : Terms
        What counts.
    cooling : Cooling
        How the search goes.
    rng
        Source of chance.

    Returns
    -------
    order, points, broken
        The best round met: of fewest broken rules, then of most points.
    """
    n = terms.gain.size
    order = start.copy()
    count = order.size
    there = np.zeros(n, np.bool_)
    for hole in order:
        there[hole] = True
    points, faults = worth(order, terms)
    clash = clashes(order, terms.apart)
    best, best_points, best_broken = order.copy(), points, faults + clash
    tried = order.copy()
    hot, cold = cooling.hot, cooling.cold
    for step in range(cooling.steps):
        heat = hot * (cold / hot) ** (step / cooling.steps)
        # Worth that the changed round must have, drawn beforehand.
        bar = points - cooling.strain * (faults + clash) + heat * np.log(max(rng.random(), 1e-300))
        tried[:] = order
        i, size, now_clash = -1, 0, clash
        move = rng.random()
        if move < 0.75 or count < 2:
            size = 1 if move < 0.45 or count < 2 else 2
            i = _exchange(tried, size, there, must, terms, cooling, rng)
            if i < 0:
                continue
            now_clash += _clashes_changed(tried, order, i, size, terms.apart)
        elif move < 0.85:
            a, b = rng.integers(0, count), rng.integers(0, count)
            tried[a], tried[b] = tried[b], tried[a]
        else:
            _shift(tried, order, rng)
        # Most changes end here, before all terms are added up; the margin is for rounding.
        if _at_most(tried, terms, cooling.strain) - cooling.strain * now_clash < bar - 1e-6:
            continue
        now, now_faults = worth(tried, terms)
        broken = now_faults + now_clash
        if now - cooling.strain * broken < bar:
            continue
        for k in range(i, i + size):
            there[order[k]] = False
        for k in range(i, i + size):
            there[tried[k]] = True
        order[:] = tried
        points, faults, clash = now, now_faults, now_clash
        if broken < best_broken or (broken == best_broken and now > best_points):
            best[:] = order
            best_points, best_broken = now, broken
    return best, best_points, best_broken
