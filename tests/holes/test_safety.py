"""Room between holes on planted land, and the fast rules against the check of finished layouts."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from lanewright.holes import safety
from lanewright.holes.fairways import envelopes, fairways
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import level_named
from layout_worlds import check_layout

LEVELS = (level_named("blue"), level_named("green"))
SETTINGS = SafetySettings()
CORNER = np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])


def holes(*ends, level="blue", finish="straight", lines=None):
    """Holes of one throw each, given as x and y of tee and basket from the south-west corner."""
    lines = lines or [np.reshape(e, (-1, 2)) for e in ends]
    return gpd.GeoDataFrame(
        {
            "hole_id": np.arange(1, len(lines) + 1), "level": level, "finish": finish,
            "legs": [()] * len(lines),
            "play_order": np.arange(1, len(lines) + 1),
        },
        geometry=[shapely.LineString(line + CORNER) for line in lines], crs=leg_worlds.CRS,
    )  # fmt: skip


def open_land(size=300.0):
    return leg_worlds.bare(size, 1.0)


def with_trees(where, size=300.0):
    world = leg_worlds.bare(size, 1.0)
    x, y = leg_worlds.centres(world)
    return leg_worlds.planted(world, where(x, y), 1.0, high=10.0)


def reasons(frame, around, legs=None):
    found = safety.conflicts(frame, legs, LEVELS, around, SETTINGS)
    pairs = zip(found["first"], found["second"], strict=True)
    return dict(zip(pairs, found["reason"], strict=True))


def broke(frame, around, walks=None):
    return {v.rule for v in check_layout(frame, None, walks, LEVELS, around, SETTINGS)}


@pytest.mark.parametrize(("apart", "ok"), [(34, False), (36.5, False), (39, True)])
def test_parallel_fairways_keep_120_feet_over_open_ground(apart, ok):
    frame = holes((100, 40, 100, 140), (100 + apart, 40, 100 + apart, 140))
    assert (not reasons(frame, open_land())) is ok
    assert (not broke(frame, open_land())) is ok


@pytest.mark.parametrize(("apart", "ok"), [(19, False), (23, True)])
def test_trees_between_let_them_come_to_70_feet(apart, ok):
    """The wood fills the ground between but for 2 m beside each fairway."""
    around = with_trees(lambda x, y: (x > 102) & (x < 98 + apart))
    frame = holes((100, 40, 100, 140), (100 + apart, 40, 100 + apart, 140))
    assert (not reasons(frame, around)) is ok
    assert (not broke(frame, around)) is ok
    if ok:
        assert reasons(frame, open_land()) == {(0, 1): "fairways too near"}


def test_crossing_fairways_never_fit_whatever_grows_there():
    frame = holes((60, 100, 160, 100), (110, 40, 110, 160))
    everywhere = with_trees(lambda x, y: x > 0)
    assert reasons(frame, everywhere) == {(0, 1): "fairways too near"}
    assert "fairways too near" in broke(frame, everywhere)


def test_less_is_asked_where_throws_have_not_spread():
    """Two tees 12 m apart, their fairways 40 degrees apart: 16 m between them 20 m out."""
    a, b = np.radians(70), np.radians(110)
    frame = holes(
        (106, 40, 106 + 90 * np.cos(a), 40 + 90 * np.sin(a)),
        (94, 40, 94 + 90 * np.cos(b), 40 + 90 * np.sin(b)),
    )
    assert not reasons(frame, open_land())
    assert not broke(frame, open_land())


@pytest.mark.parametrize(
    ("tee", "reason"),
    [
        ((118, 140), None),  # 18 m beside the basket
        ((112, 140), "tee too near a green"),  # 12 m beside it
        ((100, 162), "past the basket"),  # 22 m behind it, in the line of play
        ((100, 175), None),  # 35 m behind it
        ((122, 110), "fairway too near a tee"),  # 22 m beside the landing, 30 asked for
    ],
)
def test_where_the_next_tee_may_stand(tee, reason):
    frame = holes((100, 40, 100, 140), (*tee, tee[0] + 100, tee[1] + 10))
    if reason is None:
        assert reasons(frame, open_land()) == {}
        assert broke(frame, open_land()) == set()
    else:
        assert list(reasons(frame, open_land())) == [(0, 1)]
        assert reason in broke(frame, open_land())


def test_no_tee_stands_in_the_cone_before_another_even_behind_trees():
    """50 m out and 13 m aside are 14.6 degrees; trees let a fairway pass a tee at 11 m there."""
    around = with_trees(lambda x, y: (x > 101.5) & ((x < 112) | (abs(y - 90) > 1.5)))
    frame = holes((100, 40, 100, 140), (113, 90, 220, 90))
    assert reasons(frame, around) == {(0, 1): "in the danger cone"}
    assert broke(frame, around) == {"in the danger cone"}
    frame = holes((100, 40, 100, 140), (115.5, 90, 220, 90))  # 17 degrees
    assert not reasons(frame, around)


def test_weaker_levels_spread_wider_and_need_full_room_sooner():
    near_tee = (100, 40, 100, 85), (130, 40, 130, 85)
    assert not reasons(holes(*near_tee), open_land())  # 45 m of a blue hole: 0.56 of 37 m
    assert reasons(holes(*near_tee, level="green"), open_land())  # a whole throw of green's


def random_holes(rng, count, size):
    frame = []
    while len(frame) < count:
        tee, angle, length = rng.uniform(20, size - 20, 2), rng.uniform(0, 7), rng.uniform(40, 100)
        bow = rng.uniform(-8, 8)
        u = np.linspace(0, 1, 33)[:, None]
        way = np.array([np.cos(angle), np.sin(angle)])
        side = way[::-1] * (-1, 1)
        line = tee + u * length * way
        line = line + bow * np.sin(np.pi * u) * side
        if (line > 15).all() and (line < size - 15).all():
            frame.append(line)
    made = holes(lines=frame)
    made["level"] = rng.choice([level.name for level in LEVELS], count)
    made["finish"] = rng.choice(["left", "right", "straight"], count)
    return made


@pytest.mark.parametrize("seed", range(3))
def test_what_the_fast_rules_pass_the_check_passes(seed):
    """Every pair the check faults is a conflict; the other way round, bar what is a metre off."""
    rng = np.random.default_rng(seed)
    bumps = rng.uniform(0, 300, (40, 2))
    around = with_trees(
        lambda x, y: np.min([np.hypot(x - a, y - b) for a, b in bumps], axis=0) < 14
    )
    frame = random_holes(rng, 30, 300.0)
    found = safety.conflicts(frame, None, LEVELS, around, SETTINGS)
    fast = set(zip(found["first"] + 1, found["second"] + 1, strict=True))
    faults = [v for v in check_layout(frame, None, None, LEVELS, around, SETTINGS) if v.other]
    slow = {(min(v.hole, v.other), max(v.hole, v.other)) for v in faults}
    assert slow <= fast
    assert len(slow) > 20
    marginal = found[[pair not in slow for pair in zip(found["first"] + 1, found["second"] + 1,
                                                       strict=True)]]  # fmt: skip
    assert len(marginal) <= 0.15 * len(found)


def test_both_routes_of_a_hole_keep_their_room():
    frame = holes((100, 40, 100, 140), (100, 40, 100, 139), (148, 40, 148, 140))
    bent = shapely.LineString(CORNER + np.array([(100, 40), (130, 90), (100, 139)]))
    frame.loc[1, "geometry"] = bent
    frame["pair_id"] = pd.array([2, 1, None], dtype="Int64")
    assert reasons(frame, open_land()) == {
        (0, 1): "routes of one hole",
        (0, 2): "fairways too near",  # its other route comes within 18 m
        (1, 2): "fairways too near",
    }


def test_either_route_of_one_hole_keeps_its_room_from_either_of_another():
    """Half-way the bold routes come within 20 m; everything else lies 40 m apart and more."""
    bends = ((100, 115), (100, 70), (150, 135), (150, 180))
    frame = holes(lines=[np.array([(x, 40), (half, 90), (x, 140)]) for x, half in bends])
    frame["pair_id"] = pd.array([2, 1, 4, 3], dtype="Int64")
    found = safety.conflicts(frame, None, LEVELS, open_land(), SETTINGS).set_index(
        ["first", "second"]
    )
    assert set(found.index) == {(0, 1), (2, 3), (0, 2), (0, 3), (1, 2), (1, 3)}
    near = found.loc[[(0, 2), (0, 3), (1, 2), (1, 3)]]
    assert (near["reason"] == "fairways too near").all()
    assert near["distance_m"].to_numpy() == pytest.approx(20, abs=1)


@pytest.mark.parametrize("beyond", [22, 28])
def test_a_cone_goes_on_past_a_landing_zone_as_far_as_the_setting_says(beyond):
    """A first throw of 100 m, then a right angle; a tee straight on, wood everywhere."""
    everywhere = with_trees(lambda x, y: x > 0)
    first, second = np.array([(100, 40), (100, 140)]), np.array([(100, 140), (200, 140)])
    other = np.array([(100, 140 + beyond), (30, 150 + beyond)])
    frame = holes(lines=[np.vstack([first, second]), other])
    frame["legs"] = [(1, 2), (3,)]
    legs = gpd.GeoDataFrame(
        {"leg_id": [1, 2, 3], "finish": "straight"},
        geometry=[shapely.LineString(line + CORNER) for line in (first, second, other)],
        crs=leg_worlds.CRS,
    )
    inside = beyond <= 100 * (SETTINGS.cone_reach - 1)
    expected = {(0, 1): "in the danger cone"} if inside else {}
    assert reasons(frame, everywhere, legs) == expected
    faults = check_layout(frame, legs, None, LEVELS, everywhere, SETTINGS)
    assert ("in the danger cone" in {fault.rule for fault in faults}) is inside


# ---------------------------------------------------------------------------------------------
# A hole by itself


def alone(frame, around):
    found = safety.alone(frame, None, LEVELS, around, SETTINGS)
    return dict(zip(found["hole"], found["reason"], strict=True))


@pytest.mark.parametrize(
    ("finish", "apart", "ok"),
    [
        ("straight", 27, False), ("straight", 34, True),
        ("right", 40, False),  # the throw fades towards it: 150 ft are asked for
        ("left", 40, True), ("right", 48, True),
    ],
)  # fmt: skip
def test_roads_and_other_keep_outs(finish, apart, ok):
    road = leg_worlds.box(150, 0, 156, 300)
    around = replace(open_land(), keep_out=road)
    frame = holes((150 - apart, 60, 150 - apart, 160), finish=finish)
    assert alone(frame, around) == ({} if ok else {0: "keep-out too near"})
    assert broke(frame, around) == (set() if ok else {"keep-out too near"})


@pytest.mark.parametrize(("apart", "ok"), [(20, False), (26, True)])
def test_property_line(apart, ok):
    frame = holes((apart, 60, apart, 160))
    assert alone(frame, open_land()) == ({} if ok else {0: "property line too near"})
    assert broke(frame, open_land()) == (set() if ok else {"property line too near"})


def test_buildings_and_paths_where_they_are_known():
    around = replace(
        open_land(), buildings=leg_worlds.box(130, 140, 140, 150),
        paths=shapely.LineString([(leg_worlds.LEFT + 40, leg_worlds.BOTTOM),
                                  (leg_worlds.LEFT + 40, leg_worlds.BOTTOM + 300)]),
    )  # fmt: skip
    assert alone(holes((100, 60, 100, 160)), around) == {0: "building too near"}
    assert alone(holes((60, 60, 60, 160)), around) == {0: "path too near"}
    assert broke(holes((60, 60, 60, 160)), around) == {"path too near"}


@pytest.mark.parametrize(("apart", "ok"), [(58, False), (64, True)])
def test_a_building_on_the_fade_side_asks_no_more_than_on_the_other(apart, ok):
    """Only keep-outs ask for more there: 61 m hold on both sides."""
    for finish in ("left", "right"):
        around = replace(open_land(), buildings=leg_worlds.box(200, 100, 210, 200))
        frame = holes((200 - apart, 60, 200 - apart, 160), finish=finish)
        assert alone(frame, around) == ({} if ok else {0: "building too near"})
        assert broke(frame, around) == (set() if ok else {"building too near"})


def test_the_worst_place_and_rule_are_reported():
    """Beside a house, and where two rules are broken at many places."""
    around = replace(open_land(), buildings=leg_worlds.box(130, 130, 140, 140))
    frame = holes((100, 60, 100, 160))
    found = safety.alone(frame, None, LEVELS, around, SETTINGS)
    (row,) = found.to_dict("records")
    assert row["distance_m"] == pytest.approx(30, abs=0.5)  # square to the house
    assert row["needed_m"] == pytest.approx(61 + safety.SLACK, abs=1)  # 80 m out
    pairs = safety.conflicts(holes((100, 40, 100, 140), (110, 40, 110, 140)), None, LEVELS,
                             open_land(), SETTINGS)  # fmt: skip
    (pair,) = pairs.to_dict("records")
    assert pair["distance_m"] == pytest.approx(10)  # nearer than 21 m, whatever grows there
    assert pair["needed_m"] == pytest.approx(21 + safety.SLACK)


@pytest.mark.parametrize(("beyond", "ok"), [(40, False), (48, True)])
def test_a_road_behind_the_basket_asks_for_150_feet(beyond, ok):
    around = replace(open_land(), keep_out=leg_worlds.box(0, 160 + beyond, 300, 165 + beyond))
    frame = holes((150, 60, 150, 160))
    assert alone(frame, around) == ({} if ok else {0: "keep-out too near"})
    assert broke(frame, around) == (set() if ok else {"keep-out too near"})


def test_the_cone_turns_with_the_line_of_play():
    """50 m out and 14 or 17 degrees aside, whichever way the hole is played; trees between."""
    everywhere = with_trees(lambda x, y: x > 0)
    for bearing in np.radians([20.0, 110.0, 200.0, 290.0]):
        way = np.array([np.sin(bearing), np.cos(bearing)])
        for aside, inside in ((14.0, True), (17.0, False)):
            turn = bearing + np.radians(aside)
            tee = 150 + 50 * np.array([np.sin(turn), np.cos(turn)])
            away = np.array([np.sin(bearing + np.pi / 2), np.cos(bearing + np.pi / 2)])
            frame = holes((150, 150, *(150 + 100 * way)), (*tee, *(tee + 90 * away)))
            assert (reasons(frame, everywhere) != {}) is inside
            assert (broke(frame, everywhere) & {"in the danger cone"} != set()) is inside


@pytest.mark.parametrize("part", [0.25, 0.5, 1.0])
def test_at_a_tee_the_part_that_the_setting_names_is_asked_for(part):
    """A tee beside a road and the play away from it: 30 m times the part."""
    settings = SETTINGS.model_copy(update={"at_tee": part, "boundary": (1.0, 1.0)})
    road = leg_worlds.box(150, 0, 156, 300)
    around = replace(open_land(), keep_out=road)
    for apart in (30 * part - 2, 30 * part + 3):
        frame = holes((150 - apart, 150, 150 - apart - 90, 150))
        found = safety.alone(frame, None, LEVELS, around, settings)
        broken = check_layout(frame, None, None, LEVELS, around, settings)
        assert bool(len(found)) == bool(broken) == (apart < 30 * part)


@pytest.mark.parametrize("full", [0.4, 0.8])
def test_the_whole_distance_is_asked_for_from_where_the_setting_says(full):
    """A road across the line of play, 30 m beyond a basket so many metres out, and one sooner."""
    settings = SETTINGS.model_copy(update={"full_at": full, "fade_side": 1.0})
    length = full * LEVELS[0].tee_throw
    for out in (0.5 * length, length):
        asked = 30 * out / length
        for apart, ok in ((asked - 2.5, False), (asked + 3, True)):
            road = leg_worlds.box(0, 60 + out + apart, 300, 60 + out + apart + 5)
            around = replace(open_land(), keep_out=road)
            frame = holes((150, 60, 150, 60 + out))
            assert safety.alone(frame, None, LEVELS, around, settings).empty is ok
            assert (not check_layout(frame, None, None, LEVELS, around, settings)) is ok


def test_wires_may_be_crossed_but_not_followed():
    wire = shapely.LineString(CORNER + np.array([(100.0, 0.0), (100.0, 300.0)]))
    around = replace(open_land(), wires=gpd.GeoDataFrame(geometry=[wire], crs=leg_worlds.CRS))
    along, over = holes((102, 60, 102, 160)), holes((50, 100, 150, 100))
    assert alone(along, around) == {0: "along wires"}
    assert broke(along, around) == {"along wires"}
    assert alone(over, around) == {}
    assert broke(over, around) == set()


# ---------------------------------------------------------------------------------------------
# Lines of fire


def test_envelope_is_as_wide_as_throws_spread():
    """Blue's aim spreads 2.5 degrees: 99 in 100 throws fall within 2.5 of that, 9.8 m at 90 m."""
    frame = holes((100, 40, 100, 130))
    ways = fairways(frame, None, LEVELS, SETTINGS)
    (shape,) = envelopes(ways, LEVELS, 1, SETTINGS)

    def across(y):
        line = shapely.LineString(CORNER + np.array([(0, y), (300, y)]))
        return shapely.intersection(shape, line).length

    reach = 2.5 * np.tan(np.radians(2.5))
    for y in (80, 100, 120):
        # a circle at y + d reaches y with less: the widest is a little wider than the radius there
        assert across(y) / 2 == pytest.approx(reach * (y - 40), rel=0.03)
    # As much longer as the speed's 4 % make it: 1.59 times that of the length, 2.5 times.
    assert shape.bounds[3] - CORNER[1] == pytest.approx(130 + 2.5 * 1.59 * 0.04 * 90 + 9.8, abs=0.3)
    aim = np.random.default_rng(0).normal(0, np.radians(2.5), 20_000)
    at = CORNER + np.column_stack([100 + 85 * np.sin(aim), 40 + 85 * np.cos(aim)])
    assert shapely.contains_xy(shape, at).mean() == pytest.approx(0.9876, abs=0.005)


