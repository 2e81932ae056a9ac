"""Rounds chosen by the solver against every round there is, counted out one by one."""

from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
import pytest

from lanewright.kernels.rounds import Cooling, anneal, clashes, worth
from lanewright.layout import firstround as fr
from lanewright.layout.circuit import cliques, packing, solve
from lanewright.layout.firstround import first_round, terms_of
from lanewright.layout.firstround import walks_of as tables_of
from lanewright.layout.round import ARRIVAL, Problem, repeats, value, walks_of
from lanewright.settings.layout import AnnealSettings, SolverSettings
from round_worlds import problem


def quick(changes: int) -> SolverSettings:
    return SolverSettings(first=AnnealSettings(changes_each=changes))


def allowed(given: Problem, order: tuple[int, ...]) -> bool:
    held = set(order)
    return (
        all(not {int(a), int(b)} <= held for a, b in given.apart)
        and held >= set(np.flatnonzero(given.must))
        and all(given.place[h] in (0, k) for k, h in enumerate(order, start=1))
        and (given.budget is None or sum(given.trim[h] for h in order) <= given.budget + 1e-9)
    )


def best(given: Problem, count: int, differ=()) -> tuple[float, tuple[int, ...]]:
    """Worth and order of the best round, by trying every one."""
    found = (-np.inf, ())
    for order in permutations(range(given.size), count):
        if not allowed(given, order):
            continue
        if any(len(set(order) & set(holes)) > most for holes, most in differ):
            continue
        try:
            worth = sum(value(given, order).values())
        except ValueError:
            continue
        found = max(found, (worth, order))
    return found


