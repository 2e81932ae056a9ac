"""Levels against the published rating bounds and what follows from their own figures."""

from itertools import pairwise

import pytest

from lanewright.errors import InputError
from lanewright.levels import all_levels, level_for_rating, level_named, levels_named

FOOT = 0.3048


@pytest.mark.parametrize(
    ("rating", "name"),
    [
        (1040, "gold"),
        (970, "gold"),
        (969, "blue"),
        (925, "blue"),
        (924, "white"),
        (875, "white"),
        (874, "red"),
        (825, "red"),
        (824, "green"),
        (0, "green"),
    ],
)
def test_bounds_of_the_pdga_skill_level_guidelines_2018(rating, name):
    assert level_for_rating(rating).name == name


def test_better_levels_throw_farther_and_straighter():
    levels = all_levels()
    for better, next_one in pairwise(levels):
        for longer in ("tee_throw", "close_range", "par3_from", "par3_to", "carry", "speed"):
            assert getattr(better, longer) > getattr(next_one, longer)
        for closer in ("lateral_sd_deg", "height_sd_deg", "speed_sd"):
            assert getattr(better, closer) < getattr(next_one, closer)


def test_fairway_throw_is_four_fifths_of_the_tee_throw():
    assert level_named("green").fairway_throw == pytest.approx(44.0)


@pytest.mark.parametrize(
    ("name", "distance_ft"),
    [("gold", 300), ("blue", 260), ("white", 220), ("red", 180), ("green", 140)],
)
def test_gap_for_two_thirds_of_the_throws_lies_in_the_pdga_range_for_wooded_fairways(
    name, distance_ft
):
    """PDGA Course Design Elements: 15 to 40 ft wide; two thirds of a normal spread: 1.935 sd."""
    from math import radians, tan

    level = level_named(name)
    spread_ft = tan(radians(level.lateral_sd_deg)) * distance_ft
    assert 15 <= 1.935 * spread_ft <= 40


def test_speed_follows_the_radar_figures():
    """50, 60 and 70 mph go with 300, 390 and 510 ft."""
    from numpy import interp

    for level in all_levels():
        if level.tee_throw >= 300 * FOOT:
            mph = level.speed / 0.44704
            assert level.tee_throw == pytest.approx(
                FOOT * interp(mph, [50, 60, 70], [300, 390, 510]), rel=0.05
            )


def test_names_are_found_in_any_case_and_order_once():
    assert [level.name for level in levels_named(("red", "BLUE", "red"))] == ["blue", "red"]
    with pytest.raises(InputError, match="gold, blue, white, red, green"):
        level_named("mauve")
