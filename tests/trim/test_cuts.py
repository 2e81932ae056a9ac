"""Lanes to cut in a planted wood whose least cut is known, and what each setting does to them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from skimage.graph import MCP_Geometric

import leg_worlds
from lanewright.base.schema import conform
from lanewright.flight.flight import fly_throws
from lanewright.kernels import corridors as kernel
from lanewright.legs.sites import find_sites
from lanewright.legs.thrower import thrower_of
from lanewright.scene import STAND, Scene
from lanewright.settings.cuts import CutsSettings
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from lanewright.settings.trim import TrimSettings
from lanewright.trim import corridors, cuts, treework
from lanewright.trim.cutlanes import lane_row, pads_of
from lanewright.trim.cuts import Cuts, anywhere, cutting, find_cuts
from lanewright.trim.keep import Brief
from lanewright.trim.plan import growth_of
from lanewright.trim.standing import TREE
from trim_worlds import Grown, Tree, grown

SMALL = LegsSettings(throws=32, sites=SitesSettings(boundary_setback=2.0))
LEGS = SMALL.model_copy(update={"most_unsafe": 1.0})  # the land is hardly longer than its lanes
CUTS = CutsSettings(keep=2, planned=6)
SEAM = (46.0, 54.0)  # m from the south edge, between which only two walls of brush stand
WALLS = (40.0, 75.0)  # m from the west edge, each 2 m thick
WOOD = Grown(0, 0, 120, 100, 0, 5, 0.6)
OPEN = Grown(8, SEAM[0], 112, SEAM[1], 0, 5, 0.0)


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("red",)), FlightSettings())


def dense(*things: Grown, trees: tuple[Tree, ...] = ()) -> Scene:
    """Brush of 5 m over 120 by 100 m under a roof, and what is planted in it."""
    bare = leg_worlds.bare(120.0)
    scene = grown(WOOD, *things, trees=trees, world=bare)
    thick = scene.table[scene.density] >= LEGS.blocked_density
    masks = (thick * (np.uint64(1) << np.arange(64, dtype=np.uint64))).sum(2, dtype=np.uint64)
    roof = np.full(scene.grid.shape, 8.0, np.float32)
    return replace(scene, blocked=masks, canopy_height=roof, land=leg_worlds.box(0, 0, 120, 100))


def walled(top: float = 5.0) -> tuple[Grown, ...]:
    """The seam with its walls, in growth as high as `top`."""
    walls = (Grown(x, SEAM[0], x + 2, SEAM[1], 0, top, 0.6) for x in WALLS)
    return replace(WOOD, high=top), replace(OPEN, high=top), *walls


def cut(scene: Scene, flights, settings: CutsSettings = CUTS, **trim) -> Cuts:
    return find_cuts(scene, flights, LEGS, TrimSettings(**trim), settings)


def test_the_least_cut_is_the_planted_seam(flights):
    """What must go is known: the brush of one wall or two, where the fairway crosses them."""
    got = cut(dense(*walled()), flights, CutsSettings(keep=1, planned=2))
    lanes = conform("cut_lanes", got.lanes)
    work = conform("cut_work", got.work)
    (lane,) = lanes.to_dict("records")
    inside = leg_worlds.box(0, SEAM[0] - 1, 120, SEAM[1] + 1)
    assert lane["geometry"].within(inside)
    assert lane["clear_rate"] < 2 / 3 <= lane["promised"]
    assert lane["stems"] == lane["stems_thin"] == 0
    walls = [leg_worlds.box(x, 0, x + 2, 100) for x in WALLS]
    crossed = sum(lane["geometry"].crosses(wall) for wall in walls)
    assert crossed >= 1
    # Walls of 2 m across a fairway no wider than the seam; a cell beyond is cut too. The walls of
    # the seam itself may be shaved where throws stray.
    assert 0 < lane["area_m2"] <= crossed * (2 + 1) * 8 + 30
    assert set(work["lane_id"]) == {1}
    assert (work["action"] != "fell tree").all()
    assert lane["hours_low"] == pytest.approx(work["hours_low"].sum(), abs=0.02)
    assert got.facts["lanes"] == 1
    assert lane["unsure_share"] == 0


def field(seed: int) -> tuple[kernel.Wood, kernel.Arcs]:
    """Random work on 40 by 40 cells, and two arcs, one straight and one bent."""
    rng = np.random.default_rng(seed)
    work = rng.exponential(0.02, (2, 2, 40, 40)).astype(np.float32)
    wood = kernel.Wood(
        work, np.array([1.0, 3.0]), np.array([3.0, np.inf]),
        rng.random((40, 40)).astype(np.float32), np.zeros((40, 40), np.float32),
        rng.random((40, 40)) < 0.01, 1.0,
    )  # fmt: skip
    share = np.linspace(0, 1, 17)
    path = np.zeros((3, 2, 1, 2, 17), np.float32)
    path[0] = share
    path[1, :, :, 1] = 0.4 * share * (1 - share)
    path[2] = 8 * share * (1 - share)
    exists = np.ones((2, 1, 2), bool)
    exists[0, 0, 1] = False
    arcs = kernel.Arcs(*path, exists, np.empty(0), 10.0, 10.0, 0.06, 0.2)
    return wood, arcs


def slow_line(wood, arcs, b, a, tee, end):
    """Hours of a line, said plainly."""
    ahead = np.array(end[:2]) - tee[:2]
    left = np.array([-ahead[1], ahead[0]])
    length = np.hypot(*ahead) * wood.cell
    hours = trees = 0.0
    for k in range(17):
        s = arcs.along[b, 0, a, k]
        r, c = np.floor(tee[:2] + ahead * s + left * arcs.left[b, 0, a, k]).astype(int)
        if not (0 <= r < 40 and 0 <= c < 40) or wood.closed[r, c]:
            return np.inf, 0.0
        height = tee[2] + (end[2] - tee[2]) * s + arcs.rise[b, 0, a, k]
        half = 0.1 + 0.06 * s * length
        work = wood.work[0 if half <= 1 else 1, 0 if height <= 3 else 1, r, c]
        hours += work * 2 * half * length / 16
        trees += wood.trees[r, c] / 17
    return hours, trees


@pytest.mark.parametrize("seed", range(4))
def test_the_search_agrees_with_trying_every_line_plainly(seed):
    wood, arcs = field(seed)
    rng = np.random.default_rng(seed + 100)
    tees, ends = (np.column_stack([rng.uniform(0, 40, (6, 2)), np.full(6, 1.5)]) for _ in "ab")
    slots = kernel.Slots(10.0, 28.0, 4, 2, 0.5, 0.05)
    best, which = np.full((6, 8), np.inf), np.full((6, 8), -1)
    arc = which.copy()
    kernel.cheapest(wood, arcs, slots, tees, ends, best, which, arc)
    expected = np.full((6, 8), np.inf)
    for t, tee in enumerate(tees):
        for end in ends:
            dr, dc = end[:2] - tee[:2]
            length = np.hypot(dr, dc)
            if not 10 <= length <= 28:
                continue
            turn = np.arctan2(dr, dc) / (2 * np.pi) % 1
            slot = int(turn * 4) * 2 + min(int((length - 10) / 9), 1)
            b = min(int((length - 10) / 10), 1)
            for a in range(2):
                if arcs.exists[b, 0, a]:
                    hours, trees = slow_line(wood, arcs, b, a, tee, end)
                    if hours >= 0.05 and trees >= 0.5:
                        expected[t, slot] = min(expected[t, slot], hours)
    assert np.isfinite(expected).any()
    np.testing.assert_allclose(best, expected, rtol=1e-4)
    assert ((which >= 0) == np.isfinite(expected)).all()


def test_no_free_path_is_cheaper_and_the_seam_is_as_cheap_as_one(flights):
    """The free least-cost path is scikit-image's; in a straight seam a flight needs no more."""
    scene = dense(*walled(top=14.0))  # no flight goes over it
    growth, _ = growth_of(scene, cutting(TrimSettings(), CUTS), LEGS, ())
    thrower = thrower_of(scene, flights, LEGS)
    wood = corridors.wood_of(thrower, growth)
    sites = find_sites(scene, anywhere(LEGS, CUTS).sites)
    (level,) = flights.levels
    narrow = corridors.arcs_of(level, LEGS)._replace(stray=0.0)
    seam = corridors.seams(wood, thrower, level, sites, CUTS)
    cheapest = np.lexsort((seam.hours / seam.length,))[:60]
    lower = wood.work[0].min(0).astype(float) + 1e-6
    crossing = 0
    for i in cheapest:
        tee, end = (
            np.array([(scene.grid.top - p.y), (p.x - scene.grid.left)]) / wood.cell
            for p in (
                sites.tees.geometry.iloc[seam.tee[i]],
                sites.baskets.geometry.iloc[seam.end[i]],
            )
        )
        free, _ = MCP_Geometric(lower).find_costs([tee.astype(int)])
        least = free[tuple(end.astype(int))] * wood.cell * narrow.disc
        places = [(*tee, 201.4), (*end, 200.8)]
        b = level.bin_of(np.array([seam.length[i]]))[0]
        hours, _ = kernel.line_work(
            wood, narrow, b, level.grade_of(np.array([seam.length[i]]), np.array([-0.6]))[0],
            seam.arc[i], *places, np.inf,
        )  # fmt: skip
        # The steps between samples are what the two may differ by.
        assert hours >= 0.7 * least
        inside = all(SEAM[0] + 2 < 120 - place[0] < SEAM[1] - 2 for place in places)
        over = any(min(tee[1], end[1]) < x - 3 and x + 5 < max(tee[1], end[1]) for x in WALLS)
        if inside and over:
            crossing += 1
            assert hours <= 1.6 * least
    assert crossing


