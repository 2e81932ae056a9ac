"""Where throws end, against the spread they were made with and land with known edges."""

from dataclasses import replace

import numpy as np
import pytest

import leg_worlds
from lanewright.legs.landing import hazards_of, landings
from lanewright.legs.throwing import Lines

CELL = 0.5


def line(tee=(200, 40), end=(200, 160)):
    (r0, c0), (r1, c1) = tee, end
    return Lines(*(np.array([v]) for v in (r0, c0, r1, c1, 0)))


def rests(rng, along, across, sd, bearing_deg, throws=20000):
    """Stops of throws that nothing touches: a normal cloud about the target, metres."""
    turn = np.radians(bearing_deg)
    long, wide = rng.normal(0, sd[0], throws), rng.normal(0, sd[1], throws)
    east = along + long * np.sin(turn) + wide * np.cos(turn)
    north = across + long * np.cos(turn) - wide * np.sin(turn)
    stops = np.full((1, throws, 6), np.nan, np.float32)
    stops[0, :, 4] = 200.5 - north / CELL
    stops[0, :, 5] = 160.5 + east / CELL
    return stops


def test_ellipse_is_that_of_the_cloud_and_holds_two_thirds_of_it():
    """Two thirds of a normal spread in the plane lie within sqrt(2 ln 3) = 1.482 sd (Rayleigh)."""
    rng = np.random.default_rng(4)
    stops = rests(rng, 3.0, 1.0, (6.0, 2.0), 60.0)
    got = landings(stops, line(), hazards_of(leg_worlds.bare(), 20.0), CELL)
    assert got.long[0] == pytest.approx(2 * 1.482 * 6.0, rel=0.02)
    assert got.wide[0] == pytest.approx(2 * 1.482 * 2.0, rel=0.02)
    assert got.bearing_deg[0] == pytest.approx(60.0, abs=1.0)
    assert got.past[0] == pytest.approx(3.0, abs=0.15)
    turn = np.radians(60.0)
    east, north = (stops[0, :, 5] - 160.5) * CELL - 3, -(stops[0, :, 4] - 200.5) * CELL - 1
    long = east * np.sin(turn) + north * np.cos(turn)
    wide = east * np.cos(turn) - north * np.sin(turn)
    inside = (2 * long / got.long[0]) ** 2 + (2 * wide / got.wide[0]) ** 2 <= 1
    assert inside.mean() == pytest.approx(2 / 3, abs=0.01)


def test_stopped_throws_lie_where_they_dropped_and_make_no_ellipse():
    stops = rests(np.random.default_rng(1), 0.0, 0.0, (5.0, 5.0), 0.0, throws=100)
    stops[0, :95, 3] = 0.0
    got = landings(stops, line(), hazards_of(leg_worlds.bare(), 20.0), CELL)
    assert np.isnan([got.long[0], got.wide[0], got.bearing_deg[0], got.past[0]]).all()
    assert got.unsafe[0] == 0.0


def test_shares_are_those_of_a_normal_cloud_beyond_straight_edges():
    """Edges at cell borders, at given standard deviations, cut off the normal share."""
    from scipy.stats import norm

    world = leg_worlds.bare(slope=(0.0, 0.0))
    x, y = leg_worlds.centres(world)
    target = x[0, 160], y[200, 0]
    slope = np.where(x > target[0] + 3.25, 30.0, 1.0).astype(np.float32)
    world = replace(
        world,
        land=leg_worlds.box(0, 0, 200, target[1] + 6.25),
        keep_out=leg_worlds.box(target[0] + 8.25, 0, target[0] + 13.25, 200),
        water=y < target[1] - 4.25,
        slope_pct=slope,
    )
    stops = rests(np.random.default_rng(2), 0.0, 0.0, (5.0, 4.0), 90.0)
    got = landings(stops, line(), hazards_of(world, 20.0), CELL)
    near = {"abs": 0.012}
    assert got.outside[0] == pytest.approx(norm.sf(6.25 / 4), **near)
    assert got.wet[0] == pytest.approx(norm.cdf(-4.25 / 4), **near)
    assert got.steep[0] == pytest.approx(norm.sf(3.25 / 5), **near)
    strip = norm.cdf(13.25 / 5) - norm.cdf(8.25 / 5)
    assert got.keep_out[0] == pytest.approx(strip, **near)
    assert got.across[0] == pytest.approx(norm.sf(13.25 / 5), **near)
    either = norm.sf(6.25 / 4) + strip - norm.sf(6.25 / 4) * strip
    assert got.unsafe[0] == pytest.approx(either, **near)


def test_a_disc_off_the_grid_is_off_the_property():
    stops = np.full((1, 12, 6), np.nan, np.float32)
    stops[0, :, 4], stops[0, :, 5] = -30.0, 500.0
    got = landings(stops, line(), hazards_of(leg_worlds.bare(), 20.0), CELL)
    assert got.outside[0] == got.unsafe[0] == 1.0
    assert got.wet[0] == got.keep_out[0] == got.steep[0] == 0.0
