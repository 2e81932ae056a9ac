"""What a player can throw: a pool of throws flown, and which of them suits a distance and a shape.

A pool holds every mix of speed, climb, hyzer and disc; each throw is followed once and read where
it comes down through chords of several slopes. For each distance, slope and shape one throw is
chosen:

- Any throw must arrive no faster than `FASTEST` and come down onto its chord by `STEEPEST_GLIDE` or
  more: it is meant to stop at the target, not to pass it.
- Straight: it swings out no more than `STRAIGHT_SWING` of the distance to either side, and its
  heading at the target is within `STRAIGHT_TURN` of the chord.
- Left: its heading at the target is `LEAST_TURN` or more to the left, it comes from the right, and
  it swings out `LEAST_SWING` or more. Right mirrors that.
- Usual height: of the straight ones that with the least swing and an apex nearest to what designers
  quote, of the others that with a swing nearest to `USUAL_SWING` and such an apex.
- Low: the lowest apex.
- Wide: the widest swing, no higher than `HIGHEST` times the usual apex, and no wider than the
  widest throw logged.
- Each time, players take what forgives: a throw that goes less astray when its launch, speed or
  hyzer is a little off.

Limits are ours but where a source is given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Floats
from lanewright.flight.aerodynamics import GRAVITY, WIND_HEIGHT, Disc, golf_disc, wind_profile
from lanewright.kernels import fly
from lanewright.settings.levels import SPIN_PER_SPEED

STEP = 0.02  # s, of the table's flights
COARSE = 0.04  # s, of the pool's

SPEEDS = np.r_[0.4:0.79:0.05, 0.8:1.001:0.025]
"""Shares of the level's release speed; closer where few throws get there."""
MOST = 1.02  # share of it that a throw may have after all to reach its distance
LAUNCHES = np.arange(-10.0, 33.0, 2.0)  # degrees of climb
HYZERS = np.arange(-30.0, 41.0, 5.0)  # degrees, outer edge down

FASTEST = 15.0  # m/s
STEEPEST_GLIDE = 4.0  # degrees
STRAIGHT_SWING, STRAIGHT_TURN = 0.04, 25.0  # share of the distance, degrees
LEAST_TURN, LEAST_SWING, USUAL_SWING = 20.0, 0.04, 0.08
WIDEST = 20.3 / 90.9
"""Swing as a share of the distance of the widest throw logged by Giljarhus et al. 2022."""
HIGHEST = 1.5
SWING_STEP, APEX_STEP = 0.02, 0.5
"""Share of the distance and metres that count alike; as much as going astray by what the level's
aim does."""

_APEX_AT = (20.0, 61.0, 91.0, 107.0, 137.0)  # m
_APEX = (2.3, 3.8, 4.85, 6.0, 8.5)
"""Apex over the tee [m]: in the middle of what designers quote, from memory (3 to 4.6 m for 61 m,
3.7 to 6 m for 91 m, 6 to 11 m for 107 to 137 m); for 20 m ours."""


@dataclass(frozen=True)
class Conditions:
    """Air and discs as the kernels read them.

    Attributes
    ----------
    tables
        Coefficients (discs, angles, 3), a row per degree.
    discs
        Factors of lift and of turning (discs, 2).
    air
        See `kernels.fly`.
    published_turn
        Factor of turning by the law ``M / (spin (Iz - Ixy))`` of Giljarhus et al. 2022 (discs,);
        `discs` has that of a rigid body, ``M / (spin Iz)``, half as much for a flat disc.
    """

    tables: Floats
    discs: Floats
    air: Floats
    published_turn: Floats


def conditions(
    names: tuple[str, ...],
    *,
    density: float,
    release: float = 0.0,
    wind: tuple[float, float] = (0.0, 0.0),
    wind_height: float = WIND_HEIGHT,
    gravity: float = GRAVITY,
) -> Conditions:
    """Air and discs for the kernels.

    Parameters
    ----------
    names
        Discs.
    density
        Of the air [kg/m3].
    release
        Height of the release over the ground [m]; matters to wind only.
    wind
        Ahead and to the left at `wind_height` [m/s].
    wind_height
        Height the wind is stated for [m].
    gravity
        [m/s2].
    """
    chosen = [golf_disc(name) for name in names]

    def factors(disc: Disc) -> tuple[float, float, float]:
        lift = density * disc.area / (2 * disc.mass)
        turn = lift * disc.diameter
        return lift, turn / disc.inertia_spin, turn / (disc.inertia_spin - disc.inertia_across)

    of_each = np.array([factors(disc) for disc in chosen])

    angles = np.arange(fly.FIRST_ANGLE, 31.0)
    roughness, per_log = wind_profile(wind_height)
    return Conditions(
        np.stack([np.stack(disc.coefficients(angles), 1) for disc in chosen]),
        np.ascontiguousarray(of_each[:, :2]),
        np.array([gravity, *wind, release, roughness, per_log]),
        of_each[:, 2],
    )


UNSURE_LAW = 0.5
"""Share of the way from the rigid body's law of turning to the published one that is one standard
deviation; ours: the published one lies at two."""

UNSURE_SPIN = 0.08
"""One standard deviation of the spin as a share of it: three throws logged by Giljarhus et al. 2022
had 5.6, 5.3 and 6.0 rad/s for each m/s, where their rule has 5.2."""

UNSURE_AIR = 0.1
"""The same of all coefficients of the air together; ours: computed flow, no disc of the four was
measured, and the model falls 10 to 13 % short of the three throws."""


