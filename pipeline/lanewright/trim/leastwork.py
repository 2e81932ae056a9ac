"""The least work that makes enough throws clear: the choice of pieces for one leg.

A throw is clear when what it still meets stays under what stops it, that is once the pieces taken
hold more than its `need` of its contacts. Of all sets of pieces that make `wanted` throws clear,
the one of least cost is looked for:

    minimise    sum of cost[j] x[j]
    subject to  sum over throws of u[t] >= wanted,
                u[t] = 1 only where the depth of the pieces taken exceeds need[t],
                no piece together with the whole tree that holds it.

Throws that ask for the same pieces are one row with a weight. Each row reaches the solver as its
cuts: of every smallest group of pieces without which the throw cannot be clear, one must be taken.
These say the same as the sums of depths in pure logic, which a constraint solver (CP-SAT of
OR-tools) does best: legs of the demo with 20 to 60 pieces are solved to the end in some 20 ms,
against 50 to 500 ms by branch and bound on the linear relaxation (HiGHS). It gets a set amount of
its own deterministic time, not seconds, so that the same leg gets the same answer on any machine;
what it knows by then of the least cost is the bound that the gap is measured from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.kernels import trim as kernels

_MOST = 8  # pieces of one throw for which all subsets are looked at
_MARGIN = 1e-6  # contacts by which a throw must get under what stops it
_COIN = 1e5  # parts of an hour that costs are counted in by the solver
_FINE = 1e6  # parts of a contact


@dataclass(frozen=True)
class Case:
    """One leg's choice.

    Attributes
    ----------
    depth
        Contacts of each throw with each piece (throws, pieces).
    need
        Contacts that must go before a throw is clear (throws,); below zero it is clear as it is.
    cost
        Of each piece, above zero (pieces,).
    within
        Piece that is the whole of which this one is a part; -1 for none (pieces,).
    total
        All contacts of each throw (throws,); None where only `need` is known.
    """

    depth: Floats
    need: Floats
    cost: Floats
    within: Ints
    total: Floats | None = None

    def clear(self, chosen: Flags) -> Flags:
        """Throws that are clear once the chosen pieces are gone (throws,)."""
        return np.asarray(self.depth @ chosen > self.need + _MARGIN)

    def chances(self, chosen: Flags) -> Floats:
        """Chance of each throw to touch nothing once the chosen pieces are gone (throws,)."""
        if self.total is None:
            return self.clear(chosen).astype(float)
        return np.asarray(np.exp(-np.maximum(self.total - self.depth @ chosen, 0.0)), np.float64)

    def rate(self, chosen: Flags) -> float:
        """Clear rate once the chosen pieces are gone."""
        return float(self.chances(chosen).mean())

    @cached_property
    def rows(self) -> tuple[list[_Row], list[int]]:
        """What throws ask for, as the solver gets it; see `_rows`."""
        return _rows(self)

    @property
    def offered(self) -> Flags:
        """Everything that could go: whole trees, and parts of no tree that goes."""
        return np.asarray(self.within < 0)

    @property
    def most(self) -> int:
        """Throws that are clear once all pieces are gone."""
        return int(self.clear(self.offered).sum())


@dataclass(frozen=True)
class Choice:
    """A set of pieces, what it costs, and the least that any set could cost."""

    chosen: Flags
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the cost that a better set could save at most."""
        return max(0.0, 1 - self.bound / self.cost) if self.cost > 0 else 0.0


