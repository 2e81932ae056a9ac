"""Clear rates against closed formulas, and the paths that are thrown."""

from dataclasses import replace
from functools import cache

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.stats import norm

import leg_worlds
from lanewright.flight.flight import fly_throws
from lanewright.legs import throwing
from lanewright.legs.contacts import contacts_of, disc_ratio
from lanewright.legs.throwing import Lines
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import ThrowSettings
from lanewright.settings.levels import level_named

CELL = 0.5
STRAIGHT = 0


@cache
def level_flights(name):
    return fly_throws((level_named(name),), FlightSettings()).levels[0]


def flights_of(name="blue", **spread):
    """Flights of a level; only the spreads that are given, and no margin on the apex."""
    flights = level_flights(name)
    every = {"lateral_sd_deg": 0.0, "height_sd_deg": 0.0, "speed_sd": 0.0, "hyzer_sd_deg": 0.0}
    changes = flights.spread.copy()
    for i, key in enumerate(("height_sd_deg", "speed_sd", "hyzer_sd_deg")):
        changes[..., i, :, :] *= spread.get(key, 0.0) / getattr(flights.level, key)
    aim = spread.get("lateral_sd_deg", 0.0)
    level = replace(flights.level, **(every | spread))
    return replace(
        flights,
        level=level,
        spread=changes,
        unsure=np.zeros_like(changes),
        apex_margin=1.0,
        aim_sd_deg=aim,
    )


LEVEL_GRADE = 3
AT_60 = 8  # bin of a 60 m throw


def aimed(flights, share, axis, arc=STRAIGHT):
    """Left (axis 1) or rise (axis 2) of the path aimed for at a share of the chord."""
    path = flights.path[AT_60, LEVEL_GRADE, arc, :65].astype(float)
    return np.interp(share, path[:, 0], path[:, axis])


def eastward(length=60.0, arc=STRAIGHT, copies=1, start=(200, 40)):
    """Lines along the middle of a 200 m square."""
    one = np.ones(copies, np.int64)
    return Lines(
        start[0] * one, start[1] * one, start[0] * one, (start[1] + round(length / CELL)) * one,
        arc * one,
    )  # fmt: skip


def throw(world, lines, flights, throws=4000, leaf_state="off", **settings):
    contacts = contacts_of(world, ThrowSettings(**settings), leaf_state)
    paths = throwing.paths_of(flights)
    seeds = np.arange(len(lines)).astype(np.uint64) + np.uint64(11)
    return throwing.throw(lines, flights, paths, contacts, seeds, throws, world.grid.cell)


def test_disc_meets_twigs_by_its_width():
    """(D + b) / b, Cauchy-Crofton for random lines and a convex body; 11.5 for 2 cm and 21 cm."""
    assert disc_ratio(ThrowSettings(disc=0.21, twig=0.02)) == pytest.approx(11.5)
    assert disc_ratio(ThrowSettings(disc=0.21, twig=0.21)) == pytest.approx(2.0)


def test_steady_throw_through_even_twigs_is_stopped_exponentially():
    """Beer-Lambert: exp(-contacts per metre x path); 60 m at 0.001 x 11.5 leave half the throws."""
    everywhere = leg_worlds.bare()
    world = leg_worlds.planted(everywhere, np.ones(everywhere.grid.shape, bool), 0.001)
    flights = flights_of()
    got = throw(world, eastward(copies=20), flights)
    expected = np.exp(-0.001 * 11.5 * 60.3)  # the arc is half a percent longer than its chord
    assert got.clear.mean() == pytest.approx(expected, abs=0.006)
    assert np.std(got.clear) < 1e-6  # all throws are the same, and each has the same chance


