"""A finished run, opened again: its tables, rasters and throws, and lines of one's own scored."""

from lanewright.finished.ownline import score_line
from lanewright.finished.run import Run, open_run

__all__ = ["Run", "open_run", "score_line"]
