"""Par beyond the published figures: forced lay-ups, foliage, tables that a designer brings."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lanewright.holes import par
from lanewright.settings.levels import all_levels, level_named

BLUE = level_named("blue")  # 101 m from the tee, 80.6 m from the fairway, finishes from 34 m


def test_close_holes_are_par_3_or_what_the_setting_allows():
    assert par.par_of(BLUE, 20.0) == 3
    # One throw from the tee and two to finish: no formula gives less than 3.
    assert par.par_of(BLUE, 20.0, min_par=2) == 3


def test_trees_shorten_throws_and_so_raise_par():
    length = 130.0
    open_, average, tight = (par.par_of(BLUE, length, f) for f in (1.1, 1.0, 0.75))
    assert open_ <= average < tight


@pytest.mark.parametrize(
    ("legs", "forced", "expected"),
    [
        # 60 m and round a corner: one throw there, one more from 60 m, which is beyond close range.
        ([60, 60], [True], 4),
        # The same ground without the corner is 120 m, within 101 + 34.
        ([60, 60], [False], 3),
        # The basket lies within close range of the landing zone.
        ([60, 30], [True], 3),
        # 130 m to a forced landing take two throws, however the rest is played.
        ([130, 30], [True], 4),
        # Two forced landings, then 60 m.
        ([60, 60, 60], [True, True], 5),
    ],
)
def test_a_forced_lay_up_counts_as_a_throw(legs, forced, expected):
    assert par.par_through(BLUE, legs, forced) == expected


FEET = 0.3048


@pytest.mark.parametrize(
    ("feet", "forced", "throws"),
    [
        # From the tee 330 ft are one throw, and a foot more is two.
        ([330, 60], [True], 1), ([331, 60], [True], 2),
        # From a landing zone 264 ft are one throw; home from 110 ft.
        ([200, 264 + 110], [True], 2), ([200, 264 + 111], [True], 3),
        # Within close range of the landing zone nothing more counts.
        ([200, 110], [True], 1), ([200, 111], [True], 2),
        # What lies before a forced landing is one stretch, however many throws are planned.
        ([150, 180, 60], [False, True], 1), ([150, 181, 60], [False, True], 2),
        ([100, 132, 132, 60], [True, False, True], 2),
        ([100, 132, 133, 60], [True, False, True], 3),
    ],
)  # fmt: skip
def test_each_stretch_to_a_forced_landing_takes_throws_of_its_own(feet, forced, throws):
    legs = [length * FEET for length in feet]
    # On a hole so short that its length alone makes it a par 3.
    assert par.par_through(BLUE, legs, forced, effective=100.0) == throws + 2


def test_trees_shorten_throws_to_forced_landings_and_of_the_whole_hole():
    """In half: 165 ft from the tee."""
    for feet, throws in ((165, 1), (166, 2)):
        got = par.par_through(BLUE, [feet * FEET, 60 * FEET], [True], 0.5, effective=30.0)
        assert got == throws + 2
    assert par.par_through(BLUE, [275 * FEET], [], 0.5) == 3
    assert par.par_through(BLUE, [276 * FEET], [], 0.5) == 4


def test_the_length_told_counts_before_that_of_the_throws():
    assert par.par_through(BLUE, [60.0], [], effective=705 * FEET) == 5
    assert par.par_through(BLUE, [60.0], [], min_par=4) == 4


@given(st.lists(st.floats(20, 150), min_size=1, max_size=3), st.sampled_from(all_levels()))
def test_without_force_only_the_whole_length_counts(legs, level):
    by_legs = par.par_through(level, legs, [False] * (len(legs) - 1))
    assert by_legs == par.par_of(level, sum(legs))


@given(
    st.lists(st.floats(20, 150), min_size=2, max_size=3), st.sampled_from(all_levels()),
    st.booleans(), st.booleans(),
)  # fmt: skip
def test_force_never_lowers_par(legs, level, first, second):
    forced = [first, second][: len(legs) - 1]
    assert par.par_through(level, legs, forced) >= par.par_of(level, sum(legs))


def test_a_designers_table_decides_where_there_is_one():
    given_ = SimpleNamespace(
        **{f: getattr(BLUE, f) for f in ("name", "tee_throw", "close_range", "fairway_throw")},
        par_bounds=(100.0, 200.0, 300.0),
    )
    assert [par.par_of(given_, e) for e in (100.0, 100.5, 200.0, 299.0, 301.0)] == [3, 4, 4, 5, 6]
    assert par.par_through(given_, [60, 30], [True]) == 3
    assert par.par_source(given_) == "designer's table"
    assert par.par_source(BLUE) == par.OUR_DEFAULT
    # 120 m with a landing that must be used, and no par below the setting.
    assert par.par_through(given_, [40, 40], [True], min_par=2) == 3
    assert par.par_through(given_, [45, 45], [True]) == 3  # beyond close range: else a par 4
    assert par.par_through(given_, [20, 20], [True], min_par=4) == 4


def test_land_holds_more_holes_for_shorter_throws_and_under_trees():
    red = level_named("red")
    assert par.room_for(red, 10, 0.5) > par.room_for(BLUE, 10, 0.5)
    assert par.room_for(BLUE, 10, 1.0) > par.room_for(BLUE, 10, 0.0)
    # 10 ha are 24.7 acres, at 1.5 acres a hole.
    assert par.room_for(BLUE, 10, 0.5) == 16
    # 2 acres in the open, 1.1 in the woods, and 1.3 between them.
    assert [par.room_for(BLUE, 10, wooded) for wooded in (0.0, 0.75, 1.0)] == [12, 19, 22]


def test_a_level_of_a_name_of_its_own_has_the_room_of_white():
    """At 1.1 acres a hole between open ground and woods."""
    assert par.room_for(SimpleNamespace(name="juniors"), 10, 0.5) == 22


@pytest.mark.parametrize(
    ("kind", "pinch", "factor"),
    [
        ("open", 30.0, 1.1), ("open", 2.0, 1.1), ("edge", 2.0, 1.0), ("lane", 4.6, 0.85),
        ("lane", 4.59, 0.75), ("tunnel", 4.6, 0.85), ("tunnel", 4.59, 0.75),
    ],
)  # fmt: skip
def test_throws_are_shorter_in_lanes_and_shortest_where_they_are_very_tight(kind, pinch, factor):
    """Very tight is narrower than 15 ft, 4.6 m (PDGA, Course Design Elements); factors ours."""
    assert par.foliage_of(kind, pinch) == factor


def test_whole_metres_stand_for_tens_of_feet_and_others_for_themselves():
    for metres, feet in ((70.0, 230), (101.0, 330), (34.0, 110)):
        assert par.trade_figure(metres) == pytest.approx(feet * 0.3048)
    for metres in (71.5, 69.0, 35.0):  # more than half a metre from any ten feet
        assert par.trade_figure(metres) == metres


def test_how_far_throws_reach():
    """330 ft from the tee, 264 ft more with each throw, and home from 110 ft."""
    feet = [par.reach(BLUE, throws) / 0.3048 for throws in (1, 2, 3)]
    assert feet == pytest.approx([440, 704, 968])
    assert par.reach(BLUE, 2, 0.5) / 0.3048 == pytest.approx(165 + 132 + 110)
