"""Which lines run on into which, counted out by hand."""

import numpy as np

from lanewright.growth.joining import chains, follows


def joined(lines, gap=10.0):
    seen = {}

    def wanted(a, b, apart, turns):
        seen[a, b] = (round(apart, 6), [round(turn, 6) for turn in turns])
        return apart

    return follows([np.array(line, float) for line in lines], gap, 5.0, wanted), seen


def test_nearest_ends_belong_together_and_what_lies_between_is_handed_on():
    lines = [[(0, 0), (0, 20)], [(0, 24), (0, 40)], [(9, 20), (30, 20)]]
    found, seen = joined(lines)
    # East, 4 on; to the third 9 off at a right angle, and back west from there to the second.
    assert seen[1, 2] == (4, [0, 0, 0])
    assert seen[1, 4] == (9, [90, 90, 0])
    assert found == {1: 2, 2: 1}
    assert list(chains(3, found)) == [[(0, False), (1, False)], [(2, False)]]


def test_a_line_that_runs_against_another_is_turned():
    found, _ = joined([[(0, 0), (0, 20)], [(0, 40), (0, 23)]])
    assert found == {1: 3, 3: 1}
    assert list(chains(2, found)) == [[(0, False), (1, True)]]


def test_no_chain_closes_upon_itself():
    square = [[(0, 0), (0, 20)], [(1, 20), (20, 20)], [(20, 19), (20, 0)], [(19, 0), (1, 0)]]
    found, _ = joined(square)
    assert len(found) == 6  # three of the four corners
    assert sum(len(chain) for chain in chains(4, found)) == 4
    assert joined([]) == ({}, {})
