"""Room between holes: every place of every hole against those of every other, by the rules."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

LOOKS = 9  # places between two points where trees are looked for

WEAKER = 0.25
"""Weight of the place where less is asked: a full throw then keeps from another fairway's start
what it keeps from a tee, 30 m for 37 m."""

NEAR_FAIRWAY, NEAR_TEE, NEAR_BASKET, TEE_BY_GREEN, TEES, PAST = range(6)


@njit(cache=True, nogil=True)
def _trees(raster: Any, left: Any, top: Any, cell: Any, x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
    """Mean share of trees on the straight between two points."""
    total = 0.0
    for k in range(LOOKS):
        u = (k + 0.5) / LOOKS
        row = int(np.floor((top - (y0 + u * (y1 - y0))) / cell))
        col = int(np.floor((x0 + u * (x1 - x0) - left) / cell))
        row = min(max(row, 0), raster.shape[0] - 1)
        col = min(max(col, 0), raster.shape[1] - 1)
        total += raster[row, col]
    return total / LOOKS


@njit(cache=True, nogil=True)
def _one_way(p: Any, q: Any, share: Any, along: Any, left: Any, end: Any, tee_basket: Any,
             next_tee: Any) -> Any:  # fmt: skip
    """Distance asked of a fairway's place p from the tee or basket at q, and the rule."""
    if along[q] == 0:
        if left[p] < end:
            return next_tee, TEE_BY_GREEN
        return tee_basket * share[p], NEAR_TEE
    if left[q] == 0:
        if along[p] < end:
            return next_tee, NEAR_BASKET
        return tee_basket * share[p], NEAR_BASKET
    return 0.0, NEAR_FAIRWAY


@njit(cache=True, nogil=True)
def _asked(p: Any, q: Any, share: Any, along: Any, left: Any, end: Any, fairway: Any,
           tee_basket: Any, next_tee: Any, tees: Any) -> Any:  # fmt: skip
    """Distance asked between two places of two holes, and the rule that asks most."""
    rule = NEAR_FAIRWAY
    handed = (left[p] < end and along[q] < end) or (left[q] < end and along[p] < end)
    more, less = max(share[p], share[q]), min(share[p], share[q])
    needed = 0.0 if handed else fairway * (more - WEAKER * (more - less))
    for a, b in ((p, q), (q, p)):
        more, why = _one_way(a, b, share, along, left, end, tee_basket, next_tee)
        if more > needed:
            needed, rule = more, why
    if along[p] == 0 and along[q] == 0 and tees > needed:
        needed, rule = tees, TEES
    return needed, rule


@njit(cache=True, nogil=True)
def _past(p: Any, q: Any, xy: Any, play: Any, left: Any, cos: Any) -> Any:
    """Whether q lies past the basket at p on its line of play."""
    if left[p] != 0:
        return False
    dx, dy = xy[q, 0] - xy[p, 0], xy[q, 1] - xy[p, 1]
    size = np.sqrt(dx * dx + dy * dy)
    return size > 0 and dx * play[p, 0] + dy * play[p, 1] >= cos * size


@njit(cache=True, nogil=True)
def room(first: Any, xy: Any, share: Any, along: Any, left: Any, play: Any, end: Any, fairway: Any,
         tee_basket: Any, next_tee: Any, tees: Any, behind: Any, cos: Any, slack: Any, raster: Any,
         origin: Any, enough: Any, rule: Any, near: Any, asked: Any) -> None:  # fmt: skip
    """Worst broken rule of each pair of holes.

    Parameters
    ----------
    first : (holes + 1,)
        Where the places of each hole start.
    xy, share, along, left, play
        Of places: coordinates, part of distances asked, metres from tee and from basket, and
        direction of play as a unit vector.
    end
        Metres before a basket and after a tee that may meet.
    fairway, tee_basket, next_tee, behind : (2,)
        Distances over open ground, and with trees between.
    tees
        Distance between tees.
    cos
        Of the angle to the line of play within which ground is past a basket.
    slack
        Metres added to each distance.
    raster : (rows, cols); origin : (3,)
        Share of trees; left, top and side of its cells.
    enough
        Share of trees from which they stand between.
    rule, near, asked : (holes, holes)
        Filled for the upper triangle: rule, -1 where none is broken; distance, and distance asked.
    """
    holes = first.size - 1
    box = np.empty((holes, 4))
    for h in range(holes):
        part = xy[first[h] : first[h + 1]]
        box[h] = part[:, 0].min(), part[:, 1].min(), part[:, 0].max(), part[:, 1].max()
    whole = max(fairway[0], tee_basket[0])
    least = max(next_tee[0], tees, behind[0])
    most = max(whole, least) + slack
    for i in range(holes):
        for j in range(i + 1, holes):
            rule[i, j] = -1
            if (
                box[i, 0] > box[j, 2] + most
                or box[j, 0] > box[i, 2] + most
                or box[i, 1] > box[j, 3] + most
                or box[j, 1] > box[i, 3] + most
            ):
                continue
            worst = 1.0
            for p in range(first[i], first[i + 1]):
                for q in range(first[j], first[j + 1]):
                    # Most places fall here, before the rules are gone through.
                    limit = worst * (max(whole * max(share[p], share[q]), least) + slack)
                    dx, dy = xy[p, 0] - xy[q, 0], xy[p, 1] - xy[q, 1]
                    if dx * dx + dy * dy >= limit * limit:
                        continue
                    d = np.sqrt(dx * dx + dy * dy)
                    open_, why = _asked(
                        p, q, share, along, left, end, fairway[0], tee_basket[0], next_tee[0], tees
                    )
                    wooded, why_wooded = _asked(
                        p, q, share, along, left, end, fairway[1], tee_basket[1], next_tee[1], tees
                    )
                    if _past(p, q, xy, play, left, cos) or _past(q, p, xy, play, left, cos):
                        if behind[0] > open_:
                            open_, why = behind[0], PAST
                        if behind[1] > wooded:
                            wooded, why_wooded = behind[1], PAST
                    open_, wooded = open_ + slack, wooded + slack
                    if d >= worst * open_:
                        continue
                    needed = wooded
                    if d >= worst * wooded:
                        between = _trees(
                            raster,
                            origin[0],
                            origin[1],
                            origin[2],
                            xy[p, 0],
                            xy[p, 1],
                            xy[q, 0],
                            xy[q, 1],
                        )
                        if between >= enough:
                            continue
                        needed = open_
                    else:
                        why = why_wooded
                    worst = d / needed
                    rule[i, j], near[i, j], asked[i, j] = why, d, needed


def run_room(*given: Any) -> tuple[NDArray[np.int8], NDArray[np.float32], NDArray[np.float32]]:
    """Rule, distance and distance asked for each pair (holes, holes); see `room`."""
    holes = given[0].size - 1
    rule = np.full((holes, holes), -1, np.int8)
    near, asked = np.zeros((2, holes, holes), np.float32)
    kernel: Any = room
    kernel(*given, rule, near, asked)
    return rule, near, asked
