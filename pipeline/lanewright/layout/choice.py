"""From candidate holes to the problem of a round: who takes part, what each brings and costs.

What a layout is worth is a sum of terms, each with a weight of its own (`layout: weights:`):

| term | points |
|---|---|
| quality | `quality` for each hole, times its score |
| trimming | -`trim` for each hour of trimming, at the middle of its range |
| designer's wish | `prefer` for a preferred hole, -`prefer` for one in an area to avoid |
| walks | -`walk` for each metre of easy walk that takes as long |
| far walks | -`far_walk` for each such metre beyond 91 m |
| bridges | -`bridge` for each walk over water |
| crossings | -`crossing` for each walk whose quickest way comes into a line of fire |
| finishes, lengths, climbs, lane kinds, pars | -their weight for each hole short of the mix |
| finishes in a row | -`in_a_row` for each hole that makes a row too long |
| total length | -`total` for each metre outside the level's usual total |

Walks are priced by their quickest way; the walk that is drawn goes round lines of fire where it
can, so that fewer cross than are charged for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.schema import FINISHES
from lanewright.layout.circuit import ARRIVAL, Problem, Share
from lanewright.layout.walks import EASY, Footing, bridged, seconds_between, walks_between
from lanewright.settings.layout import LayoutSettings, MixSettings
from lanewright.settings.levels import Level

FAR = 91.0
"""Walk [m] beyond which one needs a reason: 300 ft; common practice, ours."""

USUAL = (0.93, 1.25)
"""Usual total of a level's holes in controlled tee throws each, as 18 holes of 1,680 to 2,290 m for
a throw of 101 m; ours, common practice."""

WOODED = ("lane", "tunnel")
PER_TEE = 3  # holes from one tee that a basket's walks lead to
AT_ARRIVAL = 3  # times as many walks from and to the arrival as between holes
AROUND_BASKET, AROUND_TEE = 20.0, 8.0
"""Metres from the basket left, and from the tee come to, within which a walk is not in the line of
fire of these two holes: players stand there anyway."""


@dataclass(frozen=True)
class Field:
    """Candidates of one level and what is known of them; arrays over candidates.

    Attributes
    ----------
    holes
        Rows of layer `holes`.
    tee, basket
        Places [m] (n, 2).
    must, place, wish
        Held in every round; number that it must have, or 0; 1 preferred, -1 to avoid, or 0.
    trim
        Hours of trimming, middle and high end of the range (n, 2).
    conflicts
        Pairs that cannot both be in a round (k, 2).
    fire
        Where throws of each hole may come down or fly by.
    """

    holes: gpd.GeoDataFrame
    tee: Floats
    basket: Floats
    must: Flags
    place: Ints
    wish: Ints
    trim: Floats
    conflicts: Ints
    fire: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.holes)

    def take(self, rows: Ints) -> Field:
        """Some of the candidates, in that order."""
        new = np.full(len(self), -1)
        new[rows] = np.arange(len(rows))
        pairs = new[self.conflicts]
        return Field(
            self.holes.iloc[rows].reset_index(drop=True),
            self.tee[rows], self.basket[rows], self.must[rows], self.place[rows], self.wish[rows],
            self.trim[rows], pairs[(pairs >= 0).all(1)], self.fire[rows],
        )  # fmt: skip

    @property
    def apart(self) -> Flags:
        """Whether two candidates are in conflict (n, n)."""
        apart = np.zeros((len(self), len(self)), bool)
        apart[self.conflicts[:, 0], self.conflicts[:, 1]] = True
        return apart | apart.T


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
    """

    start: Ints
    end: Ints
    easy: Floats
    bridge: Flags
    fire: Ints


def ends_of(holes: gpd.GeoDataFrame) -> tuple[Floats, Floats]:
    """Tees and baskets of holes (n, 2): first and last place of their lines."""
    shapes = holes.geometry.to_numpy()
    return (
        shapely.get_coordinates(shapely.get_point(shapes, 0)).reshape(-1, 2),
        shapely.get_coordinates(shapely.get_point(shapes, -1)).reshape(-1, 2),
    )


