"""How many threads compiled kernels use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def kernel_threads(count: int) -> Iterator[None]:
    """Let kernels use `count` threads, at most those of the machine; no result depends on it."""
    import numba

    before = numba.get_num_threads()
    numba.set_num_threads(min(max(count, 1), numba.config.NUMBA_NUM_THREADS))  # type: ignore[attr-defined]
    try:
        yield
    finally:
        numba.set_num_threads(before)
