"""Tasks on Dask: within this process, on local worker processes, or on a scheduler elsewhere."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import dask
from dask.callbacks import Callback
from dask.delayed import Delayed

from lanewright.base.errors import InputError

if TYPE_CHECKING:
    from distributed import Client

SCHEDULER_WAIT = "20s"
"""How long a scheduler at an address is waited for."""


@dataclass(frozen=True)
class Where:
    """Where tasks run.

    Attributes
    ----------
    workers
        Local processes. One means this process itself, by Dask's synchronous scheduler: no
        process is started and no socket opened.
    address
        Of a `dask.distributed` scheduler that runs already; None for local ones.
    worker_gb
        GB of memory after which Dask stops a local worker; None for an even share of what there is.
    scratch
        Folder for what Dask keeps while it works.
    """

    workers: int
    address: str | None
    worker_gb: float | None
    scratch: Path


Done = Callable[[int, object], None]
"""Called with a task's number and what came of it: its result, or the exception of Dask."""

Compute = Callable[[Sequence[Delayed], Done], None]


@contextmanager
def crew(where: Where) -> Iterator[Compute]:
    """A function that computes tasks and reports each as it ends; workers last as long as it does.

    Raises
    ------
    InputError
        If no scheduler answers at the address.
    """
    if where.address is None and where.workers == 1:
        yield _here
        return
    from distributed import Client, LocalCluster

    if where.address is not None:
        try:
            client = Client(where.address, timeout=SCHEDULER_WAIT)
        except (OSError, ValueError) as fault:
            raise InputError(
                where.address,
                f"no Dask scheduler answers there ({' '.join(str(fault).split())[:160]})",
                "Start one with `dask scheduler`, and workers with `dask worker ADDRESS "
                "--nthreads 1`, or leave --scheduler out.",
            ) from None
        with client:
            yield lambda tasks, done: _there(client, tasks, done)
        return
    limit = "auto" if where.worker_gb is None else int(where.worker_gb * 1e9)
    # Workers start as `python -c`, which looks for modules in the current folder first.
    os.environ["PYTHONSAFEPATH"] = "1"
    cluster = LocalCluster(
        n_workers=where.workers,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        memory_limit=limit,
        local_directory=str(where.scratch),
    )
    with cluster, Client(cluster) as client:
        yield lambda tasks, done: _there(client, tasks, done)


class _Counting(Callback):  # type: ignore[misc]
    """Reports tasks that the synchronous scheduler has ended."""

    def __init__(self, numbers: dict[str, int], done: Done) -> None:
        super().__init__(posttask=self._ended)
        self._numbers, self._done = numbers, done

    def _ended(self, key: str, value: object, *_: object) -> None:
        if key in self._numbers:
            self._done(self._numbers[key], value)


def _here(tasks: Sequence[Delayed], done: Done) -> None:
    with _Counting({task.key: number for number, task in enumerate(tasks)}, done):
        dask.compute(*tasks, scheduler="synchronous", optimize_graph=False)


def _there(client: Client, tasks: Sequence[Delayed], done: Done) -> None:
    from distributed import as_completed

    futures = client.compute(list(tasks), optimize_graph=False)
    numbers = {future.key: number for number, future in enumerate(futures)}
    for future in as_completed(futures):
        fault = future.exception()
        done(numbers[future.key], fault if fault is not None else future.result())
        future.release()
