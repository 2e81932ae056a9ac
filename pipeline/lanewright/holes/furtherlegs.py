"""Throws that the search had no reason to keep: second routes of holes, other tees and pins."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Ints
from lanewright.flight.flight import FINISHES, Flights
from lanewright.legs import throwing
from lanewright.legs.landing import Hazards, hazards_of
from lanewright.legs.measure import scored
from lanewright.legs.scene import Scene
from lanewright.legs.throwing import Contacts, Lines, Paths
from lanewright.settings.legs import LegsSettings

TRIED = 2  # arcs thrown with for each line: those whose path meets least


@dataclass(frozen=True)
class Thrower:
    """Everything a throw needs but where from and where to.

    Attributes
    ----------
    scene, contacts, hazards
        What throws meet, and where they should not end.
    flights, paths
        Who throws, and how.
    settings
        The section `legs` of the configuration.
    tees, baskets
        Sites of the property.
    """

    scene: Scene
    contacts: Contacts
    hazards: Hazards
    flights: Flights
    paths: tuple[Paths, ...]
    settings: LegsSettings
    tees: gpd.GeoDataFrame
    baskets: gpd.GeoDataFrame

    @classmethod
    def of(
        cls, scene: Scene, flights: Flights, settings: LegsSettings, leaf_state: str,
        tees: gpd.GeoDataFrame, baskets: gpd.GeoDataFrame,
    ) -> Thrower:  # fmt: skip
        """Make one for a property."""
        return cls(
            scene,
            throwing.contacts_of(scene, settings.throw, leaf_state),
            hazards_of(scene, settings.roll_slope),
            flights,
            tuple(throwing.paths_of(level) for level in flights.levels),
            settings,
            tees.reset_index(drop=True),
            baskets.reset_index(drop=True),
        )

    def best(self, level: str, tee: Ints, end: Ints, throws: int | None = None) -> gpd.GeoDataFrame:
        """Throw from tee sites at end sites, each line with the arc that suits it best.

        Parameters
        ----------
        level
            Who throws.
        tee, end : (lines,)
            Rows of `tees` and `baskets`.
        throws
            Throws at each, at most as many as the settings say; by default so many.

        Returns
        -------
        GeoDataFrame
            Columns of the legs table without `leg_id`, and `line`: which of the lines it is. Lines
            that no arc of the level reaches are left out.
        """
        index = [flights.level.name for flights in self.flights.levels].index(level)
        flights, paths = self.flights.levels[index], self.paths[index]
        some = min(throws or self.settings.throws, self.settings.throws)
        settings = self.settings.model_copy(update={"throws": some})
        cell, arcs = self.scene.grid.cell, len(self.flights.levels[index].arcs)
        line = np.repeat(np.arange(tee.size), arcs)
        tried = Lines(
            *self._cells(self.tees, tee[line]), *self._cells(self.baskets, end[line]),
            np.tile(np.arange(arcs, dtype=np.int64), tee.size),
        )  # fmt: skip
        far = throwing.length_of(tried, cell) > 1.5 * flights.distance[0] / 2
        there = np.flatnonzero(throwing.exists(tried, flights, self.contacts, cell) & far)
        met = throwing.aim(tried.take(there), flights, paths, self.contacts, cell)[:, 0]
        order = np.lexsort((there, met, line[there]))
        rank = pd.Series(line[there][order]).groupby(line[there][order]).cumcount().to_numpy()
        kept = np.sort(there[order][rank < TRIED])
        legs = scored(
            self.scene, self.contacts, self.hazards, self.tees.iloc[tee[line[kept]]],
            self.baskets.iloc[end[line[kept]]], flights, paths, tried.take(kept), settings,
        )  # fmt: skip
        legs["line"] = line[kept]
        score = legs["score"].to_numpy()
        first = np.lexsort((kept, -score, line[kept]))
        best = first[~pd.Series(line[kept][first]).duplicated().to_numpy()]
        legs = legs.iloc[best].reset_index(drop=True)
        # Other finishes from the same tee were not asked about; their rates stay empty.
        for finish in FINISHES:
            legs[f"clear_rate_{finish}"] = legs["clear_rate"].where(legs["finish"] == finish)
        return legs

    def _cells(self, sites: gpd.GeoDataFrame, which: Ints) -> tuple[Ints, Ints]:
        at = shapely.get_coordinates(sites.geometry.to_numpy()[which])
        return self.scene.grid.rowcol(at[:, 0], at[:, 1])


def with_legs(table: gpd.GeoDataFrame, more: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The legs table with more legs at its end, numbered on."""
    if not len(more):
        return table
    first = int(table["leg_id"].max()) + 1 if len(table) else 1
    more = more.drop(columns="line").assign(leg_id=np.arange(first, first + len(more)))
    both = pd.concat([table, more[[c for c in more if c in table or not len(table)]]],
                     ignore_index=True)  # fmt: skip
    return gpd.GeoDataFrame(both, geometry="geometry", crs=more.crs)
