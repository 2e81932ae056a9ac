"""summary.json: what a run read, believed, did and found, for people and programs."""

from __future__ import annotations

import dataclasses
import json
import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from importlib import metadata
from pathlib import Path
from typing import Protocol

import numpy as np
import pyogrio
import pyproj
import rasterio
from pydantic import BaseModel

from lanewright import __version__
from lanewright.base.grid import Grid
from lanewright.base.rows import Facts, Row
from lanewright.publish.whole import beside
from lanewright.sources import crs

FORMAT = 1
"""Rises whenever a key of the summary goes or changes its meaning; new keys leave it."""

_LIBRARIES = (
    "geopandas",
    "laspy",
    "lazrs",
    "numba",
    "numpy",
    "pyflwdir",
    "pyogrio",
    "pyproj",
    "rasterio",
    "rio-cogeo",
    "scikit-image",
    "scipy",
    "shapely",
)


@dataclass(frozen=True)
class InputFile:
    """One file that the run read.

    Attributes
    ----------
    role
        What it was read as: points, elevation, property, water ...
    checksum
        Of its content, the method in front: `blake2b-128:0f1e...`.
    size
        Bytes.
    crs, horizontal_unit, vertical_unit
        As found in the file, or taken by the settings; None where the file states none.
    found
        What else its header states: version, points ...
    assumed
        What was taken to be so though the file does not say, in sentences.
    """

    path: Path
    role: str
    checksum: str
    size: int
    crs: str | None = None
    horizontal_unit: str | None = None
    vertical_unit: str | None = None
    found: Facts = dataclasses.field(default_factory=dict)
    assumed: tuple[str, ...] = ()


class StageCost(Protocol):
    """What a stage cost; `store.Timing` is one."""

    @property
    def stage(self) -> str:
        """Name."""

    @property
    def seconds(self) -> float:
        """Wall-clock time."""

    @property
    def peak_mb(self) -> float:
        """Peak memory [MB]."""

    @property
    def reused(self) -> bool:
        """Whether an earlier result was taken."""


@dataclass(frozen=True)
class Said:
    """Sentences: what the reader should know, what was taken to be so."""

    warnings: Sequence[str] = ()
    assumed: Sequence[str] = ()


def summarise(
    *,
    title: str,
    settings: BaseModel | Facts,
    inputs: Sequence[InputFile],
    grid: Grid,
    counts: Mapping[str, int],
    findings: Facts | None = None,
    said: Said | None = None,
) -> Row:
    """Put a run's summary together, in a fixed order of keys.

    Parameters
    ----------
    title
        Name of the run.
    settings
        All of them, defaults too.
    inputs
        Files read, in the order of the run.
    grid
        The run's georeference.
    counts
        Rows by layer, points by class and the like.
    findings
        Further figures of the stages, by stage.
    said
        Warnings and assumptions.

    Returns
    -------
    dict
        Plain values only, ready for JSON; what is not finite is None. What the stages cost is
        added by `with_costs`.
    """
    said = said or Said()
    summary = {
        "format": FORMAT,
        "title": title,
        "versions": _versions(),
        "settings": settings,
        "inputs": [_input(file) for file in inputs],
        "georeference": {
            "crs": crs.authority(grid.crs),
            "wkt": grid.crs,
            "unit": "metre",
            "cell_m": grid.cell,
            "rows": grid.rows,
            "columns": grid.cols,
            "left_bottom_right_top": grid.bounds,
        },
        "assumed": said.assumed,
        "counts": counts,
        "findings": findings or {},
        "warnings": said.warnings,
    }
    plain = _plain(summary)
    assert isinstance(plain, dict)
    return plain


def _input(file: InputFile) -> Row:
    return {
        "path": file.path,
        "role": file.role,
        "bytes": file.size,
        "checksum": file.checksum,
        "crs": file.crs,
        "horizontal_unit": file.horizontal_unit,
        "vertical_unit": file.vertical_unit,
        **({"found": file.found} if file.found else {}),
        "assumed": file.assumed,
    }


def with_costs(summary: Facts, stages: Iterable[StageCost]) -> Row:
    """Summary with what each stage cost, in order, and all of them together.

    Of two runs with equal inputs only these, and the versions where they ran, may differ.
    """
    costs: list[Row] = [
        {
            "stage": cost.stage,
            "seconds": round(cost.seconds, 2),
            "peak_memory_mb": round(cost.peak_mb, 1),
            "reused": cost.reused,
        }
        for cost in stages
    ]
    return {
        **summary,
        "stages": costs,
        "total_seconds": round(math.fsum(cost["seconds"] for cost in costs), 2),
        "peak_memory_mb": max((cost["peak_memory_mb"] for cost in costs), default=None),
    }


def write_summary(path: Path, summary: Facts) -> None:
    """Write the summary as UTF-8 JSON, keys in the order they come.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    text = json.dumps(_plain(summary), indent=2, ensure_ascii=False, allow_nan=False)
    with beside(path) as part:
        part.write_text(text + "\n", encoding="utf-8", newline="\n")


def _versions() -> dict[str, str]:
    return {
        "lanewright": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        # Wheels bring a GDAL each; vectors and rasters may differ.
        "gdal (vectors)": str(pyogrio.__gdal_version_string__),
        "gdal (rasters)": str(rasterio.__gdal_version__),
        "proj": pyproj.proj_version_str,
        **{name: metadata.version(name) for name in _LIBRARIES},
    }


def _plain(value: object) -> object:
    """Values that JSON knows; raises TypeError on what has no honest plain form."""
    match value:
        case Enum():
            return _plain(value.value)
        case None | bool() | int() | str():
            return _whole(value) if isinstance(value, str) else value
        case np.generic():
            return _plain(value.item())
        case float():
            return value if math.isfinite(value) else None
        case BaseModel():
            return _plain(value.model_dump(mode="json"))
        case Path():
            return _whole(value.as_posix())
        case Mapping():
            return {_whole(str(key)): _plain(item) for key, item in value.items()}
        case list() | tuple() | np.ndarray():
            return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    raise TypeError(f"a {type(value).__name__} has no place in a summary")


def _whole(text: str) -> str:
    """File names may hold bytes that are no UTF-8; Python keeps them as lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8")
