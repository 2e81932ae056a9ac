"""Fair and interesting are two things: gates and components on land with known answers.

Two thirds of throws through a gap is published (a senior designer's thirds, course design
discussion of 2006); which component a planted thing belongs to follows from how it was planted.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import leg_worlds
from lanewright.flight.flight import fly_throws
from lanewright.legs import fair
from lanewright.legs.interest import COLUMNS, COMPONENTS, interest
from lanewright.settings.flight import FlightSettings
from lanewright.settings.judge import FairSettings, InterestSettings, JudgeSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import levels_named
from leg_worlds import score_own

THROWS = 512


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue",)), FlightSettings())


def drawn(*corners):
    """Line through corners in metres from the south-west."""
    return shapely.LineString([(leg_worlds.LEFT + x, leg_worlds.BOTTOM + y) for x, y in corners])


def lane(width, roof=None, size=200.0):
    """A lane that runs east through a wood, with room at both ends; canopy over it from `roof`."""
    world = leg_worlds.bare(size)
    x, y = leg_worlds.centres(world)
    free = (np.abs(y - 100) < width / 2) | ((np.minimum(x, size - x) < 45) & (np.abs(y - 100) < 15))
    world = leg_worlds.planted(world, ~free, 0.4)
    if roof is None:
        return world
    return replace(world, canopy_height=np.full(world.grid.shape, roof, np.float32))


def leg(world, flights, line=((60.25, 99.75), (135.25, 99.75)), **judge):
    settings = LegsSettings(throws=THROWS, judge=JudgeSettings(**judge))
    return score_own(world, flights, settings, [("a", drawn(*line))]).legs.iloc[0]


def pond(world, left, right):
    x, _ = leg_worlds.centres(world)
    return replace(world, water=(x > left) & (x < right))


def curved(bend):
    """The land's height changed by `bend(x, y)`, metres from the south-west corner."""
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    return replace(world, ground=(world.ground + bend(x, y)).astype(np.float32))


# ---------------------------------------------------------------------------------------------
# Gates


def hedge(gap):
    """Bare land that a hedge 6 m deep crosses, with one gap of so many metres on the line."""
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    return leg_worlds.planted(world, (np.abs(x - 110) < 3) & (np.abs(y - 99.75) > gap / 2), 2.0)


def test_a_gap_that_most_throws_miss_makes_a_leg_unfair_and_says_where_it_is(flights):
    wide, narrow = (leg(hedge(gap), flights) for gap in (12.0, 1.5))
    assert (wide["fair"], wide["unfair"]) == ("yes", "")
    assert wide["gap_share"] >= 2 / 3 > narrow["gap_share"]
    assert narrow["fair"] == "no"
    assert "gap" in narrow["unfair"].split(", ")
    assert narrow["gap_at_m"] == pytest.approx(50, abs=10)
    assert narrow["score"] == 0 < wide["score"]
    assert 0 < narrow["promise"] < wide["promise"]


def test_gaps_that_are_fair_one_by_one_may_leave_too_few_throws(flights):
    """A lane 1.5 m wide for 75 m: each stretch is passed, the whole by few."""
    got = leg(lane(1.5), flights)
    assert got["clear_rate"] < 1 / 3
    assert "way" in got["unfair"].split(", ")


@pytest.mark.parametrize(
    ("gate", "world"),
    [
        ("landing", lambda: pond(leg_worlds.bare(), 125, 145)),
        ("climb", lambda: leg_worlds.bare(slope=(0.17, 0))),
        ("climb", lambda: leg_worlds.bare(slope=(-0.45, 0))),
        ("slope", lambda: leg_worlds.bare(slope=(0, 0.3))),
        ("wet", lambda: replace(leg_worlds.bare(), wet=np.ones((400, 400), bool))),
        ("carry", lambda: pond(leg_worlds.bare(), 62, 130)),
        ("safety", lambda: replace(leg_worlds.bare(), keep_out=leg_worlds.box(120, 90, 150, 110))),
    ],
)  # fmt: skip
def test_each_gate_closes_on_its_own_land(gate, world, flights):
    got = leg(world(), flights)
    assert gate in got["unfair"].split(", ")
    assert (got["fair"], got["score"]) == ("no", 0)
    assert got["promise"] == 0  # no trimming opens it


def test_each_limit_of_the_gates_decides(flights):
    """The same land, with the limit moved past its figure: the gate opens or closes."""
    free = leg(leg_worlds.bare(), flights, fair={"share": 1.0, "way": 1.0})
    assert free["fair"] == "yes"
    open_, strict = (leg(lane(7.0), flights, fair={"share": s}) for s in (0.3, 0.999))
    assert (open_["fair"], strict["unfair"]) == ("yes", "gap")
    far = leg(lane(7.0), flights, fair={"way": 0.999})
    assert far["unfair"] == "way"
    hill = leg_worlds.bare(slope=(0.1, 0.1))
    assert leg(hill, flights)["fair"] == "yes"
    assert leg(hill, flights, fair={"climb": 5})["unfair"] == "climb"
    assert leg(hill, flights, fair={"side": 5})["unfair"] == "slope"
    down = leg(leg_worlds.bare(slope=(-0.1, 0)), flights, fair={"fall": 5})
    assert down["unfair"] == "climb"
    x, _ = leg_worlds.centres(leg_worlds.bare())
    damp = replace(leg_worlds.bare(), wet=(x > 70) & (x < 80))
    assert leg(damp, flights)["fair"] == "yes"
    assert leg(damp, flights, fair={"wet": 0.05})["unfair"] == "wet"


