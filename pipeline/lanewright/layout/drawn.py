"""Finished rounds as rows of `layout_holes` and `layout_walks`, and how proposals compare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.rows import Row
from lanewright.base.schema import LAYERS
from lanewright.holes.par import long_walks
from lanewright.layout.candidates import Candidates
from lanewright.layout.choice import kinds_of, problem_of, total_of
from lanewright.layout.round import ARRIVAL, Round, value
from lanewright.layout.walks import EASY, met_by
from lanewright.layout.ways import Course, Ways, stops_of, ways_of
from lanewright.settings.layout import MixSettings
from lanewright.settings.levels import Level

LESS = 0.5  # points; what a proposal gives up less than that is not worth a line


@dataclass(frozen=True)
class Drawn:
    """A round with its walks as they are drawn.

    Attributes
    ----------
    round
        The round, its terms by these walks.
    candidates
        Its holes, in playing order.
    ways
        Its walks, in playing order.
    start
        Where it starts and ends (2,).
    idea
        What it is after.
    """

    round: Round
    candidates: Candidates
    ways: Ways
    start: Floats
    idea: str = ""

    @property
    def played(self) -> float:
        """Metres of its holes."""
        return float(self.candidates.holes["length_m"].sum())

    @property
    def walked(self) -> float:
        """Metres of its walks that were found."""
        return float(sum(line.length for line in self.ways.lines if line is not None))


def drawn(course: Course, found: Round, level: Level) -> Drawn:
    """Find the walks of a round beside its own lines of fire, and what it is worth with them."""
    own = course.take(np.array(found.order, np.int64))
    order = range(len(found.order))
    pairs = stops_of(order, len(order), course.settings.pass_arrival)
    ways = ways_of(own, order, pairs)
    problem = problem_of(own.candidates, ways, level, len(order), course.settings)
    terms = value(problem, order)
    return Drawn(replace(found, terms=terms), own.candidates, ways, course.start)


def empty_layer(name: str, crs: str) -> gpd.GeoDataFrame:
    """A layer of the schema without rows."""
    columns = {column.name: pd.Series(dtype=object) for column in LAYERS[name].columns}
    return gpd.GeoDataFrame(columns, geometry=[], crs=crs)


def layout_rows(course: Course, made: Drawn, number: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of `layout_holes` and `layout_walks` of one proposal."""
    walks = _walk_rows(course, made)
    rows = made.candidates.holes
    names = [column.name for column in LAYERS["layout_holes"].columns]
    holes = rows[[name for name in names if name in rows and name != "legs"]].copy()
    holes.insert(0, "idea", made.idea)
    holes.insert(0, "play_order", np.arange(1, len(rows) + 1))
    holes.insert(0, "proposal", number)
    to = dict(zip(walks["to_order"], walks["length_m"], strict=True))
    holes["walk_m"] = [to.get(k, np.nan) for k in holes["play_order"]]
    holes["wish"] = _wishes(made.candidates)
    holes["geometry"] = rows.geometry.to_numpy()
    walks.insert(0, "proposal", number)
    return holes, walks


def _wishes(candidates: Candidates) -> list[str | None]:
    """What the designer asked for each hole of a round."""
    held = np.where(candidates.place > 0, "lock", "keep")
    preferred = np.where(candidates.wish == 1, "prefer", "")
    return [str(word) or None for word in np.where(candidates.must, held, preferred)]


def _walk_rows(course: Course, made: Drawn) -> pd.DataFrame:
    """Walks of a round in the columns of `layout_walks` but the proposal's number."""
    ways, steps = made.ways, course.settings.walk.steps
    starts = np.vstack([made.candidates.basket, course.start])
    ends = np.vstack([made.candidates.tee, course.start])
    rows = []
    for k, (a, b) in enumerate(zip(ways.start, ways.end, strict=True)):
        line = ways.lines[k]
        lost = line is None
        if lost:
            line = shapely.LineString([(*starts[a], 0.0), (*ends[b], 0.0)])
        met = met_by(course.footing, line)
        crossed = [int(h) + 1 for h in ways.fire[ways.fire[:, 0] == k, 1]]
        rows.append(
            {
                "from_order": 0 if a == ARRIVAL else int(a) + 1,
                "to_order": 0 if b == ARRIVAL else int(b) + 1,
                "length_m": line.length,
                "climb_m": met.climb,
                "steepest_pct": met.steepest_pct,
                "minutes": met.minutes,
                "wet_m": met.wet,
                "bridge_m": met.water,
                "crosses": ", ".join(map(str, crossed)) or None,
                "mark": _mark(met.water, met.steepest_pct > steps, met.steepest_pct, crossed, lost),
                "geometry": line,
            }
        )
    return pd.DataFrame(rows)


def _mark(water: float, steps: bool, steepest: float, crossed: list[int], lost: bool) -> str | None:
    """What a walk needs before anybody takes it."""
    marks = []
    if lost:
        marks.append("no way on foot was found: the line is straight")
    if water > 0:
        marks.append(f"bridge over {water:.0f} m of water" if water >= 1 else "plank over a stream")
    if steps:
        marks.append(f"steps or a switchback, {steepest:.0f} % steep")
    if crossed:
        which = ", ".join(map(str, crossed))
        marks.append(
            f"comes into the line of fire of hole{'s' if len(crossed) > 1 else ''} {which}: "
            "look out or wait there"
        )
    return "; ".join(marks) or None


