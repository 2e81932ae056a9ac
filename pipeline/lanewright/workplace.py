"""The folder a run works in: claimed for one run, with its log, threads and scratch space."""

from __future__ import annotations

import fcntl
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numba

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.settings.config import Config
from lanewright.store import writable

STAGES = ".stages"
"""Folder of stage results within the out folder."""


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
def workplace(config: Config, threads: int | None) -> Iterator[Workplace]:
    """Claim the out folder for this run and log to `run.log` in it.

    Raises
    ------
    InputError
        If the folder cannot be written to, or another run is at work in it.
    """
    writable(config.out)
    stages = config.out / STAGES
    stages.mkdir(exist_ok=True)
    most = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    used = min(threads or most, most)
    numba.set_num_threads(used)
    with (stages / "claim").open("w") as claim:
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(
                config.out,
                "another run is at work there",
                "Wait for it, or choose another out folder.",
            ) from None
        log = logging.getLogger("lanewright")
        handler = logging.FileHandler(config.out / "run.log", encoding="utf-8")
        formatter = logging.Formatter("%(asctime)sZ %(levelname)s %(name)s: %(message)s")
        formatter.converter = time.gmtime
        handler.setFormatter(formatter)
        log.addHandler(handler)
        log.setLevel(logging.INFO)
        log.propagate = False
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
        finally:
            log.removeHandler(handler)
            handler.close()
