"""Clear rates against closed formulas, and the paths that are thrown."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.stats import norm

import leg_worlds
from lanewright import throwing
from lanewright.config import FlightSettings, ThrowSettings
from lanewright.flight import fly_throws
from lanewright.levels import level_named
from lanewright.throwing import Lines

CELL = 0.5
STRAIGHT = 0


def flights_of(name="blue", **spread):
    flights = fly_throws((level_named(name),), FlightSettings())
    return replace(flights.levels[0], level=replace(flights.levels[0].level, **spread))


STEADY = {"lateral_sd_deg": 0.0, "height_sd_deg": 0.0, "speed_sd": 0.0}


def eastward(length=60.0, arc=STRAIGHT, copies=1, start=(200, 40)):
    """Lines along the middle of a 200 m square."""
    one = np.ones(copies, np.int64)
    return Lines(
        start[0] * one, start[1] * one, start[0] * one, (start[1] + round(length / CELL)) * one,
        arc * one,
    )  # fmt: skip


def throw(world, lines, flights, throws=4000, leaf_state="off", **settings):
    contacts = throwing.contacts_of(world, ThrowSettings(**settings), leaf_state)
    paths = throwing.sampled(flights, world.grid.cell)
    seeds = np.arange(len(lines)).astype(np.uint64) + np.uint64(11)
    return throwing.throw(lines, flights, paths, contacts, seeds, throws, world.grid.cell)


def test_disc_meets_twigs_by_its_width():
    """(D + b) / b, Cauchy-Crofton for random lines and a convex body; 11.5 for 2 cm and 21 cm."""
    assert throwing.disc_ratio(ThrowSettings(disc=0.21, twig=0.02)) == pytest.approx(11.5)
    assert throwing.disc_ratio(ThrowSettings(disc=0.21, twig=0.21)) == pytest.approx(2.0)


def test_steady_throw_through_even_twigs_is_stopped_exponentially():
    """Beer-Lambert: exp(-contacts per metre x path); 60 m at 0.001 x 11.5 leave half the throws."""
    everywhere = leg_worlds.bare()
    world = leg_worlds.planted(everywhere, np.ones(everywhere.grid.shape, bool), 0.001)
    flights = flights_of(**STEADY)
    got = throw(world, eastward(copies=20), flights)
    expected = np.exp(-0.001 * 11.5 * 60.3)  # the arc is half a percent longer than its chord
    assert got.clear.mean() == pytest.approx(expected, abs=0.006)
    assert np.std(got.clear) == pytest.approx(np.sqrt(expected * (1 - expected) / 4000), rel=0.5)
    np.testing.assert_allclose(got.error, np.sqrt(expected * (1 - expected) / 4000), rtol=0.05)


def test_unseen_stems_follow_the_poisson_formula_at_the_low_end():
    """P = exp(-n L (d + D)): 300/ha, d 0.25, D 0.21, L 60 m leave 0.437 (published check value)."""
    world = leg_worlds.bare()
    world = replace(world, canopy_height=np.full(world.grid.shape, 20.0, np.float32))
    flights = flights_of(**STEADY)
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
    flights = flights_of(**(STEADY | {"lateral_sd_deg": 3.0}))
    got = throw(world, eastward(copies=10), flights)
    # a straight throw is a small S: it passes the wall 0.3 m right of its chord
    off = np.interp(25 / 60, flights.along[8, 0], flights.left[8, 0]) * 60
    sd = 25 * np.tan(np.radians(3.0))
    expected = norm.cdf((1.25 - off) / sd) - norm.cdf((-1.25 - off) / sd)
    assert got.clear.mean() == pytest.approx(expected, abs=0.02)


def test_throws_too_high_or_low_are_stopped_by_what_is_there():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    wall = np.abs(x - x[0, 40] - 30) < 0.5
    roof = leg_worlds.planted(world, wall, 50.0, low=4.5)
    brush = leg_worlds.planted(world, wall, 50.0, high=2.0)
    steady, shaky = flights_of(**STEADY), flights_of(**(STEADY | {"height_sd_deg": 2.5}))
    for planted in (roof, brush):
        assert throw(planted, eastward(), steady).clear[0] == 1.0
    height = np.interp(0.5, steady.along[8, 0], steady.rise[8, 0]) + 1.15
    sd = 30 * np.tan(np.radians(2.5))
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
        got = throw(replace(world, trees=tree), eastward(copies=5), flights_of(**STEADY))
        return got.clear.mean()

    # swept strip of 0.30 + 0.21 m across a normal spread of 0.75 m about the tree that was found;
    # cells of half a metre are coarse for one trunk, over many places along the leg it evens out
    flights = flights_of()
    ahead = np.linspace(-6, 6, 15)
    path = np.interp(0.5 + ahead / 60, flights.along[8, 0], flights.left[8, 0]) * 60
    for off in (0.0, -0.6, 1.1):
        expected = np.exp(-0.51 * norm.pdf(off - path, scale=0.75))
        rates = [rate(off, ahead=a) for a in ahead]
        np.testing.assert_allclose(rates, expected, atol=0.06)
        assert np.mean(rates) == pytest.approx(expected.mean(), abs=0.01)
    assert rate(4.0) == pytest.approx(1.0, abs=0.003)
    assert rate(0.0, base=2.0) == pytest.approx(1.0, abs=0.003)  # crown base below the flight


def test_what_was_not_searched_widens_the_band_both_ways():
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    world = leg_worlds.planted(world, (y < 60) | (x > 60), 0.002)
    searched = np.where(x > 60, np.uint64(0), world.searched)
    world = replace(world, searched=searched, canopy_height=np.zeros(x.shape, np.float32))
    got = throw(world, eastward(copies=10), flights_of(**STEADY))
    seen, unseen = 40, 20.3  # metres of the leg, from 20.25 to 80.25 m
    assert got.seen.mean() == pytest.approx(seen / (seen + unseen), abs=0.02)
    assert got.high.mean() == 1.0  # nothing stands where it was searched
    assert got.clear.mean() == pytest.approx(np.exp(-0.002 * 11.5 * unseen), abs=0.02)
    assert (got.low <= got.clear).all()
    # elsewhere 0.002 was found on 60 of 200 m: less to fear than what is expected here anyway
    np.testing.assert_allclose(got.low, got.clear)
    emptied = replace(world, density=np.where(x[..., None] > 60, 0, world.density).astype(np.uint8))
    fear = throw(emptied, eastward(copies=10), flights_of(**STEADY))
    assert fear.clear.min() == 1.0
    assert fear.low.mean() == pytest.approx(np.exp(-0.3 * 0.002 * 11.5 * unseen), abs=0.02)


def test_leaves_multiply_contacts_unless_the_survey_saw_them():
    everywhere = leg_worlds.bare()
    world = leg_worlds.planted(everywhere, np.ones(everywhere.grid.shape, bool), 0.0005)
    flights, lines = flights_of(**STEADY), eastward(copies=10)
    for wood, factor in (("broadleaf", 3), ("mixed", 2), ("conifer", 1)):
        got = throw(world, lines, flights, wood=wood)
        expected = np.exp(-0.0005 * factor * 11.5 * 60.3)
        assert got.leaf_on.mean() == pytest.approx(expected, abs=0.01)
        assert (got.leaf_on <= got.clear).all()
    in_leaf = throw(world, lines, flights, leaf_state="on")
    np.testing.assert_array_equal(in_leaf.leaf_on, in_leaf.clear)


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
    flights = flights_of(**(STEADY | {"speed_sd": 0.1}))
    assert throw(beyond, eastward(), flights).clear[0] == 1.0


@pytest.mark.parametrize("arc", range(8))
def test_samples_cover_the_path_and_its_length(arc):
    flights = flights_of("gold")
    paths = throwing.sampled(flights, CELL)
    for b in (0, 9, len(flights.distance) - 1):
        n = paths.samples[b]
        length = flights.distance[b] + 2.5
        assert length / n <= CELL  # a step is no longer than a cell
        xyz = np.column_stack(
            [flights.along[b, arc], flights.left[b, arc], flights.rise[b, arc] / length]
        )
        arc_length = shapely.LineString(xyz[:, :2]).length
        steps = np.linalg.norm(np.diff(xyz, axis=0), axis=1).sum()
        assert paths.path[b, arc, :n].sum() == pytest.approx(steps, rel=2e-3)
        assert paths.path[b, arc, :n].sum() >= arc_length * 0.999


def test_stops_tell_where_the_wall_stands():
    world = leg_worlds.bare()
    x, _ = leg_worlds.centres(world)
    wall = np.abs(x - x[0, 40] - 30) < 1.0
    world = leg_worlds.planted(world, wall, 50.0)
    flights = flights_of()
    contacts = throwing.contacts_of(world, ThrowSettings(), "off")
    got = throwing.throw(
        eastward(), flights, throwing.sampled(flights, CELL), contacts,
        np.array([3], np.uint64), 500, CELL, stops=True,
    )  # fmt: skip
    stopped = got.stops[0][np.isfinite(got.stops[0, :, 0])]
    assert len(stopped) == round((1 - got.clear[0]) * 500)
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
    flights, lines, throws = flights_of(), eastward(copies=3), 300
    contacts = throwing.contacts_of(world, ThrowSettings(), "off")
    seeds = np.array([3, 5, 7], np.uint64)
    given = (
        lines, flights, throwing.sampled(flights, CELL), contacts, seeds, throws, CELL,
    )  # fmt: skip
    thrown, met = throwing.throw(*given), throwing.meetings(*given)

    def clear(keep):
        throw = met.line.astype(np.int64) * throws + met.throw
        depth = np.bincount(throw[keep], met.depth[keep].astype(float), met.enough.size)
        return (depth.reshape(met.enough.shape) < met.enough).mean(1)

    every = np.ones(met.kind.size, bool)
    np.testing.assert_array_equal(clear(every), thrown.clear)
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
    np.testing.assert_array_equal(clear(met.kind == 1), bare.clear)
