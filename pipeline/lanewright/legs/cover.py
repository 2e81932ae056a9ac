"""What is kept by what it covers: the best of each slot, squares of ground in turns.

A slot is a square of tees, a direction and a band of lengths, and of holes the number of throws.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.settings.cover import CoverSettings

Whole = NDArray[np.integer[Any]]
"""Whole numbers of any width."""

Part = tuple[Flags, float]
"""Rows of a kind, and the part of the room that it has first."""


def slots_of(places: Floats, length: Floats, settings: CoverSettings) -> Ints:
    """Slot of each line (n, 4): column and row of its tee's square, direction, band of lengths.

    Parameters
    ----------
    places : (n, 4)
        x and y of tee and end [m].
    length : (n,)
        Metres played.
    settings
        What does the same.
    """
    way = places[:, 2:] - places[:, :2]
    turn = np.arctan2(way[:, 0], way[:, 1]) / (2 * np.pi) % 1.0
    # The nudge keeps directions right on an edge in the class above it on every machine.
    direction = np.floor(turn * settings.directions + 1e-9) % settings.directions
    square = np.floor(places[:, :2] / settings.cell)
    band = np.floor(length / settings.length)
    return np.column_stack([square, direction, band]).astype(np.int64)


def first_of_each(order: Ints, keys: Whole, each: int = 1) -> Ints:
    """Of rows in order of preference, the first few of every key; in that order.

    Parameters
    ----------
    order : (n,)
        Rows, best first.
    keys : (rows, k)
        What counts as one.
    each
        How many of each stay.
    """
    return np.asarray(order[_turns(keys[order]) < each], np.int64)


def best_then_next(order: Ints, keys: Whole, each: int) -> Ints:
    """As `first_of_each`, but the first of every key before the second of any."""
    turns = _turns(keys[order])
    some = np.flatnonzero(turns < each)
    return np.asarray(order[some[np.argsort(turns[some], kind="stable")]], np.int64)


def squares_of(places: Floats, side: float) -> tuple[Ints, Ints]:
    """Columns and rows of the squares that lines start and end in (n, 2) each.

    Parameters
    ----------
    places : (n, 4)
        x and y of tee and end [m].
    side
        Of a square [m].
    """
    squares = np.floor(places / side).astype(np.int64)
    return squares[:, :2], squares[:, 2:]


def covering(order: Ints, squares: Sequence[Ints], parts: Sequence[Part], room: int) -> Ints:
    """Rows to keep: of each kind its part of the room, then the rest; squares take turns.

    Every square has its best kept before any has its second, so that good ground does not take
    every place. With squares of tees and of ends, a place that many good lines lead to waits for
    its turn as one does that many start from.

    Parameters
    ----------
    order : (n,)
        Rows, best first.
    squares : each (rows, k)
        Squares of ground that each row is in; the one that was taken more often counts.
    parts
        Kinds that have a part of the room first.
    room
        Most rows kept.
    """
    if order.size <= room:
        return order
    waits = np.max([_turns(keys[order]) for keys in squares], axis=0)
    turns = order[np.argsort(waits, kind="stable")]
    first = np.zeros(int(order.max()) + 1, bool)
    for members, share in parts:
        first[turns[members[turns]][: int(share * room)]] = True
    kept = np.r_[turns[first[turns]], turns[~first[turns]]][:room]
    return np.asarray(kept, np.int64)


def apart_from_better(order: Ints, places: Floats, kind: Whole, apart: float) -> Ints:
    """Rows in order, none of them near a better one of its kind at both ends.

    Parameters
    ----------
    order : (n,)
        Rows, best first.
    places : (rows, 4)
        x and y of tee and end [m].
    kind : (rows,)
        Only rows of one kind give way to one another.
    apart
        Metres at tee and at end up to which two rows are one.
    """
    if apart <= 0 or order.size == 0:
        return order
    at, of = places[order], kind[order]
    near = cKDTree(at).query_pairs(apart * np.sqrt(2) + 1e-9, output_type="ndarray")
    tee = np.hypot(*(at[near[:, 0], :2] - at[near[:, 1], :2]).T)
    end = np.hypot(*(at[near[:, 0], 2:] - at[near[:, 1], 2:]).T)
    near = near[(of[near[:, 0]] == of[near[:, 1]]) & (tee <= apart) & (end <= apart)]
    better, worse = near.min(1), near.max(1)
    by_worse = np.argsort(worse, kind="stable")
    better = better[by_worse]
    starts = np.searchsorted(worse[by_worse], np.arange(order.size + 1))
    stays = np.zeros(order.size, bool)
    for row in range(order.size):
        stays[row] = not stays[better[starts[row] : starts[row + 1]]].any()
    return order[stays]


def _turns(keys: Whole) -> Ints:
    """How many of the rows before have the same key (n,)."""
    if not len(keys):
        return np.empty(0, np.int64)
    one = _packed(keys)
    by_key = np.argsort(one, kind="stable")
    in_order = one[by_key]
    starts = np.flatnonzero(np.r_[True, in_order[1:] != in_order[:-1]])
    turns = np.empty(len(keys), np.int64)
    turns[by_key] = np.arange(len(keys)) - np.repeat(starts, np.diff(np.r_[starts, len(keys)]))
    return turns


def _packed(keys: Whole) -> Ints:
    """Keys (n, k) as one number each: a fraction of the memory, and sorted at once."""
    low, high = keys.min(0).astype(object), keys.max(0).astype(object)  # Python's, of any size
    one, most = np.zeros(len(keys), np.int64), 1
    for column, first, span in zip(keys.T, low, high - low + 1, strict=True):
        most *= span
        if most > 2**62:
            return np.asarray(np.unique(keys, axis=0, return_inverse=True)[1].ravel(), np.int64)
        one = one * int(span) + (column.astype(np.int64) - first)
    return one


LEAST = 300
"""As many of each level have room on the smallest land, where most throws end outside; ours."""


def room_of(keep: int | None, per_ha: float, hectares: float, levels: int) -> int:
    """How many of the level that layouts are made for are kept; by default it grows with the land.

    Examples
    --------
    >>> room_of(None, 25, 100, 2), room_of(None, 25, 400, 2), room_of(600, 25, 400, 2)
    (2500, 10000, 300)
    """
    return max(LEAST, int(per_ha * hectares)) if keep is None else max(1, keep // levels)


def rooms_of(room: int, names: Sequence[str], main: str | None, others: float) -> list[int]:
    """How many of each level are kept: `others` of the room for all but the main one.

    Examples
    --------
    >>> rooms_of(300, ("blue", "red"), None, 0.5), rooms_of(300, ("blue", "red"), "red", 0.5)
    ([300, 150], [150, 300])
    """
    most = main if main in names else next(iter(names), None)
    return [room if name == most else max(1, int(others * room)) for name in names]