def test_unseen_stems_follow_the_poisson_formula_at_the_low_end():
    """P = exp(-n L (d + D)): 300/ha, d 0.25, D 0.21, L 60 m leave 0.437 (published check value)."""
    world = leg_worlds.bare()
    world = replace(world, canopy_height=np.full(world.grid.shape, 20.0, np.float32))
    flights = flights_of()
    settings = {"thin_stems_per_ha": 300.0, "thin_stem": 0.25, "disc": 0.21}
    got = throw(world, eastward(copies=20), flights, **settings)
    assert got.clear.min() == 1.0
    assert got.high.min() == 1.0
    assert got.low.mean() == pytest.approx(0.437, abs=0.01)


def test_share_that_passes_a_lane_is_the_normal_share_within_its_width():
    """Walls that nothing passes, 25 to 26 m ahead: clear if the line stays inside the gap there."""
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    tee_x, middle = x[0, 40], y[200, 0]
    wall = (np.abs(x - tee_x - 25) < 0.5) & (np.abs(y - middle) > 1.25)
    world = leg_worlds.planted(world, wall, 50.0)
    flights = flights_of(lateral_sd_deg=3.0)
    got = throw(world, eastward(copies=10), flights)
    # a straight throw is a small S: it passes the wall 0.3 m right of its chord
    off = aimed(flights, 25 / 60, 1) * 60
    sd = 25 * np.tan(np.radians(3.0))
    expected = norm.cdf((1.25 - off) / sd) - norm.cdf((-1.25 - off) / sd)
    assert got.clear.mean() == pytest.approx(expected, abs=0.02)


def test_throws_too_high_or_low_are_stopped_by_what_is_there():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    wall = np.abs(x - x[0, 40] - 30) < 0.5
    roof = leg_worlds.planted(world, wall, 50.0, low=4.5)
    brush = leg_worlds.planted(world, wall, 50.0, high=2.0)
    steady, shaky = flights_of(), flights_of(height_sd_deg=2.5)
    for planted in (roof, brush):
        assert throw(planted, eastward(), steady).clear[0] == 1.0
    height = aimed(steady, 0.5, 2) + 1.15
    sd = shaky.spread[AT_60, LEVEL_GRADE, STRAIGHT, 0, 32, 2]  # half way
    over = norm.cdf((4.5 - height) / sd)
    assert throw(roof, eastward(), shaky).clear[0] == pytest.approx(over, abs=0.03)
    # a throw so low that it lands before the brush touches nothing, so the share is no less
    under = 1 - norm.cdf((2.0 - height) / sd)
    assert throw(brush, eastward(), shaky).clear[0] >= under - 0.02


def test_a_known_trunk_is_met_by_chance_of_where_it_stands():
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)

    def rate(off, base=10.0, ahead=0.0):
        at = shapely.Point(leg_worlds.LEFT + x[0, 100] + ahead, leg_worlds.BOTTOM + y[200, 0] + off)
        tree = gpd.GeoDataFrame(
            {"dbh_cm": [30.0], "crown_base_m": [base]}, geometry=[at], crs=leg_worlds.CRS
        )
        sure = replace(world, trees=tree)
        got = throw(sure, eastward(copies=5), flights_of(), top_is_stem=1.0)
        return got.clear.mean()

    # swept strip of 0.30 + 0.21 m across a normal spread of 0.75 m about the tree that was found;
    # cells of half a metre are coarse for one trunk, over many places along the leg it evens out
    flights = flights_of()
    ahead = np.linspace(-6, 6, 15)
    path = aimed(flights, 0.5 + ahead / 60, 1) * 60
    for off in (0.0, -0.6, 1.1):
        expected = np.exp(-0.51 * norm.pdf(off - path, scale=0.75))
        rates = [rate(off, ahead=a) for a in ahead]
        np.testing.assert_allclose(rates, expected, atol=0.06)
        assert np.mean(rates) == pytest.approx(expected.mean(), abs=0.015)
    assert rate(4.0) == pytest.approx(1.0, abs=0.003)
    assert rate(0.0, base=2.0) == pytest.approx(1.0, abs=0.003)  # crown base below the flight


