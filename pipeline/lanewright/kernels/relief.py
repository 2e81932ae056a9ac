"""Slope of a gridded surface; what the slope means is left to the terrain stage."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


def gradient(
    surface: NDArray[np.float32], cell: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Rise to the east and to the south per metre, by Horn's weights.

    Parameters
    ----------
    surface : (rows, cols)
        Heights [m], row 0 north; NaN is unknown.
    cell
        Side of a cell [m].

    Returns
    -------
    east, south : (rows, cols)
        Rise over run along each axis; NaN exactly where `surface` is.

    Raises
    ------
    ValueError
        If `surface` is not two-dimensional or `cell` not above zero.

    Notes
    -----
    Horn 1981, Proc. IEEE 69(1). Beyond the border the surface goes on straight, as with
    `gdaldem -compute_edges`. A neighbour that is unknown takes the value that continues the line
    through its opposite and the centre. Where that one is unknown as well, the other pairs of
    neighbours speak for theirs; a direction without any counts as level. A plane so keeps its
    slope up to its edge.
    """
    if surface.ndim != 2:
        raise ValueError(f"a surface has rows and cols, got shape {surface.shape}")
    if not cell > 0:
        raise ValueError(f"cell must be above 0 m, got {cell}")
    east = np.empty(surface.shape, dtype=np.float32)
    south = np.empty(surface.shape, dtype=np.float32)
    if surface.size:
        _gradient(np.ascontiguousarray(surface), 1.0 / (8.0 * cell), east, south)
    return east, south


@njit(cache=True, nogil=True, parallel=True)
def steepness(east: NDArray[np.float32], south: NDArray[np.float32]) -> NDArray[np.float32]:
    """Slope [percent] of a gradient, (rows, cols); NaN where it is."""
    rows, cols = east.shape
    slope = np.empty((rows, cols), np.float32)
    for row in prange(rows):
        for col in range(cols):
            x, y = east[row, col], south[row, col]
            slope[row, col] = np.float32(100) * np.sqrt(x * x + y * y)
    return slope


@njit(cache=True, nogil=True, parallel=True)
def facing(east: NDArray[np.float32], south: NDArray[np.float32]) -> NDArray[np.float32]:
    """Direction downhill [degrees clockwise from north] of a gradient, (rows, cols).

    At least 0 and under 360; NaN where the gradient is, and where it is nil.
    """
    rows, cols = east.shape
    aspect = np.empty((rows, cols), np.float32)
    for row in prange(rows):
        for col in range(cols):
            x, y = np.float64(east[row, col]), np.float64(south[row, col])
            if x == 0.0 and y == 0.0:
                aspect[row, col] = np.nan
                continue
            # Downhill is against the gradient: east by -x and north by y.
            turn = np.float32(np.degrees(np.arctan2(-x, y)))
            if turn < 0:
                turn += np.float32(360)
            aspect[row, col] = np.float32(0) if turn >= 360 else turn
    return aspect


@njit(cache=True, nogil=True)
def _in_column(z, row, col):  # type: ignore[no-untyped-def]
    """Height at a row up to one beyond the border, carried on straight; NaN unknown."""
    rows = z.shape[0]
    if 0 <= row < rows:
        return np.float64(z[row, col])
    if rows < 2:
        return np.nan
    rim, inner = (0, 1) if row < 0 else (rows - 1, rows - 2)
    return 2.0 * np.float64(z[rim, col]) - np.float64(z[inner, col])


@njit(cache=True, nogil=True)
def _height(z, row, col):  # type: ignore[no-untyped-def]
    """The same for a row and column up to one beyond the border."""
    cols = z.shape[1]
    if 0 <= col < cols:
        return _in_column(z, row, col)
    if cols < 2:
        return np.nan
    rim, inner = (0, 1) if col < 0 else (cols - 1, cols - 2)
    return 2.0 * _in_column(z, row, rim) - _in_column(z, row, inner)


@njit(cache=True, nogil=True)
def _or_level(difference):  # type: ignore[no-untyped-def]
    return 0.0 if np.isnan(difference) else difference


@njit(cache=True, nogil=True)
def _careful(z, row, col, scale):  # type: ignore[no-untyped-def]
    """Gradient of a cell on the border or beside an unknown one."""
    centre = np.float64(z[row, col])
    pairs = np.empty(4)  # falling, down, rising, along
    for k in range(4):
        # Differences of two opposite neighbours: south-east, south, north-east and east ahead
        drow = -1 if k == 2 else np.int64(k < 2)
        dcol = np.int64(k != 1)
        ahead = _height(z, row + drow, col + dcol)
        behind = _height(z, row - drow, col - dcol)
        if np.isnan(ahead):
            pairs[k] = 2.0 * (centre - behind)  # unknown if both are
        elif np.isnan(behind):
            pairs[k] = 2.0 * (ahead - centre)
        else:
            pairs[k] = ahead - behind
    falling, down, rising, along = pairs[0], pairs[1], pairs[2], pairs[3]
    # On a plane falling = along + down and rising = along - down.
    if np.isnan(along):
        along = _or_level(0.5 * (falling + rising))
    if np.isnan(down):
        down = _or_level(0.5 * (falling - rising))
    if np.isnan(falling):
        falling = along + down
    if np.isnan(rising):
        rising = along - down
    east = falling + rising + 2.0 * along
    south = falling - rising + 2.0 * down
    return east * scale, south * scale


@njit(cache=True, nogil=True, parallel=True)
def _gradient(z, scale, east, south):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    for each in prange(rows):
        row = np.int64(each)
        inner = 0 < row < rows - 1
        if inner:
            for col in range(1, cols - 1):
                a = np.float64(z[row - 1, col - 1])
                b = np.float64(z[row - 1, col])
                c = np.float64(z[row - 1, col + 1])
                d = np.float64(z[row, col - 1])
                f = np.float64(z[row, col + 1])
                g = np.float64(z[row + 1, col - 1])
                h = np.float64(z[row + 1, col])
                i = np.float64(z[row + 1, col + 1])
                falling = i - a
                rising = c - g
                east[row, col] = (falling + rising + 2.0 * (f - d)) * scale
                south[row, col] = (falling - rising + 2.0 * (h - b)) * scale
        for col in range(cols):
            # The pass above leaves NaN wherever a neighbour is unknown; few cells come here.
            edge = not inner or col == 0 or col == cols - 1
            if edge or np.isnan(east[row, col]) or np.isnan(south[row, col]):
                if np.isnan(z[row, col]):
                    east[row, col] = np.nan
                    south[row, col] = np.nan
                else:
                    east[row, col], south[row, col] = _careful(z, row, col, scale)
            elif np.isnan(z[row, col]):
                east[row, col] = np.nan
                south[row, col] = np.nan
