"""Skill levels: who plays, how far they throw, and how far apart their throws land.

A table of levels holds one row per level, best players first; `tables/levels.csv` is ours, and
`configs/levels.csv` the same for a designer to copy, change and name in `flight: levels_file`:

- ``rating_from``: lowest player rating of the level, blank for the lowest. PDGA, Course Design
  Player Skill Level Guidelines, updated 27 Aug 2018.
- ``tee_throw_m`` to ``carry_m``: controlled tee throw, distance from which two throws finish, usual
  length of a par-3 hole, longest carry to force on one throw. Our defaults, common practice; the
  PDGA's own tables of length by level could not be read.
- ``speed_mps``: release speed that goes with the tee throw, read off radar figures cited in an open
  note on flight simulation (22.4 m/s for 91 m, 26.8 for 119, 31.3 for 155).
- ``lateral_sd_deg``: how far throws stray sideways where a wooded hole has its gap, all errors
  together, as an angle from the tee; one standard deviation. Ours, common practice: a gap that two
  thirds of the throws pass is then 6 to 9 m wide, inside the 4.6 to 12.2 m that the PDGA's Course
  Design Elements give for wooded fairways.
- ``height_sd_deg``, ``speed_sd``, ``hyzer_sd_deg``: spread of launch angle, of speed as a share of
  it, and of hyzer. They are part of the former: what they leave of it is error of aim. Our
  defaults, common practice; nothing published was found. Measure and replace.
- ``par3_most_m`` to ``par6_most_m``: longest effective length of each par, for tables of a
  governing body. Blank: the formula of `par` stands.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np

from lanewright.base.arrays import Floats
from lanewright.base.errors import InputError
from lanewright.settings.tabletext import table_text

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
    lateral_sd_deg
        How far throws stray sideways with all their errors, as an angle (one standard deviation).
    height_sd_deg
        Spread of the launch angle (one standard deviation).
    speed_sd
        Spread of the release speed as a share of it (one standard deviation).
    hyzer_sd_deg
        Spread of the hyzer angle at release (one standard deviation).
    par_bounds
        Longest effective length of par 3, 4, 5 and 6 [m], as far as given; None where the formula
        holds.
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

    def sideways(self, distance: float | Floats) -> Floats:
        """How far throws stray sideways, one standard deviation [m].

        Everything counted, aim as well as launch, speed and hyzer: flown throws meet it at the
        usual gap, `flight.GAP_AT` of the tee throw. Gap widths, fairways and lines of fire all
        follow from it.
        """
        return np.asarray(np.asarray(distance) * np.tan(np.radians(self.lateral_sd_deg)))

    @property
    def spin(self) -> float:
        """Spin at release [rad/s]."""
        return SPIN_PER_SPEED * self.speed


_RANGES = {
    "tee_throw_m": (25.0, 200.0),
    "close_range_m": (3.0, 80.0),
    "par3_from_m": (15.0, 200.0),
    "par3_to_m": (20.0, 250.0),
    "carry_m": (0.0, 200.0),
    "speed_mps": (8.0, 42.0),
    "lateral_sd_deg": (0.0, 20.0),
    "height_sd_deg": (0.0, 15.0),
    "speed_sd": (0.0, 0.3),
    "hyzer_sd_deg": (0.0, 20.0),
}
"""Columns that each level fills, and what throws of people can be: the strongest throw ever filmed
left at some 40 m/s (from memory), the rest ours."""

MOST_LEVELS, MOST_FAULTS, LONGEST_NAME = 20, 25, 60
"""Bounds of a table of levels, of the faults listed, and of a level's name."""

_NUMBER = re.compile(r"[+-]?[0-9]{1,12}(\.[0-9]{0,15})?")

_BOUNDS = ("par3_most_m", "par4_most_m", "par5_most_m", "par6_most_m")


def all_levels(file: Path | None = None) -> tuple[Level, ...]:
    """Every level, best players first.

    Parameters
    ----------
    file
        The user's table; ours by default.

    Raises
    ------
    InputError
        If the table cannot be read or holds what no level can be; every fault is named.

    Examples
    --------
    >>> [level.name for level in all_levels()]
    ['gold', 'blue', 'white', 'red', 'green']
    """
    if file is None:
        return _ours()
    said = table_text(file, "the table of levels", "Check flight: levels_file.")
    return _levels_in(said, file)


@cache
def _ours() -> tuple[Level, ...]:
    text = files("lanewright").joinpath("tables/levels.csv").read_text(encoding="utf-8")
    return _levels_in(text, "levels.csv")


