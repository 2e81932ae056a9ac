"""A property in parts kilometres apart: a run works on one of them, on a grid of its own."""

from __future__ import annotations

import numpy as np
from shapely import MultiPolygon, Polygon, box, union_all

from lanewright.base.errors import InputError
from lanewright.settings.config import Config

APART = 1_000_000.0
"""Area of a box from which it is asked how much of it the parts fill [m2]; ours."""

FILLED = 0.2
"""Share of a larger box that parts with the context around them have to fill to be one; ours."""

ONE_PART = ("own_holes", "designer", "arrival")
"""Keys that belong to one part of a property."""


def as_multi(geometry: object) -> MultiPolygon:
    """Polygons of a geometry as one."""
    parts = [
        g for g in getattr(geometry, "geoms", [geometry]) if isinstance(g, Polygon) and g.area > 0
    ]
    return MultiPolygon(parts)


def parts_of(land: MultiPolygon, context: float) -> list[MultiPolygon]:
    """Polygons of a property in groups that each have a grid of their own, the largest first.

    The two groups with the smallest box around both become one, as long as that box, with the
    context around the property [m], is small or well filled. The first is part 1 of `part`.
    """
    groups = _touching(land, context)
    while len(groups) > 1:
        boxes = np.array([group.bounds for group in groups])
        low = np.minimum(boxes[:, None, :2], boxes[None, :, :2])
        high = np.maximum(boxes[:, None, 2:], boxes[None, :, 2:])
        area = (high - low + 2 * context).prod(axis=2)
        filled = np.array([_field(group, context) for group in groups])
        apart = (area > APART) & (filled[:, None] + filled[None, :] <= FILLED * area)
        area[apart | np.tri(len(groups), dtype=bool)] = np.inf
        one, other = np.unravel_index(area.argmin(), area.shape)
        if not np.isfinite(area[one, other]):
            break
        joined = MultiPolygon([*groups[one].geoms, *groups[other].geoms])
        groups = [g for k, g in enumerate(groups) if k not in (one, other)] + [joined]
    return sorted(groups, key=lambda group: (-group.area, group.bounds))


def _touching(land: MultiPolygon, context: float) -> list[MultiPolygon]:
    """Polygons in groups that share surveyed ground."""
    fields = as_multi(union_all([box(*part.bounds).buffer(context) for part in land.geoms]))
    groups = [[p for p in land.geoms if field.intersects(p)] for field in fields.geoms]
    return [MultiPolygon(group) for group in groups if group]


def _field(group: MultiPolygon, context: float) -> float:
    """Area that has to be surveyed for a group [m2]."""
    around = [box(*part.bounds).buffer(context, join_style="mitre") for part in group.geoms]
    return float(union_all(around).area)


def chosen(config: Config, land: MultiPolygon) -> tuple[MultiPolygon, MultiPolygon]:
    """The part of a property that the run works on, and all others; the whole where none is set.

    Raises
    ------
    InputError
        If there is no part of that number.
    """
    if config.part is None:
        return land, MultiPolygon()
    parts = parts_of(land, config.ingest.context)
    if config.part > len(parts):
        raise InputError(
            "part",
            f"there is no part {config.part}: {config.property} has {len(parts)}, counted from "
            "the largest; what lies near together is one",
            "Correct part, or leave it out.",
        )
    mine = parts[config.part - 1]
    rest = [polygon for part in parts if part is not mine for polygon in part.geoms]
    return mine, MultiPolygon(rest)


def scattered(config: Config, parts: list[MultiPolygon]) -> InputError:
    """What to report of parts so far apart that no run can work on all of them."""
    away = max(p.distance(union_all([q for q in parts if q is not p])) for p in parts)
    return InputError(
        config.property,
        f"the property lies in {len(parts)} parts up to {away / 1000:.1f} km apart, and this "
        "works on the box around all of them",
        f"Set part to one of 1, the largest, to {len(parts)}; the commands scout and check take "
        "each in turn by themselves.",
    )


def runs_of_parts(config: Config, count: int) -> tuple[Config, ...]:
    """A configuration for each part of a scattered property, each with an out folder of its own.

    Raises
    ------
    InputError
        If it names what belongs to one part only.
    """
    mine = [key for key in ONE_PART if getattr(config, key) is not None]
    if mine:
        raise InputError(
            ", ".join(mine),
            f"the property lies in {count} parts that are worked on one by one, and this belongs "
            "to one of them",
            f"Set part to the number of that one, 1 (the largest) to {count}, and run the others "
            "from a configuration without it.",
        )
    return tuple(
        config.model_copy(
            update={
                "name": f"{config.name}, part {number}",
                "part": number,
                "out": config.out / f"part-{number}",
            }
        )
        for number in range(1, count + 1)
    )
