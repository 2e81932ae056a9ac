"""Rays through columns: where pulses passed and stopped, and sums over neighbours.

Integers throughout, so that sums are exact and no order of work changes them. What the numbers mean
is said in `lanewright.growth.columns`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

GROUND, VEGETATION, SOLID = 0, 1, 2
"""What a return came from, as the kernels know it."""


@njit(cache=True, nogil=True)
def drift(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    gps_time: NDArray[np.float64],
    source: NDArray[np.uint16],
    first: NDArray[np.int64],
    times: NDArray[np.float64],
    places: NDArray[np.float64],
    longest_gap: float,
    moment: float,
    steepest: float,
    east: NDArray[np.float64],
    north: NDArray[np.float64],
    known: NDArray[np.bool_],
) -> None:
    """Way aside per metre of height towards the sensor; left alone where no track tells.

    Positions of flight line s are numbers first[s] to first[s + 1], in order of time.
    """
    for i in range(x.size):
        begin, end = first[source[i]], first[np.int64(source[i]) + 1]
        time = gps_time[i]
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
        elif span <= longest_gap:
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
        if math.sqrt(dx * dx + dy * dy) > steepest * height:
            continue
        east[i], north[i], known[i] = dx / height, dy / height, True


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
def march(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    drift_x: NDArray[np.float64],
    drift_y: NDArray[np.float64],
    weight: NDArray[np.int32],
    path_weight: NDArray[np.int32],
    kind: NDArray[np.uint8],
    ground: NDArray[np.float32],
    left: float,
    top: float,
    cell: float,
    layer_height: float,
    reach: float,
    shift: int,
    layer_shift: int,
    passes: NDArray[np.int32],
    stops: NDArray[np.int32],
    shaded: NDArray[np.int32],
    solid: NDArray[np.uint64],
) -> None:
    """Follow the ray of each return through a window of columns.

    For each layer that the ray crosses above the return it adds `path_weight` to `passes`, below
    the return to `shaded`, in parts where it changes cells within a layer. The return itself adds
    `weight` to `stops` if it is vegetation, sets a bit of `solid` if it is solid, and is ground
    otherwise. A ray is followed no farther than `reach` [m] aside.

    Cells are merged 2**shift by 2**shift and layers 2**layer_shift in the three counts; `ground`
    and `solid` keep the full raster. An empty `shaded` is left alone.
    """
    rows, cols = ground.shape
    layers = passes.shape[2] << layer_shift
    spare = reach / layer_height  # how much higher or lower ground may lie where a ray drifts to
    for i in range(x.size):
        east = (x[i] - left) / cell
        south = (top - y[i]) / cell
        level = z[i] / layer_height
        begin = 0.0  # layers down the ray to where it may enter the columns
        col, row = math.floor(east), math.floor(south)
        if 0 <= row < rows and 0 <= col < cols:
            # NaN over a void, which fails every test.
            height = level - ground[row, col] / layer_height
            begin = max(0.0, height - layers - spare) if height > 0.0 else 0.0
            if 0.0 <= height < layers and kind[i] != GROUND:
                layer = int(height)
                if kind[i] == VEGETATION:
                    stops[row >> shift, col >> shift, layer >> layer_shift] += weight[i]
                else:
                    solid[row, col] |= np.uint64(1) << np.uint64(layer)
        drift_col = drift_x[i] * layer_height / cell
        drift_row = -drift_y[i] * layer_height / cell
        aside = math.sqrt(drift_x[i] ** 2 + drift_y[i] ** 2)
        farthest = math.inf if aside == 0.0 else reach / (aside * layer_height)
        if begin == 0.0:
            _trace(
                east, south, level, drift_col, drift_row, 1.0, 0.0,
                min(farthest, layers + spare), path_weight[i],
                ground, layer_height, layers, shift, layer_shift, passes,
            )  # fmt: skip
        if kind[i] != GROUND and shaded.shape[0] > 0:
            _trace(
                east, south, level, -drift_col, -drift_row, -1.0, begin,
                min(farthest, begin + layers + 2.0 * spare), path_weight[i],
                ground, layer_height, layers, shift, layer_shift, shaded,
            )  # fmt: skip


@njit(cache=True, nogil=True)
def _trace(
    east: float,
    south: float,
    level: float,
    drift_col: float,
    drift_row: float,
    up: float,
    begin: float,
    end: float,
    path_weight: int,
    ground: NDArray[np.float32],
    layer_height: float,
    layers: int,
    shift: int,
    layer_shift: int,
    counts: NDArray[np.int32],
) -> None:
    """Add the path from `begin` to `end` [layers], going up (1.0) or down (-1.0), cell by cell."""
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
            height = level - ground[row, col] / layer_height
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
    counts: NDArray[np.int32],
    half: int,
    half_layers: int,
    floor: int,
) -> NDArray[np.int32]:
    """Sum over 2 half + 1 cells each way and 2 half_layers + 1 layers, cut at the edges.

    Layers below `floor` and those from it upwards never mix. Sums must fit 32 bits; running totals
    may wrap, for only their differences count.
    """
    rows, cols, layers = counts.shape
    out = np.empty_like(counts)
    columns = np.zeros((cols, layers), np.int32)
    run = np.empty(layers, np.int32)
    # Padded with what the sum is below and above, so that every layer does the same.
    upto = np.zeros(layers + 2 * half_layers + 1, np.int32)
    for row in range(-half, rows):
        if row + half < rows:
            for col in range(cols):
                _add(columns[col], counts[row + half, col])
        if row - half - 1 >= 0:
            for col in range(cols):
                _subtract(columns[col], counts[row - half - 1, col])
        if row < 0:
            continue
        run[:] = 0
        for col in range(-half, cols):
            if col + half < cols:
                _add(run, columns[col + half])
            if col - half - 1 >= 0:
                _subtract(run, columns[col - half - 1])
            if col >= 0:
                line = out[row, col]
                _slide(run[:floor], half_layers, upto, line[:floor])
                _slide(run[floor:], half_layers, upto, line[floor:])
    return out


@njit(cache=True, nogil=True)
def _add(
    total: NDArray[np.int32],
    part: NDArray[np.int32],
) -> None:
    for k in range(total.size):
        total[k] += part[k]


@njit(cache=True, nogil=True)
def _subtract(
    total: NDArray[np.int32],
    part: NDArray[np.int32],
) -> None:
    for k in range(total.size):
        total[k] -= part[k]


@njit(cache=True, nogil=True)
def _slide(
    values: NDArray[np.int32],
    half: int,
    upto: NDArray[np.int32],
    out: NDArray[np.int32],
) -> None:
    """Sum over 2 half + 1 neighbours in a line, cut at its ends; `upto` is room to work in."""
    n = values.size
    total = np.int32(0)
    for k in range(half + 1):
        upto[k] = total
    for k in range(n):
        total += values[k]
        upto[k + half + 1] = total
    for k in range(n + half + 1, n + 2 * half + 1):
        upto[k] = total
    high = upto[2 * half + 1 :]
    for k in range(n):
        out[k] = high[k] - upto[k]


@njit(cache=True, nogil=True)
def settle(
    stops: NDArray[np.int32],
    passes: NDArray[np.int32],
    wide_stops: NDArray[np.int32],
    wide_passes: NDArray[np.int32],
    mid_stops: NDArray[np.int32],
    mid_passes: NDArray[np.int32],
    near_stops: NDArray[np.int32],
    near_passes: NDArray[np.int32],
    around_passes: NDArray[np.int32],
    around_shaded: NDArray[np.int32],
    prior: NDArray[np.float32],
    band_shift: int,
    solid: NDArray[np.uint64],
    row0: int,
    col0: int,
    path_unit: float,
    pulse_unit: float,
    strength: float,
    own_strength: float,
    enough: float,
    first_octave: int,
    solid_code: int,
    hit: NDArray[np.uint64],
    searched: NDArray[np.uint64],
    occluded: NDArray[np.uint64],
    code: NDArray[np.uint8],
) -> None:
    """State and density code of each voxel of a block.

    The counts cover the block and a margin; its own corner lies at (row0, col0) in them. The wide,
    mid and near ones are sums over windows for the density, those around for the states. `prior`
    is given for the block itself.

    Arithmetic is in float32 throughout, layer by layer without branches, so that the compiler can
    take eight layers at once.
    """
    rows, cols = hit.shape
    layers = stops.shape[2]
    per_path, per_pulse = np.float32(path_unit), np.float32(pulse_unit)
    hold, own_hold, bar = np.float32(strength), np.float32(own_strength), np.float32(enough)
    mean = np.empty(layers, np.float32)
    bits = mean.view(np.int32)
    lowest = np.int32(((127 + first_octave) << 4) - 1)
    highest = np.int32(solid_code - 1)
    for row in range(rows):
        for col in range(cols):
            r, c = row + row0, col + col0
            for k in range(layers):
                mean[k] = prior[row, col, k >> band_shift]
            _update(mean, wide_stops[r, c], wide_passes[r, c], per_pulse, per_path, hold)
            _update(mean, mid_stops[r, c], mid_passes[r, c], per_pulse, per_path, hold)
            _update(mean, near_stops[r, c], near_passes[r, c], per_pulse, per_path, hold)
            _update(mean, stops[r, c], passes[r, c], per_pulse, per_path, own_hold)
            # The float's own exponent and first mantissa bits make a logarithmic code.
            line = code[row, col]
            for k in range(layers):
                line[k] = max(np.int32(0), min((bits[k] >> np.int32(19)) - lowest, highest))
            found = known = dark = np.uint64(0)
            for k in range(layers):
                seen = np.float32(around_passes[r, c, k]) * per_path
                full = seen + np.float32(around_shaded[r, c, k]) * per_path
                found |= np.uint64(stops[r, c, k] > 0) << np.uint64(k)
                known |= np.uint64(seen >= bar) << np.uint64(k)
                dark |= np.uint64(full >= bar) << np.uint64(k)
            if solid[r, c] != 0:
                for k in range(layers):
                    if solid[r, c] >> np.uint64(k) & np.uint64(1):
                        line[k] = solid_code
                found |= solid[r, c]
            known |= found
            hit[row, col] = found
            searched[row, col] = known
            occluded[row, col] = dark & ~known


@njit(cache=True, nogil=True)
def _update(
    mean: NDArray[np.float32],
    stops: NDArray[np.int32],
    passes: NDArray[np.int32],
    per_pulse: np.float32,
    per_path: np.float32,
    hold: np.float32,
) -> None:
    """One step of the chain of Gamma priors, for all layers of a column."""
    for k in range(mean.size):
        mean[k] = (hold * mean[k] + np.float32(stops[k]) * per_pulse) / (
            hold + np.float32(passes[k]) * per_path
        )


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