def choose(case: Case, wanted: int, effort: float | None) -> Choice:
    """Least work that makes `wanted` throws clear.

    Parameters
    ----------
    case
        The leg.
    wanted
        Throws.
    effort
        Deterministic time of the solver, about seconds of an idle core; None leaves it at the
        choice by hand, without a bound.

    Raises
    ------
    ValueError
        If no set of pieces makes so many throws clear.
    """
    none = np.zeros(case.cost.size, bool)
    if case.clear(none).sum() >= wanted:
        return Choice(none, 0.0, 0.0)
    if case.most < wanted:
        raise ValueError(f"{case.most} throws can be clear, {wanted} are wanted")
    best = improved(case, first_enough(case, by_worth(case), wanted), wanted)
    if effort is None:
        return Choice(best, float(case.cost[best].sum()), 0.0)
    found, bound = _solve(case, wanted, effort, best)
    if found is not None and case.clear(found).sum() >= wanted:
        found = _pruned(case, found, wanted)
        if case.cost[found].sum() < case.cost[best].sum():
            best = found
    cost = float(case.cost[best].sum())
    return Choice(best, cost, min(bound, cost))


def by_worth(case: Case, among: Flags | None = None, after: Flags | None = None) -> list[int]:
    """Pieces, the one that brings most for its cost first, each after those before it.

    What a piece brings are the throws that it clears, and a little for those that it brings nearer.
    A whole tree takes the place of its parts.

    Parameters
    ----------
    case
        The leg.
    among
        Pieces to put in order; by default all.
    after
        Pieces that are gone already.
    """
    left = np.ones(case.cost.size, bool) if among is None else among.copy()
    gone = np.zeros(case.need.size)
    if after is not None:
        gone = case.depth @ after
        held = case.within >= 0
        left[held] &= ~after[case.within[held]]
        left &= ~after
    need = np.maximum(case.need + _MARGIN, 1e-9)
    open_ = case.need >= -_MARGIN
    order = np.empty(case.cost.size, np.int64)
    run: Any = kernels.by_worth
    count = run(
        np.ascontiguousarray(case.depth[open_]),
        need[open_],
        case.cost,
        case.within,
        left,
        gone[open_],
        order,
    )
    return [int(j) for j in order[:count]]


def first_enough(case: Case, order: list[int], wanted: int) -> Flags:
    """As many pieces of the order as make `wanted` throws clear."""
    chosen = np.zeros(case.cost.size, bool)
    for j in order:
        chosen[case.within == j] = False
        chosen[j] = True
        if case.clear(chosen).sum() >= wanted:
            break
    return chosen


def improved(case: Case, chosen: Flags, wanted: int) -> Flags:
    """The same set without what is not needed, and expensive pieces swapped for cheaper ones."""
    chosen = _pruned(case, chosen, wanted)
    better = True
    while better:
        better = False
        for j in np.flatnonzero(chosen)[np.argsort(-case.cost[chosen], kind="stable")]:
            less = chosen.copy()
            less[j] = False
            others = np.flatnonzero(~chosen & (case.cost < case.cost[j]))
            for i in others[np.argsort(case.cost[others], kind="stable")]:
                if case.within[i] >= 0 and less[case.within[i]]:
                    continue
                swap = less.copy()
                swap[case.within == i] = False
                swap[i] = True
                if case.clear(swap).sum() >= wanted:
                    chosen, better = _pruned(case, swap, wanted), True
                    break
            if better:
                break
    return chosen


def _pruned(case: Case, chosen: Flags, wanted: int) -> Flags:
    chosen = chosen.copy()
    for j in np.flatnonzero(chosen)[np.argsort(-case.cost[chosen], kind="stable")]:
        chosen[j] = False
        if case.clear(chosen).sum() < wanted:
            chosen[j] = True
    return chosen


# ---------------------------------------------------------------------------------------------
# Solver


@dataclass(frozen=True)
class _Row:
    """Throws that ask for the same: how many, and the groups one piece of each must be taken of."""

    weight: int
    cuts: tuple[tuple[int, ...], ...]