def test_a_longer_gap_is_passed_by_fewer(flights):
    """In even brush each stretch stops a part of the throws: the longer, the more."""
    world = leg_worlds.planted(
        leg_worlds.bare(), np.ones((400, 400), bool), 0.002, high=16, blocked=False
    )
    shares = [leg(world, flights, fair={"gap": gap})["gap_share"] for gap in (5, 20, 60)]
    assert shares[0] > shares[1] > shares[2]


def narrowest_plainly(at, length, gap):
    """Slow twin of `fair.narrowest` for one leg."""
    best = (1.0, np.nan)
    start = 0.0
    while start < length:
        reach = [s for s in at if np.isnan(s) or s >= start]
        through = [s for s in reach if np.isnan(s) or s >= start + gap]
        if len(reach) >= min(fair.FEW, len(at)) and len(through) / len(reach) < best[0]:
            best = len(through) / len(reach), min(start + gap / 2, length)
        start += fair.STEP
    return best


@given(st.lists(st.one_of(st.floats(0, 80), st.just(np.nan)), min_size=1, max_size=80),
       st.floats(20, 80), st.floats(3, 30))  # fmt: skip
def test_the_narrowest_gap_equals_its_slow_twin(at, length, gap):
    share, middle = fair.narrowest(np.array([at]), np.array([length]), gap)
    assert (share[0], middle[0]) == pytest.approx(
        narrowest_plainly(at, length, gap), nan_ok=True
    )  # fmt: skip


def test_no_leg_has_no_gap():
    share, middle = fair.narrowest(np.empty((0, 64)), np.empty(0), 10.0)
    assert share.size == middle.size == fair.in_words(np.empty((0, 8), bool)).size == 0
    assert fair.in_words(np.empty((0, 8), bool)).dtype == object
    assert fair.from_words([]).shape == (0, len(fair.GATES))
    assert fair.from_words([]).dtype == bool


def test_what_stops_throws_beyond_the_end_is_no_gap_of_the_leg():
    """Two legs at once: the shorter is 10 m long, and all its throws are stopped at 12 m."""
    share, middle = fair.narrowest(
        np.repeat([[12.0], [np.nan]], 20, 1), np.array([10.0, 40.0]), 5.0
    )
    assert share.tolist() == [1, 1]
    assert np.isnan(middle).all()


def test_gates_that_nobody_wrote_are_none():
    """A cell that a table left empty comes back as None or NaN."""
    assert fair.from_words([None, np.nan, "way"]).sum(1).tolist() == [0, 0, 1]


@given(st.lists(st.sets(st.sampled_from(fair.GATES)), max_size=5))
def test_gates_in_words_are_read_back(said):
    shut = np.array([[g in each for g in fair.GATES] for each in said], bool)
    shut = shut.reshape(len(said), len(fair.GATES))
    np.testing.assert_array_equal(fair.from_words(fair.in_words(shut)), shut)


FIGURES = {
    "gap_share": 1, "clear_rate": 1, "rests_well_share": 1, "grade_pct": 0, "side_slope_pct": -1,
    "wet_share": -1, "carry_water_m": -1, "unsafe_share": -1,
}  # fmt: skip


@given(st.sampled_from(list(FIGURES)), st.floats(0, 1), st.floats(0, 1))
def test_no_gate_closes_by_getting_better_and_the_unknown_closes_none(name, a, b):
    leg = {key: np.full(2, 0.0 if sign < 1 else 1.0) for key, sign in FIGURES.items()}
    worse, better = sorted((a, b), reverse=FIGURES[name] < 1)
    scale = 100 if name.endswith(("pct", "_m")) else 1
    leg[name] = scale * np.array([worse, better])
    shut = fair.closed(leg, FairSettings(), 60.0, 0.05)
    assert not (shut[1] & ~shut[0]).any()
    leg[name] = np.full(2, np.nan)
    assert not fair.closed(leg, FairSettings(), 60.0, 0.05).any()


# ---------------------------------------------------------------------------------------------
# Interest


def test_a_wooded_leg_of_fair_width_outranks_a_bare_one_of_the_same_length(flights):
    bare, wooded = leg(leg_worlds.bare(), flights), leg(lane(9.0), flights)
    assert bare["length_m"] == wooded["length_m"]
    assert bare["clear_rate"] > wooded["clear_rate"] >= 2 / 3
    assert wooded["score"] > 1.2 * bare["score"]
    level = leg(lane(9.0), flights, interest=dict.fromkeys(COMPONENTS, 0.0))
    assert level["score"] <= leg(leg_worlds.bare(), flights)["score"]


