"""Where a lane would cost the least to cut: work by ground and height, and lines that meet least.

The work here only guides the search, from rates of the settings and masks of what is dense: the
lanes that it finds are planned anew, piece by piece, with thrown discs (`oneleg`).

A corridor is sought among the flights that a level has, not among free paths: an end that only a
path with two bends reaches is no throw. Every arc of every pair of tee and end is added up, so the
best is the best of all; a free least-cost path can only be cheaper, never flyable and cheaper.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints, Raster
from lanewright.flight.flight import BIN, TARGET, LevelFlights
from lanewright.kernels import corridors as kernel
from lanewright.legs.search import bounds
from lanewright.legs.sites import Sites
from lanewright.legs.thrower import Thrower
from lanewright.settings.cuts import CutsSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.trim import treework
from lanewright.trim.standing import NO_TREE, Growth

FINE, MOST_CELLS = 1.0, 2_000_000
"""Side of the cells that work is added up on [m], where the land has no more of them than this."""
RADII = (0.5, 1.5, 2.5, 3.5, 4.5, 6.0)  # m, of the discs that work is averaged over
SAMPLES = 33  # along a line
SECTORS, LENGTHS = 8, 3  # directions and classes of length of a tee that keep a line of their own
LEAST = 0.2  # h; less than this and the line is a lane already
CROWN = 12.0  # m2 of ground under the limbs that a crew takes of one tree in one go; ours
THICK = 40.0  # h that a stem too thick to fell counts for, so that lanes go around it; ours
DARK = 0.4
"""Hours per square metre that space which lidar did not search counts for: nobody can plan a cut
there, so lanes go around it; ours."""
HECTARE = 100.0  # m; side of the squares in which lines crowd each other
ALIKE = 30.0  # degrees between directions up to which two lines run alike; ours
WIDE = 1.25  # standard deviations to each side that a lane is cut for; two thirds lie within 0.97


@dataclass(frozen=True)
class Seam:
    """Lines of one level that are cheap to cut, cheapest first; arrays (lines,)."""

    tee: Ints
    end: Ints
    arc: Ints
    hours: Floats
    length: Floats


def wood_of(thrower: Thrower, growth: Growth) -> kernel.Wood:
    """What a corridor costs anywhere, by height and width, on cells of a metre or more."""
    scene, settings = growth.scene, growth.settings
    grid = scene.grid
    side = max(1, round(FINE / grid.cell))
    while -(-grid.rows // side) * -(-grid.cols // side) > MOST_CELLS:
        side += 1
    cell = side * grid.cell
    work = _work(growth, settings, side)
    means = [[_mean(band, radius / cell) for band in work] for radius in RADII]
    tops = np.array([settings.hand_reach, settings.pole_reach, np.inf])
    return kernel.Wood(
        np.array(means, np.float32),
        np.array(RADII),
        tops,
        _coarse(scene.trees_around, side, np.mean),
        _coarse(np.asarray(scene.ground), side, np.mean),
        _coarse(thrower.barred | ~np.isfinite(scene.ground), side, np.max).astype(bool),
        cell,
    )


def seams(
    wood: kernel.Wood,
    thrower: Thrower,
    flights: LevelFlights,
    sites: Sites,
    settings: CutsSettings,
) -> Seam:
    """The cheapest line of every tee, sector and class of length for one level."""
    legs = thrower.settings.model_copy(
        update={"shortest": settings.shortest, "longest": settings.longest}
    )
    tees = _spots(wood, thrower, sites.tees, flights.release)
    ends = _spots(wood, thrower, sites.baskets, flights.end)
    shape = (len(tees), SECTORS * LENGTHS)
    best, which = np.full(shape, np.inf), np.full(shape, -1, np.int64)
    arc = which.copy()
    slots = kernel.Slots(*bounds(flights, legs), SECTORS, LENGTHS, settings.wooded, LEAST)
    kernel.cheapest(wood, arcs_of(flights, legs), slots, tees, ends, best, which, arc)
    tee, slot = np.nonzero(which >= 0)
    order = np.lexsort((slot, tee, best[tee, slot]))
    tee, slot = tee[order], slot[order]
    end = which[tee, slot]
    length = np.hypot(*(ends[end, :2] - tees[tee, :2]).T) * wood.cell
    return Seam(tee, end, arc[tee, slot], best[tee, slot], length)


def arcs_of(flights: LevelFlights, settings: LegsSettings) -> kernel.Arcs:
    """A level's flights as the search for corridors reads them."""
    node = np.linspace(0, TARGET, SAMPLES).round().astype(int)
    path = flights.path[..., node, :].astype(np.float32)
    path[..., 2] *= (1 + flights.apex_margin) / 2
    along, left, rise = (np.ascontiguousarray(path[..., i]) for i in range(3))
    return kernel.Arcs(
        along,
        left,
        rise,
        flights.exists,
        (flights.grade[1:] + flights.grade[:-1]) / 2,
        float(flights.distance[0]),
        BIN,
        WIDE * float(flights.level.sideways(1.0)),
        settings.throw.disc,
    )


