"""Layouts on planted properties small enough to count out every round."""

from concurrent.futures import ThreadPoolExecutor
from itertools import permutations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lanewright.base import schema
from lanewright.base.threads import kernel_threads
from lanewright.layout import search
from lanewright.layout.candidates import Candidates, candidates_of
from lanewright.layout.choice import problem_of
from lanewright.layout.designer import Drawn, Hand
from lanewright.layout.firstfeatures import FirstFeatures
from lanewright.layout.proposals import Grounds, propose
from lanewright.layout.round import value
from lanewright.layout.ways import cost_of, course_of, ways_of
from lanewright.publish.tables import hole_table, write_holes_csv
from lanewright.settings.layout import (
    AnnealSettings,
    LayoutSettings,
    MixSettings,
    SolverSettings,
    WeightSettings,
)
from lanewright.settings.levels import level_named
from layout_worlds import SIDE, UTM, among, grounds, holes_of, open_land, ring

RED = level_named("red")
QUICK = SolverSettings(work=3, first=AnnealSettings(changes_each=250))


def best_round(here: Grounds, candidates: Candidates, count: int, settings: LayoutSettings):
    """The best of all rounds of `count` holes, each counted out; walks by their quickest way."""
    every = settings.model_copy(
        update={"walk": settings.walk.model_copy(update={"nearest": len(candidates)})}
    )
    course = course_of(candidates, here.footing, np.array(here.arrival), every)
    problem = problem_of(candidates, ways_of(course, ()), RED, count, settings)
    apart = candidates.apart
    found = (-np.inf, ())
    for order in permutations(range(len(candidates)), count):
        if apart[np.ix_(order, order)].any():
            continue
        try:
            found = max(found, (sum(value(problem, order).values()), order))
        except ValueError:
            continue
    return found


@pytest.mark.parametrize("conflicts", [[], [(0, 1), (2, 3)], [(0, 4), (1, 5), (6, 7)]])
def test_proposal_is_the_best_of_all_rounds(conflicts):
    settings = LayoutSettings(proposals=1, solver=QUICK)
    none = np.full(8, shapely.Polygon(), object)  # nobody is in a line of fire
    here, candidates = grounds(), among(ring(), conflicts, fire=none)
    worth, order = best_round(here, candidates, 5, settings)
    found = propose(here, candidates, RED, 5, settings)
    (only,) = found.proposals
    assert only["proven best"]
    assert only["points"] == pytest.approx(worth, abs=0.5)
    assert sum(only["terms"].values()) == pytest.approx(only["points"])
    assert only["bound"] == pytest.approx(only["points"], abs=0.5)
    # A round and its reverse may be worth the same; the holes are.
    assert len(found.holes) == len(order) == 5
    assert found.holes["play_order"].tolist() == [1, 2, 3, 4, 5]


def test_proposals_differ_and_say_what_they_give_up():
    settings = LayoutSettings(proposals=3, differ=0.4, most_walk=9, solver=QUICK)
    found = propose(grounds(), among(ring(9)), RED, 5, settings)
    sets = [set(h["hole_id"]) for _, h in found.holes.groupby("proposal")]
    assert len(sets) == 3
    for i in range(3):
        for j in range(i):
            assert len(sets[i] & sets[j]) <= 3
    assert [p["idea"] for p in found.proposals] == list(settings.ideas[:3])
    assert found.holes.groupby("proposal")["idea"].first().tolist() == list(settings.ideas[:3])
    for name in found.proposals[0]["terms"]:
        top = max(p["terms"][name] for p in found.proposals)
        for p in found.proposals:
            lost = top - p["terms"][name]
            assert p["gives up"].get(name, 0) == pytest.approx(lost if lost > 0.5 else 0)


def test_frames_fit_the_schema_and_walks_join_the_holes():
    settings = LayoutSettings(proposals=2, differ=0.2, most_walk=9, solver=QUICK)
    found = propose(grounds(), among(ring()), RED, 6, settings)
    holes = schema.conform("layout_holes", found.holes)
    walks = schema.conform("layout_walks", found.walks)
    for number in (1, 2):
        mine = holes[holes["proposal"] == number].set_index("play_order")
        ways = walks[walks["proposal"] == number]
        assert ways["from_order"].tolist() == [0, 1, 2, 3, 4, 5, 6]
        assert ways["to_order"].tolist() == [1, 2, 3, 4, 5, 6, 0]
        for way in ways.to_dict("records"):
            line = shapely.force_2d(way["geometry"])
            first, last = (shapely.Point(p) for p in (line.coords[0], line.coords[-1]))
            if way["from_order"]:
                basket = shapely.get_point(mine.geometry[way["from_order"]], -1)
                assert first.distance(basket) < 1e-6
            if way["to_order"]:
                tee = shapely.get_point(mine.geometry[way["to_order"]], 0)
                assert last.distance(tee) < 1e-6
                assert mine["walk_m"][way["to_order"]] == pytest.approx(way["length_m"])
            assert way["length_m"] == pytest.approx(line.length)


