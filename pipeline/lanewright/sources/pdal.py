"""PDAL where it is installed, as a process of its own: formats that laspy lacks, and its SMRF.

Two GDALs must never meet in one process, so its Python package is called in a process too. Every
pipeline names its readers; PDAL never guesses one from what a file is called.
"""

from __future__ import annotations

import functools
import glob
import importlib.util
import json
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.base.processes import import_places, run_bounded
from lanewright.sources.offline import OFFLINE

OLDEST = (2, 2)

READERS = {
    ".bpf": "readers.bpf",
    ".e57": "readers.e57",
    ".ply": "readers.ply",
    ".pcd": "readers.pcd",
    ".pts": "readers.pts",
    ".txt": "readers.text",
    ".csv": "readers.text",
    ".xyz": "readers.text",
    "ept.json": "readers.ept",
}
"""Readers of PDAL by the end of a name; what runs others, or fetches, is left out."""

LONGEST = 3600.0
"""Seconds that a pipeline may take."""

MEMORY = 16 * 2**30
"""Bytes that it may hold: it keeps all points of a file, some 100 bytes each (ours)."""

Stage = dict[str, object]


@dataclass(frozen=True)
class Program:
    """PDAL as it is installed.

    Attributes
    ----------
    command
        What runs a pipeline whose file is the next argument.
    """

    version: str
    command: tuple[str, ...]
    where: str


_PLACES = "import sys; sys.path += sys.argv[1:-1]; import pdal; "
_VERSION = _PLACES + "print(pdal.info.version)"
_EXECUTE = _PLACES + "pdal.Pipeline(open(sys.argv[-1], encoding='utf-8').read()).execute()"


def _by_python(code: str) -> tuple[str, ...]:
    """Command of an isolated Python, which takes nothing that lies in the current folder."""
    return (sys.executable, "-I", "-c", code, *import_places())


def program() -> Program | None:
    """The program `pdal` of version 2.2 or newer, else its Python package; None without either."""
    return _program(shutil.which("pdal"))


@functools.cache
def _program(found: str | None) -> Program | None:
    if found is not None:
        version = _version([found, "--version"])
        if version and numbers(version) >= OLDEST:
            return Program(version, (found, "pipeline"), found)
    if importlib.util.find_spec("pdal") is not None:
        version = _version([*_by_python(_VERSION), "-"])
        if version and numbers(version) >= OLDEST:
            return Program(version, _by_python(_EXECUTE), "its Python package")
    return None


def numbers(version: str) -> tuple[int, ...]:
    """Numbers of a version, for comparison.

    Examples
    --------
    >>> numbers("2.10.1") > numbers("2.9") == numbers("2.9rc1")
    True
    """
    found = [re.match(r"\d+", part) for part in version.split(".")[:4]]
    return tuple(int(part[0]) for part in found if part is not None)


def _version(command: list[str]) -> str:
    """Version that a program reports; empty if it fails, hangs or reports none."""
    try:
        done = run_bounded(command, 20.0, MEMORY, env=_environment())
    except OSError:  # a timeout is one
        return ""
    found = re.search(r"\d+\.\d+(\.\d+)?", done.said) if done.code == 0 else None
    return found[0] if found else ""


def reader_of(path: Path) -> str | None:
    """PDAL's reader for a file by its name; None for what it is not asked to read."""
    name = path.name.lower()
    return READERS.get(name) or READERS.get(path.suffix.lower())


def run(pdal: Program, where: object, stages: Sequence[Stage], folder: Path) -> str:
    """Run a pipeline; its JSON, with names of files alone, not their folders.

    Parameters
    ----------
    where
        The file it is for, in messages.
    stages
        Names of files as they are: PDAL takes those of readers for patterns, so they are escaped.
    folder
        Where the pipeline is kept while it runs.

    Raises
    ------
    InputError
        If PDAL cannot do it.
    """
    if any("#" in _file(s) for s in stages if not _reads(s)):
        raise InputError(
            folder, "has a # in its name, for which PDAL writes a number",
            "Set XDG_CACHE_HOME, or TMPDIR, to another folder.",
        )  # fmt: skip
    text = _pipeline(stages, lambda s: glob.escape(_file(s)) if _reads(s) else _file(s))
    with tempfile.NamedTemporaryFile("w", suffix=".json", dir=folder) as file:
        file.write(text)
        file.flush()
        command = [*pdal.command, file.name]
        try:
            done = run_bounded(command, LONGEST, MEMORY, env=_environment())
        except TimeoutError:
            raise InputError(
                where, f"PDAL takes more than {LONGEST:.0f} s for it", "Convert it by hand."
            ) from None
    if done.code != 0:
        problem = f"PDAL {pdal.version} cannot do it ({done.last_word})"
        raise InputError(where, problem, "Convert it to LAZ by hand, or do without PDAL.")
    return _pipeline(stages, lambda s: Path(_file(s)).name)


def _pipeline(stages: Sequence[Stage], name: Callable[[Stage], str]) -> str:
    named = [{**s, "filename": name(s)} if "filename" in s else s for s in stages]
    return json.dumps({"pipeline": named}, indent=1)


def _file(stage: Stage) -> str:
    return str(stage.get("filename", ""))


def _reads(stage: Stage) -> bool:
    return str(stage["type"]).startswith("readers.")


def _environment() -> dict[str, str]:
    return {**os.environ, **OFFLINE}


def to_laz(pdal: Program, source: Path, out: Path, step: float = 0.001) -> str:
    """Write the points of a file as LAZ 1.4, point format 6; the pipeline that did it.

    Parameters
    ----------
    step
        Step of stored x and y, in the unit of the file.

    Raises
    ------
    InputError
        If PDAL has no reader for it here, or cannot read it.
    """
    part = out.with_name(f".{out.stem}.part.laz")
    stages: list[Stage] = [
        {"type": reader_of(source), "filename": str(source)},
        {
            "type": "writers.las", "filename": str(part), "compression": "laszip",
            "minor_version": 4, "dataformat_id": 6, "scale_x": step, "scale_y": step,
            "scale_z": 0.001, "offset_x": "auto", "offset_y": "auto", "offset_z": "auto",
            "global_encoding": 17,
        },
    ]  # fmt: skip
    try:
        text = run(pdal, source, stages, out.parent)
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)
    return text
