"""Rays through columns: where pulses passed and stopped, and sums over neighbours.

Integers throughout, so that sums are exact and no order of work changes them. What the numbers mean
is said in `lanewright.growth.columns`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

GROUND, VEGETATION, SOLID = 0, 1, 2
"""What a return came from, as the kernels know it."""


class Returns(NamedTuple):
    """Returns by place [m], time [s] and number of the flight line; arrays (returns,)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    gps_time: NDArray[np.float64]
    source: NDArray[np.uint16]


class Track(NamedTuple):
    """Where sensors were: those of flight line s are numbers first[s] to first[s + 1].

    `times` (positions,) [s], in order in each line; `places` (positions, 3) [m].
    """

    first: NDArray[np.int64]
    times: NDArray[np.float64]
    places: NDArray[np.float64]


class Limits(NamedTuple):
    """Longest gap of a track that is bridged, how long a position holds [s], steepest drift."""

    longest_gap: float
    moment: float
    steepest: float


class Drifts(NamedTuple):
    """Way aside per metre of height, and whether it is known; arrays (returns,)."""

    east: NDArray[np.float64]
    north: NDArray[np.float64]
    known: NDArray[np.bool_]


class Rays(NamedTuple):
    """Returns with the way they came; see `growth.pulses.Rays`, arrays (returns,)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    east: NDArray[np.float64]
    north: NDArray[np.float64]
    weight: NDArray[np.int32]
    path_weight: NDArray[np.int32]
    kind: NDArray[np.uint8]


class Window(NamedTuple):
    """Columns to fill: their ground [m], outer corner, cell and layer [m].

    Rays are followed no farther aside than `reach` [m]; counts are kept of 2**shift cells each way
    and 2**layer_shift layers together.
    """

    ground: NDArray[np.float32]
    left: float
    top: float
    cell: float
    layer_height: float
    reach: float
    shift: int
    layer_shift: int


class Counts(NamedTuple):
    """What rays add up to by voxel (rows, cols, layers)."""

    passes: NDArray[np.int32]
    stops: NDArray[np.int32]
    shaded: NDArray[np.int32]


class States(NamedTuple):
    """Column masks of a block (rows, cols)."""

    hit: NDArray[np.uint64]
    searched: NDArray[np.uint64]
    occluded: NDArray[np.uint64]


@njit(cache=True, nogil=True)
def drift(returns: Returns, track: Track, limits: Limits, drifts: Drifts) -> None:
    """Way aside per metre of height towards the sensor; left alone where no track is known.

    Positions of flight line s are numbers first[s] to first[s + 1], in order of time.
    """
    x, y, z = returns.x, returns.y, returns.z
    times, places, moment = track.times, track.places, limits.moment
    for i in range(x.size):
        source = np.int64(returns.source[i])
        begin, end = track.first[source], track.first[source + 1]
        time = returns.gps_time[i]
        if begin == end or time == 0.0:
            continue
        low, high = begin, end  # the first position later than the pulse
        while low < high:
            middle = (low + high) // 2
            if times[middle] <= time:
                low = middle + 1
            else:
                high = middle
        after = min(low, end - 1)
        before = max(low - 1, begin)
        span = times[after] - times[before]
        # Before the first position, after the last one and in gaps, hold it for a moment.
        share = 0.0
        if low == begin:
            if times[begin] - time > moment:
                continue
        elif low == end:
            if time - times[end - 1] > moment:
                continue
        elif span <= limits.longest_gap:
            share = (time - times[before]) / span
        elif time - times[before] <= moment:
            share = 0.0
        elif times[after] - time <= moment:
            share = 1.0
        else:
            continue
        height = places[before, 2] + share * (places[after, 2] - places[before, 2]) - z[i]
        if not height > 10.0:
            continue
        dx = places[before, 0] + share * (places[after, 0] - places[before, 0]) - x[i]
        dy = places[before, 1] + share * (places[after, 1] - places[before, 1]) - y[i]
        if math.sqrt(dx * dx + dy * dy) > limits.steepest * height:
            continue
        drifts.east[i], drifts.north[i], drifts.known[i] = dx / height, dy / height, True


@njit(cache=True, nogil=True)
def bilinear(
    raster: NDArray[np.float32],
    left: float,
    top: float,
    cell: float,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Values of a raster at points, in proportion between cell centres, level beyond the edge.

    A point beside a void gets the weighted mean of what is known; NaN where nothing is.
    """
    rows, cols = raster.shape
    for i in range(x.size):
        col = min(max((x[i] - left) / cell - 0.5, 0.0), cols - 1.0)
        row = min(max((top - y[i]) / cell - 0.5, 0.0), rows - 1.0)
        c0, r0 = int(col), int(row)
        total = weights = 0.0
        for r in range(r0, min(r0 + 2, rows)):
            for c in range(c0, min(c0 + 2, cols)):
                weight = (1.0 - abs(row - r)) * (1.0 - abs(col - c))
                value = np.float64(raster[r, c])
                if weight > 1e-9 and not math.isnan(value):
                    total += weight * value
                    weights += weight
        out[i] = total / weights if weights > 0.0 else math.nan


