"""The best round by constraints: circuits through candidate holes, solved with CP-SAT.

`solve` looks for the round that is worth most and reports how far from it any other could be. Work
is limited in the solver's own deterministic units, never by a clock, so that the same candidates
give the same round on any machine, loaded or idle.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
from ortools.sat.python import cp_model

from lanewright.base.arrays import Floats, Ints
from lanewright.layout.round import ARRIVAL, Earlier, Problem, Round, value

log = logging.getLogger(__name__)


SCALE = 10  # the solver counts whole tenths of a point
WORKERS = 4  # subsolvers, taking turns whatever the number of cores, so that any machine agrees


def packing(size: int, apart: Ints, *, work: float, seed: int = 1) -> tuple[list[int], int]:
    """Most holes that keep apart, walks left aside, and the number that no set exceeds.

    Parameters
    ----------
    size
        Number of candidates.
    apart
        Pairs that cannot both be there (k, 2).
    work, seed
        As in `solve`.
    """
    model = cp_model.CpModel()
    used = [model.new_bool_var(f"hole {i}") for i in range(size)]
    for group in cliques(size, apart):
        model.add_at_most_one(used[h] for h in group)
    model.maximize(sum(used))
    solver = _solver(work, seed)
    status = _run(solver, model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return [], size
    held = [i for i, x in enumerate(used) if solver.boolean_value(x)]
    return held, int(solver.best_objective_bound + 0.5)


def _solver(work: float, seed: int) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = seed
    solver.parameters.num_workers = WORKERS
    solver.parameters.interleave_search = True
    # Never by the clock: on a busy machine it would end the search at an earlier round.
    solver.parameters.max_deterministic_time = work
    # Looking for symmetry and probing took most of the time and brought nothing here.
    solver.parameters.symmetry_level = 0
    solver.parameters.cp_model_probing_level = 0
    # Its own answer to Ctrl-C is to stop and hand back the best so far as if it were the result.
    solver.parameters.catch_sigint_signal = False
    return solver


def _run(solver: cp_model.CpSolver, model: cp_model.CpModel) -> cp_model.CpSolverStatus:
    """Solve beside the main thread, which can then be interrupted."""
    with ThreadPoolExecutor(1) as pool:
        solving = pool.submit(solver.solve, model)
        try:
            return solving.result()
        except BaseException:
            solver.stop_search()
            raise


def cliques(size: int, pairs: Ints) -> list[Ints]:
    """Sets of candidates of which any two are apart; every pair lies in one of them.

    Fewer and larger sets bound the solver better than pairs do. Greedy: from the candidate with
    most pairs not yet covered, always the one that covers most further.

    Examples
    --------
    >>> [g.tolist() for g in cliques(4, np.array([[0, 1], [1, 2], [0, 2], [2, 3]]))]
    [[0, 1, 2], [2, 3]]
    """
    apart = np.zeros((size, size), bool)
    apart[pairs[:, 0], pairs[:, 1]] = True
    apart |= apart.T
    uncovered = apart.copy()
    degree = uncovered.sum(1)
    found = []
    while degree.any():
        first = int(degree.argmax())
        group, common = [first], apart[first].copy()
        covers = uncovered[first].astype(np.int64)
        while common.any():
            most = int(np.where(common, covers * size + degree, -1).argmax())
            group.append(most)
            common &= apart[most]
            covers += uncovered[most]
        held = np.sort(np.array(group, np.int64))
        group_pairs = np.ix_(held, held)
        degree[held] -= uncovered[group_pairs].sum(1)
        uncovered[group_pairs] = False
        found.append(held)
    return found


def solve(
    problem: Problem,
    *,
    work: float,
    seed: int = 1,
    hint: Sequence[int] = (),
    differ: Earlier = (),
) -> Round:
    """Look for the round of the wanted number of holes that is worth most.

    Parameters
    ----------
    problem
        What counts, and how much.
    work
        Most work in the solver's deterministic units; the best round so far is kept.
    seed
        Of the solver.
    hint
        A round to start from.
    differ
        Earlier rounds, and how many of their holes may come again at the most.

    Returns
    -------
    Round
        Without holes where none was found; `proven` then says that there is none.
    """
    model = _Model(problem, differ)
    if len(hint) == problem.wanted:
        model.hint(hint)
    solver = _solver(work, seed)
    status = _run(solver, model.model)
    name, spent = solver.status_name(status).lower(), solver.response_proto.deterministic_time
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        log.info("no round: %s after work of %.2f", name, spent)
        return Round((), {}, np.inf, status == cp_model.INFEASIBLE)
    order = model.order(solver)
    found = Round(
        order,
        value(problem, order),
        solver.best_objective_bound / SCALE,
        status == cp_model.OPTIMAL,
    )
    log.info(
        "%d holes, %.1f points; no more than %.1f: %s after work of %.2f",
        len(order),
        found.worth,
        found.bound,
        name,
        spent,
    )
    return found


class _Model:
    """The constraint problem: nodes are the arrival, holes, and the arrival come by halfway."""

    def __init__(self, problem: Problem, differ: Earlier) -> None:
        self.problem = problem
        self.model = model = cp_model.CpModel()
        size = problem.size
        self.used = [model.new_bool_var(f"hole {i}") for i in range(size)]
        self.arcs: list[tuple[int, int, int, cp_model.IntVar]] = []
        self.runs: tuple[list[cp_model.IntVar], list[cp_model.IntVar]] = ([], [])
        self._circuit()
        for group in cliques(size, problem.apart):
            model.add_at_most_one(self.used[h] for h in group)
        for hole in np.flatnonzero(problem.must):
            model.add(self.used[hole] == 1)
        for holes, most in differ:
            model.add(sum(self.used[h] for h in holes) <= most)
        trim = np.ceil(problem.trim * SCALE).astype(int)
        if problem.budget is not None:
            model.add(
                sum(int(t) * x for t, x in zip(trim, self.used, strict=True))
                <= int(problem.budget * SCALE)
            )
        if problem.place.any():
            self._places()
        model.maximize(sum(self._points()))

    def _circuit(self) -> None:
        problem, model, used = self.problem, self.model, self.used
        size = problem.size
        start, halfway = size, size + 1
        halves = problem.halves and problem.wanted > 1
        stops = (start, halfway) if halves else (start,)
        for walk, (a, b) in enumerate(zip(problem.start, problem.end, strict=True)):
            for tail in stops if a == ARRIVAL else (int(a),):
                for head in stops if b == ARRIVAL else (int(b),):
                    literal = model.new_bool_var(f"walk {tail} {head}")
                    self.arcs.append((tail, head, walk, literal))
        loops: list[tuple[int, int, cp_model.LiteralT]] = [
            (i, i, used[i].Not()) for i in range(size)
        ]
        total = model.new_int_var(problem.wanted, problem.wanted, "holes")
        model.add(total == sum(used))
        self.first_half = total
        if halves:
            loops += self._halves(total, start, halfway)
        model.add_circuit([*((a, b, literal) for a, b, _, literal in self.arcs), *loops])

    def _halves(
        self, total: cp_model.IntVar, start: int, halfway: int
    ) -> list[tuple[int, int, cp_model.LiteralT]]:
        """Each hole lies before or after the stop halfway; a walk between holes never changes."""
        model = self.model
        single = model.new_bool_var("no stop halfway")
        model.add(total <= 1).only_enforce_if(single)
        model.add(total >= 2).only_enforce_if(single.Not())
        late = [model.new_bool_var(f"late {i}") for i in range(len(self.used))]
        for x, y in zip(self.used, late, strict=True):
            model.add_implication(y, x)
        for tail, head, _, literal in self.arcs:
            if tail < start and head < start:
                model.add(late[tail] == late[head]).only_enforce_if(literal)
            elif tail >= start and head < start:
                model.add(late[head] == (tail == halfway)).only_enforce_if(literal, single.Not())
            elif tail < start:
                model.add(late[tail] == (head == start)).only_enforce_if(literal, single.Not())
        self.first_half = model.new_int_var(0, len(self.used), "first half")
        model.add(self.first_half == total - sum(late)).only_enforce_if(single.Not())
        model.add_linear_constraint(total - 2 * self.first_half, 0, 1).only_enforce_if(single.Not())
        return [(halfway, halfway, single)]

    def _places(self) -> None:
        """Number every hole of the round, and hold those that have a number of their own."""
        problem, model, size = self.problem, self.model, self.problem.size
        number = [model.new_int_var(1, max(problem.wanted, 1), f"number {i}") for i in range(size)]
        for tail, head, _, literal in self.arcs:
            if head >= size:
                continue
            if tail < size:
                model.add(number[head] == number[tail] + 1).only_enforce_if(literal)
            elif tail == size:
                model.add(number[head] == 1).only_enforce_if(literal)
            else:
                model.add(number[head] == self.first_half + 1).only_enforce_if(literal)
        for hole in np.flatnonzero(problem.place):
            model.add(number[hole] == int(problem.place[hole])).only_enforce_if(self.used[hole])

    def _points(self) -> list[cp_model.LinearExpr]:
        problem, model, used = self.problem, self.model, self.used
        points = [int(q) * x for q, x in zip(_tenths(problem.gain), used, strict=True)]
        cost = _tenths(problem.cost)
        points += [-int(cost[walk]) * literal for _, _, walk, literal in self.arcs]
        points += self._crossings()
        for wish in problem.wishes:
            if wish.weight > 0 and wish.least > 0:
                short = model.new_int_var(0, wish.least, f"short of {wish.term}")
                members = [used[h] for h in np.flatnonzero(wish.members)]
                model.add(sum(members) + short >= wish.least)
                points.append(-round(wish.weight * SCALE) * short)
        if problem.per_metre > 0:
            metres = np.round(problem.length).astype(int)
            length = sum(int(m) * x for m, x in zip(metres, used, strict=True))
            low, high = (round(t) for t in problem.total)
            off = model.new_int_var(0, int(metres.sum()) + low, "off length")
            model.add(off >= low - length)
            model.add(off >= length - high)
            points.append(-round(problem.per_metre * SCALE) * off)
        return points + self._repeats()

    def _crossings(self) -> list[cp_model.LinearExpr]:
        problem, model = self.problem, self.model
        if problem.crossing <= 0:
            return []
        under: dict[int, list[int]] = {}
        for walk, hole in problem.fire:
            under.setdefault(int(walk), []).append(int(hole))
        points = []
        for tail, head, walk, literal in self.arcs:
            if walk not in under:
                continue
            if tail in under[walk] or head in under[walk]:
                crossed = literal  # a hole that the walk leads from or to is always there
            else:
                crossed = model.new_bool_var(f"crossing {walk}")
                for hole in under[walk]:
                    model.add_bool_or(literal.Not(), self.used[hole].Not(), crossed)
            points.append(-round(problem.crossing * SCALE) * crossed)
        return points

    def _repeats(self) -> list[cp_model.LinearExpr]:
        """Count along the round how many holes in a row finish alike."""
        problem, model = self.problem, self.model
        most = problem.in_a_row
        if problem.repeat <= 0 or most >= problem.wanted:
            return []
        run = [model.new_int_var(1, most, f"run {i}") for i in range(problem.size)]
        anew = [model.new_bool_var(f"anew {i}") for i in range(problem.size)]
        self.runs = run, anew
        for tail, head, _, literal in self.arcs:
            if max(tail, head) < problem.size and problem.finish[tail] == problem.finish[head]:
                model.add(run[head] >= run[tail] + 1).only_enforce_if(literal, anew[head].Not())
        return [-round(problem.repeat * SCALE) * a for a in anew]

    def hint(self, order: Sequence[int]) -> None:
        """Start the search from a round."""
        chosen = set(order)
        for hole, literal in enumerate(self.used):
            self.model.add_hint(literal, int(hole in chosen))
        start, half = self.problem.size, len(order) // 2
        stops = [start, *order, start]
        if self.problem.halves and len(order) > 1:
            stops = [start, *order[:half], start + 1, *order[half:], start]
        taken = set(pairwise(stops))
        for tail, head, _, literal in self.arcs:
            self.model.add_hint(literal, int((tail, head) in taken))
        self._hint_runs(order, half if self.problem.halves else 0)

    def _hint_runs(self, order: Sequence[int], half: int) -> None:
        run = dict.fromkeys(range(len(self.runs[0])), (1, False))
        for k, hole in enumerate(order):
            before = order[k - 1] if k not in (0, half) else None
            alike = before is not None and self.problem.finish[before] == self.problem.finish[hole]
            length = run[before][0] + 1 if alike and before is not None else 1
            run[hole] = (1, True) if length > self.problem.in_a_row else (length, False)
        for hole, (length, anew) in run.items():
            if self.runs[0]:
                self.model.add_hint(self.runs[0][hole], length)
                self.model.add_hint(self.runs[1][hole], int(anew))

    def order(self, solver: cp_model.CpSolver) -> tuple[int, ...]:
        """Holes in the order of the walks taken."""
        after = {a: b for a, b, _, literal in self.arcs if solver.boolean_value(literal)}
        found: list[int] = []
        at = after.get(self.problem.size, self.problem.size)
        while at != self.problem.size:
            if at < self.problem.size:
                found.append(at)
            at = after[at]
        return tuple(found)


def _tenths(points: Floats) -> Ints:
    return np.round(np.asarray(points) * SCALE).astype(np.int64)
