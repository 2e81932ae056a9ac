"""CRS and units. Foot lengths: NIST SP 811, B.6; unit codes: OGC GeoTIFF 1.1 (19-008r4)."""

import numpy as np
import pytest
from pyproj import CRS, Transformer

from lanewright.base.errors import InputError
from lanewright.sources.crs import (
    METRES_PER,
    Reference,
    bounds_in,
    point_reference,
    to_working,
    working_crs,
)

UTM16 = (500_000.0, 4_400_000.0, 501_000.0, 4_401_000.0)


def keys(code: int, **more: int) -> dict[int, int]:
    return {1024: 1, 3072: code} | {int(k[1:]): v for k, v in more.items()}


def test_feet_are_the_published_lengths():
    assert METRES_PER["ft"] == 0.3048
    assert METRES_PER["us-ft"] == pytest.approx(0.3048006096012192, abs=1e-16)
    # At 2,000,000 ft the two differ by 1.219202 m.
    assert 2e6 * (METRES_PER["us-ft"] - METRES_PER["ft"]) == pytest.approx(1.219202, abs=1e-6)


def test_metric_crs_is_taken_as_it_is_and_heights_assumed_alike():
    found = point_reference("a.laz", None, keys(26916), UTM16)
    assert found.to_crs == 1.0
    assert found.vertical == 1.0
    assert "does not say" in found.assumed[0]
    assert working_crs([found], UTM16) == CRS.from_epsg(26916)


@pytest.mark.parametrize(("code", "metres"), [(9001, 1.0), (9002, 0.3048), (9003, 1200 / 3937)])
def test_vertical_unit_from_keys(code, metres):
    found = point_reference("a.laz", None, keys(26916, k4099=code), UTM16)
    assert found.vertical == metres
    assert not found.assumed


def test_vertical_unit_from_a_compound_crs_differs_from_the_horizontal():
    wkt = CRS.from_user_input("EPSG:26916+6360").to_wkt("WKT1_GDAL")  # NAVD88 height (ftUS)
    found = point_reference("a.laz", wkt, {}, UTM16)
    assert found.to_crs == 1.0
    assert found.vertical == pytest.approx(1200 / 3937, rel=1e-9)


def test_feet_sideways_with_untold_heights_are_refused():
    bounds = (2_445_180.0, 604_300.0, 2_445_240.0, 604_340.0)
    with pytest.raises(InputError, match=r"a\.laz.*heights.*crs\.vertical_unit"):
        point_reference("a.laz", CRS.from_epsg(6880).to_wkt(), {}, bounds)
    in_feet = point_reference(
        "a.laz", CRS.from_epsg(6880).to_wkt(), {}, bounds, vertical_unit="us-ft"
    )
    assert in_feet.vertical == 1200 / 3937


def test_header_that_says_metres_over_foot_coordinates_is_overruled_by_the_place():
    # Mississippi West in metres, the same header says US survey feet.
    bounds = (2_045_001.0, 1_267_501.0, 2_049_994.0, 1_272_500.0)
    found = point_reference("a.las", None, keys(26995, k3076=9003, k4099=9003), bounds)
    assert found.to_crs == 1200 / 3937
    assert found.doubt
    assert "US survey foot" in found.doubt
    working = working_crs([found], bounds).to_wkt()
    x, y = to_working(found, working, np.array([2_047_500.0]), np.array([1_270_000.0]))
    lon, lat = Transformer.from_crs(26995, 4326, always_xy=True).transform(x[0], y[0])
    assert -91.7 < lon < -88.0  # Mississippi
    assert 30.0 < lat < 35.1


def test_metre_crs_over_foot_coordinates_without_a_hint_is_refused():
    bounds = (2_045_001.0, 1_267_501.0, 2_049_994.0, 1_272_500.0)
    with pytest.raises(InputError, match=r"would lie.*crs\.horizontal_unit"):
        point_reference("a.las", None, keys(26995), bounds)