# ---------------------------------------------------------------------------------------------
# Comparison


def compared(
    proposals: Sequence[Drawn],
    holes: pd.DataFrame,
    walks: pd.DataFrame,
    level: Level,
    course: Course,
) -> list[dict[str, object]]:
    """Totals, terms and what each proposal gives up against the best of them on each term.

    Parameters
    ----------
    proposals
        Rounds, best first.
    holes, walks
        Their rows, by `proposal` from 1.
    level, course
        Who plays, and where.
    """
    terms = [made.round.terms for made in proposals]
    best = {name: max(each[name] for each in terms) for name in terms[0]}
    compared = []
    places = [course.candidates.same_places(made.round.order) for made in proposals]
    for number, made in enumerate(proposals, start=1):
        mine, walked = holes[holes["proposal"] == number], walks[walks["proposal"] == number]
        shared = {
            str(k): len(set(made.round.order) & set(places[k - 1]))
            for k, other in enumerate(proposals, start=1)
            if k != number
        }
        compared.append(
            {"proposal": number, "idea": made.idea}
            | _totals(mine, walked, made, level, course)
            | _points(made.round, best)
            | {"features": features_of_round(course, made.round.order)}
            | {"holes shared with proposal": shared}
        )
    return compared


def features_of_round(course: Course, order: Sequence[int]) -> list[Row]:
    """What each of the first features is to a round, for `summary.json`.

    `holes` are the holes of the round that use it, by number. Where none does, `candidates` says
    how many could, and of the one that fits best `in_conflict`, holes of the round that it cannot
    stand beside, and `walk_m`, easy walk to it from the nearest basket and on to the nearest tee.
    """
    candidates, first = course.candidates, course.candidates.first
    made = []
    for k, (number, name) in enumerate(zip(first.number, first.name, strict=True)):
        users = np.flatnonzero(candidates.uses[:, k])
        playing = [at for at, hole in enumerate(order, start=1) if hole in users]
        row: Row = {
            "feature_id": int(number),
            "name": name,
            "holes": playing,
            "holes that use it": int(first.holes[k]),
            "candidates": int(users.size),
        }
        if users.size and not playing:
            row |= _nearest(course, order, users)
        made.append(row)
    return made


def _nearest(course: Course, order: Sequence[int], users: Ints) -> Row:
    """Of some candidates the one that fits a round best: how many holes it bars, and how far."""
    stops = np.r_[np.array(order, np.int64), len(course.candidates)]
    bars = course.candidates.apart[np.ix_(users, stops[:-1])].sum(1)
    come = course.time[np.ix_(stops, users)].min(0)
    walk = (come + course.time[np.ix_(users, stops)].min(1)) * EASY
    best = np.lexsort((users, walk, bars))[0]
    far = float(walk[best])
    return {"in_conflict": int(bars[best]), "walk_m": far if np.isfinite(far) else None}


def _totals(
    mine: pd.DataFrame, walked: pd.DataFrame, made: Drawn, level: Level, course: Course
) -> dict[str, object]:
    length, way = float(mine["length_m"].sum()), float(walked["length_m"].sum())
    kinds = kinds_of(made.candidates.holes, level, course.settings.mix)
    return {
        "holes": len(mine),
        "par": int(mine["par"].sum()),
        "length_m": length,
        "walks_m": way,
        "longest_walk_m": float(walked["length_m"].max()),
        "walks are long": bool(long_walks(way, length)),
        "bridges": int((walked["bridge_m"] > 0).sum()),
        "walks into lines of fire": int(walked["crosses"].notna().sum()),
        "trim_hours_high": float(made.candidates.trim[:, 1].sum()),
        "holes with trimming unplanned": int(made.candidates.unplanned.sum()),
        "mean_score": float(mine["score"].mean()),
        "mean_clear_rate": float(mine["clear_rate"].mean()),
        "mix": {name: int(members.sum()) for name, members in kinds.items()},
        "short of the mix": _short(kinds, len(mine), course.settings.mix)
        | _off_total(length, len(mine), level, course.settings.mix),
    }


def _short(kinds: dict[str, Flags], count: int, mix: MixSettings) -> dict[str, str]:
    """Kinds that a round has fewer holes of than it should, in words."""
    wanted = {name: round(getattr(mix, name) * count) for name in kinds}
    have = {name: int(members.sum()) for name, members in kinds.items()}
    return {n: f"{have[n]} of {wanted[n]}" for n in kinds if have[n] < wanted[n]}


def _off_total(length: float, count: int, level: Level, mix: MixSettings) -> dict[str, str]:
    """The total length where it lies outside the usual, in words."""
    low, high = total_of(level, count, mix)
    if low - 1 <= length <= high + 1:
        return {}
    return {"total length": f"{length:.0f} m where {low:.0f} to {high:.0f} m are usual"}


def _points(found: Round, best: dict[str, float]) -> dict[str, object]:
    """What a round is worth, and how far from the best it may be.

    The bound holds for the candidates that took part, their walks priced beside this round. The gap
    is in points: what a round is worth may lie near 0.
    """
    lost = {name: best[name] - points for name, points in found.terms.items()}
    return {
        "points": found.worth,
        "terms": found.terms,
        "gives up": {name: points for name, points in lost.items() if points > LESS},
        "bound": found.bound,
        "gap_points": found.bound - found.worth,
        "proven best": bool(found.proven),
    }
