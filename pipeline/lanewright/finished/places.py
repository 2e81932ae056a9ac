"""Where throws are, and what stands at places, in the coordinates of a run."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lanewright.base.arrays import Floats
from lanewright.base.grid import Grid
from lanewright.kernels import march
from lanewright.legs import throwing
from lanewright.legs.contacts import Contacts
from lanewright.legs.measure import places_of
from lanewright.legs.thrower import Thrower
from lanewright.legs.throwing import Lines


class Release(NamedTuple):
    """How the throw aimed for leaves the hand and comes down; see `Run.release`."""

    disc: str
    speed_mps: float
    launch_deg: float
    hyzer_deg: float
    nose_deg: float
    spin_rad_s: float
    aim_deg: float
    mirrored: bool
    descent_deg: float
    turn_deg: float


def release_of(thrower: Thrower, level: str, line: Lines) -> Release:
    """The release of the throw that a level aims along one line; see `Run.release`."""
    flights = thrower.player(level).flights
    there = throwing.in_table(line, flights, thrower.contacts, thrower.scene.grid.cell)
    at = tuple(int(place[0]) for place in there)
    return Release(
        flights.discs[int(flights.release_disc[at])],
        float(flights.release_speed[at]),
        float(flights.release_launch_deg[at]),
        float(flights.release_hyzer_deg[at]),
        float(flights.release_nose_deg[at]),
        float(flights.release_spin[at]),
        float(flights.release_aim_deg[at]),
        bool(flights.release_mirrored[at]),
        float(flights.arrival_deg[at]),
        float(flights.arrival_turn_deg[at]),
    )


MOST = 65_536
"""Throws at once: with 300 samples each they are 0.6 GB."""


def throws_of(thrower: Thrower, level: str, line: Lines, count: int, seed: int) -> Floats:
    """Throws of a level at one line (count, samples, 4); see `Run.throws`."""
    if not 1 <= count <= MOST:
        raise ValueError(f"count is {count}; it may be 1 to {MOST:,}")
    grid, player = thrower.scene.grid, thrower.player(level)
    seeds = throwing.seeds_of(level, line, *places_of(line, grid).T)
    if seed != 1:
        seeds = throwing.other_seeds(seeds, seed)
    flown = throwing.trace(
        line, player.flights, player.paths, thrower.contacts, seeds, count, grid.cell
    )
    row, col = flown[..., 0], flown[..., 1]
    x, y = grid.left + col * grid.cell, grid.top - row * grid.cell
    return np.stack([x, y, flown[..., 2], flown[..., 3]], axis=-1)


def densities_at(contacts: Contacts, grid: Grid, xyz: Floats) -> Floats:
    """Contacts of a disc [1/m] at places (n,); see `Run.contact_density`."""
    out = np.full(len(xyz), np.nan)
    given = np.flatnonzero(np.isfinite(xyz).all(1))
    row, col = grid.rowcol(xyz[given, 0], xyz[given, 1])
    inside = (row >= 0) & (col >= 0) & (row < grid.rows) & (col < grid.cols)
    given, row, col = given[inside], row[inside], col[inside]
    height = (xyz[given, 2] - contacts.ground[row, col]) / march.LAYER
    there = (height >= 0) & (height < march.LAYERS)  # NaN is neither
    given, row, col = given[there], row[there], col[there]
    layer = height[there].astype(np.int64)
    searched = (contacts.searched[row, col] >> layer.astype(np.uint64)) & np.uint64(1) != 0
    growth = contacts.table[contacts.density[row, col, layer]].astype(np.float64)
    trunk = np.where(layer < contacts.trunk_top[row, col], contacts.trunk[row, col], 0.0)
    out[given] = np.where(searched, growth + trunk, np.nan)
    return out
