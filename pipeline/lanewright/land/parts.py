"""A property in parts kilometres apart: a run works on one of them, on a grid of its own."""

from __future__ import annotations

import math

import numpy as np
from geopandas import GeoDataFrame
from shapely import MultiPolygon, Polygon, STRtree, box, union_all

from lanewright.base.errors import InputError
from lanewright.settings.config import Config

APART = 1_000_000.0
"""Area of a box from which it is asked how much of it the parts fill [m2]; ours."""

FILLED = 0.2
"""Share of a larger box that parts with the context around them have to fill to be one; ours."""

MOST = 300
"""A property in more groups of parts than this is not taken apart; ours."""

DEGREE = 111_000.0
"""Metres of a degree of latitude, roughly."""

ONE_PART = ("own_holes", "designer", "arrival")
"""Keys that belong to one part of a property."""


def as_multi(geometry: object) -> MultiPolygon:
    """Polygons of a geometry as one."""
    parts = [
        g for g in getattr(geometry, "geoms", [geometry]) if isinstance(g, Polygon) and g.area > 0
    ]
    return MultiPolygon(parts)


def may_be_scattered(outline: GeoDataFrame) -> bool:
    """Whether an outline spans enough, roughly, to be looked at for parts that lie far apart.

    The box may be in feet, hence a hundredth of `APART`, less the context, is enough.
    """
    left, bottom, right, top = outline.total_bounds.tolist()  # plain floats: none warns of 1e308
    wide, high = right - left, top - bottom
    if outline.crs is not None and outline.crs.is_geographic:
        latitude = math.radians(min(max((bottom + top) / 2, -90.0), 90.0))
        wide, high = wide * DEGREE * math.cos(latitude), high * DEGREE
    return bool(wide * high > APART / 100)


def parts_of(land: MultiPolygon, context: float) -> list[MultiPolygon]:
    """Polygons of a property in groups that each have a grid of their own, the largest first.

    The two groups with the smallest box around both become one, as long as that box, with the
    context around the property [m], is small or well filled. The first is part 1 of `part`.
    """
    left, bottom, right, top = land.bounds if len(land.geoms) > 1 else (0.0,) * 4
    whole = (right - left + 2 * context) * (top - bottom + 2 * context)
    if not whole > APART or _field(land, context) > FILLED * whole:
        return [land]
    groups = _touching(land, context)
    if len(groups) > MOST:
        return [land]
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
    fields = as_multi(union_all([box(*part.bounds).buffer(context) for part in land.geoms])).geoms
    polygons = np.array(land.geoms)
    field, part = STRtree(polygons).query(list(fields), predicate="intersects")
    return [MultiPolygon(list(polygons[part[field == k]])) for k in range(len(fields))]


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
