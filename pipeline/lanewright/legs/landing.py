"""Where throws end: their spread about the spot aimed at, and what lies there.

A throw that something stops is taken to drop there; others come down where they meet the ground and
slide on. How far one rolls is not known: the share that ends on ground steep enough to roll says
where to expect it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.outlines import cells_of
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene

WITHIN = 2 / 3
"""Share of throws in the ellipse: two thirds is what course designers ask of a landing zone (a
senior designer's guideline in the PDGA discussion archive, 2006; not an adopted standard)."""

FEW = 10  # throws that make no ellipse
BETWEEN = 24  # points from tee to rest that are looked at for a keep-out


@dataclass(frozen=True)
class Hazards:
    """Cells where no throw should end; (rows, cols) each.

    Attributes
    ----------
    water, steep
        Open water; ground steep enough to roll on.
    outside, keep_out
        Off the property; a keep-out with its buffer.
    """

    water: Flags
    steep: Flags
    outside: Flags
    keep_out: Flags


@dataclass(frozen=True)
class Landings:
    """Where the throws at legs end; (legs,).

    Attributes
    ----------
    long, wide
        Axes from end to end of the ellipse that holds two thirds of the throws which nothing stops
        before the target [m]; NaN where those are too few.
    bearing_deg
        Direction of its long axis, clockwise from north, 0 to 180.
    past
        Its middle beyond the target, along the leg [m].
    wet, outside, keep_out, across, steep
        Share of all throws that end in water, off the property, in a keep-out or its buffer, beyond
        a keep-out but not in it, and on ground steep enough to roll.
    unsafe
        Share that ends off the property or in a keep-out or its buffer.
    well
        Share that ends in or on none of all these.
    """

    long: Floats
    wide: Floats
    bearing_deg: Floats
    past: Floats
    wet: Floats
    outside: Floats
    keep_out: Floats
    across: Floats
    steep: Floats
    unsafe: Floats
    well: Floats


def hazards_of(scene: Scene, roll_slope: float) -> Hazards:
    """Where no throw should end; `roll_slope` [percent] is steep enough to roll."""
    with np.errstate(invalid="ignore"):
        steep = scene.slope_pct >= roll_slope
    return Hazards(
        scene.water,
        steep,
        ~cells_of(scene.land, scene.grid),
        cells_of(scene.off_limits, scene.grid),
    )


def landings(stops: NDArray[np.float32], lines: Lines, hazards: Hazards, cell: float) -> Landings:
    """Sum up where throws ended.

    Parameters
    ----------
    stops
        (legs, throws, 6), as in `throwing.Thrown`.
    lines
        What was thrown at.
    hazards
        What lies there.
    cell
        Side of a cell [m].
    """
    row, col = stops[..., 4], stops[..., 5]
    outside = _at(hazards.outside, row, col, beyond=True)
    keep_out = _at(hazards.keep_out, row, col, beyond=False)
    across = np.zeros_like(keep_out)
    if hazards.keep_out.any():
        tee = lines.tee_row[:, None] + 0.5, lines.tee_col[:, None] + 0.5
        for share in np.linspace(0, 1, BETWEEN + 1)[1:-1]:
            across |= _at(
                hazards.keep_out,
                tee[0] + share * (row - tee[0]),
                tee[1] + share * (col - tee[1]),
                beyond=False,
            )
    wet, steep = (_at(mask, row, col, beyond=False) for mask in (hazards.water, hazards.steep))
    ellipse = _ellipse(stops, lines, cell)
    return Landings(
        *ellipse,
        wet=wet.mean(1),
        outside=outside.mean(1),
        keep_out=keep_out.mean(1),
        across=(across & ~keep_out).mean(1),
        steep=steep.mean(1),
        unsafe=(outside | keep_out).mean(1),
        well=(~(outside | keep_out | across | wet | steep)).mean(1),
    )


def _at(mask: Flags, row: NDArray[np.floating], col: NDArray[np.floating], beyond: bool) -> Flags:
    """The mask at places in cells; `beyond` off the grid."""
    r, c = np.floor(row).astype(np.int64), np.floor(col).astype(np.int64)
    inside = (r >= 0) & (c >= 0) & (r < mask.shape[0]) & (c < mask.shape[1])
    got = mask[np.clip(r, 0, mask.shape[0] - 1), np.clip(c, 0, mask.shape[1] - 1)]
    return np.asarray(np.where(inside, got, beyond))


def _ellipse(
    stops: NDArray[np.float32], lines: Lines, cell: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Long and wide axis, bearing of the long one, and middle beyond the target."""
    flew = np.isnan(stops[..., 3])
    east = (stops[..., 5].astype(np.float64) - lines.end_col[:, None] - 0.5) * cell
    north = -(stops[..., 4].astype(np.float64) - lines.end_row[:, None] - 0.5) * cell
    count = flew.sum(1)
    many = np.maximum(count, 1)
    x = np.where(flew, east, 0).sum(1) / many
    y = np.where(flew, north, 0).sum(1) / many
    dx = np.where(flew, east - x[:, None], 0)
    dy = np.where(flew, north - y[:, None], 0)
    spread = np.empty((len(lines), 2, 2))
    spread[:, 0, 0], spread[:, 1, 1] = (dx * dx).sum(1) / many, (dy * dy).sum(1) / many
    spread[:, 0, 1] = spread[:, 1, 0] = (dx * dy).sum(1) / many
    size, axes = np.linalg.eigh(spread)
    # A normal spread in the plane holds a share q within sqrt(-2 ln(1 - q)) standard deviations.
    reach = 2 * np.sqrt(-2 * np.log(1 - WITHIN))
    bearing = np.degrees(np.arctan2(axes[:, 0, 1], axes[:, 1, 1])) % 180
    ahead_x = (lines.end_col - lines.tee_col).astype(float)
    ahead_y = -(lines.end_row - lines.tee_row).astype(float)
    past = (x * ahead_x + y * ahead_y) / np.hypot(ahead_x, ahead_y)
    wide, long = (reach * np.sqrt(np.maximum(size[:, i], 0)) for i in range(2))
    enough = count >= FEW
    return (
        np.where(enough, long, np.nan),
        np.where(enough, wide, np.nan),
        np.where(enough, bearing, np.nan),
        np.where(enough, past, np.nan),
    )
