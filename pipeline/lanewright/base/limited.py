"""A command under a limit on its memory: libraries that end the process get a message all the same.

A compiler out of memory aborts, the loader leaves with 127, a linear algebra library with 1: no
exception passes through Python. Where a limit is set (`ulimit -v`), the work is done by a child,
and what became of it is reported here.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

MEGABYTE = 2**20


def limit_on_memory() -> int | None:
    """Bytes of address space that this process may have; None where nobody set a limit."""
    try:
        import resource
    except ImportError:  # no such thing on this system
        return None
    least, _ = resource.getrlimit(resource.RLIMIT_AS)
    return None if least == resource.RLIM_INFINITY else least


def guarded(work: Callable[[], None]) -> None:
    """Do a command's work; under a limit on memory in a child, whose exit code becomes ours.

    A child that neither returned nor left by `sys.exit` ran out of memory: exit code 2.
    """
    limit = limit_on_memory()
    if limit is None or not hasattr(os, "fork"):
        work()
        return
    parent, (seen, end) = os.getpid(), os.pipe()
    child = os.fork()
    if child == 0:
        os.close(seen)
        _end_with(parent)
        with _says_when_done(end):
            work()
        return
    os.close(end)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the child has it too, and says so
    _, status = os.waitpid(child, 0)
    done = os.read(seen, 1) == b"."
    code = os.waitstatus_to_exitcode(status)
    if done or code == 130:
        os._exit(code)
    if code == -signal.SIGKILL:
        os.kill(parent, signal.SIGKILL)
    said = (
        f"error: the {limit // MEGABYTE:,} MB that memory is limited to did not suffice. Raise the "
        "limit, give a smaller property or a wider ingest.cell; earlier results stand.\n"
    )
    os.write(2, said.encode())
    os._exit(2)


@contextmanager
def _says_when_done(end: int) -> Iterator[None]:
    """Write one sign into a pipe when Python itself comes to the end of the work."""
    try:
        yield
    finally:
        os.write(end, b".")


def _end_with(parent: int) -> None:
    """Let the system kill this process when its parent ends (Linux)."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(1, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        sys.exit(1)