def test_setting_overrides_the_unit():
    bounds = (2_045_001.0, 1_267_501.0, 2_049_994.0, 1_272_500.0)
    found = point_reference(
        "a.las", None, keys(26995), bounds, horizontal_unit="us-ft", vertical_unit="us-ft"
    )
    assert found.to_crs == 1200 / 3937


@pytest.mark.parametrize("wkt", [None, "", "\0\0"])
def test_no_crs_is_asked_for(wkt):
    with pytest.raises(InputError, match=r"crs\.points"):
        point_reference("a.laz", wkt, {}, UTM16)


def test_user_defined_code_is_no_code():
    with pytest.raises(InputError, match=r"which CRS"):
        point_reference("a.laz", None, {1024: 1, 2048: 32767, 3072: 32767, 3076: 9002}, UTM16)


def test_broken_wkt_names_the_setting():
    with pytest.raises(InputError, match=r"cannot be understood.*crs\.points"):
        point_reference("a.laz", 'COMPD_CS["Projected", nonsense', {}, UTM16)


def test_wkt_wins_over_keys():
    wkt = CRS.from_epsg(6880).to_wkt("WKT1_GDAL")  # Nebraska, US survey feet
    bounds = (2_445_180.0, 604_300.0, 2_445_240.0, 604_340.0)
    found = point_reference("a.las", wkt, keys(32104, k3076=9003, k4099=9003), bounds)
    assert CRS.from_wkt(found.crs).equals(CRS.from_epsg(6880))
    assert found.vertical == 1200 / 3937


def test_web_mercator_is_not_worked_in():
    """Lengths in EPSG:3857 are stretched by 1 / cos(latitude), 1.305 at 40 degrees."""
    x, y = Transformer.from_crs(4326, 3857, always_xy=True).transform(-87.0, 40.0)
    bounds = (x, y, x + 1000, y + 1000)
    found = point_reference("a.laz", None, keys(3857), bounds)
    working = working_crs([found], bounds)
    assert working == CRS.from_epsg(32616)
    left, bottom, right, top = bounds_in(found, working.to_wkt(), bounds)
    assert (right - left) == pytest.approx(1000 / 1.305407, rel=0.01)
    assert (top - bottom) == pytest.approx(1000 / 1.305407, rel=0.01)


def test_degrees_go_to_utm_on_their_own_datum():
    bounds = (-87.01, 40.0, -87.0, 40.01)
    found = point_reference("a.laz", None, {1024: 2, 2048: 4269}, bounds, vertical_unit="m")
    assert working_crs([found], bounds) == CRS.from_epsg(26916)  # NAD83 / UTM zone 16N


def test_most_common_metric_crs_wins_whatever_the_order():
    a = Reference(CRS.from_epsg(26916).to_wkt(), 1, 1, "")
    b = Reference(CRS.from_epsg(32616).to_wkt(), 1, 1, "")
    assert working_crs([a, b, b], UTM16) == working_crs([b, b, a], UTM16) == CRS.from_epsg(32616)
    assert working_crs([a, b], UTM16) == working_crs([b, a], UTM16)


def test_foot_coordinates_reach_the_right_place():
    """Against pyproj on the same point."""
    bounds = (2_445_180.0, 604_300.0, 2_445_240.0, 604_340.0)
    found = point_reference(
        "a.las", CRS.from_epsg(6880).to_wkt(), {}, bounds, vertical_unit="us-ft"
    )
    working = working_crs([found], bounds)
    assert working.axis_info[0].unit_name == "metre"
    x, y = to_working(found, working.to_wkt(), np.array([2_445_200.0]), np.array([604_320.0]))
    expected = Transformer.from_crs(6880, working, always_xy=True).transform(2_445_200.0, 604_320.0)
    assert (x[0], y[0]) == pytest.approx(expected, abs=1e-6)
