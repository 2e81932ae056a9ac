"""Lanes planted in simulated woods, found again from the points that a survey brings home."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

import worlds
from lanewright.base.grid import Grid
from lanewright.growth.lanes import Lanes, find_lanes
from lanewright.settings.lanes import LanesSettings
from memory import grid_of, survey


def scouted(world: worlds.World, cell: float) -> tuple[Grid, Lanes]:
    grid = grid_of(world, cell)
    everywhere = np.ones(grid.shape, dtype=bool)
    whole = SimpleNamespace(grid=grid, inside=everywhere)
    dry = SimpleNamespace(water=~everywhere)
    return grid, find_lanes(whole, dry, survey(world, cell), LanesSettings())


@pytest.mark.parametrize(("density", "width"), [(8.0, 5.0), (20.0, 4.0)])
def test_a_roofed_tunnel_is_found(density, width):
    world = worlds.tunnel(density=density, width=width)
    _, found = scouted(world, 0.5)
    truth = shapely.LineString(world.truth["line"])
    assert len(found.lanes) == 1
    lane = found.lanes.iloc[0]
    assert lane["kind"] == "tunnel"
    assert lane["roof_share"] > 0.95
    assert lane["roof_m"] == pytest.approx(world.truth["roof"], abs=0.75)
    assert lane["length_m"] > 0.9 * truth.length
    assert lane["bearing_deg"] == pytest.approx(90, abs=3)
    assert shapely.distance(shapely.points(lane.geometry.coords), truth).max() < 1.0  # two cells
    # Brush at the sides blurs into the lane: it may come out narrow, never wide.
    assert width - 1.75 <= lane["width_m"] <= width


def test_an_open_lane_is_found_at_two_pulses():
    world = worlds.open_lane(density=2.0, width=5.0)
    _, found = scouted(world, 1.0)
    assert len(found.lanes) == 1
    lane = found.lanes.iloc[0]
    assert lane["kind"] == "lane"
    assert lane["length_m"] > 40
    assert lane.geometry.distance(shapely.LineString(world.truth["line"])) < 1


@pytest.mark.parametrize("density", [8.0, 20.0])
def test_a_gap_open_from_above_but_full_of_brush_is_no_lane(density):
    world = worlds.thicket_gap(density=density)
    grid, found = scouted(world, 0.5)
    (_, middle), _ = world.truth["line"]
    gap = shapely.box(
        world.bounds[0], middle - world.truth["width"] / 2,
        world.bounds[2], middle + world.truth["width"] / 2,
    )  # fmt: skip
    assert found.lanes.geometry.intersection(gap).length.sum() == 0
    assert found.openings.geometry.intersection(gap).area.sum() < 0.05 * gap.area
    row, _ = grid.rowcol(np.zeros(1), np.array([middle]))
    rows = slice(int(row[0]) - 3, int(row[0]) + 4)
    assert (np.nan_to_num(found.free_width[rows]) == 0).mean() > 0.97
    assert (found.kind[rows] == 0).mean() > 0.97
