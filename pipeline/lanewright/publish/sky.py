"""Low sun ahead of the tees through the season, and the prevailing wind on each hole."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

import geopandas as gpd
import numpy as np
import shapely
from astral import Observer
from astral.sun import zenith_and_azimuth
from pyproj import Geod, Transformer

from lanewright.base.arrays import Floats
from lanewright.base.rows import Facts
from lanewright.settings.visit import FieldSettings

_MONTHS = "January February March April May June July August September October November December"
MONTHS = tuple(_MONTHS.split())

_YEAR = 2025  # the sun comes back to its place within a quarter of a degree
_DAYS = (1, 11, 21)  # of each month
_STEP = timedelta(minutes=10)  # in which the sun moves two and a half degrees


def low_suns(lon: float, lat: float, settings: FieldSettings) -> dict[str, list[tuple[int, float]]]:
    """Where the sun stands low in the season, mornings and evenings.

    Parameters
    ----------
    lon, lat
        WGS 84 [deg].
    settings
        `season` and `sun_height`.

    Returns
    -------
    dict of list of (int, float)
        `morning` and `evening`: month, and degrees clockwise from true north.
    """
    here = Observer(latitude=lat, longitude=lon)
    found: dict[str, list[tuple[int, float]]] = {"morning": [], "evening": []}
    for month in months_of(*settings.season):
        for day in _DAYS:
            begin = datetime(_YEAR, month, day, tzinfo=UTC)
            for step in range(int(timedelta(days=1) / _STEP)):
                zenith, azimuth = zenith_and_azimuth(here, begin + step * _STEP)
                if 0 <= 90 - zenith <= settings.sun_height:
                    when = "morning" if azimuth < 180 else "evening"
                    found[when].append((month, azimuth))
    return found


def months_of(first: int, last: int) -> list[int]:
    """Months of a season, which may run over the end of the year.

    Examples
    --------
    >>> months_of(4, 6), months_of(11, 2)
    ([4, 5, 6], [11, 12, 1, 2])
    """
    return [(first - 1 + k) % 12 + 1 for k in range((last - first) % 12 + 1)]


def months_ahead(
    bearing: float, suns: Iterable[tuple[int, float]], season: Sequence[int], aside: float
) -> list[int]:
    """Months of the season in which a low sun stands within `aside` of a bearing [deg]."""
    hit = {month for month, azimuth in suns if abs((azimuth - bearing + 180) % 360 - 180) <= aside}
    return [month for month in season if month in hit]


def month_words(months: Sequence[int]) -> str:
    """Months in words, runs drawn together.

    Examples
    --------
    >>> month_words([4, 5, 6, 9]), month_words([12, 1]), month_words([7])
    ('April to June, September', 'December and January', 'July')
    """
    runs: list[list[int]] = []
    for month in months:
        if runs and month == runs[-1][-1] % 12 + 1:
            runs[-1].append(month)
        else:
            runs.append([month])
    return ", ".join(_run(run) for run in runs)


def _run(run: Sequence[int]) -> str:
    first, last = MONTHS[run[0] - 1], MONTHS[run[-1] - 1]
    if len(run) == 1:
        return first
    return f"{first} {'and' if len(run) == 2 else 'to'} {last}"


def wind_words(bearing: float, wind_from: float) -> str:
    """What the prevailing wind does to a throw: against, with, or from which side.

    Examples
    --------
    >>> wind_words(225, 225), wind_words(0, 180), wind_words(0, 90), wind_words(0, 270)
    ('against the throw', 'with the throw', 'from the right', 'from the left')
    """
    turn = (wind_from - bearing) % 360
    if min(turn, 360 - turn) <= 45:
        return "against the throw"
    if 135 <= turn <= 225:
        return "with the throw"
    return "from the right" if turn < 180 else "from the left"


def bearings_of(lines: Iterable[shapely.LineString], crs: str) -> Floats:
    """Degrees clockwise from true north from the start of each line to its end (n,)."""
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in lines]
    if not ends:
        return np.empty(0)
    x, y = np.moveaxis(np.array(ends), -1, 0)
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    azimuth, _, _ = Geod(ellps="WGS84").inv(lon[:, 0], lat[:, 0], lon[:, 1], lat[:, 1])
    return np.asarray(azimuth) % 360


def with_sky(
    layout: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, settings: FieldSettings
) -> gpd.GeoDataFrame:
    """Holes of rounds with `sun_morning`, `sun_evening` and `wind`; None where nothing is said.

    Parameters
    ----------
    layout
        Rows of `layout_holes`, with `legs` as text.
    legs
        For the first throw of each.
    """
    if not len(layout):
        return layout.assign(sun_morning=None, sun_evening=None, wind=None)
    first = legs.set_index("leg_id").geometry
    lines = [first[int(text.split()[0])] for text in layout["legs"]]
    crs = layout.crs.to_wkt()
    bearings = bearings_of(lines, crs)
    middle = shapely.box(*layout.total_bounds).centroid
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(middle.x, middle.y)
    suns, season = low_suns(lon, lat, settings), months_of(*settings.season)
    more = {
        f"sun_{when}": [
            month_words(months_ahead(bearing, low, season, settings.sun_aside)) or None
            for bearing in bearings
        ]
        for when, low in suns.items()
    }
    blows = settings.wind_from
    wind = [None if blows is None else wind_words(bearing, blows) for bearing in bearings]
    return layout.assign(**more, wind=wind)


def sky_words(row: Facts) -> str:
    """Low sun ahead of a tee, in words; empty where there is none."""
    parts = [
        f"{name}, {row[f'sun_{when}']}"
        for when, name in (("morning", "mornings"), ("evening", "evenings"))
        if row.get(f"sun_{when}")
    ]
    return "; ".join(parts)
