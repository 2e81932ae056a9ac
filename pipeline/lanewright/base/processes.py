"""Other programs, run within bounds of time and memory; none is left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import IO

MOST_SAID = 100_000
"""Bytes kept of what a program prints, from its end."""

_running: set[int] = set()


@dataclass(frozen=True)
class Ended:
    """How a program ended.

    Attributes
    ----------
    code
        0 if all went well; negative where a signal ended it.
    said, complained
        Ends of its standard output and of its standard error.
    """

    code: int
    said: str
    complained: str

    @property
    def last_word(self) -> str:
        """Last line of its complaint; what is known where it made none."""
        lines = [line for line in self.complained.splitlines() if line.strip()]
        return lines[-1].strip()[:200] if lines else "it crashed"


def run_bounded(
    command: Sequence[str],
    seconds: float,
    memory: int,
    given: str = "",
    env: Mapping[str, str] | None = None,
) -> Ended:
    """Run a program to its end.

    Parameters
    ----------
    memory
        Bytes of data that it, and each process that it starts, may hold; Linux only.
    given
        What it finds on its standard input.

    Raises
    ------
    TimeoutError
        If it takes longer; it and all that it started are then killed.
    OSError
        If it cannot be started.
    """
    with (
        tempfile.TemporaryFile() as stdin,
        tempfile.TemporaryFile() as stdout,
        tempfile.TemporaryFile() as stderr,
    ):
        stdin.write(given.encode("utf-8"))
        stdin.seek(0)
        process = subprocess.Popen(
            command, stdin=stdin, stdout=stdout, stderr=stderr, env=env, start_new_session=True
        )
        _running.add(process.pid)
        try:
            _bound(process.pid, memory)
            code = process.wait(seconds)
        except subprocess.TimeoutExpired:
            raise TimeoutError(f"{command[0]} takes more than {seconds:.0f} s") from None
        finally:
            if process.returncode is None:
                _kill(process.pid)
                process.wait()
            _running.discard(process.pid)
        return Ended(code, _end(stdout), _end(stderr))


def kill_running() -> None:
    """Kill every program that still runs: each has a session of its own, so Ctrl-C misses it."""
    for pid in tuple(_running):
        _kill(pid)


def import_places() -> list[str]:
    """Folders that this process imports from, all but the current one."""
    here = os.path.realpath(os.curdir)
    return [p for p in map(os.path.realpath, filter(None, sys.path)) if p != here]


def _kill(pid: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)


def _bound(pid: int, memory: int) -> None:
    with contextlib.suppress(ImportError, AttributeError, OSError, ValueError):
        import resource

        _soft, hard = resource.prlimit(pid, resource.RLIMIT_DATA)
        most = memory if hard == resource.RLIM_INFINITY else min(memory, hard)
        resource.prlimit(pid, resource.RLIMIT_DATA, (most, hard))


def _end(file: IO[bytes]) -> str:
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - MOST_SAID))
    return file.read().decode("utf-8", "replace")
