"""What legs are kept by: slots by a plain loop, room in turns, twins across borders."""

import numpy as np
import pytest

from lanewright.legs.cover import (
    apart_from_better,
    best_then_next,
    covering,
    first_of_each,
    room_of,
    slots_of,
)
from lanewright.settings.cover import CoverSettings


def test_slots_are_square_direction_and_band():
    """Worked by hand: 8 directions of 45 degrees clockwise from north, bands of 18 m."""
    tee = (105.0, 212.0)
    ways = {(0, 60): 0, (60, 1): 1, (60, -1): 2, (1, -60): 3, (-1, -60): 4, (-1, 60): 7}
    places = np.array([(*tee, tee[0] + x, tee[1] + y) for x, y in ways])
    found = slots_of(places, np.full(len(ways), 71.9), CoverSettings())
    assert found.tolist() == [[10, 21, direction, 3] for direction in ways.values()]
    longer = slots_of(places, np.full(len(ways), 72.0), CoverSettings())
    assert set(longer[:, 3]) == {4}


def test_the_first_few_of_each_key_stay_in_their_order():
    """Against a loop with a dictionary."""
    rng = np.random.default_rng(5)
    keys, order = rng.integers(0, 9, (300, 2)), rng.permutation(300)
    seen: dict = {}
    expected = []
    for row in order:
        key = tuple(keys[row])
        seen[key] = seen.get(key, 0) + 1
        if seen[key] <= 2:
            expected.append(row)
    assert first_of_each(order, keys, 2).tolist() == expected


@pytest.mark.parametrize("kind", [np.int8, np.int32, np.int64])
def test_keys_of_any_width_and_size_are_told_apart(kind):
    """Against the same loop: numbers at both ends of their range, where packing would run over."""
    rng = np.random.default_rng(8)
    limits = np.iinfo(kind)
    some = np.array([limits.min, limits.min + 1, -1, 0, 1, limits.max - 1, limits.max])
    keys = rng.choice(some, (400, 3)).astype(kind)
    turns: dict = {}
    first = [n for n, key in enumerate(map(tuple, keys)) if turns.setdefault(key, n) == n]
    assert first_of_each(np.arange(400), keys, 1).tolist() == first


def test_the_best_of_every_key_goes_before_the_next_of_any():
    order, keys = np.array([3, 0, 4, 1, 2]), np.array([[0], [0], [1], [0], [1]])
    assert best_then_next(order, keys, 2).tolist() == [3, 4, 0, 2]


def test_squares_take_turns_and_kinds_have_their_part():
    order, squares = np.arange(6), np.array([[0], [0], [0], [0], [1], [1]])
    assert covering(order, [squares], [], 3).tolist() == [0, 4, 1]
    last = np.array([False] * 5 + [True])
    assert sorted(covering(order, [squares], [(last, 0.4)], 3).tolist()) == [0, 4, 5]
    assert covering(order, [squares], [], 9).tolist() == order.tolist()


def test_a_place_that_many_good_lines_lead_to_waits_for_its_turn():
    """Eight tees whose best line ends at one basket, and a second line each to one of its own."""
    tees = np.repeat(np.arange(8), 2)[:, None]
    ends = np.column_stack([np.full(8, 99), np.arange(8)]).ravel()[:, None]
    order = np.r_[np.arange(0, 16, 2), np.arange(1, 16, 2)]  # the best lines first
    assert set(covering(order, [tees], [], 8)) == set(range(0, 16, 2))
    kept = covering(order, [tees, ends], [], 8)
    assert (ends[kept] == 99).sum() == 2  # its first and second turn
    assert len(np.unique(ends[kept])) == 7


@pytest.mark.parametrize("seed", range(3))
def test_twins_give_way_to_better_ones_of_their_kind(seed):
    """Against a loop over all pairs."""
    rng = np.random.default_rng(seed)
    places, kind = rng.uniform(0, 40, (200, 4)), rng.integers(0, 2, 200)
    order = rng.permutation(200)
    expected: list = []
    for row in order:
        near = [
            k for k in expected
            if kind[k] == kind[row]
            and np.hypot(*(places[k, :2] - places[row, :2])) <= 9
            and np.hypot(*(places[k, 2:] - places[row, 2:])) <= 9
        ]  # fmt: skip
        if not near:
            expected.append(row)
    assert apart_from_better(order, places, kind, 9.0).tolist() == expected


def test_room_grows_with_the_land():
    assert room_of(None, 100.0, 25.0, 2) == 2500
    assert room_of(400, 100.0, 25.0, 2) == 200
