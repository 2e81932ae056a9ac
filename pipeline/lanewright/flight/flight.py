"""Throws of a level as a table: for each distance, slope and shape the throw that gets there.

Throws are flown as rigid bodies (kernels.fly) with published coefficients of golf discs
(aerodynamics), chosen out of everything a player can throw (repertoire), brought to the very
distance by their speed, and flown again a little off to tell how the level's throws spread. A path
is given relative to its chord, the straight line from the disc's release over the tee to its end
over the target.

The model falls short of real throws (`LevelFlights.scale`): lengths and times are stretched by one
factor per level so that its farthest straight throw in standard air is the level's tee throw;
speeds and angles stay.

Discs turn as spinning rigid bodies do, by M / (spin Iz), as a full rigid body with six degrees of
freedom does (tests). The publication of the coefficients has M / (spin (Iz - Ixy)), twice as fast
for a flat disc. Beside three throws logged there (distance, drift at the end, time):

    logged     90.9 m  -4.5 m  5.9 s    89.9 m  17.6 m  5.7 s    108.8 m   6.4 m  6.4 s
    ours       82.1   -13.8    4.6      78.2     6.5    4.4       98.3    11.2    5.2
    published  78.2   -15.7    4.4      73.6     4.0    4.1       91.5     7.7    4.7

Ours is nearer in distance and time on all three and in drift on two. On flights worked with the
published law ours goes 1 to 11 % farther with stable discs (driver 1 to 7 %) and lands 1 to 5 m
farther left; discs that turn over under that law fly straight under ours. Which is right nobody
has measured, so the table holds what a law half way to the published one, another spin or other
coefficients would change (`LevelFlights.unsure`), and throws draw from it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.errors import InputError
from lanewright.flight import repertoire
from lanewright.flight.aerodynamics import GRAVITY, SEA_LEVEL_DENSITY, air_density
from lanewright.flight.repertoire import Conditions
from lanewright.kernels import fly, march
from lanewright.settings.flight import FlightSettings
from lanewright.settings.levels import Level
from lanewright.store import stage

FINISHES = ("straight", "left", "right")
NEAREST = 20.0  # m, shortest throw in the table
BIN = 5.0  # m of distance that share a path
TARGET = 64
"""Node at which a path comes down to the target."""
NODES = 97
FALL = 15.0  # m below the target to which paths go on
GRADE = np.array([-0.20, -0.10, -0.05, 0.0, 0.05, 0.10, 0.20])
"""Slopes of the chord, rise over length, that the table holds."""

TURNS = 6
"""How many throws are tried before a shape is said not to exist."""
CLOSE = 1e-4
"""How near the target a throw must come down [m]."""

LEAST_SCALE, MOST_SCALE = 0.6, 1.6
"""Tee throws shorter or longer than this share of the model's are mistakes; ours."""

GAP_AT = 0.785
"""Share of the tee throw where a wooded hole's gap is taken to be: 91, 79, 67, 55 and 43 m (300,
260, 220, 180 and 140 ft) of the tee throws of our five levels."""

LEAST_SD = 0.5  # degrees of aim, for players who never miss

FRICTION = 0.7
"""Of a disc sliding on mown grass; ours: discs that come in flat slide 3 to 6 m."""

