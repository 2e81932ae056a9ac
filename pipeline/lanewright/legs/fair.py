"""Whether a throw is fair: gates that it passes or not, each with the figure that it looks at.

An unfair throw has no score, however much there is to like about it. Gates that only growth closes
may be opened by trimming; the others are how the land lies. What nobody knows closes no gate.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.rows import Facts
from lanewright.settings.judge import FairSettings

GATES = ("gap", "way", "landing", "climb", "slope", "wet", "carry", "safety")
"""Narrowest gap; the way as a whole; where throws rest; climb or fall; ground across; wet ground
under the way; water to carry; throws that end where people or neighbours are."""

BY_GROWTH = ("gap", "way")
"""Gates that cutting growth may open."""

STEP = 5.0  # m from one gap looked at to the next
FEW = 16  # throws that must reach a gap for its share to be known


def narrowest(at: Floats, length: Floats, gap: float) -> tuple[Floats, Floats]:
    """Share of throws that get through the gap that fewest pass, and where that gap is.

    Parameters
    ----------
    at : (legs, throws)
        How far along the leg something stops each throw [m]; NaN for those that nothing stops.
    length : (legs,)
        Of the legs [m].
    gap
        Metres of the way that are one gap.

    Returns
    -------
    share, middle
        (legs,); the middle of the gap [m], NaN where every throw passes. A gap that fewer than
        `FEW` throws reach says nothing: what stopped the others lies before it.
    """
    stopped = np.where(np.isfinite(at), at, np.inf)
    share, middle = np.ones(len(at)), np.full(len(at), np.nan)
    few = min(FEW, at.shape[1])
    for start in np.arange(0.0, float(length.max(initial=0.0)), STEP):
        reach, pass_it = (stopped >= start).sum(1), (stopped >= start + gap).sum(1)
        got = np.divide(pass_it, reach, out=np.ones(len(at)), where=reach >= few)
        worse = (got < share) & (start < length)
        share = np.where(worse, got, share)
        middle = np.where(worse, np.minimum(start + gap / 2, length), middle)
    return share, middle


def closed(leg: Facts, limits: FairSettings, most_carry: float, most_unsafe: float) -> Flags:
    """Which gates each leg fails at (legs, gates).

    Parameters
    ----------
    leg
        Columns of legs: `gap_share`, `clear_rate`, `rests_well_share`, `grade_pct`,
        `side_slope_pct`, `wet_share`, `carry_water_m`, `unsafe_share`.
    limits
        The section `legs: judge: fair:` of the configuration.
    most_carry
        Longest carry that the level should be asked for [m].
    most_unsafe
        Share of throws that may end off the property or in a keep-out's buffer.
    """
    grade = np.asarray(leg["grade_pct"], float)
    tests = {
        "gap": leg["gap_share"] < limits.share,
        "way": leg["clear_rate"] < limits.way,
        "landing": leg["rests_well_share"] < limits.share,
        "climb": (grade > limits.climb) | (grade < -limits.fall),
        "slope": leg["side_slope_pct"] > limits.side,
        "wet": leg["wet_share"] > limits.wet,
        "carry": leg["carry_water_m"] > most_carry,
        "safety": leg["unsafe_share"] > most_unsafe,
    }
    return np.stack([np.asarray(tests[gate], bool) for gate in GATES], 1)


def hard(shut: Flags) -> Flags:
    """Which legs fail at a gate that no trimming opens (legs,)."""
    lasting = [i for i, gate in enumerate(GATES) if gate not in BY_GROWTH]
    return np.asarray(shut[:, lasting].any(1))


def in_words(shut: Flags) -> NDArray[np.object_]:
    """Names of the gates that each leg fails at, with commas between; empty for a fair one."""
    return np.array([", ".join(np.array(GATES)[row]) for row in shut] or [], object)


def from_words(words: Iterable[object]) -> Flags:
    """The gates that `in_words` names, (legs, gates).

    Examples
    --------
    >>> from_words(["", "gap, wet"]).sum(1).tolist()
    [0, 2]
    """
    said = [set(text.split(", ")) if isinstance(text, str) else set() for text in words]
    return np.array([[gate in each for gate in GATES] for each in said], bool).reshape(
        len(said), len(GATES)
    )
