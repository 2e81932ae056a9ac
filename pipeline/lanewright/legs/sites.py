"""Spots that could hold a tee or a basket: the roomiest of every few metres, if the ground suits.

Distances and slopes are screening values, ours and common practice unless the setting names a
source; the walk decides.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of
from lanewright.legs.refused import BORDER, OUTSIDE, REASONS, ROOM, UNSEEN, Refused
from lanewright.scene import FLIGHT, STAND, Scene
from lanewright.settings.legs import SitesSettings

log = logging.getLogger(__name__)


PAD = 1.75  # m around a site over which its slope is taken: half a tee of 12 ft (3.7 m)
ROOMY = 8.0  # m; more room makes no better site


@dataclass(frozen=True)
class Places:
    """Where legs may start and end.

    Attributes
    ----------
    tees, baskets
        `site_id` (from 1 on), `slope_pct`, `wetness`, `free_width_m`, `ground_m`,
        `height_above_drainage_m`, `seen_share`; points at cell centres, in the order of rows.
    """

    tees: gpd.GeoDataFrame
    baskets: gpd.GeoDataFrame


@dataclass(frozen=True)
class Sites(Places):
    """The sites of a property.

    Attributes
    ----------
    refused
        For tees and baskets: which squares have no site, and why.
    """

    refused: tuple[Refused, Refused]

    @property
    def facts(self) -> dict[str, object]:
        """For the summary: sites, and squares without one by the reason."""
        places = self.tees, self.baskets
        return {
            f"{refused.what}_sites": refused.counts | {"sites": len(sites)}
            for refused, sites in zip(self.refused, places, strict=True)
        }


def barred_cells(scene: Scene, setback: float, margin: float) -> Flags:
    """Cells no disc may fly over (rows, cols).

    Outside the property, nearer than `setback` to its border, or within `margin` of a keep-out or
    building (half the width of the flight, in metres). A cell counts when any part of it does:
    half its diagonal is added.
    """
    corner = scene.grid.cell * np.sqrt(0.5)
    inside = cells_of(scene.land.buffer(-(setback + corner)), scene.grid)
    return ~inside | cells_of(scene.off_limits.buffer(margin + corner), scene.grid)


def find_sites(scene: Scene, settings: SitesSettings) -> Sites:
    """Find the sites of a property.

    The land is cut into squares; of the cells of a square that pass every test, the one with the
    most room around it becomes the site, at equal room the one nearest the middle.

    Parameters
    ----------
    scene
        The land.
    settings
        The section `legs: sites:` of the configuration.
    """
    ground = _Ground.of(scene, settings)
    refusals: list[Refused] = []
    frames = []
    for what in ("tee", "basket"):
        tests, squares = ground.tests(what, settings), (what, settings.spacing)
        row, col, refused = _best_of_squares(ground.room, tests, scene.grid, squares)
        log.info("%d %s sites; squares without: %s", row.size, what, refused.counts)
        refusals.append(refused)
        frames.append(_frame(scene, row, col, ground.steep, ground.room))
    return Sites(frames[0], frames[1], (refusals[0], refusals[1]))


def tee_lattice(scene: Scene, settings: SitesSettings, spacing: float) -> gpd.GeoDataFrame:
    """Tee sites by the same tests in squares of another width [m]; see `find_sites`."""
    ground = _Ground.of(scene, settings)
    tests = ground.tests("tee", settings)
    row, col, _ = _best_of_squares(ground.room, tests, scene.grid, ("tee", spacing))
    return _frame(scene, row, col, ground.steep, ground.room)


@dataclass(frozen=True)
class _Ground:
    """What is asked of the ground of a site; rasters (rows, cols)."""

    common: dict[str, Flags]
    steep: Raster
    room: NDArray[np.float64]
    seen: Raster

    @classmethod
    def of(cls, scene: Scene, settings: SitesSettings) -> _Ground:
        grid = scene.grid
        standing = (scene.blocked & STAND) != 0
        known = np.bitwise_count(scene.searched & STAND) / int(STAND).bit_count()
        by_water = _distance(scene.water, grid.cell) <= settings.water_setback
        common = {
            OUTSIDE: ~cells_of(scene.land, grid),
            BORDER: ~cells_of(scene.land.buffer(-settings.boundary_setback), grid),
            "unknown ground": ~np.isfinite(scene.ground),
            "near a keep-out": cells_of(scene.keep_out.buffer(settings.keep_out_setback), grid),
            "near a building": cells_of(scene.buildings.buffer(settings.building_setback), grid),
            "near water": by_water,
            "on likely wet ground": scene.wet & (not settings.wet),
            "on possibly wet ground": scene.maybe_wet & (not settings.maybe_wet),
        }
        side = _disc(PAD, grid.cell).shape[0]
        return cls(
            common,
            pad_slope(scene),
            # To the near edge of the nearest blocked cell, not to its centre.
            _distance(standing, grid.cell) - grid.cell / 2,
            ndi.uniform_filter(known, size=side, mode="nearest"),
        )

    def tests(self, what: str, settings: SitesSettings) -> dict[str, Flags]:
        """What bars a "tee" or "basket", by the reason."""
        slope, radius = (
            (settings.tee_slope, settings.tee_room)
            if what == "tee"
            else (settings.basket_slope, settings.basket_room)
        )
        return self.common | {
            "too steep": ~(self.steep <= slope),
            ROOM: self.room < radius,
            UNSEEN: self.seen < settings.seen,
        }


def pad_slope(scene: Scene) -> Raster:
    """Mean slope of the ground over a pad around each cell [percent]; NaN where none is known."""
    weights = _disc(PAD, scene.grid.cell).astype(np.float32)
    known = np.isfinite(scene.slope_pct)
    total = ndi.correlate(np.where(known, scene.slope_pct, 0), weights, mode="constant")
    count = ndi.correlate(known.astype(np.float32), weights, mode="constant")
    return np.where(count > 0.5, total / np.maximum(count, 1), np.nan).astype(np.float32)


def _distance(mask: Flags, cell: float) -> NDArray[np.float64]:
    """Distance to the nearest cell of the mask, centre to centre [m]; infinite without any."""
    if not mask.any():
        return np.full(mask.shape, np.inf)
    return np.asarray(ndi.distance_transform_edt(~mask)) * cell


def _disc(radius: float, cell: float) -> Flags:
    reach = max(1, round(radius / cell))
    i, j = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.asarray(np.hypot(i, j) <= radius / cell)


def _best_of_squares(
    room: NDArray[np.float64], tests: dict[str, Flags], grid: Grid, wanted: tuple[str, float]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Refused]:
    """Row and column of the best cell of each square, and why other squares have none.

    A square counts for the first test that leaves no cell of it; `wanted` is the use and the side
    of the squares [m].
    """
    what, spacing = wanted
    side = max(1, round(spacing / grid.cell))
    rows, cols = -(-grid.rows // side), -(-grid.cols // side)

    def squares(raster: NDArray[Any], fill: float | bool) -> NDArray[Any]:
        padded = np.full((rows * side, cols * side), fill, raster.dtype)
        padded[: grid.rows, : grid.cols] = raster
        return padded.reshape(rows, side, cols, side).swapaxes(1, 2).reshape(-1, side * side)

    failed = {reason: squares(fails, True) for reason, fails in tests.items()}
    left = squares(np.ones(grid.shape, bool), False)
    strikes = np.where(left, 0, 2).astype(np.uint8)
    alive = left.any(1)
    codes = np.zeros(alive.size, np.uint8)
    for reason, fails in failed.items():
        left = left & ~fails
        strikes += fails
        now = left.any(1)
        codes[alive & ~now] = REASONS.index(reason)
        alive = now
    alone = np.zeros(len(REASONS), np.int64)
    for reason, fails in failed.items():
        only_this = ((strikes == 1) & fails).any(1) & ~alive
        alone[REASONS.index(reason)] = only_this.sum()
    i, j = np.divmod(np.arange(side * side), side)
    middle = (side - 1) / 2
    off_centre = np.hypot(i - middle, j - middle)
    worth = squares(np.minimum(room, ROOMY).astype(np.float32), -1.0) - 1e-3 * off_centre
    best = np.where(left, worth, -np.inf)[alive].argmax(1)
    square = np.flatnonzero(alive)
    row = (square // cols) * side + best // side
    col = (square % cols) * side + best % side
    order = np.lexsort((col, row))
    refused = Refused(what, codes.reshape(rows, cols), side, alone)
    return row[order], col[order], refused


def _frame(
    scene: Scene,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    steep: NDArray[np.floating],
    room: NDArray[np.floating],
) -> gpd.GeoDataFrame:
    x, y = scene.grid.xy(row, col)
    at = row, col
    width = scene.free_width[at].astype(float)
    seen = np.bitwise_count(scene.searched[at] & FLIGHT) / int(FLIGHT).bit_count()
    return gpd.GeoDataFrame(
        {
            "site_id": np.arange(1, row.size + 1),
            "slope_pct": steep[at].astype(float),
            "wetness": scene.wetness[at].astype(float),
            "free_width_m": np.where(np.isfinite(width), width, np.minimum(2 * room[at], 60.0)),
            "ground_m": scene.ground[at].astype(float),
            "height_above_drainage_m": scene.height_above_drainage[at].astype(float),
            "seen_share": seen,
        },
        geometry=shapely.points(x, y) if row.size else [],
        crs=scene.grid.crs,
    )


def add_spots(
    sites: gpd.GeoDataFrame, scene: Scene, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[gpd.GeoDataFrame, NDArray[np.int64]]:
    """Sites with spots of the designer's own added, and the row of each of them.

    They are not tested; a spot outside the grid is refused.

    Raises
    ------
    ValueError
        If a spot lies outside the grid.
    """
    row, col = scene.grid.rowcol(x, y)
    outside = (row < 0) | (col < 0) | (row >= scene.grid.rows) | (col >= scene.grid.cols)
    if outside.any():
        raise ValueError("a spot lies outside the grid")
    own = _frame(scene, row, col, pad_slope(scene), np.zeros(scene.grid.shape, np.float32))
    own["site_id"] += int(sites["site_id"].max()) if len(sites) else 0
    both = pd.concat([sites, own], ignore_index=True)
    return gpd.GeoDataFrame(both, crs=scene.grid.crs), len(sites) + np.arange(row.size)
