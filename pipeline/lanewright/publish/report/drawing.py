"""Shapes as SVG paths: whole numbers, relative, as short as they can be."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from markupsafe import Markup

from lanewright.base.arrays import Floats


def path(points: Floats, steps: float = 10.0, closed: bool = False) -> str:
    """One line through points (n, 2), in whole steps to the unit.

    Examples
    --------
    >>> path(np.array([[0, 0], [1.04, 0], [1.04, 2]]))
    'M0 0l10 0 0 20'
    """
    whole = np.rint(np.asarray(points, float) * steps).astype(np.int64)
    moves = np.diff(whole, axis=0)
    moves = moves[(moves != 0).any(1)]
    start = f"M{whole[0, 0]} {whole[0, 1]}"
    if not len(moves):
        return f"{start}h0"
    return start + "l" + " ".join(f"{x} {y}" for x, y in moves) + ("z" if closed else "")


def path_of(shapes: Iterable[shapely.Geometry], left: float, top: float, coarse: float) -> Markup:
    """Path data of lines and areas, y down from `top`, decimetres; simplified by `coarse` [m]."""
    parts = []
    for shape in shapes:
        thin = shapely.simplify(shape, coarse) if coarse else shape
        for piece in shapely.get_parts(thin):
            if piece.geom_type == "Polygon":
                rings = [piece.exterior, *piece.interiors]
                parts += [path(_moved(ring, left, top), closed=True) for ring in rings]
            elif piece.geom_type == "LineString" and not piece.is_empty:
                parts.append(path(_moved(piece, left, top)))
    return Markup("".join(parts))  # numbers only


def _moved(line: shapely.Geometry, left: float, top: float) -> Floats:
    xy = shapely.get_coordinates(line)
    return np.column_stack([xy[:, 0] - left, top - xy[:, 1]])


def dots(points: Floats, left: float, top: float) -> Markup:
    """Path data of points: strokes without length, which round caps make discs."""
    whole = np.rint(np.column_stack([points[:, 0] - left, top - points[:, 1]]) * 10).astype(int)
    return Markup("".join(f"M{x} {y}h0" for x, y in whole))
