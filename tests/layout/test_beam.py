"""Rounds strung hole by hole against every string there is, counted out one by one."""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from lanewright.base.bits import bits_of, flags_of
from lanewright.kernels.beam import first_sets
from lanewright.kernels.rounds import _at_most, _gained, worth
from lanewright.layout.beam import Stretch, _kept, guide_of, strings_of
from lanewright.layout.firstround import first_round, stretches_anew, terms_of, walks_of
from lanewright.legs.cover import first_of_each
from lanewright.settings.layout import AnnealSettings, BeamSettings, SolverSettings, WindowSettings
from round_worlds import problem

WIDE = BeamSettings(width=100_000, each=100_000, near=50)


def guided(given, settings=WIDE, differ=()):
    """Terms and guide of a small problem in which every hole may come after every other."""
    terms = terms_of(given, walks_of(given), differ)
    size = given.size
    near = np.tile(np.arange(size), (size + 1, 1))
    return terms, guide_of(terms, given.must, near, settings.room[0], settings)


def whole(given) -> Stretch:
    return Stretch(given.size, given.size, 0, given.wanted, given.wanted, np.empty(0, np.int64))


def plain_score(order, terms, guide, apart) -> float:
    """The same in plain Python: points less walks, out and home, less the land that is barred."""
    n = len(guide.points)
    score, barred = 0.0, set()
    for before, hole in zip([n, *order[:-1]], order, strict=True):
        bars = {hole, *np.flatnonzero(apart[hole])}
        score += guide.points[hole] - terms.cost[before, hole]
        score -= sum(guide.room[h] for h in bars - barred)
        barred |= bars
    return score - terms.cost[order[-1], n]


@pytest.mark.parametrize("seed", range(6))
def test_with_room_for_all_strings_the_best_comes_first(seed):
    given = problem(seed, size=7, wanted=4)
    terms, guide = guided(given)
    every = {
        order: plain_score(order, terms, guide, terms.apart)
        for order in permutations(range(7), 4)
        if not terms.apart[np.ix_(order, order)].any()
    }
    best = max(every.values())
    found = strings_of(terms, guide, whole(given), WIDE)
    if not np.isfinite(best):
        assert found.shape[1] < 4
        return
    assert plain_score(tuple(found[0]), terms, guide, terms.apart) == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_every_string_keeps_the_rules(seed):
    must, place = np.zeros(9, bool), np.zeros(9, np.int64)
    must[[2, 5]], place[5] = True, 2
    given = problem(seed, size=9, wanted=4, must=must, place=place, budget=14.0)
    terms, guide = guided(given, differ=[((0, 1, 2), 1)])
    rounds = {order for order in permutations(range(9), 4) if fits(order, terms, must)}
    found = strings_of(terms, guide, whole(given), WIDE)
    assert (found.shape[1] == 4) == bool(rounds)
    assert not rounds or {tuple(order) for order in found.tolist()} <= rounds


def fits(order, terms, must) -> bool:
    """Whether a round keeps every rule; holes that must be there may clash with one another."""
    some = np.array(order)
    clash = terms.apart[np.ix_(some, some)]
    clash = clash[~must[some]] if must.any() else clash
    return (
        set(np.flatnonzero(must)) <= set(order) and worth(some, terms)[1] == 0 and not clash.any()
    )


def crowded() -> np.ndarray:
    """Which holes bar each other: hole 0 bars 2 to 9, hole 1 none."""
    return np.array([(0, h) for h in range(2, 10)])


