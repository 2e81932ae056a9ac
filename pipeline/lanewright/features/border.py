"""Features by the property line: worth a look, but no tee, basket or flight may come so near."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import shapely

from lanewright.base.units import both
from lanewright.features.found import Found
from lanewright.settings.features import FeaturesSettings

LOOKED_AT = ("view", "specimen_tree")
"""Kinds that nobody throws from or to."""

OF_SPOT = ("ridge_tee", "knoll_tee", "bench_green", "amphitheatre_green")
"""Kinds that are one tee or green; their line only points a way."""


def minding_the_border(
    found: Iterable[Found], land: shapely.Geometry, setback: float, settings: FeaturesSettings
) -> Iterator[Found]:
    """The features; those too near the property line count less, for no level, and say so.

    Parameters
    ----------
    found
        Features of the land.
    land
        The property.
    setback
        Metres that sites and flights keep from its border.
    settings
        `border_share` is what such a feature still counts.
    """
    inner = land.buffer(-setback)
    for one in found:
        if one.kind in LOOKED_AT or _room(one, inner):
            yield one
            continue
        yield replace(
            one,
            worth=one.worth * settings.border_share,
            levels=(),
            reason=f"{one.reason} It lies within {both(setback)} of the property line: to look at, "
            "not to throw.",
        )


def _room(one: Found, inner: shapely.Geometry) -> bool:
    """Whether what is thrown from, to or along keeps off the border."""
    if one.kind in OF_SPOT:
        return bool(inner.covers(shapely.get_point(one.line, 0)))
    if one.kind in ("drop", "climb", "carry"):
        return bool(inner.covers(one.line))
    if one.kind == "peninsula":
        return bool(inner.covers(shapely.get_point(one.line, -1)))
    # Of a way as much must be left as is shut off.
    return bool(one.line.intersection(inner).length * 2 >= one.line.length)