CASES = {
    "plain": {},
    "kept hole": {"must": np.arange(7) == 3},
    "placed hole": {"must": np.arange(7) == 2, "place": np.where(np.arange(7) == 2, 3, 0)},
    "two halves": {"halves": True},
    "two halves, placed": {"halves": True, "place": np.where(np.arange(7) == 2, 3, 0)},
    "budget": {"budget": 9.0},
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("case", CASES)
def test_solver_finds_the_best_of_all_rounds(case, seed):
    given = problem(seed, **CASES[case])
    worth, _ = best(given, given.wanted)
    found = solve(given, work=10)
    if not np.isfinite(worth):
        assert found.order == ()
        assert found.proven
        return
    assert len(found.order) == given.wanted
    assert allowed(given, found.order)
    assert found.proven
    assert found.worth == pytest.approx(worth, abs=0.3)  # points are counted in tenths
    assert found.bound == pytest.approx(found.worth, abs=0.3)


@pytest.mark.parametrize("seed", range(3))
def test_next_proposal_differs_and_is_the_best_that_does(seed):
    given = problem(seed, size=8)
    first = solve(given, work=10)
    differ = [(first.order, 2)]
    worth, _ = best(given, given.wanted, differ)
    second = solve(given, work=10, differ=differ)
    assert len(set(first.order) & set(second.order)) <= 2
    assert second.worth == pytest.approx(worth, abs=0.3)


def test_no_way_out_of_the_arrival_gives_no_round():
    given = problem(1)
    inner = (given.start != ARRIVAL) & (given.end != ARRIVAL)
    cut = replace(
        given, start=given.start[inner], end=given.end[inner], costs={"walks": given.cost[inner]},
        fire=np.empty((0, 2), np.int64),
    )  # fmt: skip
    assert solve(cut, work=1).order == ()
    assert first_round(cut, quick(100)) == []


@pytest.mark.parametrize("case", CASES)
def test_first_round_keeps_the_rules(case):
    for seed in range(5):
        given = problem(seed, size=7, **CASES[case])
        order = tuple(first_round(given, quick(250)))
        if not order:
            continue
        walks_of(given, order)
        assert allowed(replace(given, must=np.zeros(7, bool)), order)
        found = solve(given, work=10, hint=order)
        if set(np.flatnonzero(given.must)) <= set(order) and len(order) == given.wanted:
            assert found.worth >= sum(value(given, order).values()) - 0.3


@pytest.mark.parametrize("case", CASES)
def test_annealing_finds_the_best_of_all_rounds_counted_out(case):
    """From any start, clashing ones too, with each kind of change."""
    for seed in range(6):
        given = problem(seed, size=7, **CASES[case])
        worth_of_best, order = best(given, given.wanted)
        if not order:
            continue
        walks = fr.walks_of(given)
        terms = terms_of(given, walks, ())
        to = np.ascontiguousarray(walks.cost.T)
        near, back = (fr._nearest(walk[:, :-1], 5) for walk in (walks.cost, to))
        cooling = Cooling(20_000, 60.0, 5.0, 600.0, to, near, back)
        rng = np.random.default_rng(seed)
        held, others = np.flatnonzero(given.must), rng.permutation(np.flatnonzero(~given.must))
        start = np.r_[held, others][: given.wanted].astype(np.int64)
        found, points, broken = anneal(start, given.must, terms, cooling, rng)
        assert broken == 0
        assert allowed(given, tuple(found))
        assert points == pytest.approx(sum(value(given, tuple(found)).values()), abs=1e-3)
        assert points == pytest.approx(worth_of_best, abs=1e-3)


def test_same_seed_and_work_give_the_same_round_though_no_proof_was_reached():
    given = problem(5, size=60, wanted=12)
    a, b = (solve(given, work=0.1, seed=4) for _ in range(2))
    assert not a.proven
    assert a == b


@pytest.mark.parametrize("seed", range(5))
def test_packing_is_the_largest_set_without_a_pair(seed):
    rng = np.random.default_rng(seed)
    pairs = np.array([(a, b) for a in range(9) for b in range(a) if rng.random() < 0.45])
    held, bound = packing(9, pairs, work=5)
    banned = {frozenset(map(int, p)) for p in pairs}
    largest = max(
        len(some)
        for k in range(10)
        for some in combinations(range(9), k)
        if not any(frozenset(two) in banned for two in combinations(some, 2))
    )
    assert len(held) == bound == largest
    assert not any(frozenset(two) in banned for two in combinations(held, 2))


@pytest.mark.parametrize("seed", range(5))
def test_cliques_cover_every_pair_and_no_other(seed):
    rng = np.random.default_rng(seed)
    pairs = np.array([(a, b) for a in range(20) for b in range(a) if rng.random() < 0.4])
    banned = {frozenset(map(int, p)) for p in pairs}
    covered = {frozenset(two) for g in cliques(20, pairs) for two in combinations(g.tolist(), 2)}
    assert covered == banned


@pytest.mark.parametrize("halves", [0, 2])
def test_compiled_worth_is_the_worth_of_the_round(halves):
    for seed in range(20):
        given = problem(seed, size=9, halves=bool(halves), budget=12.0)
        terms = terms_of(given, tables_of(given), [((0, 1, 2), 1)])
        order = np.random.default_rng(seed).permutation(9)[:4]
        points, broken = worth(order, terms)
        missing = 0
        try:
            expected = sum(value(given, [int(h) for h in order]).values())
        except ValueError:
            expected, missing = None, 1
        over = given.trim[order].sum() > 12.0 + 1e-9
        shared = max(0, len({0, 1, 2} & set(order.tolist())) - 1)
        if missing:
            assert broken >= 1 + over + shared
        else:
            assert broken == over + shared
            assert points == pytest.approx(expected, abs=1e-3)
        clashing = sum(
            {int(a), int(b)} <= set(order.tolist())
            for a, b in np.unique(np.sort(given.apart, 1), axis=0)
        )
        assert clashes(order, terms.apart) == clashing


def test_repeats_count_anew_after_each():
    assert repeats([0, 0, 0, 1, 1], 3) == 0
    assert repeats([1, 0, 0, 0, 0, 1], 3) == 1
    assert repeats([2, 2, 2], 1) == 2
    assert repeats([], 3) == 0
