"""By how much a compass needle is off true north, by the World Magnetic Model."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pygeomag import GeoMag
from pyproj import Transformer

MODEL, FIRST, LAST = "WMM2025", 2025.0, 2030.0
"""The model, and the years that its makers let it speak for (NOAA NCEI and BGS, 2024)."""

_COEFFICIENTS = "wmm/WMM_2025.COF"
_WEAK = 2000.0  # nT; blackout zone of the model, where a compass is of no use


@dataclass(frozen=True)
class Declination:
    """Degrees that magnetic north lies east of true north, their change a year, and for when.

    Attributes
    ----------
    degrees, yearly
        East above 0 [deg, deg/year].
    year
        With the day as its part.
    given
        Whether the day is the visit's; else the middle of the model's years.
    weak
        Whether the field is so level-less there that a compass is not to be trusted.
    """

    degrees: float
    yearly: float
    year: float
    given: bool
    weak: bool

    def __str__(self) -> str:
        if self.weak:
            return "a compass is not to be trusted here: the field stands nearly upright"
        side = "east" if self.degrees >= 0 else "west"
        way = "east" if self.yearly >= 0 else "west"
        when = "on the day of the visit" if self.given else f"in the middle of {int(self.year)}"
        return (
            f"{abs(self.degrees):.1f}° {side} {when}, moving {abs(self.yearly):.2f}° {way} a year "
            f"({MODEL}); iron, wires and rock may add to it"
        )


def declination(lon: float, lat: float, visit: date | None) -> Declination:
    """Declination at a place near sea level; the model hardly notices a few hundred metres.

    Parameters
    ----------
    lon, lat
        WGS 84 [deg].
    visit
        Day of the walk; without it, or outside the model's years, the middle of these is taken.
    """
    year = _year(visit) if visit is not None else 0.0
    given = FIRST <= year < LAST - 1
    at = year if given else (FIRST + LAST) / 2
    model = GeoMag(coefficients_file=_COEFFICIENTS)
    now, then = (model.calculate(glat=lat, glon=lon, alt=0.0, time=t) for t in (at, at + 1))
    turn = (float(then.d) - float(now.d) + 180.0) % 360.0 - 180.0
    return Declination(float(now.d), turn, at, given, float(now.h) < _WEAK)


def declination_at(crs: str, place: tuple[float, float], visit: date | None) -> Declination:
    """Declination at a place of a run, given in its CRS."""
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(*place)
    return declination(float(lon), float(lat), visit)


def _year(day: date) -> float:
    first = date(day.year, 1, 1)
    return day.year + (day - first).days / (date(day.year + 1, 1, 1) - first).days
