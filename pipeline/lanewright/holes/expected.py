"""What a level is expected to score on a hole: every count of throws with its chance, summed up.

The throws of a hole are followed one after another, by what was flown of each: how many touch
nothing, where the others drop, how far from the target the clear ones rest, how many end in water,
off the property or in a keep-out. From where the last one rests, play goes on by `finishing_of`.

Nobody's rounds stand behind it. Chances are those of one player of the level who throws each throw
afresh: differences between players of a level, wind and nerves are not in the spread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lanewright.base.arrays import Floats
from lanewright.settings.levels import Level

MOST = 30
"""Counts of throws with a chance of their own; the last takes all above."""

HALF_HOLED = 0.25
"""Distance from which every other putt is holed, as a share of the level's close range: 6 m for
green to 9 m for gold. Common practice, no source."""

FALLS_OFF = 3.0  # power by which putts get harder with distance; ours

STRAY = 0.0835
"""Standard deviation, each way, of where a throw at the basket rests, as a share of its length.

It follows from what close range is: players of the level get down in two from there about nine
times in ten (a course designer's essay on close range par), with putts as above.
"""

STEP = 0.5  # m between the distances that `finishing_of` tells apart
_RADII = np.sqrt(-2 * np.log(1 - (np.arange(8) + 0.5) / 8))  # of equal parts of a round spread
_ANGLES = 2 * np.pi * (np.arange(12) + 0.5) / 12
_TWO_THIRDS = 2 * np.sqrt(-2 * np.log(1 / 3))  # axis that holds them, in standard deviations


@dataclass(frozen=True)
class Flown:
    """One throw of a hole as it was flown.

    Attributes
    ----------
    length
        From where it starts to where it is aimed [m].
    clear
        Share that touches nothing.
    drops_at
        How far out the others drop [m].
    wet, lost
        Share that ends in water; off the property or in a keep-out.
    long, wide
        Axes of the ellipse that two thirds of the clear ones rest in [m]; NaN unknown.
    turn
        From the way of play to its long axis [deg].
    past
        Its middle beyond the target [m].
    throws
        Throws that the level needs for it, where it reaches less far than those who were flown.
    """

    length: float
    clear: float
    drops_at: float
    wet: float = 0.0
    lost: float = 0.0
    long: float = np.nan
    wide: float = np.nan
    turn: float = 0.0
    past: float = 0.0
    throws: int = 1

    def rests(self) -> Floats:
        """Distances from the target [m] of as many clear throws, all as likely (n,)."""
        known = np.isfinite([self.long, self.wide, self.past]).all()
        each = np.array([self.long, self.wide]) / _TWO_THIRDS if known else STRAY * self.length
        one, other = np.broadcast_to(each, 2)
        along = one * np.outer(_RADII, np.cos(_ANGLES)).ravel()
        across = other * np.outer(_RADII, np.sin(_ANGLES)).ravel()
        turn = np.radians(self.turn if known and np.isfinite(self.turn) else 0.0)
        past = self.past if known else 0.0
        return np.asarray(np.hypot(along + past * np.cos(turn), across - past * np.sin(turn)))


@dataclass(frozen=True)
class Score:
    """Chance of each count of throws (MOST,); the first is that of none."""

    chances: Floats

    @cached_property
    def mean(self) -> float:
        """Expected score."""
        return float(self.chances @ np.arange(MOST))

    @cached_property
    def sd(self) -> float:
        """Its spread from round to round, one standard deviation."""
        return float(np.sqrt(self.chances @ (np.arange(MOST) - self.mean) ** 2))

    @cached_property
    def likeliest(self) -> int:
        """The score that comes most often."""
        return int(self.chances.argmax())


def holed(distance: float | Floats, level: Level) -> Floats:
    """Share of putts and throws from a distance [m] that are holed.

    Examples
    --------
    >>> from lanewright.settings.levels import level_named
    >>> gold = level_named("gold")
    >>> [round(float(holed(d, gold)), 2) for d in (0, 5, 9.25, 20)]
    [1.0, 0.86, 0.5, 0.09]
    """
    half = HALF_HOLED * level.close_range
    return np.asarray(1 / (1 + (np.asarray(distance) / half) ** FALLS_OFF))


def finishing_of(level: Level, farthest: float) -> Floats:
    """Chance of each count of throws from so far away with nothing in the way.

    Parameters
    ----------
    level
        Who plays; a throw carries at most its fairway throw.
    farthest
        Largest distance that is asked for [m].

    Returns
    -------
    ndarray
        (distances, MOST), every `STEP` from 0 on. Chances of few throws fall with distance.
    """
    distance = STEP * np.arange(int(np.ceil(farthest / STEP)) + 2, dtype=np.float64)
    thrown = np.minimum(distance, level.fairway_throw)
    left = np.hypot((distance - thrown)[:, None], STRAY * thrown[:, None] * _RADII)
    made = holed(distance, level)
    chances = np.zeros((len(distance), MOST))
    chances[0, 1] = 1.0
    chances[1, 1:3] = made[1], 1 - made[1]  # what is missed from half a metre is tapped in
    for i in range(2, len(distance)):
        chances[i] = (1 - made[i]) * _later(_from(chances, left[i]))
        chances[i, 1] += made[i]
    return chances


def score_of(throws: Sequence[Flown], level: Level, finish: Floats | None = None) -> Score:
    """Add up what may come of the throws of a hole.

    A throw that touches something drops there, and from there nothing is in the way: one throw at
    least, each a fairway throw at most, to where the throw was aimed. It is never nearer to the
    basket than a clear one, so that a lower clear rate cannot lower the score. One that ends in
    water counts with a penalty and is thrown again; one that is lost counts with a penalty and is
    played on as if it lay where it should.

    Parameters
    ----------
    throws
        Of the hole in order.
    level
        Who plays.
    finish
        Of `finishing_of` for the level, at least as far as the longest throw; made anew by default.
    """
    if finish is None:
        finish = finishing_of(level, max(flown.length for flown in throws))
    last = throws[-1]
    rests = last.rests()
    clear = _from(finish, rests)
    missed = _from(finish, np.maximum(rests, max(last.length - last.drops_at, 0.0)))
    chances = _thrown(last, clear, missed)
    for flown in reversed(throws[:-1]):
        more = int(np.ceil((flown.length - flown.drops_at) / level.fairway_throw))
        chances = _thrown(flown, chances, _later(chances, max(more, 1)))
    return Score(chances)


def _thrown(flown: Flown, clear: Floats, missed: Floats) -> Floats:
    """Chances before a throw, from those after one that is clear and one that is not."""
    after = flown.clear * clear + (1 - flown.clear) * missed
    after = (1 - flown.lost) * after + flown.lost * _later(after)
    dry = (1 - flown.wet) * _later(after, flown.throws)
    chances = dry.copy()
    for count in range(2, MOST):  # two more for each time that it ends in water
        chances[count] += flown.wet * chances[count - 2]
    chances[-1] += 1 - chances.sum()
    return chances


def _from(finish: Floats, distance: Floats) -> Floats:
    """Mean chances over distances [m], as likely each, straight between rows (MOST,)."""
    place = np.minimum(distance / STEP, len(finish) - 1)
    row = np.minimum(place.astype(np.int64), len(finish) - 2)
    share = (place - row)[:, None]
    return np.asarray(((1 - share) * finish[row] + share * finish[row + 1]).mean(0))


def _later(chances: Floats, throws: int = 1) -> Floats:
    """Chances with so many throws more; what comes to more than `MOST` stays in the last."""
    moved = np.zeros_like(chances)
    moved[throws:] = chances[:-throws]
    moved[-1] += chances[-throws:].sum()
    return moved
