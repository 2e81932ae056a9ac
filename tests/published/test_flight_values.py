"""Disc flight against published coefficients and what follows from them."""

import numpy as np
import pytest

from lanewright.flight import repertoire
from lanewright.flight.aerodynamics import (
    GOLF_DISCS,
    LONG_FLIGHT,
    SHORT_FLIGHT,
    air_density,
    golf_disc,
    morrison_coefficients,
    tunnel_coefficients,
    wind_at,
)
from lanewright.kernels import fly
from rigid_body import fly_rigid_body


def test_linear_fit_of_hummel_2003_at_5_degrees():
    cl, cd, cm = LONG_FLIGHT.coefficients(np.radians(5.0))
    assert (cl, cd, cm) == pytest.approx((0.5000, 0.2237, -0.0442), abs=1e-4)


def test_linear_fit_of_hummel_2003_has_no_lift_at_minus_10_degrees():
    assert np.degrees(LONG_FLIGHT.zero_lift) == pytest.approx(-9.98, abs=0.01)


def test_wind_tunnel_of_potts_and_crowther_2002():
    cl, cd, _ = tunnel_coefficients(5.0)
    assert (cl, cd, cl / cd) == pytest.approx((0.450, 0.150, 3.0))
    assert tunnel_coefficients(9.0)[2] == 0
    assert tunnel_coefficients(30.0) == pytest.approx((1.675, 0.920, 0.110))


def test_two_coefficients_of_morrison_2005():
    cl, cd = morrison_coefficients([0.0, 10.0])
    assert cl == pytest.approx([0.150, 0.394], abs=5e-4)
    assert cd == pytest.approx([0.0933, 0.2424], abs=5e-4)


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
    assert wind_at(10.0, 5.0) == pytest.approx(5.0)
    assert wind_at(1.0, 5.0) == pytest.approx(2.5)  # ten times the roughness: half way in decades
    assert wind_at(0.01, 5.0) == 0


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
        published_precession=published,
    )  # fmt: skip
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


@pytest.mark.parametrize("published", [True, False])
def test_order_of_stability(published):
    """At 24 m/s, flat, the same climb: overstable lands left of stable left of understable."""
    co, fd, cu = (
        fly_to_the_ground(disc, 24, 8, 0, published=published)[1] for disc in ("co", "fd", "cu")
    )
    assert co > fd > cu


def test_what_a_drop_of_3_metres_buys():
    level = fly_to_the_ground("fd", 24, 8, 10)
    below = fly_to_the_ground("fd", 24, 8, 10, ground=-3.0)
    assert np.hypot(*below[:2]) - np.hypot(*level[:2]) == pytest.approx(5.1, abs=0.5)


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
behind them told at the height of the hand."""


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


def test_the_published_model_falls_10_to_20_percent_short_of_logged_throws():
    for throw in LOGGED:
        assert 0.80 < logged_again(throw, True)[0] / throw[6] < 0.90


def test_a_rigid_body_comes_nearer_to_logged_throws():
    """In distance and time, all three."""
    for throw in LOGGED:
        theirs, ours = logged_again(throw, True), logged_again(throw, False)
        for k in (0, 2):
            assert abs(ours[k] - throw[6 + k]) < abs(theirs[k] - throw[6 + k])
        assert 0.86 < ours[0] / throw[6] < 0.95


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


@pytest.mark.parametrize(
    ("disc", "x", "side", "apex", "time"),
    [(LONG_FLIGHT, 16.3, 5.3, 2.29, 2.02), (SHORT_FLIGHT, 16.6, 6.1, 2.47, 2.20)],
)
def test_catch_disc_of_hummel_2003_as_a_full_rigid_body(disc, x, side, apex, time):
    """Her common release from 1 m, worked with the published fit by another integrator."""
    gravity = 9.7935
    times, place, _, _ = fly_rigid_body(
        disc.coefficients,
        mass=disc.mass, area=disc.area, diameter=disc.diameter,
        spin_inertia=disc.inertia_spin, across_inertia=disc.inertia_across,
        density=1.23, gravity=gravity, speed=14.0, climb=0.105, pitch=0.192, spin=50.0, height=1.0,
        roll=lambda spin, roll: np.sqrt(disc.diameter / gravity) * disc.roll_spin * spin
        + disc.roll_damping * roll,
        pitch_damping=disc.pitch_damping, spin_damping=disc.spin_damping,
    )  # fmt: skip
    assert place[-1, 0] == pytest.approx(x, abs=0.15)
    assert abs(place[-1, 1]) == pytest.approx(side, abs=0.15)
    assert place[:, 2].max() == pytest.approx(apex, abs=0.03)
    assert times[-1] == pytest.approx(time, abs=0.03)


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