def walks(line, crosses, leaves=1, comes=2):
    return gpd.GeoDataFrame(
        {"from_order": [leaves], "to_order": [comes], "crosses": [crosses]},
        geometry=[shapely.LineString(CORNER + np.array(line))], crs=leg_worlds.CRS,
    )  # fmt: skip


def test_walks_into_a_line_of_fire_need_a_mark():
    frame = holes((100, 40, 100, 140), (250, 60, 250, 150), (180, 150, 180, 50))
    through = [(116, 142), (250, 90), (250, 64)]  # over hole 3
    rule = {"walk in an unmarked line of fire"}
    assert broke(frame, open_land(), walks(through, None)) == rule
    assert (
        broke(frame, open_land(), walks(through, np.nan)) == rule
    )  # as a file gives an empty text
    assert broke(frame, open_land(), walks(through, "3, 2")) == set()
    around_it = [(100, 142), (100, 200), (270, 200), (275, 55), (252, 55)]
    assert broke(frame, open_land(), walks(around_it, None)) == set()


def test_no_holes_no_conflicts():
    none = holes((100, 40, 100, 140)).iloc[:0]
    assert safety.conflicts(none, None, LEVELS, open_land(), SETTINGS).empty
    assert safety.alone(none, None, LEVELS, open_land(), SETTINGS).empty
    assert check_layout(none, None, None, LEVELS, open_land(), SETTINGS) == []


