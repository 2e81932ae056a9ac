"""What a stage returns as JSON, with arrays and tables in files beside it, and back.

Only what the stage's own return type can reach is ever built: no name found in a file is imported.
Marked objects carry the key `@`; a tuple reads `{"@": "tuple", "items": [...]}`.
"""

from __future__ import annotations

import dataclasses
import inspect
import types
import typing
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pydantic import BaseModel

from lanewright.base.grid import Grid
from lanewright.sources.points import Blocks, PointStore
from lanewright.store.files import Damaged, Json

BIG = 4096
"""Arrays of more bytes stand in files of their own and come back memory-mapped."""

_MARK = "@"

Place = tuple[str, str]
"""A value within a stored result: name of the result's folder, and fields joined by dots."""


def classes_of(function: Callable[..., object]) -> dict[str, type]:
    """Classes that a stage may return, by name: those its return type can reach.

    Raises
    ------
    TypeError
        If the return type is missing, or cannot be evaluated.
    """
    # The return type alone: parameters may be of types that are imported for checking only.
    declared = {k: v for k, v in function.__annotations__.items() if k == "return"}
    holder = types.SimpleNamespace(__annotations__=declared)
    try:
        returned = typing.get_type_hints(holder, inspect.unwrap(function).__globals__)["return"]
    except (KeyError, NameError) as err:
        raise TypeError(f"{function.__qualname__} declares no return type: {err}") from None
    found: dict[str, type] = {name_of(kind): kind for kind in (Grid, Blocks)}
    _gather(returned, found)
    return found


def name_of(kind: type) -> str:
    """Name of a class in a stored result."""
    return f"{kind.__module__}:{kind.__qualname__}"


def _gather(hint: object, found: dict[str, type]) -> None:
    for part in typing.get_args(hint):
        _gather(part, found)
    if not isinstance(hint, type) or name_of(hint) in found:
        return
    if issubclass(hint, BaseModel):
        found[name_of(hint)] = hint
    elif dataclasses.is_dataclass(hint) or _is_named_tuple(hint):
        found[name_of(hint)] = hint
        for part in typing.get_type_hints(hint).values():
            _gather(part, found)


def _is_named_tuple(kind: type) -> bool:
    return issubclass(kind, tuple) and hasattr(kind, "_fields")