def _solve(case: Case, wanted: int, effort: float, hint: Flags) -> tuple[Flags | None, float]:
    """Best set the solver found, if any, and its lower bound."""
    free = int(case.clear(np.zeros(case.cost.size, bool)).sum())
    rows, wide = case.rows
    from ortools.sat.python import cp_model  # 0.3 s that a run without trimming need not spend

    model = cp_model.CpModel()
    taken = [model.new_bool_var(f"x{j}") for j in range(case.cost.size)]
    clear = []
    for r, row in enumerate(rows):
        u = model.new_bool_var(f"u{r}")
        for cut in row.cuts:
            model.add_bool_or([taken[i] for i in cut] + [~u])
        clear.append(row.weight * u)
    for t in wide:
        u = model.new_bool_var(f"w{t}")
        there = np.flatnonzero(case.depth[t] > 0)
        need = case.need[t] + _MARGIN
        # Whole numbers, rounded to the careful side.
        depth = np.floor(np.minimum(case.depth[t, there], 2 * need) * _FINE).astype(int)
        gone = sum(int(d) * taken[i] for d, i in zip(depth, there, strict=True))
        model.add(gone >= int(np.ceil(need * _FINE))).only_enforce_if(u)
        clear.append(u)
    model.add(sum(clear) >= wanted - free)
    for i in np.flatnonzero(case.within >= 0):
        model.add_at_most_one([taken[i], taken[case.within[i]]])
    whole = np.rint(case.cost * _COIN).astype(int)
    model.minimize(sum(int(c) * x for c, x in zip(whole, taken, strict=True)))
    for x, start in zip(taken, hint, strict=True):
        model.add_hint(x, int(start))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.cp_model_probing_level = 0  # costs more than these small problems do
    solver.parameters.symmetry_level = 0
    solver.parameters.max_deterministic_time = effort
    solver.parameters.catch_sigint_signal = False  # it would hand back what it has as the result
    status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return None, 0.0
    # Rounding costs to whole coins may hide half a coin a piece.
    bound = max(0.0, (solver.best_objective_bound - case.cost.size / 2) / _COIN)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None, bound
    return np.array([solver.boolean_value(x) for x in taken]), bound


def _rows(case: Case) -> tuple[list[_Row], list[int]]:
    """Throws by what they ask for, and those that meet too many pieces for that."""
    hopeful = (case.need >= -_MARGIN) & case.clear(case.offered)
    counted: dict[tuple[tuple[int, ...], ...], int] = {}
    wide = []
    for t in np.flatnonzero(hopeful):
        need = case.need[t] + _MARGIN
        there = np.flatnonzero(case.depth[t] > 0)
        depth = np.minimum(case.depth[t, there], need * 2)
        # What all others together can do without is not asked for, unless it helps some.
        if there.size > _MOST:
            wide.append(int(t))
            continue
        table = _subsets(there.size) @ depth > case.need[t] + _MARGIN
        known = _cuts_of(there.size, np.packbits(table).tobytes())
        cuts = tuple(tuple(int(there[i]) for i in cut) for cut in known)
        counted[cuts] = counted.get(cuts, 0) + 1
    return [_Row(n, cuts) for cuts, n in counted.items()], wide


@lru_cache(maxsize=_MOST + 1)
def _subsets(n: int) -> Floats:
    return np.asarray((np.arange(2**n)[:, None] >> np.arange(n)) & 1, float)


@lru_cache(maxsize=20_000)
def _cuts_of(n: int, packed: bytes) -> tuple[tuple[int, ...], ...]:
    """Smallest cuts of a table of subsets as packed bits; a process that runs on keeps 20,000."""
    table = np.unpackbits(np.frombuffer(packed, np.uint8), count=2**n).astype(bool)
    return _smallest_cuts(table, n)


def _smallest_cuts(clear: Flags, n: int) -> tuple[tuple[int, ...], ...]:
    """Smallest groups of pieces that cannot all stay, from which subsets gone make a throw clear.

    They are what a largest subset that does not suffice leaves standing.
    """
    failing = [s for s in range(2**n) if not clear[s]]
    failing.sort(key=lambda s: -s.bit_count())
    largest: list[int] = []
    for s in failing:
        if not any(s & big == s for big in largest):
            largest.append(s)
    return tuple(tuple(i for i in range(n) if not s >> i & 1) for s in sorted(largest))
