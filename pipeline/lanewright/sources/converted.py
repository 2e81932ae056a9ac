"""Point files in other formats, read once by PDAL and kept as LAZ in the user's cache.

A kept file is named for the content of the original and the version of PDAL, with its pipeline
beside it; both are made again where they are gone.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.sources import pdal
from lanewright.sources.files import fingerprint
from lanewright.sources.las import read_header

MOST_BYTES = 20 * 10**9
"""Bytes of all files kept; those used longest ago go first."""

DEGREES = (360.0, 90.0)
"""Coordinates within these are degrees, for which a step of a thousandth is too coarse."""


@dataclass(frozen=True)
class Converted:
    """A file and what it was read into.

    Attributes
    ----------
    pipeline
        What PDAL was asked to do, as JSON, without the places of files.
    """

    original: str
    file: Path
    version: str
    pipeline: str


def is_las(path: Path) -> bool:
    """Whether a file begins as LAS and LAZ do; a file that cannot be read is left to its reader."""
    try:
        with path.open("rb") as file:
            return file.read(4) == b"LASF"
    except OSError:
        return True


def convert(path: Path) -> Converted:
    """The file as LAZ, made now or earlier.

    Raises
    ------
    InputError
        If PDAL is not there, or cannot read it.
    """
    program = pdal.program()
    if program is None:
        raise InputError(
            path, "is neither LAS nor LAZ; PDAL, which may read it, is not installed",
            "Install PDAL 2.2 or newer, or convert it to LAZ.",
        )  # fmt: skip
    folder = _folder(path)
    mark = f"{_content(path)[:16]}-{program.version}"
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", path.stem)[:60]
    out = folder / f"{stem}-{mark}.laz"
    notes = out.with_suffix(".json")
    if not (out.is_file() and notes.is_file()):
        _make_room(folder)
        text = pdal.to_laz(program, path, out)
        bounds = read_header(out).bounds
        if all(abs(b) <= DEGREES[n % 2] for n, b in enumerate(bounds)):
            text = pdal.to_laz(program, path, out, step=1e-8)
        notes.write_text(text, "utf-8")
    os.utime(out)
    return Converted(path.name, out, program.version, notes.read_text("utf-8"))


def _content(path: Path) -> str:
    """Content of a file; of a tree of points also the names, sizes and times of all its files."""
    found = hashlib.sha256(fingerprint(path).whole.encode())
    if path.name.lower() == "ept.json":
        for part in sorted(path.parent.rglob("*")):
            state = part.stat()
            found.update(f"{part.name} {state.st_size} {state.st_mtime_ns}\n".encode())
    return found.hexdigest()


def _folder(path: Path) -> Path:
    home = os.environ.get("XDG_CACHE_HOME", "")
    cache = Path(home) if home.startswith("/") else Path.home() / ".cache"
    folder = cache / "lanewright" / "converted"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(
            path, f"cannot be converted: {folder} cannot be made ({err.strerror})",
            "Set XDG_CACHE_HOME to a folder that can be written to.",
        ) from None  # fmt: skip
    return folder


def _make_room(folder: Path) -> None:
    kept = sorted(folder.glob("*.laz"), key=lambda p: p.stat().st_mtime)
    total = sum(p.stat().st_size for p in kept)
    while total > MOST_BYTES:
        oldest = kept.pop(0)
        total -= oldest.stat().st_size
        oldest.unlink()
        oldest.with_suffix(".json").unlink(missing_ok=True)


def record(found: tuple[Converted, ...]) -> list[dict[str, object]]:
    """What a run's summary keeps of it."""
    return [
        {"file": c.original, "read_by": f"PDAL {c.version}", **json.loads(c.pipeline)}
        for c in found
    ]