@pytest.mark.parametrize(("room", "holes"), [(0.0, 1), (5000.0, 4)])
def test_land_used_up_counts(room, holes):
    """A narrow search takes the nearest hole first; that one fills the land unless land counts."""
    given = problem(3, size=10, wanted=4, apart=crowded(), fire=np.empty((0, 2), np.int64))
    gains = {"quality": np.r_[500.0, 1.0, np.full(8, 60.0)], "trimming": np.zeros(10)}
    settings = BeamSettings(width=10, each=10, near=50, room=(room,), length=0)
    terms, guide = guided(replace(given, gains=gains), settings)
    cost = np.ones_like(terms.cost)
    cost[0, 1] = np.inf  # from the hole that fills the land there is nowhere to go
    cost[1:-1, 0] = np.inf
    cost[-1, 1:] = 100.0
    terms = terms._replace(cost=cost)
    narrow = settings.model_copy(update={"width": 1})
    assert strings_of(terms, guide, whole(given), narrow).shape[1] == holes


def easy(**changes):
    """Six holes that keep apart, a metre of walk between any two, out and home."""
    flat = problem(1, size=6, wanted=2, apart=np.empty((0, 2), np.int64), **changes)
    gains = {"quality": np.zeros(6), "trimming": np.zeros(6)}
    terms, guide = guided(replace(flat, gains=gains), BeamSettings(room=(0.0,), length=0))
    return flat, terms._replace(cost=np.ones_like(terms.cost)), guide


@pytest.mark.parametrize("half", [0, 2])
def test_what_other_holes_gain_is_the_difference_of_both_rounds(half):
    given = problem(2, size=9, wanted=4)
    terms = terms_of(given, walks_of(given), [])._replace(half=half)
    rng = np.random.default_rng(3)
    for _ in range(200):
        order, size = rng.permutation(9)[:4], int(rng.integers(1, 4))
        i = int(rng.integers(0, 4 - size + 1))
        tried = order.copy()
        tried[i : i + size] = rng.permutation(np.setdiff1d(np.arange(9), order))[:size]
        before, after = (_at_most(each, terms, 600.0) for each in (order, tried))
        gained = _gained(tried, order, i, size, terms, 600.0)
        assert gained == pytest.approx(after - before, abs=1e-6)


@pytest.mark.parametrize(("homing", "kept"), [(1.0, 5), (2.0, 0)])
def test_the_walk_home_counts_on_the_last_holes(homing, kept):
    """Hole 5 is the best to start with but for the walk home, and no hole but 0 comes after it."""
    flat, terms, guide = easy()
    cost = terms.cost.copy()
    cost[5, -1] = 90.0
    terms = terms._replace(cost=cost)
    guide = guide._replace(points=np.array([10.0, 1, 1, 1, 1, 20]))
    settings = BeamSettings(width=10, each=10, homing=homing)
    narrow = settings.model_copy(update={"width": 1})
    assert strings_of(terms, guide, whole(flat), narrow)[0, 0] == kept


def test_few_strings_end_with_the_same_hole():
    flat, terms, guide = easy()
    ends = strings_of(terms, guide, whole(flat), WIDE.model_copy(update={"each": 2}))[:, -1]
    assert np.bincount(ends).tolist() == [2] * 6
    assert len(strings_of(terms, guide, whole(flat), WIDE)) == 30


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_length_counts_while_a_round_is_strung(share):
    """Without it the holes are equal but for the order they stand in."""
    flat = replace(problem(1, size=6, wanted=2), length=np.array([60.0, 60, 60, 60, 120, 120]))
    flat = replace(flat, gains={"quality": np.zeros(6), "trimming": np.zeros(6)})
    settings = WIDE.model_copy(update={"length": share, "room": (0.0,)})
    terms, guide = guided(replace(flat, apart=np.empty((0, 2), np.int64)), settings)
    terms = terms._replace(cost=np.ones_like(terms.cost))
    first = set(strings_of(terms, guide, whole(flat), settings)[0].tolist())
    assert (first == {4, 5}) == bool(share)