WORLDS = {
    "framed": lambda: lane(9.0),
    "tunnel": lambda: lane(9.0, roof=14.0),
    "carry": lambda: pond(leg_worlds.bare(), 80, 105),
    "drop": lambda: leg_worlds.bare(slope=(-0.08, 0)),
    "green": lambda: curved(lambda x, _: np.where(x > 142, -4.0, 0.0)),
    "risk": lambda: pond(leg_worlds.bare(), 144, 160),
    "view": lambda: curved(lambda x, _: np.where(x < 64, 5.0, np.where(x > 120, 5.0, 0.0))),
}


@pytest.mark.parametrize("name", WORLDS)
def test_each_thing_is_seen_where_it_was_planted_and_can_be_switched_off(name, flights):
    world = WORLDS[name]()
    got, without = leg(world, flights), leg(world, flights, interest={name: 0.0})
    bare = leg(leg_worlds.bare(), flights)
    assert got["fair"] == "yes"
    assert got[f"interest_{name}"] > 0.3
    assert bare[f"interest_{name}"] == 0
    assert got["score"] > without["score"]
    assert got["interest"] > without["interest"]
    assert got[f"interest_{name}"] == without[f"interest_{name}"]  # the figure itself stays


def test_a_curve_counts_where_a_wood_bars_the_straight_way(flights):
    """A block of wood on the straight, free ground to both sides; then the same without it."""
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    block = (np.abs(x - 97) < 12) & (np.abs(y - 100) < 1.5)
    wood = leg_worlds.planted(world, block, 2.0)
    with_it, bare = leg(wood, flights), leg(world, flights)
    assert with_it["finish"] != "straight"
    assert with_it["interest_shaped"] > 0.3
    assert bare["interest_shaped"] == 0
    off = leg(wood, flights, interest={"shaped": 0.0})
    assert off["interest"] < with_it["interest"]


def test_a_plain_leg_is_worth_what_the_setting_says(flights):
    for plain in (0.0, 0.25, 0.6):
        got = leg(leg_worlds.bare(), flights, interest={"plain": plain})
        assert got["interest"] == pytest.approx(plain)


def test_a_clear_rate_above_what_is_fair_earns_nothing_more(flights):
    """Two lanes, one 9 m wide and one 15 m: both fair, clearance the same."""
    narrow, wide = leg(lane(9.0), flights), leg(lane(15.0), flights)
    assert wide["clear_rate"] > narrow["clear_rate"] + 0.02
    assert wide["clear_rate_low"] > narrow["clear_rate_low"] >= 2 / 3
    assert wide["score_clearance"] == narrow["score_clearance"] == 1


share = st.floats(0, 1)


@given(st.lists(share, min_size=8, max_size=8), st.integers(0, 7), share,
       st.lists(share, min_size=9, max_size=9))  # fmt: skip
def test_interest_rises_with_every_thing_and_stays_within_0_and_1(parts, which, other, weights):
    settings = InterestSettings(**dict(zip(("plain", *COMPONENTS), weights, strict=True)))
    frame = {name: np.array([value, value]) for name, value in zip(COLUMNS, parts, strict=True)}
    frame[COLUMNS[which]] = np.sort([parts[which], other])
    low, high = interest(frame, settings)
    assert 0 <= low <= high <= 1
    assert low >= settings.plain - 1e-12
    frame[COLUMNS[which]] = np.full(2, np.nan)
    off = settings.model_copy(update={COMPONENTS[which]: 0.0})
    assert interest(frame, settings)[0] == pytest.approx(interest(frame, off)[0])


def test_as_much_as_a_limit_allows_is_fair():
    """Each figure at its limit is fair, and the next larger (or smaller share) is not."""
    limits = FairSettings(share=0.5, way=0.25, climb=10, fall=20, side=15, wet=0.125)
    at = {
        "gap_share": 0.5, "clear_rate": 0.25, "rests_well_share": 0.5, "grade_pct": 10.0,
        "side_slope_pct": 15.0, "wet_share": 0.125, "carry_water_m": 40.0, "unsafe_share": 0.0625,
    }  # fmt: skip
    over = {name: np.nextafter(v, 0 if name.endswith(("gap_share", "rate", "well_share")) else 99)
            for name, v in at.items()}  # fmt: skip
    gates = dict(zip(at, ("gap", "way", "landing", "climb", "slope", "wet", "carry", "safety"),
                     strict=True))  # fmt: skip

    def shut(figures: dict[str, float]) -> list[str]:
        columns = {name: np.array([value]) for name, value in figures.items()}
        return fair.in_words(fair.closed(columns, limits, 40.0, 0.0625))[0].split(", ")

    assert shut(at) == [""]
    assert shut(at | {"grade_pct": -20.0}) == [""]
    assert shut(at | {"grade_pct": np.nextafter(-20.0, -99)}) == ["climb"]
    for name, gate in gates.items():
        assert shut(at | {name: over[name]}) == [gate]
