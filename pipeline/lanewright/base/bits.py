"""Flags as bits of words, for sets of thousands of holes that kernels compare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Flags


def bits_of(flags: Flags) -> NDArray[np.uint64]:
    """Flags (k, n) as words of 64 bits (k, words), the first flag in the lowest bit.

    Examples
    --------
    >>> bits_of(np.array([[True, False, True]])).tolist()
    [[5]]
    """
    packed = np.packbits(flags, axis=1, bitorder="little")
    words = -(-flags.shape[1] // 64)
    packed = np.pad(packed, ((0, 0), (0, 8 * words - packed.shape[1])))
    return np.ascontiguousarray(packed).view("<u8").astype(np.uint64)


def flags_of(bits: NDArray[np.uint64]) -> Flags:
    """Words of 64 bits (k, words) as flags (k, 64 words); the reverse of `bits_of`."""
    packed = np.ascontiguousarray(bits.astype("<u8")).view(np.uint8)
    return np.unpackbits(packed, axis=1, bitorder="little").astype(bool)
