"""What the records of a folder may say: a planted one must not reach past that folder.

A record confirms its own checksum, so whoever hands on a folder of results can make one that says
anything. What it names is removed or replaced by later runs; hence only names within are believed.
"""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BaseModel, ValidationError

from lanewright.store.files import Damaged, read_json


def _within(name: str) -> str:
    path = PurePath(name)
    if path.is_absolute() or ".." in path.parts or "\0" in name:
        raise ValueError("leads elsewhere")
    return name


def _plain(name: str) -> str:
    if PurePath(_within(name)).name != name:
        raise ValueError("is no plain name")
    return name


Within = Annotated[str, AfterValidator(_within)]
"""Path of a file below a folder."""

Plain = Annotated[str, AfterValidator(_plain)]
"""Name of something directly in a folder."""


class WrittenFiles(BaseModel):
    """Of an out folder: files by the folder they were published to, with their checksums; logs."""

    files: dict[Within, dict[Within, str]] = {}
    keys: dict[Within, str] = {}
    logs: list[Within] = []


class Results(BaseModel):
    """Of a shelf: the files of each folder made, and by kind of run the folder of each stage."""

    folders: dict[Plain, list[Within]] = {}
    last: dict[str, dict[str, Plain]] = {}


class StoredFile(BaseModel):
    """Size and checksum of a file of a stored result."""

    bytes: int
    crc32: str


class Manifest(BaseModel):
    """Of a stored result: its files, and the earlier results that it refers to."""

    files: dict[Within, StoredFile]
    uses: list[Plain]


R = TypeVar("R", bound=BaseModel)


def read_record(path: Path, kind: type[R]) -> R:
    """A record that `write_json` wrote.

    Raises
    ------
    Damaged
        If it is missing, not as it was written, or names anything outside its folder.
    """
    try:
        return kind.model_validate(read_json(path), strict=True)
    except ValidationError:
        raise Damaged(f"{path.name} holds what no run writes") from None
