"""The solver's choice against trying every set, and what it says when there is none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from every_set import brute_force
from lanewright.trim import leastwork
from lanewright.trim.leastwork import Case, by_worth, choose, first_enough, improved
from trim_worlds import random_case


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 9), st.integers(0, 2), st.floats(0.1, 1.0))
def test_choice_is_the_least_of_all_sets(seed, pieces, trees, share):
    case = random_case(seed, 40, pieces, trees)
    bare = int(case.clear(np.zeros(case.cost.size, bool)).sum())
    wanted = bare + int(np.ceil(share * (case.most - bare)))
    found, least = choose(case, wanted, 20.0), brute_force(case, wanted)
    assert found.cost == pytest.approx(least.cost, abs=1e-6)
    assert found.bound == pytest.approx(least.cost, abs=1e-3)
    assert case.clear(found.chosen).sum() >= wanted
    held = case.within >= 0
    assert not (found.chosen[held] & found.chosen[case.within[held]]).any()


def test_many_pieces_for_one_throw_still_are_exact():
    # More than ten pieces met by a throw go to the solver as sums of depths.
    rng = np.random.default_rng(4)
    depth = rng.exponential(1.0, (30, 12))
    case = Case(depth, depth.sum(1) - 4.0, rng.uniform(0.5, 2.0, 12).round(2), np.full(12, -1))
    wanted = int(case.most * 0.7)
    assert choose(case, wanted, 20.0).cost == pytest.approx(brute_force(case, wanted).cost)


@pytest.mark.parametrize("seed", range(5))
def test_by_hand_never_beats_the_bound_and_seldom_is_far_from_it(seed):
    case = random_case(100 + seed, 120, 12)
    wanted = int(0.8 * case.most)
    best = choose(case, wanted, 20.0)
    by_hand = improved(case, first_enough(case, by_worth(case), wanted), wanted)
    assert best.gap < 1e-3
    assert best.cost - 1e-9 <= case.cost[by_hand].sum() <= 1.3 * best.cost


def test_little_effort_tells_the_gap_instead_of_the_best():
    case = random_case(7, 200, 30)
    wanted = int(0.8 * case.most)
    quick, slow = choose(case, wanted, 0.01), choose(case, wanted, 5.0)
    assert quick.bound <= slow.cost + 1e-6 <= quick.cost + 2e-6
    assert case.clear(quick.chosen).sum() >= wanted
    assert 0 <= quick.gap <= 1


def test_order_by_worth_takes_a_whole_tree_instead_of_its_parts():
    case = random_case(11, 60, 8, 2)
    order = by_worth(case)
    for k, j in enumerate(order):
        assert case.within[j] < 0 or case.within[j] not in order[:k]
    assert case.clear(first_enough(case, order, case.most)).sum() == case.most


def test_nothing_to_do_and_nothing_that_can_be_done():
    case = random_case(3, 50, 5)
    bare = int(case.clear(np.zeros(5, bool)).sum())
    assert not choose(case, bare, 1.0).chosen.any()
    with pytest.raises(ValueError, match="can be clear"):
        choose(case, case.most + 1, 1.0)
    with pytest.raises(ValueError, match="can be clear"):
        brute_force(case, case.most + 1)


def test_what_a_process_keeps_between_runs_is_bounded():
    """A worker of a ranking makes thousands of runs."""
    for kept in (leastwork._cuts_of, leastwork._subsets):
        assert 0 < (kept.cache_info().maxsize or 0) <= 100_000
