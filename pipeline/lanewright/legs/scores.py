"""How easy a leg is to play, each score 0 to 1 and monotone in every figure it is made of.

What a leg is worth is its interest (`legs/interest.py`) times this; whether it counts at all is
another question (`legs/fair.py`).

The bends of the curves are ours, common practice: a climb of 5 % is mild, 10 % strong, 15 % rare
spice; a side slope up to 10 % is fine and over 25 % no place to land; a tee is easy to build up to
6 % and to be avoided over 15 %; a green over 25 % only by intent.
"""

from __future__ import annotations

import numpy as np

from lanewright.base.arrays import Floats
from lanewright.settings.legs import ScoreSettings

CLIMB_PER_LENGTH = 3.0
"""Metres of length that a metre of climb counts for; long-standing rule in PDGA course material."""

LEAST_LENGTH = 0.5
"""Least effective length after a drop, as a share of the length; ours."""

_CLIMB = ((5.0, 10.0, 15.0, 25.0), (1.0, 0.8, 0.5, 0.0))
_DROP = ((10.0, 20.0, 30.0, 50.0), (1.0, 0.8, 0.5, 0.0))  # falling ground is asked of no legs
_SIDE = ((10.0, 20.0, 30.0), (1.0, 0.6, 0.0))
_TEE = ((3.0, 6.0, 15.0, 25.0), (1.0, 0.9, 0.4, 0.0))
_LANDING = ((10.0, 20.0, 25.0, 40.0), (1.0, 0.7, 0.5, 0.0))
_CARRY = ((1.0, 1.5), (1.0, 0.0))  # of the longest the level should be asked for


def effective_length(length: Floats, rise: Floats) -> Floats:
    """Length of the throw on level ground that asks as much [m].

    Examples
    --------
    >>> float(effective_length(np.array(120.0), np.array(6.0)))
    138.0
    """
    return np.asarray(np.maximum(length + CLIMB_PER_LENGTH * rise, LEAST_LENGTH * length))


def clearance(clear_rate: Floats, clear_rate_low: Floats, enough: float = 1.0) -> Floats:
    """Three parts what was seen, one part what may have been missed, each in full from `enough`.

    Examples
    --------
    >>> float(clearance(np.array(0.75), np.array(0.7), 2 / 3))
    1.0
    """
    seen, unseen = (np.minimum(rate / enough, 1.0) for rate in (clear_rate, clear_rate_low))
    return np.asarray(0.75 * seen + 0.25 * unseen)


def grade(grade_pct: Floats, side_pct: Floats, tee_pct: Floats, landing_pct: Floats) -> Floats:
    """How gently the leg climbs or falls, lies across the slope, starts and ends: the product."""
    along = np.where(
        np.asarray(grade_pct) >= 0, np.interp(grade_pct, *_CLIMB), np.interp(-grade_pct, *_DROP)
    )
    across = np.interp(side_pct, *_SIDE)
    ends = np.interp(tee_pct, *_TEE) * np.interp(landing_pct, *_LANDING)
    return np.asarray(along * across * ends)


def drainage(wet_share: Floats, carry_m: Floats, most_carry: float) -> Floats:
    """How much of the ground is dry, times whether the level can carry the water.

    A share of NaN, where wet ground is not known, is left out.
    """
    return np.asarray((1 - np.nan_to_num(wet_share)) * np.interp(carry_m / most_carry, *_CARRY))


def total(clearance: Floats, grade: Floats, drainage: Floats, weights: ScoreSettings) -> Floats:
    """Weighted geometric mean: nothing makes up for a score of 0.

    A clearance of NaN (no lidar) is left out.
    """
    seen = np.isfinite(clearance)
    parts = (
        (np.where(seen, clearance, 1.0), np.where(seen, weights.clearance, 0.0)),
        (grade, np.full(seen.shape, weights.grade)),
        (drainage, np.full(seen.shape, weights.drainage)),
    )
    sum_of = sum(weight for _, weight in parts)
    out = np.ones(seen.shape)
    for score, weight in parts:
        share = np.divide(weight, sum_of, out=np.zeros(seen.shape), where=sum_of > 0)
        out *= np.clip(score, 0, 1) ** share
    return out
