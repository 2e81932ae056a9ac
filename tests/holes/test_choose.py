"""What each setting of the choice of holes decides: without it another hole is kept."""

import numpy as np
import pandas as pd
import pytest

from hole_worlds import CORNER, chains, legs_of
from lanewright.holes.choose import cover, few_of_each, leading
from lanewright.settings.cover import HoleCoverSettings
from lanewright.settings.holes import HoleSettings


def candidates(*places, score, kind="open"):
    """Holes of one throw over the legs given by x and y of tee and end."""
    legs = legs_of(*places)
    ends = np.array(places, float) + np.tile(CORNER, 2)
    frame = pd.DataFrame(ends, columns=["tee_x", "tee_y", "end_x", "end_y"]).assign(
        chain=[np.array([i, -1, -1]) for i in range(len(places))],
        throws=1, par=3, rise_m=0.0, finish="straight", lane_kind=kind, promise=score,
        length_m=legs.legs["length_m"], effective_length_m=legs.legs["length_m"],
    )  # fmt: skip
    return frame.assign(carry_water_m=0.0, fair="yes")


def kept(frame, room, fit=lambda holes: np.ones(len(holes), bool), **settings):
    rows, _ = cover(frame, room, fit, HoleSettings(**settings))
    return sorted(rows.tolist())


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


def test_every_slot_keeps_its_best_hole():
    """Two side by side within a square of 10 m, one across, one 40 m shorter, one far away."""
    frame = candidates(
        (52, 51, 52, 131), (57, 56, 57, 136), (52, 51, 132, 51), (55, 52, 55, 92),
        (302, 51, 302, 131),
        score=[0.8, 0.9, 0.3, 0.2, 0.1],
    )  # fmt: skip
    assert kept(frame, 9) == [1, 2, 3, 4]
    assert kept(frame, 9, cover={"directions": 1}) == [1, 3, 4]
    assert kept(frame, 9, cover={"length": 400.0}) == [1, 2, 4]
    assert kept(frame, 9, cover={"cell": 2.0}, same=5.0) == [0, 1, 2, 3, 4]


def test_another_number_of_throws_is_another_slot():
    frame = candidates((52, 51, 52, 131), (57, 56, 57, 136), score=[0.8, 0.9])
    assert kept(frame.assign(throws=[1, 2]), 9) == [0, 1]


def test_squares_take_turns_where_there_is_not_room_for_all():
    """Three good holes from one square, one poor hole from another."""
    frame = candidates(
        (52, 51, 52, 131), (52, 51, 132, 51), (52, 51, 52, 1), (302, 51, 302, 131),
        score=[0.9, 0.8, 0.7, 0.1],
    )  # fmt: skip
    assert kept(frame, 2, cover={"finishes": 0.0}) == [0, 3]


def test_each_finish_has_its_part_of_the_room():
    """Six good holes to the left, three to the right, a poor straight one; room for four."""
    places = [(50 + 60 * k, 51, 50 + 60 * k, 131) for k in range(10)]
    frame = candidates(*places, score=list(np.linspace(0.9, 0.1, 10)))
    frame["finish"] = ["left"] * 6 + ["right"] * 3 + ["straight"]
    assert kept(frame, 4, cover={"finishes": 0.25}) == [0, 1, 6, 9]


def test_baskets_take_turns_as_tees_do():
    """Three good holes to one basket, from three squares; a poor one to another."""
    frame = candidates(
        (52, 51, 52, 131), (102, 51, 52, 131), (2, 51, 52, 131), (302, 51, 302, 131),
        score=[0.9, 0.8, 0.7, 0.1],
    )  # fmt: skip
    assert kept(frame, 2, cover={"finishes": 0.0}) == [0, 3]


def test_unfair_holes_have_a_small_part_of_the_room():
    """The four best are unfair; they have half of four places, then what fair ones leave."""
    places = [(52 + 50 * k, 51, 52 + 50 * k, 131) for k in range(8)]
    frame = candidates(*places, score=list(np.linspace(0.9, 0.2, 8)))
    frame["fair"] = ["no"] * 4 + ["yes"] * 4
    plain = {"finishes": 0.0}
    assert kept(frame, 4, cover={"unfair": 0.5, **plain}) == [0, 1, 4, 5]
    assert kept(frame, 4, cover={"unfair": 0.0, **plain}) == [4, 5, 6, 7]
    assert kept(frame, 6, cover={"unfair": 0.0, **plain}) == [0, 1, 4, 5, 6, 7]
    one = frame.assign(fair=["no"] + ["yes"] * 7)  # fewer than have room
    assert kept(one, 4, cover={"unfair": 0.5, **plain}) == [0, 1, 2, 3]
    last = frame.assign(fair=["yes"] * 7 + ["no"])
    assert kept(last, 4, cover={"unfair": 0.5, **plain}) == [0, 1, 2, 7]