def test_stretches_strung_anew_better_a_round():
    """Against every round there is, from the worst of them, with a stretch as long as the round.

    Of strings of the same holes with the same last one only the best by its guide is kept, so that
    the best round is not always met.
    """
    settings = SolverSettings(beam=WIDE, window=WindowSettings(size=4, width=100_000))
    lands = best = 0
    for seed in range(12):
        given = problem(seed, size=7, wanted=4)
        terms, guide = guided(given)
        rounds = {}
        for order in permutations(range(7), 4):
            points, broken = worth(np.array(order), terms)
            if broken == 0 and not terms.apart[np.ix_(order, order)].any():
                rounds[order] = points
        if len(rounds) < 2:
            continue
        ranked = sorted(rounds, key=rounds.get)
        found = tuple(stretches_anew(list(ranked[0]), terms, guide, settings))
        assert rounds[found] > rounds[ranked[0]]
        lands += 1
        best += rounds[found] > rounds[ranked[-1]] - 1e-3
        settings_off = settings.model_copy(update={"window": WindowSettings(passes=0)})
        assert tuple(stretches_anew(list(ranked[0]), terms, guide, settings_off)) == ranked[0]
    assert lands >= 8
    assert best >= 0.75 * lands


def test_what_is_strung_and_bettered_is_the_same_for_the_same_seed():
    given = problem(5, size=40, wanted=9)
    quick = SolverSettings(first=AnnealSettings(changes_each=100))
    assert first_round(given, quick, seed=3) == first_round(given, quick, seed=3)


@pytest.mark.parametrize("count", [1, 63, 64, 65, 130])
def test_bits_hold_what_flags_do(count):
    flags = np.random.default_rng(count).random((5, count)) < 0.3
    assert (flags_of(bits_of(flags))[:, :count] == flags).all()
    assert not flags_of(bits_of(flags))[:, count:].any()


@pytest.mark.parametrize("seed", range(8))
def test_the_first_of_each_set_are_kept(seed):
    """Against NumPy's unique, twice: first of every set and last hole, then so many of each."""
    rng = np.random.default_rng(seed)
    sets = rng.integers(1, 2**62, 40)[rng.integers(0, 40, 900)]
    hole = rng.integers(0, 12, 900)
    ranked = rng.integers(0, 50, 900).astype(float)
    ranked[rng.random(900) < 0.1] = -np.inf
    there = np.flatnonzero(np.isfinite(ranked))
    order = there[np.argsort(-ranked[there], kind="stable")]
    first = first_of_each(order, np.column_stack([sets, hole]))
    expected = first_of_each(first, hole[:, None], 9)
    assert (
        first_sets(order, sets + 3 * (hole << 40), hole, 12, 9, 900).tolist() == expected.tolist()
    )
    for width in (3, 20, 1000):
        settings = BeamSettings.model_construct(width=width, each=9)
        assert _kept(ranked, sets, hole, 12, settings).tolist() == expected[:width].tolist()


@pytest.mark.parametrize("half", [0, 2])
def test_no_round_is_worth_more_than_its_holes_less_its_walks(half):
    given = problem(2, size=9, wanted=4)
    terms = terms_of(given, walks_of(given), [((0, 1, 2), 1)])._replace(half=half)
    gaps = 0
    for order in permutations(range(9), 4):
        points, broken = worth(np.array(order), terms)
        most = _at_most(np.array(order), terms, 600.0)
        assert most >= points - 600 * broken - 1e-6
        gaps += most > points - 600 * broken + 1
    assert gaps > 0


@pytest.mark.parametrize(("homing", "kept"), [(1.0, 5), (2.0, 0)])
def test_the_walk_to_the_stop_halfway_counts_on_the_holes_before_it(homing, kept):
    """Hole 5 is the best to start with but for the walk to the arrival after two of four holes."""
    _, terms, guide = easy()
    cost = terms.cost.copy()
    cost[5, -1] = 90.0
    terms = terms._replace(cost=cost, half=2)
    guide = guide._replace(points=np.array([10.0, 1, 1, 1, 1, 20]))
    narrow = BeamSettings.model_construct(width=1, each=10, homing=homing)
    stretch = Stretch(6, 6, 0, 4, 4, np.empty(0, np.int64))
    assert strings_of(terms, guide, stretch, narrow)[0, 0] == kept
