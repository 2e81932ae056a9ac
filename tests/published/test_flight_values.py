"""Disc flight against published coefficients and what follows from them."""

from dataclasses import replace

import numpy as np
import pytest

from lanewright.flight import repertoire
from lanewright.flight.aerodynamics import GOLF_DISCS, air_density, golf_disc
from lanewright.kernels import fly
from rigid_body import fly_rigid_body


def test_fairway_driver_of_giljarhus_2022_at_4_and_5_degrees():
    cl, cd, _ = golf_disc("fd").coefficients([4.0, 5.0])
    assert cl == pytest.approx([0.2622, 0.3099], abs=1e-4)
    assert cd == pytest.approx([0.0701, 0.0787], abs=1e-4)


@pytest.mark.parametrize(
    ("name", "angle"), [("dd", 3.81), ("fd", 1.89), ("co", 1.66), ("cu", 4.41)]
)
def test_angle_without_moment_worked_with_the_published_tables(name, angle):
    disc = golf_disc(name)
    fine = np.linspace(0, 10, 100_001)
    moment = disc.coefficients(fine)[2]
    assert fine[np.flatnonzero(moment > 0)[0]] == pytest.approx(angle, abs=0.03)


@pytest.mark.parametrize(
    ("name", "angle"), [("dd", -2.93), ("fd", -1.99), ("co", -1.93), ("cu", -2.61)]
)
def test_angle_without_lift_worked_with_the_published_tables(name, angle):
    disc = golf_disc(name)
    assert np.interp(0.0, disc.lift, disc.alpha_deg) == pytest.approx(angle, abs=0.01)


@pytest.mark.parametrize(
    ("name", "ratio", "angle"),
    [("dd", 4.51, 8), ("fd", 4.19, 10), ("co", 4.15, 8), ("cu", 4.15, 10)],
)
def test_best_glide_worked_with_the_published_tables(name, ratio, angle):
    disc = golf_disc(name)
    glide = disc.lift / disc.drag
    assert glide.max() == pytest.approx(ratio, abs=0.01)
    assert disc.alpha_deg[glide.argmax()] == angle


def test_speed_at_which_lift_carries_the_weight():
    for alpha, speeds in ((0.0, (27.1, 34.5, 34.5, 27.2)), (4.0, (17.0, 17.5, 18.0, 16.7))):
        for name, speed in zip(GOLF_DISCS, speeds, strict=True):
            disc = golf_disc(name)
            cl = disc.coefficients(alpha)[0]
            lifted = np.sqrt(2 * disc.mass * 9.81 / (1.225 * disc.area * cl))
            assert lifted == pytest.approx(speed, abs=0.1)


@pytest.mark.parametrize(
    ("elevation", "celsius", "density"),
    [(0, 15, 1.2250), (500, 11.75, 1.1673), (1000, 8.5, 1.1117), (2000, 2.0, 1.0065)],
)
def test_air_of_the_international_standard_atmosphere(elevation, celsius, density):
    """Table of ISO 2533."""
    assert air_density(elevation, celsius) == pytest.approx(density, abs=1e-4)


def test_wind_grows_with_the_logarithm_of_height():
    """A wind of 5 m/s at 10 m over a roughness of 0.1 m: half at 1 m, by the logarithmic profile.

    From what an unlifted, unspun disc is accelerated by: drag goes with the air's speed squared.
    """
    where = repertoire.conditions(("fd",), density=1.225, release=0.0, wind=(5.0, 0.0))
    pull = []
    for height in (10.0, 1.0):
        state, rate = np.zeros(9), np.zeros(9)
        state[2], state[8] = height, 1.0
        fly.slope(state, where.tables[0], where.discs[0, 0], 0.0, where.air, rate)
        pull.append(rate[3])
    assert pull[1] / pull[0] == pytest.approx(0.25)


# ---------------------------------------------------------------------------------------------
# Flights. Figures of the golf discs are worked with the published tables, by the model as its
# authors published it and by an integrator besides: still air, 15 degrees at the sea, nose along
# the way, release 1.3 m up, spin 5.2 rad/s for each m/s; x ahead, y to the left, to the ground.


