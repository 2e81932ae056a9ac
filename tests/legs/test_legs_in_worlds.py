"""Clear rates from surveys of planted woods against throws through the truth itself."""

import numpy as np
import pytest
import shapely

import land
import worlds
from judged import scene_on
from lanewright.flight.flight import fly_throws
from lanewright.growth.columns import DENSITY_TABLE, blocked
from lanewright.scene import Scene
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from leg_worlds import score_own
from memory import grid_of, survey

CELL = 0.5
SETTINGS = LegsSettings(throws=1000, sites=SitesSettings(boundary_setback=2.0))


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue", "green")), FlightSettings())


def surveyed(world: worlds.World) -> Scene:
    """The land as the vegetation stage tells it; these woods have no trunks, so no trees either."""
    grid, seen = grid_of(world, CELL), survey(world, CELL)
    return scene_on(
        grid,
        world.land,
        blocked=blocked(seen.columns, SETTINGS.blocked_density),
        searched=seen.columns.searched,
        density=seen.columns.density,
        table=seen.columns.table,
        canopy_height=seen.canopy_height,
    )


def true(world: worlds.World) -> Scene:
    """The land as it was planted."""
    grid = grid_of(world, CELL)
    density = land.density_columns(world.land, grid.bounds, CELL)
    codes = np.clip(np.searchsorted(DENSITY_TABLE[:255], density), 0, 254).astype(np.uint8)
    return scene_on(grid, world.land, density=codes, table=DENSITY_TABLE)


def rates(lands: Scene, flights, line) -> np.ndarray:
    """Clear rate, low and high, of each level along a line that starts 5 m inside."""
    (x0, y0), (x1, y1) = line
    drawn = shapely.LineString([(x0 + 5, y0 + 0.25), (x1 - 5, y1 + 0.25)])
    legs = score_own(lands, flights, SETTINGS, [("line", drawn)], leaf_state="on").legs
    return legs.sort_values("level")[["clear_rate", "clear_rate_low", "clear_rate_high"]].to_numpy()


@pytest.mark.parametrize(
    ("planted", "density", "width"),
    [(worlds.tunnel, 8.0, 5.0), (worlds.tunnel, 20.0, 4.0), (worlds.open_lane, 8.0, 4.0)],
)
def test_clear_rate_in_a_lane_is_that_of_the_truth(planted, density, width, flights):
    world = planted(density=density, width=width)
    seen, truth = (rates(f(world), flights, world.truth["line"]) for f in (surveyed, true))
    actual = truth[:, 0]
    assert (actual > 0.2).all()
    # Brush at the sides blurs into the lane: lidar calls it narrower, hardly ever wider.
    assert (seen[:, 0] <= actual + 0.05).all()
    assert (seen[:, 0] >= actual - 0.25).all()
    beside = rates(surveyed(world), flights, world.truth["brush_line"])
    assert (beside[:, 0] < 0.05).all()


def test_brush_that_looks_open_from_above_is_no_clear_leg(flights):
    world = worlds.thicket_gap(density=8.0)
    seen = rates(surveyed(world), flights, world.truth["line"])
    truth = rates(true(world), flights, world.truth["line"])
    assert (np.abs(seen[:, 0] - truth[:, 0]) < 0.15).all()
