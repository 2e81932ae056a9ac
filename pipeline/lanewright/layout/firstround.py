"""A first round by beam search and simulated annealing, for the solver to better.

The solver alone finds no round of 18 among 142 candidates within its work; annealing alone ends
hundreds of points lower, from one seed to the next as well.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Ints
from lanewright.base.bits import bits_of
from lanewright.kernels.beam import Guide
from lanewright.kernels.rounds import Cooling, Terms, anneal, worth
from lanewright.layout.beam import Stretch, guide_of, strings_of
from lanewright.layout.round import ARRIVAL, Earlier, Problem
from lanewright.settings.layout import SolverSettings

log = logging.getLogger(__name__)


class Walks(NamedTuple):
    """Walks between any two holes as tables, the arrival last.

    Attributes
    ----------
    cost : (n + 1, n + 1)
        Points that a walk costs by itself; infinite where there is none.
    way : (n + 1, n + 1)
        Which way it takes; below 0 for one that nobody looked at.
    fire : (ways, words) uint64
        Holes whose line of fire each way comes into, a bit each.
    """

    cost: NDArray[np.float32]
    way: NDArray[np.int32]
    fire: NDArray[np.uint64]


def first_round(
    problem: Problem,
    settings: SolverSettings,
    differ: Earlier = (),
    *,
    walks: Walks | None = None,
    seed: int = 1,
    begin: Sequence[int] | None = None,
) -> list[int]:
    """String a round hole by hole, then better it by small changes and stretch by stretch.

    Parameters
    ----------
    problem
        What counts.
    settings
        How wide and how long the search goes on.
    differ
        Earlier rounds, and how many of their holes may come again at the most.
    walks
        Between any two holes; by default those of the problem.
    seed
        Of chance; the same seed gives the same round.
    begin
        A round to anneal from; by default strings of holes are sought to begin with.

    Returns
    -------
    list of int
        Holes in order; as many as wanted, or none where every round met breaks some rule.
    """
    count = problem.wanted
    if count < 1 or count > problem.size or problem.must.sum() > count:
        return []
    walks = walks_of(problem) if walks is None else walks
    terms = terms_of(problem, walks, differ)
    wide = _nearest(walks.cost[:, :-1], settings.beam.near)
    whole = Stretch(problem.size, problem.size, 0, count, count, np.empty(0, np.int64))
    first = settings.first
    to = np.ascontiguousarray(walks.cost.T)
    near, back = (_nearest(walk[:, :-1], first.near) for walk in (walks.cost, to))
    changes = first.changes_each * problem.size
    cooling = Cooling(changes, first.hot, first.cold, first.strain, to, near, back)

    def cooled(starts: list[Ints], rng: np.random.Generator) -> list[tuple[int, float, list[int]]]:
        found = [anneal(start, problem.must, terms, cooling, rng) for start in starts]
        return [(-int(broken), float(points), order.tolist()) for order, points, broken in found]

    def search(room: float, rng: np.random.Generator) -> list[tuple[int, float, list[int]]]:
        guide = guide_of(terms, problem.must, wide, room, settings.beam)
        strings = strings_of(terms, guide, whole, settings.beam)
        return cooled(_starts(strings, terms, problem, first.tries, rng), rng)

    chance = np.random.default_rng(seed)
    if begin is not None:
        found = cooled([np.array(begin, np.int64)] * first.tries, chance)
    else:
        chances = chance.spawn(len(settings.beam.room))
        with ThreadPoolExecutor(numba.get_num_threads()) as pool:
            found = [one for some in pool.map(search, settings.beam.room, chances) for one in some]
    best = max(found, key=lambda one: one[:2])
    log.debug("first round: %d rules broken, %.0f points", -best[0], best[1])
    if best[0] < 0:
        return []
    guide = guide_of(terms, problem.must, wide, settings.beam.room[-1], settings.beam)
    return stretches_anew(best[2], terms, guide, settings)


def stretches_anew(
    order: list[int], terms: Terms, guide: Guide, settings: SolverSettings
) -> list[int]:
    """A round with stretch after stretch strung anew where that brings points."""
    window = settings.window
    beam = settings.beam.model_copy(update={"width": window.width})
    count = len(order)
    size = min(window.size, count)
    now = np.array(order, np.int64)
    points, broken = worth(now, terms)
    for _ in range(window.passes if broken == 0 else 0):
        before = points
        for i in range(count - size + 1):
            held = np.r_[now[:i], now[i + size :]]
            ends = [now[k] if 0 <= k < count else len(guide.points) for k in (i - 1, i + size)]
            stretch = Stretch(ends[0], ends[1], i, count, size, held)
            strings = strings_of(terms, guide, stretch, beam)
            for string in strings if strings.shape[1] == size else ():
                tried = np.r_[now[:i], string, now[i + size :]]
                other, faults = worth(tried, terms)
                if faults == 0 and other > points + 1e-6:
                    now, points = tried, other
        if points == before:
            break
    return [int(hole) for hole in now]


def _starts(
    strings: Ints, terms: Terms, problem: Problem, tries: int, rng: np.random.Generator
) -> list[Ints]:
    """The best rounds among strings, or what there is of one, filled up with any holes."""
    count = problem.wanted
    if strings.shape[1] == count:
        rated = [worth(order, terms) for order in strings]
        rank = sorted(range(len(rated)), key=lambda k: (rated[k][1], -rated[k][0], k))
        return [strings[k] for k in rank[:tries]]
    starts = []
    for k in range(tries):
        some = strings[min(k, len(strings) - 1)]
        musts = np.setdiff1d(np.flatnonzero(problem.must), some)
        others = rng.permutation(np.setdiff1d(np.flatnonzero(~problem.must), some))
        some = some[: count - musts.size]
        starts.append(np.r_[some, musts, others][:count].astype(np.int64))
    return starts


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
    under = np.zeros((len(problem.start), size), bool)
    under[tuple(np.asarray(problem.fire, np.int64).reshape(-1, 2).T)] = True
    return Walks(cost, way, bits_of(under))


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
        fire=walks.fire if problem.crossing > 0 else walks.fire[:, :0],
        crossing=float(problem.crossing),
    )
