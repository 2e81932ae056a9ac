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

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from lanewright.config import FlightSettings
from lanewright.levels import Level
from lanewright.store import stage

FINISHES = ("straight", "left", "right")
NEAREST = 20.0  # m, shortest throw in the table
BIN = 5.0  # m of distance that share a path
TARGET = 64
"""Node at which a path comes down to the target."""
NODES = 97
GRADE = np.array([-0.20, -0.10, -0.05, 0.0, 0.05, 0.10, 0.20])
"""Slopes of the chord, rise over length, that the table holds."""
APEX_MARGIN = 1.25
"""How much higher than the model a disc may fly. The model of Giljarhus et al. 2022 falls 13 to
17 % short of the throws they logged, and its apexes are unsure by more; 1.25 to 1.5, ours."""

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
    """Throws of one level; the chord is the line from the release to the end over the target.

    Arrays are (bins, grades, arcs) or that and more. Where `exists` is False they hold zeros.
    Nodes 0 to `TARGET` lie at equal steps of the way flown, node `TARGET` is the target, later
    ones fall on beyond it.

    Attributes
    ----------
    level
        Who throws; holds the spread.
    distance
        Shortest chord of each bin [m] (bins,); a bin is `BIN` wide.
    grade
        Slope of the chord at the middle of each class, ascending (grades,).
    arcs
        Shapes of flight (arcs,).
    exists
        Whether any throw of the level gets there that way.
    path
        Along the chord and to its left as shares of its length, and above it [m]
        (bins, grades, arcs, nodes, 3).
    spread
        Change of `path` at the same time for one standard deviation more of launch angle, release
        speed and hyzer (bins, grades, arcs, 3, nodes, 3).
    time, speed
        Since the release [s], and of the disc [m/s] (bins, grades, arcs, nodes).
    apex
        Highest point over the tee's ground [m].
    offset
        Widest distance from the chord, seen from above [m].
    release_speed, release_launch_deg, release_hyzer_deg, release_nose_deg, release_spin
        The throw: speed [m/s], angle of the way over level ground, outer edge down, nose over the
        way, spin [rad/s].
    release_aim_deg
        Way at the release against the chord, left above 0.
    arrival_deg, arrival_turn_deg
        Angle of descent at the target, and heading there against the chord, left above 0.
    skid
        How far the disc slides on after touching level ground [m].
    release, end
        Height of the disc over the ground of the tee and of the end [m].
    scale
        Factor by which the model's lengths are stretched to reach the level's tee throw.
    apex_margin
        Factor on the rise above the chord that a roof must stay clear of.
    """

    level: Level
    distance: NDArray[np.float64]
    grade: NDArray[np.float64]
    arcs: tuple[Arc, ...]
    exists: NDArray[np.bool_]
    path: NDArray[np.float32]
    spread: NDArray[np.float32]
    time: NDArray[np.float32]
    speed: NDArray[np.float32]
    apex: NDArray[np.float32]
    offset: NDArray[np.float32]
    release_speed: NDArray[np.float32]
    release_launch_deg: NDArray[np.float32]
    release_hyzer_deg: NDArray[np.float32]
    release_nose_deg: NDArray[np.float32]
    release_spin: NDArray[np.float32]
    release_aim_deg: NDArray[np.float32]
    arrival_deg: NDArray[np.float32]
    arrival_turn_deg: NDArray[np.float32]
    skid: NDArray[np.float32]
    release: float
    end: float
    scale: float
    apex_margin: float

    def bin_of(self, length: NDArray[np.float64]) -> NDArray[np.int64]:
        """Bin of chords of that length [m]; beyond the table, the nearest one."""
        place = np.floor((np.asarray(length) - self.distance[0]) / BIN).astype(np.int64)
        return np.asarray(np.clip(place, 0, self.distance.size - 1), np.int64)

    def grade_of(
        self, length: NDArray[np.float64], dz: NDArray[np.float64]
    ) -> NDArray[np.int64]:
        """Class of chords that rise `dz` [m] over their length [m]; the nearest one."""
        slope = np.asarray(dz, float) / np.asarray(length, float)
        between = (self.grade[1:] + self.grade[:-1]) / 2
        return np.asarray(np.searchsorted(between, slope), np.int64)

    def mirrored(self) -> LevelFlights:
        """The same throws by the other hand, or the other grip: left and right change places."""
        other = {"left": "right", "right": "left", "straight": "straight"}
        named = [Arc(other[a.finish], a.height, a.wide) for a in self.arcs]
        order = [named.index(arc) for arc in self.arcs]
        by_arc = {
            f.name: getattr(self, f.name)[:, :, order]
            for f in fields(self)
            if getattr(getattr(self, f.name), "ndim", 0) >= 3
        }
        sign = np.array([1, -1, 1], np.float32)
        for name in ("path", "spread"):
            by_arc[name] = by_arc[name] * sign
        for name in ("release_aim_deg", "arrival_turn_deg"):
            by_arc[name] = -by_arc[name]
        return replace(self, **by_arc)

    # The three below serve readers of the first, flat table.

    @property
    def along(self) -> NDArray[np.float32]:
        """Path on level ground up to the target, along the chord (bins, arcs, nodes)."""
        return self.path[:, self._level_ground, :, : TARGET + 1, 0]

    @property
    def left(self) -> NDArray[np.float32]:
        """The same to the left of the chord."""
        return self.path[:, self._level_ground, :, : TARGET + 1, 1]

    @property
    def rise(self) -> NDArray[np.float32]:
        """The same above the chord [m]."""
        return self.path[:, self._level_ground, :, : TARGET + 1, 2]

    @property
    def _level_ground(self) -> int:
        return int(np.abs(self.grade).argmin())


