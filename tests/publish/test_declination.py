"""Declination against the values that NOAA NCEI and BGS publish with the model."""

from datetime import date

import pytest
from pygeomag import GeoMag

from lanewright.publish.declination import declination, declination_at

PUBLISHED = [  # WMM2025_TEST_VALUES.txt of WMM2025COF.zip: year, km, latitude, longitude, degrees
    (2025.0, 0, 80, 0, 1.28),
    (2025.0, 0, 0, 120, -0.16),
    (2025.0, 0, -80, 240, 68.78),
    (2025.0, 100, 80, 0, 0.85),
    (2025.0, 100, 0, 120, -0.15),
    (2025.0, 100, -80, 240, 68.21),
    (2027.5, 0, 80, 0, 2.59),
    (2027.5, 0, 0, 120, -0.24),
    (2027.5, 0, -80, 240, 68.49),
    (2027.5, 100, 80, 0, 2.16),
    (2027.5, 100, 0, 120, -0.23),
    (2027.5, 100, -80, 240, 67.93),
]


@pytest.mark.parametrize(("year", "height", "lat", "lon", "degrees"), PUBLISHED)
def test_the_package_agrees_with_the_published_values(year, height, lat, lon, degrees):
    """Printed to a hundredth of a degree."""
    model = GeoMag(coefficients_file="wmm/WMM_2025.COF")
    found = model.calculate(glat=lat, glon=lon, alt=height, time=year)
    assert found.d == pytest.approx(degrees, abs=0.0051)


@pytest.mark.parametrize(("lat", "lon", "degrees"), [(r[2], r[3], r[4]) for r in PUBLISHED[6:9]])
def test_without_a_day_the_middle_of_the_model_is_taken(lat, lon, degrees):
    """2027.5, which the published values hold."""
    found = declination(lon, lat, None)
    assert found.degrees == pytest.approx(degrees, abs=0.0051)
    assert not found.given
    assert "in the middle of 2027" in str(found)


def test_the_day_of_the_visit_counts_and_change_runs_between_published_years():
    """At 80 N 0 E it moves from 1.28 to 2.59 degrees in 2.5 years: 0.52 a year."""
    found = declination(0.0, 80.0, date(2025, 1, 1))
    assert found.degrees == pytest.approx(1.28, abs=0.0051)
    assert found.yearly == pytest.approx((2.59 - 1.28) / 2.5, abs=0.02)
    assert str(found).startswith("1.3° east on the day of the visit")
    late = declination(0.0, 80.0, date(2040, 1, 1))
    assert not late.given  # the model does not speak for that year
    west = declination(120.0, 0.0, None)
    assert str(west).startswith("0.2° west")


def test_near_the_magnetic_pole_no_compass_is_trusted():
    """The north dip pole lies near 86 N 139 E in 2025 (NOAA NCEI); the field stands upright."""
    assert declination(139.0, 86.0, date(2025, 1, 1)).weak
    assert "not to be trusted" in str(declination(139.0, 86.0, date(2025, 1, 1)))


def test_places_of_a_run_are_taken_to_degrees():
    """500000 E on the equator of UTM 51 N is 123 E, 0 N."""
    at = declination_at("EPSG:32651", (500_000.0, 0.0), None)
    assert at.degrees == pytest.approx(declination(123.0, 0.0, None).degrees, abs=1e-6)