def test_where_there_is_no_room_or_no_hole_none_is_kept():
    frame = candidates((52, 51, 52, 131), (152, 51, 152, 131), score=[0.9, 0.8])
    for holes, room in ((frame, 0), (frame.iloc[:0], 5)):
        rows, slots = cover(holes, room, lambda some: np.ones(len(some), bool), HoleSettings())
        assert (rows.size, slots) == (0, 0)


@pytest.mark.parametrize(
    ("part", "column", "value"),
    [
        ("tunnels", "lane_kind", "tunnel"), ("lanes", "lane_kind", "lane"),
        ("edges", "lane_kind", "edge"), ("carries", "carry_water_m", 0.5),
        ("finishes", "finish", "left"), ("finishes", "finish", "right"),
        ("par_4", "par", 4), ("par_5", "par", 5),
    ],
)  # fmt: skip
def test_few_of_a_kind_have_their_part_of_the_room(part, column, value):
    """Eight good holes and a poor one of a kind, each from a square of its own; room for four."""
    places = [(50 + 60 * k, 51, 50 + 60 * k, 131) for k in range(9)]
    frame = candidates(*places, score=[0.9] * 8 + [0.1])
    frame[column] = [frame[column].iloc[0]] * 8 + [value]
    none = dict.fromkeys(HoleCoverSettings.model_fields, 0.0)
    shares = {k: v for k, v in none.items() if k not in ("cell", "directions", "length")}
    assert 8 in kept(frame, 4, cover=shares | {part: 0.25})
    assert 8 not in kept(frame, 4, cover=shares)


def test_nearer_twins_are_one_hole():
    """8 m apart, in squares of their own."""
    frame = candidates(
        (49, 50, 49, 130), (57, 50, 57, 130), (300, 50, 300, 130), score=[0.8, 0.79, 0.7]
    )
    assert kept(frame, 9, same=12.0) == [0, 2]
    assert kept(frame, 9, same=5.0) == [0, 1, 2]


def test_the_next_of_a_slot_stands_in_for_one_that_breaks_a_rule():
    frame = candidates((52, 51, 52, 131), (57, 56, 57, 136), score=[0.8, 0.9])
    assert kept(frame, 9, fit=lambda holes: holes["promise"].to_numpy() < 0.85) == [0]


def test_few_chains_of_each_slot_are_measured():
    """Of twenty legs within one slot the four of the best score; one elsewhere."""
    places = [(50.5 + k / 4, 51, 50.5 + k / 4, 131) for k in range(20)] + [(300, 51, 300, 131)]
    legs = legs_of(*places, score=[k / 100 for k in range(20)] + [0.0])
    single = np.column_stack([np.arange(21), np.full((21, 2), -1)])
    assert few_of_each(legs.legs, single, HoleSettings()).tolist() == [16, 17, 18, 19, 20]


def test_chains_are_told_apart_by_their_own_length_and_tee():
    """Bands of 40 m, any direction: five of 80 m, one of 78.5 m, one of 80 m from elsewhere.

    The first leg, which absent throws must not be taken for, is 10 m long and far away.
    """
    places = [(380, 380, 390, 380)] + [(50.5 + k / 4, 51, 50.5 + k / 4, 131) for k in range(5)]
    places += [(52, 51, 52, 129.5), (250, 51, 250, 131)]
    legs = legs_of(*places, score=[0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.1, 0.1])
    single = np.column_stack([np.arange(8), np.full((8, 2), -1)])
    settings = HoleSettings(cover={"length": 40.0, "directions": 1})
    assert few_of_each(legs.legs, single, settings).tolist() == [0, 1, 2, 3, 4, 6, 7]


def test_the_leading_holes_are_spread_over_the_land_and_own_ones_are_among_them():
    frame = candidates(
        (32, 31, 32, 111), (38, 38, 38, 118), (200, 31, 200, 111), (400, 31, 400, 111),
        score=[0.9, 0.8, 0.3, 0.1],
    )  # fmt: skip
    frame = frame.assign(level="blue", origin=["search", "search", "search", "own"])
    assert leading(frame, 2).tolist() == [0, 2, 3]


def test_the_leading_holes_are_told_apart_by_their_tees_alone():
    """Two from one square of tees to ends far apart, one from another square to the first's end."""
    frame = candidates(
        (32, 31, 32, 111), (38, 38, 118, 38), (98, 111, 32, 111), score=[0.9, 0.8, 0.3]
    ).assign(level="blue", origin="search")
    assert leading(frame, 2).tolist() == [0, 2]