TREES = tuple(
    Tree(x + 2, y + 2, height=12, crown=4, base=2.0, dbh=d)
    for x, d in zip(range(10, 110, 12), (8, 15, 25, 12, 18, 26, 9, 16, 14), strict=True)
    for y in range(10, 90, 12)
)


@pytest.fixture(scope="module")
def grove() -> Scene:
    """Brush with a seam, its west a meadow, and trees of 8 to 26 cm; some space never searched."""
    scene = dense(*walled(), Grown(0, 0, 50, 100, 0, 5, 0.0), Grown(60, 60, 118, 98, 0, 5, 0.03),
                  trees=TREES)  # fmt: skip
    x, y = leg_worlds.centres(scene)
    roof = np.where(x < 50, 0, scene.canopy_height).astype(np.float32)
    dark = (x > 55) & (x < 60) & (y > 40)
    hidden = scene.searched.copy()
    hidden[dark] = np.uint64(0xFFFF0)
    return replace(scene, canopy_height=roof, searched=hidden)


WIDE = CutsSettings(keep=6, planned=16)


@pytest.fixture(scope="module")
def as_set(grove, flights):
    got = cut(grove, flights, WIDE)
    assert len(got.lanes) >= 4
    return got


def same(a: Cuts, b: Cuts) -> bool:
    lanes = [conform("cut_lanes", c.lanes).drop(columns="geometry") for c in (a, b)]
    return len(lanes[0]) == len(lanes[1]) and bool(
        pd.DataFrame(lanes[0]).equals(pd.DataFrame(lanes[1]))
    )