def test_what_was_not_searched_widens_the_band_both_ways():
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    world = leg_worlds.planted(world, (y < 60) | (x > 60), 0.002)
    searched = np.where(x > 60, np.uint64(0), world.searched)
    world = replace(world, searched=searched, canopy_height=np.zeros(x.shape, np.float32))
    got = throw(world, eastward(copies=10), flights_of())
    seen, unseen = 40, 20.3  # metres of the leg, from 20.25 to 80.25 m
    assert got.seen.mean() == pytest.approx(seen / (seen + unseen), abs=0.02)
    assert got.high.mean() == 1.0  # nothing stands where it was searched
    assert got.clear.mean() == pytest.approx(np.exp(-0.002 * 11.5 * unseen), abs=0.02)
    assert (got.low <= got.clear).all()
    # elsewhere 0.002 was found on 60 of 200 m: less to fear than what is expected here anyway
    np.testing.assert_allclose(got.low, got.clear)
    emptied = replace(world, density=np.where(x[..., None] > 60, 0, world.density).astype(np.uint8))
    fear = throw(emptied, eastward(copies=10), flights_of())
    assert fear.clear.min() == 1.0
    assert fear.low.mean() == pytest.approx(np.exp(-0.3 * 0.002 * 11.5 * unseen), abs=0.02)


def test_leaves_multiply_contacts_and_the_other_season_divides_them():
    everywhere = leg_worlds.bare()
    world = leg_worlds.planted(everywhere, np.ones(everywhere.grid.shape, bool), 0.0005)
    flights, lines = flights_of(), eastward(copies=10)
    u = np.linspace(0, 1, 1001)
    brush = np.mean(1.4 * (1 - u) + 0.9 * u + aimed(flights, u, 2) < 2.5)
    assert 0.1 < brush < 0.9
    once = 0.0005 * 11.5 * 60.3
    for wood, above, below in (("broadleaf", 3, 2), ("mixed", 2, 2), ("conifer", 1, 1)):
        factor = below * brush + above * (1 - brush)
        bare = throw(world, lines, flights, wood=wood)
        np.testing.assert_array_equal(bare.leaf_off, bare.clear)
        assert bare.leaf_on.mean() == pytest.approx(np.exp(-factor * once), abs=0.01)
        leafy = throw(world, lines, flights, leaf_state="on", wood=wood)
        np.testing.assert_array_equal(leafy.leaf_on, leafy.clear)
        factor = brush / below + (1 - brush) / above
        assert leafy.leaf_off.mean() == pytest.approx(np.exp(-factor * once), abs=0.01)


def test_the_same_leg_gets_the_same_throws_in_any_company():
    lines = eastward(copies=3)
    places = np.array([[1.0, 2, 3, 4], [5, 6, 7, 8], [1, 2, 3, 4]])
    seeds = throwing.seeds_of("blue", lines, *places.T)
    assert seeds[0] == seeds[2] != seeds[1]
    alone = throwing.seeds_of("blue", eastward(), *places[:1].T)
    assert alone[0] == seeds[0]
    assert throwing.seeds_of("red", eastward(), *places[:1].T)[0] != alone[0]
    assert throwing.seeds_of("blue", eastward(arc=1), *places[:1].T)[0] != alone[0]


def test_faster_throws_reach_past_the_target_but_count_no_farther():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    beyond = leg_worlds.planted(world, x > x[0, 40] + 61, 50.0)
    flights = flights_of(speed_sd=0.1)
    assert throw(beyond, eastward(), flights).clear[0] == 1.0


