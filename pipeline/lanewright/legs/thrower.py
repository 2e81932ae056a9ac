"""Everything a throw needs but where from and where to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from lanewright.base.arrays import Flags
from lanewright.flight.flight import Flights, LevelFlights
from lanewright.legs import throwing
from lanewright.legs.contacts import Contacts, contacts_of
from lanewright.legs.landing import Hazards, hazards_of
from lanewright.legs.sites import barred_cells
from lanewright.legs.throwing import Paths
from lanewright.legs.worlds import OtherWorlds, other_worlds
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import Level


@dataclass(frozen=True)
class Player:
    """One level with its flights, in the form the kernels read besides."""

    flights: LevelFlights
    paths: Paths

    @property
    def level(self) -> Level:
        """Who throws."""
        return self.flights.level

    @property
    def name(self) -> str:
        """Name of the level."""
        return self.flights.level.name


@dataclass(frozen=True)
class Thrower:
    """What throws meet, who throws, and how legs are weighed.

    Attributes
    ----------
    scene, contacts, hazards
        The land, what a disc touches on it, and where it should not end.
    players
        The levels, best players first.
    settings
        The section `legs` of the configuration.
    """

    scene: Scene
    contacts: Contacts
    hazards: Hazards
    players: tuple[Player, ...]
    settings: LegsSettings

    @cached_property
    def barred(self) -> Flags:
        """Cells that no leg may come over (rows, cols)."""
        half = self.settings.throw.disc / 2 + self.settings.throw.margin
        return barred_cells(self.scene, self.settings.sites.boundary_setback, half)

    @cached_property
    def worlds(self) -> OtherWorlds:
        """What else may stand on the land."""
        return other_worlds(self.contacts, self.scene.grid.cell)

    def player(self, level: str) -> Player:
        """The player of a level, by its name."""
        return next(player for player in self.players if player.name == level)


def thrower_of(scene: Scene, flights: Flights, settings: LegsSettings) -> Thrower:
    """Make a thrower for a property."""
    return Thrower(
        scene,
        contacts_of(scene, settings.throw, scene.leaf_state),
        hazards_of(scene, settings.roll_slope),
        tuple(Player(level, throwing.paths_of(level)) for level in flights.levels),
        settings,
    )
