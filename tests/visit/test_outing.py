import numpy as np
import pytest

from lanewright.visit.outing import APART, Spot, as_published, legs_of_holes, outing_of
from publish import outings

HOME = Spot(*outings.START, 101.0)


def test_the_best_proposal_in_playing_order():
    outing = outing_of(outings.layers(), 18, HOME)
    assert outing.source == "layout_holes"
    assert [hole.hole_id for hole in outing.holes] == list(outings.ORDER)
    assert [hole.title for hole in outing.holes] == ["Hole 1", "Hole 2", "Hole 3"]
    for hole in outing.holes:
        assert tuple(hole.legs["leg_id"]) == outings.CHAINS[hole.hole_id]
    assert [len(hole.landings) for hole in outing.holes] == [0, 1, 0]
    assert list(outing.walks["to_order"]) == [1, 2, 3, 0]
    assert outing.holes[1].walk["from_order"] == 1


def test_spots_are_the_sites():
    layers = outings.layers()
    hole = outing_of(layers, 18).holes[1]
    ends = layers["basket_sites"].set_index("site_id")
    assert hole.landings[0].xy == (ends.geometry[202].x, ends.geometry[202].y)
    assert hole.basket.xy == (ends.geometry[203].x, ends.geometry[203].y)
    assert hole.basket.z == ends["ground_m"][203]


def test_trim_of_a_hole_once_and_along_the_way():
    trim = outing_of(outings.layers(), 18).holes[1].trim
    assert list(trim["piece_id"]) == [1, 2]  # piece 2 stands on both throws, 3 was not chosen
    assert list(trim["along_m"]) == [40.0, 47.0]


def test_a_piece_in_parts_along_one_throw_keeps_its_parts():
    layers = outings.layers()
    again = layers["trim_work"].iloc[[0]].assign(work_id=9, along_m=44.0)
    layers["trim_work"] = outings.concat(layers["trim_work"], again)
    trim = outing_of(layers, 18).holes[1].trim
    assert list(zip(trim["piece_id"], trim["along_m"], strict=True)) == [(1, 40), (1, 44), (2, 47)]


def test_holes_where_there_is_no_layout():
    layers = outings.without(outings.layers(), "layout_holes", "layout_walks")
    outing = outing_of(layers, 3, HOME)
    assert outing.source == "holes"
    assert {hole.hole_id for hole in outing.holes} == {11, 12, 13}  # by score, 14 is the last
    assert [hole.number for hole in outing.holes] == [1, 2, 3]
    assert "No layout" in outing.note


def test_legs_where_there_are_no_holes():
    layers = outings.layers()
    layers["holes"] = layers["holes"].iloc[:0]
    layers["layout_holes"] = layers["layout_holes"].iloc[:0]
    outing = outing_of(outings.without(layers, "trim_work", "layout_walks"), 18, HOME)
    assert outing.source == "legs"
    assert all(len(hole.legs) == 1 for hole in outing.holes)
    lines = [hole.line for hole in outing.holes]
    apart = [a.distance(b) for i, a in enumerate(lines) for b in lines[:i]]
    assert min(apart) > APART - 20  # straight lines keep apart, flights bend a little
    assert len(outing.holes) == 4  # leg 3 starts where the better leg 2 ends, or the other way


def test_numbers_are_those_of_the_file():
    layers = outings.layers()
    legs = layers["legs"]
    assert np.array_equal(legs["pinch_width_m"], np.round(legs["pinch_width_m"], 1))
    assert as_published("legs", legs).equals(legs)


def test_a_hole_of_unknown_legs_is_a_fault_of_ours():
    layers = outings.layers()
    layers["legs"] = layers["legs"].iloc[:1]
    with pytest.raises(KeyError):
        outing_of(layers, 18)


def test_without_an_arrival_the_round_starts_where_its_first_walk_does():
    outing = outing_of(outings.layers(), 18)
    assert not outing.start_given
    assert outing.start.xy == outings.START
    assert outing_of(outings.layers(), 18, HOME).start_given
    bare = outings.without(outings.layers(), "layout_walks")
    assert outing_of(bare, 18).start is None


def test_legs_of_a_hole_come_in_order_of_play():
    holes = outings.layers()["holes"]
    assert legs_of_holes(holes.iloc[::-1]) == dict(reversed(outings.CHAINS.items()))
