"""What else may stand on the land: whole worlds that the survey allows, and the band they give.

A clear rate is computed through the density that is expected everywhere. The land is one of many
that would have sent the same pulses back. A dozen of them are drawn; in each

- twigs are thicker or thinner than assumed, or density is off, everywhere at once: `DENSITY`;
- growth reaches a cell farther into the open, or less far: a wall lies somewhere in the cell in
  which it was found;
- each stem stands or does not, by its chance, and there are more or fewer of them: `STEMS`;
- what was never searched is open, is as expected, or is as the mean of what was searched;
- stems too thin for lidar stand under the canopy, from none to as many as the setting says.

The same throws are made in every world, all at once. The band runs from the 5th to the 95th
percentile of their clear rates, and is wider by the standard error of the throws. It says nothing
of flight or wind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lanewright.base.arrays import Floats
from lanewright.flight.flight import LevelFlights
from lanewright.kernels import march
from lanewright.kernels import worlds as kernel
from lanewright.kernels.worlds import Worlds
from lanewright.legs import throwing
from lanewright.legs.contacts import SURELY, Contacts
from lanewright.legs.throwing import Lines, Paths

WORLDS = 12
THROWS = 64
DENSITY = 0.5  # spread of the logarithm of density and disc ratio together
STEMS = 1.0
"""The same of how many stems there are, and how thick: some three stand in the 12 m over which they
are counted (0.6), rates of tops run from 0.44 to 0.78 and those of finds no less (0.4), a diameter
is a quarter off, and how a stem shows is ours (0.5)."""

THIN_TOP = 5.0  # m up to which thin stems are met
LEAST = 0.003  # a band is never narrower to either side

Rates = tuple[Floats, Floats]


@dataclass(frozen=True)
class World:
    """One draw: standard normals for density and stems, uniform shares for the rest.

    `wall` is -1 where growth reaches less far, 1 farther, 0 as found; `unseen` 0 open, 1 as
    expected, 2 as what was searched.
    """

    density: float
    stems: float
    thin: float
    wall: int
    unseen: int
    seed: int


def draws(seed: int = 1) -> list[World]:
    """The worlds: each quantity takes evenly spread values, shuffled against one another."""
    rng = np.random.default_rng(seed)
    even = (np.arange(WORLDS) + 0.5) / WORLDS
    normal = ndtri(even)
    wall = np.repeat([-1, 0, 1], WORLDS // 3)
    unseen = np.repeat([0, 1, 2], WORLDS // 3)
    orders = [rng.permutation(WORLDS) for _ in range(5)]
    return [
        World(
            float(normal[orders[0][k]]),
            float(normal[orders[1][k]]),
            float(even[orders[2][k]]),
            int(wall[orders[3][k]]),
            int(unseen[orders[4][k]]),
            k,
        )
        for k in range(WORLDS)
    ]


@dataclass(frozen=True)
class OtherWorlds:
    """The land as it was found, with the side of its cells [m], and what else may stand on it."""

    contacts: Contacts
    cell: float
    worlds: Worlds


def other_worlds(contacts: Contacts, cell: float) -> OtherWorlds:
    """Draw what else may stand on a land.

    Parameters
    ----------
    contacts, cell
        What was found on the land, and the side of its cells [m].
    """
    drawn = draws()
    shape = contacts.ground.shape
    grows, stands = np.zeros(shape, np.uint64), np.zeros(shape, np.uint16)
    kernel.may_grow(
        np.asarray(contacts.density), contacts.table, np.asarray(contacts.searched), grows
    )
    once = -np.expm1(-contacts.trunk * cell)
    tables = np.empty((WORLDS, contacts.table.size), np.float32)
    for world in drawn:
        chance = once * np.exp(STEMS * world.stems)
        there = np.random.default_rng([5, world.seed]).random(shape) < chance
        stands |= there.astype(np.uint16) << np.uint16(world.seed)
        tables[world.seed] = contacts.table * np.float32(np.exp(DENSITY * world.density))
        tables[world.seed, -1] = contacts.table[-1]
    worlds = Worlds(
        grows.ravel(),
        stands.ravel(),
        tables,
        walls=np.array([world.wall for world in drawn]),
        unseen=np.array([world.unseen for world in drawn]),
        thin=np.array([world.thin for world in drawn], np.float32),
        sure=float(-np.log(1 - SURELY) / cell),
        thin_top=int(THIN_TOP / march.LAYER),
    )
    return OtherWorlds(contacts, cell, worlds)


def band(
    lines: Lines,
    flights: LevelFlights,
    paths: Paths,
    other: OtherWorlds,
    seeds: NDArray[np.uint64],
    said: tuple[Floats, Floats],
    throws: int,
) -> Rates:
    """Low and high end of clear rates (lines,): in 90 of 100 cases the truth lies between.

    Parameters
    ----------
    lines, flights, paths, seeds
        As `throwing.throw` takes them.
    other
        What else may stand on the land.
    said, throws
        The clear rates of the lines and their standard errors, and by how many throws.
    """
    clear, error = said
    usual, contacts, cell = clear, other.contacts, other.cell
    if throws != THROWS:
        usual = throwing.throw(lines, flights, paths, contacts, seeds, THROWS, cell).clear
    order = throwing.order_of(lines)
    chance = np.zeros((len(lines), THROWS, WORLDS))
    legs = throwing.legs_of(lines.take(order), flights, paths, contacts, seeds[order], cell)
    field = throwing.field_of(contacts, cell)
    points = throwing.even_points(THROWS)
    kernel.throw(legs, paths.table, field, other.worlds, points, chance)
    rates = chance.mean(1)[np.argsort(order)].T
    low, high = np.quantile(rates - usual, (0.05, 0.95), axis=0)
    by_chance = 1.645 * error
    down = np.hypot(np.minimum(low, 0), by_chance) + LEAST
    up = np.hypot(np.maximum(high, 0), by_chance) + LEAST
    return np.clip(clear - down, 0, 1), np.clip(clear + up, 0, 1)
