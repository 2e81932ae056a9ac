"""Runs stages or hands back earlier results: a rerun starts where something changed.

A key is made of the stage's name and version, the keys of the results it takes, its settings,
and at the root the content of the input files. Results are written beside their place and renamed
when whole, so a run killed anywhere leaves nothing half made.
"""

from __future__ import annotations

import hashlib
import inspect
import json
import logging
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pydantic import BaseModel

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.store.files import Damaged
from lanewright.store.form import BIG, Place, classes_of, part_at, parts_of
from lanewright.store.meter import Meter, give_back
from lanewright.store.result import load, save
from lanewright.store.shelf import Shelf

log = logging.getLogger(__name__)

P = ParamSpec("P")
R = TypeVar("R")

_FULL = 2**20
"""A disk with fewer bytes left is full."""


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
    run
        Kind of run, `whole` or `own`: of each kind the results of the last run are kept.
    """

    def __init__(
        self,
        folder: Path,
        *,
        show: Callable[[str], Callable[[float | None], None]] = lambda _s: lambda _p: None,
        start_at: str | None = None,
        stop_after: str | None = None,
        threads: int = 1,
        run: str = "whole",
    ) -> None:
        self.folder = folder
        self._shelf = Shelf(folder, run)
        self._threads = threads
        self.timings: list[Timing] = []
        self.show = show
        self._start_at = start_at
        self._stop_after = stop_after
        self._redo = False
        self._results: dict[str, _Read] = {}
        self._places: dict[int, tuple[Place, object]] = {}
        self._arrays: dict[tuple[object, ...], Place] = {}

    def step(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """Result of a stage for these arguments, made now or earlier.

        Arguments are results of earlier stages, fields of them, settings and plain values. A
        stage may declare three keywords that are no part of its key: `workspace`, a folder for
        files that belong to its result, `progress`, a function that takes a share, and `threads`.
        """
        stage_name, version = function.stage  # type: ignore[attr-defined]
        redo = self.redoes(stage_name)
        name = f"{stage_name}-{self.digest(stage_name, version, args, kwargs)}"
        began, meter = time.perf_counter(), Meter()
        classes = classes_of(function)
        result = None if redo else self._earlier(name, classes)
        reused = result is not None
        if result is None:
            self._make(name, function, args, kwargs, classes)
            give_back(value for _, value in self._places.values())
            result = self._load(name, classes, check=False)
        self._register(name, result)
        self._shelf.use(stage_name, name)
        timing = Timing(stage_name, time.perf_counter() - began, meter.stop(), reused)
        self.timings.append(timing)
        if reused:
            log.info("%s: nothing changed, earlier result used", stage_name)
        else:
            log.info("%s: done in %.1f s, peak %.0f MB", stage_name, timing.seconds, timing.peak_mb)
        if stage_name == self._stop_after:
            raise Until(stage_name)
        return cast(R, result.value)

    def last(self, function: Callable[..., R]) -> R:
        """Result of a stage as the last finished run of this kind left it.

        A result may refer to those of earlier stages, so ask in the order of the run.

        Raises
        ------
        Damaged
            If there is none, or it is not as it was written.
        """
        stage_name = function.stage[0]  # type: ignore[attr-defined]
        place = self._shelf.last(stage_name)
        if place is None:
            raise Damaged(f"no result of {stage_name} is stored in {self.folder}")
        result = self._load(place.name, classes_of(function))
        self._register(place.name, result)
        return cast(R, result.value)

    def is_last(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> bool:
        """Whether the result that `last` gives of a stage was made from these arguments."""
        stage_name, version = function.stage  # type: ignore[attr-defined]
        place = self._shelf.last(stage_name)
        key = self.digest(stage_name, version, args, kwargs)
        return place is not None and place.name == f"{stage_name}-{key}"

    @contextmanager
    def scratch(self, name: str) -> Iterator[Path]:
        """Lend a folder that is gone afterwards, however it ends."""
        part = self._shelf.begin(name)
        try:
            yield part
        finally:
            self._shelf.drop(part)

    def _earlier(self, name: str, classes: Mapping[str, type]) -> _Read | None:
        """What is stored under that name; None if it is not there or not as it was written."""
        if not (self.folder / name).exists():
            return None
        try:
            return self._load(name, classes)
        except Damaged as fault:
            log.warning("%s: what was stored is damaged, it is made again: %s", name, fault)
            return None

    def redoes(self, name: str) -> bool:
        """Whether the run asked for this stage, or one before it, to be made anew."""
        self._redo = self._redo or name == self._start_at
        return self._redo

    def _load(self, name: str, classes: Mapping[str, type], *, check: bool = True) -> _Read:
        return _Read(load(self.folder / name, classes, self._part, check=check), classes)

    def _register(self, name: str, result: _Read) -> None:
        """Remember where a result and its parts are stored, so that a stage may take just those."""
        self._results[name] = result
        self._note((name, ""), result.value)

    def _note(self, place: Place, value: object) -> None:
        if isinstance(value, str | int | float | bool | dict | None):
            return
        # What an earlier result lent to this one stays that one's.
        if not isinstance(value, tuple | list) and not self._is_known(value):
            self._places[id(value)] = (place, value)
            if isinstance(value, np.ndarray) and value.nbytes > BIG:
                self._arrays.setdefault(_memory_of(value), place)
        name, path = place
        for part, inner in parts_of(value):
            self._note((name, f"{path}.{part}" if path else part), inner)

    def _is_known(self, value: object) -> bool:
        return id(value) in self._places and self._places[id(value)][1] is value

    def _place_of(self, value: object) -> Place | None:
        """Where a value is stored already as part of an earlier result; None for what is new."""
        if isinstance(value, np.ndarray):
            return self._arrays.get(_memory_of(value)) if value.nbytes > BIG else None
        if not self._is_known(value):
            return None
        place = self._places[id(value)][0]
        if isinstance(value, pd.DataFrame):
            name, path = place
            again = self._load(name, self._results[name].classes, check=False).value
            if not value.equals(cast(pd.DataFrame, part_at(again, path))):
                return None  # changed in memory since, so it is another table
        return place

    def _part(self, place: Place) -> object:
        """Part of an earlier result of this run."""
        if place[0] not in self._results:
            raise Damaged(f"it refers to {place[0]}, which this run does not use")
        return part_at(self._results[place[0]].value, place[1])

    def _make(
        self, name: str, function: Any, args: Any, kwargs: Any, classes: Mapping[str, type]
    ) -> None:
        part = self._shelf.begin(name)
        show = self.show(function.stage[0])
        offered = {"workspace": part, "progress": show, "threads": self._threads}
        wanted = inspect.signature(function).parameters
        extra = {key: value for key, value in offered.items() if key in wanted}
        try:
            files = save(function(*args, **kwargs, **extra), part, classes, self._place_of)
            self._shelf.finish(part, name, files)
        except BaseException as fault:
            # Writers differ in how they say it, so the disk itself is asked.
            full = isinstance(fault, OSError) and shutil.disk_usage(self.folder).free < _FULL
            self._shelf.drop(part)
            if full:
                raise InputError(
                    self.folder.parent, "the disk is full", "Make room; earlier results stand."
                ) from None
            raise
        finally:
            show(None)

    def digest(self, *parts: object) -> str:
        """Key of a call: results by their own keys, settings and plain values by content."""
        text = json.dumps([__version__, *map(self._plain, parts)], sort_keys=True)
        return hashlib.blake2b(text.encode(), digest_size=10).hexdigest()

    def _stored(self, value: object) -> Place | None:
        """Where an earlier result of this run, or an array of one, is stored; None for others."""
        if self._is_known(value):
            return self._places[id(value)][0]
        return self._arrays.get(_memory_of(value)) if isinstance(value, np.ndarray) else None

    def _plain(self, value: object) -> object:
        stored = self._stored(value)
        if stored is not None:
            return {"result": stored}
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
        if isinstance(value, shapely.Geometry):
            return {"shape": value.wkb_hex}
        content_key = getattr(value, "content_key", None)
        if content_key is not None:
            return {"content": content_key}
        raise TypeError(f"no key for a {type(value).__name__}; give the store results or settings")


@dataclass(frozen=True)
class _Read:
    """What was read, which may be None, and the classes it may consist of."""

    value: object
    classes: Mapping[str, type]


def _memory_of(array: NDArray[np.generic]) -> tuple[object, ...]:
    """What two views of the same numbers have in common."""
    return (array.__array_interface__["data"][0], array.shape, array.strides, array.dtype.str)
