import datetime as dt

import numpy as np
import pytest
import shapely

from lanewright.base import schema
from lanewright.settings.visit import FieldSettings
from lanewright.visit.fieldchecks import Surveyed, list_checks
from lanewright.visit.outing import Spot, as_published, outing_of
from publish import outings
from publish.frames import ORIGIN

HOME = Spot(*outings.START, 101.0)


def made(layers=None, rasters=None, start=HOME, **changes):
    layers = outings.layers() if layers is None else layers
    given = {
        "land": outings.LAND,
        "flown": ("2019-03-02", "2019-03-04"),
        "leaf_state": "off",
        "settings": FieldSettings(),
    }
    given |= changes
    surveyed = Surveyed(*(given.pop(name) for name in ("land", "flown", "leaf_state")))
    checks = list_checks(
        outing_of(layers, 18, start), layers, outings.rasters() if rasters is None else rasters,
        outings.GRID, surveyed, **given,
    )  # fmt: skip
    return as_published("field_checks", checks)


def kind(checks, name):
    return checks[checks["kind"] == name]


@pytest.fixture(scope="module")
def checks():
    return made()


def test_it_fits_its_layer_and_says_why_everywhere(checks):
    assert list(checks["check_id"]) == list(range(1, len(checks) + 1))
    assert checks["why"].str.len().min() > 10
    assert checks["look"].str.len().min() > 10
    assert set(checks["kind"]) <= set(schema.LAYERS["field_checks"].column("kind").values)
    assert {"access", "survey age", "not seen", "gap", "in leaf", "soft ground", "water",
            "crossing", "wire"} <= set(checks["kind"])  # fmt: skip


def test_the_walk_starts_at_the_arrival_and_steps_add_up(checks):
    xy = np.c_[checks.geometry.x, checks.geometry.y]
    steps = np.hypot(*np.diff(np.r_[[outings.START], xy], axis=0).T)
    np.testing.assert_allclose(checks["walk_m"], steps, atol=0.51)
    assert checks["walk_m"][0] == 0


def test_without_an_arrival_the_first_step_is_unknown():
    checks = made(outings.without(outings.layers(), "layout_walks"), start=None)
    assert np.isnan(checks["walk_m"][0])
    assert checks["walk_m"][1:].notna().all()
    assert "No arrival is set" in kind(checks, "access")["why"].iloc[0]


def test_unseen_stretches_lie_where_the_raster_says(checks):
    (row,) = kind(checks, "not seen").itertuples()
    # Planted: a band 24 m wide about x = 130, which leg 2 of hole 2 crosses.
    assert abs(row.geometry.x - ORIGIN[0] - 130) < 3
    assert row.leg_id == 2
    assert row.hole_id == 12
    assert row.place == "Hole 2"
    assert 22 <= row.size_m <= 28
    assert "searched 2" in row.why


def test_a_gap_stands_at_its_place_along_the_leg(checks):
    gaps = kind(checks, "gap").set_index("leg_id")
    # Only lanes and tunnels below 12.2 m; leg 5 is in no hole of the first proposal.
    assert sorted(gaps.index) == [2, 3]
    leg = outings.layers()["legs"].set_index("leg_id").loc[2]
    way = shapely.LineString([*leg.geometry.coords][:: len(leg.geometry.coords) - 1])
    assert way.project(gaps.geometry[2]) == pytest.approx(leg["pinch_at_m"], abs=1.0)
    assert "4.5 m (15 ft)" in gaps["look"][2]
    assert "45 m (148 ft)" in gaps["look"][2]


def test_what_stops_most_throws_is_gone_to(checks):
    (row,) = kind(checks, "in the way").itertuples()  # leg 3 passes 70 %, a fair share
    assert row.leg_id == 2
    assert "Brush by lidar stops most throws that fail, 40 m (131 ft)" in row.look
    assert "2.0 m (7 ft) right" in row.look
    assert "60% of throws pass" in row.why
    # From (80, 140) toward (170, 160): 40 m on, then 2 m to the right.
    way = np.array([90, 20]) / np.hypot(90, 20)
    place = np.array([80, 140]) + 40 * way + 2 * np.array([way[1], -way[0]])
    np.testing.assert_allclose(
        [row.geometry.x - ORIGIN[0], row.geometry.y - ORIGIN[1]], place, atol=1e-6
    )


