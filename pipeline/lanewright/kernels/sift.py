"""Choosing and shaping points as they come off the decoder, block by block in one sweep."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

INSIDE, WITHHELD, LEFT_OUT, OVERLAP, MENDED, IMPOSSIBLE, UNSTATED = range(7)
"""Places in the reasons that `choose` counts."""

NOWHERE = np.uint16(65535)
"""Block number of a point that is not kept."""


class Raw(NamedTuple):
    """A run of points as decoded, one array each.

    `x`, `y` [m] in the working CRS; `z` as stored; `time` [s], empty where the format has none;
    `source` the flight line; `bits`, `kind`, `flags` bytes of the LAS record, laid out as formats
    6-10 do if `Rules.modern`, else as 0-5 do.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.int32]
    time: NDArray[np.float64]
    source: NDArray[np.uint16]
    bits: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    flags: NDArray[np.uint8]


class Rules(NamedTuple):
    """What to keep, and how heights become metres: (z * scale + offset) * metres.

    `box` is left, bottom, right, top [m]; `unwanted` 256 flags by class; blocks are squares of
    `size_mm`, `cols` of them in a row; so are the coarse cells that keep the lowest heights.
    `heights` are the lowest and highest possible [m], then those that the file's header states [m].
    """

    modern: bool
    box: NDArray[np.float64]
    unwanted: NDArray[np.bool_]
    keep_overlap: bool
    size_mm: int
    cols: int
    coarse_mm: int
    coarse_cols: int
    z_scale: float
    z_offset: float
    z_metres: float
    heights: NDArray[np.float64]


class Found(NamedTuple):
    """What `choose` fills or adds to.

    `block` of each point (`NOWHERE` where dropped); histograms `classes` (256) and `returns` (16)
    of all points, `kept` (256) of the kept by class; `reasons` by the places above; `held` kept
    points by block; `span` lowest and highest finite height [m] of points that nothing but their
    height may rule out; `firsts`, one number: kept first returns; `lowest` height [m] of kept last
    returns and of those of class 2 by coarse cell (2, cells).
    """

    block: NDArray[np.uint16]
    classes: NDArray[np.int64]
    returns: NDArray[np.int64]
    kept: NDArray[np.int64]
    reasons: NDArray[np.int64]
    held: NDArray[np.int64]
    span: NDArray[np.float64]
    firsts: NDArray[np.int64]
    lowest: NDArray[np.float64]


@njit(cache=True, nogil=True)
def choose(raw: Raw, rules: Rules, found: Found) -> None:
    """Decide for each point whether it stays and in which block."""
    box, heights = rules.box, rules.heights
    rows = np.int64(len(found.held) // rules.cols)
    coarse_rows = np.int64(found.lowest.shape[1] // rules.coarse_cols)
    for i in range(len(raw.x)):
        packed, code = np.int64(raw.bits[i]), np.int64(raw.kind[i])
        if rules.modern:
            withheld = np.int64(raw.flags[i]) & 4 != 0
            overlap = np.int64(raw.flags[i]) & 8 != 0
            number, total = packed & 15, packed >> 4
        else:
            withheld = code & 128 != 0
            code &= 31
            # Old formats mark overlap by a class of its own.
            overlap = code == 12
            number, total = packed & 7, (packed >> 3) & 7
        found.classes[code] += 1
        found.returns[total] += 1
        found.block[i] = NOWHERE
        x, y = raw.x[i], raw.y[i]
        if not (box[0] <= x < box[2] and box[1] < y <= box[3]):
            continue
        found.reasons[INSIDE] += 1
        if withheld:
            found.reasons[WITHHELD] += 1
        elif rules.unwanted[code]:
            found.reasons[LEFT_OUT] += 1
        elif overlap and not rules.keep_overlap:
            found.reasons[OVERLAP] += 1
        else:
            z = (raw.z[i] * rules.z_scale + rules.z_offset) * rules.z_metres
            if np.isfinite(z):
                found.span[0] = min(found.span[0], z)
                found.span[1] = max(found.span[1], z)
            # Asked so that NaN fails too.
            if not (heights[0] <= z <= heights[1]):
                found.reasons[IMPOSSIBLE] += 1
                continue
            if not (heights[2] <= z <= heights[3]):
                found.reasons[UNSTATED] += 1
                continue
            if total < number or total < 1:
                found.reasons[MENDED] += 1
            if number <= 1:
                found.firsts[0] += 1
            up = np.int64(np.rint((y - box[1]) * 1000.0))
            across = np.int64(np.rint((x - box[0]) * 1000.0))
            # Rounding to millimetres may put a point on the far edge.
            row = min(up // rules.size_mm, rows - 1)
            col = min(across // rules.size_mm, np.int64(rules.cols - 1))
            found.block[i] = np.uint16(row * rules.cols + col)
            found.held[row * rules.cols + col] += 1
            found.kept[code] += 1
            row = min(up // rules.coarse_mm, coarse_rows - 1)
            col = min(across // rules.coarse_mm, np.int64(rules.coarse_cols - 1))
            cell = row * rules.coarse_cols + col
            if number >= total:
                found.lowest[0, cell] = min(found.lowest[0, cell], z)
            if code == 2:
                found.lowest[1, cell] = min(found.lowest[1, cell], z)


@njit(cache=True, nogil=True)
def shape(
    raw: Raw,
    rules: Rules,
    block: NDArray[np.uint16],
    place: NDArray[np.int64],
    out: NDArray[np.void],
) -> None:
    """Write each kept point as a record at the next free place of its block.

    `block` as `choose` filled it; `place` holds, by block, where its next record goes in `out`; it
    is moved on.
    """
    box = rules.box
    for i in range(len(raw.x)):
        if block[i] == NOWHERE:
            continue
        j = place[block[i]]
        place[block[i]] = j + 1
        out[j].x = np.int32(np.rint((raw.x[i] - box[0]) * 1000.0))
        out[j].y = np.int32(np.rint((raw.y[i] - box[1]) * 1000.0))
        z = raw.z[i] * rules.z_scale + rules.z_offset
        out[j].z = np.int32(np.rint(z * (rules.z_metres * 1000.0)))
        t = raw.time[i] if len(raw.time) else 0.0
        out[j].time = t if np.isfinite(t) else 0.0
        out[j].source = raw.source[i]
        packed, code = np.int64(raw.bits[i]), np.int64(raw.kind[i])
        if rules.modern:
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
def settle(
    records: NDArray[np.void],
    order: NDArray[np.int64],
    place: NDArray[np.int64],
    keep: NDArray[np.bool_],
) -> None:
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
