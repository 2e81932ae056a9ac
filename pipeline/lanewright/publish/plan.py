"""A hole seen from above: what its plan shows, in places of the land [m]."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.publish.mapdata import Contour, Line, MapData, contours, unit
from lanewright.publish.section import fails

_LINES = 14  # most heights with a contour
_ASIDE = 16.0  # m that a narrowest place is drawn to each side at most


@dataclass(frozen=True)
class Rest:
    """Ellipse that two of three throws come to rest in: middle, half axes [m], bearing [deg]."""

    x: float
    y: float
    long: float
    wide: float
    bearing: float

    def outline(self) -> Floats:
        """Points around it (n, 2)."""
        t = np.linspace(0, 2 * np.pi, 61)
        turn = math.radians(self.bearing)  # clockwise from north
        a, b = self.long * np.cos(t), self.wide * np.sin(t)
        return np.column_stack(
            [
                self.x + a * math.sin(turn) + b * math.cos(turn),
                self.y + a * math.cos(turn) - b * math.sin(turn),
            ]
        )


@dataclass(frozen=True)
class Plan:
    """What lies within a window on a hole.

    Attributes
    ----------
    contours, step
        Lines of equal height, and metres between two of them.
    wet, water
        Parts of wet ground and of open water within the window.
    stems : (n, 2)
        Trees found.
    flights
        Path of each leg (points, 2).
    spots : (legs + 1, 2)
        Tee, where the throws end, basket.
    pinches
        Bars across the flights as wide as their narrowest place: ends (2, 2), width [m].
    cuts
        Outline and row of each piece of trim work.
    bands, cores
        Outlines of where nine of ten throws fly, and of where half of them do.
    fails
        Places that most throws touch that fail, and what stands there.
    rests
        Where throws come to rest.
    roads, buildings, wires
        What people built, within the window.
    """

    contours: tuple[Contour, ...]
    step: float
    wet: tuple[shapely.Geometry, ...]
    water: tuple[shapely.Geometry, ...]
    stems: Floats
    flights: tuple[Floats, ...]
    spots: Floats
    pinches: tuple[tuple[Floats, float], ...]
    cuts: tuple[tuple[shapely.Geometry, Row], ...]
    bands: tuple[Floats, ...]
    cores: tuple[Floats, ...]
    fails: tuple[tuple[Floats, str], ...]
    rests: tuple[Rest, ...]
    roads: tuple[shapely.Geometry, ...] = ()
    buildings: tuple[shapely.Geometry, ...] = ()
    wires: tuple[shapely.Geometry, ...] = ()


def plan_of(data: MapData, line: Line, window: shapely.Geometry, coarse: float = 0.3) -> Plan:
    """Gather what a plan of a hole shows within a window; lines are drawn `coarse` [m]."""
    drawn, step = contours(data, window, _LINES, coarse)
    flights = tuple(np.asarray(flown[:, :2]) for flown in line.paths)
    return Plan(
        contours=tuple(drawn),
        step=step,
        wet=tuple(_within(data.wet, window)),
        water=tuple(_within(data.water, window)),
        stems=data.stems[shapely.contains_xy(window, *data.stems.T)],
        flights=flights,
        spots=np.array([line.tee, *(flown[-1] for flown in flights)]),
        pinches=tuple(_pinches(line)),
        cuts=tuple(zip(line.outlines, line.work, strict=True)),
        bands=tuple(_bands(line, 0)),
        cores=tuple(_bands(line, 1)),
        fails=tuple(_fails(line)),
        rests=tuple(_rests(line)),
        roads=tuple(_within([road for _, road in data.roads], window)),
        buildings=tuple(_within(data.buildings, window)),
        wires=tuple(_within(data.wires, window)),
    )


def _within(
    shapes: Sequence[shapely.Geometry], window: shapely.Geometry
) -> Iterator[shapely.Geometry]:
    for shape in shapes:
        if shape.intersects(window):
            yield shape.intersection(window)


def _axes(flown: Floats) -> tuple[Floats, Floats]:
    """Unit vectors along a throw's straight line and to the left of it."""
    ahead = unit(flown[-1, :2] - flown[0, :2])
    return ahead, np.array([-ahead[1], ahead[0]])


def _pinches(line: Line) -> Iterator[tuple[Floats, float]]:
    for flown, leg in zip(line.paths, line.legs, strict=True):
        width, at = leg.get("pinch_width_m"), leg.get("pinch_at_m")
        if width is None or at is None:
            continue
        run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(flown[:, :2], axis=0).T))]
        i = int(np.clip(np.searchsorted(run, at), 1, len(flown) - 1))
        across = _axes(flown[i - 1 : i + 1])[1] * min(width / 2, _ASIDE)
        yield np.array([flown[i, :2] + across, flown[i, :2] - across]), float(width)


def _bands(line: Line, edge: int) -> Iterator[Floats]:
    """Outline between the outer (0) or the inner (1) edges of each leg's throws."""
    for flown, spread in zip(line.paths, line.spreads, strict=False):
        if spread is None:
            continue
        ahead, across = _axes(flown)
        along = np.r_[spread.along, spread.along[::-1]]
        left = np.r_[spread.left[edge], spread.left[-1 - edge][::-1]]
        yield flown[0, :2] + along[:, None] * ahead + left[:, None] * across


def _fails(line: Line) -> Iterator[tuple[Floats, str]]:
    for flown, leg in zip(line.paths, line.legs, strict=True):
        if fails(leg):
            ahead, across = _axes(flown)
            side = float(leg.get("fail_side_m") or 0.0)
            place = flown[0, :2] + leg["fail_at_m"] * ahead + side * across
            yield place, str(leg.get("fail_on") or "")


def _rests(line: Line) -> Iterator[Rest]:
    for flown, leg in zip(line.paths, line.legs, strict=True):
        if leg.get("landing_long_m") is None or leg.get("landing_bearing_deg") is None:
            continue
        ahead, _ = _axes(flown)
        x, y = flown[-1, :2] + ahead * float(leg.get("landing_past_m") or 0.0)
        long, wide = leg["landing_long_m"] / 2, leg["landing_wide_m"] / 2
        yield Rest(float(x), float(y), long, wide, float(leg["landing_bearing_deg"]))