def unsure_of(where: Conditions) -> tuple[Conditions, Conditions, Conditions]:
    """Conditions one standard deviation off: law of turning, spin (the throw's own), air."""
    law, air = where.discs.copy(), where.discs.copy()
    law[:, 1] += UNSURE_LAW * (where.published_turn - where.discs[:, 1])
    air *= 1 + UNSURE_AIR
    return replace(where, discs=law), where, replace(where, discs=air)


def pool(
    speeds: Floats, discs: int, launches: Floats = LAUNCHES, hyzers: Floats = HYZERS
) -> Floats:
    """Every mix of speeds, climbs, hyzers and discs, nose along the way (throws, 6)."""
    mix = np.meshgrid(speeds, launches, hyzers, np.arange(discs), indexing="ij")
    speed, launch, hyzer, disc = (m.ravel() for m in mix)
    return np.column_stack(
        [speed, launch, np.zeros_like(speed), hyzer, SPIN_PER_SPEED * speed, disc]
    )


def arrivals(throws: Floats, where: Conditions, chords: Floats, step: float = STEP) -> Floats:
    """What is known of throws where they come down through chords; see `kernels.fly.arrivals`.

    `chords` are slopes (chords,) for all, or (throws, chords); the lowest comes first.
    """
    each = np.array(np.broadcast_to(chords, (len(throws), chords.shape[-1])), order="C")
    facts = np.empty((*each.shape, fly.FACTS))
    fly.arrivals(throws, where.tables, where.discs, where.air, step, each, facts)
    return facts


def swing(facts: Floats) -> Floats:
    """Widest distance from the chord as a share of the distance."""
    return np.maximum(facts[..., fly.LEFT], facts[..., fly.RIGHT]) / facts[..., fly.REACH]


def usual_apex(distance: Floats) -> Floats:
    """Apex over the tee on level ground that designers quote for distances [m]."""
    return np.interp(distance, _APEX_AT, _APEX)


def fit_to_throw(facts: Floats, chords: Floats) -> NDArray[np.bool_]:
    """Whether throws come down onto their chord as one does that is meant to stop there."""
    glide = facts[..., fly.DESCENT] + np.degrees(np.arctan(chords))
    with np.errstate(invalid="ignore"):
        return np.asarray((facts[..., fly.ARRIVAL] <= FASTEST) & (glide >= STEEPEST_GLIDE))


def straight(facts: Floats) -> NDArray[np.bool_]:
    """Whether throws fly straight and finish so."""
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (swing(facts) <= STRAIGHT_SWING) & (np.abs(facts[..., fly.TURN]) <= STRAIGHT_TURN)
        )


def left(facts: Floats) -> NDArray[np.bool_]:
    """Whether throws finish to the left."""
    out = swing(facts)
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (facts[..., fly.TURN] >= LEAST_TURN)
            & (facts[..., fly.RIGHT] > facts[..., fly.LEFT])
            & (out >= LEAST_SWING)
            & (out <= WIDEST)
        )


def mirrored(facts: Floats) -> Floats:
    """The same for throws by the other hand or grip."""
    other = facts.copy()
    other[..., [fly.AZIMUTH, fly.TURN]] *= -1
    other[..., [fly.LEFT, fly.RIGHT]] = facts[..., [fly.RIGHT, fly.LEFT]]
    return other


def suits(facts: Floats, finish: str, chords: Floats) -> NDArray[np.bool_]:
    """Whether throws finish straight, or to the left, and stop at the target."""
    shaped = straight(facts) if finish == "straight" else left(facts)
    return np.asarray(shaped & fit_to_throw(facts, chords))


def wander(throws: Floats, facts: Floats, sds: tuple[float, float, float]) -> Floats:
    """How far to the side throws of a pool go astray by their own errors [degrees], one sd.

    Parameters
    ----------
    throws, facts
        A whole pool and what is known of it (throws, chords, facts).
    sds
        Standard deviations of launch angle [degrees], speed as a share of it, and hyzer [degrees].

    Returns
    -------
    ndarray
        (throws, chords): infinite where a throw a little off does not arrive.
    """
    axes = [np.unique(throws[:, column]) for column in (fly.SPEED, fly.LAUNCH, fly.HYZER)]
    shape = *(axis.size for axis in axes), -1, facts.shape[1]
    azimuth = facts[..., fly.AZIMUTH].reshape(shape)
    launch, speed, hyzer = sds
    square = np.zeros(azimuth.shape)
    for i, axis in enumerate(axes):
        if axis.size < 2:
            continue
        per_unit = np.gradient(azimuth, axis, axis=i)
        sd = (speed * axis[:, None, None, None, None], launch, hyzer)[i]
        square += (per_unit * sd) ** 2
    return np.nan_to_num(np.sqrt(square), nan=np.inf).reshape(facts.shape[:2])


def cost(
    facts: Floats,
    finish: str,
    height: str,
    wide: bool,
    apex: Floats,
    usual: Floats,
    astray: Floats,
) -> Floats:
    """How badly throws that suit a finish suit a shape; infinite where they are too high for it.

    Parameters
    ----------
    facts
        Of throws that finish straight, or to the left (throws, facts).
    finish, height, wide
        The shape.
    apex
        Height over the tee's ground, less what the chord climbs [m] (throws,).
    usual
        The same that designers quote [m] (throws,).
    astray
        How far they wander, in the level's standard deviations of aim (throws,).
    """
    off, over = swing(facts) / SWING_STEP, (apex - usual) / APEX_STEP
    if height == "low":
        return np.asarray(over + astray)
    if wide:
        return np.where(apex <= HIGHEST * usual, astray - off, np.inf)
    off = off - (0.0 if finish == "straight" else USUAL_SWING / SWING_STEP)
    return np.asarray(off**2 + over**2 + astray**2)