@pytest.mark.parametrize(
    "change",
    [
        {"keep": 2},
        {"planned": 2},
        {"spacing": 7.0},
        {"apart": 60.0},
        {"shortest": 55.0},
        {"longest": 50.0},
        {"wooded": 0.0},
        {"thickest_cm": 10.0},
        {"fell_price": 200.0},
        {"most_hours": 3.0},
        {"least_sure": 1.0},
        {"least_density": 0.2},
        {"throws": 400},
        {"effort": 0.001},
    ],
    ids=lambda change: next(iter(change)),
)
def test_every_setting_changes_what_is_published(change, grove, flights, as_set):
    settings = WIDE.model_copy(update=change)
    got = cut(grove, flights, settings)
    assert not same(got, as_set)
    (name, value) = next(iter(change.items()))
    lanes = got.lanes
    match name:
        case "keep":
            assert len(lanes) == value
        case "planned":
            assert got.facts["lines_planned"] <= value
        case "shortest":
            assert (lanes["length_m"] >= value).all()
        case "longest":
            assert (lanes["length_m"] <= value).all()
        case "thickest_cm":
            assert not (lanes["thickest_cm"] > value).any()
        case "most_hours":
            assert ((lanes["hours_low"] + lanes["hours_high"]) / 2 <= value).all()
        case "apart":
            assert_distinct(lanes, value)


