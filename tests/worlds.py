"""Small planted worlds: land whose truth is known, with the points that a survey brings home.

Each function returns a `World`. All are level or gently sloped squares with their south-west corner
at (500000, 4400000) in UTM 16N; vegetation goes on for 15 m beyond, so that slant pulses see no
edge. `density` is always pulses per square metre; two strips see the square from north and south.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

import land
import pulses
from land import Band, Land
from pulses import Points, Sensor

LEFT, BOTTOM = 500_000.0, 4_400_000.0
MARGIN = 15.0
GROUND = 200.0

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class World:
    """A planted world.

    Attributes
    ----------
    points
        Columns as `pulses.Points`, cropped to `bounds` as a tile would be.
    land
        The truth; ask `land.density_at`, `land.density_columns`, `land.ground_at` and
        `land.optical_depth` of module `land`.
    bounds
        Left, bottom, right, top [m] of the part to look at.
    truth
        What was planted, by name; each function says which.
    """

    points: Points
    land: Land
    bounds: Bounds
    truth: dict[str, Any] = field(default_factory=dict)
    crs: str = pulses.UTM_16N.to_wkt()


def _frame(size: float) -> tuple[Bounds, Bounds, np.ndarray, np.ndarray]:
    """Inner bounds, outer bounds, and the centres of the outer land's 0.5 m cells."""
    inner = (LEFT, BOTTOM, LEFT + size, BOTTOM + size)
    outer = (LEFT - MARGIN, BOTTOM - MARGIN, LEFT + size + MARGIN, BOTTOM + size + MARGIN)
    return inner, outer, *land.cell_centres(outer, 0.5)


def _plane(x: np.ndarray, y: np.ndarray, slope_x: float, slope_y: float) -> np.ndarray:
    return GROUND + slope_x * (x - LEFT) + slope_y * (y - BOTTOM)


def _world(
    size: float,
    density: float,
    seed: int,
    *,
    slope: tuple[float, float] = (0.0, 0.0),
    single: bool = False,
    noise: float = 0.02,
    truth: dict[str, Any] | None = None,
    **plants: Any,
) -> World:
    inner, outer, x, y = _frame(size)
    truth_land = land.make_land(_plane(x, y, *slope), outer[0], outer[3], **plants)
    points = pulses.fly(
        truth_land,
        pulses.crossing_strips(outer, density),
        Sensor(single=single, noise=noise),
        seed=seed,
    )
    return World(pulses.crop(points, inner), truth_land, inner, truth or {})


def plane(
    density: float = 8.0,
    slope: tuple[float, float] = (0.1, 0.0),
    size: float = 60.0,
    seed: int = 1,
    noise: float = 0.02,
) -> World:
    """Bare slope: z = 200 + slope_x (x - left) + slope_y (y - bottom). Truth: `slope`."""
    return _world(size, density, seed, slope=slope, noise=noise, truth={"slope": slope})


def uniform_forest(
    contact_density: float = 0.1,
    density: float = 8.0,
    height: float = 16.0,
    size: float = 60.0,
    seed: int = 1,
    single: bool = False,
) -> World:
    """One contact density [1/m] everywhere from the ground to `height` [m], no trunks.

    Truth: `contact_density`, `height`.
    """
    return _world(
        size, density, seed, single=single, bands=[Band(contact_density, 0.0, height)],
        truth={"contact_density": contact_density, "height": height},
    )  # fmt: skip


def tunnel(
    density: float = 8.0,
    width: float = 4.0,
    roof: float = 7.0,
    roof_top: float = 15.0,
    roof_density: float = 0.15,
    brush_density: float = 0.6,
    size: float = 60.0,
    seed: int = 1,
) -> World:
    """Open lane, west to east through the middle, in dense understory under a closed roof.

    Brush of `brush_density` [1/m] from the ground to the roof on both sides; a canopy of
    `roof_density` from `roof` to `roof_top` [m] over everything. No plan view of the canopy shows
    the lane.

    Truth: `line` ((x, y), (x, y)) its centre line from edge to edge; `width`, `roof` [m];
    `brush_line` a parallel line 12 m to the north, all in brush.
    """
    _, _, _, y = _frame(size)
    middle = BOTTOM + size / 2
    inside = np.abs(y - middle) < width / 2
    brush = np.where(inside, 0.0, brush_density).astype(np.float32)
    return _world(
        size, density, seed,
        bands=[Band(brush, 0.0, roof), Band(roof_density, roof, roof_top)],
        truth=_lines(size, middle) | {"width": width, "roof": roof},
    )  # fmt: skip