def distinct(places: Floats, hours: Floats, apart: float, taken: Floats) -> Ints:
    """Rows of lines that differ, the least hours per metre first, so that long ones have a chance.

    Two lines are one where their middles lie nearer than `apart` and their directions, either way
    round, within 30 degrees: their fairways would share most of their trees.

    Parameters
    ----------
    places : (n, 4)
        Coordinates of tee and end.
    hours : (n,)
        What lines cost.
    apart
        In metres.
    taken : (m, 4)
        Lines that every one must differ from, in the same form.
    """
    thin = _best_of_places(places, hours, apart / 4)
    every = np.vstack([taken, places[thin]])
    ahead, middle = every[:, 2:] - every[:, :2], (every[:, :2] + every[:, 2:]) / 2
    angle = np.arctan2(ahead[:, 1], ahead[:, 0])
    first = len(taken)
    order = first + np.lexsort((hours[thin], _per_metre(places, hours)[thin]))
    index = cKDTree(middle) if len(every) else None
    dropped = np.zeros(len(every), bool)
    chosen: list[int] = []
    for i in [*range(first), *order.tolist()]:
        if index is None or (dropped[i] and i >= first):
            continue
        if i >= first:
            chosen.append(i - first)
        beside = np.array(index.query_ball_point(middle[i], apart))
        along = np.abs(np.cos(angle[beside] - angle[i])) > np.cos(np.radians(ALIKE))
        dropped[beside[along]] = True
    return thin[np.array(chosen, np.int64)]


def _per_metre(places: Floats, hours: Floats) -> Floats:
    """Hours per metre of lines (n,)."""
    return np.asarray(hours / np.maximum(np.hypot(*(places[:, 2:] - places[:, :2]).T), 1e-9))


def _best_of_places(places: Floats, hours: Floats, side: float) -> Ints:
    """Rows of the cheapest line of each square of middles and class of direction.

    A first sieve: the lines of one such class are all alike.
    """
    ahead, middle = places[:, 2:] - places[:, :2], (places[:, :2] + places[:, 2:]) / 2
    turn = np.floor(np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0])) % 180 / (ALIKE / 2))
    frame = pd.DataFrame(np.floor(middle / side)).assign(
        turn=turn, per_metre=_per_metre(places, hours)
    )
    best = frame.sort_values("per_metre", kind="stable").drop_duplicates([0, 1, "turn"])
    return np.sort(best.index.to_numpy(np.int64))


def spread(places: Floats, hours: Floats, crowding: float) -> Ints:
    """Order of lines, the least hours per metre first, crowded ones later.

    Each further line whose middle lies in the same hectare counts for `crowding` of its hours more
    than the last, so that the cheapest corner of the land does not take every place.

    Parameters
    ----------
    places : (n, 4)
        Coordinates of tee and end.
    hours : (n,)
        What lines cost.
    crowding
        Share of the hours.
    """
    per_metre = _per_metre(places, hours)
    square = np.floor((places[:, :2] + places[:, 2:]) / 2 / HECTARE).astype(np.int64)
    frame = pd.DataFrame(square).assign(per_metre=per_metre)
    rank = frame.groupby([0, 1])["per_metre"].rank(method="first").to_numpy() - 1
    return np.asarray(np.argsort(per_metre * (1 + crowding * rank), kind="stable"), np.int64)