# ---------------------------------------------------------------------------------------------
# Walks


def times_of(
    field: Field, land: Footing, graph: csr_matrix, arrival: Floats, settings: LayoutSettings
) -> Floats:
    """Time of the walk from each basket to each tee [s] (n + 1, n + 1), the arrival last.

    Infinite where there is none, where the two holes cannot both be in a round, and where it takes
    too long to be tried.
    """
    count, walk = len(field), settings.walk
    time = np.full((count + 1, count + 1), np.inf)
    reach = walk.furthest / EASY
    time[:-1, :-1] = _nearest_first(land, graph, field.basket, field.tee, reach, walk.nearest)
    np.fill_diagonal(time, np.inf)
    time[:-1, :-1][field.apart] = np.inf
    time[-1, :-1] = seconds_between(land, graph, arrival[None], field.tee)[0]
    time[:-1, -1] = seconds_between(land, graph.T.tocsr(), arrival[None], field.basket)[0]
    return time


def cost_of(time: Floats, settings: LayoutSettings) -> NDArray[np.float32]:
    """Points that walks cost by their time alone."""
    easy = time * EASY
    weights = settings.weights
    return np.asarray(
        weights.walk * easy + weights.far_walk * np.maximum(easy - FAR, 0), np.float32
    )


def ways_of(
    field: Field, time: Floats, land: Footing, graph: csr_matrix, arrival: Floats,
    settings: LayoutSettings, also: Sequence[int] = (),
) -> Ways:  # fmt: skip
    """Walks worth trying: from each basket to the tees near it, out from the arrival and back.

    Parameters
    ----------
    field
        Candidates.
    time : (n + 1, n + 1)
        As `times_of` gives it.
    land, graph
        The land on foot.
    arrival : (2,)
        Where the round starts and ends.
    settings
        The section `layout`.
    also
        A round whose walks are among them.
    """
    count, near = len(field), settings.walk.nearest
    tee, basket = (field.holes[name].to_numpy() for name in ("tee_id", "end_id"))
    score = field.holes["score"].to_numpy(float)
    inner, out, back = time[:-1, :-1], time[-1, :-1], time[:-1, -1]
    chosen = {(a, int(b)) for a in range(count) for b in _near(inner[a], tee, score, near)}
    chosen |= {
        (int(a), b)
        for b in range(count)
        for a in _near(inner[:, b], basket, score, max(2, near // 3))
    }
    chosen |= {(count, int(b)) for b in _near(out, tee, score, AT_ARRIVAL * near)}
    chosen |= {(int(a), count) for a in _near(back, basket, score, AT_ARRIVAL * near)}
    for hole in np.flatnonzero(field.must):
        chosen |= {(count, int(hole)), (int(hole), count)}
    stops = [count, *(int(h) for h in also), count]
    if settings.pass_arrival and len(also) > 1:
        stops[1 + len(also) // 2 : 1 + len(also) // 2] = [count]
    chosen |= set(pairwise(stops)) if also else set()
    pairs = np.array(sorted(chosen), np.int64).reshape(-1, 2)
    pairs = pairs[np.isfinite(time[pairs[:, 0], pairs[:, 1]])]
    # Walks back to the arrival are sought from it, every step the other way round.
    homeward = pairs[:, 1] == count
    pairs = np.concatenate([pairs[~homeward], pairs[homeward]])
    seconds = time[pairs[:, 0], pairs[:, 1]]
    starts, ends = np.vstack([field.basket, arrival]), np.vstack([field.tee, arrival])
    split = int((~homeward).sum())
    found = [
        *walks_between(land, graph, starts, ends, pairs[:split], seconds[:split]),
        *walks_between(land, graph.T.tocsr(), ends, starts, pairs[split:, ::-1], seconds[split:]),
    ]
    lines = np.array([w and w.line for w in found], object)
    at = np.where(pairs == count, ARRIVAL, pairs)
    fire = under_fire(lines, at[:, 0], at[:, 1], field.fire, field.tee, field.basket)
    # Holes that cannot be in a round with those at the walk's ends throw at nobody there.
    apart = np.pad(field.apart, (0, 1))
    fire = fire[~(apart[pairs[fire[:, 0]], fire[:, 1][:, None]]).any(1)]
    return Ways(at[:, 0], at[:, 1], seconds * EASY, bridged(land, lines), fire)


def could_take_part(field: Field, order: Sequence[int], time: Floats, most: int) -> Ints:
    """Candidates that could best take a place in a round: its own holes first (rows).

    Those that clash with few of its holes, and lie near to the walk between two of them.

    Parameters
    ----------
    field
        Candidates.
    order
        The round.
    time
        As `times_of` gives it.
    most
        How many to take.
    """
    held = np.array(order, np.int64)
    apart = field.apart
    clash = apart[:, held].sum(1)
    stops = np.r_[held, len(field)]
    # Time to come to each candidate from the nearest basket, and to go on to the nearest tee.
    come, go = time[stops, :-1].min(0), time[:-1, stops].min(1)
    near = np.where(np.isfinite(come + go), come + go, 1e6) * EASY
    fit = 100.0 * field.holes["score"].to_numpy(float) - 0.3 * near - 40.0 * clash
    fit[field.must] = np.inf
    fit[held] = np.inf
    return np.sort(np.lexsort((np.arange(len(field)), -fit))[:most])


def _nearest_first(
    land: Footing, graph: csr_matrix, starts: Floats, ends: Floats, most: float, enough: int
) -> Floats:
    """Times between places; looks further only from where too few are near."""
    time = np.full((len(starts), len(ends)), np.inf)
    for limit in (most / 3, most):
        lacking = np.isfinite(time).sum(1) < 4 * enough
        if lacking.any():
            time[lacking] = seconds_between(land, graph, starts[lacking], ends, limit)
    return time


def _near(time: Floats, place: Ints, score: Floats, most: int) -> Ints:
    """Nearest holes by time: the best few from each of the `most` nearest places."""
    reached = np.flatnonzero(np.isfinite(time))
    order = reached[np.lexsort((reached, -score[reached], time[reached]))]
    taken: dict[int, int] = {}
    found = []
    for hole in order:
        spot = int(place[hole])
        if spot not in taken and len(taken) == most:
            break
        taken[spot] = taken.get(spot, 0) + 1
        if taken[spot] <= PER_TEE:
            found.append(int(hole))
    return np.array(found, np.int64)


def under_fire(
    lines: NDArray[np.object_],
    start: Ints,
    end: Ints,
    fire: NDArray[np.object_],
    tee: Floats,
    basket: Floats,
) -> Ints:
    """Pairs (walk, hole) where a walk comes into the line of fire of a hole (k, 2).

    Around the basket that it leaves and the tee that it comes to, these two holes do not count.

    Parameters
    ----------
    lines : (walks,)
        Walks; None where there is none.
    start, end : (walks,)
        Holes left and come to; any other number for the arrival.
    fire : (holes,)
        Where throws of each hole may come down or fly by.
    tee, basket : (holes, 2)
        Places [m].
    """
    shapely.prepare(fire)
    walk, hole = shapely.STRtree(fire).query(lines, predicate="intersects")
    left, to = hole == start[walk], hole == end[walk]
    beyond = [
        shapely.difference(fire, shapely.buffer(shapely.points(place), around))
        for place, around in ((basket, AROUND_BASKET), (tee, AROUND_TEE))
    ]
    counts = ~(left | to)
    for own, zone in ((left, beyond[0]), (to, beyond[1])):
        counts[own] = shapely.intersects(lines[walk[own]], zone[hole[own]])
    met = np.column_stack([walk[counts], hole[counts]])
    return np.asarray(met[np.lexsort((met[:, 1], met[:, 0]))], np.int64)


# ---------------------------------------------------------------------------------------------
# The problem


def problem_of(
    field: Field, ways: Ways, level: Level, wanted: int, settings: LayoutSettings
) -> Problem:
    """What a round of these candidates is worth, and which rounds there are.

    Parameters
    ----------
    field, ways
        Candidates and the walks between them.
    level
        Who plays.
    wanted
        Holes wanted.
    settings
        The section `layout`.
    """
    weights, mix, holes = settings.weights, settings.mix, field.holes
    low, high = mix.total or tuple(share * wanted * level.tee_throw for share in USUAL)
    return Problem(
        wanted=wanted,
        gains={
            "quality": _rounded(weights.quality * holes["score"].to_numpy(float)),
            "trimming": _rounded(-weights.trim * field.trim[:, 0]),
            "designer's wish": _rounded(weights.prefer * field.wish),
        },
        apart=field.conflicts,
        start=ways.start,
        end=ways.end,
        costs={
            "walks": _rounded(weights.walk * ways.easy),
            "far walks": _rounded(weights.far_walk * np.maximum(ways.easy - FAR, 0)),
            "bridges": _rounded(weights.bridge * ways.bridge),
        },
        fire=ways.fire,
        crossing=weights.crossing,
        wishes=wishes_of(holes, level, wanted, settings),
        length=holes["length_m"].to_numpy(float),
        total=(low, high),
        per_metre=weights.total,
        finish=np.array([FINISHES.index(f) for f in holes["finish"]], np.int64),
        in_a_row=mix.same_finish,
        repeat=weights.in_a_row,
        trim=field.trim[:, 1],
        budget=settings.trim_hours,
        must=field.must,
        place=field.place,
        halves=settings.pass_arrival and wanted > 1,
    )


def _rounded(points: NDArray[Any]) -> Floats:
    """Points in the solver's tenths, so that it and `circuit.value` agree."""
    return np.asarray(np.round(np.asarray(points, np.float64), 1) + 0.0)


def kinds_of(holes: gpd.GeoDataFrame, level: Level, mix: MixSettings) -> dict[str, Flags]:
    """Holes of each kind that the mix tells apart."""
    third = (level.par3_to - level.par3_from) / 3
    band = np.digitize(
        holes["length_m"].to_numpy(float), level.par3_from + third * np.array([1, 2])
    )
    par_3 = holes["par"].to_numpy() <= 3
    grade = 100 * holes["rise_m"].to_numpy(float) / holes["length_m"].to_numpy(float)
    finish, lane = holes["finish"].to_numpy(), holes["lane_kind"].to_numpy()
    wooded = np.isin(lane, WOODED)
    return {
        "left": finish == "left",
        "right": finish == "right",
        "straight": finish == "straight",
        "short": par_3 & (band == 0),
        "middle": par_3 & (band == 1),
        "long": par_3 & (band == 2),
        "climbs": grade >= mix.grade,
        "drops": grade <= -mix.grade,
        "wooded": wooded,
        "open": ~wooded,
        "over_par_3": ~par_3,
    }


TERM_OF = {
    "left": "finishes", "right": "finishes", "straight": "finishes",
    "short": "lengths", "middle": "lengths", "long": "lengths",
    "climbs": "climbs and drops", "drops": "climbs and drops",
    "wooded": "lane kinds", "open": "lane kinds", "over_par_3": "pars",
}  # fmt: skip


def wishes_of(
    holes: gpd.GeoDataFrame, level: Level, wanted: int, settings: LayoutSettings
) -> list[Share]:
    """The mix as least numbers of holes of each kind."""
    weights = settings.weights
    weight = {
        "finishes": weights.finish, "lengths": weights.length, "climbs and drops": weights.climb,
        "lane kinds": weights.lane_kind, "pars": weights.par,
    }  # fmt: skip
    return [
        Share(TERM_OF[name], members, round(getattr(settings.mix, name) * wanted),
              weight[TERM_OF[name]])
        for name, members in kinds_of(holes, level, settings.mix).items()
    ]  # fmt: skip
