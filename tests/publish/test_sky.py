"""Where low sun stands, against the formula of spherical trigonometry; wind; what is said of it."""

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from lanewright.publish.sky import low_suns, sky_words, with_sky
from lanewright.settings.visit import FieldSettings


def azimuth_at(lat, declination, height):
    """Degrees clockwise from north of the morning sun at a height: the astronomical triangle."""
    lat, dec, h = (math.radians(v) for v in (lat, declination, height))
    cosine = (math.sin(dec) - math.sin(lat) * math.sin(h)) / (math.cos(lat) * math.cos(h))
    return math.degrees(math.acos(cosine))


# Declination of the sun on these days in degrees: solstices and equinox by definition, the others
# from the Nautical Almanac to a quarter of a degree, from memory.
@pytest.mark.parametrize(("month", "declination"), [(6, 23.4), (3, 0.1), (12, -23.4)])
@pytest.mark.parametrize("lat", [39.0, 50.0, -33.0])
def test_low_sun_stands_where_the_triangle_puts_it(month, declination, lat):
    """On the 21st, between the horizon and 10 degrees: no sun outside, both ends reached."""
    settings = FieldSettings(season=(month, month), sun_height=10.0)
    suns = low_suns(-86.4, lat, settings)
    low, high = sorted(azimuth_at(lat, declination, h) for h in (0.0, 10.0))
    # The month's other days differ by the declination's change; the 21st is the widest here.
    mornings = np.array([azimuth for _, azimuth in suns["morning"]])
    evenings = np.array([azimuth for _, azimuth in suns["evening"]])
    other = {6: 22.0, 3: -7.8, 12: -21.8}[month]
    ends = [azimuth_at(lat, d, h) for d in (declination, other) for h in (0.0, 10.0)]
    assert mornings.min() >= min(ends) - 1.5
    assert mornings.max() <= max(ends) + 1.5
    assert (360 - evenings).min() >= min(ends) - 1.5
    assert (360 - evenings).max() <= max(ends) + 1.5
    assert mornings.min() < low + 3.5
    assert mornings.max() > high - 3.5


def course(bearings, lat=39.0):
    """A hole each, 90 m along a bearing from true north, on the meridian of a UTM zone."""
    crs = CRS.from_epsg(32616)  # its meridian is 87 degrees west: grid north is true north
    y0 = 4_316_700.0
    lines = [
        shapely.LineString(
            [(5e5, y0), (5e5 + 90 * math.sin(math.radians(b)), y0 + 90 * math.cos(math.radians(b)))]
        )
        for b in bearings
    ]
    ids = range(1, len(lines) + 1)
    legs = gpd.GeoDataFrame({"leg_id": ids}, geometry=lines, crs=crs)
    return gpd.GeoDataFrame({"legs": [f"{i} 99" for i in ids]}, geometry=lines, crs=crs), legs


def test_only_tees_that_look_at_a_low_sun_are_named():
    """In June at 39 degrees north the sun rises at 58 and sets at 302 degrees (the triangle)."""
    layout, legs = course([60, 300, 180, 0])
    found = with_sky(layout, legs, FieldSettings(season=(6, 6)))
    assert found["sun_morning"].notna().tolist() == [True, False, False, False]
    assert found["sun_evening"].notna().tolist() == [False, True, False, False]
    assert sky_words({"sun_morning": found["sun_morning"][0]}) == "mornings, June"
    # In December it rises at 122 degrees, and nobody who throws along 60 looks at it.
    winter = with_sky(layout, legs, FieldSettings(season=(12, 12)))
    assert winter["sun_morning"].isna().all()


def test_wind_is_said_only_where_the_settings_know_it():
    layout, legs = course([0, 90, 180, 270])
    assert with_sky(layout, legs, FieldSettings())["wind"].isna().all()
    found = with_sky(layout, legs, FieldSettings(wind_from=270.0))
    assert list(found["wind"]) == [
        "from the left", "with the throw", "from the right", "against the throw"
    ]  # fmt: skip


def test_a_round_without_holes_has_the_columns_all_the_same():
    layout, legs = course([0])
    none = with_sky(layout.iloc[:0], legs, FieldSettings())
    assert {"sun_morning", "sun_evening", "wind"} <= set(none.columns)
