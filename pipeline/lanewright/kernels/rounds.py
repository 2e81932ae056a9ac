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

ONE, TWO, IN_PLACE, ELSEWHERE, EXCHANGED = 0.3, 0.5, 0.6, 0.8, 0.88
"""Shares of changes, added up: other holes in the place of one, two or three in a row, another hole
in another place, two exchanged; the rest move a stretch. Tried on the demo; ours."""


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
    back_cost : (n + 1, n + 1) float32
        `Terms.cost` turned round, for the walks to one hole lie side by side there.
    near, back : (n + 1, m) int64
        Holes whose tee is near each basket, and whose basket is near each tee, the last row the
        arrival's; -1 where there are fewer.
    """

    steps: int
    hot: float
    cold: float
    strain: float
    back_cost: NDArray[np.float32]
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
def _drawn(rng, below):
    """A whole number from 0 on; five times as quick as the generator's own."""
    return int(rng.random() * below)


@njit(cache=True, nogil=True)
def _edge(order, i, terms, strain):
    """Points that the walk to a place of a round costs by itself; the last is the walk home."""
    n, count = terms.gain.size, order.size
    a = order[i - 1] if i > 0 else n
    b = order[i] if i < count else n
    if terms.half > 0 and i == terms.half:
        return min(np.float64(terms.cost[a, n]) + np.float64(terms.cost[n, b]), strain)
    return min(np.float64(terms.cost[a, b]), strain)


@njit(cache=True, nogil=True)
def _at_most(order, terms, strain):
    """What a round is worth but for what can only cost: its holes less its walks by themselves."""
    points = 0.0
    for hole in order:
        points += terms.gain[hole]
    for i in range(order.size + 1):
        points -= _edge(order, i, terms, strain)
    return points


@njit(cache=True, nogil=True)
def _gained(tried, order, i, size, terms, strain):
    """By how much `_at_most` of a round differs that has other holes at some places in a row."""
    points = 0.0
    for k in range(i, i + size):
        points += terms.gain[tried[k]] - terms.gain[order[k]]
    for k in range(i, i + size + 1):
        points -= _edge(tried, k, terms, strain) - _edge(order, k, terms, strain)
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
            new = cooling.back[after, _drawn(rng, cooling.back.shape[1])]
        else:
            new = cooling.near[before, _drawn(rng, cooling.near.shape[1])]
        if new < 0 or there[new]:
            continue
        points = terms.gain[new] - terms.cost[before, new]
        if onward:
            points -= cooling.back_cost[after, new]
        if points > most or found < 0:
            found, most = new, points
    if found < 0:
        found = _drawn(rng, n)
        if there[found]:
            return -1
    return found


@njit(cache=True, nogil=True)
def _exchange(tried, i, size, there, must, terms, cooling, rng):
    """Put other holes in some places in a row, from place i on; whether that could be done."""
    for k in range(i, i + size):
        if must[tried[k]]:
            return False
    for k in range(i, i + size):
        new = _next(tried, k, there, terms, cooling, k == i + size - 1, rng)
        if new < 0:
            return False
        for other in tried[i:k]:
            if new == other:
                return False
        tried[k] = new
    return True


@njit(cache=True, nogil=True)
def _clashes_changed(tried, order, i, size, apart):
    """By how many clashes a round with other holes at some places in a row differs."""
    more = 0
    for k in range(i, i + size):
        for j in range(order.size):
            if j < i or j >= i + size:
                # `apart` reads alike both ways; rows of holes that stay lie in the cache.
                more += int(apart[order[j], tried[k]]) - int(apart[order[j], order[k]])
        for j in range(k + 1, i + size):
            more += int(apart[tried[k], tried[j]]) - int(apart[order[k], order[j]])
    return more


@njit(cache=True, nogil=True)
def _shift(tried, order, size, rng):
    """Move a stretch of the round elsewhere; where it begins then."""
    count = order.size
    i, j = _drawn(rng, count - size + 1), _drawn(rng, count - size + 1)
    rest = 0
    for k in range(count):
        if k < i or k >= i + size:
            tried[rest if rest < j else rest + size] = order[k]
            rest += 1
    for k in range(size):
        tried[j + k] = order[i + k]
    return j


@njit(cache=True, nogil=True)
def anneal(start, must, terms, cooling, rng):
    """Better a round by small changes, worse ones taken the less the colder it gets.

    A change puts other holes in the place of one to three, moves one elsewhere and puts another in
    its place, exchanges two, or moves some elsewhere. Broken rules cost points, so that the search
    may pass through rounds that are none.

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
    order, strain = start.copy(), cooling.strain
    count = order.size
    there = np.zeros(terms.gain.size, np.bool_)
    there[order] = True
    points, faults = worth(order, terms)
    clash, most = clashes(order, terms.apart), _at_most(order, terms, strain)
    best, best_points, best_broken = order.copy(), points, faults + clash
    moved, tried = order.copy(), order.copy()
    hot, cold = cooling.hot, cooling.cold
    for step in range(cooling.steps):
        heat = hot * (cold / hot) ** (step / cooling.steps)
        # Worth that the changed round must have, drawn beforehand.
        bar = points - strain * (faults + clash) + heat * np.log(max(rng.random(), 1e-300))
        moved[:] = order
        i, size = 0, 0
        move = rng.random()
        if move < IN_PLACE or count < 2:
            size = min(1 if move < ONE else (2 if move < TWO else 3), count)
            i = _drawn(rng, count - size + 1)
        elif move < ELSEWHERE:
            i, size = _shift(moved, order, 1, rng), 1
        elif move < EXCHANGED:
            a, b = _drawn(rng, count), _drawn(rng, count)
            moved[a], moved[b] = moved[b], moved[a]
        else:
            _shift(moved, order, min(1 + _drawn(rng, max(1, count // 2)), count - 1), rng)
        tried[:] = moved
        if size and not _exchange(tried, i, size, there, must, terms, cooling, rng):
            continue
        if move < IN_PLACE:
            limit = most + _gained(tried, order, i, size, terms, strain)
        else:
            limit = _at_most(tried, terms, strain)
        # Most changes end here, before clashes are counted and all terms added up; the margin is
        # for rounding.
        if limit < bar - 1e-6:
            continue
        now_clash = clash + _clashes_changed(tried, moved, i, size, terms.apart)
        if limit - strain * now_clash < bar - 1e-6:
            continue
        now, now_faults = worth(tried, terms)
        if now - strain * (now_faults + now_clash) < bar:
            continue
        there[order] = False
        there[tried] = True
        order[:] = tried
        points, faults, clash, most = now, now_faults, now_clash, _at_most(tried, terms, strain)
        if (faults + clash, -points) < (best_broken, -best_points):
            best[:] = order
            best_points, best_broken = points, faults + clash
    return best, best_points, best_broken
