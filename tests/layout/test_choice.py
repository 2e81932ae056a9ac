"""What a round is worth, worked out by hand from the settings; no search takes part."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lanewright.layout.candidates import Candidates, ends_of
from lanewright.layout.choice import kinds_of, problem_of, wishes_of
from lanewright.layout.firstfeatures import FirstFeatures
from lanewright.layout.round import ARRIVAL, value
from lanewright.layout.ways import Ways
from lanewright.legs.interest import COLUMNS
from lanewright.settings.layout import LayoutSettings, MixSettings, WalkSettings, WeightSettings
from lanewright.settings.levels import level_named

RED = level_named("red")
THIRD = (RED.par3_to - RED.par3_from) / 3


def frame(**columns) -> gpd.GeoDataFrame:
    """Six holes side by side; what is not given is the same for all."""
    lines = [shapely.LineString([(50 * k, 0, 0), (50 * k, 60, 0)]) for k in range(6)]
    data = {
        "score": 0.5, "length_m": 60.0, "rise_m": 0.0, "par": 3, "finish": "straight",
        "lane_kind": "open", "clear_rate": 0.8, "carry_water_m": 0.0,
    }  # fmt: skip
    return gpd.GeoDataFrame(data | columns, geometry=lines, index=range(6))


def candidates(holes: gpd.GeoDataFrame, **changes) -> Candidates:
    tee, basket = ends_of(holes)
    none = np.zeros(6, np.int64)
    given = {
        "holes": holes, "tee": tee, "basket": basket, "must": none == 1, "place": none,
        "wish": none, "trim": np.zeros((6, 2)), "unplanned": none == 1,
        "conflicts": np.empty((0, 2), np.int64),
        "fire": np.full(6, shapely.Polygon(), object),
        "first": FirstFeatures.none(), "uses": np.zeros((6, 0), bool),
    }  # fmt: skip
    return Candidates(**(given | changes))


def round_walks(order, easy, bridge=(), fire=()) -> Ways:
    """Walks of one round, so many metres of easy walk each."""
    stops = [ARRIVAL, *order, ARRIVAL]
    count = len(order) + 1
    there = np.zeros(count, bool)
    there[list(bridge)] = True
    return Ways(
        np.array(stops[:-1]), np.array(stops[1:]), np.array(easy, float), there,
        np.array(fire, np.int64).reshape(-1, 2), np.full(count, None, object),
    )  # fmt: skip


NO_MIX = MixSettings(
    left=0, right=0, straight=0, short=0, middle=0, long=0, climbs=0, drops=0, wooded=0, open=0,
    over_par_3=0, total=(0, 10_000), same_finish=18,
)  # fmt: skip


def terms(order, made: Candidates, ways: Ways, **settings):
    layout = LayoutSettings(**({"mix": NO_MIX} | settings))
    return value(problem_of(made, ways, RED, len(order), layout), order)


def test_every_hole_and_walk_brings_and_costs_what_the_weights_say():
    made = candidates(
        frame(score=[0.5, 0.25, 1.0, 0, 0, 0]),
        trim=np.array([[2.0, 4.0], [1.5, 2.0], [0, 0], [9, 9], [9, 9], [9, 9]]),
        wish=np.array([1, -1, 1, 0, 0, 0]),
    )
    order = (2, 0, 1)
    ways = round_walks(order, [10.0, 120.0, 40.0, 95.0], bridge=[1, 3], fire=[(0, 1), (0, 0)])
    weights = WeightSettings(
        quality=80, trim=3, prefer=30, walk=0.4, far_walk=2, bridge=7, crossing=11
    )
    found = terms(order, made, ways, weights=weights, walk=WalkSettings(far=91))
    assert found["quality"] == pytest.approx(80 * 1.75)
    assert found["trimming"] == pytest.approx(-3 * 3.5)
    assert found["designer's wish"] == pytest.approx(30 * (1 - 1 + 1))
    assert found["walks"] == pytest.approx(-0.4 * 265)
    assert found["far walks"] == pytest.approx(-2 * (29 + 4))
    assert found["bridges"] == pytest.approx(-7 * 2)
    assert found["crossings"] == pytest.approx(-11)  # one walk, however many lines of fire
    assert sum(found.values()) == pytest.approx(140 - 10.5 + 30 - 106 - 66 - 14 - 11)


def test_ease_is_clear_throws_on_level_ground_without_a_carry():
    holes = frame(
        clear_rate=[0.8, 0.8, 0.8, 0.8, np.nan, 1.0],
        rise_m=[0.0, 1.8, -3.6, 0.0, 0.0, 0.0],
        length_m=[60.0] * 6,
        carry_water_m=[0.0, 0.0, 0.0, 0.5, 0.0, 0.0],
    )
    order = (0, 1, 2, 3, 4, 5)
    ways = round_walks(order, [0.0] * 7)
    weights = WeightSettings(ease=100)
    # Level, 3 and 6 percent, over water, unknown, wide open.
    for hole, points in enumerate((80, 40, 20, 0, 0, 100)):
        only = terms((hole,), candidates(holes), round_walks((hole,), [0, 0]), weights=weights)
        assert only["ease"] == pytest.approx(points)
    assert terms(order, candidates(holes), ways, weights=weights)["ease"] == pytest.approx(240)


def test_neighbours_that_are_alike_cost_what_the_weight_says():
    """Hole 1 is as hole 0, hole 2 has trees besides, hole 3 another finish."""
    parts = dict.fromkeys(COLUMNS, 0.0) | {"interest_framed": [0, 0, 0.75, 0, 0, 0]}
    made = candidates(frame(finish=["left", "left", "left", "right", "left", "left"], **parts))
    weights = WeightSettings(sameness=20)

    def lost(order):
        walks = round_walks(order, [0.0] * (len(order) + 1))
        return -terms(order, made, walks, weights=weights)["sameness"]

    assert lost((0, 1)) == pytest.approx(20)
    assert lost((0, 2)) == pytest.approx(20 * 0.25)
    assert lost((0, 3)) == 0
    assert lost((0, 1, 2, 3)) == pytest.approx(25)
    assert lost((0, 3, 1)) == 0  # the same holes apart from one another
    assert lost((1, 0)) == pytest.approx(20)
    # Trees at both ends are no difference, and a round has no neighbour at its ends.
    parts["interest_framed"] = [0.25, 0, 0.75, 0, 0.75, 0]
    made = candidates(frame(**parts))
    assert lost((2, 4)) == pytest.approx(20)
    assert lost((4, 0)) == pytest.approx(20 * 0.5)
    assert lost((5,)) == 0


def test_points_are_whole_tenths_as_the_solver_counts_them():
    made = candidates(frame(score=[0.3337, 0.5, 0.5, 0.5, 0.5, 0.5]))
    found = terms((0,), made, round_walks((0,), [33.33, 0]), weights=WeightSettings(walk=1.0))
    assert found["quality"] == pytest.approx(66.7)
    assert found["walks"] == pytest.approx(-33.3)


@pytest.mark.parametrize(("total", "lost"), [((150, 200), 0), ((200, 300), 20), ((100, 150), 30)])
def test_total_length_too_short_and_too_long(total, lost):
    mix = NO_MIX.model_copy(update={"total": total})
    made = candidates(frame())
    order = (0, 1, 2)  # 180 m
    found = terms(order, made, round_walks(order, [0] * 4), mix=mix,
                  weights=WeightSettings(total=1.0))  # fmt: skip
    assert found["total length"] == pytest.approx(-lost)


def test_the_usual_total_is_so_many_tee_throws_of_the_level():
    mix = NO_MIX.model_copy(update={"total": None, "usual": (0.9, 1.3)})
    problem = problem_of(candidates(frame()), round_walks((0,), [0, 0]), RED, 10,
                         LayoutSettings(mix=mix))  # fmt: skip
    assert problem.total == pytest.approx((9 * RED.tee_throw, 13 * RED.tee_throw))


def test_same_finish_in_a_row():
    mix = NO_MIX.model_copy(update={"same_finish": 2})
    made = candidates(frame(finish=["left", "left", "left", "right", "left", "left"]))
    for order, repeats in (((0, 1, 3, 2), 0), ((0, 1, 2, 3), 1), ((3, 0, 1, 2, 4), 1)):
        found = terms(order, made, round_walks(order, [0] * (len(order) + 1)), mix=mix,
                      weights=WeightSettings(in_a_row=13))  # fmt: skip
        assert found["finishes in a row"] == pytest.approx(-13 * repeats)


def test_the_stop_at_the_arrival_halfway_is_a_walk_of_its_own_and_parts_the_rows():
    made = candidates(frame(finish="left"))
    ways = Ways(
        np.array([ARRIVAL, 0, ARRIVAL, 1]), np.array([0, ARRIVAL, 1, ARRIVAL]),
        np.array([10.0, 20, 30, 40]), np.zeros(4, bool), np.empty((0, 2), np.int64),
        np.full(4, None, object),
    )  # fmt: skip
    mix = NO_MIX.model_copy(update={"same_finish": 1})
    weights = WeightSettings(walk=1.0)
    found = terms((0, 1), made, ways, mix=mix, pass_arrival=True, weights=weights)
    assert found["walks"] == pytest.approx(-100)
    assert found["finishes in a row"] == 0


def test_kinds_of_holes():
    low, high = RED.par3_from, RED.par3_to
    holes = frame(
        length_m=[low, low + 1.01 * THIRD, high - 0.5 * THIRD, high, low + 0.9 * THIRD, 200.0],
        par=[3, 3, 3, 3, 2, 4],
        rise_m=[
            0.0301 * low,
            -0.0301 * (low + 1.01 * THIRD),
            0.0,
            0.0,
            0.0299 * (low + 0.9 * THIRD),
            -5.9,
        ],
        finish=["left", "right", "straight", "straight", "left", "left"],
        lane_kind=["open", "edge", "lane", "tunnel", "open", "lane"],
    )
    kinds = kinds_of(holes, RED, MixSettings(grade=3.0))
    rows = {name: np.flatnonzero(members).tolist() for name, members in kinds.items()}
    assert rows["left"] == [0, 4, 5]
    assert rows["right"] == [1]
    assert rows["straight"] == [2, 3]
    assert rows["short"] == [0, 4]
    assert rows["middle"] == [1]
    assert rows["long"] == [2, 3]
    assert rows["climbs"] == [0]
    assert rows["drops"] == [1]
    assert rows["wooded"] == [2, 3, 5]
    assert rows["open"] == [0, 1, 4]
    assert rows["over_par_3"] == [5]
    limits = kinds_of(frame(rise_m=[1.8, -1.8, 0, 0, 0, 0]), RED, MixSettings(grade=3.0))
    assert np.flatnonzero(limits["climbs"]).tolist() == [0]  # 3 % of 60 m is a climb, or a drop
    assert np.flatnonzero(limits["drops"]).tolist() == [1]


def test_the_mix_counts_holes_short_of_each_wish():
    mix = NO_MIX.model_copy(update={"left": 0.5, "wooded": 0.25, "over_par_3": 0.26})
    weights = WeightSettings(finish=5, length=6, climb=7, lane_kind=8, par=9)
    settings = LayoutSettings(mix=mix, weights=weights)
    wishes = {w.term: w for w in wishes_of(frame(), RED, 4, settings) if w.least}
    assert {term: (w.least, w.weight) for term, w in wishes.items()} == {
        "finishes": (2, 5), "lane kinds": (1, 8), "pars": (1, 9),
    }  # fmt: skip
    every = {w.term: w.weight for w in wishes_of(frame(), RED, 4, settings)}
    assert every == {
        "finishes": 5, "lengths": 6, "climbs and drops": 7, "lane kinds": 8, "pars": 9,
    }  # fmt: skip
    made = candidates(frame(finish=["left", "right", "right", "right", "left", "left"]))
    order = (0, 1, 2, 3)
    found = terms(order, made, round_walks(order, [0] * 5), mix=mix, weights=weights)
    assert found["finishes"] == pytest.approx(-5 * 1)
    assert found["lane kinds"] == pytest.approx(-8 * 1)
    assert found["pars"] == pytest.approx(-9 * 1)


def test_what_the_designer_and_the_budget_ask_for_reaches_the_problem():
    made = candidates(
        frame(), must=np.arange(6) == 2, place=np.where(np.arange(6) == 2, 4, 0),
        trim=np.column_stack([np.arange(6.0), 2.0 * np.arange(6)]),
        conflicts=np.array([[0, 1]]),
    )  # fmt: skip
    settings = LayoutSettings(trim_hours=7.0, pass_arrival=True)
    problem = problem_of(made, round_walks((0,), [0, 0]), RED, 5, settings)
    assert problem.must.tolist() == [False, False, True, False, False, False]
    assert problem.place[2] == 4
    assert problem.budget == 7.0
    assert problem.trim.tolist() == [0, 2, 4, 6, 8, 10]  # the high end of the range
    assert problem.apart.tolist() == [[0, 1]]
    assert problem.halves
    assert problem.wanted == 5
    assert not problem_of(made, round_walks((0,), [0, 0]), RED, 1, settings).halves


def test_each_first_feature_without_a_hole_costs_its_weight():
    """70 on average; of three the first counts thrice the last."""
    uses = np.zeros((6, 3), bool)
    uses[1, 0] = uses[2, 1] = uses[4, 1] = True
    named = FirstFeatures(np.array([1, 2, 3]), ("pond", "tunnel", "drop"), uses.sum(0))
    given = candidates(frame(), first=named, uses=uses)
    settings = LayoutSettings(weights=WeightSettings(feature=70.0))
    for order, lost in (([0, 3], 210), ([1, 0], 105), ([4, 2], 140), ([4, 1], 35)):
        problem = problem_of(given, round_walks(order, np.ones(3)), RED, 2, settings)
        assert value(problem, order)["features"] == pytest.approx(-lost)
