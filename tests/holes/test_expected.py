"""Expected scores: by hand, against a game thrown plainly, and against what close range means."""

from dataclasses import replace

import numpy as np
import pytest

from holes.played_plainly import round_of
from lanewright.holes.expected import MOST, STEP, Flown, finishing_of, score_of
from lanewright.settings.levels import all_levels, level_named

WHITE = level_named("white")
DEAD = Flown(60.0, 1.0, 20.0, long=0.0, wide=0.0, past=0.0)  # always rests under the basket
TRUE = Flown(
    70.0, 0.7, 30.0, wet=0.06, lost=0.1, long=17.0, wide=9.0, turn=25.0, past=3.0
)  # as the demo's legs are


@pytest.mark.parametrize("level", all_levels(), ids=lambda level: level.name)
def test_close_range_is_where_two_throws_do_nine_times_in_ten(level):
    """As a course designer's essay on close range par has it."""
    finish = finishing_of(level, level.close_range)
    within_two = finish[round(level.close_range / STEP), :3].sum()
    assert within_two == pytest.approx(0.9, abs=0.005)


def test_what_can_be_counted_by_hand():
    assert score_of([DEAD], WHITE).chances[2] == pytest.approx(1)
    # Each throw into water costs two, with chance w each time: 2 w / (1 - w) on average.
    assert score_of([replace(DEAD, wet=0.2)], WHITE).mean == pytest.approx(2 + 2 * 0.2 / 0.8)
    assert score_of([replace(DEAD, lost=0.3)], WHITE).mean == pytest.approx(2.3)
    assert score_of([replace(DEAD, throws=2)], WHITE).mean == pytest.approx(3)
    # A first throw that drops 40 m short of the landing zone costs one, 100 m short two: a fairway
    # throw of white is 68 m.
    for length, more in ((60.0, 1), (120.0, 2)):
        first = replace(DEAD, length=length, clear=0.75)
        score = score_of([first, DEAD], WHITE)
        assert score.mean == pytest.approx(3 + 0.25 * more)
        assert score.sd == pytest.approx(more * np.sqrt(0.25 * 0.75))
        assert score.likeliest == 3


@pytest.mark.parametrize("throws", [[TRUE], [replace(TRUE, length=95.0, throws=2), TRUE]])
def test_as_a_game_thrown_plainly(throws):
    rng = np.random.default_rng(3)
    counts = np.array([round_of(throws, WHITE, rng) for _ in range(20_000)])
    score = score_of(throws, WHITE)
    # Four standard errors, and the width of eight rings instead of a smooth spread.
    assert score.mean == pytest.approx(counts.mean(), abs=4 * counts.std() / 141 + 0.015)
    assert score.sd == pytest.approx(counts.std(), abs=0.04)
    assert score.chances.sum() == pytest.approx(1)


def test_nothing_that_makes_a_hole_harder_lowers_the_score():
    """Not only the mean: no count of throws or fewer becomes more likely."""
    rng = np.random.default_rng(11)
    for _ in range(40):
        level = all_levels()[rng.integers(5)]
        throws = [
            Flown(
                length=rng.uniform(15, 130), clear=rng.random(), drops_at=rng.uniform(0, 15),
                wet=rng.uniform(0, 0.4), lost=rng.uniform(0, 0.4), long=rng.uniform(0, 40),
                wide=rng.uniform(0, 20), turn=rng.uniform(-180, 180), past=rng.uniform(-9, 9),
            )
            for _ in range(rng.integers(1, 4))
        ]  # fmt: skip
        easier = np.cumsum(score_of(throws, level).chances)
        which = rng.integers(len(throws))
        one = throws[which]
        for harder in (
            replace(one, clear=one.clear * rng.random()),
            replace(one, wet=one.wet + 0.1),
            replace(one, lost=one.lost + 0.1),
            replace(one, drops_at=one.drops_at * rng.random()),
            replace(one, throws=2),
        ):
            changed = [*throws[:which], harder, *throws[which + 1 :]]
            assert (np.cumsum(score_of(changed, level).chances) <= easier + 1e-12).all()


def test_longer_approaches_take_more_throws_and_lower_levels_too():
    for one, other in zip(all_levels()[:-1], all_levels()[1:], strict=True):
        better, worse = (np.cumsum(finishing_of(who, 200.0), axis=1) for who in (one, other))
        assert (np.diff(better, axis=0) <= 1e-12).all()
        assert (worse @ np.ones(MOST) <= better @ np.ones(MOST) + 1e-9).all()
