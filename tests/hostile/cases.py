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


def fast(of_each: int = 10) -> list[Case]:
    """Cases of every role, spread over it, that need only `check`."""
    quick: dict[str, list[Case]] = {}
    for case in every():
        if not case.until and not case.points:
            quick.setdefault(case.role, []).append(case)
    chosen = []
    for cases in quick.values():
        step = max(1, len(cases) // of_each)
        chosen += cases[::step][:of_each]
    return chosen
