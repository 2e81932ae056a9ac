"""Peak memory of a stage, its reading processes included."""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import threading
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import psutil

_STATUS = Path("/proc/self/status")
_RESET = Path("/proc/self/clear_refs")


class Meter:
    """Peak memory [MB] of this process and its children between making it and `stop`.

    Parameters
    ----------
    every
        Seconds between two looks.

    Notes
    -----
    Linux keeps the peak of a process itself and starts anew on request, so nothing that comes and
    goes between two looks is missed. Looks are needed for children only, and cost 2 microseconds
    while there are none; listing every process to find them is what costs.
    """

    def __init__(self, every: float = 0.25) -> None:
        self._me = psutil.Process()
        self._exact = _reset_peak()
        self._peak = 0.0
        self._every = every
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while True:
            with contextlib.suppress(psutil.Error):
                self._look()
            if self._ended.wait(self._every):
                return

    def _look(self) -> None:
        family = _has_children()
        if self._exact and not family:
            return
        held = self._me.memory_info().rss
        for child in self._me.children(recursive=True) if family else ():
            with contextlib.suppress(psutil.Error):  # it may just have ended
                held += child.memory_info().rss
        self._peak = max(self._peak, held / 1e6)

    def stop(self) -> float:
        """End watching; the peak so far."""
        self._ended.set()
        self._thread.join()
        return max(self._peak, _own_peak() if self._exact else 0.0)


def give_back(results: Iterable[object] = ()) -> None:
    """Hand memory back that was freed (glibc keeps it) or that mapped files of results hold.

    What is mapped is read from the file again where it is needed.
    """
    for array in results:
        if isinstance(array, np.memmap):
            array._mmap.madvise(mmap.MADV_DONTNEED)  # type: ignore[attr-defined]
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def _has_children() -> bool:
    """Whether any child is alive or not yet waited for; nobody's exit status is taken away."""
    try:
        os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    except ChildProcessError:
        return False
    return True


def _reset_peak() -> bool:
    """Let the system's own peak of this process start anew; whether it does that here."""
    try:
        _RESET.write_text("5")
        return _own_peak() > 0
    except OSError:
        return False


def _own_peak() -> float:
    """Peak of this process [MB] since the last reset."""
    for line in _STATUS.read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024 / 1e6
    return 0.0
