"""Other tees and pins of holes, with the words and signs that the page has for them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, about

Other = tuple[str, str, Floats]
"""Sign (`other-tee`, `other-pin`), words, and place (2,)."""


def others_of(found: Findings, units: Units) -> Mapping[int, tuple[Other, ...]]:
    """Other tees, then other pins, by `hole_id`."""
    frame = found.layer("hole_positions")
    if frame is None:
        return {}
    made: dict[int, list[Other]] = {}
    places = shapely.get_coordinates(frame.geometry.to_numpy())
    for row, place in zip(rows_of(frame), places, strict=True):
        sign = f"other-{row['position']}"
        made.setdefault(int(row["hole_id"]), []).append((sign, _words(row, units), np.array(place)))
    return {
        hole: tuple(sorted(mine, key=lambda o: o[0] != "other-tee")) for hole, mine in made.items()
    }


def _words(row: Row, units: Units) -> str:
    kind = "tee" if row["position"] == "tee" else "other pin"
    clear = f", {about(row['clear_rate'])} clear" if row["clear_rate"] is not None else ""
    return f"{row['level']} {kind}: {units.length(row['length_m'])}, par {row['par']}{clear}"
