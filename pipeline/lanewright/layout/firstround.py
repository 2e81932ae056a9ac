"""A first round by simulated annealing, for the solver to better.

The solver alone finds no round of 18 among 142 candidates within its work.
"""

from __future__ import annotations

import logging
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Ints
from lanewright.kernels.rounds import Cooling, Terms, anneal
from lanewright.layout.round import ARRIVAL, Earlier, Problem
from lanewright.settings.layout import AnnealSettings

log = logging.getLogger(__name__)


class Walks(NamedTuple):
    """Walks between any two holes as tables, the arrival last.

    Attributes
    ----------
    cost : (n + 1, n + 1)
        Points that a walk costs by itself; infinite where there is none.
    way : (n + 1, n + 1)
        Which way it takes; below 0 for one that nobody looked at.
    fire : (k, 2)
        Pairs (way, hole): the way comes into the hole's line of fire.
    """

    cost: NDArray[np.float32]
    way: NDArray[np.int32]
    fire: Ints


def first_round(
    problem: Problem,
    settings: AnnealSettings,
    differ: Earlier = (),
    *,
    walks: Walks | None = None,
    seed: int = 1,
) -> list[int]:
    """Build a good round by small changes to a poor one.

    Parameters
    ----------
    problem
        What counts.
    settings
        How long the search goes on.
    differ
        Earlier rounds, and how many of their holes may come again at the most.
    walks
        Between any two holes; by default those of the problem.
    seed
        Of chance; the same seed gives the same round.

    Returns
    -------
    list of int
        Holes in order; as many as wanted, or none where every round met breaks some rule.
    """
    count = problem.wanted
    if count < 1 or count > problem.size or problem.must.sum() > count:
        return []
    walks = walks_of(problem) if walks is None else walks
    near, back = (_nearest(walk[:, :-1], settings.near) for walk in (walks.cost, walks.cost.T))
    cooling = Cooling(settings.changes, settings.hot, settings.cold, settings.strain, near, back)
    terms = terms_of(problem, walks, differ)
    rng = np.random.default_rng(seed)
    best: tuple[int, float, list[int]] = (0, -np.inf, [])
    for _ in range(settings.tries):
        others = rng.permutation(np.flatnonzero(~problem.must))
        start = np.r_[np.flatnonzero(problem.must), others][:count].astype(np.int64)
        order, points, broken = anneal(start, problem.must, terms, cooling, rng)
        found = -int(broken), float(points), [int(h) for h in order]
        if not best[2] or found[:2] > best[:2]:
            best = found
    log.debug("first round: %d rules broken, %.0f points", -best[0], best[1])
    return best[2] if best[0] == 0 else []


def _nearest(cost: NDArray[np.float32], most: int) -> Ints:
    """Columns of least cost in each row, at most so many; -1 where there are fewer."""
    near = np.argsort(cost, axis=1, kind="stable")[:, :most]
    there = np.isfinite(np.take_along_axis(cost, near, axis=1))
    return np.ascontiguousarray(np.where(there, near, -1), np.int64)


def walks_of(problem: Problem) -> Walks:
    """The problem's walks as tables, the arrival last."""
    size = problem.size
    cost = np.full((size + 1, size + 1), np.inf, np.float32)
    way = np.full((size + 1, size + 1), -1, np.int32)
    ends = [np.where(np.asarray(e) == ARRIVAL, size, e) for e in (problem.start, problem.end)]
    cost[ends[0], ends[1]] = problem.cost
    way[ends[0], ends[1]] = np.arange(len(problem.start))
    return Walks(cost, way, np.asarray(problem.fire, np.int64).reshape(-1, 2))


def terms_of(problem: Problem, walks: Walks, differ: Earlier) -> Terms:
    """The problem as the compiled search takes it."""
    size = problem.size
    apart = np.zeros((size, size), bool)
    apart[problem.apart[:, 0], problem.apart[:, 1]] = True
    kinds = [w for w in problem.wishes if w.weight > 0 and w.least > 0]
    earlier = np.zeros((len(differ), size), bool)
    for row, (holes, _) in enumerate(differ):
        earlier[row, list(holes)] = True
    members = np.array([w.members for w in kinds], bool).reshape(-1, size)
    return Terms(
        apart=apart | apart.T,
        gain=problem.gain,
        cost=walks.cost,
        kind=np.ascontiguousarray(members.T),
        least=np.array([w.least for w in kinds], np.int64),
        weight=np.array([w.weight for w in kinds], np.float64),
        length=np.round(problem.length),
        low=float(problem.total[0]),
        high=float(problem.total[1]),
        per_metre=float(problem.per_metre),
        finish=np.asarray(problem.finish, np.int64),
        most=int(problem.in_a_row),
        repeat=float(problem.repeat),
        trim=np.asarray(problem.trim, np.float64),
        budget=np.inf if problem.budget is None else float(problem.budget),
        place=np.asarray(problem.place, np.int64),
        half=problem.wanted // 2 if problem.halves and problem.wanted > 1 else 0,
        earlier=earlier,
        shared=np.array([most for _, most in differ], np.int64),
        way=walks.way,
        fire=_bits(walks, size if problem.crossing > 0 else 0),
        crossing=float(problem.crossing),
    )


def _bits(walks: Walks, size: int) -> NDArray[np.uint64]:
    """Lines of fire that each way comes into, a bit for each hole (ways, words)."""
    rows = np.zeros((int(walks.way.max(initial=-1)) + 1, -(-size // 64)), np.uint64)
    if size:
        way, hole = walks.fire.T
        bit = np.left_shift(np.uint64(1), (hole & 63).astype(np.uint64))
        np.bitwise_or.at(rows, (way, hole >> 6), bit)
    return rows