def test_same_seed_and_work_give_the_same_layout():
    settings = LayoutSettings(
        proposals=2, solver=SolverSettings(work=0.2, seed=5, first=AnnealSettings(changes_each=250))
    )
    a, b = (propose(grounds(), among(ring(12)), RED, 7, settings) for _ in range(2))
    assert a.holes.equals(b.holes)
    assert a.walks.equals(b.walks)
    assert a.proposals == b.proposals


def test_kept_and_locked_holes_are_in_every_proposal():
    must, place = np.arange(8) == 2, np.where(np.arange(8) == 5, 3, 0)
    settings = LayoutSettings(proposals=3, differ=0.4, most_walk=9, solver=QUICK)
    candidates = among(ring(), must=must | (place > 0), place=place)
    found = propose(grounds(), candidates, RED, 5, settings)
    for _, mine in found.holes.groupby("proposal"):
        assert 103 in set(mine["hole_id"])
        assert mine.set_index("hole_id")["play_order"][106] == 3
        assert mine.set_index("hole_id")["wish"][106] == "lock"


def test_arrival_is_passed_halfway():
    settings = LayoutSettings(proposals=1, pass_arrival=True, solver=QUICK)
    found = propose(grounds(), among(ring()), RED, 6, settings)
    ends = list(zip(found.walks["from_order"], found.walks["to_order"], strict=True))
    assert ends == [(0, 1), (1, 2), (2, 3), (3, 0), (0, 4), (4, 5), (5, 6), (6, 0)]


def test_a_start_is_found_and_told_where_none_is_given():
    settings = LayoutSettings(proposals=1, solver=QUICK)
    found = propose(grounds(arrival=None), among(ring()), RED, 4, settings)
    start = found.facts["start"]
    assert start["found"]
    first = shapely.Point(found.walks.geometry.iloc[0].coords[0])
    assert first.distance(shapely.Point(start["x"], start["y"])) < 1e-6
    assert shapely.box(0, 0, SIDE, SIDE).contains(first)


def test_too_many_asked_of_a_small_land_gives_the_most_and_the_reason():
    settings = LayoutSettings(proposals=1, solver=QUICK)
    pairs = [(a, b) for a in range(8) for b in range(a) if (a - b) % 8 in (1, 7)]
    reasons = ["fairways too near"] * len(pairs)
    found = propose(grounds(), among(ring(), pairs), RED, 100, settings, reasons=reasons)
    assert len(found.holes) == 4  # every second of the ring
    (said,) = [w for w in found.warnings if "do not fit" in w]
    assert "100 holes do not fit: 4 do" in said
    assert "safety: fairways too near" in said


def test_no_room_and_no_way_are_distinguished():
    settings = LayoutSettings(proposals=1, solver=QUICK)
    few = propose(grounds(), among(ring(3)), RED, 9, settings)
    assert len(few.holes) == 3
    assert any("the land offers only 3 holes" in w for w in few.warnings)
    # Water 24 m broad, all across: half of the ring lies behind it.
    water = np.zeros((200, 200), bool)
    water[94:106, :] = True
    cut = propose(grounds(water=water), among(ring()), RED, 8, settings)
    assert 0 < len(cut.holes) < 8
    assert any("fails on walks" in w for w in cut.warnings)
    none = propose(grounds(), among(holes_of([])), RED, 9, settings)
    assert len(none.holes) == 0
    assert none.warnings
    schema.conform("layout_holes", none.holes)


def test_trim_hours_stay_within_the_budget():
    hours = np.column_stack([np.arange(8.0), np.arange(8.0)])
    settings = LayoutSettings(proposals=1, trim_hours=12.0, solver=QUICK)
    found = propose(grounds(), among(ring(), trim=hours), RED, 5, settings)
    assert found.proposals[0]["trim_hours_high"] <= 12.0