def test_lines_of_fire_are_never_narrower_than_throws_landed():
    """Two thirds of a plane normal spread of 6 m across and 3 m along lie in this ellipse."""
    axes = 2 * np.sqrt(2 * np.log(3)) * np.array([6.0, 3.0])
    throws = np.random.default_rng(0).normal(0, (6, 3), (100_000, 2))
    inside = (throws / (axes / 2)) ** 2
    assert (inside.sum(1) < 1).mean() == pytest.approx(2 / 3, abs=0.005)
    frame = holes((100, 40, 100, 140))
    frame["legs"] = [(1,)] * len(frame)
    leg = frame.assign(
        leg_id=1, landing_long_m=axes[0], landing_wide_m=axes[1], landing_bearing_deg=90.0
    )
    ways = fairways(frame, leg, LEVELS, SETTINGS)
    assert ways.spread[-1] == pytest.approx(6.0)
    along = leg.assign(landing_bearing_deg=0.0)  # long the way it was thrown: the aim is wider
    assert fairways(frame, along, LEVELS, SETTINGS).spread[-1] == pytest.approx(
        100 * np.tan(np.radians(2.5))
    )


# ---------------------------------------------------------------------------------------------
# What stands between, and which rule is reported


def test_trees_between_two_places_are_a_share_of_the_way():
    """Wood from 150 m on: a way from 100 to 200 m lies half in it, whichever way it leads."""
    around = with_trees(lambda x, y: x > 150)
    a = CORNER + np.array([(100.0, 50.0), (200, 250), (160, 40), (60, 40), (140, 20)])
    b = CORNER + np.array([(200.0, 250.0), (100, 50), (240, 200), (140, 250), (164, 140)])
    shares = safety.trees_between(around, a, b)
    # Growth counts for where it stands, and for as far around as the scene looks.
    assert shares == pytest.approx([0.5, 0.5, 1, 0, 14 / 24], abs=0.12)