def open_lane(
    density: float = 8.0,
    width: float = 4.0,
    brush_density: float = 0.6,
    height: float = 10.0,
    size: float = 60.0,
    seed: int = 1,
) -> World:
    """Open lane, west to east through the middle, without a roof: brush of `height` beside it.

    Truth: as `tunnel`, without `roof`.
    """
    _, _, _, y = _frame(size)
    middle = BOTTOM + size / 2
    brush = np.where(np.abs(y - middle) < width / 2, 0.0, brush_density).astype(np.float32)
    return _world(
        size, density, seed, bands=[Band(brush, 0.0, height)],
        truth=_lines(size, middle) | {"width": width},
    )  # fmt: skip


def thicket_gap(
    density: float = 8.0,
    width: float = 6.0,
    brush_density: float = 1.0,
    brush: tuple[float, float] = (0.0, 2.25),
    canopy_density: float = 0.2,
    size: float = 60.0,
    seed: int = 1,
) -> World:
    """A gap in the canopy, west to east, that is open from above but full of brush.

    Under the canopy (6 to 16 m) the wood is nearly clear (0.01 per metre); in the gap there is no
    canopy but brush of `brush_density` [1/m] between the `brush` heights [m].

    Truth: `line` the centre line of the gap, `width`, `brush`, `brush_density`.
    """
    _, _, _, y = _frame(size)
    middle = BOTTOM + size / 2
    gap = np.abs(y - middle) < width / 2
    return _world(
        size, density, seed,
        bands=[
            Band(np.where(gap, brush_density, 0).astype(np.float32), *brush),
            Band(np.where(gap, 0, 0.01).astype(np.float32), 0.0, 6.0),
            Band(np.where(gap, 0, canopy_density).astype(np.float32), 6.0, 16.0),
        ],
        truth=_lines(size, middle)
        | {"width": width, "brush": brush, "brush_density": brush_density},
    )  # fmt: skip


def one_tree(
    density: float = 8.0,
    height: float = 18.0,
    crown_base: float = 6.0,
    crown_radius: float = 4.0,
    crown_density: float = 0.3,
    conifer: bool = False,
    stem_radius: float = 0.2,
    size: float = 60.0,
    seed: int = 1,
) -> World:
    """One tree in the middle of a meadow. Truth: `tree`, its `land.TREE` record."""
    shape = land.CONE if conifer else land.DOME
    middle = size / 2
    tree = np.array(
        [(LEFT + middle, BOTTOM + middle, height, crown_base, crown_radius, crown_density, shape,
          stem_radius)],
        land.TREE,
    )  # fmt: skip
    return _world(size, density, seed, trees=tree, truth={"tree": tree[0]})


def unsearched_shadow(
    density: float = 8.0,
    side: float = 20.0,
    slab: tuple[float, float] = (5.0, 6.0),
    size: float = 60.0,
    seed: int = 1,
) -> World:
    """A square slab in the middle that stops every pulse, with empty space under it.

    Slant pulses look a little way under its edge; what is more than 2 m inside no pulse ever saw
    from above the ground to 4 m. Truth: `shadow`, left, bottom, right, top of the slab; `slab`.
    """
    _, _, x, y = _frame(size)
    middle = size / 2
    under = (np.abs(x - LEFT - middle) < side / 2) & (np.abs(y - BOTTOM - middle) < side / 2)
    shadow = (
        LEFT + middle - side / 2, BOTTOM + middle - side / 2,
        LEFT + middle + side / 2, BOTTOM + middle + side / 2,
    )  # fmt: skip
    return _world(
        size, density, seed, bands=[Band(np.where(under, 100.0, 0).astype(np.float32), *slab)],
        truth={"shadow": shadow, "slab": slab},
    )  # fmt: skip


def _lines(size: float, middle: float) -> dict[str, Any]:
    return {
        "line": ((LEFT, middle), (LEFT + size, middle)),
        "brush_line": ((LEFT, middle + 12.0), (LEFT + size, middle + 12.0)),
    }
