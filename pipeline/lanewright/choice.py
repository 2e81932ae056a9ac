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
| crossings | -`crossing` for each walk into a line of fire |
| finishes, lengths, climbs, lane kinds, pars | -their weight for each hole short of the mix |
| finishes in a row | -`in_a_row` for each hole that makes a row too long |
| total length | -`total` for each metre outside the level's usual total |
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from lanewright.circuit import ARRIVAL, Problem, Share
from lanewright.config import LayoutSettings, MixSettings
from lanewright.levels import Level
from lanewright.schema import FINISHES
from lanewright.walks import EASY, Footing, bridged, seconds_between, walks_between

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

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
    must: Mask
    place: Ints
    wish: Ints
    trim: Floats
    conflicts: Ints
    fire: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.holes)


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
    bridge: Mask
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


def ways_of(
    field: Field, land: Footing, graph: csr_matrix, arrival: Floats, settings: LayoutSettings
) -> Ways:
    """Walks worth trying: from each basket to the tees near it, out from the arrival and back.

    Parameters
    ----------
    field
        Candidates.
    land, graph
        The land on foot.
    arrival : (2,)
        Where the round starts and ends.
    settings
        The section `layout`.
    """
    count, walk = len(field), settings.walk
    home = graph.T.tocsr()  # every step the other way round: from the arrival back to baskets
    reach = walk.furthest / EASY
    between = _nearest_first(land, graph, field.basket, field.tee, reach, walk.nearest)
    np.fill_diagonal(between, np.inf)
    between[field.conflicts[:, 0], field.conflicts[:, 1]] = np.inf
    between[field.conflicts[:, 1], field.conflicts[:, 0]] = np.inf
    out = seconds_between(land, graph, arrival[None], field.tee)[0]
    back = seconds_between(land, home, arrival[None], field.basket)[0]

    tee, basket = (field.holes[name].to_numpy() for name in ("tee_id", "end_id"))
    score = field.holes["score"].to_numpy()
    near = walk.nearest
    chosen = {(a, b) for a in range(count) for b in _near(between[a], tee, score, near)}
    chosen |= {
        (a, b) for b in range(count) for a in _near(between[:, b], basket, score, max(2, near // 3))
    }
    inner = np.array(sorted(chosen), np.int64).reshape(-1, 2)
    first, last = (
        np.union1d(_near(time, place, score, AT_ARRIVAL * near),
                   np.flatnonzero(field.must & np.isfinite(time)))
        for time, place in ((out, tee), (back, basket))
    )  # fmt: skip
    outward = np.column_stack([np.zeros(first.size, np.int64), first])
    homeward = np.column_stack([np.zeros(last.size, np.int64), last])
    seconds = [between[inner[:, 0], inner[:, 1]], out[first], back[last]]
    found = [
        *walks_between(land, graph, field.basket, field.tee, inner, seconds[0]),
        *walks_between(land, graph, arrival[None], field.tee, outward, seconds[1]),
        *walks_between(land, home, arrival[None], field.basket, homeward, seconds[2]),
    ]
    lines = np.array([w and w.line for w in found], object)
    start = np.r_[inner[:, 0], np.full(first.size, ARRIVAL), last].astype(np.int64)
    end = np.r_[inner[:, 1], first, np.full(last.size, ARRIVAL)].astype(np.int64)
    fire = under_fire(lines, start, end, field.fire, field.tee, field.basket)
    return Ways(start, end, np.concatenate(seconds) * EASY, bridged(land, lines), fire)


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
    at = pd.Series(place[order])
    nth = at.groupby(at).cumcount().to_numpy()
    rank = pd.factorize(place[order])[0]
    return np.asarray(order[(nth < PER_TEE) & (rank < most)], np.int64)


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


def kinds_of(holes: gpd.GeoDataFrame, level: Level, mix: MixSettings) -> dict[str, Mask]:
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
