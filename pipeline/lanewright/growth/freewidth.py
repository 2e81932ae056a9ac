"""Where a throw has room: which columns are free at throwing height, and how wide.

Lines and polygons are made from this in `centrelines`, `lanes` and `openings`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, layer_mask
from lanewright.settings.lanes import LanesSettings

NONE, OPEN, EDGE, LANE, TUNNEL = range(5)
KINDS = ("none", "open", "edge", "lane", "tunnel")
"""Names of the codes in a kind raster, by code."""


@dataclass(frozen=True)
class ThrowingHeight:
    """What each column offers to a disc at throwing height; all (rows, cols).

    Attributes
    ----------
    clear
        Searched, with room for a throw.
    closed
        Blocked, however much of it was searched.
    glimpsed
        Some of it was searched, or of a column beside it.
    roof_height
        Lowest blocked layer above the room for a throw [m]; NaN where there is none.
    """

    clear: NDArray[np.bool_]
    closed: NDArray[np.bool_]
    glimpsed: NDArray[np.bool_]
    roof_height: NDArray[np.float32]

    @property
    def unsure(self) -> NDArray[np.bool_]:
        """Nothing was met, but too little was searched to call it clear."""
        return ~(self.clear | self.closed)


@dataclass(frozen=True)
class Room:
    """Free space at throwing height and its width; all (rows, cols).

    Attributes
    ----------
    wall
        Stops a throw, or was never searched.
    width
        Widest free circle centred on the cell [m], uncapped; 0 on walls.
    bridged
        Free only by inference: unsearched, amid searched and clear columns or over water.
    speck
        Blocked, but too scattered to be a wall.
    unsearched
        Walls for want of knowledge only.
    """

    wall: NDArray[np.bool_]
    width: NDArray[np.float32]
    bridged: NDArray[np.bool_]
    speck: NDArray[np.bool_]
    unsearched: NDArray[np.bool_]


def throwing_height(
    blocked: NDArray[np.uint64], unknown: NDArray[np.uint64], settings: LanesSettings
) -> ThrowingHeight:
    """Sort columns into clear, closed and unsure by the room they leave for a throw.

    Between `low` and `high` a column is closed where more than `max_blocked` of its layers are
    blocked. By default that lets a throw pass over ferns to 1.25 m or under limbs from 2.75 m;
    brush from the ground to the chest is a wall although the air above it is free, for a throw
    leaves the hand at about 1.3 m and comes back to a basket of much the same height. To close a
    column for each single blocked layer would make lanes too narrow: where one meets brush, a
    third of the layers of its last column come out blocked.

    Parameters
    ----------
    blocked, unknown : (rows, cols)
        Column masks; bit k is the layer from 0.25 k to 0.25 (k + 1) metres above ground.
    settings
        Heights and the shares that may be blocked and unsearched.
    """
    room = layer_mask(settings.low, settings.high)
    layers = int(room).bit_count()
    closed = np.bitwise_count(blocked & room) > settings.max_blocked * layers
    # What was blocked counts here too if unsearched, so that more of it never clears a column.
    clear = ~closed & (np.bitwise_count(unknown & room) <= settings.max_unknown * layers)
    # A limb that reaches down into the room is roof, growth at its foot is not.
    ceiling = settings.high - settings.max_blocked * (settings.high - settings.low)
    above = blocked & layer_mask(ceiling, LAYERS * LAYER_HEIGHT)
    lowest = np.bitwise_count((above & (~above + np.uint64(1))) - np.uint64(1))
    roof = np.where((above != 0) & ~closed, lowest * np.float32(LAYER_HEIGHT), np.float32(np.nan))
    glimpsed = ndi.binary_dilation((~unknown & room) != 0, np.ones((3, 3), bool))
    return ThrowingHeight(clear, closed, glimpsed, roof.astype(np.float32))


def count_around(mask: NDArray[np.bool_], reach: int) -> NDArray[np.int32]:
    """Count true cells in the square of `reach` cells around each; outside counts as false."""
    side = 2 * reach + 1
    counts = mask.astype(np.int32)
    for axis in (0, 1):
        margin = [(0, 0), (0, 0)]
        margin[axis] = (reach + 1, reach)
        sums = np.cumsum(np.pad(counts, margin), axis=axis, dtype=np.int32)
        upper, lower = [slice(None)] * 2, [slice(None)] * 2
        upper[axis], lower[axis] = slice(side, None), slice(None, -side)
        counts = sums[tuple(upper)] - sums[tuple(lower)]
    return counts


def free_room(
    columns: ThrowingHeight,
    water: NDArray[np.bool_],
    trunks: NDArray[np.bool_] | None,
    cell: float,
    settings: LanesSettings,
) -> Room:
    """Decide what is wall and measure the width between walls.

    Scattered hits are not walls. Unsearched gaps between clear columns are bridged where nothing
    tells of vegetation, and so are columns near clear ones of which too little was searched: in a
    tunnel most pulses that reach the middle never come near its sides. These rules only ask how
    much around a cell is closed, clear or searched, so more vegetation never makes anything wider.
    Beyond the grid nothing was searched: it is wall.

    Parameters
    ----------
    columns
        What each column offers.
    water : (rows, cols)
        Water; lidar seldom returns from it, so unsearched columns over it are bridged.
    trunks : (rows, cols), optional
        Columns that hold a known trunk: walls even where alone.
    cell
        Side of a cell [m].
    settings
        Specks and bridging.
    """
    reach = max(1, round(settings.speck_reach / cell))
    closed = columns.closed if trunks is None else columns.closed | trunks
    speck = closed & (count_around(closed, reach) * cell**2 < settings.speck_area)
    if trunks is not None:
        speck &= ~trunks
    unsure = ~(columns.clear | closed)
    seen = _reached(columns, closed, int(settings.bridge / 2 / cell))
    bridged = unsure & (water | seen | closed_gaps(columns.clear, settings.bridge / cell))
    unsearched = unsure & ~bridged
    wall = (closed & ~speck) | unsearched
    return Room(wall, width_between(wall, cell), bridged, speck, unsearched)


def _reached(columns: ThrowingHeight, closed: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    """Columns a few steps from clear ones, over such as were glimpsed and hold no growth."""
    if steps < 1:
        return columns.clear
    over = columns.glimpsed & ~closed
    return np.asarray(ndi.binary_dilation(columns.clear, iterations=steps, mask=over))


def closed_gaps(mask: NDArray[np.bool_], width: float) -> NDArray[np.bool_]:
    """Fill gaps no wider than `width` [cells]: a morphological closing by a disc that wide.

    A gap that opens to one side is left as it is, and so is what reaches the edge of the raster.
    """
    radius = width / 2
    if radius < 1 or not mask.any():
        return mask
    # The margin lets the disc stand beyond the edge, where there is nothing to close upon.
    margin = int(radius) + 2
    near = ndi.distance_transform_edt(~np.pad(mask, margin)) <= radius
    filled = ndi.distance_transform_edt(near) > radius
    return np.asarray(filled[margin:-margin, margin:-margin] | mask)


def width_between(wall: NDArray[np.bool_], cell: float) -> NDArray[np.float32]:
    """Diameter of the widest free circle centred on each cell [m]; 0 on walls.

    The distance transform reaches to the centre of the nearest wall cell, half a cell beyond its
    face; at the centre of a corridor five cells wide it is 3, and 2 x 3 - 1 = 5. A corridor of an
    even number of cells comes out one cell too narrow, which is the safe side.
    """
    distance = ndi.distance_transform_edt(~np.pad(wall, 1, constant_values=True))
    width = np.maximum(2.0 * distance[1:-1, 1:-1] - 1.0, 0.0) * cell
    return np.asarray(width, dtype=np.float32)


def swept(room: Room, diameter: float, cell: float) -> NDArray[np.bool_]:
    """Find the free cells that a circle of the given diameter [m] covers wherever it fits."""
    centres = room.width >= diameter
    if not centres.any():
        return centres
    reached = ndi.distance_transform_edt(~centres) * cell <= diameter / 2
    return np.asarray(reached & ~room.wall)


def kind_raster(
    room: Room,
    wide: NDArray[np.bool_],
    roofed: NDArray[np.bool_],
    cell: float,
    settings: LanesSettings,
) -> NDArray[np.uint8]:
    """Lane kind of every cell, by code: 0 none, 1 open, 2 edge, 3 lane, 4 tunnel.

    What is roofed is a tunnel however wide, since a throw in it stays under the canopy; the rest
    is a lane up to `open_width`, and beyond it (`wide`) open, or edge where a wall is near.
    """
    reach = max(1, round(2 * settings.speck_reach / cell))
    under = count_around(roofed, reach) >= settings.tunnel_roof * (2 * reach + 1) ** 2
    fits = swept(room, settings.min_width, cell)
    kind = np.where(fits, np.uint8(LANE), np.uint8(NONE))
    near = room.width < 2 * settings.edge_offset
    kind[wide & near] = EDGE
    kind[wide & ~near] = OPEN
    kind[fits & under] = TUNNEL
    return kind.astype(np.uint8)