def test_hours_that_nobody_planned_are_not_free():
    """Of three planned holes two need 4 and 8 hours at the most: 7 are in the third quarter."""
    low, high = [0.0, 2.0, 4.0, *[np.nan] * 5], [0.0, 4.0, 8.0, *[np.nan] * 5]
    frame = ring().assign(trim_hours_low=low, trim_hours_high=high)
    legs = gpd.GeoDataFrame({"leg_id": [], "finish": []}, geometry=[], crs=UTM)
    made, *_ = candidates_of(frame, legs, (RED,), open_land(), Hand(), LayoutSettings())
    assert made.trim[:, 1].tolist() == [0.0, 4.0, 8.0, *[7.0] * 5]
    assert made.trim[:, 0].tolist() == [0.0, 3.0, 6.0, *[5.25] * 5]
    assert made.unplanned.tolist() == [False] * 3 + [True] * 5


def test_twins_a_few_metres_aside_are_the_same_holes():
    """A second ring 5 m aside: proposals that differ cannot be the first ring's twins."""
    first, second = ring(8), ring(8)
    second = second.assign(geometry=second.geometry.translate(5, 0), hole_id=range(201, 209))
    both = gpd.GeoDataFrame(pd.concat([first, second], ignore_index=True), crs=UTM)
    apart = [(k, k + 8) for k in range(8)]
    settings = LayoutSettings(proposals=2, differ=0.4, most_walk=9, solver=QUICK)
    found = propose(grounds(), among(both, apart), RED, 5, settings)
    sets = [set(h["hole_id"] % 100) for _, h in found.holes.groupby("proposal")]
    assert len(sets[0] & sets[1]) <= 3
    shared = [p["holes shared with proposal"] for p in found.proposals]
    assert shared == [{"2": len(sets[0] & sets[1])}, {"1": len(sets[0] & sets[1])}]


def test_a_walk_into_a_line_of_fire_is_marked():
    """One hole lies across the only way from another's basket to the next tee."""
    lines = [[(60, 60), (60, 120)], [(10, 200), (390, 200)], [(60, 280), (60, 340)]]
    wall = among(holes_of(lines), fire=np.array(
        [shapely.LineString(g).buffer(6) for g in lines[:1]]
        + [shapely.box(0, 190, SIDE, 210)] + [shapely.LineString(lines[2]).buffer(6)], object,
    ))  # fmt: skip
    settings = LayoutSettings(proposals=1, solver=QUICK, mix=MixSettings(total=(0, 9999)))
    found = propose(grounds(), wall, RED, 3, settings)
    walks = found.walks
    order = dict(zip(found.holes["hole_id"], found.holes["play_order"], strict=True))
    crossing = walks[walks["crosses"].notna()]
    assert len(crossing)
    for row in crossing.to_dict("records"):
        assert str(order[102]) in row["crosses"].split(", ")
        assert "line of fire" in row["mark"]
        assert shapely.intersects(row["geometry"], shapely.box(0, 190, SIDE, 210))


def test_an_unfair_hole_takes_part_only_where_the_designer_wants_it():
    frame = ring().assign(fair=["yes", "no", "after trim", "no", *["yes"] * 4])
    frame["name"] = [None, None, None, "Spring (designer)", None, None, None, None]
    legs = gpd.GeoDataFrame({"leg_id": [], "finish": []}, geometry=[], crs=UTM)
    line = shapely.force_2d(frame.geometry[3]).wkt
    hand = Hand(holes=(Drawn("Spring", "Spring (designer)", line, "keep"),))
    made, *_ = candidates_of(frame, legs, (RED,), open_land(), hand, LayoutSettings())
    assert made.holes["hole_id"].tolist() == [101, 103, 104, 105, 106, 107, 108]


def test_walks_come_to_count_more_where_they_are_the_idea():
    """On a land whose good holes lie far apart, the proposal for short walks walks less."""
    frame = ring(9)
    best = frame.assign(score=np.where(np.arange(9) % 3 == 0, 1.0, 0.35))
    no_mix = dict.fromkeys(("finish", "length", "climb", "lane_kind", "par", "in_a_row"), 0.0)
    weights = WeightSettings(quality=1500, total=0, **no_mix)
    made = {}
    for idea in ("most character", "shortest walks"):
        settings = LayoutSettings(proposals=1, ideas=(idea,), weights=weights, solver=QUICK)
        made[idea] = propose(grounds(), among(best), RED, 3, settings).proposals[0]
    assert made["shortest walks"]["walks_m"] < made["most character"]["walks_m"]
    assert made["shortest walks"]["mean_score"] < made["most character"]["mean_score"]