def fly_to_the_ground(
    disc, speed, climb, hyzer, spin=None, *, release=1.3, ground=0.0, nose=0.0, wind=(0.0, 0.0),
    wind_height=10.0, density=1.225, published=True,
):  # fmt: skip
    """x, y and apex [m], and time [s]."""
    where = repertoire.conditions(
        (disc,), density=density, release=release, wind=wind, wind_height=wind_height,
    )  # fmt: skip
    if published:
        where = replace(where, discs=np.column_stack([where.discs[:, 0], where.published_turn]))
    throw = np.array([[speed, climb, nose, hyzer, 5.2 * speed if spin is None else spin, 0.0]])
    times = np.arange(0, 12, 0.005)[None]
    states = np.empty((1, times.size, 6))
    fly.positions(throw, where.tables, where.discs, where.air, 0.005, times, states)
    height = states[0, :, 2] + release
    after = np.flatnonzero(height < ground)[0]
    share = (height[after - 1] - ground) / (height[after - 1] - height[after])
    x, y = states[0, after - 1, :2] + share * (states[0, after, :2] - states[0, after - 1, :2])
    time = times[0, after - 1] + share * 0.005
    return x, y, height[:after].max(), time


@pytest.mark.parametrize(
    ("throw", "x", "y", "apex", "time"),
    [
        (("fd", 20, 10, 10), 53.1, 15.2, 4.17, 3.96),
        (("fd", 24, 8, 10), 78.4, 20.7, 4.96, 5.18),
        (("fd", 24, 12, 10), 72.4, 25.6, 8.04, 5.54),
        (("fd", 28, 6, 10), 110.2, 19.6, 5.43, 6.68),
        (("co", 24, 8, 0), 75.1, 13.2, 5.44, 4.87),
    ],
)
def test_flights_of_stable_discs(throw, x, y, apex, time):
    got = fly_to_the_ground(*throw)
    assert got[0] == pytest.approx(x, rel=0.01)
    assert got[1] == pytest.approx(y, abs=1.0)
    assert got[2] == pytest.approx(apex, abs=0.1)
    assert got[3] == pytest.approx(time, abs=0.15)


@pytest.mark.parametrize(
    ("throw", "x", "y", "apex", "time"),
    [
        (("cu", 24, 8, 10), 69.8, -18.4, 4.90, 4.44),
        (("dd", 24.2, 15.5, 14.7, 116.8), 81.9, 4.1, 11.36, 6.86),
        (("dd", 24, 8, 10), 75.9, -20.0, 5.27, 4.74),
    ],
)
def test_flights_of_discs_that_turn_over(throw, x, y, apex, time):
    """Both workings differ by up to 4 % here."""
    got = fly_to_the_ground(*throw)
    assert got[0] == pytest.approx(x, rel=0.04)
    assert got[1] == pytest.approx(y, abs=2.0)
    assert got[2] == pytest.approx(apex, abs=0.15)
    assert got[3] == pytest.approx(time, abs=0.3)


@pytest.mark.parametrize(
    ("throw", "x", "y", "apex", "time"),
    [
        (("fd", 20, 10, 10), 53.1, 15.2, 4.17, 3.96),
        (("fd", 24, 8, 10), 78.4, 20.7, 4.96, 5.18),
        (("fd", 24, 12, 10), 72.4, 25.6, 8.04, 5.54),
        (("fd", 28, 6, 10), 110.2, 19.6, 5.43, 6.68),
        (("co", 24, 8, 0), 75.1, 13.2, 5.44, 4.87),
    ],
)
def test_law_that_ships_departs_from_the_published_one_as_stated(throw, x, y, apex, time):
    """Stable discs: 1 to 11 % farther, 1 to 5 m farther left, as high, up to 0.9 s longer."""
    got = fly_to_the_ground(*throw, published=False)
    assert 1.0 <= got[0] / x <= 1.115
    assert 0.8 <= got[1] - y <= 5.2
    assert got[2] == pytest.approx(apex, abs=0.4)
    assert 0.0 <= got[3] - time <= 0.9


@pytest.mark.parametrize(("throw", "x"), [(("cu", 24, 8, 10), 69.8), (("dd", 24, 8, 10), 75.9)])
def test_discs_that_turn_over_by_the_published_law_fly_straight_by_ours(throw, x):
    got = fly_to_the_ground(*throw, published=False)
    assert 1.25 < got[0] / x < 1.4
    assert abs(got[1]) < 6


@pytest.mark.parametrize("published", [True, False])
def test_order_of_stability(published):
    """At 24 m/s, flat, the same climb: overstable lands left of stable left of understable."""
    co, fd, cu = (
        fly_to_the_ground(disc, 24, 8, 0, published=published)[1] for disc in ("co", "fd", "cu")
    )
    assert co > fd > cu


@pytest.mark.parametrize(("published", "gain", "within"), [(True, 5.1, 0.5), (False, 6.2, 0.2)])
def test_what_a_drop_of_3_metres_buys(published, gain, within):
    """5.1 m worked with the published law; by the law that ships the disc glides longer: 6.2 m."""
    level = fly_to_the_ground("fd", 24, 8, 10, published=published)
    below = fly_to_the_ground("fd", 24, 8, 10, ground=-3.0, published=published)
    assert np.hypot(*below[:2]) - np.hypot(*level[:2]) == pytest.approx(gain, abs=within)


