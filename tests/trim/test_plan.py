"""Trim work on planted land: what is found, what is chosen, and whether the promise holds."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from every_set import brute_force
from lanewright.flight.flight import fly_throws
from lanewright.legs import throwing
from lanewright.legs.contacts import contacts_of
from lanewright.legs.thrower import thrower_of
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from lanewright.settings.trim import TrimSettings
from lanewright.trim import oneleg
from lanewright.trim import plan as trim
from lanewright.trim.oneleg import planned_legs
from lanewright.trim.standing import cells_of_voxels
from leg_worlds import score_own
from trim_worlds import Grown, Tree, grown

LEGS = LegsSettings(throws=1000, sites=SitesSettings(boundary_setback=2.0))
TRIM = TrimSettings(throws=600)
TEE, BASKET = (60.0, 100.0), (140.0, 100.0)  # m from the south-west corner; left is north


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue",)), FlightSettings())


@pytest.fixture(scope="module")
def legs(flights):
    """One straight leg of 80 m: 3.5 m up at 20 m, 4.8 m at 45 m, then down to the basket."""
    line = shapely.LineString(
        [(leg_worlds.LEFT + x, leg_worlds.BOTTOM + y) for x, y in (TEE, BASKET)]
    )
    legs = score_own(leg_worlds.bare(), flights, LEGS, [("a", line)], leaf_state="off").legs
    assert legs["finish"].tolist() == ["straight"]
    return legs


@pytest.fixture(scope="module")
def given(flights, legs):
    return flights, legs


def planned(world: Scene, given, settings: TrimSettings = TRIM, keep: trim.Keep = ()):
    flights, legs = given
    growth, said = trim.growth_of(world, settings, LEGS, keep)
    return trim.plan_legs(growth, thrower_of(world, flights, LEGS), legs, warnings=said)


def wishing(share: float, **more) -> TrimSettings:
    wished = dict.fromkeys(("open", "edge", "lane", "tunnel"), share)
    return TrimSettings(throws=600, wished=wished, **more)


# Brush across the way just after the tee, where the disc is still low.
WALL = Grown(63, 90, 65, 110, 0, 2.25, 3.0)
# Limbs across the way 20 m out.
SCREEN = Grown(79, 96.5, 81, 104.5, 2.75, 4.75, 4.0)
POLE_TREE = Tree(80, 104.5, base=2.5, crown=14.0)


def test_the_limb_zone_that_was_planted_is_found_within_a_metre(given):
    zone = replace(SCREEN, bottom=99.5, top=102.5)
    world = grown(zone, trees=(POLE_TREE,))
    work = planned(world, given, wishing(0.95)).work
    (piece,) = work[work["chosen"]].to_dict("records")
    assert piece["action"] == "take limbs"
    assert piece["tree_id"] == 10
    assert piece["reach"] == "pole saw"
    assert abs(piece["low_m"] - zone.low) <= 1.0
    assert abs(piece["high_m"] - zone.high) <= 1.0
    assert abs(piece["along_m"] - 20.0) <= 1.0
    found = piece["geometry"].centroid
    assert abs(found.x - leg_worlds.LEFT - 80) <= 1.0
    assert abs(found.y - leg_worlds.BOTTOM - 101) <= 1.0
    planted = leg_worlds.box(zone.left, zone.bottom, zone.right, zone.top)
    # No wider than what was planted, a cell and the grid's edge aside.
    assert piece["geometry"].difference(planted.buffer(1.0)).area == 0
    assert "tree 10" in piece["work"]


def test_offset_and_side_are_counted_from_the_tee(given):
    left = Grown(98, 101.5, 100, 107, 3.0, 7.0, 4.0)
    right = Grown(108, 94, 110, 99.5, 3.0, 7.0, 4.0)
    trees = Tree(99, 106, crown=10, base=3.0), Tree(109, 95, crown=10, base=3.0)
    world = grown(left, right, trees=trees)
    work = planned(world, given, wishing(1.0)).work
    by_tree = work.groupby("tree_id")
    # The throw bends a little; what matters is which side of its path a limb hangs on.
    assert set(by_tree.get_group(10)["side"]) <= {"left", "over"}
    assert set(by_tree.get_group(20)["side"]) <= {"right", "over"}
    assert (by_tree.get_group(10)["offset_m"] > 0).all()
    assert (by_tree.get_group(20)["offset_m"] < 0).all()


def test_known_least_set_is_chosen(given):
    # A screen that blocks the way, and frame beside the flight that few throws meet.
    frame = Grown(76, 104.5, 84, 112, 2.75, 6.0, 4.0)
    trees = Tree(80, 99, base=2.5, crown=8), Tree(80, 109, crown=9, base=2.5)
    world = grown(replace(SCREEN, top=103.0), frame, trees=trees)
    out = planned(world, given, wishing(0.9))
    chosen = out.work[out.work["chosen"]]
    assert chosen["tree_id"].tolist() == [10]
    (leg,) = out.per_leg.to_dict("records")
    assert leg["clear_rate"] < 0.9 <= leg["promised"]
    assert leg["reached"]
    assert leg["why"] == ""
    assert leg["gap"] <= 1e-3
    assert leg["felled"] == 0
    # One tree with a pole saw: 8 min at best, 20 min at half pace (rates of the settings).
    assert leg["hours_low"] == pytest.approx(8 / 60)
    assert leg["hours_high"] == pytest.approx(20 / 60 / 0.5)


def test_the_choice_of_a_leg_is_the_least_of_all_sets(given, monkeypatch):
    things = [SCREEN, replace(WALL, top=100.25), Grown(133, 95, 136, 101, 0, 2.5, 1.0)]
    world = grown(*things, trees=(POLE_TREE,))
    seen = []
    real = oneleg.choose

    def both(case, wanted, effort):
        got = real(case, wanted, effort)
        if case.cost.size <= 14:
            seen.append((got.cost, brute_force(case, wanted).cost))
        return got

    monkeypatch.setattr(oneleg, "choose", both)
    planned(world, given, wishing(0.8))
    assert seen
    for ours, least in seen:
        assert ours == pytest.approx(least, abs=1e-3)


def removed(world: Scene, growth, work, out_pieces) -> Scene:
    """The land after the work: densities of the pieces gone, felled trees gone."""
    code = world.density.copy()
    for voxels in out_pieces:
        row, col, layer = cells_of_voxels(voxels)
        code[row, col, layer] = 0
    felled = work[work["chosen"] & (work["action"] == "fell tree")]["tree_id"].astype(int)
    trees = world.trees[~world.trees["tree_id"].isin(felled)]
    return replace(world, density=code, trees=trees)


def chosen_voxels(growth, flights, legs):
    """Voxels of the pieces that a plan chose, found by planning again."""
    thrower = thrower_of(growth.scene, flights, LEGS)
    return [
        p.pieces.voxels[j]
        for p in planned_legs(growth, thrower.contacts, thrower.players[0], legs, LEGS.throws)
        for j in np.flatnonzero(p.chosen)
    ]  # fmt: skip


def thrown_anew(world, flights, legs, n, seed):
    level = flights.levels[0]
    lines = Lines.of(legs)
    contacts = contacts_of(world, LEGS.throw, "off")
    seeds = np.random.default_rng(seed).integers(0, 2**63, len(lines)).astype(np.uint64)
    return throwing.throw(
        lines, level, throwing.paths_of(level), contacts, seeds, n, world.grid.cell
    )


MIXED = (
    Grown(60, 80, 140, 120, 0.5, 6.0, 0.0006),  # a haze of twigs that nobody can point at
    replace(SCREEN, density=1.0),
    replace(WALL, density=0.1),
    Grown(94, 96, 98, 101, 3.0, 7.0, 0.3),
    Grown(132, 95, 136, 101, 0, 2.75, 0.5),
)


@pytest.mark.parametrize("wished", [0.4, 0.6])
def test_removing_the_pieces_and_throwing_again_gives_what_was_promised(given, wished):
    trees = (POLE_TREE, Tree(96, 96, crown=10, base=3.0))
    world = grown(*MIXED, trees=trees)
    flights, legs = given
    settings = wishing(wished)
    growth, _ = trim.growth_of(world, settings, LEGS, ())
    out = trim.plan_legs(growth, thrower_of(world, flights, LEGS), legs)
    (leg,) = out.per_leg.to_dict("records")
    # Before the work: the very throws that score a leg.
    level = flights.levels[0]
    lines = Lines.of(legs)
    tee, basket = (
        world.grid.xy(lines.tee_row, lines.tee_col), world.grid.xy(lines.end_row, lines.end_col)
    )  # fmt: skip
    scored = throwing.throw(
        lines, level, throwing.paths_of(level), contacts_of(world, LEGS.throw, "off"),
        throwing.seeds_of("blue", lines, *tee, *basket), LEGS.throws, world.grid.cell,
    )  # fmt: skip
    assert leg["clear_rate"] == pytest.approx(scored.clear[0], rel=1e-12)
    assert leg["leaf_on"] == pytest.approx(scored.leaf_on[0], abs=2 / LEGS.throws)
    assert leg["promised"] > leg["clear_rate"] + 0.05
    after = removed(world, growth, out.work, chosen_voxels(growth, flights, legs))
    n = 20_000
    for seed in (1, 2):
        again = thrown_anew(after, flights, legs, n, seed)
        p = float(again.clear[0])
        error = np.sqrt(p * (1 - p) * (1 / LEGS.throws + 1 / n))
        assert abs(leg["promised"] - p) <= 3 * error
        # In leaf too: the work takes the leaves along.
        p = float(again.leaf_on[0])
        error = np.sqrt(p * (1 - p) * (1 / LEGS.throws + 1 / n))
        assert abs(leg["leaf_on_promised"] - p) <= 3 * error


def test_felling_only_where_limbs_do_not_reach(given):
    # A trunk in the very middle, and limbs around it.
    trees = (Tree(80, 101, base=6.0, crown=8, dbh=28),)
    world = grown(Grown(78.5, 97, 81.5, 105, 2.5, 4.75, 1.0), trees=trees)
    low = planned(world, given, wishing(0.5))
    assert low.per_leg["reached"].all()
    assert "fell tree" not in set(low.work[low.work["chosen"]]["action"])
    most_by_limbs = planned(world, given, wishing(1.0, fell="never")).per_leg["most"].iloc[0]
    high = planned(world, given, wishing(min(most_by_limbs + 0.03, 0.999)))
    assert high.per_leg["felled"].tolist() == [1]
    felled = high.work[high.work["chosen"] & (high.work["action"] == "fell tree")]
    assert felled["reach"].tolist() == ["sawyer"]
    assert "last resort" in felled["flag"].iloc[0]


def test_work_that_cannot_reach_the_wish_is_proposed_down_to_a_share_of_it(given):
    trees = (Tree(80, 101, base=6.0, crown=8, dbh=28),)
    world = grown(Grown(78.5, 97, 81.5, 105, 2.5, 4.75, 1.0), trees=trees)
    done = {}
    for hopeless in (0.5, 1.0):
        out = planned(world, given, wishing(0.999, fell="never", hopeless=hopeless))
        assert not out.per_leg["reached"].any()
        done[hopeless] = int(out.work["chosen"].sum())
    assert done[0.5] > 0
    assert done[1.0] == 0


def test_trees_go_freely_only_where_that_is_set(given):
    """Limbs of a small tree in the way: a pole saw takes 8 to 20 minutes, felling it 3 to 6."""
    tree = Tree(70, 100, height=6.0, base=3.0, crown=2.5, dbh=8.0)
    world = grown(Grown(69, 98.75, 71, 101.25, 2.5, 6.0, 4.0), trees=(tree,))
    for fell in ("last resort", "freely"):
        out = planned(world, given, wishing(0.9, fell=fell, fell_price=0.0))
        done = set(out.work.loc[out.work["chosen"], "action"])
        assert ("fell tree" in done) == (fell == "freely")
        assert out.per_leg["reached"].all()


def test_promise_of_felling_holds_too(given):
    trees = (Tree(80, 101, base=6.0, crown=8, dbh=29), Tree(82, 102, base=6.0, crown=3, dbh=25))
    world = grown(replace(WALL, density=0.2), trees=trees)
    flights, legs = given
    settings = wishing(0.97, fell_price=1.0)
    growth, _ = trim.growth_of(world, settings, LEGS, ())
    out = trim.plan_legs(growth, thrower_of(world, flights, LEGS), legs)
    (leg,) = out.per_leg.to_dict("records")
    assert leg["felled"] >= 1
    assert leg["promised"] > leg["clear_rate"]
    after = removed(world, growth, out.work, chosen_voxels(growth, flights, legs))
    p = float(thrown_anew(after, flights, legs, 20_000, 5).clear[0])
    error = np.sqrt(max(p * (1 - p), 0.01) * (1 / LEGS.throws + 1 / 20_000))
    assert abs(leg["promised"] - p) <= 3 * error


def test_trunk_in_the_way_is_named_when_nothing_may_be_felled(given):
    trees = (Tree(80, 101, base=6.0, crown=8, dbh=60), Tree(80.5, 100.5, base=6.0, dbh=70))
    out = planned(grown(trees=trees), given, wishing(1.0, fell="never"))
    (leg,) = out.per_leg.to_dict("records")
    assert not leg["reached"]
    assert "trunks" in leg["why"]
    # The designer's own hole is named in a warning, with the reason.
    assert out.warnings == (f"own hole a, blue: {leg['why']}",)
    assert out.facts["out_of_reach"] == {str(leg["leg_id"]): leg["why"]}
    assert "tree 10" in leg["why"] or "tree 20" in leg["why"]
    # Stems this thick are an arborist's: they are not proposed under any settings here.
    thick = planned(grown(trees=trees), given, wishing(1.0))
    assert thick.per_leg["felled"].tolist() == [0]


def test_space_that_lidar_did_not_see_is_named_and_not_proposed(given):
    world = grown(WALL)
    hidden = world.searched.copy()
    x, y = leg_worlds.centres(world)
    wall = (x >= WALL.left) & (x <= WALL.right) & (y >= WALL.bottom) & (y <= WALL.top)
    hidden[wall] = 0
    out = planned(replace(world, searched=hidden), given)
    (leg,) = out.per_leg.to_dict("records")
    assert not leg["reached"]
    assert "space not seen" in leg["why"]
    assert not out.work["chosen"].any()


def test_water_keeps_its_buffer_and_says_so(given):
    world = grown(WALL)
    x, y = leg_worlds.centres(world)
    wet = replace(world, water=(np.abs(x - 64) < 4) & (np.abs(y - 114) < 4))
    out = planned(wet, given, wishing(0.95, buffer=60.0))
    assert "water's buffer" in out.per_leg["why"].iloc[0]
    assert not out.work["chosen"].any()


@pytest.mark.parametrize("kind", ["polygon", "tree"])
def test_keep_list_is_honoured_exactly(given, kind):
    world = grown(WALL, SCREEN, trees=(POLE_TREE,))
    if kind == "polygon":
        shape = leg_worlds.box(62, 80, 66, 120)
    else:
        shape = shapely.Point(leg_worlds.LEFT + POLE_TREE.x, leg_worlds.BOTTOM + POLE_TREE.y)
    keep = ((shape.geom_type, shape.wkt),)
    out = planned(world, given, wishing(1.0), keep)
    if kind == "polygon":
        assert out.work.geometry.intersection(shape).area.max() < 1e-9
    else:
        assert 10 not in set(out.work["tree_id"].dropna())
    assert "on the keep list" in out.per_leg["why"].iloc[0]


def test_keep_list_off_the_property_is_warned_of_with_distances(given):
    away = shapely.Point(leg_worlds.LEFT - 120, leg_worlds.BOTTOM + 50)
    alone = shapely.Point(leg_worlds.LEFT + 30, leg_worlds.BOTTOM + 30)
    keep = tuple((s.geom_type, s.wkt) for s in (away, alone))
    world = grown(SCREEN, trees=(POLE_TREE,))
    _, said = trim.growth_of(world, TRIM, LEGS, keep)
    assert "120 m (394 ft) off the property" in said[0]
    assert "no tree was found within 2 m of its point 2" in said[1]


def test_a_clear_leg_needs_nothing(given):
    out = planned(grown(), given)
    (leg,) = out.per_leg.to_dict("records")
    assert leg["reached"]
    assert leg["hours_high"] == 0
    assert out.work.empty


def test_only_what_was_solved_counts_as_proven_least(given):
    """A leg that needs no work, and one that no work opens, were never put to the solver."""
    clear = planned(grown(), given)
    trees = (Tree(80, 101, base=6.0, crown=8, dbh=60), Tree(80.5, 100.5, base=6.0, dbh=70))
    hopeless = planned(grown(trees=trees), given, wishing(1.0, fell="never"))
    solved = planned(grown(SCREEN, trees=(POLE_TREE,)), given, wishing(0.9))
    for out, count in ((clear, 0), (hopeless, 0), (solved, 1)):
        assert len(out.per_leg) == 1
        assert out.per_leg["gap"].notna().sum() == count
        assert out.facts["legs_solved"] == out.facts["legs_proven_least"] == count
        assert (out.facts["largest_gap"] is not None) == bool(count)


def test_crown_share_is_flagged_past_a_quarter(given):
    # All of the crown hangs in the lane: taking it takes most of the foliage.
    small = Tree(80, 101, height=6.0, crown=3.0, base=2.5, dbh=8)
    world = grown(Grown(78.5, 99.5, 81.5, 102.5, 2.5, 5.75, 3.0), trees=(small,))
    out = planned(world, given, wishing(0.98))
    limbs = out.work[out.work["chosen"] & (out.work["action"] == "take limbs")]
    assert (limbs["crown_share"] > 0.25).all()
    assert limbs["flag"].str.contains("more than a quarter").all()
    assert any("a quarter of the live crown" in w for w in out.warnings)
    # A tall tree that loses a few low limbs is not.
    tall = Tree(80, 104.5, height=24.0, base=2.5, crown=14.0)
    body = Grown(74, 99, 86, 111, 7.0, 16.0, 3.0)
    fine = planned(grown(SCREEN, body, trees=(tall,)), given, wishing(0.8))
    share = fine.work[fine.work["chosen"]]["crown_share"]
    assert (share < 0.1).all()
    assert not fine.work[fine.work["chosen"]]["flag"].fillna("").str.contains("quarter").any()


def many_legs(n, rng):
    starts = rng.uniform(0, 400, (n, 2)) + np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])
    rate = rng.uniform(0.1, 1.0, n)
    return gpd.GeoDataFrame(
        {
            "leg_id": np.arange(1, n + 1), "origin": np.where(np.arange(n) < 4, "own", "search"),
            "lane_kind": rng.choice(["open", "edge", "lane", "tunnel"], n),
            "promise": rng.random(n),
            "clear_rate": rate, "clear_rate_leaf_on": 0.9 * rate, "clear_rate_se": 0.02,
        },
        geometry=[shapely.LineString([s, s + np.array([60, 0])]) for s in starts],
        crs=leg_worlds.CRS,
    )  # fmt: skip


def test_legs_are_planned_that_need_it_all_over_the_land():
    legs = many_legs(400, np.random.default_rng(3))
    wanted = legs["leg_id"].to_numpy()[::2]
    settings = TrimSettings(legs=40, wished={"open": 0.9})
    hard, clear = trim.chosen_legs(legs, wanted, settings)
    table = legs.iloc[hard]
    own = table["origin"] == "own"
    assert (~own).sum() == 40
    assert set(table[~own]["leg_id"]) <= set(wanted)
    wished = table["lane_kind"].map(lambda kind: oneleg.wished_of(kind, settings))
    assert (table[["clear_rate", "clear_rate_leaf_on"]].min(axis=1) < wished).all()
    # None of those asked for is left out that is clear as it is, and none is planned for nothing.
    done = legs.iloc[clear]
    kind = done["lane_kind"].map(lambda kind: oneleg.wished_of(kind, settings))
    assert (done["clear_rate_leaf_on"] >= kind).all()
    assert not set(hard) & set(clear)
    # Spread: no square of 50 m has a second leg before every square with one has its first.
    starts = shapely.get_coordinates(shapely.get_point(table.geometry.to_numpy(), 0))
    squares = np.floor(starts / 50)
    assert len(np.unique(squares[~own.to_numpy()], axis=0)) >= 30


def test_clear_legs_have_a_row_without_work(given):
    flights, legs = given
    world = leg_worlds.bare()
    growth, _ = trim.growth_of(world, TRIM, LEGS, ())
    out = trim.plan_legs(growth, thrower_of(world, flights, LEGS), legs.head(0), clear=legs)
    (row,) = out.per_leg.to_dict("records")
    assert row["reached"]
    assert row["hours_high"] == 0
    assert row["promised"] == legs["clear_rate"].iloc[0]
    frame = gpd.GeoDataFrame({"hole_id": [1, 2]}, geometry=[None, None], crs=leg_worlds.CRS)
    links = pd.DataFrame({"hole_id": [1, 2], "throw": 0, "leg_id": [legs["leg_id"].iloc[0], 99]})
    holes = SimpleNamespace(holes=frame, links=links)
    hours = trim.with_hours(holes, out)
    assert hours["trim_hours_high"].iloc[0] == 0
    assert np.isnan(hours["trim_hours_high"].iloc[1])