def assert_distinct(lanes, apart: float) -> None:
    """No two lanes have middles nearer than `apart` and directions within 30 degrees."""
    chords = [np.array(line.coords)[[0, -1], :2] for line in lanes.geometry]
    for i, a in enumerate(chords):
        for b in chords[:i]:
            ahead, other = a[1] - a[0], b[1] - b[0]
            along = abs(ahead @ other) / np.hypot(*ahead) / np.hypot(*other)
            away = np.hypot(*(a.mean(0) - b.mean(0)))
            assert along <= np.cos(np.radians(30)) + 1e-9 or away >= apart - 1e-6


def test_lanes_are_distinct_ranked_and_within_their_bounds(as_set, grove, flights):
    lanes = conform("cut_lanes", as_set.lanes)
    assert lanes["lane_id"].tolist() == list(range(1, len(lanes) + 1))
    assert (lanes["interest_per_hour"].diff().dropna() <= 1e-9).all()
    assert (lanes["promised"] >= 2 / 3).all()
    assert (lanes["clear_rate"] < 2 / 3).all()
    assert_distinct(lanes, WIDE.apart)
    middle = lanes.geometry.interpolate(0.5, normalized=True)
    assert middle.within(grove.land).all()
    work = conform("cut_work", as_set.work)
    by_lane = work.groupby("lane_id")["hours_low"].sum()
    # Clearing a tee comes on top.
    assert (lanes.set_index("lane_id")["hours_low"] >= by_lane - 0.05).all()


def test_crowded_lanes_count_for_more_hours(grove, flights):
    few = WIDE.model_copy(update={"keep": 3, "planned": 4, "for_rounds_per_ha": 0})
    some, apart = (
        cut(grove, flights, few.model_copy(update={"crowding": more})) for more in (0.0, 20.0)
    )
    assert not same(some, apart)


def test_no_lane_is_proposed_whose_throws_would_leave_the_property_once_it_is_cut(grove, flights):
    """Growth stops nearly all of them now, so that it would hide where the others would end."""
    got = cut(grove, flights, WIDE).legs
    assert (got["unsafe_share"] > SMALL.most_unsafe).any()
    safe = find_cuts(grove, flights, SMALL, TrimSettings(), WIDE).legs
    assert (safe["unsafe_share"] <= SMALL.most_unsafe).all()
    assert len(safe) < len(got)


def test_the_owner_who_fells_nothing_gets_lanes_that_fell_nothing(grove, flights):
    got = cut(grove, flights, WIDE, fell="never")
    assert (got.work["action"] != "fell tree").all()
    assert (got.lanes["stems"] + got.lanes["stems_thin"] == 0).all()


def test_what_must_stay_stays(flights):
    scene = dense(*walled())
    before = cut(scene, flights).lanes
    middle = before.geometry.iloc[0].interpolate(0.5, normalized=True)
    patch = leg_worlds.box(0, 40, 120, 60)
    kept = find_cuts(scene, flights, LEGS, TrimSettings(), CUTS,
                     Brief((("Polygon", patch.wkt),)))  # fmt: skip
    assert middle.within(patch)
    assert not kept.work.geometry.buffer(-0.01).intersects(patch).any()


