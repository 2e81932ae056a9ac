"""What gets a card: the holes of the proposals, else the best holes, else the best legs."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.visit.outing import legs_of_holes

MOST = 60
"""Cards on one page: three proposals of 18 holes and a few of the designer's own."""

_BEST_LEGS = 18  # cards when the run made no holes: as many as a round has
_APART = 30.0  # m between tees, or between ends, of legs that stand for themselves


@dataclass(frozen=True)
class Subject:
    """One hole, or one leg where there are no holes.

    Attributes
    ----------
    key
        For addresses within the page: `hole-12` or `leg-3`.
    title
        As a reader meets it.
    row
        Its row in `holes`, or in `legs`.
    legs
        Rows of `legs` in order of play; the first level's where several play it.
    paths
        The flight of each, (points, 3): x, y, height in the vertical datum.
    places
        Proposal and number in the round, for each proposal that has it.
    """

    key: str
    title: str
    row: Row
    legs: tuple[Row, ...]
    paths: tuple[Floats, ...]
    places: tuple[tuple[int, int], ...] = ()

    @property
    def tee(self) -> Floats:
        """Where the first throw leaves the hand."""
        first: Floats = self.paths[0][0]
        return first

    @property
    def end(self) -> Floats:
        """Where the last one comes down."""
        last: Floats = self.paths[-1][-1]
        return last

    @property
    def length(self) -> float:
        """Level distance over all legs [m]."""
        return float(sum(leg["length_m"] for leg in self.legs))


def subjects_of(found: Findings) -> list[Subject]:
    """Everything with a card, in the order of the page."""
    legs = found.layer("legs")
    if legs is None:
        return []
    rows = rows_of(legs)
    by_id = {int(row["leg_id"]): i for i, row in enumerate(rows)}
    coords = [shapely.get_coordinates(g, include_z=True) for g in legs.geometry]
    holes = found.layer("holes")
    if holes is None:
        return [_of_leg(rows[i], coords[i]) for i in _best_legs(legs)]

    places: dict[int, list[tuple[int, int]]] = {}
    for row in rows_of(found.layer("layout_holes")):
        places.setdefault(int(row["hole_id"]), []).append((row["proposal"], row["play_order"]))
    hole_rows = rows_of(holes)
    chains = legs_of_holes(holes)
    order = _holes_wanted(hole_rows, places)
    best = min((number for mine in places.values() for number, _ in mine), default=0)
    made = []
    for i in order:
        row = hole_rows[i]
        mine = [by_id[n] for n in chains[int(row["hole_id"])] if n in by_id]
        if not mine:
            continue
        key = int(row["hole_id"])
        made.append(
            Subject(
                f"hole-{key}",
                _title(key, sorted(places.get(key, ())), best),
                row,
                tuple(rows[m] for m in mine),
                tuple(coords[m] for m in mine),
                tuple(sorted(places.get(key, ()))),
            )
        )
    return made


def _title(key: int, places: list[tuple[int, int]], best: int) -> str:
    """Name of a hole by its place in the best proposal that has it, else by its number."""
    if not places:
        return f"Candidate {key}"
    number, order = places[0]
    return f"Hole {order}" if number == best else f"Proposal {number}, hole {order}"


def _holes_wanted(rows: list[Row], places: dict[int, list[tuple[int, int]]]) -> list[int]:
    """Holes of the proposals in order of play, then the designer's own, then the best."""

    def rank(i: int) -> tuple[float, ...]:
        mine = places.get(int(rows[i]["hole_id"]))
        own = rows[i].get("origin") == "own"
        first = min(mine) if mine else (10**6, 10**6)
        return (mine is None, *first, not own, -(rows[i].get("score") or 0.0), i)

    ranked = sorted(range(len(rows)), key=rank)
    placed = [i for i in ranked if int(rows[i]["hole_id"]) in places]
    if not placed:
        return ranked[:_BEST_LEGS]
    own = [i for i in ranked if i not in set(placed) and rows[i].get("origin") == "own"]
    return [*placed, *own][:MOST]


def _of_leg(row: Row, path: Floats) -> Subject:
    key = int(row["leg_id"])
    return Subject(f"leg-{key}", f"Leg {key}", row, (row,), (path,))


def _best_legs(legs: gpd.GeoDataFrame) -> list[int]:
    """The designer's own legs, then the best of the search that do not crowd each other."""
    score = legs["score"].fillna(0.0).to_numpy()
    own = (legs["origin"] == "own").to_numpy() if "origin" in legs else np.zeros(len(legs), bool)
    first = shapely.get_coordinates(shapely.get_point(legs.geometry.values, 0))
    last = shapely.get_coordinates(shapely.get_point(legs.geometry.values, -1))
    chosen: list[int] = []
    found = 0
    for i in np.lexsort((legs["leg_id"].to_numpy(), -score, ~own)):
        near = any(
            np.hypot(*(first[i] - first[j])) < _APART or np.hypot(*(last[i] - last[j])) < _APART
            for j in chosen
        )
        if own[i] or (not near and found < _BEST_LEGS):
            chosen.append(int(i))
            found += not own[i]
    return chosen[:MOST]