@njit(cache=True, nogil=True)
def march(rays: Rays, window: Window, counts: Counts, solid: NDArray[np.uint64]) -> None:
    """Follow the ray of each return through a window of columns.

    For each layer that the ray crosses above the return it adds `path_weight` to `passes`, below
    the return to `shaded`, in parts where it changes cells within a layer. The return itself adds
    `weight` to `stops` if it is vegetation, sets a bit of `solid` if it is solid, and is ground
    otherwise. A ray is followed no farther than `reach` [m] aside.

    Cells are merged 2**shift by 2**shift and layers 2**layer_shift in the three counts; `ground`
    and `solid` keep the full raster. An empty `shaded` is left alone.
    """
    ground, layer_height, reach = window.ground, window.layer_height, window.reach
    rows, cols = ground.shape
    layers = counts.passes.shape[2] << window.layer_shift
    spare = reach / layer_height  # how much higher or lower ground may lie where a ray drifts to
    for i in range(rays.x.size):
        east = (rays.x[i] - window.left) / window.cell
        south = (window.top - rays.y[i]) / window.cell
        level = rays.z[i] / layer_height
        kind = rays.kind[i]
        begin = 0.0  # layers down the ray to where it may enter the columns
        col, row = math.floor(east), math.floor(south)
        if 0 <= row < rows and 0 <= col < cols:
            # NaN over a void, which fails every test.
            height = level - ground[row, col] / layer_height
            begin = max(0.0, height - layers - spare) if height > 0.0 else 0.0
            if 0.0 <= height < layers and kind != GROUND:
                layer = int(height)
                if kind == VEGETATION:
                    r, c = row >> window.shift, col >> window.shift
                    counts.stops[r, c, layer >> window.layer_shift] += rays.weight[i]
                else:
                    solid[row, col] |= np.uint64(1) << np.uint64(layer)
        drift_col = rays.east[i] * layer_height / window.cell
        drift_row = -rays.north[i] * layer_height / window.cell
        aside = math.sqrt(rays.east[i] ** 2 + rays.north[i] ** 2)
        farthest = math.inf if aside == 0.0 else reach / (aside * layer_height)
        weight = rays.path_weight[i]
        start = (east, south, level)
        if begin == 0.0:
            way = (drift_col, drift_row, 1.0, 0.0, min(farthest, layers + spare))
            _trace(start, way, weight, window, layers, counts.passes)
        if kind != GROUND and counts.shaded.shape[0] > 0:
            end = min(farthest, begin + layers + 2.0 * spare)
            way = (-drift_col, -drift_row, -1.0, begin, end)
            _trace(start, way, weight, window, layers, counts.shaded)


