"""The last lines of a run: what the land gives, what to see first, what to settle first."""

from __future__ import annotations

from collections.abc import Iterator

from lanewright.publish.findings import Findings
from lanewright.publish.report.first import first_lines
from lanewright.publish.report.words import Units


def closing(found: Findings) -> Iterator[str]:
    """The lines beside the page's map, for somebody who reads nothing else."""
    for line in first_lines(found, Units(found.config.units == "feet")):
        yield f"{line.head} {line.text}" if line.head.endswith("?") else f"{line.head}: {line.text}"
