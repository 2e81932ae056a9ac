"""Views: the places from which one sees farthest over the land."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Floats, Ints
from lanewright.base.units import both
from lanewright.features.found import Found, Heights, Squares, compass, full, peaks
from lanewright.kernels.sight import sight
from lanewright.settings.features import FeaturesSettings

WIDE = 2  # squares a cell of the lattice is wide
EVERY = 3  # cells between two eyes
RAYS = 48
CLEAR = 1.0  # m of growth that an eye at a place may stand in
MOST = 600.0  # m; farther a sight line is no more of a view
CERTAIN = 0.8  # haze, leaves and what stands outside the tiles are not known; ours


@dataclass(frozen=True)
class Sights:
    """What eyes see over the land; (eyes, `RAYS`) each, clockwise from north.

    Attributes
    ----------
    steady
        Steps of `cell` to the farthest place seen, where the rays at both sides see as far: the
        land beyond a hedge seen at one ray is a chance.
    seen
        Squares that are seen.
    cell
        Metres of a step.
    """

    steady: NDArray[np.int64]
    seen: NDArray[np.int64]
    cell: float


def sights_from(land: Squares | Heights, places: Ints, eye: float) -> Sights:
    """Look from places (n, 2), squares of the coarser lattice, `eye` metres over the ground."""
    thin = (slice(None, None, WIDE), slice(None, None, WIDE))
    cell = land.grid.cell * WIDE
    ground = land.ground[thin]
    top = (ground + land.canopy[thin]).astype(np.float32)
    places = np.ascontiguousarray(places)  # one type for the kernel
    longest = np.zeros((len(places), RAYS), np.int64)
    seen = np.zeros_like(longest)
    eyes = ground[places[:, 0], places[:, 1]].astype(np.float64) + eye
    sight(top, places, eyes, compass(RAYS), round(MOST / cell), longest, seen)
    steady = np.minimum(longest, np.minimum(np.roll(longest, 1, 1), np.roll(longest, -1, 1)))
    return Sights(steady, seen, cell)


def longest_sights(land: Heights, spots: Floats, eye: float) -> tuple[Floats, Floats]:
    """Longest sight [m] from spots (n, 2) of the run's CRS, and its bearing from grid north [deg].

    NaN where an eye would stand in growth or nothing is known.
    """
    row, col = land.grid.nearest(spots[:, 0], spots[:, 1])
    thin = np.ceil(np.array(land.grid.shape) / WIDE).astype(np.int64)
    places = np.minimum(np.column_stack([row, col]) // WIDE, thin - 1)
    seen = sights_from(land, places, eye)
    far, way = seen.steady.max(1) * seen.cell, seen.steady.argmax(1) * 360.0 / RAYS
    clear = land.canopy[places[:, 0] * WIDE, places[:, 1] * WIDE] <= CLEAR
    known = clear & np.isfinite(land.ground[places[:, 0] * WIDE, places[:, 1] * WIDE])
    return np.where(known, far, np.nan), np.where(known & (far > 0), way, np.nan)


def views(land: Squares, settings: FeaturesSettings) -> Iterator[Found]:
    """Places that see farthest over ground and tree tops, the farthest first."""
    thin = (slice(None, None, WIDE), slice(None, None, WIDE))
    clear = land.dry[thin] & (land.canopy[thin] <= CLEAR)
    spaced = np.zeros_like(clear)
    spaced[::EVERY, ::EVERY] = True
    places = np.argwhere(clear & spaced)
    if not len(places):
        return
    looked = sights_from(land, places, settings.eye)
    steady, seen, cell = looked.steady, looked.seen, looked.cell
    far = steady.max(1) * cell
    share = seen.sum(1) / max(1, seen.sum(1).max())
    good = np.flatnonzero(far >= settings.view_from)
    score = far[good] * (0.5 + 0.5 * share[good])
    for k in peaks(score, places[good].astype(float), settings.view_apart / cell):
        i = good[k]
        way = compass(RAYS)[int(steady[i].argmax())]
        end = places[i] + way * (far[i] / cell)
        metres = float(far[i])
        line = land.line(places[i] * WIDE, np.rint(end * WIDE).astype(np.int64))
        yield Found(
            kind="view",
            line=line,
            worth=full(metres, 400.0) * (0.5 + 0.5 * float(share[i])),
            certainty=CERTAIN,
            figure=both(metres),
            reason=f"From here one sees {both(metres)} over ground and tree tops.",
            figures={"sight_m": metres},
        )
