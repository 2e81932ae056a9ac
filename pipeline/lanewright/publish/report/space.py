"""A hole in three dimensions, packed small: terrain, growth as points, flights.

Whole decimetres from the tee: east, north and up. The page unpacks a hole when somebody asks.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.publish.findings import Findings
from lanewright.publish.report.subjects import Subject
from lanewright.publish.spread import Spread

POINTS = 4000
"""Most points of growth for one hole."""

_CORRIDOR = 12.0  # m beside the line
_AROUND = 15.0  # m of ground around it
_SHOWN = 0.06  # contacts of a ray per metre from which growth shows as a point
_MESH = 40  # most cells of the ground's longer side


def space_of(found: Findings, subject: Subject, spreads: Sequence[Spread | None]) -> Row:
    """Data of one hole, ready for JSON; `spreads` of its legs, where known."""
    grid = found.grid
    origin = subject.tee[0], subject.tee[1]
    line = shapely.LineString(np.vstack([p[:, :2] for p in subject.paths]))
    x0, y0, x1, y1 = line.bounds
    corners = np.array([x0 - _AROUND, x1 + _AROUND, origin[0]])
    row, col = grid.rowcol(corners, np.array([y1 + _AROUND, y0 - _AROUND, origin[1]]))
    beyond = np.array([0, 1, 0])
    row0, row1, tee_row = (int(v) for v in np.clip(row + beyond, 0, grid.rows - 1))
    col0, col1, tee_col = (int(v) for v in np.clip(col + beyond, 0, grid.cols - 1))
    ground = np.asarray(found.rasters["ground"][row0:row1, col0:col1], float)
    step = max(1, -(-max(ground.shape) // _MESH), round(1.0 / grid.cell))
    mesh = ground[::step, ::step]
    rows, cols = np.arange(row0, row1, step), np.arange(col0, col1, step)
    xs, ys = grid.xy(rows, cols)
    level = float(found.rasters["ground"][tee_row, tee_col])
    base = level if np.isfinite(level) else float(np.nanmean(ground))
    data: Row = {
        "shape": mesh.shape,
        "xs": _packed(xs - origin[0]),
        "ys": _packed(ys - origin[1]),
        "ground": _packed(np.where(np.isfinite(mesh), mesh, base) - base),
        "flights": [_packed_points(p, origin, base) for p in subject.paths],
    }
    if found.columns is not None:
        points, height = _growth(found, line, (row0, row1, col0, col1), ground)
        data["points"] = _packed_points(points, origin, base)
        data["heights"] = _packed(height)
    data["bundle"] = [
        _packed_points(flown, origin, base)
        for spread in spreads
        if spread is not None
        for flown in spread.flights
    ]
    return data


def _growth(
    found: Findings, line: shapely.Geometry, window: tuple[int, int, int, int], ground: Floats
) -> tuple[Floats, Floats]:
    """Places with growth near the line (n, 3), thinned evenly, and height over ground (n,)."""
    columns = found.columns
    assert columns is not None
    row0, row1, col0, col1 = window
    rows, cols = np.mgrid[row0:row1, col0:col1]
    x, y = found.grid.xy(rows, cols)
    near = shapely.contains_xy(line.buffer(_CORRIDOR), x, y) & np.isfinite(ground)
    codes = np.asarray(columns.density[row0:row1, col0:col1])[near]
    hit = np.asarray(columns.hit[row0:row1, col0:col1])[near]
    bits = np.uint64(1) << np.arange(LAYERS, dtype=np.uint64)
    solid = codes == 255
    there = ((hit[:, None] & bits) != 0) & (columns.table[codes] >= _SHOWN) | solid
    cell, layer = np.nonzero(there)
    if len(cell) > POINTS:
        # A draw with a fixed seed: the same hole looks the same each time.
        keep = np.sort(np.random.default_rng(7).choice(len(cell), POINTS, replace=False))
        cell, layer = cell[keep], layer[keep]
    height = np.asarray((layer + 0.5) * LAYER_HEIGHT, np.float64)
    z = ground[near][cell] + height
    return np.column_stack([x[near][cell], y[near][cell], z]), height


def _packed(values: ArrayLike) -> str:
    """Whole decimetres as 16 bits each, low byte first, in base 64."""
    whole = np.clip(np.rint(np.asarray(values, float) * 10), -32768, 32767).astype("<i2")
    return base64.b64encode(whole.tobytes()).decode("ascii")


def _packed_points(points: Floats, origin: tuple[float, float], base: float) -> str:
    return _packed(np.asarray(points) - (*origin, base))