@njit(cache=True, nogil=True)
def _trace(
    start: tuple[float, float, float],
    way: tuple[float, float, float, float, float],
    path_weight: int,
    window: Window,
    layers: int,
    counts: NDArray[np.int32],
) -> None:
    """Add a path cell by cell.

    `start` is its place in columns, rows and layers; `way` the columns and rows that it drifts by
    in a layer, whether it goes up (1.0) or down (-1.0), and where it begins and ends [layers].
    """
    east, south, level = start
    drift_col, drift_row, up, begin, end = way
    ground, shift, layer_shift = window.ground, window.shift, window.layer_shift
    rows, cols = ground.shape
    col = math.floor(east + drift_col * begin)
    row = math.floor(south + drift_row * begin)
    next_col = next_row = math.inf
    if drift_col != 0.0:
        next_col = (col + (1 if drift_col > 0.0 else 0) - east) / drift_col
    if drift_row != 0.0:
        next_row = (row + (1 if drift_row > 0.0 else 0) - south) / drift_row
    here = begin
    while here < end:
        there = min(next_col, next_row, end)
        if 0 <= row < rows and 0 <= col < cols and not math.isnan(ground[row, col]):
            height = level - ground[row, col] / window.layer_height
            low = height + here if up > 0.0 else height - there
            high = height + there if up > 0.0 else height - here
            if (up > 0.0 and low >= layers) or (up < 0.0 and high <= 0.0):
                return
            low = max(low, 0.0)
            high = min(high, float(layers))
            if low < high:
                k = int(low)
                last = int(high)
                r, c = row >> shift, col >> shift
                if k == last:
                    counts[r, c, k >> layer_shift] += int(path_weight * (high - low) + 0.5)
                else:
                    counts[r, c, k >> layer_shift] += int(path_weight * (k + 1 - low) + 0.5)
                    for n in range(k + 1, last):
                        counts[r, c, n >> layer_shift] += path_weight
                    if last < layers:
                        counts[r, c, last >> layer_shift] += int(path_weight * (high - last) + 0.5)
        here = there
        if there == next_col:
            col += 1 if drift_col > 0.0 else -1
            next_col = (col + (1 if drift_col > 0.0 else 0) - east) / drift_col
        elif there == next_row:
            row += 1 if drift_row > 0.0 else -1
            next_row = (row + (1 if drift_row > 0.0 else 0) - south) / drift_row


@njit(cache=True, nogil=True)
def window_sum(
    counts: NDArray[np.int32], half: int, half_layers: int, floor: int
) -> NDArray[np.int32]:
    """Sum over 2 half + 1 cells each way and 2 half_layers + 1 layers, cut at the edges.

    Layers below `floor` and those from it upwards never mix. Sums must fit 32 bits; running totals
    may wrap, for only their differences count.
    """
    out = np.empty_like(counts)
    columns = np.zeros(counts.shape[1:], np.int32)
    for row in range(-half, counts.shape[0]):
        roll(columns, counts, row, half)
        if row >= 0:
            across(columns, half, half_layers, floor, out[row])
    return out


@njit(cache=True, nogil=True)
def roll(columns: NDArray[np.int32], counts: NDArray[np.int32], row: int, half: int) -> None:
    """Move sums over 2 half + 1 rows, (cols, layers), on to a row, from the one before it."""
    if row + half < counts.shape[0]:
        for col in range(columns.shape[0]):
            _add(columns[col], counts[row + half, col])
    if row - half - 1 >= 0:
        for col in range(columns.shape[0]):
            _subtract(columns[col], counts[row - half - 1, col])


@njit(cache=True, nogil=True)
def across(
    columns: NDArray[np.int32],
    half: int,
    half_layers: int,
    floor: int,
    out: NDArray[np.int32],
) -> None:
    """Sums of a row's `columns` over 2 half + 1 cells and 2 half_layers + 1 layers."""
    cols, layers = columns.shape
    run = np.zeros(layers, np.int32)
    # Padded with nothing below and above, so that every layer does the same.
    room = np.zeros(layers + 2 * half_layers, np.int32)
    for col in range(-half, cols):
        if col + half < cols:
            _add(run, columns[col + half])
        if col - half - 1 >= 0:
            _subtract(run, columns[col - half - 1])
        if col >= 0:
            _slide(run[:floor], half_layers, room, out[col, :floor])
            _slide(run[floor:], half_layers, room, out[col, floor:])


@njit(cache=True, nogil=True)
def _add(total: NDArray[np.int32], part: NDArray[np.int32]) -> None:
    for k in range(total.size):
        total[k] += part[k]


@njit(cache=True, nogil=True)
def _subtract(total: NDArray[np.int32], part: NDArray[np.int32]) -> None:
    for k in range(total.size):
        total[k] -= part[k]


