"""Whether a hole is fair, and what it is worth: its legs judged together.

A hole is fair if every throw of it is, and if two thirds of those that land between tee and basket
land well. Its interest is that of a leg, summed once over all its throws: a tunnel counts by the
share of the hole that runs in it, a carry or a drop wherever it comes, the green where the hole
ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.rows import Row
from lanewright.legs import fair
from lanewright.legs.interest import COLUMNS, interest
from lanewright.settings.judge import InterestSettings
from lanewright.settings.levels import Level

ALONG = ("interest_framed", "interest_tunnel")
"""Components that count by the share of the hole that has them."""

AT_THE_END = ("interest_green",)
"""Those that only the last throw brings."""


WATER = 3.0  # m of water from which a hole carries it; ours


def judged(
    legs: Any, chains: Ints, lands: Floats, least_landing: float, weights: InterestSettings
) -> Row:
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
        growth in the way of being fair), `fair`, `unfair`, and `gap_share` of the narrowest gap.
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
    easy = easy * np.sqrt(np.nan_to_num(lands, nan=1.0))
    promise = worth * easy * ~fair.hard(shut)
    return {
        "score": np.where(shut.any(1), 0.0, promise),
        "fair": np.where(shut.any(1), "no", "yes").astype(object),
        "unfair": fair.in_words(shut),
        "gap_share": np.where(there, legs["gap_share"].to_numpy(float)[rows], np.inf).min(1),
        "interest": worth,
        **parts,
        "promise": promise,
    }


def by_one_throw(holes: pd.DataFrame, enough: float) -> Floats:
    """Share of the throws that play a hole of several in one, where they are enough; else NaN.

    Parameters
    ----------
    holes
        With `route` and `pair_id`: of a hole that has two routes, the bold one has fewer throws.
    enough
        Share of throws that must pass for the one throw to be how the hole is played.
    """
    rate, is_fair = _of_other(holes, holes["clear_rate"]), _of_other(holes, holes["fair"] == "yes")
    one = (holes["throws"].to_numpy() > 1) & (_of_other(holes, holes["throws"]) == 1)
    return np.where(one & (is_fair == 1) & (rate >= enough), rate, np.nan)


def with_choice(holes: gpd.GeoDataFrame, weights: InterestSettings) -> gpd.GeoDataFrame:
    """Holes of two routes with the choice between them as part of their risk, and worth by it.

    A choice is at its fullest where what the misses of the bold way cost besides is what it saves:
    daring pays on a good day only. Where it costs nothing besides, or twice what it saves, there is
    nothing to choose.

    Parameters
    ----------
    holes
        With `route`, `pair_id`, `throws`, `miss_cost` and the columns of `judged`.
    weights
        The section `legs: judge: interest:` of the configuration.
    """
    throws, cost = (holes[name].to_numpy(float) for name in ("throws", "miss_cost"))
    theirs, cost_of = _of_other(holes, holes["throws"]), _of_other(holes, holes["miss_cost"])
    # The same for both routes: saved throws and what misses cost besides, bold against safe.
    saved, besides = np.abs(theirs - throws), (cost - cost_of) * np.sign(theirs - throws)
    real = saved > 0  # False too where there is no other route
    choice = np.where(real, 1 - np.abs(saved - besides) / np.where(real, saved, 1.0), 0.0)
    risk = np.maximum(holes["interest_risk"].to_numpy(float), choice)
    out = holes.assign(interest_risk=risk)
    worth = interest({name: out[name].to_numpy(float) for name in COLUMNS}, weights)
    gain = worth / np.maximum(holes["interest"].to_numpy(float), 1e-9)
    return out.assign(
        interest=worth,
        score=np.minimum(holes["score"] * gain, 1.0),
        promise=np.minimum(holes["promise"] * gain, 1.0),
    )


def _of_other(holes: pd.DataFrame, values: pd.Series) -> Floats:
    """What each hole's other route has (holes,); NaN where it has none."""
    by_id = values.set_axis(holes["hole_id"])
    return by_id.reindex(holes["pair_id"].astype(float)).to_numpy(float)


def carried_by(carry: Floats, levels: Sequence[Level]) -> list[str | None]:
    """Which levels should be asked for the carry of each hole; None where all of them may be.

    Examples
    --------
    >>> from lanewright.settings.levels import levels_named
    >>> carried_by(np.array([0.0, 60.0, 90.0]), levels_named(("blue", "red")))
    [None, 'blue', 'none']
    """
    said: list[str | None] = []
    for metres in carry:
        may = [level.name for level in levels if level.carry >= metres]
        whole = metres < WATER or len(may) == len(levels)
        said.append(None if whole else ", ".join(may) or "none")
    return said


def _closed(legs: Any, rows: Ints, there: Flags, lands_badly: Flags) -> Flags:
    """Gates that a hole fails at, by any of its throws (holes, gates)."""
    each = fair.from_words(legs["unfair"])
    shut: Flags = np.asarray((each[rows] & there[..., None]).any(1), bool)
    shut[:, fair.GATES.index("landing")] |= lands_badly
    return shut
