"""Between a grid and its coarser ones; every coarse cell covers whole cells of the fine grid."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Raster
from lanewright.kernels.relief import gradient

T = TypeVar("T", bound=np.generic)


def factor_to(cell: float, wished: float) -> int:
    """How many cells of side `cell` make the coarse cell nearest to, and not under, `wished`.

    >>> factor_to(0.5, 1.0), factor_to(1.0, 0.5), factor_to(0.5, 8.0), factor_to(0.6, 1.0)
    (2, 1, 16, 2)
    """
    return max(1, int(np.ceil(wished / cell - 1e-9)))


def blocks_sum(array: NDArray[np.generic], factor: int) -> NDArray[np.float64]:
    """Sum over blocks of `factor` x `factor` cells; what lies beyond the border counts nothing."""
    # Row by row, then column by column: adding whole slices is some five times faster than
    # numpy's own reductions over such short axes.
    for axis in (0, 1):
        size = -(-array.shape[axis] // factor)
        shape = (size, array.shape[1]) if axis == 0 else (array.shape[0], size)
        total = np.zeros(shape)
        for k in range(factor):
            part = array[k::factor] if axis == 0 else array[:, k::factor]
            total[: part.shape[0], : part.shape[1]] += part
        array = total
    return total


def blocks_lowest(surface: Raster, factor: int) -> Raster:
    """Lowest known height of each block; NaN where it has none.

    >>> blocks_lowest(np.array([[3, np.nan], [1, 2]], np.float32), 2)
    array([[1.]], dtype=float32)
    """
    for axis in (0, 1):
        size = -(-surface.shape[axis] // factor)
        shape = (size, surface.shape[1]) if axis == 0 else (surface.shape[0], size)
        lowest = np.full(shape, np.nan, surface.dtype)
        for k in range(factor):
            part = surface[k::factor] if axis == 0 else surface[:, k::factor]
            here = lowest[: part.shape[0], : part.shape[1]]
            np.fmin(here, part, out=here)
        surface = lowest
    return surface


def blocks_mean(surface: Raster, factor: int) -> Raster:
    """Height at the centre of each block: mean of its known cells; NaN where it has none.

    Where only a part of a block is known, its mean belongs to the middle of that part and is
    carried to the centre along the slope. A plane stays a plane up to its edge.
    """
    if factor == 1:
        return surface
    known = np.isfinite(surface)
    flat = np.where(known, surface, np.float32(0))
    count = blocks_sum(known, factor)
    held = count > 0
    share = np.divide(1, count, out=np.full(count.shape, np.nan), where=held)
    mean = blocks_sum(flat, factor) * share
    if np.any(held & (count < factor**2)):
        for axis, slope in enumerate(reversed(gradient(surface, 1.0))):
            place = np.arange(surface.shape[axis]) % factor - (factor - 1) / 2
            away = np.expand_dims(place, 1 - axis) * known
            steep = blocks_sum(np.where(known, slope, np.float32(0)), factor) * share
            mean -= steep * blocks_sum(away, factor) * share
    return np.asarray(mean, dtype=np.float32)


def repeat(array: NDArray[T], factor: int, shape: tuple[int, int]) -> NDArray[T]:
    """Each coarse value in all fine cells of its block; `shape` is that of the fine grid."""
    if factor == 1:
        return array
    return np.repeat(np.repeat(array, factor, axis=0), factor, axis=1)[: shape[0], : shape[1]]


def smooth(array: Raster, factor: int, shape: tuple[int, int]) -> Raster:
    """Linear between the centres of coarse cells, onto the fine grid of `shape`.

    A fine cell is known where its own coarse cell is; unknown neighbours do not take part.
    """
    if factor == 1:
        return array
    known = np.isfinite(array)
    value = _stretch(
        _stretch(np.where(known, array, np.float32(0)), factor, shape[0], 0), factor, shape[1], 1
    )
    if known.all():
        return value
    weight = _stretch(_stretch(known.astype(np.float32), factor, shape[0], 0), factor, shape[1], 1)
    inside = repeat(known, factor, shape)
    return np.divide(value, weight, out=np.full(shape, np.nan, np.float32), where=inside)


def _stretch(array: Raster, factor: int, size: int, axis: int) -> Raster:
    place = (np.arange(size) + 0.5) / factor - 0.5
    last = array.shape[axis] - 1
    low = np.clip(np.floor(place).astype(np.int64), 0, last)
    high = np.minimum(low + 1, last)
    part = np.clip(place - low, 0, 1).astype(np.float32)
    part = part[:, None] if axis == 0 else part[None, :]
    below = np.take(array, low, axis=axis)
    below += part * (np.take(array, high, axis=axis) - below)
    return below
