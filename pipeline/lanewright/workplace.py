"""The folder a run works in: claimed for one run, with its log, threads and scratch space."""

from __future__ import annotations

import fcntl
import logging
import os
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numba

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.settings.config import Config
from lanewright.store import Written, writable
from lanewright.store.written import open_unlinked

STAGES = ".stages"
"""Folder of stage results within the out folder."""

OWN = "own-holes"
"""Folder within the out folder for lines scored alone."""

LOG = "run.log"


@dataclass(frozen=True)
class Workplace:
    """Where a run works.

    Attributes
    ----------
    stages
        Folder of stage results.
    threads
        Threads to use.
    """

    stages: Path
    threads: int


@contextmanager
def workplace(
    config: Config, threads: int | None, names: Iterable[str] = ()
) -> Iterator[Workplace]:
    """Claim the out folder for this run and log to `run.log` in it.

    Parameters
    ----------
    names
        Files that the run is going to write, relative to the out folder.

    Raises
    ------
    InputError
        If the folder cannot be written to, another run is at work in it, or a name is taken by a
        file that no run wrote.
    """
    writable(config.out)
    stages = config.out / STAGES
    if stages.is_symlink():
        raise InputError(stages, "is a link", "Remove it, or choose another out folder.")
    writable(stages)
    most = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    used = min(threads or most, most)
    numba.set_num_threads(used)
    with _claim(config.out, stages / "claim"):
        written = Written(config.out, stages)
        written.refuse_taken([LOG, *names])
        with _logging(written.open_log(LOG)) as log:
            log.info("lanewright %s: %s, %d threads", __version__, config.name, used)
            try:
                yield Workplace(stages, used)
            except InputError as fault:
                log.error("%s", fault)
                raise
            except KeyboardInterrupt:
                log.error("interrupted")
                raise
            except Exception:
                log.exception("failed")
                raise


@contextmanager
def _claim(out: Path, path: Path) -> Iterator[None]:
    """Hold the out folder for this process; the system lets go of it when the process ends."""
    with os.fdopen(open_unlinked(path, os.O_RDWR), "r+") as claim:
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(
                out,
                "another run is at work there",
                "Wait for it, or choose another out folder.",
            ) from None
        yield


@contextmanager
def _logging(file: IO[str]) -> Iterator[logging.Logger]:
    """Log to an open file, in UTC, and to no other while this lasts.

    A ranking within one process makes runs, each with a log of its own.
    """
    log = logging.getLogger("lanewright")
    others = [known for known in log.handlers if isinstance(known, _Quiet)]
    for known in others:
        log.removeHandler(known)
    handler = _Quiet(file)
    formatter = logging.Formatter("%(asctime)sZ %(levelname)s %(name)s: %(message)s")
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
    try:
        yield log
    finally:
        log.removeHandler(handler)
        for known in others:
            log.addHandler(known)
        with suppress(OSError):
            file.close()


class _Quiet(logging.StreamHandler[IO[str]]):
    """A full disk must not turn every line of the log into a traceback on the terminal."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        if not isinstance(sys.exc_info()[1], OSError):
            super().handleError(record)
