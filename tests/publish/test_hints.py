"""What is worth considering beside a hole, on shapes laid by hand."""

import pytest
import shapely

from lanewright.publish.hints import with_hints, worth_considering
from publish.frames import ORIGIN, UTM, frame

HOLE = shapely.LineString([(0, 0), (0, 90)])  # thrown to the north
ROAD = shapely.LineString([(-15, -50), (-15, 200)])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (HOLE, "out-of-bounds along the road, 15 m (49 ft) to the left"),
        (HOLE.reverse(), "out-of-bounds along the road, 15 m (49 ft) to the right"),
        (shapely.LineString([(10, 0), (10, 90)]), ""),
        (
            shapely.LineString([(-40, 0), (10, 0)]),
            "out-of-bounds in the road, which the way of play crosses",
        ),
    ],
)
def test_out_of_bounds_names_what_lies_within_20_m_and_its_side(line, said):
    assert worth_considering(line, [], {"the road": ROAD}, 20.0) == said


def test_a_mandatory_is_suggested_towards_the_hole_that_leaves_least_room():
    near = [
        {"margin_m": 1.8, "other_order": 3, "distance_m": 34.0},
        {"margin_m": 1.0, "other_order": 7, "distance_m": 31.0},
        {"margin_m": 30.0, "other_order": 9, "distance_m": 60.0},
    ]
    assert worth_considering(HOLE, near, {}, 20.0) == (
        "a mandatory that keeps throws off hole 7, 31 m (102 ft) away"
    )
    assert worth_considering(HOLE, near[2:], {}, 20.0) == ""


def test_holes_of_a_round_get_them_from_the_layers_of_the_run():
    x, y = ORIGIN
    layers = {name: frame(name, 1) for name in ("layout_holes", "keep_out", "water", "property")}
    layers["layout_neighbours"] = frame("layout_neighbours", 1).iloc[:0]
    place = {
        "layout_holes": shapely.LineString([(x + 50, y + 50), (x + 50, y + 140)]),
        "keep_out": shapely.box(x + 58, y, x + 70, y + 200),
        "water": shapely.box(x + 300, y, x + 310, y + 10),
        "property": shapely.box(x, y, x + 400, y + 400),
    }
    for name, shape in place.items():
        layers[name] = layers[name].set_geometry([shape], crs=UTM)
    assert with_hints(layers, 20.0)["consider"].tolist() == [
        "out-of-bounds along the keep-out, 8 m (26 ft) to the right"
    ]
    assert with_hints(layers, 5.0)["consider"].tolist() == [None]