def _levels_in(text: str, file: object) -> tuple[Level, ...]:
    try:
        rows = list(csv.DictReader(text.splitlines(), strict=True))
    except csv.Error as err:
        raise InputError(
            file, f"the table of levels cannot be read ({err})", "Start from configs/levels.csv."
        ) from None
    known = ["name", "rating_from", *_RANGES, *_BOUNDS]
    columns = [column for column in (rows[0] if rows else ()) if column is not None]
    faults = [f"column {c} is missing" for c in known[: -len(_BOUNDS)] if c not in columns]
    faults += [f"column {c} is unknown" for c in columns if c not in known]
    if not rows:
        faults = ["it holds no level"]
    levels: list[Level] = []
    if not faults and len(rows) <= MOST_LEVELS:
        for line, row in enumerate(rows, 2):
            level = _level_in(row, f"line {line} ({(row['name'] or 'no name')[:20]})", faults)
            if level is not None:
                levels.append(level)
        faults += _faults_of_order(levels)
    if len(rows) > MOST_LEVELS:
        faults = [f"it holds {len(rows):,} levels; {MOST_LEVELS} at most"]
    if faults:
        shown = [f"\n  {fault[:200]}" for fault in faults[:MOST_FAULTS]]
        shown += [f"\n  and {len(faults) - MOST_FAULTS:,} more"] * (len(faults) > MOST_FAULTS)
        raise InputError(
            file,
            f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in the table of levels:"
            + "".join(shown)
            + "\n",
            "Start from configs/levels.csv.",
        )
    return tuple(levels)


def _level_in(row: dict[str, str], where: str, faults: list[str]) -> Level | None:
    """Level of one row; None, and what is wrong with it, where it is none."""
    before = len(faults)

    def number(column: str, low: float, high: float) -> float:
        text = (row[column] or "").strip()
        # float() also takes underscores, words and the digits of other scripts.
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not low <= value <= high:
            faults.append(f"{where}: {column} is {text[:40]!r}, not from {low:g} to {high:g}")
        return value

    if None in row:
        faults.append(f"{where}: more cells than columns")
    name = (row["name"] or "").strip().lower()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        faults.append(f"{where}: a level needs a name of 1 to {LONGEST_NAME} signs")
    rating = None
    if (row["rating_from"] or "").strip():
        rating = number("rating_from", 1, 1200)
    n = {column: number(column, *limits) for column, limits in _RANGES.items()}
    if n["par3_from_m"] >= n["par3_to_m"]:
        faults.append(f"{where}: par3_from_m is not under par3_to_m")
    given = [(row.get(column) or "").strip() for column in _BOUNDS]
    bounds = [number(c, 20, 1000) for c, text in zip(_BOUNDS, given, strict=True) if text]
    if given != [*filter(None, given), *[""] * given.count("")]:
        faults.append(f"{where}: bounds of par are left out in between")
    if any(later <= earlier for earlier, later in pairwise(bounds)):
        faults.append(f"{where}: bounds of par do not rise")
    if len(faults) > before:
        return None
    return Level(
        name,
        None if rating is None else round(rating),
        n["tee_throw_m"],
        n["close_range_m"],
        n["par3_from_m"],
        n["par3_to_m"],
        n["carry_m"],
        n["speed_mps"],
        n["lateral_sd_deg"],
        n["height_sd_deg"],
        n["speed_sd"],
        n["hyzer_sd_deg"],
        tuple(bounds) or None,
    )


def _faults_of_order(levels: list[Level]) -> list[str]:
    faults = []
    names = [level.name for level in levels]
    faults += [f"{name} stands twice" for name in sorted({n for n in names if names.count(n) > 1})]
    for better, worse in pairwise(levels):
        if better.rating_from is None:
            faults.append(f"{better.name}: only the last level may leave rating_from blank")
        elif worse.rating_from is not None and worse.rating_from >= better.rating_from:
            faults.append(f"{worse.name}: rating_from is not under that of {better.name} before it")
    return faults


def level_named(name: str, file: Path | None = None) -> Level:
    """Level of that name, whatever its case; `file` as in `all_levels`.

    Raises
    ------
    InputError
        If there is none.
    """
    levels = {level.name: level for level in all_levels(file)}
    try:
        return levels[name.strip().lower()]
    except KeyError:
        raise InputError(
            "levels", f"no level is called {name!r}", f"Choose from {', '.join(levels)}."
        ) from None


def levels_named(names: tuple[str, ...], file: Path | None = None) -> tuple[Level, ...]:
    """Levels of those names, best players first, each once; `file` as in `all_levels`.

    Raises
    ------
    InputError
        If there is no level of one of the names.
    """
    wanted = {level_named(name, file) for name in names}
    return tuple(level for level in all_levels(file) if level in wanted)


def level_for_rating(rating: float) -> Level:
    """Level of our table that a player of that rating belongs to.

    Examples
    --------
    >>> level_for_rating(970).name, level_for_rating(969).name
    ('gold', 'blue')
    """
    for level in all_levels():
        if level.rating_from is None or rating >= level.rating_from:
            return level
    raise AssertionError("the lowest level takes every rating")