def test_the_gentlest_round_takes_clear_level_holes_before_good_ones():
    """Six of nine holes are good and hard, three are plain and easy."""
    easy = np.arange(9) % 3 == 0
    frame = ring(9).assign(
        score=np.where(easy, 0.3, 0.9), clear_rate=np.where(easy, 1.0, 0.5), rise_m=0.0
    )
    no_mix = dict.fromkeys(("finish", "length", "climb", "lane_kind", "par", "in_a_row"), 0.0)
    weights = WeightSettings(quality=1500, total=0, far_walk=1, **no_mix)
    for idea, clear in (("most character", 0.5), ("gentlest for beginners", 1.0)):
        settings = LayoutSettings(proposals=1, ideas=(idea,), weights=weights, solver=QUICK)
        (made,) = propose(grounds(), among(frame), RED, 3, settings).proposals
        assert made["mean_clear_rate"] == clear


def test_no_second_round_has_more_walk_than_play():
    """Five holes of 60 m around a land of 400 m: any round walks twice as far as it plays."""
    for most, proposals in ((1.0, 1), (9.0, 3)):
        settings = LayoutSettings(proposals=3, differ=0.4, most_walk=most, solver=QUICK)
        found = propose(grounds(), among(ring(9)), RED, 5, settings)
        assert len(found.proposals) == found.holes["proposal"].nunique() == proposals
        dropped = [w for w in found.warnings if w.startswith("no proposal for")]
        assert len(dropped) == 3 - proposals
    assert found.proposals[0]["walks_m"] > found.proposals[0]["length_m"]


def test_wishes_of_the_designer_reach_the_candidates():
    frame = ring()
    frame["name"] = [None, "Old oak", None, "Spring (designer)", None, None, None, None]
    legs = gpd.GeoDataFrame({"leg_id": [], "finish": []}, geometry=[], crs=UTM)
    lines = [shapely.force_2d(g).wkt for g in frame.geometry]
    hand = Hand(
        holes=(
            Drawn("Old oak", "", lines[1], "prefer"),
            Drawn("Spring", "Spring (designer)", lines[3], "lock", 4),
            Drawn("hole 6", "", lines[5], "avoid"),
            Drawn("Lost", "Lost (designer)", lines[0], "keep"),
        ),
        areas=(
            ("nursery", "keep out", shapely.get_point(frame.geometry[0], 0).buffer(5).wkt),
            ("noise", "avoid", shapely.get_point(frame.geometry[7], 0).buffer(5).wkt),
        ),
    )  # fmt: skip
    made, _, report = candidates_of(frame, legs, (RED,), open_land(), hand, LayoutSettings())
    assert made.holes["hole_id"].tolist() == [102, 103, 104, 105, 107, 108]
    assert made.wish.tolist() == [1, 0, 0, 0, 0, -1]
    assert made.must.tolist() == [False, False, True, False, False, False]
    assert made.place.tolist() == [0, 0, 4, 0, 0, 0]
    assert report.gone["hole 6"] == "the designer avoids it"
    assert any("hole Lost (keep)" in w for w in report.warnings)


def test_hole_table_has_a_row_for_every_hole_of_every_proposal(tmp_path):
    settings = LayoutSettings(proposals=2, differ=0.2, most_walk=9, solver=QUICK)
    found = propose(grounds(), among(ring()), RED, 4, settings)
    table = hole_table(found.holes)
    assert len(table) == 8
    write_holes_csv(tmp_path / "holes.csv", found.holes, feet_first=True)
    text = (tmp_path / "holes.csv").read_text(encoding="utf-8-sig").splitlines()
    names = text[0].split(",")
    assert names.index("length_ft") + 1 == names.index("length_m")
    assert len(text) == 9


def test_costs_of_walks_follow_the_weights():
    settings = LayoutSettings(weights=WeightSettings(walk=3.0, far_walk=2.0))
    time = np.array([[0.0, 100.0], [np.inf, 200.0]])
    easy = time * 0.8394570  # 6 exp(-0.175) km/h times 0.6, in m/s
    far = np.maximum(easy - 91, 0)
    assert cost_of(time, settings) == pytest.approx(3.0 * easy + 2.0 * far, rel=1e-5)


# ---------------------------------------------------------------------------------------------
# Points of a proposal against its published rows


def crossing_land(**weights):
    """A ring of holes with a wide line of fire across the middle of the land."""
    frame = ring(9)
    tee = shapely.get_coordinates(shapely.get_point(frame.geometry.to_numpy(), 0))
    fire = [shapely.Point(*place).buffer(45) for place in tee]
    settings = LayoutSettings(
        proposals=2, differ=0.2, solver=QUICK, weights=WeightSettings(**weights)
    )
    return propose(grounds(), among(frame, fire=np.array(fire, object)), RED, 6, settings)