@pytest.mark.parametrize(("apart", "ok"), [(12, False), (17, True)])
def test_trees_before_the_property_line_let_a_fairway_come_nearer(apart, ok):
    """60 ft over open ground and 46 ft (14 m) in trees here; 20 m of open ground is too little."""
    settings = SETTINGS.model_copy(update={"boundary": (24.0, 14.0)})
    around = with_trees(lambda x, y: x < apart)
    frame = holes((apart, 60, apart, 160))
    assert safety.alone(frame, None, LEVELS, around, settings).empty is ok
    assert (check_layout(frame, None, None, LEVELS, around, settings) == []) is ok
    assert not safety.alone(frame, None, LEVELS, open_land(), settings).empty


def test_only_the_pairs_named_are_looked_at():
    frame = holes(*((100 + 20 * k, 40, 100 + 20 * k, 140) for k in range(4)))
    every = safety.conflicts(frame, None, LEVELS, open_land(), SETTINGS)
    assert len(every) == 3  # neighbours; 40 m apart is far enough
    some = safety.conflicts(frame, None, LEVELS, open_land(), SETTINGS, np.array([(2, 1), (0, 3)]))
    assert some[["first", "second"]].to_numpy().tolist() == [[1, 2]]
    none = safety.conflicts(frame, None, LEVELS, open_land(), SETTINGS, np.zeros((0, 2), np.int64))
    assert none.empty


