"""Beam search for rounds: holes strung on walks one by one, the best strings kept at every step.

A good round walks little, so that its next hole is always among those near the last; what makes
rounds fail is land that the first holes have used up. Each string therefore pays for the land that
it bars: every hole that cannot come any more stands for a share of the land.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.bits import bits_of
from lanewright.kernels.beam import Guide, Strings, first_sets, longer
from lanewright.kernels.rounds import Terms
from lanewright.settings.layout import BeamSettings

MANY = 4
"""Times as many strings as are kept that are looked through first; only the time depends on it."""


class Stretch(NamedTuple):
    """What is to be strung: a whole round, or a part of one between holes that stay.

    Attributes
    ----------
    before, after
        Holes at its ends; the number of holes for the arrival.
    first, wanted
        Holes of the round before it; holes of the round.
    steps
        Holes to string.
    held
        Holes of the round that stay.
    """

    before: int
    after: int
    first: int
    wanted: int
    steps: int
    held: Ints


def guide_of(terms: Terms, must: Flags, near: Ints, room: float, settings: BeamSettings) -> Guide:
    """What guides the search.

    Parameters
    ----------
    terms
        What counts.
    must : (n,)
        Holes that must be in the round.
    near : (n + 1, k)
        Holes tried after each, the last row the arrival's; -1 where there are fewer.
    room
        Points that all of the land is worth.
    settings
        What length counts.
    """
    bars = terms.apart.copy()
    # Where candidates are many, each bars many others and stands for the less land.
    land = 1.0 / (1 + bars.sum(1))
    bars[:, must] = False  # what the designer keeps is kept
    np.fill_diagonal(bars, True)
    return Guide(
        points=terms.gain + settings.length * terms.per_metre * terms.length,
        bars=bits_of(bars),
        room=room * land / land.sum(),
        must=must,
        next=near,
    )


def strings_of(terms: Terms, guide: Guide, stretch: Stretch, settings: BeamSettings) -> Ints:
    """Strings of holes that fill a stretch, best first (k, steps); fewer steps where none does.

    Parameters
    ----------
    terms, guide
        What counts, and what guides the search.
    stretch
        Where holes are wanted.
    settings
        How many strings are kept.
    """
    held = _held(terms, guide, stretch)
    chains = np.empty((1, 0), np.int64)
    mark = np.random.default_rng(0).integers(1, 2**62, len(guide.points))  # of a set of holes
    sets = np.zeros(1, np.int64)
    musts = int(guide.must.sum())
    home = terms.cost[:-1, stretch.after].astype(float)
    halfway = terms.cost[:-1, -1].astype(float)
    for step in range(stretch.steps):
        at = stretch.first + step
        parent, hole, score = longer(held, guide, terms, at, stretch.wanted, musts)
        # On the last holes what counts is to come home, or to the hole that stays, as well; on
        # those before the stop halfway, to come to that.
        to_half = terms.half - 1 - at
        left, way = (to_half, halfway) if to_half >= 0 else (stretch.steps - 1 - step, home)
        near_end = max(0.0, 1 - left / settings.homing)
        ranked = score - near_end * way[hole] if near_end else score
        order = _kept(ranked, sets[parent] ^ mark[hole], hole, len(mark), settings)
        if not order.size:
            break
        parent, hole = parent[order], hole[order]
        sets = sets[parent] ^ mark[hole]
        chains = np.column_stack([chains[parent], hole])
        held = Strings(
            barred=held.barred[parent] | guide.bars[hole],
            last=hole,
            score=score[order],
            hours=held.hours[parent] + terms.trim[hole],
            kept=held.kept[parent] + guide.must[hole],
            shared=held.shared[parent] + terms.earlier[:, hole].T,
        )
    return chains


def _kept(ranked: Floats, sets: Ints, hole: Ints, holes: int, settings: BeamSettings) -> Ints:
    """Rows of the strings to keep, best first: one of each set of holes that ends alike."""
    key = sets + 3 * (hole << 40)  # sets are random numbers, so that no two keys meet by chance
    best = np.flatnonzero(np.isfinite(ranked))
    for some in (MANY * settings.width, best.size):  # nearly always the first are enough
        rows = best
        if some < best.size:
            rows = best[ranked[best] >= -np.partition(-ranked[best], some)[some]]
        order = rows[np.argsort(-ranked[rows], kind="stable")]
        kept = first_sets(order, key, hole, holes, settings.each, settings.width)
        if kept.size == settings.width or rows.size == best.size:
            break
    return np.asarray(kept, np.int64)


def _held(terms: Terms, guide: Guide, stretch: Stretch) -> Strings:
    """One string to start from, with what the holes that stay bar."""
    kept = np.flatnonzero(guide.must)
    bars = np.bitwise_or.reduce(guide.bars[np.r_[stretch.held, kept]], axis=0, initial=np.uint64(0))
    for hole in np.setdiff1d(kept, stretch.held):  # still to come
        bars[hole >> 6] &= ~(np.uint64(1) << np.uint64(hole & 63))
    return Strings(
        barred=bars[None],
        last=np.array([stretch.before], np.int64),
        score=np.zeros(1),
        hours=np.array([terms.trim[stretch.held].sum()]),
        kept=np.array([guide.must[stretch.held].sum()], np.int64),
        shared=terms.earlier[:, stretch.held].sum(1, dtype=np.int64)[None],
    )