def test_what_is_charged_is_what_is_drawn():
    """Terms of walks worked out from the rows published, by the weights of the settings."""
    found = crossing_land()
    weights = WeightSettings()
    crossed = 0
    for proposal in found.proposals:
        mine = found.walks[found.walks["proposal"] == proposal["proposal"]]
        crossings = int(mine["crosses"].notna().sum())
        crossed += crossings
        assert proposal["terms"]["crossings"] == -weights.crossing * crossings
        assert proposal["walks into lines of fire"] == crossings
        # Bare level ground: time as metres of easy walk is the length of the line, drawn on cells.
        assert -proposal["terms"]["walks"] == pytest.approx(
            weights.walk * mine["length_m"].sum(), rel=0.04
        )
        far = np.maximum(mine["length_m"] - 91.0, 0).sum()
        assert -proposal["terms"]["far walks"] == pytest.approx(weights.far_walk * far, rel=0.1)
    assert crossed


def test_without_a_price_more_walks_cross():
    free, priced = (crossing_land(crossing=points) for points in (0.0, 400.0))
    assert priced.walks["crosses"].notna().sum() < free.walks["crosses"].notna().sum()


def test_the_hours_of_trimming_are_charged_at_the_middle_of_their_range():
    hours = np.column_stack([np.arange(8.0), 2 * np.arange(8.0)])
    settings = LayoutSettings(proposals=1, solver=QUICK, weights=WeightSettings(trim=7.0))
    found = propose(grounds(), among(ring(), trim=hours), RED, 5, settings)
    middle = (found.holes["hole_id"] - 101).sum()
    assert found.proposals[0]["terms"]["trimming"] == pytest.approx(-7.0 * middle)
    assert found.proposals[0]["trim_hours_high"] == pytest.approx(2 * middle)


@pytest.mark.parametrize("threads", [1, 2])
def test_threads_and_a_busy_machine_change_nothing(threads):
    """The search ends by work done, so that other work beside it changes nothing."""
    settings = LayoutSettings(
        proposals=1, solver=SolverSettings(work=0.1, first=AnnealSettings(changes_each=150))
    )

    def lay(_number):
        with kernel_threads(threads):
            return propose(grounds(), among(ring(12)), RED, 7, settings)

    alone = lay(0)
    with ThreadPoolExecutor(3) as pool:
        for beside in pool.map(lay, range(3)):
            assert beside.holes.equals(alone.holes)
            assert beside.walks.equals(alone.walks)
            assert beside.proposals == alone.proposals


@pytest.mark.parametrize("weight", [0.0, 500.0])
def test_a_feature_brings_its_hole_into_the_round(weight):
    """The plainest hole is the only one over the pond; a tunnel has none."""
    holes = ring()
    plain = int(holes["score"].to_numpy().argmin())
    uses = np.zeros((len(holes), 2), bool)
    uses[plain, 0] = True
    first = FirstFeatures(np.array([1, 2]), ("pond", "tunnel"), np.array([1, 3]))
    settings = LayoutSettings(
        proposals=1, solver=QUICK, weights=WeightSettings(feature=weight, walk=0)
    )
    found = propose(grounds(), among(holes, first=first, uses=uses), RED, 4, settings)
    (proposal,) = found.proposals
    pond, tunnel = proposal["features"]
    order = dict(zip(found.holes["hole_id"], found.holes["play_order"], strict=True))
    mine = order.get(holes["hole_id"].iloc[plain])
    assert (mine is not None) == (weight > 0)
    assert pond["holes"] == ([mine] if mine else [])
    assert mine or (pond["in_conflict"] == 0 and pond["walk_m"] > 0)
    assert tunnel == {
        "feature_id": 2, "name": "tunnel", "holes": [], "holes that use it": 3, "candidates": 0,
    }  # fmt: skip


def test_the_round_that_showed_how_many_fit_begins_the_first_proposal(monkeypatch):
    """Where the search by an idea finds none, as among few holes far apart."""
    whole = search._first
    by_idea = 5  # arguments with those of an idea's own search, 3 where holes are counted
    monkeypatch.setattr(search, "_first", lambda *a: [] if len(a) == by_idea else whole(*a))
    settings = LayoutSettings(proposals=2, differ=0.4, most_walk=9, solver=QUICK)
    found = propose(grounds(), among(ring(9)), RED, 5, settings)
    assert len(found.proposals) == 1
    assert len(found.holes) == 5
