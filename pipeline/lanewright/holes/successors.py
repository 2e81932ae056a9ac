"""What may follow each hole: tees a short walk from its basket, of holes that fit beside it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints
from lanewright.holes.chains import PLACES

NEAR = 30.0
"""Metres from a basket to the next tee that a designer takes gladly: 100 ft; from memory."""

ENOUGH = 10
"""Holes that may follow one, from which a round has its choice; ours."""


def pairs_near(places: Floats, reach: float = NEAR) -> Ints:
    """Pairs (hole, next hole) whose basket and tee lie within `reach` (k, 2).

    Parameters
    ----------
    places : (holes, 4)
        x and y of tee and basket [m].
    """
    if not len(places):
        return np.empty((0, 2), np.int64)
    near = cKDTree(places[:, :2]).query_ball_point(places[:, 2:], reach)
    first = np.repeat(np.arange(len(places)), [len(each) for each in near])
    then = np.array([hole for each in near for hole in sorted(each)], np.int64)
    return np.asarray(np.column_stack([first, then])[first != then], np.int64)


def successors(places: Floats, conflicts: Ints, reach: float = NEAR) -> Ints:
    """How many holes may follow each one (holes,).

    Parameters
    ----------
    places : (holes, 4)
        x and y of tee and basket [m].
    conflicts : (k, 2)
        Rows of holes that cannot both be built.
    reach
        Metres from basket to tee.
    """
    pairs = following(places, conflicts, reach)
    return np.asarray(np.bincount(pairs[:, 0], minlength=len(places)), np.int64)


def following(places: Floats, conflicts: Ints, reach: float = NEAR) -> Ints:
    """Pairs (hole, hole that may follow it) (k, 2); arguments as in `successors`."""
    size = len(places)
    pairs = pairs_near(places, reach)
    barred, either = np.sort(conflicts, axis=1), np.sort(pairs, axis=1)
    fits = ~np.isin(either[:, 0] * size + either[:, 1], barred[:, 0] * size + barred[:, 1])
    return np.asarray(pairs[fits], np.int64)


def followed(holes: pd.DataFrame, conflicts: Ints) -> Mapping[str, object]:
    """For the summary: how many holes may follow each of a level's."""
    count = successors(holes[PLACES].to_numpy(float), conflicts)
    if not count.size:
        return {}
    return {
        "within_m": NEAR,
        "median": float(np.median(count)),
        "share of holes with none": round(float((count == 0).mean()), 4),
        f"share of holes with {ENOUGH} or more": round(float((count >= ENOUGH).mean()), 4),
    }