RANGE_POWER = 1.59
"""Distance goes with speed to this power: ln(155/91) / ln(31.3/22.4), from radar figures cited in
an open note on flight simulation (22.4 m/s for 91 m, 31.3 m/s for 155 m)."""


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
    unsure
        Change of `path` at the same share of the way for one standard deviation of what the model
        is unsure of: law of turning, spin and coefficients of the air; shaped like `spread`.
    time, speed
        Since the release [s], and of the disc [m/s] (bins, grades, arcs, nodes).
    apex
        Highest point over the tee's ground [m], on a chord of that slope.
    offset
        Widest distance from the chord, seen from above [m].
    release_speed, release_launch_deg, release_hyzer_deg, release_nose_deg, release_spin
        The throw: speed [m/s], angle of the way over level ground, outer edge down, nose over the
        way, spin [rad/s].
    release_disc
        Index into `discs`.
    release_mirrored
        Whether it is thrown with the other hand or the other grip than a right-handed backhand.
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
    discs
        Names, as in `aerodynamics`.
    farthest
        Farthest straight throw [m] on each slope with each share of the level's speed
        (grades, shares); ascending along the shares.
    aim_sd_deg
        Spread of the direction that a throw is aimed in: what is left of the level's sideways
        spread once the errors of launch, speed and hyzer are flown.
    """

    level: Level
    distance: NDArray[np.float64]
    grade: NDArray[np.float64]
    arcs: tuple[Arc, ...]
    exists: NDArray[np.bool_]
    path: NDArray[np.float32]
    spread: NDArray[np.float32]
    unsure: NDArray[np.float32]
    time: NDArray[np.float32]
    speed: NDArray[np.float32]
    apex: NDArray[np.float32]
    offset: NDArray[np.float32]
    release_speed: NDArray[np.float32]
    release_launch_deg: NDArray[np.float32]
    release_hyzer_deg: NDArray[np.float32]
    release_nose_deg: NDArray[np.float32]
    release_spin: NDArray[np.float32]
    release_disc: NDArray[np.int8]
    release_mirrored: NDArray[np.bool_]
    release_aim_deg: NDArray[np.float32]
    arrival_deg: NDArray[np.float32]
    arrival_turn_deg: NDArray[np.float32]
    skid: NDArray[np.float32]
    release: float
    end: float
    scale: float
    apex_margin: float
    discs: tuple[str, ...]
    farthest: Floats
    aim_sd_deg: float = 0.0

    def bin_of(self, length: NDArray[np.float64]) -> NDArray[np.int64]:
        """Bin of chords of that length [m]; beyond the table, the nearest one."""
        place = np.floor((np.asarray(length) - self.distance[0]) / BIN).astype(np.int64)
        return np.asarray(np.clip(place, 0, self.distance.size - 1), np.int64)

    def grade_of(self, length: NDArray[np.float64], dz: NDArray[np.float64]) -> NDArray[np.int64]:
        """Class of chords that rise `dz` [m] over their length [m]; the nearest one."""
        slope = np.asarray(dz, float) / np.maximum(np.asarray(length, float), 1e-6)
        between = (self.grade[1:] + self.grade[:-1]) / 2
        return np.asarray(np.searchsorted(between, slope), np.int64)

    def strays(self, distance: float, length: float) -> float:
        """How far straight throws stray sideways, one standard deviation [m].

        Parameters
        ----------
        distance, length
            Where they have come along the chord, and its length [m]; level ground.

        Raises
        ------
        ValueError
            If the level has no straight throw so long.
        """
        shape = Arc("straight", "usual")
        place = int(self.bin_of(np.array(length))), self._level_ground, self.arcs.index(shape)
        if not self.exists[place]:
            raise ValueError(f"{self.level.name} has no straight throw of {length:g} m")
        path = self.path[place][: TARGET + 1].astype(float)
        change = self.spread[place][:, : TARGET + 1].astype(float)
        # At one place along the chord: what comes later or earlier counts by the path's slope
        slope = np.gradient(path[:, 1], path[:, 0])
        aside = (change[..., 1] - slope * change[..., 0]) * length
        flown = [np.interp(distance / length, path[:, 0], one) for one in aside]
        aim = distance * np.tan(np.radians(self.aim_sd_deg))
        return float(np.sqrt(np.sum(np.square(flown)) + aim**2))

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
        for name in ("path", "spread", "unsure"):
            by_arc[name] = by_arc[name] * sign
        for name in ("release_aim_deg", "arrival_turn_deg"):
            by_arc[name] = -by_arc[name]
        by_arc["release_mirrored"] = by_arc["exists"] & ~by_arc["release_mirrored"]
        return replace(self, **by_arc)

    def plays_like(self, length: Floats, dz: Floats) -> Floats:
        """Length on level ground [m] that asks for the same release speed as a leg that climbs.

        The speed is held; climb, hyzer and disc are those that go farthest straight with it on each
        slope, as a player picks another throw for a hill.

        Parameters
        ----------
        length, dz
            Level distance and climb from tee to end [m].

        Notes
        -----
        By the farthest straight throw with each speed on each slope; beyond the steepest slopes of
        the table it goes on at the same rate, beyond the farthest throw in proportion.
        """
        length, slope = np.asarray(length, float), np.asarray(dz, float) / np.asarray(length, float)
        level = self.farthest[self._level_ground]
        factor = np.stack([np.interp(length, far, level / far) for far in self.farthest])
        low = np.clip(np.searchsorted(self.grade, slope) - 1, 0, self.grade.size - 2)
        each = np.arange(length.size).reshape(length.shape)
        flat = factor.reshape(self.grade.size, -1)
        below, above = flat[low, each], flat[low + 1, each]
        share = (slope - self.grade[low]) / (self.grade[low + 1] - self.grade[low])
        return np.asarray(length * np.maximum(below + share * (above - below), 0.0))

    @property
    def _level_ground(self) -> int:
        return int(np.abs(self.grade).argmin())


@dataclass(frozen=True)
class Flights:
    """Throws of every level that plays, best players first."""

    levels: tuple[LevelFlights, ...]


@stage("flight", version=5)
def fly_throws(
    levels: tuple[Level, ...],
    settings: FlightSettings,
    *,
    elevation: float = 0.0,
    threads: int = 1,
) -> Flights:
    """Make the table of throws for each level, from `NEAREST` to its controlled tee throw.

    Parameters
    ----------
    levels
        Who plays.
    settings
        The section `flight` of the configuration.
    elevation
        Of the property over the sea [m].
    threads
        For the kernels; the result is the same for any number.
    """
    before = numba.get_num_threads()
    numba.set_num_threads(min(max(threads, 1), march.threads()))
    try:
        flights = tuple(_throws_of(level, settings, elevation) for level in levels)
    finally:
        numba.set_num_threads(before)
    left_handed = settings.hand == "left"
    if settings.grips != "both" and left_handed != (settings.grips == "forehand"):
        flights = tuple(f.mirrored() for f in flights)
    return Flights(flights)


def elevation_of(surface: NDArray[np.float32]) -> float:
    """Median height of a ground surface to 10 m: the air does not tell finer; 0 where all void."""
    known = surface[::4, ::4][np.isfinite(surface[::4, ::4])]
    return float(np.round(np.median(known), -1)) if known.size else 0.0


@lru_cache(maxsize=8)
def _throws_of(level: Level, settings: FlightSettings, elevation: float) -> LevelFlights:
    """Table of one level; kept in the process, where parcels of a ranking ask for the same."""
    here = repertoire.conditions(
        settings.discs,
        density=air_density(elevation, settings.temperature_c),
        release=settings.release_height,
        wind=(settings.tail_wind_mps, 0.0),
        wind_height=settings.wind_height,
    )
    scale = _scale(level, settings.discs)
    throws = repertoire.pool(level.speed * repertoire.SPEEDS, len(settings.discs))
    facts = repertoire.arrivals(throws, here, GRADE, repertoire.COARSE)
    distance = np.arange(NEAREST, level.tee_throw, BIN)
    upper = np.minimum(distance + BIN, level.tee_throw)
    reach = (distance + upper) / 2 / scale
    astray = repertoire.wander(
        throws, facts, (level.height_sd_deg, level.speed_sd, level.hyzer_sd_deg)
    ) / max(level.lateral_sd_deg, LEAST_SD)
    choice = _choice(facts, astray, distance, upper, scale, settings)
    thrown, exists, flipped = _settled(choice, throws, here, reach, level.speed)
    found = np.nonzero(exists)
    table = _table(
        level,
        settings,
        here,
        scale,
        distance,
        _Chosen(found, thrown[found], flipped[found]),
        _farthest(throws, facts) * scale,
    )
    table = replace(table, aim_sd_deg=_aim_left(table))
    if settings.grips == "both":
        table = _with_mirror_images(table)
    for field in fields(table):
        value = getattr(table, field.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)  # who asks next has the same
    return table


def _aim_left(table: LevelFlights) -> float:
    """Spread of aim [degrees] that makes flown throws stray as far as the level's table says.

    At the usual gap of a wooded hole on the longest straight throw; none where the errors of
    launch, speed and hyzer alone make them stray as far or farther.
    """
    arc = ARCS.index(Arc("straight", "usual"))
    there = np.flatnonzero(table.exists[:, int(np.abs(GRADE).argmin()), arc])
    if not there.size:
        return table.level.lateral_sd_deg
    gap = GAP_AT * table.level.tee_throw
    length = min(float(table.distance[there[-1]]) + BIN / 2, table.level.tee_throw)
    left = float(table.level.sideways(gap)) ** 2 - table.strays(gap, max(length, gap)) ** 2
    return float(np.degrees(np.arctan(np.sqrt(max(left, 0.0)) / gap)))


def _with_mirror_images(table: LevelFlights) -> LevelFlights:
    """The table with every throw that finishes left thrown to the right as well."""
    other = table.mirrored()
    right = [i for i, arc in enumerate(ARCS) if arc.finish == "right"]
    for field in fields(table):
        value = getattr(table, field.name)
        if getattr(value, "ndim", 0) >= 3:
            value[:, :, right] = getattr(other, field.name)[:, :, right]
    return table


def _scale(level: Level, discs: tuple[str, ...]) -> float:
    """Tee throw over the model's farthest straight throw on level ground in standard air.

    Raises
    ------
    InputError
        If no disc flies so far, or so short, at the level's speed.
    """
    standard = repertoire.conditions(discs, density=SEA_LEVEL_DENSITY)
    throws = repertoire.pool(np.array([level.speed]), len(discs))
    facts = repertoire.arrivals(throws, standard, np.zeros(1), repertoire.COARSE)[:, 0]
    far = facts[repertoire.suits(facts, "straight", np.zeros(1)), fly.REACH].max(initial=0.0)
    if not far * LEAST_SCALE <= level.tee_throw <= far * MOST_SCALE:
        raise InputError(
            f"level {level.name}",
            f"a disc released at {level.speed:g} m/s flies some {far:.0f} m, its tee throw cannot "
            f"be {level.tee_throw:g} m",
            "Mend one of the two in the table of levels, or take other discs.",
        )
    return float(level.tee_throw / far)


def _farthest(throws: Floats, facts: Floats) -> Floats:
    """Farthest straight throw of the model on each slope with each speed (grades, speeds)."""
    reach = np.where(repertoire.suits(facts, "straight", GRADE), facts[..., fly.REACH], 0.0)
    speeds = np.unique(throws[:, fly.SPEED])
    far = np.stack([reach[throws[:, fly.SPEED] == speed].max(0) for speed in speeds], 1)
    # Even where no throw suits they ascend, as interpolation asks
    return np.maximum.accumulate(np.maximum(far, 1e-3 * np.arange(1, speeds.size + 1)), axis=1)


def _choice(
    facts: Floats,
    astray: Floats,
    nearest: Floats,
    farthest: Floats,
    scale: float,
    settings: FlightSettings,
) -> Ints:
    """The best throws of the pool for each bin, grade and arc, best first (..., `TURNS`).

    Twice the row in the pool, and 1 more where it is mirrored; -1 for none.
    """
    chosen = np.full((nearest.size, GRADE.size, len(ARCS), TURNS), -1, np.int64)
    usual = repertoire.usual_apex((nearest + farthest) / 2)
    both = facts, repertoire.mirrored(facts)
    for a, arc in enumerate(ARCS):
        # What finishes to the right is weighed as its mirror image, which finishes to the left.
        mirror = arc.finish == "right"
        sides = [False]
        if settings.grips == "both" and arc.finish == "left":
            sides = [False, True]
        elif settings.grips == "both" and mirror:
            continue  # mirror images of the left ones
        for g in range(GRADE.size):
            rows, prices, reach = [], [], []
            for flipped in sides:
                seen = both[int(flipped != mirror)][:, g]
                row = np.flatnonzero(repertoire.suits(seen, arc.finish, GRADE[g]))
                rows.append(2 * row + int(flipped))
                reach.append(scale * seen[row, fly.REACH])
                apex = settings.release_height + scale * seen[row, fly.BULGE]
                aim = np.interp(reach[-1], (nearest + farthest) / 2, usual)
                prices.append(
                    repertoire.cost(
                        seen[row], arc.finish, arc.height, arc.wide, apex, aim, astray[row, g]
                    )
                )
            every, price, far = (np.concatenate(part) for part in (rows, prices, reach))
            order = np.lexsort((np.arange(every.size), price))
            order = order[np.isfinite(price[order])]
            for b in range(nearest.size):
                within = (far[order] >= nearest[b]) & (far[order] < farthest[b] + 1e-9)
                best = every[order[within][:TURNS]]
                chosen[b, g, a, : best.size] = best
    return chosen


def _settled(
    choice: Ints, throws: Floats, where: Conditions, reach: Floats, speed: float
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """The throw of each bin, grade and arc, whether there is any, and whether it is mirrored.

    A throw brought to the very distance may lose its shape; then the next best has its turn. Where
    none is left, one of the pool stands that lands within the bin.
    """
    shape = choice.shape[:-1]
    thrown = np.zeros((*shape, throws.shape[1]))
    exists, flipped = np.zeros(shape, bool), np.zeros(shape, bool)
    straight = np.array([arc.finish == "straight" for arc in ARCS])
    right = np.array([arc.finish == "right" for arc in ARCS])
    for turn in range(2 * TURNS):
        rank = turn % TURNS
        place = np.nonzero((choice[..., rank] >= 0) & ~exists)
        if not place[0].size:
            continue
        best, chords = choice[place][:, rank], GRADE[place[1]]
        mirror, tried = best % 2 == 1, throws[best // 2]
        meets = np.ones(best.size, bool)
        if turn < TURNS:
            tried, off = _at_distance(
                tried, where, chords, reach[place[0]], repertoire.MOST * speed
            )
            meets = np.abs(off) <= CLOSE
        flown = repertoire.arrivals(tried, where, chords[:, None])[:, 0]
        as_left = np.where((mirror != right[place[2]])[:, None], repertoire.mirrored(flown), flown)
        meets &= np.where(
            straight[place[2]],
            repertoire.suits(flown, "straight", chords),
            repertoire.suits(as_left, "left", chords),
        )
        fits = tuple(axis[meets] for axis in place)
        thrown[fits], flipped[fits], exists[fits] = tried[meets], mirror[meets], True
    return thrown, exists, flipped


def _at_distance(
    throws: Floats, where: Conditions, chords: Floats, reach: Floats, fastest: float
) -> tuple[Floats, Floats]:
    """Throws brought to a distance by their speed, and how far they miss it [m]."""
    throws = throws.copy()
    per_speed = throws[:, fly.SPIN] / throws[:, fly.SPEED]

    def miss(speed: Floats, which: Ints) -> Floats:
        throws[which, fly.SPEED] = speed
        throws[which, fly.SPIN] = per_speed[which] * speed
        facts = repertoire.arrivals(throws[which], where, chords[which, None])
        return np.asarray(facts[:, 0, fly.REACH] - reach[which])

    every = np.arange(len(throws))
    before = throws[:, fly.SPEED].copy()
    off_before = miss(before, every)
    now = np.minimum(before - 0.6 * before * off_before / reach, fastest)
    off = miss(now, every)
    for _ in range(8):
        # Secant; those that are there, or lost, stay
        which = np.flatnonzero(np.abs(off) > CLOSE)
        rise = (off[which] - off_before[which]) / (now[which] - before[which] + 1e-12)
        rise = np.where(rise > 0, rise, reach[which] / now[which])
        ahead = now[which] - off[which] / rise
        before[which], off_before[which] = now[which], off[which]
        now[which] = np.clip(ahead, 0.9 * now[which], np.minimum(1.1 * now[which], fastest))
        off[which] = miss(now[which], which)
    return throws, off


@dataclass(frozen=True)
class _Course:
    """Where throws are read along their chords; arrays (throws,) unless said.

    `chords` are slopes, `side` is -1 for mirrored throws, `facts` those of `kernels.fly` at the
    chord, `times` (throws, nodes).
    """

    chords: Floats
    side: Floats
    facts: Floats
    times: Floats
    scale: float

    def laid(self, thrown: Floats, where: Conditions) -> tuple[Floats, Floats]:
        """Paths of throws relative to the chords (throws, nodes, 3), and speeds."""
        states = np.empty((*self.times.shape, 6))
        fly.positions(
            thrown, where.tables, where.discs, where.air, repertoire.STEP, self.times, states
        )
        x, y, z = (states[..., i] for i in range(3))
        azimuth = np.radians(self.facts[:, fly.AZIMUTH])[:, None]
        along = x * np.cos(azimuth) + y * np.sin(azimuth)
        left = self.side[:, None] * (y * np.cos(azimuth) - x * np.sin(azimuth))
        reach = self.facts[:, fly.REACH, None]
        height = (z - self.chords[:, None] * along) * self.scale
        path = np.stack([along / reach, left / reach, height], -1)
        return path, np.linalg.norm(states[..., 3:], axis=-1)


def _course_of(
    throws: Floats, chords: Floats, side: Floats, where: Conditions, scale: float
) -> _Course:
    facts = repertoire.arrivals(throws, where, chords[:, None])[:, 0]
    times = np.empty((len(throws), NODES))
    fly.node_times(
        throws,
        where.tables,
        where.discs,
        where.air,
        repertoire.STEP,
        chords,
        fly.Nodes(TARGET, FALL / scale),
        times,
    )
    return _Course(chords, side, facts, times, scale)


def _unsure(
    throws: Floats, speed: float, course: _Course, where: Conditions, path: Floats
) -> Floats:
    """Change of paths for one standard deviation of what the model is unsure of.

    Law of turning, spin, and coefficients of the air (throws, 3, nodes, 3). Players aim at the
    target whatever the model says, so a throw that would miss it is brought back to it by its speed
    and its direction; what changes is the way there. None where it cannot be brought back.
    """
    out = np.zeros((len(throws), 3, NODES, 3))
    reach = course.facts[:, fly.REACH]
    for i, changed in enumerate(repertoire.unsure_of(where)):
        tried = throws.copy()
        if i == 1:
            tried[:, fly.SPIN] *= 1 + repertoire.UNSURE_SPIN
        tried, off = _at_distance(tried, changed, course.chords, reach, 1.2 * speed)
        there = np.abs(off) <= CLOSE
        other = _course_of(tried, course.chords, course.side, changed, course.scale)
        moved = other.laid(tried, changed)[0]
        moved[:, 0], moved[:, TARGET] = path[:, 0], path[:, TARGET]
        out[there, i] = moved[there] - path[there]
    return out


class _Chosen(NamedTuple):
    """Throws of a table: their bins, grades and arcs, what they are, and which are mirrored."""

    found: tuple[Ints, ...]
    throws: Floats
    flipped: Flags


def _table(
    level: Level,
    settings: FlightSettings,
    where: Conditions,
    scale: float,
    distance: Floats,
    chosen: _Chosen,
    farthest: Floats,
) -> LevelFlights:
    """Fly the chosen throws, and each a little off, and lay them along their chords."""
    found, throws, flipped = chosen
    shape = distance.size, GRADE.size, len(ARCS)
    course = _course_of(throws, GRADE[found[1]], np.where(flipped, -1.0, 1.0), where, scale)
    path, speed = course.laid(throws, where)
    path[:, 0], path[:, TARGET] = 0.0, (1.0, 0.0, 0.0)
    spread = np.empty((len(throws), 3, NODES, 3))
    for i, one_sd in enumerate(_off_by_one_sd(throws, level)):
        more, less = (course.laid(throws + sign * one_sd, where)[0] for sign in (1, -1))
        spread[:, i] = (more - less) / 2

    def placed(values: NDArray[Any], kind: type = np.float32) -> NDArray[Any]:
        out = np.zeros((*shape, *values.shape[1:]), kind)
        out[found] = values
        return out

    descent, arrival = course.facts[:, fly.DESCENT], course.facts[:, fly.ARRIVAL]
    return LevelFlights(
        level=level,
        distance=distance,
        grade=GRADE,
        arcs=ARCS,
        exists=placed(np.ones(len(throws), bool), bool),
        path=placed(path),
        spread=placed(spread),
        unsure=placed(_unsure(throws, level.speed, course, where, path)),
        time=placed(course.times * scale),
        speed=placed(speed),
        apex=placed(settings.release_height + scale * course.facts[:, fly.TOP]),
        offset=placed(scale * np.maximum(course.facts[:, fly.LEFT], course.facts[:, fly.RIGHT])),
        release_speed=placed(throws[:, fly.SPEED]),
        release_launch_deg=placed(throws[:, fly.LAUNCH]),
        release_hyzer_deg=placed(throws[:, fly.HYZER]),
        release_nose_deg=placed(throws[:, fly.NOSE]),
        release_spin=placed(throws[:, fly.SPIN]),
        release_disc=placed(throws[:, fly.DISC], np.int8),
        release_mirrored=placed(flipped, bool),
        release_aim_deg=placed(-course.side * course.facts[:, fly.AZIMUTH]),
        arrival_deg=placed(descent),
        arrival_turn_deg=placed(course.side * course.facts[:, fly.TURN]),
        skid=placed(skid(arrival, descent)),
        release=settings.release_height,
        end=settings.end_height,
        scale=scale,
        apex_margin=settings.apex_margin,
        discs=settings.discs,
        farthest=farthest,
    )


def _off_by_one_sd(throws: Floats, level: Level) -> tuple[Floats, Floats, Floats]:
    """What one standard deviation adds to throws: of launch angle, speed and hyzer."""
    launch, speed, hyzer = (np.zeros_like(throws) for _ in range(3))
    launch[:, fly.LAUNCH] = level.height_sd_deg
    # Who throws faster spins it more
    for column in (fly.SPEED, fly.SPIN):
        speed[:, column] = level.speed_sd * throws[:, column]
    hyzer[:, fly.HYZER] = level.hyzer_sd_deg
    return launch, speed, hyzer


def skid(speed: Floats, descent_deg: Floats) -> Floats:
    """How far a disc slides on level ground [m] that lands at a speed [m/s] and an angle.

    The ground takes what goes down, and friction meanwhile its share of that from what goes on;
    friction then slows the slide. No bounce, no roll.
    """
    angle = np.radians(np.asarray(descent_deg))
    on = np.maximum(speed * (np.cos(angle) - FRICTION * np.sin(np.maximum(angle, 0))), 0)
    return np.asarray(on**2 / (2 * FRICTION * GRAVITY))
