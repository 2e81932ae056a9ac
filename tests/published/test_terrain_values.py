"""Terrain numbers printed or computed elsewhere.

Slope, aspect: `gdaldem slope|aspect` of GDAL 3.6.2 on the windows given, to six digits (Horn 1981
is its default). Fill and D8: pyflwdir 0.5 and by hand. Wetness index: the formula of Beven and
Kirkby 1979, by hand.
"""

import numpy as np
import pytest

from lanewright.kernels.flow import OUTLET, flood, ranks, spread, steepest
from lanewright.kernels.relief import gradient
from lanewright.land.drainage import fill, wetness
from lanewright.land.terrain import slope_and_aspect

GREAT = [[10, 12, 14], [11, 13, 15], [14, 16, 18]]
CLIFF = [[50, 45, 50], [30, 30, 30], [8, 10, 10]]
EAST = [[101, 92, 85], [101, 92, 85], [101, 91, 84]]


@pytest.mark.parametrize(
    ("window", "cell", "slope_deg", "slope_pct", "aspect_deg"),
    [
        (GREAT, 1.0, 70.528779, 282.8427, 315.0),
        (GREAT, 2.0, 54.735610, 141.4214, 315.0),
        (CLIFF, 5.0, 75.257658, 380.0329, 180.753848),
        (EAST, 1.0, 82.990885, 813.3649, 92.642545),
        ([[2, 3, 4]] * 3, 1.0, 45.0, 100.0, 270.0),
    ],
)
def test_horn_as_gdaldem(window, cell, slope_deg, slope_pct, aspect_deg):
    slope, aspect = slope_and_aspect(np.array(window, np.float32), cell, least_cell=cell)
    assert slope[1, 1] == pytest.approx(slope_pct, abs=1e-4)
    assert np.degrees(np.arctan(slope[1, 1] / 100)) == pytest.approx(slope_deg, abs=1e-5)
    assert aspect[1, 1] == pytest.approx(aspect_deg, abs=2e-5)


@pytest.mark.parametrize(
    ("window", "cell", "east", "south"),
    [(GREAT, 1.0, 2, 2), (GREAT, 2.0, 1, 1), (CLIFF, 5.0, 0.05, -3.8), (EAST, 1, -8.125, -0.375)],
)
def test_horn_gradient_by_hand(window, cell, east, south):
    along, down = gradient(np.array(window, np.float32), cell)
    assert (along[1, 1], down[1, 1]) == (pytest.approx(east), pytest.approx(south))


def test_noise_of_the_gradient():
    """White noise sigma gives each component a deviation of sqrt(12) sigma / 8 L: 0.0433 here."""
    noise = np.random.default_rng(1).normal(0, 0.05, (1500, 1500)).astype(np.float32)
    east, south = gradient(noise, 0.5)
    inner = np.s_[1:-1, 1:-1]
    assert east[inner].std() == pytest.approx(0.0433, rel=0.01)
    assert south[inner].std() == pytest.approx(0.0433, rel=0.01)


def test_fill_of_the_bowl():
    bowl = np.full((5, 5), 9, np.float32)
    bowl[1:4, 1:4] = [[5, 6, 4], [6, 3, 6], [7, 6, 5]]
    bowl[3, 4] = 7
    flow = fill(bowl)
    assert np.all(flow.filled[1:4, 1:4] == 7)
    assert flow.depth.sum() == 15
    assert flow.depth.max() == 4


def test_d8_without_ties():
    """All water of the window leaves by its lowest cell."""
    surface = np.array([[3, 2, 3], [3, 1, 3], [3, 0, 3]], np.float64)
    outlet = surface == 0
    filled, came_from, order = flood(surface, outlet)
    code = steepest(surface, filled, came_from, ranks(order, surface.shape))
    assert code.tolist() == [[2, 4, 8], [2, 4, 8], [1, OUTLET, 16]]
    assert accumulated(code).tolist() == [[1, 1, 1], [1, 4, 1], [1, 9, 1]]


def accumulated(code):
    """Cells through each cell, by walking down from every one."""
    step = {1: (0, 1), 2: (1, 1), 4: (1, 0), 8: (1, -1), 16: (0, -1), 32: (-1, -1), 64: (-1, 0)}
    step[128] = (-1, 1)
    count = np.zeros(code.shape, int)
    for at in np.ndindex(code.shape):
        count[at] += 1
        while code[at] != OUTLET:
            at = tuple(np.add(at, step[int(code[at])]))
            count[at] += 1
    return count


@pytest.mark.parametrize(
    ("area_per_metre", "slope", "index"),
    [
        (100.0, np.tan(np.radians(5)), 7.041416),
        (500.0, 0.02, 10.126631),
        (1.0, 1.0, 0.0),
        (100.0, 0.01, 9.210340),
        (1.0, 0.0, 6.907755),  # level ground counts as 1 in 1000
    ],
)
def test_wetness_index(area_per_metre, slope, index):
    assert wetness(np.array([area_per_metre]), np.array([slope]))[0] == pytest.approx(
        index, abs=1e-6
    )


def test_spreading_halves_between_two_equal_ways():
    """Freeman 1991: shares go with slope to the power 1.1, so equal slopes share equally."""
    ridge = np.array([[9, 9, 9], [1, 2, 1], [9, 9, 9]], np.float64)
    outlets = ridge == 1
    filled, came_from, order = flood(ridge, outlets)
    area = spread(ridge, filled, came_from, order)
    assert area[1, 0] == pytest.approx(area[1, 2])
    assert area[1, 0] + area[1, 2] == pytest.approx(9)


def test_spreading_by_hand():
    """2 down a side and 1 down another: 2^1.1 and 1 of 2^1.1 + 1."""
    surface = np.array([[0, 2, 1]], np.float64)
    outlets = np.array([[True, False, True]])
    filled, came_from, order = flood(surface, outlets)
    area = spread(surface, filled, came_from, order)
    part = 2**1.1 / (2**1.1 + 1)
    assert area.tolist() == [[pytest.approx(1 + part), 1, pytest.approx(2 - part)]]
