"""Room between holes: every place of every hole against those of every other, by the rules."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

LOOKS = 9  # places between two points where trees are looked for

NEAR_FAIRWAY, NEAR_TEE, NEAR_BASKET, TEE_BY_GREEN, TEES, PAST = range(6)


class Places(NamedTuple):
    """Holes cut into places; arrays (places,) unless said.

    Attributes
    ----------
    first : (holes + 1,) int64
        Where the places of each hole start.
    xy : (places, 2)
        Coordinates [m].
    share
        Part of the distances that is asked for at each place, 0-1.
    along, left
        Metres from the tee, and from the basket.
    play : (places, 2)
        Direction of play, a unit vector.
    """

    first: NDArray[np.int64]
    xy: NDArray[np.float64]
    share: NDArray[np.float64]
    along: NDArray[np.float64]
    left: NDArray[np.float64]
    play: NDArray[np.float64]


class Rules(NamedTuple):
    """Distances asked for [m], over open ground and with trees between, and how they are applied.

    Attributes
    ----------
    fairway, tee_basket, next_tee, behind : (2,)
        As in the section `layout: safety:`.
    tees
        From one tee to another.
    handover
        Metres before a basket and after a tee of another hole that may meet.
    weaker
        Weight of that of two fairway places where less is asked.
    cosine
        Of the angle to the line of play within which ground is past a basket.
    slack
        Metres added to each distance.
    enough
        Share of trees from which they count as standing between.
    """

    fairway: NDArray[np.float64]
    tee_basket: NDArray[np.float64]
    next_tee: NDArray[np.float64]
    behind: NDArray[np.float64]
    tees: float
    handover: float
    weaker: float
    cosine: float
    slack: float
    enough: float


class Trees(NamedTuple):
    """Share of trees around each cell (rows, cols), and where the cells lie [m]."""

    share: NDArray[np.float32]
    left: float
    top: float
    cell: float


@njit(cache=True, nogil=True)
def _between(trees, a, b):
    """Mean share of trees on the straight between two points."""
    total = 0.0
    for k in range(LOOKS):
        u = (k + 0.5) / LOOKS
        row = int(np.floor((trees.top - (a[1] + u * (b[1] - a[1]))) / trees.cell))
        col = int(np.floor((a[0] + u * (b[0] - a[0]) - trees.left) / trees.cell))
        row = min(max(row, 0), trees.share.shape[0] - 1)
        col = min(max(col, 0), trees.share.shape[1] - 1)
        total += trees.share[row, col]
    return total / LOOKS


@njit(cache=True, nogil=True)
def _one_way(p, q, places, rules, among):
    """Distance asked of a fairway's place p from the tee or basket at q, and the rule."""
    if places.along[q] == 0:
        if places.left[p] < rules.handover:
            return rules.next_tee[among], TEE_BY_GREEN
        return rules.tee_basket[among] * places.share[p], NEAR_TEE
    if places.left[q] == 0:
        if places.along[p] < rules.handover:
            return rules.next_tee[among], NEAR_BASKET
        return rules.tee_basket[among] * places.share[p], NEAR_BASKET
    return 0.0, NEAR_FAIRWAY


@njit(cache=True, nogil=True)
def _past(p, q, places, cosine):
    """Whether q lies past the basket at p on its line of play."""
    if places.left[p] != 0:
        return False
    dx, dy = places.xy[q, 0] - places.xy[p, 0], places.xy[q, 1] - places.xy[p, 1]
    size = np.sqrt(dx * dx + dy * dy)
    return size > 0 and dx * places.play[p, 0] + dy * places.play[p, 1] >= cosine * size


@njit(cache=True, nogil=True)
def _asked(p, q, places, rules, among):
    """Distance asked between two places of two holes, and the rule that asks most.

    `among` is 0 over open ground, 1 with trees between.
    """
    along, left, end = places.along, places.left, rules.handover
    rule = NEAR_FAIRWAY
    handed = (left[p] < end and along[q] < end) or (left[q] < end and along[p] < end)
    more, less = max(places.share[p], places.share[q]), min(places.share[p], places.share[q])
    needed = 0.0 if handed else rules.fairway[among] * (more - rules.weaker * (more - less))
    for a, b in ((p, q), (q, p)):
        asks, why = _one_way(a, b, places, rules, among)
        if asks > needed:
            needed, rule = asks, why
    if along[p] == 0 and along[q] == 0 and rules.tees > needed:
        needed, rule = rules.tees, TEES
    past = _past(p, q, places, rules.cosine) or _past(q, p, places, rules.cosine)
    if past and rules.behind[among] > needed:
        needed, rule = rules.behind[among], PAST
    return needed + rules.slack, rule


@njit(cache=True, nogil=True)
def _worst_of(i, j, places, rules, trees):
    """Rule, distance and distance asked where two holes break a rule worst; rule -1 for none."""
    xy, share = places.xy, places.share
    whole = max(rules.fairway[0], rules.tee_basket[0])
    least = max(rules.next_tee[0], rules.tees, rules.behind[0])
    found, near, asked, worst = -1, 0.0, 0.0, 1.0
    for p in range(places.first[i], places.first[i + 1]):
        for q in range(places.first[j], places.first[j + 1]):
            # Most places fall here, before the rules are gone through.
            limit = worst * (max(whole * max(share[p], share[q]), least) + rules.slack)
            dx, dy = xy[p, 0] - xy[q, 0], xy[p, 1] - xy[q, 1]
            if dx * dx + dy * dy >= limit * limit:
                continue
            d = np.sqrt(dx * dx + dy * dy)
            needed, why = _asked(p, q, places, rules, 0)
            if d >= worst * needed:
                continue
            wooded, why_wooded = _asked(p, q, places, rules, 1)
            if d < wooded:
                needed, why = wooded, why_wooded
            elif _between(trees, xy[p], xy[q]) >= rules.enough:
                continue
            if d < worst * needed:
                found, near, asked, worst = why, d, needed, d / needed
    return found, near, asked


@njit(cache=True, nogil=True)
def _room(places, rules, trees, rule, near, asked):
    """Fill the upper triangles; see `room`."""
    holes = places.first.size - 1
    most = rules.slack + max(
        rules.fairway[0], rules.tee_basket[0], rules.next_tee[0], rules.tees, rules.behind[0]
    )
    box = np.empty((holes, 4))
    for h in range(holes):
        part = places.xy[places.first[h] : places.first[h + 1]]
        box[h] = part[:, 0].min(), part[:, 1].min(), part[:, 0].max(), part[:, 1].max()
    for i in range(holes):
        for j in range(i + 1, holes):
            if (
                box[i, 0] > box[j, 2] + most
                or box[j, 0] > box[i, 2] + most
                or box[i, 1] > box[j, 3] + most
                or box[j, 1] > box[i, 3] + most
            ):
                continue
            rule[i, j], near[i, j], asked[i, j] = _worst_of(i, j, places, rules, trees)


def room(
    places: Places, rules: Rules, trees: Trees
) -> tuple[NDArray[np.int8], NDArray[np.float32], NDArray[np.float32]]:
    """Worst broken rule of each pair of holes.

    Returns
    -------
    rule, near, asked : (holes, holes)
        Upper triangle: the rule, -1 where none is broken; distance, and distance asked [m].
    """
    holes = places.first.size - 1
    rule = np.full((holes, holes), -1, np.int8)
    near, asked = np.zeros((2, holes, holes), np.float32)
    _room(places, rules, trees, rule, near, asked)
    return rule, near, asked
