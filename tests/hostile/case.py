"""What a bad input is, and how a command may end on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REFUSED, WORKS, EITHER = "refused", "works", "either"
"""How a case has to end: exit 2 with one message, exit 0, or either of them."""

Maker = Callable[[Path], "Mapping[str, Any] | str | bytes"]
"""Writes files into a folder; returns changed settings, or the whole configuration as text."""


@dataclass(frozen=True)
class Case:
    """One input of one role.

    Attributes
    ----------
    role
        Which input is bad: points, elevation, property, …
    name
        What is bad about it.
    make
        Writes the bad input beside the good ones.
    ends
        `REFUSED`, `WORKS` or `EITHER`.
    says
        Words that the message must hold, besides the name of a file or key.
    until
        Stage to run to; empty where `check` has to see it.
    points
        Whether the run has lidar; without it a case is quicker.
    within
        Metres that the ground found may lie off the truth, where the run gets so far.
    """

    role: str
    name: str
    make: Maker
    ends: str = REFUSED
    says: tuple[str, ...] = ()
    until: str = ""
    points: bool = False
    within: float = 3.0

    @property
    def title(self) -> str:
        """Role and name."""
        return f"{self.role}: {self.name}"


def numbered(prefix: str, count: int) -> list[str]:
    """Names `prefix 1` to `prefix count`."""
    return [f"{prefix} {k}" for k in range(1, count + 1)]
