"""From candidate holes to the problem of a round: what each hole and each walk brings and costs.

What a layout is worth is a sum of terms, each with a weight of its own (`layout: weights:`):

| term | points |
|---|---|
| quality | `quality` for each hole, times its score |
| ease | `ease` for each hole, times its ease |
| trimming | -`trim` for each hour of trimming, at the middle of its range |
| designer's wish | `prefer` for a preferred hole, -`prefer` for one in an area to avoid |
| walks | -`walk` for each metre of easy walk that takes as long |
| far walks | -`far_walk` for each such metre beyond `walk: far:` |
| sameness | -`sameness` for each walk between two holes that are alike |
| bridges | -`bridge` for each walk over water |
| crossings | -`crossing` for each walk that comes into a line of fire |
| finishes, lengths, climbs, lane kinds, pars | -their weight for each hole short of the mix |
| features | -`feature` for each first feature of the land that no hole uses, most for the first |
| finishes in a row | -`in_a_row` for each hole that makes a row too long |
| total length | -`total` for each metre outside the level's usual total |

Walks are priced as they are drawn: round lines of fire where that is not much longer.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.schema import FINISHES
from lanewright.layout.candidates import Candidates
from lanewright.layout.round import Problem, Wish
from lanewright.layout.ways import Ways
from lanewright.legs.interest import COLUMNS
from lanewright.settings.layout import LayoutSettings, MixSettings
from lanewright.settings.levels import Level

WOODED = ("lane", "tunnel")


def problem_of(
    candidates: Candidates, ways: Ways, level: Level, wanted: int, settings: LayoutSettings
) -> Problem:
    """What a round of these candidates is worth, and which rounds there are.

    Parameters
    ----------
    candidates, ways
        Candidates and the walks between them.
    level
        Who plays.
    wanted
        Holes wanted.
    settings
        The section `layout`.
    """
    weights, mix, holes = settings.weights, settings.mix, candidates.holes
    return Problem(
        wanted=wanted,
        gains={
            "quality": _rounded(weights.quality * holes["score"].to_numpy(float)),
            "ease": _rounded(weights.ease * ease(holes, mix.grade)),
            "trimming": _rounded(-weights.trim * candidates.trim[:, 0]),
            "designer's wish": _rounded(weights.prefer * candidates.wish),
        },
        apart=candidates.conflicts,
        start=ways.start,
        end=ways.end,
        costs={
            "walks": _rounded(weights.walk * ways.easy),
            "far walks": _rounded(weights.far_walk * np.maximum(ways.easy - settings.walk.far, 0)),
            "bridges": _rounded(weights.bridge * ways.bridge),
            "sameness": _rounded(weights.sameness * sameness(holes, ways)),
        },
        fire=ways.fire,
        crossing=weights.crossing,
        wishes=wishes_of(holes, level, wanted, settings) + feature_wishes(candidates, settings),
        length=holes["length_m"].to_numpy(float),
        total=total_of(level, wanted, mix),
        per_metre=weights.total,
        finish=np.array([FINISHES.index(f) for f in holes["finish"]], np.int64),
        in_a_row=mix.same_finish,
        repeat=weights.in_a_row,
        trim=candidates.trim[:, 1],
        budget=settings.trim_hours,
        must=candidates.must,
        place=candidates.place,
        halves=settings.pass_arrival and wanted > 1,
    )


def ease(holes: gpd.GeoDataFrame, grade: float) -> Floats:
    """How easy holes are for beginners, 0-1 (n,): throws that stay clear, level ground, no carry.

    Parameters
    ----------
    holes
        `clear_rate`, `rise_m`, `length_m`, `carry_water_m`.
    grade
        Percent from which a hole climbs or drops; half as easy at it, a quarter at twice as much.
    """
    steep = 100 * np.abs(holes["rise_m"].to_numpy(float)) / holes["length_m"].to_numpy(float)
    clear = np.nan_to_num(holes["clear_rate"].to_numpy(float))
    carries = holes["carry_water_m"].to_numpy(float) > 0
    return np.where(carries, 0.0, clear * 0.5 ** (steep / grade))


def total_of(level: Level, count: int, mix: MixSettings) -> tuple[float, float]:
    """Least and most that so many holes should be long together [m]."""
    low, high = mix.total or tuple(share * count * level.tee_throw for share in mix.usual)
    return low, high


def sameness(holes: gpd.GeoDataFrame, ways: Ways) -> Floats:
    """How alike the holes at both ends of each walk are, 0-1 (walks,); 0 to and from the arrival.

    1 less the largest difference in what makes them interesting, and 0 where their finishes or
    their corridors differ: a hole stands out by one thing that its neighbour has not.
    """
    if not set(COLUMNS) <= set(holes.columns):
        return np.zeros(len(ways.start))
    parts = np.nan_to_num(holes[list(COLUMNS)].to_numpy(float))
    first, then = np.maximum(ways.start, 0), np.maximum(ways.end, 0)
    apart = np.abs(parts[first] - parts[then]).max(1, initial=0.0)
    kind = pd.factorize(holes["finish"].astype(str) + holes["lane_kind"].astype(str))[0]
    alike = (kind[first] == kind[then]) & (ways.start >= 0) & (ways.end >= 0)
    return np.where(alike, 1.0 - apart, 0.0)


def feature_wishes(candidates: Candidates, settings: LayoutSettings) -> list[Wish]:
    """A hole for each of the first features that candidates use; the first counts most."""
    count = candidates.uses.shape[1]
    each = 2 * settings.weights.feature / (count + 1)
    return [
        Wish("features", users, 1, each * (count - rank))
        for rank, users in enumerate(candidates.uses.T)
    ]


def _rounded(points: NDArray[np.floating]) -> Floats:
    """Points in the solver's tenths, so that it and `round.value` agree."""
    return np.asarray(np.round(np.asarray(points, np.float64), 1) + 0.0)


def kinds_of(holes: gpd.GeoDataFrame, level: Level, mix: MixSettings) -> dict[str, Flags]:
    """Holes of each kind that the mix counts."""
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
    "left": "finishes",
    "right": "finishes",
    "straight": "finishes",
    "short": "lengths",
    "middle": "lengths",
    "long": "lengths",
    "climbs": "climbs and drops",
    "drops": "climbs and drops",
    "wooded": "lane kinds",
    "open": "lane kinds",
    "over_par_3": "pars",
}


def wishes_of(
    holes: gpd.GeoDataFrame, level: Level, wanted: int, settings: LayoutSettings
) -> list[Wish]:
    """The mix as least numbers of holes of each kind."""
    weights = settings.weights
    weight = {
        "finishes": weights.finish,
        "lengths": weights.length,
        "climbs and drops": weights.climb,
        "lane kinds": weights.lane_kind,
        "pars": weights.par,
    }
    return [
        Wish(
            TERM_OF[name],
            members,
            round(getattr(settings.mix, name) * wanted),
            weight[TERM_OF[name]],
        )
        for name, members in kinds_of(holes, level, settings.mix).items()
    ]
