"""What a round is, and what it is worth: the problem that the searches solve.

A round is a circuit through some of the candidate holes: out from the arrival, from each basket to
the next tee, and back. `value` computes what a round is worth, term by term.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lanewright.base.arrays import Flags, Floats, Ints

ARRIVAL = -1
"""Stands for the arrival where a walk starts or ends."""

Earlier = Sequence[tuple[Sequence[int], int]]
"""Earlier rounds, and how many of their holes may come again at the most."""


@dataclass(frozen=True)
class Wish:
    """A wish for at least `least` holes of a kind; each one short costs `weight` points."""

    term: str
    members: Flags
    least: int
    weight: float


@dataclass(frozen=True)
class Problem:
    """A choice of round; arrays over candidate holes (n,) or over walks (w,).

    Attributes
    ----------
    wanted
        Holes wanted.
    gains
        Points that each hole brings by itself, by term.
    apart
        Pairs of holes that cannot both be in a round (k, 2).
    start, end
        Holes that each walk leads from and to; `ARRIVAL` for the arrival.
    costs
        Points that each walk costs, by term.
    fire
        Pairs (walk, hole): the walk comes into the hole's line of fire.
    crossing
        Points that each walk into a line of fire costs.
    wishes
        The mix wished for.
    length, total, per_metre
        Length of each hole [m], what they should add up to, and points for each metre off it.
    finish, in_a_row, repeat
        Code of each hole's finish, most of one in a row, and points for each hole beyond.
    trim, budget
        Hours of trimming at each hole, and most hours (None for no limit).
    must
        Holes that every round holds.
    place
        Number in the round that each hole must have; 0 for any.
    halves
        Whether it also comes by the arrival halfway.
    """

    wanted: int
    gains: Mapping[str, Floats]
    apart: Ints
    start: Ints
    end: Ints
    costs: Mapping[str, Floats]
    fire: Ints
    crossing: float
    wishes: Sequence[Wish]
    length: Floats
    total: tuple[float, float]
    per_metre: float
    finish: Ints
    in_a_row: int
    repeat: float
    trim: Floats
    budget: float | None
    must: Flags
    place: Ints
    halves: bool = False

    @property
    def size(self) -> int:
        """Number of candidates."""
        return len(self.must)

    @property
    def gain(self) -> Floats:
        """Points of each hole, all terms together."""
        return np.asarray(sum(self.gains.values(), np.zeros(self.size)))

    @property
    def cost(self) -> Floats:
        """Points of each walk, all terms together."""
        return np.asarray(sum(self.costs.values(), np.zeros(len(self.start))))


@dataclass(frozen=True)
class Round:
    """A round found.

    Attributes
    ----------
    order
        Holes in playing order.
    terms
        Points by term; costs are below 0.
    bound
        No round could be worth more, by the solver's proof.
    proven
        Whether this is the best there is.
    """

    order: tuple[int, ...]
    terms: dict[str, float]
    bound: float
    proven: bool

    @property
    def worth(self) -> float:
        """Points of all terms."""
        return sum(self.terms.values())


def value(problem: Problem, order: Sequence[int]) -> dict[str, float]:
    """Points of a round by term, worked out from the order alone.

    Parameters
    ----------
    problem
        What counts, and how much.
    order
        Holes in playing order.

    Raises
    ------
    ValueError
        If two holes of the round have no walk between them.
    """
    chosen = np.asarray(order, np.int64)
    walks = walks_of(problem, order)
    crossed = {int(w) for w, hole in problem.fire if hole in set(order)}
    terms = {name: float(gain[chosen].sum()) for name, gain in problem.gains.items()}
    terms |= {name: -float(cost[walks].sum()) for name, cost in problem.costs.items()}
    terms["crossings"] = -problem.crossing * len(crossed & set(walks))
    for wish in problem.wishes:
        short = max(0, wish.least - int(wish.members[chosen].sum()))
        terms[wish.term] = terms.get(wish.term, 0.0) - wish.weight * short
    length = float(np.round(problem.length[chosen]).sum())
    off = max(problem.total[0] - length, length - problem.total[1], 0.0)
    terms["total length"] = -problem.per_metre * off
    half = len(order) // 2 if problem.halves else 0  # a stop at the arrival parts them
    terms["finishes in a row"] = -problem.repeat * sum(
        repeats(problem.finish[part], problem.in_a_row) for part in (chosen[:half], chosen[half:])
    )
    return {name: points + 0.0 for name, points in terms.items()}


def repeats(finish: Sequence[int] | Ints, most: int) -> int:
    """Holes that make more than `most` in a row with the same finish, counting anew after each.

    Examples
    --------
    >>> repeats([0, 0, 0, 0, 1, 1], 3), repeats([0] * 8, 3)
    (1, 2)
    """
    run, count, before = 0, 0, None
    for kind in finish:
        run = run + 1 if kind == before else 1
        if run > most:
            count, run = count + 1, 1
        before = kind
    return count


def walks_of(problem: Problem, order: Sequence[int]) -> list[int]:
    """Rows of the walks of a round, in order, from the arrival and back to it."""
    if not order:
        return []
    at = {
        (int(a), int(b)): k for k, (a, b) in enumerate(zip(problem.start, problem.end, strict=True))
    }
    stops = list(order)
    if problem.halves and len(order) > 1:
        half = len(order) // 2
        stops[half:half] = [ARRIVAL]
    stops = [ARRIVAL, *stops, ARRIVAL]
    try:
        return [at[pair] for pair in pairwise(stops)]
    except KeyError as err:
        raise ValueError(f"no walk from hole {err.args[0][0]} to hole {err.args[0][1]}") from None