@njit(cache=True, nogil=True)
def _slide(
    values: NDArray[np.int32], half: int, room: NDArray[np.int32], out: NDArray[np.int32]
) -> None:
    """Sum over 2 half + 1 neighbours in a line, cut at its ends; `room` begins with 0."""
    n = values.size
    inner, beyond = room[half:], room[half + n :]
    for k in range(n):
        inner[k] = values[k]
    for k in range(half):
        beyond[k] = 0
    for k in range(n):
        out[k] = room[k]
    for step in range(1, 2 * half, 2):
        one, two = room[step:], room[step + 1 :]
        for k in range(n):
            out[k] += one[k] + two[k]


@njit(cache=True, nogil=True)
def states(
    around: Counts,
    solid: NDArray[np.uint64],
    corner: tuple[int, int],
    per_path: float,
    enough: float,
    out: States,
) -> None:
    """State of each voxel of a block.

    `around` holds the stops of each voxel and the passes and shaded paths of its neighbourhood,
    over the block and a margin, and the block's own corner lies at `corner` in it. From `enough`
    metres of path on, of `per_path` each, a neighbourhood was searched.
    """
    rows, cols = out.hit.shape
    layers = around.stops.shape[2]
    per, bar = np.float32(per_path), np.float32(enough)
    for row in range(rows):
        for col in range(cols):
            r, c = row + corner[0], col + corner[1]
            found = known = dark = np.uint64(0)
            for k in range(layers):
                seen = np.float32(around.passes[r, c, k]) * per
                full = seen + np.float32(around.shaded[r, c, k]) * per
                found |= np.uint64(around.stops[r, c, k] > 0) << np.uint64(k)
                known |= np.uint64(seen >= bar) << np.uint64(k)
                dark |= np.uint64(full >= bar) << np.uint64(k)
            found |= solid[r, c]
            known |= found
            out.hit[row, col] = found
            out.searched[row, col] = known
            out.occluded[row, col] = dark & ~known


@njit(cache=True, nogil=True)
def encode(
    density: NDArray[np.float32],
    solid: NDArray[np.uint64],
    corner: tuple[int, int],
    first_octave: int,
    solid_code: int,
    code: NDArray[np.uint8],
) -> None:
    """Codes of a block's density; the block begins at `corner` of the other two.

    The float's own exponent and first mantissa bits make a logarithmic code.
    """
    rows, cols, layers = code.shape
    lowest = np.int32(((127 + first_octave) << 4) - 1)
    highest = np.int32(solid_code - 1)
    line = np.empty(layers, np.float32)
    bits = line.view(np.int32)
    for row in range(rows):
        for col in range(cols):
            r, c = row + corner[0], col + corner[1]
            for k in range(layers):
                line[k] = density[r, c, k]
            for k in range(layers):
                place = max(np.int32(0), min((bits[k] >> np.int32(19)) - lowest, highest))
                code[row, col, k] = place
            if solid[r, c] != 0:
                for k in range(layers):
                    if solid[r, c] >> np.uint64(k) & np.uint64(1):
                        code[row, col, k] = solid_code


@njit(cache=True, nogil=True)
def closed(
    code: NDArray[np.uint8],
    is_closed: NDArray[np.bool_],
    out: NDArray[np.uint64],
) -> None:
    """Set the bits of layers whose code is closed."""
    rows, cols, layers = code.shape
    for row in range(rows):
        for col in range(cols):
            mask = np.uint64(0)
            for k in range(layers):
                if is_closed[code[row, col, k]]:
                    mask |= np.uint64(1) << np.uint64(k)
            out[row, col] = mask


@njit(cache=True, nogil=True)
def mean_density(
    code: NDArray[np.uint8],
    table: NDArray[np.float32],
    first: int,
    last: int,
    solid_code: int,
    out: NDArray[np.float32],
) -> None:
    """Mean over the layers from `first` to before `last` that are not solid."""
    rows, cols, _ = code.shape
    for row in range(rows):
        for col in range(cols):
            total = 0.0
            count = 0
            for k in range(first, last):
                if code[row, col, k] != solid_code:
                    total += table[code[row, col, k]]
                    count += 1
            out[row, col] = total / count if count > 0 else np.nan
