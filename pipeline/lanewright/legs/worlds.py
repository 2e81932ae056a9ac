"""What else may stand on the land: whole worlds that the survey allows, and the band they give.

A clear rate is computed through the density that is expected everywhere. The land is one of many
that would have sent the same pulses back. A dozen of them are drawn; in each

- twigs are thicker or thinner than assumed, or density is off, everywhere at once: `DENSITY`;
- growth reaches up to a cell farther into the open, or less far, in random patches: a wall lies
  somewhere in the cell in which it was found;
- each stem stands or does not, by its chance, and there are more or fewer of them: `STEMS`;
- what was never searched is open, is as expected, or is as the mean of what was searched;
- stems too thin for lidar stand under the canopy, from none to as many as the setting says.

The same throws are made in every world. The band runs from the 5th to the 95th percentile of their
clear rates, and is wider by the standard error of the throws. It says nothing of flight or wind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lanewright.base.arrays import Floats
from lanewright.flight.flight import LevelFlights
from lanewright.kernels import march, patches
from lanewright.legs import throwing
from lanewright.legs.contacts import SURELY, Contacts
from lanewright.legs.throwing import Lines, Paths

WORLDS = 12
THROWS = 64
DENSITY = 0.5  # spread of the logarithm of density and disc ratio together
STEMS = 0.7  # the same of how many stems there are
PATCH = 2.0  # m, sides of patches in which growth reaches farther, or less far
REACH = 1.0  # share of patches in which it does; half of them held 0.5 of lanes at 8 pulses/m2
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


def band(
    lines: Lines,
    flights: LevelFlights,
    paths: Paths,
    contacts: Contacts,
    seeds: NDArray[np.uint64],
    said: tuple[Floats, Floats],
    cell: float,
) -> Rates:
    """Low and high end of clear rates (lines,): in 90 of 100 cases the truth lies between.

    Parameters
    ----------
    lines, flights, paths, contacts, seeds, cell
        As `throwing.throw` takes them.
    said
        The clear rates of the lines and their standard errors.
    """
    clear, error = said
    usual = throwing.throw(lines, flights, paths, contacts, seeds, THROWS, cell).clear
    rates = np.empty((WORLDS, len(lines)))
    for world, other in _worlds(contacts, cell):
        thrown = throwing.throw(lines, flights, paths, other, seeds, THROWS, cell)
        rates[world.seed] = (thrown.high, thrown.clear, thrown.low)[world.unseen]
    low, high = np.quantile(rates - usual, (0.05, 0.95), axis=0)
    by_chance = 1.645 * error
    down = np.hypot(np.minimum(low, 0), by_chance) + LEAST
    up = np.hypot(np.maximum(high, 0), by_chance) + LEAST
    return np.clip(clear - down, 0, 1), np.clip(clear + up, 0, 1)


def _worlds(contacts: Contacts, cell: float) -> Iterator[tuple[World, Contacts]]:
    """Each world with its contacts; those that share a density array one after another."""
    drawn = sorted(draws(), key=lambda world: world.wall)
    side = max(1, round(PATCH / cell))
    moved, wall = contacts.density, 0
    for world in drawn:
        if world.wall != wall:
            wall = world.wall
            moved = contacts.density
            if wall != 0:
                moved = np.empty_like(contacts.density)
                patches.moved(np.asarray(contacts.density), wall, side, REACH, np.uint64(7), moved)
        yield world, _other(replace(contacts, density=moved), world, cell)


def _other(contacts: Contacts, world: World, cell: float) -> Contacts:
    """What differs in a world but for where growth reaches."""
    rng = np.random.default_rng([5, world.seed])
    table = contacts.table * np.float32(np.exp(DENSITY * world.density))
    table[-1] = contacts.table[-1]
    chance = -np.expm1(-contacts.trunk * cell) * np.exp(STEMS * world.stems)
    stands = rng.random(chance.shape) < chance
    trunk = np.where(stands, -np.log(1 - SURELY) / cell, 0.0)
    # Stems too thin to see stand anywhere under the canopy, and go with the trunks.
    thin = contacts.stems * np.float32(world.thin)
    top = np.where(thin > 0, np.uint8(THIN_TOP / march.LAYER), np.uint8(0))
    return replace(
        contacts,
        table=table.astype(np.float32),
        trunk=(trunk + thin).astype(np.float32),
        trunk_top=np.where(stands, contacts.trunk_top, top),
        stems=np.zeros_like(contacts.stems),
    )