def test_of_two_rules_the_one_broken_worse_is_reported():
    """A tee 3 m beside a tee is at a fifth of 15 m; its fairway turns away from the other."""
    frame = holes((100, 40, 100, 140), (103, 40, 203, 40))
    found = safety.conflicts(frame, None, LEVELS, open_land(), SETTINGS)
    ratio = (found["distance_m"] / found["needed_m"]).to_numpy()
    alone_broken = {
        name: SETTINGS.model_copy(update=off)
        for name, off in {"tees": {"fairway": (0.0, 0.0)}, "fairways": {"tees": 0.0}}.items()
    }
    others = [
        safety.conflicts(frame, None, LEVELS, open_land(), changed)
        for changed in alone_broken.values()
    ]
    assert all(ratio[0] <= (o["distance_m"] / o["needed_m"]).min() + 1e-9 for o in others)
    assert found["distance_m"][0] == pytest.approx(3.0)


@pytest.mark.parametrize(("metres", "ok"), [(24, True), (36, False)])
def test_a_wire_may_be_followed_as_far_as_the_setting_says(metres, ok):
    """A wire beside a straight hole of 90 m for so many metres; 30 m are allowed here."""
    settings = SETTINGS.model_copy(update={"wire_along": 30.0})
    wire = shapely.LineString(CORNER + np.array([(102.0, 90.0), (102.0, 90.0 + metres)]))
    around = replace(open_land(), wires=gpd.GeoDataFrame(geometry=[wire], crs=leg_worlds.CRS))
    # Nearer than `wire` beyond both ends as well, so the fairway lies beside it a little longer.
    near = settings.model_copy(update={"wire": 2.5})
    found = safety.alone(holes((100, 60, 100, 150)), None, LEVELS, around, near)
    assert found.empty is ok
    if not ok:
        assert found["reason"].tolist() == ["along wires"]
        assert found["distance_m"].tolist() == pytest.approx([2.0])


