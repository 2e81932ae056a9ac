"""What every section of the settings is made of: bounded numbers, paths and lines of text.

Every number has a lower and an upper bound, wide enough for any land and narrow enough that no
setting alone can make a run without end or a distance without meaning.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, field_validator
from pydantic_core.core_schema import ValidationInfo

from lanewright.base.text import unreadable

Metres = Annotated[float, Field(ge=0.001, le=1000, allow_inf_nan=False)]
"""A length that is not zero [m]."""
Length = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]
"""A length that may be zero [m]."""
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Positive = Annotated[float, Field(ge=1e-6, le=1e6, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Cell = Annotated[float, Field(ge=0.1, le=20, allow_inf_nan=False)]
"""Side of a raster's cells [m]."""
LengthUnit = Literal["m", "ft", "us-ft"]
Span = tuple[Positive, Positive]
"""Low and high end of a work rate."""

LONGEST_PATH, LONGEST_NAME = 1000, 255
"""Characters of a path, and bytes of one name in it, that file systems take."""


def _readable(text: str, also: str = "") -> str:
    """Text without control characters, halves of characters and marks that turn text round."""
    sign = unreadable(text, also)
    if sign is not None:
        raise ValueError(f"holds the sign {sign}, which cannot be shown")
    return text


def _usable_path(value: object) -> object:
    """Refuse what no file system takes as a path."""
    if not isinstance(value, str | Path):
        return value
    text = _readable(str(value))
    if not text.strip():
        raise ValueError("is empty; name a file or folder, or leave the key out")
    if len(text) > LONGEST_PATH or any(len(p.encode()) > LONGEST_NAME for p in text.split("/")):
        raise ValueError(f"is longer than a path can be ({len(text):,} characters)")
    try:
        Path(text).expanduser()
    except RuntimeError:
        raise ValueError("starts at the home folder of a user who is not known here") from None
    return value


def _line(text: str) -> str:
    if not text.strip():
        raise ValueError("is blank")
    return _readable(text)


Place = Annotated[Path, BeforeValidator(_usable_path)]
"""File or folder, as the user wrote it."""
Pattern = Annotated[str, BeforeValidator(_usable_path)]
"""Path in which * stands for any name."""
Title = Annotated[str, Field(max_length=200), AfterValidator(_line)]
"""One line of text to be shown."""
Name = Annotated[str, Field(max_length=60), AfterValidator(_line)]
"""Short name to be looked up."""
CrsText = Annotated[
    str, Field(min_length=1, max_length=10_000), AfterValidator(lambda t: _readable(t, "\n\r\t"))
]
"""CRS as EPSG:n or WKT."""


def _takes_truth(annotation: object) -> bool:
    if get_origin(annotation) is Literal or annotation in (bool, Any):
        return True
    return any(_takes_truth(part) for part in get_args(annotation))


class Settings(BaseModel):
    """Base of every section: unknown keys are refused, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)

    @field_validator("*", mode="before")
    @classmethod
    def _plain_slips(cls, value: object, info: ValidationInfo) -> object:
        field = cls.model_fields.get(info.field_name or "")
        inner = field.annotation if field is not None else None
        if value is None and isinstance(inner, type) and issubclass(inner, BaseModel):
            return {}  # a section whose every line is a comment
        values = value if isinstance(value, list | tuple) else [value]
        truth = any(isinstance(v, bool) for v in values)
        if truth and field is not None and not _takes_truth(field.annotation):
            raise ValueError("is true or false; quote it if a word is meant")
        return value
