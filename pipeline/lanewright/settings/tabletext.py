"""Text of a table that a user may put in the place of ours: a plain file of a few lines."""

from __future__ import annotations

import stat
from pathlib import Path

from lanewright.base.errors import InputError

MOST_BYTES = 100_000
"""A larger file is no table of a few lines."""


def table_text(file: Path, what: str, remedy: str) -> str:
    """What a table holds.

    Parameters
    ----------
    what
        Names the table in a message.

    Raises
    ------
    InputError
        If it is a device or a pipe, larger than a table can be, cannot be read, or is no UTF-8.
    """
    try:
        found = file.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > MOST_BYTES:
            raise InputError(file, f"{what} cannot be read (it is no file of a few lines)", remedy)
        return file.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as err:
        raise InputError(file, f"{what} cannot be read ({str(err)[:200]})", remedy) from None