@dataclass(frozen=True)
class Flights:
    """Throws of every level that plays, best players first."""

    levels: tuple[LevelFlights, ...]


@stage("flight", version=2)
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
    shape = distance.size, GRADE.size, len(ARCS)
    u = np.linspace(0.0, 1.0, TARGET + 1)
    bow = u * (1 - u) ** 0.8
    bow /= bow.max()
    path = np.zeros((*shape, NODES, 3))
    path[..., 0] = np.arange(NODES) / TARGET
    apex, offset = np.zeros(shape), np.zeros(shape)
    for i, arc in enumerate(ARCS):
        left = _drift(arc, middle)[:, None] * (u**3 - u)
        if arc.finish == "straight":
            left = -_TURN * np.sin(2 * np.pi * np.broadcast_to(u, (middle.size, u.size)))
        top = np.interp(middle, _APEX_AT, _APEX[arc.height])
        chord = settings.release_height + (settings.end_height - settings.release_height) * _TOP
        rise = np.maximum(top - chord, 0)[:, None] * bow
        path[:, :, i, : TARGET + 1, 1] = left[:, None]
        path[:, :, i, : TARGET + 1, 2] = rise[:, None]
        height = settings.release_height * (1 - u) + settings.end_height * u + rise
        apex[:, :, i] = height.max(1)[:, None]
        offset[:, :, i] = (np.abs(left).max(1) * middle)[:, None]
    beyond = np.arange(1, NODES - TARGET)
    for axis in (0, 1, 2):
        last = path[..., TARGET, axis] - path[..., TARGET - 1, axis]
        path[..., TARGET + 1 :, axis] = path[..., TARGET, None, axis] + last[..., None] * beyond
    spread = np.zeros((*shape, 3, NODES, 3))
    u = path[..., 0]
    spread[..., 0, :, 2] = (
        np.tan(np.radians(level.height_sd_deg)) * u * (1 - u / 2) * middle[:, None, None, None]
    )
    spread[..., 1, :, :] = RANGE_POWER * level.speed_sd * path
    spread[..., 2, :, 1] = np.tan(np.radians(level.hyzer_sd_deg)) * u**3
    speed = level.speed * np.sqrt((middle / level.tee_throw)[:, None, None] * np.ones(shape))
    flat = np.zeros(shape, np.float32)
    aim = np.degrees(np.arctan2(path[..., 1, 1], path[..., 1, 0]))
    down = path[..., TARGET - 1, 2] / ((1 - path[..., TARGET - 1, 0]) * middle[:, None, None])
    turn = np.degrees(np.arctan2(-path[..., TARGET - 1, 1], 1 - path[..., TARGET - 1, 0]))
    return LevelFlights(
        level, distance, GRADE, ARCS, np.ones(shape, bool),
        path.astype(np.float32), spread.astype(np.float32),
        (path[..., 0] * (middle[:, None, None] / speed)[..., None]).astype(np.float32),
        np.broadcast_to(speed[..., None], (*shape, NODES)).astype(np.float32),
        apex.astype(np.float32), offset.astype(np.float32), speed.astype(np.float32),
        flat, flat, flat, (5.2 * speed).astype(np.float32), aim.astype(np.float32),
        np.degrees(np.arctan(down)).astype(np.float32), turn.astype(np.float32), flat,
        settings.release_height, settings.end_height, 1.0, APEX_MARGIN,
    )  # fmt: skip


def _drift(arc: Arc, distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sideways drift at the end as a share of the distance, to the left above 0."""
    if arc.wide:
        drift = np.full(distance.shape, _WIDE)
    else:
        drift = np.clip(_FADE * distance, _LEAST_FADE, _MOST_FADE) / distance
    return drift * {"left": 1.0, "right": -1.0, "straight": 0.0}[arc.finish]
