"""Whether a hole is fair, and what it is worth: its legs judged together.

A hole is fair if every throw of it is, and if two thirds of those that land between tee and basket
land well. Its interest is that of a leg, summed once over all its throws: a tunnel counts by the
share of the hole that runs in it, a carry or a drop wherever it comes, the green where the hole
ends.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.legs import fair
from lanewright.legs.interest import COLUMNS, interest
from lanewright.settings.judge import InterestSettings

ALONG = ("interest_framed", "interest_tunnel")
"""Components that count by the share of the hole that has them."""

AT_THE_END = ("interest_green",)
"""Those that only the last throw brings."""


def judged(
    legs: Any, chains: Ints, lands: Floats, least_landing: float, weights: InterestSettings
) -> dict[str, Any]:
    """Columns of holes about fairness and worth.

    Parameters
    ----------
    legs
        The legs table.
    chains : (holes, 3)
        Rows of legs; below 0 after the last.
    lands : (holes,)
        Share of throws that land well at the worst landing zone; NaN for a single throw.
    least_landing
        Share that must.
    weights
        The section `legs: judge: interest:` of the configuration.

    Returns
    -------
    dict
        The components, `interest`, `score` (0 for what is unfair), `promise` (the score, were no
        growth in the way of being fair), `fair` and `unfair`.
    """
    there = chains >= 0
    rows = np.where(there, chains, 0)
    throws = there.sum(1)
    last = rows[np.arange(len(rows)), throws - 1]
    length = np.where(there, legs["length_m"].to_numpy(float)[rows], 0.0)
    share = length / length.sum(1)[:, None]
    parts = {}
    for name in COLUMNS:
        each = legs[name].to_numpy(float)[rows]
        if name in ALONG:
            parts[name] = np.where(there, each * share, 0.0).sum(1)
        elif name in AT_THE_END:
            parts[name] = legs[name].to_numpy(float)[last]
        else:
            parts[name] = np.where(there, each, -np.inf).max(1)
    worth = interest(parts, weights)
    shut = _closed(legs, rows, there, lands < least_landing)
    easy = np.where(there, np.maximum(legs["ease"].to_numpy(float)[rows], 1e-9), 1.0)
    easy = np.exp(np.log(easy).sum(1) / throws)
    # A poor landing takes its root off.
    easy = easy * np.where(throws > 1, np.sqrt(np.nan_to_num(lands, nan=1.0)), 1.0)
    promise = worth * easy * ~fair.hard(shut)
    return {
        "score": np.where(shut.any(1), 0.0, promise),
        "fair": np.where(shut.any(1), "no", "yes").astype(object),
        "unfair": fair.in_words(shut),
        "interest": worth,
        **parts,
        "promise": promise,
    }


def _closed(legs: Any, rows: Ints, there: Flags, lands_badly: Flags) -> Flags:
    """Gates that a hole fails at, by any of its throws (holes, gates)."""
    each = fair.from_words(legs["unfair"])
    shut: Flags = np.asarray((each[rows] & there[..., None]).any(1), bool)
    shut[:, fair.GATES.index("landing")] |= lands_badly
    return shut
