"""Walks between the candidates of a round, found and priced as they would be drawn.

A walk goes round the lines of fire of the holes in play where that is not much longer. Which holes
are in play is known only once a round is chosen; walks are therefore priced beside a round that is
known already, and again beside the round that comes of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.bits import bits_of, flags_of
from lanewright.base.outlines import cells_of
from lanewright.layout.candidates import Candidates
from lanewright.layout.round import ARRIVAL
from lanewright.layout.walks import (
    EASY,
    Footing,
    Walk,
    bridged,
    graph_of,
    seconds_along,
    seconds_between,
    walks_between,
)
from lanewright.settings.holes import SafetySettings
from lanewright.settings.layout import LayoutSettings


@dataclass(frozen=True)
class Course:
    """Candidates on their land, with the time of every walk between them.

    Attributes
    ----------
    candidates
        Holes to choose from.
    footing, graph
        The land on foot.
    start
        Where the round starts and ends (2,) [m].
    time
        Time of the quickest walk from each basket to each tee [s] (n + 1, n + 1), the arrival last;
        infinite where there is none, where the two holes cannot both be in a round, and where it
        takes too long to be tried.
    way : (n + 1, n + 1)
        Straight way that stands for each walk, by number; below 0 for far walks.
    fire : (ways, words) uint64
        Holes whose line of fire each way comes into, a bit each.
    settings
        The section `layout`.
    """

    candidates: Candidates
    footing: Footing
    graph: csr_matrix
    start: Floats
    time: Floats
    way: NDArray[np.int32]
    fire: NDArray[np.uint64]
    settings: LayoutSettings

    def take(self, rows: Ints) -> Course:
        """The same land with some of the candidates, in that order."""
        stops = np.r_[rows, len(self.candidates)]
        way = self.way[np.ix_(stops, stops)]
        used, number = np.unique(way[way >= 0], return_inverse=True)
        way[way >= 0] = number
        return replace(
            self,
            candidates=self.candidates.take(rows),
            time=self.time[np.ix_(stops, stops)],
            way=way,
            fire=bits_of(flags_of(self.fire[used])[:, rows]),
        )


@dataclass(frozen=True)
class Ways:
    """Walks that a round may use; arrays over walks.

    Attributes
    ----------
    start, end
        Holes left and come to; `ARRIVAL` for the arrival.
    easy
        Time as metres of easy walk.
    bridge
        Whether it needs one.
    fire
        Pairs (walk, hole) that it comes into the line of fire of (k, 2).
    lines
        LineStrings Z; None where there is no way.
    """

    start: Ints
    end: Ints
    easy: Floats
    bridge: Flags
    fire: Ints
    lines: NDArray[np.object_]


NO_WAYS = Ways(
    np.empty(0, np.int64),
    np.empty(0, np.int64),
    np.empty(0),
    np.empty(0, bool),
    np.empty((0, 2), np.int64),
    np.empty(0, object),
)
"""For a problem whose walks stand in a table beside it."""


def course_of(
    candidates: Candidates, footing: Footing, start: Floats, settings: LayoutSettings
) -> Course:
    """Candidates on their land, the time of every walk looked up once."""
    graph, walk = graph_of(footing), settings.walk
    count = len(candidates)
    time = np.full((count + 1, count + 1), np.inf)
    inner = time[:-1, :-1]
    # The whole reach only from where too few tees are near.
    for limit in (walk.furthest / EASY / 3, walk.furthest / EASY):
        lacking = np.isfinite(inner).sum(1) < 4 * walk.nearest
        if lacking.any():
            inner[lacking] = seconds_between(
                footing, graph, candidates.basket[lacking], candidates.tee, limit
            )
    np.fill_diagonal(time, np.inf)
    inner[candidates.apart] = np.inf
    time[-1, :-1] = seconds_between(footing, graph, start[None], candidates.tee)[0]
    homeward = graph.T.tocsr()
    time[:-1, -1] = seconds_between(footing, homeward, start[None], candidates.basket)[0]
    way, fire = straight_ways(candidates, start, time, settings)
    return Course(candidates, footing, graph, start, time, way, fire, settings)


LOOK = 4.0
"""Metres between the places of a straight way where lines of fire are looked for; ours."""


def straight_ways(
    candidates: Candidates, start: Floats, time: Floats, settings: LayoutSettings
) -> tuple[NDArray[np.int32], NDArray[np.uint64]]:
    """Straight ways from basket to tee, and whose lines of fire they come into.

    A first round is sought among far more walks than can be drawn; one that would go through
    throws of the round is drawn as a detour, or waits. Far walks are not looked at, and lines of
    fire only in squares of `LOOK` metres: the walks as drawn decide what a round is worth.

    Returns
    -------
    way : (n + 1, n + 1)
        Way of each walk, the arrival last; below 0 for far ones.
    fire : (ways, words)
        Holes whose line of fire it comes into, a bit each, but for holes that end where the way
        begins or begin where it ends.
    """
    ends, at_end = np.unique(np.vstack([candidates.basket, start]), axis=0, return_inverse=True)
    tees, at_tee = np.unique(np.vstack([candidates.tee, start]), axis=0, return_inverse=True)
    near = time * EASY <= settings.walk.far
    number = at_end.ravel()[:, None] * len(tees) + at_tee.ravel()[None]
    numbers, which = np.unique(number[near], return_inverse=True)
    way = np.full(time.shape, -1, np.int32)
    way[near] = which
    left, to = np.divmod(numbers, len(tees))
    # Bits of the holes that throw over each square, and of those at each place.
    corner = np.vstack([ends, tees]).min(0) - LOOK
    shape = np.ceil((np.vstack([ends, tees]).max(0) - corner) / LOOK).astype(np.int64) + 1
    under = np.zeros((int(shape.prod()), len(candidates)), bool)
    middle = corner + (np.indices(shape).reshape(2, -1).T + 0.5) * LOOK
    squares = shapely.STRtree(shapely.points(middle))
    hole, square = squares.query(candidates.fire, predicate="intersects")
    under[square, hole] = True
    squares_under = bits_of(under)
    own_end, own_tee = (np.zeros((len(at), len(candidates)), bool) for at in (ends, tees))
    every = np.arange(len(candidates))
    own_end[at_end.ravel()[:-1], every] = True
    own_tee[at_tee.ravel()[:-1], every] = True
    own = bits_of(own_end)[left] | bits_of(own_tee)[to]
    fire = np.zeros_like(own)
    looks = int(np.ceil(settings.walk.far / LOOK)) + 1
    for share in np.linspace(0, 1, looks):
        place = ends[left] + (tees[to] - ends[left]) * share
        column, row = ((place - corner) / LOOK).astype(np.int64).T
        fire |= squares_under[column * shape[1] + row]
    return way, fire & ~own


def cost_of(time: Floats, settings: LayoutSettings) -> NDArray[np.float32]:
    """Points that walks cost by their time alone."""
    there = np.isfinite(time)
    easy = np.where(there, time, 0.0) * EASY
    beyond = np.maximum(easy - settings.walk.far, 0)
    weights = settings.weights
    points = weights.walk * easy + weights.far_walk * beyond
    return np.where(there, points, np.inf).astype(np.float32)


def could_take_part(course: Course, order: Sequence[int]) -> Ints:
    """Candidates that could best take a place in a round: its own holes first (rows).

    Those that clash with few of its holes, and lie near to the walk between two of them.
    """
    candidates, solver = course.candidates, course.settings.solver
    held = np.array(order, np.int64)
    clash = candidates.apart[:, held].sum(1)
    stops = np.r_[held, len(candidates)]
    # Time to come to each candidate from the nearest basket, and to go on to the nearest tee.
    come, go = course.time[stops, :-1].min(0), course.time[:-1, stops].min(1)
    near = np.where(np.isfinite(come + go), come + go, 1e6) * EASY
    score = course.settings.weights.quality * candidates.holes["score"].to_numpy(float)
    fit = score - solver.fit_walk * near - solver.fit_clash * clash
    fit[candidates.must] = np.inf
    fit[held] = np.inf
    return np.sort(np.lexsort((np.arange(len(candidates)), -fit))[: solver.candidates])


# ---------------------------------------------------------------------------------------------
# Which walks, and which way


def ways_of(course: Course, order: Sequence[int], pairs: Ints | None = None) -> Ways:
    """Walks worth trying, each the way it would be drawn beside a round.

    Parameters
    ----------
    course
        Candidates on their land.
    order
        The round whose lines of fire walks go round; its own walks are among them.
    pairs : (k, 2)
        Holes left and come to, the number of candidates for the arrival; by default from each
        basket to the tees near it, out from the arrival and back.
    """
    pairs = _pairs(course, order) if pairs is None else pairs
    candidates, count = course.candidates, len(course.candidates)
    walks = _as_drawn(course, order, pairs)
    lines = np.array([walk and walk.line for walk in walks], object)
    seconds = np.array([walk.seconds if walk else np.inf for walk in walks], float)
    at = np.where(pairs == count, ARRIVAL, pairs)
    fire = under_fire(lines, at[:, 0], at[:, 1], candidates, course.settings.safety)
    # Nobody throws along holes that cannot be in a round with those at the walk's ends.
    apart = np.pad(candidates.apart, (0, 1))
    fire = fire[~(apart[pairs[fire[:, 0]], fire[:, 1][:, None]]).any(1)]
    return Ways(at[:, 0], at[:, 1], seconds * EASY, bridged(course.footing, lines), fire, lines)


def stops_of(order: Sequence[int], arrival: int, halves: bool) -> Ints:
    """Pairs of a round's walks: holes left and come to (k, 2), `arrival` for the arrival."""
    stops = [int(hole) for hole in order]
    if halves and len(stops) > 1:
        stops[len(stops) // 2 : len(stops) // 2] = [arrival]
    return np.array(list(pairwise([arrival, *stops, arrival])), np.int64)


def _pairs(course: Course, order: Sequence[int]) -> Ints:
    """Walks worth trying: holes left and come to (k, 2), the number of candidates the arrival."""
    candidates, time, settings = course.candidates, course.time, course.settings
    count, near, solver = len(candidates), settings.walk.nearest, settings.solver
    tee, basket = (candidates.holes[name].to_numpy() for name in ("tee_id", "end_id"))
    score = candidates.holes["score"].to_numpy(float)
    inner, out, back = time[:-1, :-1], time[-1, :-1], time[:-1, -1]
    per, wide = solver.from_tee, round(solver.at_arrival * near)
    chosen = {(a, int(b)) for a in range(count) for b in _near(inner[a], tee, score, near, per)}
    chosen |= {
        (int(a), b)
        for b in range(count)
        for a in _near(inner[:, b], basket, score, max(2, near // 3), per)
    }
    chosen |= {(count, int(b)) for b in _near(out, tee, score, wide, per)}
    chosen |= {(int(a), count) for a in _near(back, basket, score, wide, per)}
    for hole in np.flatnonzero(candidates.must):
        chosen |= {(count, int(hole)), (int(hole), count)}
    if order:
        own = stops_of(order, count, settings.pass_arrival)
        chosen |= {(int(a), int(b)) for a, b in own}
    pairs = np.array(sorted(chosen), np.int64).reshape(-1, 2)
    return np.asarray(pairs[np.isfinite(time[pairs[:, 0], pairs[:, 1]])])


def _near(time: Floats, place: Ints, score: Floats, most: int, per: int) -> Ints:
    """Nearest holes by time: the best few (`per`) from each of the `most` nearest places."""
    reached = np.flatnonzero(np.isfinite(time))
    order = reached[np.lexsort((reached, -score[reached], time[reached]))]
    taken: dict[int, int] = {}
    found = []
    for hole in order:
        spot = int(place[hole])
        if spot not in taken and len(taken) == most:
            break
        taken[spot] = taken.get(spot, 0) + 1
        if taken[spot] <= per:
            found.append(int(hole))
    return np.array(found, np.int64)


def _as_drawn(course: Course, order: Sequence[int], pairs: Ints) -> list[Walk | None]:
    """The way that each walk takes: the quickest, or round the round's lines of fire."""
    seconds = course.time[pairs[:, 0], pairs[:, 1]]
    seconds = np.where(np.isfinite(seconds), seconds, np.inf)
    walks = _found(course, course.graph, pairs, seconds)
    fire = shapely.union_all(list(course.candidates.fire[list(order)]))
    if fire.is_empty:
        return walks
    # What keeps clear of the lines of fire stays the quickest way when they are slower to walk.
    lines = np.array([walk and walk.line for walk in walks], object)
    met = np.flatnonzero(shapely.intersects(lines, fire.buffer(course.footing.grid.cell)))
    under = cells_of(fire, course.footing.grid)
    slower = course.footing.slow * np.float32(course.settings.walk.fire)
    slow = graph_of(replace(course.footing, slow=np.where(under, slower, course.footing.slow)))
    # The way round takes no longer than the quickest one does there; a little more, for rounding.
    longest = 1.001 * _times(slow, [walks[k] for k in met])
    found = _found(course, slow, pairs[met], longest)
    true = _times(course.graph, found)
    for k, walk, seconds in zip(met, found, true, strict=True):
        walks[k] = walk and replace(walk, seconds=float(seconds))
    return walks


def _times(graph: csr_matrix, walks: Sequence[Walk | None]) -> Floats:
    """Time of walks by a graph [s] (n,); infinite where there is none."""
    there = np.array([walk is not None for walk in walks], bool)
    seconds = np.full(len(walks), np.inf)
    seconds[there] = seconds_along(graph, [walk.cells for walk in walks if walk])
    return seconds


def _found(course: Course, graph: csr_matrix, pairs: Ints, most: Floats) -> list[Walk | None]:
    """Quickest walks over a graph."""
    candidates, count = course.candidates, len(course.candidates)
    starts = np.vstack([candidates.basket, course.start])
    ends = np.vstack([candidates.tee, course.start])
    # Walks back to the arrival are sought from it, every step the other way round.
    homeward = pairs[:, 1] == count
    out, home = np.flatnonzero(~homeward), np.flatnonzero(homeward)
    land = course.footing
    found: list[Walk | None] = [None] * len(pairs)
    ahead = walks_between(land, graph, starts, ends, pairs[out], most[out])
    back = walks_between(land, graph.T.tocsr(), ends, starts, pairs[home][:, ::-1], most[home])
    for k, walk in zip(out, ahead, strict=True):
        found[k] = walk
    for k, walk in zip(home, back, strict=True):
        found[k] = walk and Walk(shapely.reverse(walk.line), walk.seconds, walk.cells[::-1])
    return found


def under_fire(
    lines: NDArray[np.object_],
    start: Ints,
    end: Ints,
    candidates: Candidates,
    safety: SafetySettings,
) -> Ints:
    """Pairs (walk, hole) where a walk comes into the line of fire of a hole (k, 2).

    Around the basket that it leaves and the tee that it comes to, these two holes do not count.

    Parameters
    ----------
    lines : (walks,)
        Walks; None where there is none.
    start, end : (walks,)
        Holes left and come to; any other number for the arrival.
    candidates
        Holes with their lines of fire, tees and baskets.
    safety
        The section `layout: safety:`.
    """
    fire = candidates.fire
    shapely.prepare(fire)
    walk, hole = shapely.STRtree(fire).query(lines, predicate="intersects")
    left, to = hole == start[walk], hole == end[walk]
    counts = ~(left | to)
    for own, place, around in (
        (left, candidates.basket, safety.wait_basket),
        (to, candidates.tee, safety.wait_tee),
    ):
        zone = shapely.difference(fire, shapely.buffer(shapely.points(place), around))
        counts[own] = shapely.intersects(lines[walk[own]], zone[hole[own]])
    met = np.column_stack([walk[counts], hole[counts]])
    return np.asarray(met[np.lexsort((met[:, 1], met[:, 0]))], np.int64)