@pytest.mark.parametrize("bearing", [0.0, 60.0, 135.0, 250.0])
def test_the_side_a_throw_fades_to_turns_with_the_line_of_play(bearing):
    """A road 40 m to one side: too near for a throw that fades to it, far enough for another."""
    turn = np.radians(bearing)
    way, right = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    tee = np.array([150.0, 150.0]) - 45 * way
    # It ends before it lies abreast of the basket, behind which more is asked on both sides.
    ends = [150 + 40 * right + along * way for along in (-60, 35)]
    road = shapely.LineString(CORNER + np.array(ends)).buffer(0.5)
    around = replace(open_land(), keep_out=road)
    for finish, ok in (("right", False), ("left", True)):
        frame = holes((*tee, *(tee + 90 * way)), finish=finish)
        assert alone(frame, around) == ({} if ok else {0: "keep-out too near"})


def test_places_of_a_hole_know_how_far_they_are_from_tee_and_basket():
    """Three throws of 90, 60 and 45 m: at every place both ways add up to the whole."""
    corners = np.array([(30.0, 30.0), (120, 30), (120, 90), (165, 90)]) + CORNER
    lines = [shapely.LineString(corners[k : k + 2]) for k in range(3)]
    frame = holes(lines=[corners - CORNER])
    frame["legs"] = [(1, 2, 3)]
    legs = gpd.GeoDataFrame(
        {"leg_id": [1, 2, 3], "finish": ["left", "straight", "right"]},
        geometry=lines, crs=leg_worlds.CRS,
    )  # fmt: skip
    ways = fairways(frame, legs, LEVELS, SETTINGS, spacing=7.0)
    assert ways.along + ways.left == pytest.approx(np.full(len(ways.along), 195.0))
    ends = [np.flatnonzero(ways.leg == k)[[0, -1]] for k in range(3)]
    assert [ways.along[e].round(6).tolist() for e in ends] == [[0, 90], [90, 150], [150, 195]]
    assert [int(e[1] - e[0]) for e in ends] == [13, 9, 7]  # steps of at most 7 m
    assert np.flatnonzero(ways.basket).tolist() == [len(ways.along) - 1]
    sides = [np.unique(ways.fades[ways.leg == k]) for k in range(3)]
    assert sides[1].tolist() == [0]
    assert sides[0][0] == -sides[2][0] != 0


def test_landings_are_turned_with_the_way_they_were_thrown():
    """Long the way it was thrown, east here; across, the spread is that of its short axis."""
    axes = 2 * np.sqrt(2 * np.log(3)) * np.array([9.0, 6.0])
    frame = holes((40, 40, 120, 40))
    frame["legs"] = [(1,)]
    leg = frame.assign(leg_id=1, landing_long_m=axes[0], landing_wide_m=axes[1])
    for bearing, spread in ((90.0, 6.0), (0.0, 9.0), (135.0, np.hypot(9, 6) / np.sqrt(2))):
        ways = fairways(frame, leg.assign(landing_bearing_deg=bearing), LEVELS, SETTINGS)
        assert ways.spread[-1] == pytest.approx(spread)
