"""Room between holes: every place of every hole against those of every other, by the rules."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

LOOKS = 9  # places between two points where trees are looked for

RUN = 8  # places of a hole that are passed over together where they lie far

NEAR_FAIRWAY, NEAR_TEE, NEAR_BASKET, TEE_BY_GREEN, TEES, PAST, IN_CONE = range(7)


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


class Cones(NamedTuple):
    """Cones before where throws start; arrays (legs,) unless said.

    Attributes
    ----------
    first : (holes + 1,) int64
        Where the legs of each hole start.
    start, way : (legs, 2)
        Where each is thrown from, and from there to where it ends [m].
    reach, near
        Length of the cone, and up to where `near_deg` holds [m].
    near_deg, far_deg
        Half-angles [degrees].
    """

    first: NDArray[np.int64]
    start: NDArray[np.float64]
    way: NDArray[np.float64]
    reach: NDArray[np.float64]
    near: NDArray[np.float64]
    near_deg: float
    far_deg: float


class _Parts(NamedTuple):
    """Runs of places with the box around each: what lies far is passed over together.

    `first` (holes + 1,) and `start` (parts + 1,) say which; `box` (parts, 4) is left, bottom,
    right, top; `share` (parts,) the greatest of its places.
    """

    first: NDArray[np.int64]
    start: NDArray[np.int64]
    box: NDArray[np.float64]
    share: NDArray[np.float64]


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


@njit(cache=True, nogil=True, inline="always")
def _far2(xy, box):
    """Squared distance from a place to a box; 0 inside."""
    dx = max(box[0] - xy[0], xy[0] - box[2], 0.0)
    dy = max(box[1] - xy[1], xy[1] - box[3], 0.0)
    return dx * dx + dy * dy


@njit(cache=True, nogil=True)
def _nearest(i, j, places, parts):
    """The two places of two holes that lie nearest to one another."""
    xy, least, p_near, q_near = places.xy, np.inf, places.first[i], places.first[j]
    for p in range(places.first[i], places.first[i + 1]):
        for part in range(parts.first[j], parts.first[j + 1]):
            if _far2(xy[p], parts.box[part]) >= least:
                continue
            for q in range(parts.start[part], parts.start[part + 1]):
                dx, dy = xy[p, 0] - xy[q, 0], xy[p, 1] - xy[q, 1]
                if dx * dx + dy * dy < least:
                    least, p_near, q_near = dx * dx + dy * dy, p, q
    return p_near, q_near


@njit(cache=True, nogil=True)
def _broken(p, q, d, worst, places, rules, trees):
    """Distance asked of two places `d` apart, and the rule, if broken worse; else rule -1."""
    along, left, share = places.along, places.left, places.share
    if along[p] != 0 and left[p] != 0 and along[q] != 0 and left[q] != 0:
        # Neither is a tee or a basket: what `_asked` comes to, without going through its rules.
        end, why, why_wooded = rules.handover, NEAR_FAIRWAY, NEAR_FAIRWAY
        part = 0.0
        if not ((left[p] < end and along[q] < end) or (left[q] < end and along[p] < end)):
            more, less = max(share[p], share[q]), min(share[p], share[q])
            part = more - rules.weaker * (more - less)
        needed = rules.fairway[0] * part + rules.slack
        if d >= worst * needed:
            return 0.0, -1
        wooded = rules.fairway[1] * part + rules.slack
    else:
        needed, why = _asked(p, q, places, rules, np.int64(0))
        if d >= worst * needed:
            return 0.0, -1
        wooded, why_wooded = _asked(p, q, places, rules, np.int64(1))
    if d < wooded:
        needed, why = wooded, why_wooded
    elif _between(trees, places.xy[p], places.xy[q]) >= rules.enough:
        return 0.0, -1
    if d < worst * needed:
        return needed, why
    return 0.0, -1


@njit(cache=True, nogil=True)
def _worst_of(i, j, places, parts, rules, trees):
    """Rule, distance and distance asked where two holes break a rule worst; rule -1 for none."""
    xy, share = places.xy, places.share
    whole = max(rules.fairway[0], rules.tee_basket[0])
    least = max(rules.next_tee[0], rules.tees, rules.behind[0])
    found, near, asked, worst = -1, 0.0, 0.0, 1.0
    # Where holes cross or meet little is worse than that, and all else is passed over.
    p, q = _nearest(i, j, places, parts)
    d = np.sqrt((xy[p, 0] - xy[q, 0]) ** 2 + (xy[p, 1] - xy[q, 1]) ** 2)
    needed, why = _broken(p, q, d, worst, places, rules, trees)
    if why >= 0:
        found, near, asked, worst = why, d, needed, d / needed
    for p in range(places.first[i], places.first[i + 1]):
        for part in range(parts.first[j], parts.first[j + 1]):
            limit = worst * (max(whole * max(share[p], parts.share[part]), least) + rules.slack)
            if _far2(xy[p], parts.box[part]) >= limit * limit:
                continue
            for q in range(parts.start[part], parts.start[part + 1]):
                # Most places fall here, before the rules are gone through.
                limit = worst * (max(whole * max(share[p], share[q]), least) + rules.slack)
                dx, dy = xy[p, 0] - xy[q, 0], xy[p, 1] - xy[q, 1]
                if dx * dx + dy * dy >= limit * limit:
                    continue
                d = np.sqrt(dx * dx + dy * dy)
                needed, why = _broken(p, q, d, worst, places, rules, trees)
                if why >= 0:
                    found, near, asked, worst = why, d, needed, d / needed
    return found, near, asked


@njit(cache=True, nogil=True)
def _worst_in_cone(i, j, places, cones, slack):
    """How deep a tee or basket of hole j stands in a cone of hole i: distance and asked; 0, 0."""
    near, asked, worst = 0.0, 0.0, 1.0
    for leg in range(cones.first[i], cones.first[i + 1]):
        wx, wy = cones.way[leg, 0], cones.way[leg, 1]
        for q in (places.first[j], places.first[j + 1] - 1):
            dx = places.xy[q, 0] - cones.start[leg, 0]
            dy = places.xy[q, 1] - cones.start[leg, 1]
            d = np.sqrt(dx * dx + dy * dy)
            if d == 0 or d > cones.reach[leg] + slack:
                continue
            angle = np.degrees(abs(np.arctan2(wx * dy - wy * dx, wx * dx + wy * dy)))
            half = cones.near_deg if d <= cones.near[leg] else cones.far_deg
            if angle >= half:
                continue
            away = d * np.sin(np.radians(angle))
            needed = max(d * np.sin(np.radians(half)), 1e-9)
            if asked == 0 or away / needed < worst:
                near, asked, worst = away, needed, away / needed
    return near, asked


@njit(cache=True, nogil=True, parallel=True)
def _room(pairs, places, parts, cones, rules, trees, rule, metres):
    """Fill the results of each pair, `metres` with distance and distance asked; see `room`."""
    for k in prange(rule.size):
        i, j = pairs[0, k], pairs[1, k]
        found, d, needed = _worst_of(i, j, places, parts, rules, trees)
        for a, b in ((i, j), (j, i)):
            away, wanted = _worst_in_cone(a, b, places, cones, rules.slack)
            if wanted > 0 and (found < 0 or away / wanted < d / needed):
                found, d, needed = IN_CONE, away, wanted
        rule[k], metres[0, k], metres[1, k] = found, d, needed


@njit(cache=True, nogil=True)
def _close(box, margin, first, second):
    """Count pairs of boxes within `margin`, and write them where there is room for them."""
    count = 0
    for i in range(len(box)):
        left, bottom, right, top = box[i]
        left, bottom, right, top = left - margin, bottom - margin, right + margin, top + margin
        for j in range(i + 1, len(box)):
            if box[j, 0] > right or box[j, 2] < left or box[j, 1] > top or box[j, 3] < bottom:
                continue
            if count < first.size:
                first[count], second[count] = i, j
            count += 1
    return count


def _parts(places: Places) -> _Parts:
    """Runs of at most `RUN` places of each hole."""
    size = np.diff(places.first)
    runs = -(-size // RUN)
    first = np.r_[0, np.cumsum(runs)].astype(np.int64)
    turn = np.arange(first[-1]) - np.repeat(first[:-1], runs)
    start = np.repeat(places.first[:-1], runs) + RUN * turn
    low, high = (f.reduceat(places.xy, start) for f in (np.minimum, np.maximum))
    return _Parts(
        first,
        np.r_[start, places.first[-1]].astype(np.int64),
        np.column_stack([low, high]),
        np.maximum.reduceat(places.share, start),
    )


def close_pairs(
    places: Places, cones: Cones, rules: Rules
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Pairs of holes, the first before the second, that lie near enough to break a rule."""
    none = np.empty(0, np.int32)
    if places.first.size < 2:
        return none, none
    low = np.minimum.reduceat(places.xy, places.first[:-1])
    high = np.maximum.reduceat(places.xy, places.first[:-1])
    asked = (rules.fairway, rules.tee_basket, rules.next_tee, rules.behind)
    most = max(rules.tees, *(float(pair[0]) for pair in asked)) + rules.slack
    # A tee or basket in a cone lies beside its leg, or past its end.
    reach = cones.reach + rules.slack
    beside = np.sin(np.radians(min(max(cones.near_deg, cones.far_deg), 90.0))) * reach
    past = np.maximum(reach - np.hypot(*cones.way.T), 0)
    margin = max(most, float(np.hypot(beside, past).max(initial=0.0)))
    box = np.column_stack([low, high])
    count = _close(box, margin, none, none)
    first, second = np.empty((2, count), np.int32)
    _close(box, margin, first, second)
    return first, second


def room(
    first: NDArray[np.int32],
    second: NDArray[np.int32],
    places: Places,
    cones: Cones,
    rules: Rules,
    trees: Trees,
) -> tuple[NDArray[np.int8], NDArray[np.float32], NDArray[np.float32]]:
    """Worst broken rule of pairs of holes.

    Parameters
    ----------
    first, second
        Rows of the holes of each pair.
    places, cones, rules, trees
        What is held against what.

    Returns
    -------
    rule, near, asked : (pairs,)
        The rule, -1 where none is broken; distance, and distance asked [m].
    """
    rule = np.full(first.size, -1, np.int8)
    metres = np.zeros((2, first.size), np.float32)
    if first.size:
        pairs = np.stack([first, second])
        _room(pairs, places, _parts(places), cones, rules, trees, rule, metres)
    return rule, metres[0], metres[1]