def test_leaves_are_asked_after_unless_seen(checks):
    rows = kind(checks, "in leaf").set_index("leg_id")
    assert sorted(rows.index) == [2, 3]
    assert "60% as surveyed, 31% reckoned in leaf" in rows["why"][2]
    assert set(rows["best_seen"]) == {"in leaf"}
    assert kind(made(leaf_state="on"), "in leaf").empty
    assert not kind(made(leaf_state="unknown"), "in leaf").empty


@pytest.mark.parametrize(
    ("flown", "visit", "said"),
    [
        (None, None, "does not say when it was flown"),
        (("2019-03-02", "2019-03-04"), None, "Flown 2019-03-02 to 2019-03-04"),
        (("2019-03-04", "2019-03-04"), dt.date(2026, 3, 4), "7.0 years before the walk"),
        (("2019-03-04", "2019-03-04"), dt.date(2023, 3, 4), None),
    ],
)
def test_age_of_the_survey(flown, visit, said):
    rows = kind(made(flown=flown, settings=FieldSettings(visit=visit)), "survey age")
    assert said is None if rows.empty else said in rows["why"].iloc[0]


def test_soft_ground_of_tees_greens_and_walks(checks):
    rows = kind(checks, "soft ground")
    assert set(rows["place"]) == {"Hole 1", "walk hole 1 to hole 2"}
    green = rows[rows["place"] == "Hole 1"].iloc[0]
    # A disc of 10 m about the basket at (60, 120), all within the patch 50-80 x 110-130 m.
    assert "100%" in green["why"]
    assert "green" in green["look"]


def test_water_small_enough_to_dry_out(checks):
    rows = kind(checks, "water")
    assert len(rows) == 2
    assert any("400 m2" in why for why in rows["why"])
    assert any("0.4 m (1 ft)" in why for why in rows["why"])
    layers = outings.layers()
    layers["water"]["area_m2"] = 5000.0
    assert len(kind(made(layers), "water")) == 1


def test_walks_that_cross_a_stream_or_need_a_bridge(checks):
    crossings = kind(checks, "crossing")
    assert set(np.round(crossings.geometry.x - ORIGIN[0])) == {275}
    assert any("Walk this way. A bridge" in look for look in kind(checks, "access")["look"])


def test_wires_but_not_cautions_of_the_whole_land(checks):
    (row,) = kind(checks, "wire").itertuples()
    assert row.why == "A row of returns hangs here."
    assert 285 <= row.geometry.x - ORIGIN[0] <= 295


def test_boundary_near_tee_or_basket():
    assert kind(made(), "boundary").empty  # nothing is nearer than 40 m
    (row,) = kind(made(settings=FieldSettings(boundary=45)), "boundary").itertuples()
    assert row.place == "Hole 1"
    assert "tee is 40 m (131 ft)" in row.why
    assert outings.LAND.boundary.distance(row.geometry) < 1e-6


def test_feet_come_first_where_asked():
    rows = kind(made(feet_first=True), "gap").set_index("leg_id")
    assert "15 ft (4.5 m)" in rows["look"][2]


def test_earlier_stages_alone_give_checks_too():
    some = outings.layers()
    for gone in (
        ("layout_holes", "layout_walks"),
        ("layout_holes", "layout_walks", "holes", "trim_work"),
        ("layout_holes", "layout_walks", "holes", "trim_work", "water", "wet_ground", "drainage",
         "cautions"),
    ):  # fmt: skip
        assert len(made(outings.without(some, *gone))) > 3


def test_without_lidar_each_line_is_unseen():
    rows = kind(made(rasters={}), "not seen")
    assert list(rows["place"].sort_values()) == ["Hole 1", "Hole 2", "Hole 3"]
    assert set(rows["why"]) == {"Only an elevation model was given."}


def test_no_legs_at_all():
    layers = outings.layers()
    for name in ("legs", "holes", "layout_holes", "layout_walks", "trim_work"):
        layers[name] = layers[name].iloc[:0]
    checks = made(layers)
    assert set(checks["kind"]) == {"access", "survey age"}


def test_the_same_whatever_the_order_of_rows(checks):
    shuffled = {n: f.sample(frac=1, random_state=3) for n, f in outings.layers().items()}
    again = made({n: as_published(n, f) for n, f in shuffled.items()})
    assert again.equals(checks)
