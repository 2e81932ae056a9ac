"""Lengths, pars and widths against figures that others published, or that follow from them.

PDGA: Course Design Player Skill Level Guidelines (2018), Par Guidelines (2021), Course Design
Elements, Course Design Standards of 1992. Essay: a course designer's essay on close range par.
Thirds: guidelines that a senior designer posted to the PDGA's discussion board in 2006. Sweden: the
national portal's page on laying out courses. New Zealand: the national federation's ideal setting.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lanewright.base.units import FOOT
from lanewright.holes import par
from lanewright.legs.scores import effective_length
from lanewright.settings.levels import all_levels, level_for_rating, level_named


@pytest.mark.parametrize(
    ("length", "rise", "effective"),
    [(400 * FOOT, 20 * FOOT, 460 * FOOT), (400 * FOOT, -20 * FOOT, 340 * FOOT), (120, 6, 138)],
    ids=["400 ft up 20", "400 ft down 20", "120 m up 6"],
)
def test_a_metre_of_climb_counts_for_three_of_length(length, rise, effective):
    """Long-standing rule in the PDGA's course material, as restated with a par table."""
    assert effective_length(np.array(length), np.array(rise)) == pytest.approx(effective)


def test_a_big_drop_leaves_half_the_length():
    """Ours: 200 ft that fall 60 ft play as 100 ft, not as 20."""
    played = effective_length(np.array(200 * FOOT), np.array(-60 * FOOT))
    assert played == pytest.approx(100 * FOOT)


@pytest.mark.parametrize(
    ("rating", "level"),
    [
        (970, "gold"), (969, "blue"), (925, "blue"), (924, "white"), (875, "white"), (874, "red"),
        (825, "red"), (824, "green"),
    ],
)  # fmt: skip
def test_ratings_part_the_levels(rating, level):
    """PDGA, Skill Level Guidelines."""
    assert level_for_rating(rating).name == level


@pytest.mark.parametrize(("level", "par_"), [("gold", 3), ("green", 5)])
def test_490_ft_is_a_par_3_for_the_best_and_a_par_5_for_beginners(level, par_):
    """Essay, page on key issues."""
    assert par.par_of(level_named(level), 490 * FOOT) == par_


@pytest.mark.parametrize(
    ("level", "feet", "par_"),
    [("white", 380, 3), ("white", 381, 4), ("red", 504, 4), ("red", 505, 5)],
)
def test_bounds_of_par_follow_from_our_throws(level, feet, par_):
    """Ours: a tee throw of 280 ft and 100 ft of close range end White's par 3 at 380 ft."""
    assert par.par_of(level_named(level), feet * FOOT) == par_


UPPER_FEET = {
    "gold": (500, 804, 1108, 1412),
    "blue": (440, 704, 968, 1232),
    "white": (380, 604, 828, 1052),
    "red": (320, 504, 688, 872),
    "green": (260, 404, 548, 692),
}


@pytest.mark.parametrize("level", all_levels(), ids=lambda level: level.name)
def test_upper_bounds_of_par_3_to_6(level):
    """Worked out by hand from our throws: D + C, then 0.8 D for each par more."""
    for par_, feet in enumerate(UPPER_FEET[level.name], start=3):
        assert par.par_of(level, feet * FOOT) == par_
        assert par.par_of(level, (feet + 1) * FOOT) == par_ + 1


@given(st.floats(1, 900), st.floats(0, 300), st.sampled_from(all_levels()))
def test_par_never_falls_as_a_hole_grows(length, more, level):
    assert par.par_of(level, length) <= par.par_of(level, length + more)


@given(st.floats(1, 900))
def test_par_never_falls_from_the_best_level_down(length):
    """PDGA: lower levels have longer pars."""
    pars = [par.par_of(level, length) for level in all_levels()]
    assert pars == sorted(pars)


def test_a_fairway_throw_is_four_fifths_of_a_tee_throw():
    """Essay: 80 %; 300 ft from the tee are 240 ft from the fairway."""
    level = level_named("blue")
    assert level.fairway_throw / level.tee_throw * 300 == pytest.approx(240)


def test_width_that_two_thirds_of_throws_pass():
    """Thirds, for a normal spread: 10 ft of spread ask for a gap of 19.35 ft."""
    assert par.fair_width(10.0) == pytest.approx(19.35, abs=0.05)
    throws = np.random.default_rng(1).normal(0, 10, 400_000)
    assert (np.abs(throws) < par.fair_width(10.0) / 2).mean() == pytest.approx(2 / 3, abs=0.003)


@pytest.mark.parametrize(
    ("level", "feet", "width"),
    [("gold", 300, 6.2), ("blue", 260, 6.7), ("white", 220, 7.9), ("red", 180, 8.3),
     ("green", 140, 8.7)],
)  # fmt: skip
def test_gaps_of_our_levels_lie_within_wooded_fairways(level, feet, width):
    """Our spreads, chosen so that two thirds pass gaps of the PDGA's 4.6 to 12.2 m."""
    level = level_named(level)
    ours = par.fair_width(level.sideways(feet * FOOT))
    assert ours == pytest.approx(width, abs=0.1)
    assert 15 * FOOT < ours < 40 * FOOT  # PDGA, Course Design Elements


def test_walks_of_more_than_a_quarter_of_the_holes_are_long():
    """Ours, common practice."""
    assert par.long_walks(0.26 * 1500, 1500)
    assert not par.long_walks(0.25 * 1500, 1500)
