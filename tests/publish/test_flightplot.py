"""The picture of the flight table: every level, both views, both units."""

import io

import pytest
from matplotlib import image

from lanewright.flight.flight import fly_throws
from lanewright.publish.flightplot import COLOURS, FOOT, flight_figure
from lanewright.settings.flight import FlightSettings
from lanewright.settings.levels import levels_named


@pytest.fixture(scope="module")
def figure():
    return flight_figure(fly_throws(levels_named(("blue", "green")), FlightSettings()))


def test_each_level_is_drawn_from_above_and_from_the_side(figure):
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert len(titles) == 4
    assert titles[0].startswith("Blue: 101 m (331 ft) at 24.0 m/s")
    assert titles[2].startswith("Green: 55 m (180 ft)")
    assert all("side" in title for title in titles[1::2])


def test_throws_end_at_their_distances_and_finish_on_their_side(figure):
    above = figure.axes[0]
    seen = {}
    for line in above.lines:
        x, y = line.get_data()
        if len(x) > 2:
            seen.setdefault(line.get_color(), []).append((x[-1], y[-1] - y[-5]))
    for finish, way in (("left", 1), ("right", -1)):
        ends = seen[COLOURS[finish]]
        assert len(ends) >= 6
        assert all(way * turn > 0 for _, turn in ends)
    # beyond the target to the ground, no farther than a disc glides from there
    assert 101 - 5 < max(end for end, _ in seen[COLOURS["straight"]]) < 101 + 15


def test_heights_are_over_the_ground_and_plausible(figure):
    side = figure.axes[1]
    top = max(line.get_ydata().max() for line in side.lines)
    assert 5 < top < 12  # m, of the widest and longest
    assert all(line.get_ydata().min() >= 0 for line in side.lines)


def test_feet_stand_beside_metres(figure):
    figure.draw_without_rendering()
    for axes in figure.axes:
        for feet in axes.child_axes:
            kind = "x" if feet.get_xlabel() == "ft" else "y"
            metres = getattr(axes, f"get_{kind}lim")()
            assert getattr(feet, f"get_{kind}lim")() == pytest.approx([m / FOOT for m in metres])


def test_draws_something(figure):
    room = io.BytesIO()
    figure.savefig(room, dpi=50)
    room.seek(0)
    pixels = image.imread(room)[..., :3]
    assert 0.01 < (pixels < 0.9).any(-1).mean() < 0.4
