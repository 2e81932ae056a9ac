"""Rays through columns: where pulses passed and stopped, and sums over neighbours.

Integers throughout, so that sums are exact and no order of work changes them. What the numbers mean
is said in `lanewright.columns`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

GROUND, VEGETATION, SOLID = 0, 1, 2
"""What a return came from, as the kernels know it."""


@njit(cache=True, nogil=True)
def march(
    x, y, z, drift_x, drift_y, weight, path_weight, kind,
    ground, left, top, cell, layer_height, reach, shift, layer_shift,
    passes, stops, shaded, solid,
):  # fmt: skip
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
    east, south, level, drift_col, drift_row, up, begin, end, path_weight,
    ground, layer_height, layers, shift, layer_shift, counts,
):  # fmt: skip
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
            if low >= layers and up > 0.0 or high <= 0.0 and up < 0.0:
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
def window_sum(counts, half, half_layers, floor):
    """Sum over 2 half + 1 cells each way and 2 half_layers + 1 layers, cut at the edges.

    Layers below `floor` and those from it upwards never mix.
    """
    rows, cols, layers = counts.shape
    out = np.empty_like(counts)
    columns = np.zeros((cols, layers), np.int64)
    run = np.empty(layers, np.int64)
    upto = np.zeros(layers + 1, np.int64)
    for row in range(-half, rows):
        if row + half < rows:
            for col in range(cols):
                for k in range(layers):
                    columns[col, k] += counts[row + half, col, k]
        if row - half - 1 >= 0:
            for col in range(cols):
                for k in range(layers):
                    columns[col, k] -= counts[row - half - 1, col, k]
        if row < 0:
            continue
        run[:] = 0
        for col in range(-half, cols):
            if col + half < cols:
                for k in range(layers):
                    run[k] += columns[col + half, k]
            if col - half - 1 >= 0:
                for k in range(layers):
                    run[k] -= columns[col - half - 1, k]
            if col < 0:
                continue
            for k in range(layers):
                upto[k + 1] = upto[k] + run[k]
            for k in range(layers):
                if k < floor:
                    low, high = max(k - half_layers, 0), min(k + half_layers + 1, floor)
                else:
                    low, high = max(k - half_layers, floor), min(k + half_layers + 1, layers)
                out[row, col, k] = upto[high] - upto[low]
    return out



@njit(cache=True, nogil=True)
def settle(
    stops, passes, windows, prior, band_shift, solid, row0, col0,
    path_unit, pulse_unit, strength, own_strength, enough, first_octave, solid_code,
    hit, searched, occluded, code,
):  # fmt: skip
    """State and density code of each voxel of a block.

    The counts cover the block and a margin; its own corner lies at (row0, col0) in them. `windows`
    holds the sums of stops and passes over wide to near neighbourhoods, and last of the shaded path
    over the nearest. `prior` is given for the block itself.
    """
    rows, cols = hit.shape
    layers = stops.shape[2]
    levels = len(windows) // 2
    rate = np.empty(1, np.float32)
    bits = rate.view(np.int32)
    for row in range(rows):
        for col in range(cols):
            r, c = row + row0, col + col0
            found = solid[r, c]
            known = dark = np.uint64(0)
            for k in range(layers):
                bit = np.uint64(1) << np.uint64(k)
                mean = prior[row, col, k >> band_shift]
                for n in range(levels):
                    mean = (strength * mean + windows[2 * n][r, c, k] * pulse_unit) / (
                        strength + windows[2 * n + 1][r, c, k] * path_unit
                    )
                mean = (own_strength * mean + stops[r, c, k] * pulse_unit) / (
                    own_strength + passes[r, c, k] * path_unit
                )
                # The float's own exponent and first mantissa bits make a logarithmic code.
                rate[0] = mean
                code[row, col, k] = max(
                    0, min((bits[0] >> 19) - ((127 + first_octave) << 4) + 1, solid_code - 1)
                )
                if solid[r, c] & bit:
                    code[row, col, k] = solid_code
                if stops[r, c, k] > 0:
                    found |= bit
                seen = windows[2 * levels - 1][r, c, k] * path_unit
                if seen >= enough:
                    known |= bit
                elif seen + windows[2 * levels][r, c, k] * path_unit >= enough:
                    dark |= bit
            hit[row, col] = found
            searched[row, col] = known | found
            occluded[row, col] = dark & ~found


@njit(cache=True, nogil=True)
def closed(code, is_closed, out):
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
def mean_density(code, table, first, last, solid_code, out):
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
