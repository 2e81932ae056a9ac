"""Skill levels: who plays, how far they throw, and how far apart their throws land.

`tables/levels.csv` holds one row per level:

- ``rating_from``: lowest player rating of the level. PDGA, Course Design Player Skill Level
  Guidelines, updated 27 Aug 2018.
- ``tee_throw_m`` to ``carry_m``: controlled tee throw, distance from which two throws finish, usual
  length of a par-3 hole, longest carry to force on one throw. Our defaults, common practice; the
  PDGA's own tables of length by level could not be read.
- ``speed_mps``: release speed that goes with the tee throw, read off radar figures cited in an open
  note on flight simulation (22.4 m/s for 91 m, 26.8 for 119, 31.3 for 155).
- ``*_sd``: spread of throws, one standard deviation. Our defaults, common practice: chosen so that
  a gap which two thirds of the throws pass is 6 to 9 m wide, inside the 4.6 to 12.2 m that the
  PDGA's Course Design Elements give for wooded fairways. Nothing published was found; measure and
  replace.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from lanewright.errors import InputError

FAIRWAY_SHARE = 0.8
"""Fairway throw as a share of the tee throw (a course designer's essay on close range par)."""

SPIN_PER_SPEED = 5.2
"""Spin [rad/s] for a release speed of 1 m/s (note in the code of Giljarhus et al. 2022)."""


@dataclass(frozen=True)
class Level:
    """One skill level.

    Attributes
    ----------
    name
        Lower case, as in the settings.
    rating_from
        Lowest player rating; None for the lowest level.
    tee_throw
        Controlled throw from the tee [m].
    close_range
        Distance from which players of the level finish in two throws [m].
    par3_from, par3_to
        Usual length of a par-3 hole [m].
    carry
        Longest carry, say over water, to force on one throw [m].
    speed
        Release speed that goes with `tee_throw` [m/s].
    lateral_sd_deg, height_sd_deg
        Spread of the direction of throws, sideways and in height (one standard deviation).
    speed_sd
        Spread of the release speed as a share of it (one standard deviation).
    hyzer_sd_deg
        Spread of the hyzer angle at release (one standard deviation).
    par_bounds
        Longest effective length of par 3, 4, 5 and 6 [m]; None where the formula holds.
    """

    name: str
    rating_from: int | None
    tee_throw: float
    close_range: float
    par3_from: float
    par3_to: float
    carry: float
    speed: float
    lateral_sd_deg: float
    height_sd_deg: float
    speed_sd: float
    hyzer_sd_deg: float
    par_bounds: tuple[float, ...] | None = None

    @property
    def fairway_throw(self) -> float:
        """Controlled throw from the fairway [m]."""
        return FAIRWAY_SHARE * self.tee_throw

    @property
    def spin(self) -> float:
        """Spin at release [rad/s]."""
        return SPIN_PER_SPEED * self.speed


@cache
def all_levels() -> tuple[Level, ...]:
    """Every level, best players first.

    Examples
    --------
    >>> [level.name for level in all_levels()]
    ['gold', 'blue', 'white', 'red', 'green']
    """
    text = files("lanewright").joinpath("tables/levels.csv").read_text(encoding="utf-8")
    levels = []
    for row in csv.DictReader(text.splitlines()):
        name, rating, *texts = row.values()
        n = [float(text) for text in texts]
        levels.append(
            Level(name, int(rating) if rating else None, n[0], n[1], n[2], n[3], n[4], n[5], n[6],
                  n[7], n[8], n[9])
        )  # fmt: skip
    return tuple(levels)


def level_named(name: str) -> Level:
    """Level of that name, whatever its case.

    Raises
    ------
    InputError
        If there is none.
    """
    levels = {level.name: level for level in all_levels()}
    try:
        return levels[name.strip().lower()]
    except KeyError:
        raise InputError(
            "levels", f"no level is called {name!r}", f"Choose from {', '.join(levels)}."
        ) from None


def levels_named(names: tuple[str, ...]) -> tuple[Level, ...]:
    """Levels of those names, best players first, each once.

    Raises
    ------
    InputError
        If there is no level of one of the names.
    """
    wanted = {level_named(name) for name in names}
    return tuple(level for level in all_levels() if level in wanted)


def level_for_rating(rating: float) -> Level:
    """Level that a player of that rating belongs to.

    Examples
    --------
    >>> level_for_rating(970).name, level_for_rating(969).name
    ('gold', 'blue')
    """
    for level in all_levels():
        if level.rating_from is None or rating >= level.rating_from:
            return level
    raise AssertionError("the lowest level takes every rating")