def test_stops_tell_where_the_wall_stands():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    wall = np.abs(x - x[0, 40] - 30) < 1.0
    world = leg_worlds.planted(world, wall, 50.0)
    flights = flights_of(lateral_sd_deg=2.5)
    contacts = contacts_of(world, ThrowSettings(), "off")
    got = throwing.throw(
        eastward(), flights, throwing.paths_of(flights), contacts,
        np.array([3], np.uint64), 500, CELL, stops=True,
    )  # fmt: skip
    stopped = got.stops[0][np.isfinite(got.stops[0, :, 0])]
    assert len(stopped) == pytest.approx((1 - got.clear[0]) * 500, abs=2)
    assert (np.abs(stopped[:, 0] * 60 - 30) < 1.6).all()
    assert np.std(stopped[:, 1]) == pytest.approx(30 * np.tan(np.radians(2.5)), rel=0.15)


def test_what_is_met_adds_up_to_the_clear_rate_and_can_be_taken_away():
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    world = leg_worlds.planted(world, np.abs(y - 100) > 1.5, 0.02)
    world = replace(world, searched=np.where(x > 60, np.uint64(0), world.searched))
    tree = gpd.GeoDataFrame(
        {"dbh_cm": [40.0], "crown_base_m": [8.0]},
        geometry=[shapely.Point(leg_worlds.LEFT + 50, leg_worlds.BOTTOM + 100)], crs=leg_worlds.CRS,
    )  # fmt: skip
    world = replace(world, trees=tree)
    flights, lines, throws = (
        flights_of(lateral_sd_deg=2.5, height_sd_deg=2.0),
        eastward(copies=3),
        300,
    )
    contacts = contacts_of(world, ThrowSettings(), "off")
    seeds = np.array([3, 5, 7], np.uint64)
    given = (
        lines, flights, throwing.paths_of(flights), contacts, seeds, throws, CELL,
    )  # fmt: skip
    thrown, met = throwing.throw(*given), throwing.meetings(*given)

    def clear(keep):
        throw = met.line.astype(np.int64) * throws + met.throw
        depth = np.bincount(throw[keep], met.depth[keep].astype(float), met.enough.size)
        return np.exp(-depth.reshape(met.enough.shape)).mean(1)

    every = np.ones(met.kind.size, bool)
    np.testing.assert_allclose(clear(every), thrown.clear, rtol=1e-12)
    assert (clear(met.kind != 1) > thrown.clear).all()  # without the trunk
    np.testing.assert_array_equal(clear(~every), 1.0)
    assert set(met.kind) == {0, 1, 2}
    order = np.lexsort((met.along, met.throw, met.line))
    np.testing.assert_array_equal(order, np.arange(met.kind.size))
    # where the lists say things stand
    assert (np.abs(met.left[met.kind == 0]) > 1.0).all()
    assert (20 + 60 * met.along[met.kind == 2] > 59).all()
    assert (met.height[met.kind == 1] < 8).all()
    assert (met.layer == np.floor(met.height * 4)).all()
    # nothing more is met by a world that lost all but its trunk
    emptied = replace(contacts, density=np.zeros_like(contacts.density))
    bare = throwing.throw(*given[:3], emptied, *given[4:])
    np.testing.assert_allclose(clear(met.kind == 1), bare.clear, rtol=1e-12)


def test_an_empty_field_is_clear_and_a_full_wall_lets_nothing_through():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    level = level_flights("red")
    every = eastward(copies=8)
    lines = Lines(every.tee_row, every.tee_col, every.end_row, every.end_col, np.arange(8))
    got = throw(world, lines, level, throws=500)
    for rate in (got.clear, got.low, got.high, got.leaf_on, got.leaf_off, got.seen):
        np.testing.assert_array_equal(rate, 1.0)
    assert (got.error > 0).all()
    # 2 m ahead of the tee no throw has landed yet, and none flies over 16 m
    wall = leg_worlds.planted(world, np.abs(x - x[0, 40] - 2) < 1, 1000.0)
    np.testing.assert_array_equal(throw(wall, lines, level, throws=500).clear, 0.0)


