"""How many holes may follow each, and where tees are sought around those with too few."""

import numpy as np
import pytest

from lanewright.holes.ringtees import _greedy, beside
from lanewright.holes.successors import followed, successors
from lanewright.settings.holes import HoleSettings, SafetySettings


@pytest.mark.parametrize("seed", range(3))
def test_successors_are_those_of_a_loop_over_all_pairs(seed):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 150, (60, 4))
    conflicts = np.unique(np.sort(rng.integers(0, 60, (400, 2)), axis=1), axis=0)
    conflicts = conflicts[conflicts[:, 0] < conflicts[:, 1]]
    barred = {tuple(pair) for pair in conflicts}
    expected = [
        sum(
            i != j
            and np.hypot(*(places[j, :2] - places[i, 2:])) <= 30
            and (min(i, j), max(i, j)) not in barred
            for j in range(60)
        )
        for i in range(60)
    ]
    assert successors(places, conflicts).tolist() == expected


def test_what_the_summary_says_of_followers():
    """Ten holes begin 20 m past the first one's basket, and one in three of another's three."""
    fan = [(0, 0, 0, 80), *((0, 100, 5 * k, 180) for k in range(10))]
    row = [(0, 1000, 0, 1080), (0, 1100, 0, 1180), (0, 1200, 0, 1280)]
    none = np.empty((0, 2), np.int64)
    for places, median, without, enough in ((fan, 0.0, 10 / 11, 1 / 11), (row, 1.0, 1 / 3, 0.0)):
        assert followed(places_frame(np.array(places, float)), none) == {
            "within_m": 30.0, "median": median, "share of holes with none": round(without, 4),
            "share of holes with 10 or more": round(enough, 4),
        }  # fmt: skip


def places_frame(places):
    import pandas as pd

    return pd.DataFrame(places, columns=["tee_x", "tee_y", "end_x", "end_y"])


def test_tees_are_sought_in_the_ring_but_not_past_the_basket_nor_before_it():
    """A hole due north to (0, 100); spots by bearing and distance, worked by hand."""
    hole = np.array([[0.0, 0.0, 0.0, 100.0]])
    spots = {
        (20, 100): True,  # beside, in the ring
        (8, 100): False,  # nearer than any tee may be to a green
        (50, 100): False,  # beyond 45 m
        (0, 125): False,  # straight past the basket
        (4, 142): True,  # past it, beyond the 30 m that are asked for
        (0, 80): False,  # on the fairway
        (15, 120): True,  # past it, 37 degrees aside
    }
    found = beside(np.array(list(spots), float), hole, HoleSettings(), SafetySettings())
    assert found.tolist() == list(spots.values())


def test_new_holes_stay_while_they_serve_a_need():
    follows, lacks = [[0], [0, 1], [1], []], np.array([1, 2])
    assert _greedy(follows, lacks, np.array([0.9, 0.1, 0.5, 0.9])).tolist() == [1, 2]
