"""Work on trees and brush: who reaches what, how long it takes, how much a tree can lose, and when.

Each figure carries its source. Hours are ranges: the low end is the fast rate of trained hands
while they work, the high end the slow rate over the share of an hour that is work. They serve to
compare holes and to plan a work day; an arborist's quote takes their place.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Floats
from lanewright.base.units import ACRE
from lanewright.settings.trim import RateSettings, TrimSettings

# ---------------------------------------------------------------------------------------------
# Reach

HAND, POLE, CLIMB, SAWYER, ARBORIST = range(5)
REACHES = ("hand tools", "pole saw", "climber or lift", "sawyer", "arborist")
"""Reach bands. Hand saw and loppers to 2.4 m (8 ft), pole saw from the ground to 5 to 5.5 m (16 to
18 ft), above that a trained climber or a lift (common practice, no source; the trials below pruned
to these heights). Limbs over 10 cm (4 in) are an arborist's (Colorado State Forest Service
leaflet); lidar shows no limb's thickness, so the flag says so instead."""


# ---------------------------------------------------------------------------------------------
# Rates

RATE_SOURCES: dict[str, str] = {
    "brush_light": "common practice, no source; see through, under 0.9 m (3 ft); 6 to 12 h an acre",
    "brush_medium": "common practice, no source; push through, 0.9 to 2.4 m (3 to 8 ft); 16 to 32 "
    "h an acre",
    "brush_heavy": "common practice, no source; nobody walks through, or thorn; 40 to 90 h an acre",
    "patch": "common practice, no source",
    "hand": "common practice, no source; broadleaf crown lifting for play, from the trials of "
    "Silva Fennica article 1026 (2.3 min a young tree to 2.5 m)",
    "pole": "common practice, no source; from Potts et al. 1997, Applied Engineering in "
    "Agriculture 13(3) (7.3 min a young conifer from 2.8 to 5.6 m)",
    "climb": "common practice, no source; with set-up",
    "fell_thin": "common practice, no source; consistent with Câmpu & Ciubotaru 2017, Silva "
    "Fennica 51(2) 1657 (4.3 to 4.6 large spruce and fir an hour by a team of two)",
    "fell_middle": "as fell_thin",
    "fell_thick": "as fell_thin",
    "fell_large": "a placeholder of ours: an arborist quotes",
    "haul": "common practice, no source; hauling or chipping adds 1 to 2 times the cutting time",
    "productive": "common practice, no source; of felling time 18 to 20 % was cutting (Câmpu & "
    "Ciubotaru 2017, Silva Fennica 51(2) 1657)",
}

LIGHT_BRUSH, MEDIUM_BRUSH = 0.9, 2.4
"""Metres (3 and 8 ft) up to which brush is light, medium (common practice, no source)."""

SEE_THROUGH, PUSH_THROUGH = 0.15, 0.6
"""Contacts per metre of a ray up to which brush is seen through, and pushed through (ours: a view
reaches some 1 / density metres, 7 m and 1.7 m)."""

MULCHED_ACRES_PER_HOUR = (0.21, 0.57, 0.89)
"""Mulching machine: slowest, mean, fastest (Halbrook et al., US Forest Service study, Idaho)."""


def mulching_hours(hectares: float) -> tuple[float, float, float]:
    """Hours of a mulching machine: least, mean, most.

    Examples
    --------
    >>> [round(h, 2) for h in mulching_hours(3 * 0.404686)]
    [3.37, 5.26, 14.29]
    """
    slow, mean, fast = (hectares / ACRE / rate for rate in MULCHED_ACRES_PER_HOUR)
    return fast, mean, slow


def brush_class(height: Floats, density: Floats) -> NDArray[np.int64]:
    """0 light, 1 medium, 2 heavy, from the height [m] and density [1/m] of brush; the worse counts.

    What is high but can be seen through is medium.

    Examples
    --------
    >>> height, density = np.array([0.8, 2, 2, 3.5, 3.5]), np.array([0.1, 0.1, 1, 0.1, 0.2])
    >>> brush_class(height, density).tolist()
    [0, 1, 2, 1, 2]
    """
    by_height = np.searchsorted([LIGHT_BRUSH, MEDIUM_BRUSH], height, side="left")
    by_density = np.searchsorted([SEE_THROUGH, PUSH_THROUGH], density, side="left")
    worse = np.maximum(by_height, by_density)
    return np.where((by_density == 0) & (worse == 2), 1, worse).astype(np.int64)


def brush_hours(
    area_m2: Floats, height: Floats, density: Floats, settings: TrimSettings
) -> tuple[Floats, Floats]:
    """Hours to cut patches of brush by hand and stack it beside, low and high."""
    rates = settings.rates
    per_ha = np.array([rates.brush_light, rates.brush_medium, rates.brush_heavy])
    chosen = per_ha[brush_class(height, density)] * (np.asarray(area_m2) / 1e4)[..., None]
    begin = np.array(rates.patch) / 60
    return _spread(chosen[..., 0] + begin[0], chosen[..., 1] + begin[1], settings)