def parts_of(value: object) -> Iterator[tuple[str, object]]:
    """Fields of a dataclass or named tuple, items of a tuple or list, with their names."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            yield field.name, getattr(value, field.name)
    elif isinstance(value, tuple | list):
        names = getattr(value, "_fields", range(len(value)))
        yield from ((str(name), part) for name, part in zip(names, value, strict=True))


def part_at(value: object, path: str) -> object:
    """Part of a result by its fields joined by dots; the result itself where there are none.

    Raises
    ------
    Damaged
        If there is no such part.
    """
    for name in path.split(".") if path else ():
        for own, part in parts_of(value):
            if own == name:
                value = part
                break
        else:
            raise Damaged(f"there is no {path} in the earlier result")
    return value


class Writer:
    """Puts a value into JSON, its arrays and tables into files of a folder.

    Parameters
    ----------
    folder
        Receives the files.
    classes
        Classes that may occur, of `classes_of`.
    known
        Place of a value within an earlier result, or None; such values are not written again.
    """

    def __init__(
        self, folder: Path, classes: Mapping[str, type], known: Callable[[object], Place | None]
    ) -> None:
        self._folder = folder
        self._classes = classes
        self._known = known
        self._count = 0
        self._written: dict[int, Json] = {}
        self.uses: set[str] = set()

    def form(self, value: object) -> Any:
        """JSON form of a value.

        Raises
        ------
        TypeError
            If it holds what cannot be stored, or a class that the stage did not declare.
        """
        if isinstance(value, np.generic):
            return {_MARK: "scalar", "dtype": value.dtype.str, "value": value.item()}
        if value is None or isinstance(value, bool | int | float | str):
            return value
        place = self._known(value)
        if place is not None:
            self.uses.add(place[0])
            return {_MARK: "stored", "result": place[0], "part": place[1]}
        if isinstance(value, np.ndarray | pd.DataFrame):
            return self._once(value)
        if isinstance(value, shapely.Geometry):
            return {_MARK: "geometry", "wkb": shapely.to_wkb(value, hex=True)}
        if isinstance(value, PointStore):
            grid, blocks = value.parts
            return {_MARK: "points", "grid": self.form(grid), "blocks": self.form(blocks)}
        return self._composed(value)

    def _composed(self, value: object) -> Any:
        if isinstance(value, dict):
            if all(isinstance(k, str) for k in value) and _MARK not in value:
                return {k: self.form(v) for k, v in value.items()}
            return {
                _MARK: "dict",
                "items": [[self.form(k), self.form(v)] for k, v in value.items()],
            }
        if type(value) is list:
            return [self.form(v) for v in value]
        if type(value) is tuple:
            return {_MARK: "tuple", "items": [self.form(v) for v in value]}
        name = name_of(type(value))
        if self._classes.get(name) is not type(value):
            raise TypeError(f"a stage returned {name}, which its return type does not reach")
        if isinstance(value, BaseModel):
            return {_MARK: name, "settings": value.model_dump(mode="json")}
        return {_MARK: name, "fields": {k: self.form(v) for k, v in parts_of(value)}}

    def _once(self, value: NDArray[np.generic] | pd.DataFrame) -> Json:
        """Form of an array or table; the same one twice is one file."""
        if id(value) not in self._written:
            made = self._array(value) if isinstance(value, np.ndarray) else self._table(value)
            self._written[id(value)] = made
        return self._written[id(value)]

    def _array(self, value: NDArray[np.generic]) -> Json:
        if value.dtype.hasobject:
            raise TypeError("an array of objects cannot be stored")
        if value.nbytes <= BIG and value.dtype.kind in "biufU":
            head = {_MARK: "values", "dtype": value.dtype.str, "shape": list(value.shape)}
            return {**head, "values": value.ravel().tolist()}
        name = self._name("npy")
        np.save(self._folder / name, value, allow_pickle=False)
        return {_MARK: "array", "file": name}

    def _table(self, value: pd.DataFrame) -> Json:
        name = self._name("parquet")
        value.to_parquet(self._folder / name, index=False)
        kind = "places" if isinstance(value, gpd.GeoDataFrame) else "table"
        return {_MARK: kind, "file": name}

    def _name(self, ending: str) -> str:
        name = f"{self._count:03d}.{ending}"
        self._count += 1
        return name


class Reader:
    """Builds a value again from what `Writer` made.

    Parameters
    ----------
    folder
        Holds the files.
    classes
        Classes that may be built.
    stored
        Part of an earlier result, by its place.
    """

    def __init__(
        self, folder: Path, classes: Mapping[str, type], stored: Callable[[Place], object]
    ) -> None:
        self._folder = folder
        self._classes = classes
        self._stored = stored
        self._read: dict[str, object] = {}

    def value(self, form: Any) -> Any:
        """Value of a JSON form.

        Raises
        ------
        Damaged
            If the form is none of ours, or names a class that the stage did not declare.
        """
        if isinstance(form, list):
            return [self.value(v) for v in form]
        if not isinstance(form, dict):
            return form
        if _MARK not in form:
            return {k: self.value(v) for k, v in form.items()}
        match form[_MARK]:
            case "tuple":
                return tuple(self.value(v) for v in form["items"])
            case "dict":
                return {self.value(k): self.value(v) for k, v in form["items"]}
            case "scalar":
                return np.array(form["value"], form["dtype"])[()]
            case "values":
                return np.array(form["values"], form["dtype"]).reshape(form["shape"])
            case "array" | "places" | "table":
                return self._file(form[_MARK], str(form["file"]))
            case "geometry":
                return shapely.from_wkb(form["wkb"])
            case "points":
                return PointStore(
                    self._folder, self.value(form["grid"]), self.value(form["blocks"])
                )
            case "stored":
                return self._stored((form["result"], form["part"]))
        return self._instance(form)

    def _instance(self, form: Json) -> object:
        kind = self._classes.get(form[_MARK])
        if kind is None:
            raise Damaged(f"{form[_MARK]} is nothing that the stage returns")
        if issubclass(kind, BaseModel):
            return kind.model_validate(form["settings"])
        return kind(**{k: self.value(v) for k, v in form["fields"].items()})

    def _file(self, kind: str, name: str) -> object:
        if Path(name).name != name:
            raise Damaged(f"{name} is no file of the result")
        if name not in self._read:
            path = self._folder / name
            if kind == "array":
                self._read[name] = np.load(path, mmap_mode="r", allow_pickle=False)
            elif kind == "places":
                self._read[name] = gpd.read_parquet(path)
            else:
                self._read[name] = pd.read_parquet(path)
        return self._read[name]
