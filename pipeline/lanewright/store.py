"""Finished stage results on disk by key: a rerun starts where something changed.

A key is made of the stage's name and version, the keys of the results it takes, its settings,
and at the root the content of the input files. Results are written beside their place and renamed
when whole, so a run killed anywhere leaves nothing half made.
"""

from __future__ import annotations

import hashlib
import inspect
import json
import logging
import os
import pickle
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import psutil
from pydantic import BaseModel

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.sources.points import PointStore

log = logging.getLogger(__name__)

P = ParamSpec("P")
R = TypeVar("R")

_FULL = 2**20
"""A disk with fewer bytes left is full."""

_BIG = 4096
"""Arrays of more bytes stand in files of their own and come back memory-mapped."""


def stage(name: str, version: int) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Mark a function as a stage; raise `version` whenever its results change."""

    def mark(function: Callable[P, R]) -> Callable[P, R]:
        function.stage = (name, version)  # type: ignore[attr-defined]
        return function

    return mark


@dataclass(frozen=True)
class Timing:
    """What a stage cost: seconds, peak memory [MB], and whether it was there already."""

    stage: str
    seconds: float
    peak_mb: float
    reused: bool


class Until(Exception):  # noqa: N818 - not an error
    """The stage that the run was to end with is done."""


class Store:
    """Runs stages or hands back what the same call gave before.

    Parameters
    ----------
    folder
        Where results are kept.
    show
        Called as `show(stage)` at the start of a stage; gives a function that takes its progress
        as a share, and `None` at the end.
    start_at, stop_after
        Stage from which nothing is reused, and stage after which `Until` is raised.
    threads
        Handed to the stages that ask.
    keep
        Leave results of other settings beside new ones; else only the last of a stage is kept.
    """

    def __init__(
        self,
        folder: Path,
        *,
        show: Callable[[str], Callable[[float | None], None]] = lambda _s: lambda _p: None,
        start_at: str | None = None,
        stop_after: str | None = None,
        threads: int = 1,
        keep: bool = False,
    ) -> None:
        self.folder = folder
        self._keep = keep
        self._threads = threads
        self.timings: list[Timing] = []
        self.show = show
        self._start_at = start_at
        self._stop_after = stop_after
        self._redo = False
        self._keys: dict[int, tuple[str, object]] = {}

    def step(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """Result of a stage for these arguments, made now or earlier.

        Arguments are results of earlier stages, fields of them, settings and plain values. A
        stage may declare three keywords that are no part of its key: `workspace`, a folder for
        files that belong to its result, `progress`, a function that takes a share, and `threads`.
        """
        name, version = function.stage  # type: ignore[attr-defined]
        redo = self.redoes(name)
        key = self.digest(name, version, args, kwargs)
        place = self.folder / f"{name}-{key}"
        began, meter = time.perf_counter(), Meter()
        reused = (place / "result.pickle").exists() and not redo
        if not reused:
            self._make(name, place, function, args, kwargs)
        result: R = _load(place)
        self._register(key, result)
        timing = Timing(name, time.perf_counter() - began, meter.stop(), reused)
        self.timings.append(timing)
        if reused:
            log.info("%s: nothing changed, earlier result used", name)
        else:
            log.info("%s: done in %.1f s, peak %.0f MB", name, timing.seconds, timing.peak_mb)
            if not self._keep:
                self._tidy(name, place)
        if name == self._stop_after:
            raise Until(name)
        return result

    def redoes(self, name: str) -> bool:
        """Whether the run asked for this stage, or one before it, to be made anew."""
        self._redo = self._redo or name == self._start_at
        return self._redo

    def _register(self, key: str, value: object) -> None:
        """Remember the key of a result, and of its fields, so that a stage may take just those."""
        if isinstance(value, str | int | float | bool | tuple | dict | None):
            return
        self._keys[id(value)] = (key, value)
        if is_dataclass(value):
            for part in fields(value):
                self._register(f"{key}.{part.name}", getattr(value, part.name))

    def _make(self, name: str, place: Path, function: Any, args: Any, kwargs: Any) -> None:
        beside = place.with_name(place.name + ".part")
        shutil.rmtree(beside, ignore_errors=True)
        beside.mkdir(parents=True)
        extra: dict[str, Any] = {}
        show = self.show(name)
        wanted = inspect.signature(function).parameters
        if "workspace" in wanted:
            extra["workspace"] = beside
        if "progress" in wanted:
            extra["progress"] = show
        if "threads" in wanted:
            extra["threads"] = self._threads
        try:
            _save(function(*args, **kwargs, **extra), beside)
        except OSError:
            # Writers differ in how they say it, so the disk itself is asked.
            full = shutil.disk_usage(beside).free < _FULL
            shutil.rmtree(beside, ignore_errors=True)
            if full:
                raise InputError(
                    self.folder.parent, "the disk is full", "Make room; earlier results stand."
                ) from None
            raise
        finally:
            show(None)
        shutil.rmtree(place, ignore_errors=True)
        beside.rename(place)

    def _tidy(self, name: str, keep: Path) -> None:
        for other in self.folder.glob(f"{name}-*"):
            if other != keep:
                shutil.rmtree(other, ignore_errors=True)

    def digest(self, *parts: object) -> str:
        """Key of a call: results by their own keys, settings and plain values by content."""
        text = json.dumps([__version__, *map(self._plain, parts)], sort_keys=True)
        return hashlib.blake2b(text.encode(), digest_size=10).hexdigest()

    def _plain(self, value: object) -> object:
        known = self._keys.get(id(value))
        if known is not None and known[1] is value:
            return {"result": known[0]}
        if isinstance(value, BaseModel):
            return json.loads(value.model_dump_json())
        if isinstance(value, list | tuple):
            return [self._plain(v) for v in value]
        if isinstance(value, dict):
            return {str(k): self._plain(v) for k, v in value.items()}
        if value is None or isinstance(value, bool | int | float | str):
            return value
        if is_dataclass(value) and not hasattr(value, "content_key"):
            return {f.name: self._plain(getattr(value, f.name)) for f in fields(value)}
        if isinstance(value, Path):
            return str(value)
        content_key = getattr(value, "content_key", None)
        if content_key is not None:
            return {"content": content_key}
        raise TypeError(f"no key for a {type(value).__name__}; give the store results or settings")


# ---------------------------------------------------------------------------------------------
# At rest


def _save(result: object, folder: Path) -> None:
    with (folder / "result.pickle").open("wb") as file:
        _Pickler(file, folder).dump(result)
        file.flush()
        os.fsync(file.fileno())


def _load(folder: Path) -> Any:
    with (folder / "result.pickle").open("rb") as file:
        return _Unpickler(file, folder).load()


class _Pickler(pickle.Pickler):
    """Arrays, tables and points go to files that open without being read whole."""

    def __init__(self, file: Any, folder: Path) -> None:
        super().__init__(file, protocol=5)
        self._folder = folder
        self._count = 0

    def persistent_id(self, obj: Any) -> tuple[Any, ...] | None:
        name = f"{self._count:03d}"
        if isinstance(obj, np.ndarray) and obj.nbytes > _BIG and obj.dtype != object:
            np.save(self._folder / f"{name}.npy", obj)
            kind, name = "array", f"{name}.npy"
        elif isinstance(obj, gpd.GeoDataFrame):
            obj.to_parquet(self._folder / f"{name}.parquet", index=False)
            kind, name = "places", f"{name}.parquet"
        elif isinstance(obj, pd.DataFrame):
            obj.to_parquet(self._folder / f"{name}.parquet", index=False)
            kind, name = "table", f"{name}.parquet"
        elif isinstance(obj, PointStore):
            return ("points", *obj.parts)
        else:
            return None
        self._count += 1
        return kind, name


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: Any, folder: Path) -> None:
        super().__init__(file)
        self._folder = folder

    def persistent_load(self, pid: tuple[Any, ...]) -> Any:
        kind, *rest = pid
        match kind:
            case "array":
                return np.load(self._folder / rest[0], mmap_mode="r")
            case "places":
                return gpd.read_parquet(self._folder / rest[0])
            case "table":
                return pd.read_parquet(self._folder / rest[0])
            case "points":
                return PointStore(self._folder, *rest)
        raise pickle.UnpicklingError(f"unknown kind {kind}")


# ---------------------------------------------------------------------------------------------
# What it costs


class Meter:
    """Peak memory [MB] of this process and its children between making it and `stop`."""

    def __init__(self, every: float = 0.05) -> None:
        self._peak = 0.0
        self._every = every
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        me = psutil.Process()
        while True:
            try:
                family = [me, *me.children(recursive=True)]
                held = 0
                for process in family:
                    try:
                        held += process.memory_info().rss
                    except psutil.NoSuchProcess:
                        continue
                self._peak = max(self._peak, held / 1e6)
            except psutil.Error:
                pass
            if self._ended.wait(self._every):
                return

    def stop(self) -> float:
        """End watching; the peak so far."""
        self._ended.set()
        self._thread.join()
        return self._peak


def writable(folder: Path) -> None:
    """Make the folder and try to write to it, before any work starts.

    Raises
    ------
    InputError
        If it cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / f".probe-{os.getpid()}"
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError as err:
        raise InputError(
            folder,
            f"results cannot be written there ({err.strerror})",
            "Choose another out folder.",
        ) from None