def test_without_lidar_or_wish_there_are_no_lanes_to_cut(flights):
    scene = dense(*walled())
    for got in (
        cut(replace(scene, surveyed=False), flights),
        cut(scene, flights, CutsSettings(keep=0)),
    ):
        assert len(conform("cut_lanes", got.lanes)) == len(conform("cut_work", got.work)) == 0
        assert got.facts == {"lanes": 0, "lines_planned": 0}


def test_a_wood_with_few_lanes_or_none_says_so_and_why(as_set, grove, flights):
    assert len(as_set.lanes) == WIDE.keep or as_set.warnings
    cheap = cut(grove, flights, WIDE.model_copy(update={"most_hours": 0.01}))
    assert len(cheap.lanes) == 0
    (said,) = cheap.warnings
    assert said.startswith("no lanes to cut found, 6 asked for: the others of")
    none = cut(grove, flights, WIDE.model_copy(update={"shortest": 150, "longest": 160}))
    assert none.facts["lines_planned"] == 0
    (said,) = none.warnings
    assert said.startswith("no lanes to cut: no line between spots")
    open_land = leg_worlds.bare(100.0)
    assert find_cuts(open_land, flights, LEGS, TrimSettings(), CUTS).warnings == ()


def ends_at(*places: tuple[float, float]) -> pd.DataFrame:
    """Legs from each place to one in the open, metres from the south-west corner."""
    grid = leg_worlds.bare(120.0).grid
    x, y = np.array(places).T
    tee = grid.rowcol(leg_worlds.LEFT + x, leg_worlds.BOTTOM + y)
    end = grid.rowcol(leg_worlds.LEFT + np.full(len(x), 60.0), leg_worlds.BOTTOM + x * 0 + 50.0)
    return pd.DataFrame(
        dict(zip(("tee_row", "tee_col", "end_row", "end_col"), (*tee, *end), strict=True))
    )


def pads(places, trees=(), keep=(), **trim):
    scene = dense(OPEN, trees=trees)
    settings = cutting(TrimSettings(**trim), CUTS)
    growth, _ = growth_of(scene, settings, LEGS, keep)
    return pads_of(growth, ends_at(*places), LEGS.sites)


def test_a_tee_is_not_cleared_where_growth_must_stay():
    here, there = (30.2, 30.2), (30.2, 80.2)
    room = LEGS.sites.tee_room
    patch = leg_worlds.box(here[0] - room, here[1] - room, here[0] + room, here[1] + room)
    free, _ = pads((here, there), keep=(("Polygon", patch.wkt),))
    assert free.tolist() == [False, True]
    # In the open nothing stands that would have to stay.
    free, _ = pads(((30.2, 50.2),), keep=(("Polygon", leg_worlds.box(20, 46, 40, 54).wkt),))
    assert free.all()


def test_every_tree_in_the_room_of_a_tee_is_asked():
    """A thick stem stands beyond a sapling, and a third tree beyond the room."""
    room = LEGS.sites.tee_room
    sapling = Tree(30.2 + 0.2 * room, 30.2, dbh=8)
    thick, thin = (Tree(30.2, 30.2 + 0.8 * room, dbh=d) for d in (60, 12))
    beyond = Tree(30.2, 30.2 - 3 * room, dbh=60)
    free, _ = pads(((30.2, 30.2),), trees=(sapling, thick, beyond))
    assert not free[0]
    free, (pad,) = pads(((30.2, 30.2),), trees=(sapling, thin, beyond))
    assert free[0]
    assert pad.trees.tolist() == [0, 1]
    free, _ = pads(((30.2, 30.2),), trees=(sapling, thin, beyond), fell="never")
    assert not free[0]


