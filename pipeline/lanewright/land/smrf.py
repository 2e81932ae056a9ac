"""Ground by PDAL's SMRF (Pingel, Clarke & McBride 2013) and noise filters, in a process of its own.

Points go out as a LAZ file whose GPS time is the number of each, and come back with a class; so
nothing rests on the order in which PDAL hands points on.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from lanewright.base.arrays import Flags, Floats
from lanewright.base.errors import InputError
from lanewright.land.surface import GroundSums
from lanewright.settings.ground import GroundSettings, SmrfSettings
from lanewright.sources import pdal
from lanewright.sources.laz import Returns, numbered_classes, write_laz
from lanewright.sources.points import PointStore

FEWEST = 10
"""Points below which nothing is filtered: PDAL's statistics need neighbours."""


def version_for(settings: GroundSettings) -> str:
    """Version of PDAL if the settings ask for its filter and it is installed; else empty."""
    found = pdal.program() if settings.source == "smrf" else None
    return found.version if found is not None else ""


def sum_ground(
    points: PointStore, unwanted: Sequence[int], settings: SmrfSettings, facts: dict[str, object]
) -> GroundSums:
    """Ground points of a survey among its last returns, summed for its surface.

    Parameters
    ----------
    unwanted
        Classes that cannot be ground.
    facts
        Takes the version of PDAL and the pipeline, paths left out.
    """
    columns: list[list[Floats]] = [[], [], []]
    for _window, block in points.windows(200.0):
        chosen = (block.return_number == block.returns) & ~np.isin(block.classification, unwanted)
        for column, values in zip(columns, (block.x, block.y, block.z), strict=True):
            column.append(values[chosen])
    x, y, z = (np.concatenate(c) if c else np.empty(0) for c in columns)
    is_ground = ground_mask(x, y, z, settings, facts)
    sums = GroundSums(points.grid)
    sums.add(x[is_ground], y[is_ground], z[is_ground])
    return sums


def ground_mask(
    x: Floats, y: Floats, z: Floats, settings: SmrfSettings, facts: dict[str, object]
) -> Flags:
    """Which of these last returns [m] are ground; (points,).

    Raises
    ------
    InputError
        If PDAL is gone, or fails.
    """
    program = pdal.program()
    if program is None:
        raise InputError("ground.source", "PDAL is not installed", "Install it, or set filter.")
    if len(x) < FEWEST:
        return np.zeros(len(x), bool)
    ones = np.ones(len(x), np.uint8)
    number = np.arange(len(x), dtype=np.float64)
    returns = Returns(x, y, z, number, ones, ones, 0 * ones, ones.astype(np.uint16))
    with tempfile.TemporaryDirectory(prefix="lanewright-") as folder:
        given, taken = Path(folder) / "points.laz", Path(folder) / "classes.las"
        write_laz(given, returns, None)
        text = pdal.run(program, "ground.source", _pipeline(given, taken, settings), given.parent)
        numbers, classes = numbered_classes(taken)
    facts["pdal"] = program.version
    facts["pdal_pipeline"] = json.loads(text)["pipeline"]
    mask = np.zeros(len(x), bool)
    mask[numbers[classes == 2]] = True
    return mask


def _pipeline(given: Path, taken: Path, settings: SmrfSettings) -> list[pdal.Stage]:
    """Low points and lone points become noise (class 7), which SMRF does not look at."""
    return [
        {"type": "readers.las", "filename": str(given)},
        {"type": "filters.elm"},
        {"type": "filters.outlier", "method": "statistical", "mean_k": 8, "multiplier": 3.0},
        {
            "type": "filters.smrf", "ignore": "Classification[7:7]", "cell": settings.cell,
            "slope": settings.slope, "window": settings.window,
            "threshold": settings.threshold, "scalar": settings.scalar,
        },
        {"type": "writers.las", "filename": str(taken), "minor_version": 4, "dataformat_id": 6},
    ]  # fmt: skip