def limb_hours(reach: NDArray[np.int64], settings: TrimSettings) -> tuple[Floats, Floats]:
    """Hours to take the limbs of one tree within a reach band (hand, pole, climb), low and high."""
    rates = settings.rates
    minutes = np.array([rates.hand, rates.pole, rates.climb])[reach]
    return _spread(minutes[..., 0] / 60, minutes[..., 1] / 60, settings)


FELL_LIMITS_CM = (10.0, 20.0, 30.0)
"""Stem diameters (4, 8, 12 in) at which felling takes longer (common practice, no source)."""


def fell_hours(dbh_cm: Floats, settings: TrimSettings) -> tuple[Floats, Floats]:
    """Hours to fell, limb and buck trees by stem diameter, trained sawyer, low and high."""
    rates = settings.rates
    minutes = np.array([rates.fell_thin, rates.fell_middle, rates.fell_thick, rates.fell_large])
    chosen = minutes[np.searchsorted(FELL_LIMITS_CM, dbh_cm, side="left")]
    return _spread(chosen[..., 0] / 60, chosen[..., 1] / 60, settings)


def _spread(low: Floats, high: Floats, settings: TrimSettings) -> tuple[Floats, Floats]:
    """Whole hours of a range while working, hauling in if it is counted."""
    rates: RateSettings = settings.rates
    more = np.array(rates.haul) if settings.haul else np.zeros(2)
    return low * (1 + more[0]), high * (1 + more[1]) / rates.productive


# ---------------------------------------------------------------------------------------------
# What a tree can lose

MOST_FOLIAGE = 0.25
"""Share of live foliage that a mature tree may lose in a growing season (ANSI A300-1995 section
5.3.1, as quoted; later editions set the dose by objective)."""

LOWER_PART, LEFT_IN_LOWER = 2 / 3, 0.5
"""At least half of the foliage stays in the lower two thirds of the crown (ANSI A300-1995)."""

HIGHEST_RAISE = 1 / 3
"""Share of its height up to which a broadleaf tree may be raised (US Forest Service teaching, read
at a tree service)."""

LIVE_CROWN = 0.60
"""Share of a tree's height that stays live crown (from memory)."""


def within_season(share: float) -> bool:
    """Whether a tree may lose this share of its live foliage in one growing season.

    Examples
    --------
    >>> within_season(0.25), within_season(0.26)
    (True, False)
    """
    return share <= MOST_FOLIAGE + 1e-9


def dose_flags(share: float, lower_left: float, raised_m: float, height_m: float) -> list[str]:
    """What a tree would lose beyond the limits, in words.

    Parameters
    ----------
    share
        Of the live crown taken.
    lower_left
        Share of the foliage of the lower two thirds of the crown that stays.
    raised_m
        Height that the crown is raised to from below [m]; 0 where only one side is cut.
    height_m
        Of the tree [m].
    """
    said = []
    if not within_season(share):
        said.append(
            f"takes {share:.0%} of the live crown, more than a quarter in one season: spread it or "
            "ask an arborist"
        )
    if lower_left < LEFT_IN_LOWER - 1e-9:
        said.append("leaves less than half of the foliage in the lower two thirds of the crown")
    if raised_m > HIGHEST_RAISE * height_m + 1e-9:
        said.append(f"raises above a third of the tree's height ({height_m:.0f} m)")
    if height_m - raised_m < LIVE_CROWN * height_m - 1e-9:
        said.append("leaves a live crown under 60 % of the height")
    return said


# ---------------------------------------------------------------------------------------------
# Wires and felling


WIRE_CAUTION = 7.6
"""Metres (25 ft) from a line within which any trim work is flagged (common practice, no source)."""

# ---------------------------------------------------------------------------------------------
# Seasons


@dataclass(frozen=True)
class Season:
    """Days of the year, both included, on which something must not or had better not be done."""

    first: tuple[int, int]  # month, day
    last: tuple[int, int]
    source: str

    def holds(self, day: dt.date) -> bool:
        """Whether the day falls in it."""
        return self.first <= (day.month, day.day) <= self.last

    def __str__(self) -> str:
        first, last = (dt.date(2000, *d) for d in (self.first, self.last))
        return f"{first.day} {first:%B} to {last.day} {last:%B}"


OAK: dict[str, Season] = {
    "michigan": Season((4, 15), (7, 15), "Michigan DNR 2023"),
    "wisconsin": Season((4, 1), (7, 31), "Wisconsin DNR 2008 and 2017; better wait to autumn"),
    "texas": Season((2, 1), (6, 30), "Texas A&M Forest Service"),
}
"""No pruning or wounding of oaks."""

BATS: dict[str, Season] = {
    "illinois": Season(
        (4, 1),
        (9, 30),
        "an environmental consultant on US Fish and Wildlife Service practice in "
        "Illinois 2022-23; dates differ by state",
    ),
}
"""Northern long-eared and Indiana bats: trees are cleared outside these days; June and July are
worst."""

ROOST_DBH_CM = 23.0
"""Stems (9 in) from which loose bark may hold roosting bats (NRCS Missouri)."""

BIRDS = Season((4, 1), (8, 31), "from memory; Migratory Bird Treaty Act, dates are local")
"""Nesting birds: brush and trees had better not be cut."""
