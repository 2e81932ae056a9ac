"""Trees and patches that must stay, from the user's file."""

from __future__ import annotations

from typing import NamedTuple

import shapely

from lanewright.base.errors import InputError
from lanewright.land.plan import Plan
from lanewright.settings.trim import TrimSettings
from lanewright.sources import vectors

Keep = tuple[tuple[str, str], ...]


class Brief(NamedTuple):
    """What trim work is planned around.

    Attributes
    ----------
    keep
        What must stay; see `read_keep`.
    arrival
        Where the walk past all work begins, in the working CRS; by default the south-west.
    """

    keep: Keep = ()
    arrival: tuple[float, float] | None = None


def read_keep(settings: TrimSettings, plan: Plan, assumed_crs: str | None = None) -> Keep:
    """What must stay, as (kind, WKT) in the working CRS; empty without a keep list.

    Raises
    ------
    InputError
        If the file cannot be read, or holds lines.
    """
    if settings.keep is None:
        return ()
    frame = vectors.in_working(
        settings.keep, vectors.read_vectors(settings.keep, assumed_crs), plan.working
    )
    vectors.near_enough(settings.keep, frame.geometry.union_all(), plan.reach)
    shapes = shapely.get_parts(frame.geometry.to_numpy())
    wrong = sorted({s.geom_type for s in shapes} - {"Point", "Polygon"})
    if wrong:
        raise InputError(
            settings.keep,
            f"holds {', '.join(wrong)}; only points and polygons can be kept",
            "Draw each tree as a point and each patch as a closed polygon.",
        )
    bad = [i for i, s in enumerate(shapes, start=1) if not s.is_valid]
    if bad:
        raise InputError(
            settings.keep, f"its polygon {bad[0]} crosses itself", "Mend the outline there."
        )
    return tuple((s.geom_type, s.wkt) for s in shapes)