@pytest.mark.parametrize("throws", [16, 64, 128])
def test_standard_error_is_the_spread_of_repeated_rates(throws):
    """Rates of 400 sets of throws with other seeds scatter no more than the error says."""
    open_ = leg_worlds.bare()
    x, y = leg_worlds.centres(open_)
    level = level_flights("blue")
    for wood in (
        np.abs(y - 100) > 2.5,
        (np.abs(y - 101) > 3) & (x > 50),
        (x // 7 + y // 5) % 4 == 0,
    ):
        world = leg_worlds.planted(open_, wood, 0.01)
        got = throw(world, eastward(copies=400), level, throws=throws)
        assert 0.1 < got.clear.mean() < 0.9
        # One factor for all woods, careful for most: between smooth walls even throws do better
        # than it says, in small squares a little worse.
        assert 0.85 < got.error.mean() / got.clear.std(ddof=1) < 2.2


def test_64_even_throws_err_less_than_192_that_touch_or_not():
    """Rates against the mean of very many throws, and against the binomial of so many."""
    open_ = leg_worlds.bare()
    x, y = leg_worlds.centres(open_)
    level = level_flights("blue")
    for wood in (
        np.abs(y - 100) > 2.5,
        (np.abs(y - 101) > 3) & (x > 50),
        (x // 7 + y // 5) % 4 == 0,
    ):
        world = leg_worlds.planted(open_, wood, 0.01)
        rate = throw(world, eastward(), level, throws=8192).clear[0]
        got = throw(world, eastward(copies=400), level, throws=64)
        assert np.mean((got.clear - rate) ** 2) < rate * (1 - rate) / 192


def test_rise_is_taken_times_an_even_factor_up_to_the_margin():
    """A roof right over the path aimed for stops half the throws where it cuts the middle."""
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    flights = replace(flights_of(), apex_margin=1.25)
    rise = aimed(flights, 0.5, 2)
    at = np.abs(x - x[0, 40] - 30) < 0.5
    for low in (3.75, 4.0, 4.25):
        roof = leg_worlds.planted(world, at, 1000.0, low=low)
        expected = np.clip(((low - 1.15) / rise - 1) / 0.25, 0, 1)
        assert throw(roof, eastward(), flights).clear[0] == pytest.approx(expected, abs=0.06)


def test_threads_make_no_difference():
    import numba

    world = leg_worlds.bare()
    _, y = leg_worlds.centres(world)
    world = leg_worlds.planted(world, np.abs(y - 100) > 2, 0.02)
    level = level_flights("blue")
    before, answers = numba.get_num_threads(), []
    try:
        for n in (1, 2):
            numba.set_num_threads(min(n, numba.config.NUMBA_NUM_THREADS))
            answers.append(throw(world, eastward(copies=7), level, throws=200))
    finally:
        numba.set_num_threads(before)
    np.testing.assert_array_equal(answers[0].clear, answers[1].clear)
    np.testing.assert_array_equal(answers[0].low, answers[1].low)


def test_a_flight_into_a_knoll_is_no_throw_and_one_over_it_is():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    flights = flights_of()
    paths = throwing.paths_of(flights)
    shapes = [(a.finish, a.height) for a in flights.arcs]
    low, usual = shapes.index(("straight", "low")), shapes.index(("straight", "usual"))
    under = 1.15 + aimed(flights, 0.5, 2, low)
    assert 1.15 + aimed(flights, 0.5, 2, usual) > under + 0.5
    knolls = (0.0, [True, True]), (under + 0.1, [False, True]), (9.0, [False, False])
    for height, expected in knolls:
        knoll = height * np.exp(-(((x - x[0, 40] - 30) / 5) ** 2))
        hill = replace(world, ground=(world.ground + knoll).astype(np.float32))
        contacts = contacts_of(hill, ThrowSettings(landing=0.1), "off")
        got = [
            throwing.possible(eastward(arc=a), flights, paths, contacts, CELL)[0]
            for a in (low, usual)
        ]
        assert got == expected
