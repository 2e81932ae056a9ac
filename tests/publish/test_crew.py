"""Trim work of a hole as instructions: planted pieces, each with a known place on its line."""

import geopandas as gpd
import pytest
import shapely

from lanewright.publish.crew import NEIGHBOURS, minds, rounds_of, tasks_of, work_of_legs
from lanewright.publish.report.crewlist import instruction
from lanewright.publish.report.words import Units
from publish.frames import UTM


def piece(number, leg, along, side="right", action="take limbs", **more):
    """A row of `trim_work` with the columns that instructions are made of."""
    row = {
        "piece_id": number, "leg_id": leg, "chosen": True, "action": action, "side": side,
        "along_m": along, "low_m": 1.0, "high_m": 3.0, "reach": "pole saw", "hours_low": 0.1,
        "hours_high": 0.25, "area_m2": 2.0, "tree_id": number, "flag": None,
    }  # fmt: skip
    return row | more


def frame(rows):
    return gpd.GeoDataFrame(rows, geometry=[shapely.Point(0, 0)] * len(rows), crs=UTM)


def round_of(order, chains, work):
    """Rounds from hole numbers in order of play for each proposal, and the legs of each hole."""
    layout = [
        {"proposal": p, "play_order": n, "hole_id": hole, "trim_hours_low": 0.0,
         "trim_hours_high": 0.0}
        for p, holes in order.items()
        for n, hole in enumerate(holes, start=1)
    ]  # fmt: skip
    holes = [{"hole_id": k, "legs": " ".join(map(str, v))} for k, v in chains.items()]
    return rounds_of(frame(layout), frame(holes), frame(work))


def test_pieces_near_each_other_are_one_instruction_and_far_ones_are_not():
    """Twelve stems 3 m apart on one edge, one more behind a gap: constructed."""
    stems = [piece(n, 1, 14 + 3 * (n - 1)) for n in range(1, 13)]
    far = piece(13, 1, 47 + NEIGHBOURS + 1)
    (near, alone) = tasks_of([1], work_of_legs(frame([far, *stems])))
    assert (near.start, near.end, len(near.pieces), len(near.trees)) == (14, 47, 12, 12)
    assert alone.pieces == (13,)
    assert near.hours == pytest.approx((1.2, 3.0))
    said = instruction(near, Units(False)).text.replace("\u202f", " ")
    assert said == "right edge, 14–47 m (46–154 ft): 12 stems, limbs to 3 m (10 ft)"


def test_sides_kinds_and_throws_stay_apart():
    rows = [
        piece(1, 1, 10),
        piece(2, 1, 10, side="left"),
        piece(3, 1, 10, action="cut brush", tree_id=None, area_m2=8.0),
        piece(4, 2, 10),
    ]
    tasks = tasks_of([1, 2], work_of_legs(frame(rows)))
    assert len(tasks) == 4
    last = instruction(tasks[-1], Units(False)).text
    assert last.startswith("throw 2, right edge")
    assert "from the landing zone" in last
    brush = next(t for t in tasks if t.action == "cut brush")
    assert "8 m² (86 ft²) of brush".replace(" m", "\u202fm").replace(" f", "\u202ff") in (
        instruction(brush, Units(False)).text
    )


def test_a_piece_by_two_throws_comes_with_the_first_and_unchosen_ones_never():
    rows = [piece(1, 1, 10), piece(1, 2, 60), piece(2, 2, 60, chosen=False)]
    (task,) = tasks_of([1, 2], work_of_legs(frame(rows)))
    assert (task.throw, task.pieces) == (1, (1,))


def test_only_pieces_of_a_proposal_are_in_its_round_each_once():
    """Hole 9 is in no proposal; holes 1 and 2 share piece 1, which costs its hours once."""
    work = [
        piece(1, 1, 10, hours_low=1.0, hours_high=2.0),
        piece(1, 2, 30, hours_low=1.0, hours_high=2.0),
        piece(2, 2, 40, action="cut brush", area_m2=30.0, reach="hand tools"),
        piece(3, 9, 10),
    ]
    rounds = round_of({1: [2, 1], 2: [1]}, {1: [1], 2: [2], 9: [9]}, work)
    first, second = rounds[1], rounds[2]
    assert first.pieces == 2
    assert first.hours == pytest.approx((1.1, 2.25))
    assert first.brush == 30.0
    assert {r: (n, low) for r, n, low, _ in first.totals} == {
        "hand tools": (1, pytest.approx(0.1)),
        "pole saw": (1, pytest.approx(1.0)),
    }
    assert [h.order for h in first.holes] == [1, 2]
    assert first.holes[1].shared == (1,)
    assert second.pieces == 1
    assert second.holes[0].shared == ()


def test_what_to_mind_keeps_the_worst_figure():
    flags = [
        "a possible power line 31 m (102 ft) away: the utility first; wet ground",
        "a possible power line 9 m (30 ft) away: the utility first",
        "lidar has searched only 71% of it",
        "lidar has searched only 40% of it",
        "steep ground (26 %) for a crew",
        "steep ground (38 %) for a crew",
    ]
    said = minds(flags)
    assert "a possible power line 9 m (30 ft) away: the utility first" in said
    assert "lidar has searched only 40% of it" in said
    assert "steep ground (38 %) for a crew" in said
    assert said.count("wet ground") == 1
    assert len(said) == 4