def _work(growth: Growth, settings: TrimSettings, side: int) -> list[Raster]:
    """Hours per square metre to clear the band a disc flies in, by band, on coarse cells."""
    scene, rates = growth.scene, settings.rates
    # In layers of 0.25 m; each band keeps one at the least.
    hand = min(max(round(settings.hand_reach / 0.25), 3), 38)
    pole = min(max(round(settings.pole_reach / 0.25), hand + 1), 39)
    edges = (2, hand, pole, 40)
    owner = growth.owner(*np.indices(scene.grid.shape))
    thin = (growth.dbh <= settings.largest_felled_cm) & (settings.fell != "never")
    low, high = treework.fell_hours(growth.dbh, settings)
    fell = (low + high) / 2 + settings.fell_price
    whole = np.where(thin, fell / (np.pi * growth.radius**2), np.inf)
    cap = np.where(owner == NO_TREE, np.inf, np.r_[whole, np.inf][owner])
    stems = _stems(growth, np.where(thin, fell, THICK), side)
    away = growth.kept != 0
    out = []
    for band, (bottom, top) in enumerate(itertools.pairwise(edges)):
        mask = np.uint64(((1 << top) - 1) ^ ((1 << bottom) - 1))
        share = np.bitwise_count(scene.blocked & mask) / (top - bottom)
        if band == 0:
            per_ha = np.interp(
                share,
                (0.0, 0.5, 1.0),
                [
                    _middle(r, settings)
                    for r in (rates.brush_light, rates.brush_medium, rates.brush_heavy)
                ],
            )
            hours = np.where(share > 0, per_ha / 1e4, 0.0)
        else:
            minutes = _middle(rates.pole if band == 1 else rates.climb, settings)
            hours = np.where(share > 0, minutes / 60 / CROWN, 0.0)
        dark = 1 - np.bitwise_count(scene.searched & mask) / (top - bottom)
        hours = np.where(away & (hours > 0), DARK, np.minimum(hours, cap)) + DARK * dark
        out.append(_coarse(hours, side, np.mean) + stems)
    return out


def _middle(rate: tuple[float, float], settings: TrimSettings) -> float:
    """Middle of a rate while working, at the pace of the settings."""
    return (rate[0] + rate[1] / settings.rates.productive) / 2


def _stems(growth: Growth, hours: Floats, side: int) -> Raster:
    """Hours per square metre of stems, each on the cell of its tree's top."""
    grid = growth.scene.grid
    out = np.zeros((-(-grid.rows // side), -(-grid.cols // side)), np.float32)
    row, col = grid.rowcol(growth.x, growth.y)
    row, col = np.clip(row // side, 0, out.shape[0] - 1), np.clip(col // side, 0, out.shape[1] - 1)
    np.add.at(out, (row, col), growth.throw.top_is_stem * hours / (side * grid.cell) ** 2)
    blurred = ndi.gaussian_filter(out, growth.throw.trunk_sd / (side * grid.cell), mode="nearest")
    return np.asarray(blurred, np.float32)


def _mean(values: Raster, radius: float) -> Raster:
    """Mean over a square as wide as a disc of so many cells."""
    size = max(1, 2 * int(radius) + 1)
    return np.asarray(ndi.uniform_filter(values, size, mode="nearest"), np.float32)


def _coarse(values: NDArray[np.generic], side: int, how: object) -> Raster:
    """Mean or most of blocks of cells; what hangs over the edge repeats the last cell."""
    rows, cols = -(-values.shape[0] // side), -(-values.shape[1] // side)
    pad = (0, rows * side - values.shape[0]), (0, cols * side - values.shape[1])
    whole = np.pad(np.asarray(values, np.float32), pad, mode="edge")
    blocks = whole.reshape(rows, side, cols, side)
    return np.asarray(how(blocks, axis=(1, 3)), np.float32)  # type: ignore[operator]


def _spots(wood: kernel.Wood, thrower: Thrower, places: gpd.GeoDataFrame, above: float) -> Floats:
    """Row and column in coarse cells, and height of the throw, of sites (n, 3)."""
    grid = thrower.scene.grid
    x, y = places.geometry.x.to_numpy(), places.geometry.y.to_numpy()
    height = places["ground_m"].to_numpy() + above
    return np.column_stack([(grid.top - y) / wood.cell, (x - grid.left) / wood.cell, height])
