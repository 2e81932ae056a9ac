"""Disc flight against published coefficients and what follows from them."""

import numpy as np
import pytest

from lanewright.aerodynamics import (
    GOLF_DISCS,
    LONG_FLIGHT,
    air_density,
    golf_disc,
    morrison_coefficients,
    tunnel_coefficients,
    wind_at,
)


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
