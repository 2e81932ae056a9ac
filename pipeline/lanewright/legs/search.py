"""The search: every tee site against every end site in range, with every arc of a level.

The kernel tries all lines on masks of blocked layers and keeps the best of each direction, length
band and finish of each tee.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lanewright.base.arrays import Ints
from lanewright.base.grid import Grid
from lanewright.base.units import FOOT
from lanewright.flight.flight import BIN, FINISHES, TARGET, LevelFlights
from lanewright.kernels import march
from lanewright.legs.sites import Places, barred_cells
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings


@dataclass(frozen=True)
class Found:
    """Lines that the search kept for one level, millions on large land; arrays (lines,).

    Attributes
    ----------
    tee, end
        Rows of their sites.
    arc
        Index into the level's arcs.
    blocked
        Samples of the path aimed for that lie in blocked layers.
    tee_cells, end_cells
        Row and column of each site.
    tried
        Number of lines that were tried.
    """

    tee: NDArray[np.int32]
    end: NDArray[np.int32]
    arc: NDArray[np.int16]
    blocked: NDArray[np.int32]
    tee_cells: tuple[Ints, Ints]
    end_cells: tuple[Ints, Ints]
    tried: int

    def __len__(self) -> int:
        return int(self.tee.size)

    def lines(self, which: Ints | slice = slice(None)) -> Lines:
        """Some of them, by default all: from where to where, with which arc."""
        tee, end = self.tee[which], self.end[which]
        row, col = self.tee_cells
        to_row, to_col = self.end_cells
        arc = self.arc[which].astype(np.int64)
        return Lines(row[tee], col[tee], to_row[end], to_col[end], arc)


def space_of(scene: Scene, settings: LegsSettings) -> march.Space:
    """What the search reads: blocked layers grown by half the flight's width, barred cells."""
    half = settings.throw.disc / 2 + settings.throw.margin
    grown = march.grow(np.asarray(scene.blocked), float(round(half / scene.grid.cell)))
    barred = barred_cells(scene, settings.sites.boundary_setback, half)
    return march.make_space(grown, scene.searched, scene.ground, barred, scene.grid.cell)


def search(
    space: march.Space, grid: Grid, sites: Places, flights: LevelFlights, settings: LegsSettings
) -> Found:
    """Best line of every slot of every tee, for one level."""
    table = search_table(flights, space.cell, settings.max_blocked)
    shortest, longest = bounds(flights, settings)
    group = np.array([FINISHES.index(arc.finish) for arc in flights.arcs])
    tees, baskets = cells_of_sites(sites.tees, grid), cells_of_sites(sites.baskets, grid)
    found = march.search(
        space,
        _spots(space, tees, sites.tees, flights.release),
        _spots(space, baskets, sites.baskets, flights.end),
        table,
        march.Slots(shortest, longest, group, settings.sectors, settings.band),
    )
    fit = found.end >= 0
    tee = np.repeat(np.arange(len(fit), dtype=np.int32), fit.sum(1))
    end, arc, blocked = found.end[fit], found.arc[fit], found.blocked[fit]
    tried = int(found.lines.sum())
    return Found(tee, end.astype(np.int32), arc.astype(np.int16), blocked, tees, baskets, tried)


def search_table(flights: LevelFlights, cell: float, max_blocked: float) -> march.ArcTable:
    """A level's paths as the search reads them: samples at most a cell apart on the chord.

    Half the margin lies on their rise, as on the mean of the throws.
    """
    bins, grades, arcs = flights.exists.shape
    samples = np.ceil((flights.distance + BIN) / cell).astype(np.int32)
    tables = np.zeros((3, bins, grades, arcs, int(samples.max())), np.float32)
    path = flights.path[..., : TARGET + 1, :].astype(np.float64)
    path[..., 2] *= (1 + flights.apex_margin) / 2
    path[..., 2] *= march.UNITS / march.LAYER
    for b, n in enumerate(samples):
        at = (np.arange(n) + 0.5) * (TARGET / n)
        node = np.minimum(at.astype(int), TARGET - 1)
        share = (at - node)[:, None]
        got = path[b][..., node, :] * (1 - share) + path[b][..., node + 1, :] * share
        tables[..., b, :, :, :n] = np.moveaxis(got, -1, 0)
    return march.ArcTable(
        tables[0],
        tables[1],
        np.rint(tables[2]),
        samples,
        np.floor(samples * max_blocked).astype(np.int32),
        flights.exists,
        np.ascontiguousarray((flights.grade[1:] + flights.grade[:-1]) / 2),
        float(flights.distance[0]),
        BIN,
    )


def bounds(flights: LevelFlights, settings: LegsSettings) -> tuple[float, float]:
    """Shortest and longest leg of a level [m]."""
    level = flights.level
    return settings.shortest or level.par3_from, settings.longest or level.tee_throw


def out_of_reach(sites: Places, flights: LevelFlights, settings: LegsSettings) -> str:
    """Sentence on a level that reaches no end site from any tee site."""
    tees, ends = (s.geometry.get_coordinates().to_numpy() for s in (sites.tees, sites.baskets))
    shortest, longest = bounds(flights, settings)
    reach = longest
    if flights.exists.any():
        reach = min(longest, flights.distance[flights.exists.any((1, 2))].max() + BIN)
    near, _ = cKDTree(ends).query(tees)
    far = max(np.hypot(*(ends - tee).T).max() for tee in tees)
    return (
        f"{flights.level.name} reaches no basket site from any tee site: the level throws "
        f"{shortest:.0f} to {reach:.0f} m ({shortest / FOOT:.0f} to {reach / FOOT:.0f} ft), and "
        f"the sites lie {near.min():.0f} to {far:.0f} m apart"
    )


def cells_of_sites(sites: gpd.GeoDataFrame, grid: Grid) -> tuple[Ints, Ints]:
    """Row and column of each site."""
    return grid.rowcol(sites.geometry.x.to_numpy(), sites.geometry.y.to_numpy())


def _spots(
    space: march.Space, cells: tuple[Ints, Ints], sites: gpd.GeoDataFrame, above: float
) -> march.Spots:
    z = space.height(sites["ground_m"].to_numpy() + above)
    return march.Spots(cells[0].astype(np.int32), cells[1].astype(np.int32), z)
