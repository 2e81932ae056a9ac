"""Stretches of drainage made into creeks, on lines laid by hand."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lanewright.publish.creeks import AWAY, as_creeks, smooth
from publish.frames import UTM


def stairs(a, b, cell=1.0):
    """The cells of a line that runs down by D8: straight and diagonal steps."""
    a, b = np.array(a, float), np.array(b, float)
    count = int(max(abs(b - a)) / cell)
    way = a + np.linspace(0, 1, count + 1)[:, None] * (b - a)
    return shapely.LineString(np.round(way / cell) * cell)


def drainage(*rows):
    return gpd.GeoDataFrame(
        {
            "drain_id": range(1, len(rows) + 1),
            "order": [r[0] for r in rows],
            "upslope_ha": [r[1] for r in rows],
            "length_m": [r[2].length for r in rows],
            "fall_pct": [r[3] for r in rows],
        },
        geometry=[r[2] for r in rows],
        crs=UTM,
    )


CREEK = (
    (1, 8.0, stairs((0, 300), (40, 200)), 1.0),
    (2, 13.0, stairs((40, 200), (70, 100)), 2.0),
    (2, 22.0, stairs((70, 94), (90, 0)), 1.0),  # 6 m of open water lie between
)
BROOK = (1, 3.4, stairs((200, 210), (40, 200)), 5.0)


def test_a_creek_of_three_stretches_is_one_line_and_a_brook_stays_its_own():
    made = as_creeks(drainage(CREEK[1], BROOK, CREEK[0], CREEK[2]), 1.0)
    assert made["drain_id"].tolist() == [1, 2]
    assert made["upslope_ha"].tolist() == [22.0, 3.4]
    creek = made.geometry[0]
    assert creek.coords[0] == (0.0, 300.0)
    assert creek.coords[-1] == (90.0, 0.0)
    whole = shapely.union_all([r[2] for r in CREEK] + [shapely.LineString([(70, 100), (70, 94)])])
    assert creek.hausdorff_distance(whole) <= AWAY
    assert made["length_m"][0] == pytest.approx(creek.length)
    lengths = np.array([r[2].length for r in CREEK])
    fall = (lengths * [1.0, 2.0, 1.0]).sum() / lengths.sum()
    assert made["fall_pct"][0] == pytest.approx(fall)


def test_of_two_that_meet_the_one_with_most_water_goes_on():
    side = (1, 9.0, stairs((200, 210), (40, 200)), 5.0)
    made = as_creeks(drainage(*CREEK, side), 1.0)
    assert len(made) == 2
    assert made.geometry[0].coords[0] == (200.0, 210.0)  # 9 ha come that way, 8 ha the other


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_a_line_moves_no_farther_than_said_and_loses_its_steps(cell):
    """A straight way at a slope of 1 in 3 on cells: the steps turn by 45 degrees each time."""
    steps = stairs((0, 0), (300 * cell, 100 * cell), cell)
    line = smooth(shapely.get_coordinates(steps), cell)
    assert line.hausdorff_distance(steps) <= AWAY * cell

    def turning(shape):
        way = np.diff(shapely.get_coordinates(shape), axis=0)
        return np.abs(np.diff(np.unwrap(np.arctan2(way[:, 1], way[:, 0])))).sum()

    assert turning(line) < 0.2 * turning(steps)
    zigzag = np.array([(i, 8 * (i % 2)) for i in range(40)], float) * cell
    assert smooth(zigzag, cell).hausdorff_distance(shapely.LineString(zigzag)) <= AWAY * cell


def test_no_line_stays_no_line():
    assert len(as_creeks(drainage(CREEK[0]).iloc[:0], 1.0)) == 0


def test_below_the_least_area_stretches_stay_apart():
    assert len(as_creeks(drainage(*CREEK), 1.0, 16.0)) == 3