def test_trees_of_a_clearing_are_counted_and_paid_once(as_set, grove, flights, monkeypatch):
    """Hours, stems and girth of a lane with two more trees at its tee, one felled by the plan."""
    growth, _ = growth_of(grove, cutting(TrimSettings(), WIDE), LEGS, ())
    given = {}

    def noted(growth, leg, plan, pad):
        row = lane_row(growth, leg, plan, pad)
        if (plan.pieces.action[plan.chosen] == TREE).any():
            given.setdefault("one", (growth, leg, plan, pad))
        return row

    monkeypatch.setattr(cuts, "lane_row", noted)
    cut(grove, flights, WIDE)
    growth, leg, plan, pad = given["one"]
    mine = plan.pieces.tree[plan.chosen & (plan.pieces.action == TREE)]
    others = np.setdiff1d(np.flatnonzero(growth.dbh <= WIDE.thickest_cm), mine)
    extra = others[np.argmax(growth.dbh[others])]
    bare = lane_row(growth, leg, plan, replace(pad, trees=mine))
    row = lane_row(growth, leg, plan, replace(pad, trees=np.r_[mine, extra]))
    low, high = treework.fell_hours(growth.dbh[[extra]], growth.settings)
    assert row["hours_low"] - bare["hours_low"] == pytest.approx(low[0])
    assert row["hours_high"] - bare["hours_high"] == pytest.approx(high[0])
    assert (row["stems"], row["stems_thin"]) == (bare["stems"] + 1, bare["stems_thin"])
    assert row["thickest_cm"] == max(growth.dbh[extra], *growth.dbh[mine])


def test_no_lane_is_published_that_begins_in_growth_to_be_kept(as_set, grove, flights):
    """The keep list holds growth beside the tees of lanes, where no throw meets it."""
    standing = (grove.blocked & STAND) != 0
    room = LEGS.sites.tee_room
    tees, patches = [], []
    for line in as_set.lanes.geometry:
        (x, y), ahead = line.coords[0][:2], np.subtract(line.coords[-1][:2], line.coords[0][:2])
        back = np.array([x, y]) - 0.7 * room * ahead / np.hypot(*ahead)
        row, col = grove.grid.rowcol(*back[:, None])
        if standing[row, col]:
            tees.append(shapely.Point(x, y))
            patches.append(shapely.Point(back).buffer(0.3 * room))
    assert tees
    brief = Brief(tuple(("Polygon", patch.wkt) for patch in patches))
    kept = find_cuts(grove, flights, LEGS, TrimSettings(), WIDE, brief).lanes.geometry.to_numpy()
    assert len(kept)
    starts = shapely.get_point(kept, 0)
    assert not any(shapely.dwithin(starts, tee, 0.1).any() for tee in tees)


def test_no_lane_is_led_over_unknown_ground(flights):
    scene = dense(*walled())
    x, _ = leg_worlds.centres(scene)
    hole = (x > 60) & (x < 62)
    scene = replace(scene, ground=np.where(hole, np.nan, scene.ground).astype(np.float32))
    growth, _ = growth_of(scene, cutting(TrimSettings(), CUTS), LEGS, ())
    wood = corridors.wood_of(thrower_of(scene, flights, LEGS), growth)
    assert wood.closed[:, 60:62].all()
    assert np.isfinite(wood.ground[~wood.closed]).all()
    lanes = cut(scene, flights).lanes
    assert len(lanes)
    assert not lanes.geometry.intersects(leg_worlds.box(60, 0, 62, 100)).any()


@pytest.mark.parametrize(("hand", "pole"), [(0.4, 5.0), (3.0, 3.0), (4.0, 3.0), (2.4, 10.0)])
def test_reaches_that_leave_no_bands_of_height_are_refused(hand, pole):
    with pytest.raises(ValueError, match="hand_reach must lie over"):
        TrimSettings(hand_reach=hand, pole_reach=pole)


def test_narrow_bands_of_height_still_have_work(flights):
    scene = dense(*walled())
    trim = cutting(TrimSettings(hand_reach=2.4, pole_reach=2.41), CUTS)
    growth, _ = growth_of(scene, trim, LEGS, ())
    assert np.isfinite(corridors.wood_of(thrower_of(scene, flights, LEGS), growth).work).all()
