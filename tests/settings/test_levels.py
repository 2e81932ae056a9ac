"""Levels against the published rating bounds and what follows from their own figures."""

from itertools import pairwise
from pathlib import Path

import pytest

from lanewright.base.errors import InputError
from lanewright.base.units import FOOT
from lanewright.settings.config import load
from lanewright.settings.levels import all_levels, level_for_rating, level_named, levels_named


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
        for closer in ("lateral_sd_deg", "height_sd_deg", "speed_sd", "hyzer_sd_deg"):
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


OURS = Path(__file__).parents[2] / "configs" / "levels.csv"


def test_the_table_to_copy_is_the_one_in_use():
    assert all_levels(OURS) == all_levels()


def written(folder, change):
    """Our table with its text changed."""
    path = folder / "mine.csv"
    path.write_text(change(OURS.read_text(encoding="utf-8")), encoding="utf-8")
    return path


def test_a_table_of_ones_own_stands_in(tmp_path):
    path = written(tmp_path, lambda t: t.replace("blue,925,101,", "blue,925,93.5,"))
    assert level_named("Blue", path).tee_throw == 93.5
    assert level_named("blue").tee_throw == 101
    assert [level.name for level in levels_named(("red", "blue"), path)] == ["blue", "red"]


def test_bounds_of_par_may_come_from_a_governing_body(tmp_path):
    path = written(tmp_path, lambda t: t.replace("0.04,0.6,,,,", "0.04,0.6,140,220,300,"))
    assert level_named("blue", path).par_bounds == (140, 220, 300)
    assert level_named("red", path).par_bounds is None


@pytest.mark.parametrize(
    ("change", "faults"),
    [
        (lambda t: "", ["no level"]),
        (lambda t: t.replace("carry_m,", "carry,"), ["carry_m is missing", "carry is unknown"]),
        (lambda t: t.replace(",26.5,", ",quick,"), ["line 2 (gold)", "'quick'", "8 to 42"]),
        (
            lambda t: t.replace(",24.0,2.5,", ",240,-1,"),
            ["speed_mps is '240', not from 8 to 42", "lateral_sd_deg is '-1', not from 0 to 20"],
        ),
        (lambda t: t.replace("red,825", "red,"), ["red: only the last", "rating_from"]),
        (lambda t: t.replace("white,875", "white,930"), ["white: rating_from is not under"]),
        (lambda t: t.replace("white", "blue"), ["blue stands twice"]),
        (lambda t: t.replace(",46,78,", ",78,46,"), ["par3_from_m is not under par3_to_m"]),
        (lambda t: t.replace("0.04,0.6,,,,", "0.04,0.6,,220,,"), ["left out in between"]),
        (lambda t: t.replace("0.04,0.6,,,,", "0.04,0.6,220,140,,"), ["do not rise"]),
        (lambda t: t.replace("0.08,2.0,,,,", "0.08,2.0,,,,,7"), ["more cells than columns"]),
    ],
)
def test_every_fault_of_a_table_is_named(tmp_path, change, faults):
    path = written(tmp_path, change)
    with pytest.raises(InputError) as caught:
        all_levels(path)
    assert caught.value.where == str(path)
    for fault in faults:
        assert fault in caught.value.problem


def test_a_table_that_is_not_there_or_no_text(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        all_levels(tmp_path / "none.csv")
    (tmp_path / "photo.csv").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(InputError, match="cannot be read"):
        all_levels(tmp_path / "photo.csv")


def test_a_run_finds_the_table_beside_its_configuration(tmp_path):
    written(tmp_path, lambda t: t.replace("blue,925,101,", "blue,925,93.5,"))
    run = tmp_path / "run.yaml"
    run.write_text("{name: x, points: [a.laz], out: out, flight: {levels_file: mine.csv}}")
    config = load(run)
    assert config.flight.levels_file == tmp_path / "mine.csv"
    (blue, _) = levels_named(config.levels, config.flight.levels_file)
    assert blue.tee_throw == 93.5
