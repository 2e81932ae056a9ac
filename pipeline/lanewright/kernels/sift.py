"""Choosing and shaping points as they come off the decoder, block by block in one sweep."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

INSIDE, WITHHELD, LEFT_OUT, OVERLAP, MENDED = range(5)
"""Places in the counts that `choose` fills."""

NOWHERE = np.uint16(65535)
"""Block number of a point that is not kept."""


@njit(cache=True, nogil=True)
def choose(
    x: Any, y: Any, bits: Any, kind: Any, flags: Any, modern: bool,
    box: Any, unwanted: Any, keep_overlap: bool, size_mm: int, cols: int,
    block: Any, classes: Any, returns: Any, counts: Any, held: Any,
) -> None:  # fmt: skip
    """Decide for each point whether it stays and in which block.

    `x`, `y` [m] in the working CRS; `bits`, `kind`, `flags` bytes of the LAS record, read as
    formats 6-10 lay them out if `modern`, else as 0-5 do. `box` is left, bottom, right, top,
    `unwanted` 256 flags by class. Fills `block` (`NOWHERE` where dropped), adds to the histograms
    `classes` and `returns` of all points, to `counts`, and to `held`, points by block.
    """
    for i in range(len(x)):
        packed, code = np.int64(bits[i]), np.int64(kind[i])
        if modern:
            withheld = np.int64(flags[i]) & 4 != 0
            overlap = np.int64(flags[i]) & 8 != 0
            number, total = packed & 15, packed >> 4
        else:
            withheld = code & 128 != 0
            code &= 31
            # Old formats mark overlap by a class of its own.
            overlap = code == 12
            number, total = packed & 7, (packed >> 3) & 7
        classes[code] += 1
        returns[total] += 1
        block[i] = NOWHERE
        if not (box[0] <= x[i] < box[2] and box[1] < y[i] <= box[3]):
            continue
        counts[INSIDE] += 1
        if withheld:
            counts[WITHHELD] += 1
        elif unwanted[code]:
            counts[LEFT_OUT] += 1
        elif overlap and not keep_overlap:
            counts[OVERLAP] += 1
        else:
            if total < number or total < 1:
                counts[MENDED] += 1
            row = np.int64(np.rint((y[i] - box[1]) * 1000.0)) // size_mm
            col = np.int64(np.rint((x[i] - box[0]) * 1000.0)) // size_mm
            # Rounding to millimetres may put a point on the far edge.
            row = min(row, np.int64(len(held) // cols - 1))
            col = min(col, np.int64(cols - 1))
            block[i] = np.uint16(row * cols + col)
            held[row * cols + col] += 1


@njit(cache=True, nogil=True)
def shape(
    x: Any, y: Any, raw_z: Any, time: Any, source: Any, bits: Any, kind: Any, modern: bool,
    box: Any, z_scale: float, z_offset: float, z_metres: float, block: Any, place: Any, out: Any,
) -> None:  # fmt: skip
    """Write each kept point as a record at the next free place of its block.

    `place` holds, by block, where its next record goes in `out`; it is moved on.
    """
    for i in range(len(x)):
        if block[i] == NOWHERE:
            continue
        j = place[block[i]]
        place[block[i]] = j + 1
        out[j].x = np.int32(np.rint((x[i] - box[0]) * 1000.0))
        out[j].y = np.int32(np.rint((y[i] - box[1]) * 1000.0))
        out[j].z = np.int32(np.rint((raw_z[i] * z_scale + z_offset) * (z_metres * 1000.0)))
        t = time[i] if len(time) else 0.0
        out[j].time = t if np.isfinite(t) else 0.0
        out[j].source = source[i]
        packed, code = np.int64(bits[i]), np.int64(kind[i])
        if modern:
            number, total = packed & 15, packed >> 4
        else:
            number, total, code = packed & 7, (packed >> 3) & 7, code & 31
        number = max(number, np.int64(1))
        out[j].number = np.uint8(number)
        out[j].returns = np.uint8(max(total, number))
        out[j].kind = np.uint8(code)


@njit(cache=True, nogil=True)
def _before(a: Any, b: Any) -> bool:
    """Whether record `a` comes before `b` that shares its x and y."""
    if a.z != b.z:
        return bool(a.z < b.z)
    if a.time != b.time:
        return bool(a.time < b.time)
    if a.number != b.number:
        return bool(a.number < b.number)
    if a.returns != b.returns:
        return bool(a.returns < b.returns)
    if a.kind != b.kind:
        return bool(a.kind < b.kind)
    return bool(a.source < b.source)


@njit(cache=True, nogil=True)
def settle(records: Any, order: Any, place: Any, keep: Any) -> None:
    """Finish a sort by place: order those at one place by the rest, and mark repeats.

    `order` sorts `place`; both the order within a run of equal places and `keep` (by position in
    `order`) are set here. Runs are short, so insertion does.
    """
    n = len(order)
    i = 0
    while i < n:
        j = i + 1
        while j < n and place[order[j]] == place[order[i]]:
            k = j
            mine = order[j]
            while k > i and _before(records[mine], records[order[k - 1]]):
                order[k] = order[k - 1]
                k -= 1
            order[k] = mine
            j += 1
        keep[i] = True
        for k in range(i + 1, j):
            a, b = records[order[k - 1]], records[order[k]]
            keep[k] = not (
                a.z == b.z and a.time == b.time and a.number == b.number and a.returns == b.returns
            )
        i = j
