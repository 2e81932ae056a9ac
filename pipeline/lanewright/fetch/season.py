"""Whether trees had leaves when the lidar was flown: a guess by date and latitude."""

from __future__ import annotations

import datetime as dt
from typing import Literal

LEAF_OUT, LEAF_FALL = 115, 305
"""Days of the year around which broadleaved woods at 40 degrees of latitude come into leaf and lose
it: late April and early November (from memory)."""

PER_DEGREE = 4.0
"""Days that spring comes later for each degree of latitude away from the equator, and autumn
earlier (Hopkins' bioclimatic law, 1918, from memory; for autumn it is taken alike)."""

DOUBT = 15
"""Days on either side of both in which nothing is guessed."""

TROPIC = 25.0
"""Latitude up to which seasons say little."""


def guess_leaves(
    flown: tuple[dt.date, dt.date] | None, latitude: float
) -> Literal["off", "on", "unknown"]:
    """Leaf state over all days of the flights; unknown where they differ or are near a turn.

    Examples
    --------
    >>> guess_leaves((dt.date(2023, 7, 21), dt.date(2023, 7, 22)), 44.0)
    'on'
    >>> guess_leaves((dt.date(2020, 3, 1), dt.date(2020, 3, 9)), 44.0)
    'off'
    """
    if flown is None or abs(latitude) < TROPIC or (flown[1] - flown[0]).days > 300:
        return "unknown"
    states = {
        _state(flown[0] + dt.timedelta(days=n), latitude)
        for n in range((flown[1] - flown[0]).days + 1)
    }
    return states.pop() if len(states) == 1 else "unknown"


def _state(date: dt.date, latitude: float) -> Literal["off", "on", "unknown"]:
    of_year = date.timetuple().tm_yday
    if latitude < 0:
        of_year = (of_year + 182) % 365
    shift = PER_DEGREE * (abs(latitude) - 40.0)
    out, fall = LEAF_OUT + shift, LEAF_FALL - shift
    if out + DOUBT <= of_year <= fall - DOUBT:
        return "on"
    return "off" if of_year <= out - DOUBT or of_year >= fall + DOUBT else "unknown"
