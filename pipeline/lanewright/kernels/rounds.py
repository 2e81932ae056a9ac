"""Compiled search for a good round: changes to a round, taken by simulated annealing."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit

STRAIN = 600.0  # points for each rule broken while the search is under way


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
def worth(
    order, gain, cost, kind, least, weight, length, low, high, per_metre, finish, most,
    repeat, trim, budget, place, half, earlier, shared,
):  # fmt: skip
    """Points of a round but for crossings, and how many rules it breaks but for clashes.

    Parameters
    ----------
    order : (count,) int64
        Holes in playing order; none twice.
    gain : (n,) float64
        Points of each hole.
    cost : (n + 1, n + 1) float32
        Points that the walk from each hole to each other costs, the last of both the arrival;
        infinite where there is none.
    kind, least, weight : (n, k) bool, (k,) int64, (k,) float64
        The mix: members, least number, points for each hole short.
    length, low, high, per_metre
        Length of holes in whole metres, their usual total, points for a metre off it.
    finish, most, repeat
        Code of each hole's finish, most in a row, points for each beyond.
    trim, budget
        Hours of trimming, most of them in all.
    place : (n,) int64
        Number that a hole must have; 0 for any.
    half : int
        Holes before the stop at the arrival; 0 for no stop.
    earlier, shared : (e, n) bool, (e,) int64
        Earlier rounds, and the most holes to share with each.

    Returns
    -------
    points, broken : float, int
    """
    n = gain.size
    count = order.size
    kinds = least.size
    points, broken = 0.0, 0
    total, hours, run, before = 0.0, 0.0, 0, -1
    there = np.zeros(kinds, np.int64)
    for i in range(count):
        hole = order[i]
        points += gain[hole]
        total += length[hole]
        hours += trim[hole]
        if place[hole] != 0 and place[hole] != i + 1:
            broken += 1
        if i == half:
            run = 0
        run = run + 1 if finish[hole] == before and run > 0 else 1
        if run > most:
            points -= repeat
            run = 1
        before = finish[hole]
        for k in range(kinds):
            there[k] += kind[hole, k]
    for i in range(count + 1):
        a = order[i - 1] if i > 0 else n
        b = order[i] if i < count else n
        stops = 2 if half > 0 and i == half else 1
        for s in range(stops):
            walk = cost[a if s == 0 else n, n if stops == 2 and s == 0 else b]
            if walk == np.inf:
                broken += 1
            else:
                points -= walk
    for k in range(kinds):
        points -= weight[k] * max(0, least[k] - there[k])
    points -= per_metre * max(low - total, total - high, 0.0)
    if hours > budget + 1e-9:
        broken += 1
    for e in range(shared.size):
        same = 0
        for i in range(count):
            same += earlier[e, order[i]]
        broken += max(0, same - shared[e])
    return points, broken


@njit(cache=True, nogil=True)
def anneal(
    start, must, steps, hot, cold, rng, near, apart, gain, cost, kind, least, weight, length, low,
    high, per_metre, finish, most, repeat, trim, budget, place, half, earlier, shared,
):  # fmt: skip
    """Better a round by small changes, worse ones taken the less the colder it gets.

    A change puts another hole in the place of one, exchanges two, or moves some elsewhere. Broken
    rules cost `STRAIN` points each, so that the search may pass through rounds that are none.

    Parameters
    ----------
    start : (count,) int64
        Round to start from; need not keep the rules, but no hole may be there twice.
    must : (n,) bool
        Holes that stay.
    steps, hot, cold
        Changes tried, temperature [points] at first and at last.
    rng
        Source of chance.
    near : (n + 1, m) int64
        Holes whose tee is near each basket, the last row the arrival's; -1 where there are fewer.
    apart : (n, n) bool
        Holes that cannot both be there.
    gain ...
        As in `worth`.

    Returns
    -------
    order, points, broken
        The best round met: of fewest broken rules, then of most points.
    """
    n = gain.size
    order = start.copy()
    count = order.size
    there = np.zeros(n, np.bool_)
    for hole in order:
        there[hole] = True
    points, faults = worth(
        order, gain, cost, kind, least, weight, length, low, high, per_metre, finish, most,
        repeat, trim, budget, place, half, earlier, shared,
    )  # fmt: skip
    clash = clashes(order, apart)
    best, best_points, best_broken = order.copy(), points, faults + clash
    tried = order.copy()
    for step in range(steps):
        heat = hot * (cold / hot) ** (step / steps)
        # Worth that the changed round must have, drawn beforehand so that poor ones end early.
        bar = points - STRAIN * (faults + clash) + heat * np.log(max(rng.random(), 1e-300))
        tried[:] = order
        old, new, now_clash = -1, -1, clash
        move = rng.random()
        if move < 0.6 or count < 2:
            i = rng.integers(0, count)
            old = order[i]
            if must[old]:
                continue
            # Mostly a hole whose tee is near the basket before, now and then any hole.
            before = order[i - 1] if i > 0 else n
            new = near[before, rng.integers(0, near.shape[1])] if rng.random() < 0.8 else -1
            if new < 0:
                new = rng.integers(0, n)
            if there[new]:
                continue
            tried[i] = new
            for j in range(count):
                if j != i:
                    now_clash += int(apart[new, order[j]]) - int(apart[old, order[j]])
        elif move < 0.75:
            i, j = rng.integers(0, count), rng.integers(0, count)
            tried[i], tried[j] = tried[j], tried[i]
        else:
            # A stretch goes elsewhere.
            size = min(1 + rng.integers(0, max(1, count // 2)), count - 1)
            i, j = rng.integers(0, count - size + 1), rng.integers(0, count - size + 1)
            rest = 0
            for k in range(count):
                if k < i or k >= i + size:
                    tried[rest if rest < j else rest + size] = order[k]
                    rest += 1
            for k in range(size):
                tried[j + k] = order[i + k]
        now, now_faults = worth(
            tried, gain, cost, kind, least, weight, length, low, high, per_metre, finish,
            most, repeat, trim, budget, place, half, earlier, shared,
        )  # fmt: skip
        broken = now_faults + now_clash
        if now - STRAIN * broken < bar:
            continue
        order[:] = tried
        points, faults, clash = now, now_faults, now_clash
        if new >= 0:
            there[old] = False
            there[new] = True
        if broken < best_broken or (broken == best_broken and now > best_points):
            best[:] = order
            best_points, best_broken = now, broken
    return best, best_points, best_broken
