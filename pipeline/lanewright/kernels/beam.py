"""Compiled step of a beam search for rounds: every way to play one hole more."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray


class Strings(NamedTuple):
    """Holes strung on walks, not yet a whole round; arrays over strings.

    Attributes
    ----------
    barred : (m, words) uint64
        Holes that cannot come any more, a bit each.
    last : (m,) int64
        Hole played last; the number of holes for the arrival.
    score : (m,) float64
        Points so far, with what the search adds to guide it.
    hours : (m,) float64
        Hours of trimming.
    kept : (m,) int64
        Holes among them that must be in the round.
    shared : (m, e) int64
        Holes among them that lie where each earlier round has one.
    """

    barred: NDArray[np.uint64]
    last: NDArray[np.int64]
    score: NDArray[np.float64]
    hours: NDArray[np.float64]
    kept: NDArray[np.int64]
    shared: NDArray[np.int64]


class Guide(NamedTuple):
    """What guides the search; arrays over holes.

    Attributes
    ----------
    points : (n,) float64
        What each hole brings.
    bars : (n, words) uint64
        Holes that each one bars, itself too, a bit each.
    room : (n,) float64
        Points that each hole barred costs: the land that it stands for.
    must : (n,) bool
        Holes that must be in the round.
    next : (n + 1, k) int64
        Holes tried after each, the last row the arrival's; -1 where there are fewer.
    """

    points: NDArray[np.float64]
    bars: NDArray[np.uint64]
    room: NDArray[np.float64]
    must: NDArray[np.bool_]
    next: NDArray[np.int64]


@njit(cache=True, nogil=True)
def _room_lost(bars, barred, room):
    """Points of the holes that come to be barred."""
    lost = 0.0
    for word in range(bars.size):
        bits = bars[word] & ~barred[word]
        hole = word * 64
        while bits:
            if bits & np.uint64(0xFF) == 0:
                bits >>= np.uint64(8)
                hole += 8
                continue
            if bits & np.uint64(1):
                lost += room[hole]
            bits >>= np.uint64(1)
            hole += 1
    return lost


@njit(cache=True, nogil=True)
def longer(strings, guide, terms, step, count, musts):
    """Strings with one hole more: from which, which hole, and their score.

    Parameters
    ----------
    strings : Strings
        All of `step` holes.
    guide : Guide
        What the search goes by.
    terms : rounds.Terms
        What counts, and the rules.
    step, count, musts
        Holes so far, holes wanted, and how many of those must be in the round.

    Returns
    -------
    parent, hole : (k,) int64
    score : (k,) float64
    """
    n = terms.gain.size
    size = strings.last.size * (guide.next.shape[1] + musts)
    parent, hole = np.empty(size, np.int64), np.empty(size, np.int64)
    score = np.empty(size)
    must = np.flatnonzero(guide.must)
    fixed = -1
    for h in range(n):
        if terms.place[h] == step + 1:
            fixed = h
    stop = terms.half > 0 and step == terms.half
    found = 0
    for i in range(strings.last.size):
        before = n if stop else strings.last[i]
        home = terms.cost[strings.last[i], n] if stop else 0.0
        spare = count - step - 1 - (musts - strings.kept[i])
        for j in range(guide.next.shape[1] + musts):
            if j < guide.next.shape[1]:
                new = guide.next[before, j]
                if new < 0 or guide.must[new]:
                    continue
            else:
                new = must[j - guide.next.shape[1]]
            if fixed >= 0 and new != fixed:
                continue
            if terms.place[new] != 0 and terms.place[new] != step + 1:
                continue
            if spare < 0 and not guide.must[new]:
                continue
            if (strings.barred[i, new >> 6] >> np.uint64(new & 63)) & np.uint64(1):
                continue
            walk = terms.cost[before, new] + home
            if walk == np.inf or strings.hours[i] + terms.trim[new] > terms.budget + 1e-9:
                continue
            fits = True
            for e in range(terms.shared.size):
                if strings.shared[i, e] + terms.earlier[e, new] > terms.shared[e]:
                    fits = False
            if not fits:
                continue
            lost = _room_lost(guide.bars[new], strings.barred[i], guide.room)
            parent[found], hole[found] = i, new
            score[found] = strings.score[i] + guide.points[new] - walk - lost
            found += 1
    return parent[:found], hole[:found], score[:found]


@njit(cache=True, nogil=True)
def first_sets(order, key, hole, holes, each, width):
    """Of strings in order, the first of every set of holes and last hole, so many of each last.

    Parameters
    ----------
    order : (m,) int64
        Rows, best first.
    key : (k,) int64
        One number for each set of holes and last hole.
    hole : (k,) int64
        Last hole, of `holes` in all.
    each, width
        Most strings with one last hole; most strings in all.

    Returns
    -------
    (kept,) int64
        Rows in that order.
    """
    size = 16
    while size < 2 * order.size:
        size *= 2
    table = np.full(size, -1, np.int64)  # rows taken, by the low bits of their key
    count = np.zeros(holes, np.int64)
    kept = np.empty(min(width, order.size), np.int64)
    found = 0
    for row in order:
        at = key[row] & (size - 1)
        while table[at] >= 0 and key[table[at]] != key[row]:
            at = (at + 1) & (size - 1)
        if table[at] >= 0:
            continue
        table[at] = row
        if count[hole[row]] < each:
            count[hole[row]] += 1
            kept[found] = row
            found += 1
            if found == width:
                break
    return kept[:found]
