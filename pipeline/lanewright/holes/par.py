"""Effective length, par, ratings and room: what makes a hole long or short for a level.

The PDGA's own tables of length, par, foliage and acreage could not be read. What stands here agrees
with every figure of theirs that could be, and is `our default` wherever a reader meets it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lanewright.base.arrays import Floats
from lanewright.settings.levels import FAIRWAY_SHARE, Level

OUR_DEFAULT = "our default"

_TEN_FEET = 3.048

FOLIAGE = {"open": 1.10, "average": 1.00, "tight": 0.85, "very tight": 0.75}
"""Factor on the length of throws; ours, common practice. The PDGA says only that it matters."""

TIGHT_LANES = ("lane", "tunnel")
VERY_TIGHT = 4.6
"""Width [m] of a wooded lane's narrowest place below which it is very tight: 15 ft, the narrowest
pinch of a wooded fairway in the PDGA's Course Design Elements."""


WIDTH_FOR_TWO_THIRDS = 1.935
"""Width that two thirds of throws pass, in standard deviations: a normal, centred spread."""

ACRES_PER_HOLE = {
    "gold": (1.4, 2.0, 2.8),
    "blue": (1.1, 1.5, 2.0),
    "white": (0.8, 1.1, 1.4),
    "red": (0.6, 0.8, 1.0),
    "green": (0.6, 0.8, 1.0),
}
"""Acres per hole in heavy woods, mixed, open; ours, common practice, within what the PDGA and the
Swedish and New Zealand federations say of whole courses. Green as red."""

HECTARES_PER_ACRE = 0.40468564224


def foliage_of(kind: str, pinch: float) -> float:
    """Factor on the length of throws along a lane of that kind and narrowest width [m].

    Examples
    --------
    >>> foliage_of("open", 30.0), foliage_of("edge", 9.0), foliage_of("tunnel", 6.0)
    (1.1, 1.0, 0.85)
    """
    if kind in TIGHT_LANES:
        return FOLIAGE["very tight" if pinch < VERY_TIGHT else "tight"]
    return FOLIAGE["open" if kind == "open" else "average"]


def reach(level: Level, throws: int, foliage: float = 1.0) -> float:
    """Effective length [m] from which so many throws bring players within close range.

    One from the tee, the others from the fairway.
    """
    tee = trade_figure(level.tee_throw) * foliage
    return tee + (throws - 1) * FAIRWAY_SHARE * tee + trade_figure(level.close_range)


def trade_figure(metres: float) -> float:
    """The figure in tens of feet that a whole number of metres stands for; others as they are.

    Lengths of throws are said in feet. Rounded to metres, 230 ft would end a par 3 half a metre
    too soon.

    Examples
    --------
    >>> round(trade_figure(70.0) / 0.3048, 9), trade_figure(71.5)
    (230.0, 71.5)
    """
    tens = round(metres / _TEN_FEET) * _TEN_FEET
    return tens if abs(tens - metres) <= 0.5 else metres


def par_of(level: Level, effective: float, foliage: float = 1.0, min_par: int = 3) -> int:
    """Par of a hole: reasonable throws to close range, and two to finish.

    Working rule of a designer's essay on close range par; the lengths of throws are ours. Where the
    level brings a table of upper bounds, that decides instead.

    Parameters
    ----------
    level
        Who plays.
    effective
        Effective length [m].
    foliage
        Factor on the length of throws.
    min_par
        Lowest par.

    Examples
    --------
    >>> from lanewright.settings.levels import level_named
    >>> par_of(level_named("gold"), 490 * 0.3048), par_of(level_named("green"), 490 * 0.3048)
    (3, 5)
    """
    bounds = bounds_of(level)
    if bounds:
        return max(min_par, 3 + int(np.searchsorted(np.asarray(bounds), _rounded(effective))))
    throws = 1
    while _rounded(effective) > _rounded(reach(level, throws, foliage)):
        throws += 1
    return max(min_par, throws + 2)


def par_through(
    level: Level,
    legs: Sequence[float],
    forced: Sequence[bool],
    foliage: float = 1.0,
    min_par: int = 3,
    effective: float | None = None,
) -> int:
    """Par of a hole some of whose landing zones must be used.

    A forced lay-up (water, a sharp bend, a very tight gap) counts as one throw, however short, and
    play goes on from its landing zone (designer's essay on close range par).

    Parameters
    ----------
    level, foliage, min_par
        As in `par_of`.
    legs
        Effective length of each throw [m].
    forced
        Whether play must stop at the end of each throw but the last.
    effective
        Effective length of the hole [m], where it is not the sum of the throws'.
    """
    whole = par_of(level, float(np.sum(legs)) if effective is None else effective, foliage, min_par)
    if bounds_of(level):
        return whole
    throws, run, first = 0, 0.0, True
    for length, stop in zip(legs, [*forced, False], strict=True):
        run += length
        if stop:
            throws += _throws(level, run, foliage, first, short_of=0.0)
            run, first = 0.0, False
    close = trade_figure(level.close_range)
    if run > close or throws == 0:
        throws += _throws(level, run, foliage, first, short_of=close)
    return max(whole, throws + 2)


def _throws(level: Level, length: float, foliage: float, first: bool, short_of: float) -> int:
    """Throws, at least one, that bring a player within `short_of` of a place."""
    tee = trade_figure(level.tee_throw) * foliage
    fairway = FAIRWAY_SHARE * tee
    left = length - short_of - (tee if first else fairway)
    return 1 + max(0, int(np.ceil(_rounded(left / fairway))))


def _rounded(value: float) -> float:
    """Without the dust that converting feet leaves, so that 380 ft is no more than 380 ft."""
    return round(value, 6)


def bounds_of(level: Level) -> tuple[float, ...]:
    """Upper bounds of the effective length [m] for par 3, 4, … that the designer gave; or none."""
    return tuple(getattr(level, "par_bounds", None) or ())


def par_source(level: Level) -> str:
    """Where pars of a level come from, in a reader's words."""
    return "designer's table" if bounds_of(level) else OUR_DEFAULT


def fair_width(spread: float | Floats) -> float | Floats:
    """Width [m] that two thirds of throws pass whose spread is one standard deviation [m].

    Examples
    --------
    >>> round(float(fair_width(10.0)), 2)
    19.35
    """
    return WIDTH_FOR_TWO_THIRDS * spread


def room_for(level: Level, hectares: float, wooded: float) -> int:
    """Holes that so much land usually holds; our default.

    Parameters
    ----------
    level
        Who plays; sets how long holes are.
    hectares
        Area.
    wooded
        Share of it under trees: they keep fairways from one another, so that holes need less.
    """
    heavy, mixed, open_ = ACRES_PER_HOLE.get(level.name, ACRES_PER_HOLE["white"])
    acres = float(np.interp(wooded, (0.0, 0.5, 1.0), (open_, mixed, heavy)))
    return int(hectares / HECTARES_PER_ACRE / acres)


WALK_SHARE = 0.25
"""Sum of the walks between holes over the sum of their lengths that is worth a word; ours."""


def long_walks(walks: float, lengths: float, most: float = WALK_SHARE) -> bool:
    """Whether the walks [m] between holes are long against the holes themselves [m]."""
    return walks > most * lengths
