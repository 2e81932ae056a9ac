"""Throws of a level as a table of arcs: for each distance and finish, the path that gets there.

Arcs here follow figures of the trade, not a flight model; what fills the table may change, its
meaning does not. A path is given relative to its chord, the straight line from the disc's release
over the tee to its end over the target:

- to the left of the chord, as a share of the chord's length. A disc drifts sideways ever faster as
  it loses speed and spin, in the simplest form as the cube of the way gone: aimed off by what it
  will drift, it ends at the target, ``left = drift * (u**3 - u)``. A straight throw turns a
  little one way and fades back, a small S.
- above the chord: ``u * (1 - u)**0.8``, scaled to the apex. The top lies at 5/9 of the way, and the
  disc comes down steeper than it went up.

Sources of the figures: apexes are designers' lore, from memory (3 to 4.6 m for 61 m, 3.7 to 6 m for
91 m, 6 to 11 m for 107 to 137 m); below 61 m, and for long low throws, ours, between the release
height and those. That a roof of 4.6 m costs a throw of up to 110 m next to nothing follows from the
golf disc tables of Giljarhus et al. 2022 (Sports Engineering 25). Fade of a stable disc thrown
flat, 2 to 14 m, follows from the same tables. Wide curves: a logged throw of theirs that started
32 degrees off its line went 20 m sideways on 91 m, as ``u**3 - u`` does with a drift of tan 32; we
take a little over half of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanewright.config import FlightSettings
from lanewright.levels import Level
from lanewright.store import stage

FINISHES = ("straight", "left", "right")
NEAREST = 20.0  # m, shortest throw in the table
BIN = 5.0  # m of distance that share a path
SAMPLES = 129

RANGE_POWER = 1.59
"""Distance goes with speed to this power: ln(155/91) / ln(31.3/22.4), from radar figures cited in
an open note on flight simulation (22.4 m/s for 91 m, 31.3 m/s for 155 m)."""

_APEX_AT = (20.0, 61.0, 91.0, 107.0, 137.0)  # m
_APEX = {"low": (1.9, 3.0, 3.7, 4.6, 6.0), "usual": (2.3, 3.8, 4.85, 6.0, 8.5)}  # m over the tee
_FADE, _LEAST_FADE, _MOST_FADE = 0.12, 2.0, 14.0  # share of the distance; m
_WIDE = 0.35  # drift of a wide curve as a share of the distance
_TURN = 0.01  # of a straight throw, as a share of the distance
_TOP = 5 / 9  # of the way, where the arc is highest


@dataclass(frozen=True)
class Arc:
    """Name of one shape of flight.

    Attributes
    ----------
    finish
        Where it ends up turning, seen from the tee: straight, left or right.
    height
        low or usual.
    wide
        Whether it swings far out.
    """

    finish: str
    height: str
    wide: bool = False


ARCS = (
    Arc("straight", "usual"),
    Arc("straight", "low"),
    Arc("left", "usual"),
    Arc("left", "low"),
    Arc("left", "usual", wide=True),
    Arc("right", "usual"),
    Arc("right", "low"),
    Arc("right", "usual", wide=True),
)


@dataclass(frozen=True)
class LevelFlights:
    """Throws of one level.

    Attributes
    ----------
    level
        Who throws; holds the spread.
    distance
        Nearest distance of each bin [m] (bins,); a bin is `BIN` wide.
    arcs
        Shapes of flight (arcs,).
    along, left
        Path as shares of the chord's length: along it, and to its left (bins, arcs, samples).
    rise
        Path above the chord [m] (bins, arcs, samples).
    apex
        Highest point over the tee's ground on level ground [m] (bins, arcs).
    release, end
        Height of the disc over the ground of the tee and of the end [m].
    """

    level: Level
    distance: NDArray[np.float64]
    arcs: tuple[Arc, ...]
    along: NDArray[np.float64]
    left: NDArray[np.float64]
    rise: NDArray[np.float64]
    apex: NDArray[np.float64]
    release: float
    end: float

    def bin_of(self, length: NDArray[np.float64]) -> NDArray[np.int64]:
        """Bin of chords of that length [m]; beyond the table, the nearest one."""
        place = np.floor((np.asarray(length) - self.distance[0]) / BIN).astype(np.int64)
        return np.asarray(np.clip(place, 0, self.distance.size - 1), np.int64)

    def mirrored(self) -> LevelFlights:
        """The same throws by the other hand, or the other grip: left and right change places."""
        other = {"left": "right", "right": "left", "straight": "straight"}
        named = [Arc(other[a.finish], a.height, a.wide) for a in self.arcs]
        order = [named.index(arc) for arc in self.arcs]
        return replace(
            self,
            along=self.along[:, order],
            left=-self.left[:, order],
            rise=self.rise[:, order],
            apex=self.apex[:, order],
        )


@dataclass(frozen=True)
class Flights:
    """Throws of every level that plays, best players first."""

    levels: tuple[LevelFlights, ...]


@stage("flight", version=1)
def fly_throws(levels: tuple[Level, ...], settings: FlightSettings) -> Flights:
    """Make the table of throws for each level, from `NEAREST` to its controlled tee throw.

    Parameters
    ----------
    levels
        Who plays.
    settings
        The section `flight` of the configuration.
    """
    flights = tuple(_throws_of(level, settings) for level in levels)
    if settings.hand == "left":
        flights = tuple(f.mirrored() for f in flights)
    return Flights(flights)


def _throws_of(level: Level, settings: FlightSettings) -> LevelFlights:
    distance = np.arange(NEAREST, max(level.tee_throw, NEAREST + BIN), BIN)
    middle = distance + BIN / 2
    u = np.linspace(0.0, 1.0, SAMPLES)
    shape = u * (1 - u) ** 0.8
    shape /= shape.max()
    left = np.empty((distance.size, len(ARCS), SAMPLES))
    rise = np.empty_like(left)
    apex = np.empty(left.shape[:2])
    for i, arc in enumerate(ARCS):
        left[:, i] = _drift(arc, middle)[:, None] * (u**3 - u)
        if arc.finish == "straight":
            left[:, i] = -_TURN * np.sin(2 * np.pi * u)
        top = np.interp(middle, _APEX_AT, _APEX[arc.height])
        chord = settings.release_height + (settings.end_height - settings.release_height) * _TOP
        rise[:, i] = np.maximum(top - chord, 0)[:, None] * shape
        height = settings.release_height * (1 - u) + settings.end_height * u + rise[:, i]
        apex[:, i] = height.max(1)
    along = np.broadcast_to(u, left.shape).copy()
    return LevelFlights(
        level, distance, ARCS, along, left, rise, apex,
        settings.release_height, settings.end_height,
    )  # fmt: skip


def _drift(arc: Arc, distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sideways drift at the end as a share of the distance, to the left above 0."""
    if arc.wide:
        drift = np.full(distance.shape, _WIDE)
    else:
        drift = np.clip(_FADE * distance, _LEAST_FADE, _MOST_FADE) / distance
    return drift * {"left": 1.0, "right": -1.0, "straight": 0.0}[arc.finish]
