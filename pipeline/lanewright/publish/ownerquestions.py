"""What only the owner and the authorities can answer, each with what the run knows of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Raster
from lanewright.base.rows import rows_of
from lanewright.features.naming import CREEK
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, holes_named, plural

LOW = 1.0
"""Metres over the nearest drainage line or water under which a tee or basket is named low; ours."""

NEAR = 20.0
"""Metres from the property line, or from a wire, within which holes are named; ours."""

STEEP = 25.0
"""Slope [%] from which ground wants care to build on; ours."""

UNKNOWN = "Nothing: without heights of the ground itself no water is known."


class Question(NamedTuple):
    """One thing to ask.

    Attributes
    ----------
    subject
        Two or three words.
    ask
        The question as it is put.
    known
        What the run knows of it, a sentence or two.
    """

    subject: str
    ask: str
    known: str


class _Spots(NamedTuple):
    """Tees, landings and baskets, spots for short: holes (n,) and points (n,)."""

    hole: NDArray[np.int64]
    at: NDArray[np.object_]

    def named(self, which: Flags) -> str:
        """Holes of some of them, in words; empty for none."""
        return holes_named(np.unique(self.hole[which]).tolist()) if which.any() else ""


def owner_questions(found: Findings, units: Units) -> list[Question]:
    """Questions for the owner, in the order in which they can end a plan.

    Parameters
    ----------
    found
        Results as published; the holes are those of the first proposal.
    units
        Of lengths.
    """
    spots = _spots(found)
    return [
        Question(
            "rights",
            "who owns the land, may it be built on and played, and do neighbours agree?",
            _rights(found, spots, units),
        ),
        Question(
            "flood zone",
            "which of it lies in a mapped flood zone, and how often does water run or stand there?",
            _floods(found, spots, units),
        ),
        Question(
            "wetland inventory",
            "is wetland mapped, and how far must work keep from it and from water?",
            _wetland(found, spots, units),
        ),
        Question(
            "soil map",
            "what does it say of drainage, rock and erosion where tees and paths go?",
            _soil(found),
        ),
        Question(
            "easements and buried lines",
            "which easements, cables, pipes, wells or drains run where something would be dug?",
            _lines(found, spots, units),
        ),
        Question(
            "hunting and farming",
            "who hunts, grazes, mows or farms there, and in which months?",
            "Nothing: lidar sees no use of land.",
        ),
        Question(
            "trees and plans",
            "which trees stay, which timber is spoken for, what else is planned for the land?",
            _trees(found),
        ),
    ]


def _spots(found: Findings) -> _Spots:
    layout = found.layer("layout_holes")
    if layout is None:
        return _Spots(np.empty(0, np.int64), np.empty(0, object))
    first = layout[layout["proposal"] == found.best]
    places, row = shapely.get_coordinates(first.geometry, return_index=True)
    return _Spots(first["play_order"].to_numpy(np.int64)[row], shapely.points(places))


def _rights(found: Findings, spots: _Spots, units: Units) -> str:
    row = rows_of(found.layers["property"])[0]
    size = units.area(1e4 * float(row["area_ha"]))
    said = f"The outline is from {row['source']}, {size}, not surveyed."
    if not spots.hole.size:
        return said
    away = shapely.distance(spots.at, found.map_data.land.boundary)
    near, least = spots.named(away < NEAR), units.length(float(away.min()))
    where = f"within {units.length(NEAR)} of it: {near}" if near else "no hole comes near it"
    return f"{said} {where[:1].upper()}{where[1:]}; the least is {least}."


def _over_water(found: Findings) -> Raster | None:
    """Height over the nearest drainage line or water; None where nobody knows of water."""
    over = found.rasters.get("height_above_drainage")
    return over if over is not None and np.isfinite(over).any() else None


def _floods(found: Findings, spots: _Spots, units: Units) -> str:
    over = _over_water(found)
    if over is None:
        return UNKNOWN
    creeks = found.layer("drainage")
    run = 0.0 if creeks is None else creeks.geometry[creeks["upslope_ha"] >= CREEK].length.sum()
    said = [f"{units.length(run)} of creek by the shape of the ground" if run else "No creek"]
    if spots.hole.size:
        height = over[found.grid.nearest(shapely.get_x(spots.at), shapely.get_y(spots.at))]
        low = spots.named(height < LOW)
        under = f"less than {units.length(LOW, 1)} over the nearest drainage line or water"
        said.append(f"{low} with a spot {under}" if low else f"no tee or basket lies {under}")
    return f"{'; '.join(said)}. No flood map was looked at."


def _wetland(found: Findings, spots: _Spots, units: Units) -> str:
    water, wet = found.layer("water"), found.layer("wet_ground")
    open_water = 0.0 if water is None else float(water["area_m2"].sum())
    said = f"{units.area(open_water)} of open water" if open_water else "No open water was found"
    if _over_water(found) is None:
        return UNKNOWN
    if wet is None:
        return f"{said}, and no ground was found wet by its shape."
    likely = wet[wet["certainty"] == "likely"]
    at = spots.named(shapely.intersects(spots.at, shapely.union_all(likely.geometry)))
    return (
        f"{said}, {units.area(float(likely['area_m2'].sum()))} of ground likely wet by its shape"
        f"{f', at a spot of {at}' if at else ''}. Nobody delineated it."
    )


def _soil(found: Findings) -> str:
    slope = found.rasters["slope"][found.inside]
    known = slope[np.isfinite(slope)]
    made_of = "What it is made of is not known."
    if not known.size:
        return made_of
    return f"{(known > STEEP).mean():.0%} of the land is steeper than {STEEP:.0f} %. {made_of}"


def _lines(found: Findings, spots: _Spots, units: Units) -> str:
    wires = found.layer("wires")
    if wires is None:
        return "No wire overhead was found, which proves nothing. Underground, nothing is known."
    near = spots.named(shapely.distance(spots.at, shapely.union_all(wires.geometry)) < NEAR)
    where = f"within {units.length(NEAR)} of {near}" if near else "near no tee or basket"
    length = units.length(float(wires["length_m"].sum()))
    return f"{length} of wire overhead, {where}. Underground, nothing is known."


def _trees(found: Findings) -> str:
    kept = "Trees to keep were named." if found.config.trim.keep else "No tree to keep was named."
    work = None if found.best is None else found.rounds.get(found.best)
    return (
        kept if work is None else f"{kept} The first proposal fells {plural(work.felled, 'tree')}."
    )
