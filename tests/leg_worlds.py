"""Land for legs with known answers: arrays as the stages before would give them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from scipy import ndimage as ndi

from lanewright.base.grid import Grid
from lanewright.flight.flight import Flights
from lanewright.legs.legs import Legs, find_legs
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings

LEFT, BOTTOM = 500_000.0, 4_400_000.0
CRS = "EPSG:32616"
CODE = np.uint8(1)  # of the density given


def bare(size: float = 200.0, cell: float = 0.5, slope: tuple[float, float] = (0, 0)) -> Scene:
    """Open, fully searched ground, 200 m high in its south-west corner and tilted by `slope`."""
    grid = Grid.over((LEFT, BOTTOM, LEFT + size, BOTTOM + size), cell, CRS)
    x, y = grid.xy(*np.mgrid[: grid.rows, : grid.cols])
    ground = 200 + slope[0] * (x - LEFT) + slope[1] * (y - BOTTOM)
    no = np.zeros(grid.shape, bool)
    table = np.zeros(256, np.float32)
    table[255] = 1000.0
    return Scene(
        grid=grid,
        ground=ground.astype(np.float32),
        slope_pct=np.full(grid.shape, 100 * np.hypot(*slope), np.float32),
        wetness=np.full(grid.shape, 6.0, np.float32),
        height_above_drainage=np.full(grid.shape, 5.0, np.float32),
        water=no,
        wet=no,
        maybe_wet=no,
        blocked=np.zeros(grid.shape, np.uint64),
        searched=np.full(grid.shape, 2**64 - 1, np.uint64),
        density=np.zeros((*grid.shape, 64), np.uint8),
        table=table,
        canopy_height=np.zeros(grid.shape, np.float32),
        free_width=np.full(grid.shape, 60.0, np.float32),
        lane_kind=np.ones(grid.shape, np.uint8),
        land=shapely.box(*grid.bounds),
        keep_out=shapely.Polygon(),
        trees=gpd.GeoDataFrame({"dbh_cm": [], "crown_base_m": []}, geometry=[], crs=CRS),
    )


def planted(world: Scene, wood: Any, density: float, low: float = 0.0, high: float = 16.0,
            blocked: bool = True) -> Scene:  # fmt: skip
    """`world` with vegetation of one contact density [1/m] on the cells of `wood`."""
    first, last = round(low * 4), round(high * 4)
    code, masks, table = world.density.copy(), world.blocked.copy(), world.table.copy()
    code[wood, first:last] = CODE
    table[CODE] = density
    if blocked:
        masks[wood] |= np.uint64((1 << last) - (1 << first))
    width = np.minimum(2 * ndi.distance_transform_edt(~wood) - 1, 120) * world.grid.cell
    return replace(
        world,
        density=code,
        blocked=masks,
        table=table,
        canopy_height=np.where(wood, high, 0).astype(np.float32),
        free_width=np.where(wood, 0, width).astype(np.float32),
        lane_kind=np.where(wood, 0, np.where(width > 20, 1, 3)).astype(np.uint8),
    )


def centres(world: Scene) -> tuple[Any, Any]:
    """Coordinates of every cell, metres from the south-west corner."""
    x, y = world.grid.xy(*np.mgrid[: world.grid.rows, : world.grid.cols])
    return x - LEFT, y - BOTTOM


def box(left: float, bottom: float, right: float, top: float) -> shapely.Polygon:
    """Rectangle, metres from the south-west corner."""
    return shapely.box(LEFT + left, BOTTOM + bottom, LEFT + right, BOTTOM + top)


def score_legs(world: Scene, flights: Flights, settings: LegsSettings, *, own: Any = (),
               leaf_state: str = "unknown", only_own: bool = False) -> Legs:  # fmt: skip
    """The stage on a scene; `own` holds a name and a line each."""
    lines = tuple((name, line.wkt) for name, line in own)
    return find_legs(replace(world, leaf_state=leaf_state), flights, settings, lines,
                     only_own=only_own)  # fmt: skip


def score_own(world: Scene, flights: Flights, settings: LegsSettings, own: Any,
              leaf_state: str = "unknown") -> Legs:  # fmt: skip
    """The designer's lines alone."""
    return score_legs(world, flights, settings, own=own, leaf_state=leaf_state, only_own=True)
