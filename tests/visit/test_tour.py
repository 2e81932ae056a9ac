import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lanewright.visit.tour import length, tour


def test_places_on_a_circle_are_walked_round():
    # The shortest tour of points in convex position is their hull: a 40-gon of radius 100 m.
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    places = 100 * np.c_[np.cos(angle), np.sin(angle)]
    mixed = np.random.default_rng(1).permutation(40)
    order = tour(places[mixed], home=(100.0, 0.0))
    assert length(order, places[mixed], home=(100.0, 0.0)) == pytest.approx(
        40 * 200 * np.sin(np.pi / 40)
    )


def shortest(starts, ends, home):
    """Metres of the shortest of all orders, by trying each."""
    orders = np.array(list(itertools.permutations(range(len(starts)))))
    gone = np.zeros(len(orders))
    for one, next_ in itertools.pairwise(range(len(starts))):
        gone += np.hypot(*(starts[orders[:, next_]] - ends[orders[:, one]]).T)
    if home is not None:
        gone += np.hypot(*(starts[orders[:, 0]] - home).T)
        gone += np.hypot(*(ends[orders[:, -1]] - home).T)
    return gone.min()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 6), st.booleans(), st.booleans())
def test_close_to_the_shortest_of_all_orders(seed, count, has_home, holes):
    rng = np.random.default_rng(seed)
    starts = rng.uniform(0, 300, (count, 2))
    ends = starts + rng.normal(0, 60, (count, 2)) if holes else starts
    home = (0.0, 0.0) if has_home else None
    order = tour(starts, ends, home)
    assert sorted(order) == list(range(count))
    least = shortest(starts, ends, home)
    assert least - 1e-6 <= length(order, starts, ends, home) <= 1.35 * least + 1e-6


def test_mean_over_many_is_within_two_percent():
    rng = np.random.default_rng(2)
    home, over = (0.0, 0.0), []
    for _ in range(30):
        places = rng.uniform(0, 300, (7, 2))
        least = shortest(places, places, home)
        over.append(length(tour(places, home=home), places, home=home) / least)
    assert np.mean(over) < 1.02


def test_nothing_and_one():
    assert tour(np.empty((0, 2))).size == 0
    assert tour(np.array([[3.0, 4.0]]), home=(0.0, 0.0)).tolist() == [0]
    assert length(np.array([0]), np.array([[3.0, 4.0]]), home=(0.0, 0.0)) == 10.0


def test_starts_and_ends_must_pair():
    with pytest.raises(ValueError, match="2 starts and 1 ends"):
        tour(np.zeros((2, 2)), np.zeros((1, 2)))