def test_flight_in_a_vacuum():
    """20 m/s at 45 degrees from the ground: range v2/g, apex v2/4g."""
    x, y, apex, _ = fly_to_the_ground("fd", 20, 45, 0, release=0.0, density=0.0, ground=-1e-9)
    assert (x, y, apex) == pytest.approx((40.8, 0.0, 10.2), abs=0.1)


LOGGED = [
    # speed, spin, climb, hyzer, nose, aim to the left; distance and drift at the end, time
    (24.7, 138.0, 15.5, 21.8, 0.0, -31.6, 90.9, -4.5, 5.9),
    (24.2, 128.5, 12.3, 14.7, 0.8, -9.6, 89.9, 17.6, 5.7),
    (24.5, 147.7, 5.2, -0.7, 0.0, 8.0, 108.8, 6.4, 6.4),
]
"""Throws of a distance driver logged by Giljarhus et al. 2022, released 1.5 m up, a wind of 4.8 m/s
behind them stated at the height of the hand."""


def logged_again(throw, published):
    """Distance, drift at the end and time of a logged throw, computed."""
    speed, spin, climb, hyzer, nose, aim = throw[:6]
    way = np.radians(aim)
    wind = 4.8 * np.cos(way), -4.8 * np.sin(way)
    x, y, _, time = fly_to_the_ground(
        "dd", speed, climb, hyzer, spin, release=1.5, nose=nose, wind=wind, wind_height=1.5,
        published=published,
    )  # fmt: skip
    return np.hypot(x, y), x * np.sin(way) + y * np.cos(way), time


@pytest.mark.parametrize("published", [True, False])
def test_the_model_falls_10_to_20_percent_short_of_logged_throws(published):
    """And 0.9 to 1.7 s too brief."""
    for throw in LOGGED:
        x, _, time = logged_again(throw, published)
        assert 0.80 < x / throw[6] < 0.915
        assert 0.9 < throw[8] - time < 1.7


def test_law_that_ships_against_logged_throws():
    """Nearer than the published one in distance and time on all three, in drift on two."""
    closer = []
    for throw, drift in zip(LOGGED, (-13.8, 6.5, 11.2), strict=True):
        theirs, ours = logged_again(throw, True), logged_again(throw, False)
        closer.append(
            [abs(ours[k] - throw[6 + k]) < abs(theirs[k] - throw[6 + k]) for k in range(3)]
        )
        assert ours[1] == pytest.approx(drift, abs=0.1)
        assert abs(ours[1] - throw[7]) < 11.2
    assert np.sum(closer, 0).tolist() == [3, 2, 3]


@pytest.mark.parametrize("disc", ["cu"])
def test_a_rigid_body_turns_by_its_spin_alone(disc):
    """Full rigid body against the two laws of turning: M / (spin Iz), and the published one."""
    d = golf_disc(disc)
    _, place, _, _ = fly_rigid_body(
        lambda alpha: d.coefficients(np.degrees(alpha)),
        mass=d.mass, area=d.area, diameter=d.diameter, spin_inertia=d.mass * d.inertia_spin,
        across_inertia=d.mass * d.inertia_across, density=1.225, gravity=9.81,
        speed=24.0, climb=np.radians(8), pitch=np.radians(8), hyzer=np.radians(10),
        spin=124.8, height=1.3,
    )  # fmt: skip
    ours = fly_to_the_ground(disc, 24, 8, 10, published=False)
    theirs = fly_to_the_ground(disc, 24, 8, 10, published=True)
    assert ours[:2] == pytest.approx(place[-1, :2], abs=0.5)
    assert np.hypot(*(place[-1, :2] - theirs[:2])) > 3


def test_a_rigid_body_keeps_its_momentum_without_air():
    d = golf_disc("fd")
    times, place, normal, momentum = fly_rigid_body(
        lambda alpha: d.coefficients(np.degrees(alpha)),
        mass=d.mass, area=d.area, diameter=d.diameter, spin_inertia=d.mass * d.inertia_spin,
        across_inertia=d.mass * d.inertia_across, density=0.0, gravity=9.81,
        speed=20.0, climb=0.3, pitch=0.5, spin=100.0, height=1.0,
    )  # fmt: skip
    np.testing.assert_allclose(momentum, np.broadcast_to(momentum[0], momentum.shape), atol=1e-12)
    np.testing.assert_allclose(normal, np.broadcast_to(normal[0], normal.shape), atol=1e-8)
    fall = 1.0 + 20 * np.sin(0.3) * times - 9.81 * times**2 / 2
    np.testing.assert_allclose(place[:, 2], fall, atol=1e-6)
