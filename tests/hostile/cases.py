"""All cases, and the part that is quick enough for every run of the tests."""

from __future__ import annotations

from . import designers, documents, drawings, drawn_roles, tables, tiles
from .case import Case


def every() -> list[Case]:
    """All cases in the order of the table."""
    return [
        *drawings.every(),
        *drawn_roles.every(),
        *designers.every(),
        *tables.every(),
        *documents.every(),
        *tiles.every(),
    ]


def fast() -> list[Case]:
    """One in five of the cases that only need `check`, at least ten of a role."""
    return [case for k, case in enumerate(every()) if k % 5 == 0 and not case.until]
