"""The current folder: libraries look there as they load, before anything of ours can prevent it."""

from __future__ import annotations

from pathlib import Path

from lanewright.base.errors import InputError

STEERS = {".numba_config.yaml": "numba", "matplotlibrc": "matplotlib"}
"""Names, and the library that reads them. numba's may name a folder of compiled code to run, and is
read again whenever something is compiled; neither library has a switch that leaves it unread."""


def refuse_steering(folder: Path) -> None:
    """Make sure that nothing in the current folder steers a library.

    Raises
    ------
    InputError
        If such a file lies there, or the folder was removed, which some libraries cannot bear.
    """
    try:
        folder.absolute()
    except FileNotFoundError:
        raise InputError(
            "the current folder", "was removed", "Start lanewright from another folder."
        ) from None
    for name, library in STEERS.items():
        if (folder / name).exists():
            raise InputError(
                (folder / name).absolute(),
                f"lies in the current folder, where {library} would obey it",
                "Start lanewright from another folder, or move that file away.",
            )
