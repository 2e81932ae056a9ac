"""What each setting of the choice of holes decides: without it another hole is kept."""

import numpy as np
import pandas as pd

from hole_worlds import CORNER, chains, legs_of
from lanewright.holes.choose import in_rounds, spread_out
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import level_named

BLUE = level_named("blue")


def candidates(*places, score, kind="open"):
    """Holes of one throw over the legs given by x and y of tee and end."""
    legs = legs_of(*places)
    ends = np.array(places, float) + np.tile(CORNER, 2)
    frame = pd.DataFrame(ends, columns=["tee_x", "tee_y", "end_x", "end_y"]).assign(
        chain=[np.array([i, -1, -1]) for i in range(len(places))],
        throws=1, par=3, rise_m=0.0, finish="straight", lane_kind=kind, promise=score,
        length_m=legs.legs["length_m"], effective_length_m=legs.legs["length_m"],
    )  # fmt: skip
    return frame, legs.legs


def kept(frame, table, room, **settings):
    every = HoleSettings(**{"crowding": 0.0, "variety": 0.0} | settings)
    fit = lambda holes: np.ones(len(holes), bool)  # noqa: E731
    return spread_out(frame, table, room, fit, every).tolist()


def test_a_way_that_doubles_back_is_no_hole():
    """80 m out, 60 m back at an angle: 37 m gained of 144 m walked."""
    legs = legs_of((100, 100, 100, 180), (100, 181, 135, 132))
    free = {"max_bend": 170.0}
    assert (0, 1) not in chains(legs, settings=HoleSettings(**free))
    assert (0, 1) in chains(legs, settings=HoleSettings(straightest=0.0, **free))


def test_a_metre_to_the_next_throw_costs():
    """The better throw on starts 4 m from the landing, the other where the disc lies."""
    legs = legs_of(
        (100, 50, 100, 130), (104, 130, 104, 200), (100, 130, 100, 200), score=[0.8, 0.8, 0.75]
    )
    one = {"branches": 1}
    assert (0, 2) in chains(legs, settings=HoleSettings(**one))
    assert (0, 1) in chains(legs, settings=HoleSettings(gap=0.0, **one))


def test_ground_that_holds_holes_counts_against_more():
    """Two good holes side by side, a poorer one far away."""
    frame, table = candidates(
        (50, 50, 50, 130), (64, 50, 64, 130), (300, 50, 300, 130), score=[0.8, 0.79, 0.76]
    )
    assert kept(frame, table, 2, square=40.0, crowding=0.06) == [0, 2]
    assert kept(frame, table, 2, square=40.0) == [0, 1]


def test_another_kind_of_hole_is_worth_something():
    frame, table = candidates(
        (50, 50, 50, 130), (150, 50, 150, 130), (300, 50, 300, 130), score=[0.8, 0.79, 0.76],
        kind=["open", "open", "tunnel"],
    )  # fmt: skip
    assert kept(frame, table, 2, variety=0.3) == [0, 2]
    assert kept(frame, table, 2) == [0, 1]


def test_nearer_twins_are_one_hole():
    frame, table = candidates(
        (50, 50, 50, 130), (58, 50, 58, 130), (300, 50, 300, 130), score=[0.8, 0.79, 0.7]
    )
    assert kept(frame, table, 2) == [0, 2]
    assert kept(frame, table, 2, same=5.0) == [0, 1]


def test_a_tee_near_the_last_basket_goes_before():
    """Of two holes as long, the poorer starts 20 m from where the first one ends."""
    frame, _ = candidates(
        (50, 50, 50, 130), (300, 300, 300, 380), (70, 130, 70, 210), score=[0.9, 0.8, 0.75]
    )
    none = np.empty((0, 2), np.int64)
    near = in_rounds(frame, BLUE, none, 3, HoleSettings())
    far = in_rounds(frame, BLUE, none, 3, HoleSettings(linked=0.0))
    assert near.tolist() == [0, 2, 1]
    assert far.tolist() == [0, 1, 2]
