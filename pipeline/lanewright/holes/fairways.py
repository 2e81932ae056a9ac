"""Holes cut into places a few metres apart: how far throws have spread, where they come down."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.flight.flight import RANGE_POWER
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

SPACING = 3.0  # m between places looked at along a fairway
TWO_THIRDS = 2 * np.sqrt(2 * np.log(3))  # axes of the ellipse that holds two thirds, in sds
SIDES = {"left": 1, "right": -1}


@dataclass(frozen=True)
class Fairways:
    """Holes cut into places; arrays (places,) unless said.

    Attributes
    ----------
    hole
        Row of the hole.
    xy : (places, 2)
        Coordinates [m].
    share
        Part of the distances that is asked for here, `at_tee` to 1.
    spread
        Sideways spread of the throws here, one standard deviation [m].
    along
        Metres from the tee.
    left
        Metres from the basket along the hole.
    fades
        Side the throw finishes on: 1 left, -1 right, 0 neither.
    leg : (places,)
        Which leg of all the holes'.
    leg_hole, leg_level : (legs,)
        Hole and level (index) of each leg.
    leg_start, leg_end : (legs, 2)
        Where each is thrown from and to [m].
    """

    hole: Ints
    xy: Floats
    share: Floats
    spread: Floats
    along: Floats
    left: Floats
    fades: Ints
    leg: Ints
    leg_hole: Ints
    leg_level: Ints
    leg_start: Floats
    leg_end: Floats

    @property
    def tee(self) -> Flags:
        """Places that are the tee of their hole."""
        return np.asarray(self.along == 0)

    @property
    def basket(self) -> Flags:
        """Places that are the basket of their hole."""
        return np.asarray(self.left == 0)

    @property
    def way(self) -> Floats:
        """From where each leg is thrown to where it ends [m] (legs, 2)."""
        return self.leg_end - self.leg_start


class _Throw(NamedTuple):
    """One throw of a hole: its line, the side it fades to, its sideways spread at the end [m]."""

    line: shapely.LineString
    fades: int
    landed: float


def fairways(
    holes: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame | None,
    levels: Sequence[Level],
    settings: SafetySettings,
    spacing: float = SPACING,
) -> Fairways:
    """Cut holes into places.

    Parameters
    ----------
    holes
        `level`, `finish`, `legs` (ids of legs in order), and lines of play, tee first.
    legs
        `leg_id`, `finish` and lines; None, or a hole whose legs are not among them, is taken for
        one throw.
    levels
        Levels of the holes.
    settings
        The section `layout: safety:`.
    spacing
        Metres between places; ends of legs are always among them.
    """
    names = [level.name for level in levels]
    played = [names.index(level) for level in holes["level"]]
    xy, along, left, flown, counts, owners, throws = [], [], [], [], [], [], []
    for hole, thrown in enumerate(_throws_of(holes, legs)):
        whole = sum(throw.line.length for throw in thrown)
        walked = 0.0
        for throw in thrown:
            at = _steps(throw.line.length, spacing)
            places = shapely.get_coordinates(shapely.line_interpolate_point(throw.line, at))
            xy.append(places)
            along.append(walked + at)
            left.append(whole - walked - at)
            flown.append(np.hypot(*(places - places[0]).T))
            counts.append(at.size)
            owners.append(hole)
            throws.append(throw)
            walked += throw.line.length
        left[-1][-1] = 0.0  # rounding must not hide the basket
    leg = np.repeat(np.arange(len(throws)), counts)
    leg_hole = np.array(owners, np.int64)
    leg_level = np.array([played[hole] for hole in owners], np.int64)
    away = np.concatenate(flown) if flown else np.zeros(0)
    full = settings.full_at * np.array([level.tee_throw for level in levels])
    return Fairways(
        hole=leg_hole[leg],
        xy=_stacked(xy),
        share=np.clip(away / full[leg_level[leg]], settings.at_tee, 1.0),
        spread=_aims(throws, flown, leg_level, levels)[leg] * away,
        along=np.concatenate(along) if along else away,
        left=np.concatenate(left) if left else away,
        fades=np.array([throw.fades for throw in throws], np.int64)[leg],
        leg=leg,
        leg_hole=leg_hole,
        leg_level=leg_level,
        leg_start=_stacked([places[:1] for places in xy]),
        leg_end=_stacked([places[-1:] for places in xy]),
    )


def _steps(length: float, spacing: float) -> Floats:
    return np.linspace(0, length, max(2, int(np.ceil(length / spacing)) + 1))


def _stacked(parts: list[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros((0, 2))


def _aims(
    throws: list[_Throw], flown: list[Floats], level: Ints, levels: Sequence[Level]
) -> Floats:
    """Sideways spread of each throw per metre flown (legs,): by the aim, but no less than landed.

    Hyzer and height spread throws sideways too.
    """
    aim = np.array([float(known.sideways(1.0)) for known in levels])[level]
    landed = np.array([t.landed / max(f[-1], 1.0) for t, f in zip(throws, flown, strict=True)])
    return np.asarray(np.maximum(aim, landed), np.float64)


def _throws_of(holes: gpd.GeoDataFrame, legs: gpd.GeoDataFrame | None) -> Iterator[list[_Throw]]:
    """Throws of each hole, tee first."""
    known: dict[int, _Throw] = {}
    if legs is not None and len(legs):
        lines = shapely.force_2d(legs.geometry.to_numpy())
        each = zip(legs["leg_id"], lines, legs["finish"], _landed_wide(legs), strict=True)
        known = {leg: _Throw(line, SIDES.get(to, 0), wide) for leg, line, to, wide in each}
    shapes = shapely.force_2d(holes.geometry.to_numpy())
    for line, finish, ids in zip(shapes, holes["finish"], holes["legs"], strict=True):
        numbers = list(ids or ())
        if numbers and all(number in known for number in numbers):
            yield [known[number] for number in numbers]
        else:
            yield [_Throw(line, SIDES.get(finish, 0), 0.0)]


def _landed_wide(legs: gpd.GeoDataFrame) -> Floats:
    """Sideways spread at the end of legs by where their throws came down, one sd [m]; 0 unknown."""
    if "landing_long_m" not in legs:
        return np.zeros(len(legs))
    shapes = legs.geometry.to_numpy()
    tee, end = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (0, -1))
    way = np.arctan2(*(end - tee).T)
    turn = np.radians(legs["landing_bearing_deg"].to_numpy(float)) - way
    long, wide = (legs[f"landing_{axis}_m"].to_numpy(float) for axis in ("long", "wide"))
    across = np.hypot(long * np.sin(turn), wide * np.cos(turn)) / TWO_THIRDS
    return np.asarray(np.nan_to_num(across), np.float64)


def envelopes(
    ways: Fairways, levels: Sequence[Level], holes: int, settings: SafetySettings
) -> NDArray[np.object_]:
    """Ground that the throws of each hole come over, all but one in a hundred (holes,) polygons.

    As wide as the spread of the aim makes it, and as much longer than the throw as the spread of
    its speed does; never narrower than 1 m to a side.
    """
    out = np.empty(holes, object)
    if not ways.leg_hole.size:
        return out
    radius = np.maximum(settings.sds * ways.spread, 1.0)
    spots = shapely.buffer(shapely.points(ways.xy), radius, quad_segs=4)
    joined = np.flatnonzero(ways.leg[1:] == ways.leg[:-1])
    pairs = np.column_stack([spots[joined], spots[joined + 1]]).ravel()
    pieces = shapely.convex_hull(
        shapely.multipolygons(pairs, indices=np.repeat(np.arange(joined.size), 2))
    )
    pace = np.array([RANGE_POWER * level.speed_sd for level in levels])
    last = np.flatnonzero(np.r_[ways.leg[1:] != ways.leg[:-1], True])
    over = settings.sds * pace[ways.leg_level]
    far = shapely.points(ways.leg_end + ways.way * over[:, None])
    tails = shapely.convex_hull(
        shapely.union(spots[last], shapely.buffer(far, radius[last], quad_segs=4))
    )
    owner = np.r_[ways.hole[joined], ways.leg_hole]
    every = np.r_[pieces, tails]
    for i in range(holes):
        out[i] = shapely.union_all(every[owner == i])
    return out
