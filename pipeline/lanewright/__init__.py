"""Find where a property already holds disc golf holes, from public lidar and elevation tiles.

`scout` makes a run, `open_run` opens a finished one, `score_line` scores a line on its land. They
are imported when first used, so that the package alone loads at once.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lanewright.finished import Run, open_run, score_line
    from lanewright.scout import scout_and_open as scout

__version__ = "0.1.0"
__all__ = ["Run", "__version__", "open_run", "score_line", "scout"]


def __getattr__(name: str) -> object:
    if name == "scout":
        return import_module("lanewright.scout")  # a module that can be called
    if name in ("Run", "open_run", "score_line"):
        return getattr(import_module("lanewright.finished"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
