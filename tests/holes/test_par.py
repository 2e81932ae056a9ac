"""Par beyond the published figures: forced lay-ups, foliage, tables that a designer brings."""

from dataclasses import replace
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
    assert par.par_source(replace(BLUE)) in (par.OUR_DEFAULT, "designer's table")


def test_land_holds_more_holes_for_shorter_throws_and_under_trees():
    red = level_named("red")
    assert par.room_for(red, 10, 0.5) > par.room_for(BLUE, 10, 0.5)
    assert par.room_for(BLUE, 10, 1.0) > par.room_for(BLUE, 10, 0.0)
    # 10 ha are 24.7 acres, at 1.5 acres a hole.
    assert par.room_for(BLUE, 10, 0.5) == 16
