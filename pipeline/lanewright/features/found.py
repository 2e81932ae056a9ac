"""What every search for features reads and gives: the land in squares of 2 m, and a find."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Ints, Raster
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.scene import FLIGHT, Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level

SQUARE = 2.0
"""Metres; side of the squares that ground features are looked for in."""

SHORE = 25.0  # m from a pond within which ground is held against its level; ours
ISLAND = 0.1  # share of the largest piece of land below which another is an island; ours
DISC = 0.21  # m; diameter of a golf disc (PDGA technical standards, from memory)
ARC = 1 / 15  # of its length that a throw rises over the straight way; from memory
OPEN = 2 / 3  # share of a flight that must be free to be played as it stands; ours
LITTLE = 0.05  # share of it that is not worth a word
PASSED = 0.967  # standard deviations either side that hold two thirds of a normal spread


@dataclass(frozen=True)
class Found:
    """One thing of the land.

    Attributes
    ----------
    kind
        As the layer `features` lists them.
    line
        From where to stand to where it leads; its first point is the place to see it from.
    worth
        How good it is of its kind, 0-1.
    certainty
        How sure the survey is of it, 0-1.
    figure
        The one length or height that its name carries, with its unit.
    reason
        Why it is worth the walk, as one sentence.
    levels
        Who could play it as it stands, best players first.
    figures
        Further columns of the layer.
    """

    kind: str
    line: shapely.LineString
    worth: float
    certainty: float
    figure: str
    reason: str
    levels: Sequence[str] = ()
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Squares:
    """The land in squares of about 2 m; arrays (rows, cols).

    Attributes
    ----------
    grid
        Georeference of the squares.
    ground
        Mean height [m]; NaN unknown.
    slope_pct
        Steepest slope of the ground, smoothed over some metres.
    water, wet, inside, barred
        Open water, likely wet ground, the property, keep-outs and buildings.
    low
        Ground that hardly rises over a pond beside it: sandbars and reeds.
    island
        Ground that water parts from the rest of the land.
    trees
        Share of the ground around with trees or brush at throwing height, 0-1.
    canopy
        Height of the vegetation [m]; 0 on water, NaN unknown, as where a building stands.
    """

    grid: Grid
    ground: Raster
    slope_pct: Raster
    water: Flags
    wet: Flags
    inside: Flags
    barred: Flags
    low: Flags
    island: Flags
    trees: Raster
    canopy: Raster

    @cached_property
    def dry(self) -> Flags:
        """Where somebody may stand: inside, known, dry, to be walked to, not barred."""
        land = self.inside & np.isfinite(self.ground) & ~self.water & ~self.barred
        return land & ~self.wet & ~self.low & ~self.island

    def at(self, places: Ints) -> Floats:
        """Coordinates (n, 2) of rows and columns (n, 2)."""
        x, y = self.grid.xy(places[:, 0], places[:, 1])
        return np.column_stack([x, y])

    def line(self, one: Ints, other: Ints) -> shapely.LineString:
        """Line between the centres of two squares."""
        return shapely.LineString(self.at(np.stack([one, other])))


def ponds_of(water: Flags, cell: float, least: float) -> list[Flags]:
    """Squares of each body of water of at least so many square metres, largest first."""
    labels, count = ndi.label(water, structure=np.ones((3, 3)))
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:] * cell**2
    order = np.argsort(-area, kind="stable")
    return [labels == k + 1 for k in order if area[k] >= least]


def _low(ground: Raster, water: Flags, cell: float, settings: FeaturesSettings) -> Flags:
    """Ground near a pond that rises less than `above_water` over it."""
    large = np.zeros(water.shape, bool)
    for pond in ponds_of(water, cell, settings.water_from):
        large |= pond
    if not large.any():
        return large
    away, at = ndi.distance_transform_edt(~large, return_indices=True)
    rise = ground - ground[at[0], at[1]]
    return np.asarray((away * cell <= SHORE) & (rise < settings.above_water))


def _island(land: Flags, water: Flags) -> Flags:
    """Land within water that is small beside the largest piece of land."""
    labels, count = ndi.label(land & ~water, structure=np.ones((3, 3)))
    size = np.bincount(labels.ravel(), minlength=count + 1)
    size[0] = 0
    small = size < ISLAND * size.max()
    small[0] = False
    return np.asarray(small[labels])


@dataclass(frozen=True)
class Heights:
    """Ground, water and canopy of the land in squares of about 2 m, as in `Squares`."""

    grid: Grid
    ground: Raster
    water: Flags
    canopy: Raster


def heights_of(scene: Scene) -> Heights:
    """Heights in squares, from the scene's finer rasters."""
    factor = max(1, round(SQUARE / scene.grid.cell))
    grid = scene.grid.coarser(factor)
    water = _mean(scene.water, factor) >= 0.5
    return Heights(grid, _mean(scene.ground, factor), water, _canopy(scene, grid, factor, water))


def squares_of(scene: Scene, settings: FeaturesSettings) -> Squares:
    """The land in squares, from the scene's finer rasters."""
    factor = max(1, round(SQUARE / scene.grid.cell))
    heights = heights_of(scene)
    grid, ground, water = heights.grid, heights.ground, heights.water
    known = np.isfinite(ground)
    filled = np.where(known, ground, 0.0)
    weight = ndi.gaussian_filter(known.astype(np.float64), 1.0)
    smooth = ndi.gaussian_filter(filled.astype(np.float64), 1.0) / np.maximum(weight, 1e-9)
    down, right = (
        np.gradient(np.where(known, smooth, np.nan), grid.cell)
        if min(ground.shape) > 1
        else (np.zeros_like(smooth), np.zeros_like(smooth))
    )
    inside = cells_of(scene.land, grid)
    return Squares(
        grid=grid,
        ground=ground,
        slope_pct=(100 * np.hypot(down, right)).astype(np.float32),
        water=water,
        wet=_mean(scene.wet, factor) >= 0.5,
        inside=inside,
        barred=cells_of(scene.off_limits, grid),
        low=_low(ground, water, grid.cell, settings),
        island=_island(inside & known, water),
        trees=np.nan_to_num(_mean(scene.trees_around, factor)),
        canopy=heights.canopy,
    )


def _canopy(scene: Scene, grid: Grid, factor: int, water: Flags) -> Raster:
    """Height of the vegetation in squares [m]; NaN where lidar saw neither plants nor open air."""
    blank = (np.nan_to_num(scene.canopy_height) <= 0) & ((scene.searched & FLIGHT) == 0)
    height = _mean(np.where(blank, np.nan, scene.canopy_height), factor)
    height = np.where(water & np.isnan(height), np.float32(0), height)
    return np.where(cells_of(scene.buildings, grid), np.float32(np.nan), height)


def _mean(raster: np.ndarray, factor: int) -> Raster:
    """Mean of what is known in each square; NaN where nothing is."""
    rows, cols = (-(-n // factor) * factor for n in raster.shape)
    whole = np.full((rows, cols), np.nan, np.float32)
    whole[: raster.shape[0], : raster.shape[1]] = raster
    blocks = whole.reshape(rows // factor, factor, cols // factor, factor)
    known = np.isfinite(blocks)
    count = known.sum((1, 3))
    total = np.where(known, blocks, 0).sum((1, 3), dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def compass(count: int) -> Floats:
    """Unit steps (count, 2) in rows and columns, clockwise from north."""
    turn = 2 * np.pi * np.arange(count) / count
    return np.column_stack([-np.cos(turn), np.sin(turn)])


def peaks(score: Floats, places: Floats, apart: float) -> Iterator[int]:
    """Numbers of places by falling score, leaving out those within `apart` of one before.

    `places` (n, any) and `apart` are in one unit; equal scores go to the lower number.
    """
    alive = np.ones(len(score), bool)
    for index in np.argsort(-score, kind="stable"):
        if alive[index]:
            alive &= np.linalg.norm(places - places[index], axis=1) >= apart
            yield int(index)


def full(value: float, at: float) -> float:
    """0 to 1: `value` as a share of what counts in full."""
    return float(min(1.0, max(0.0, value / at)))


@dataclass(frozen=True)
class Air:
    """What is known of a flight: shares of its length, 0-1, which add up to 1.

    Attributes
    ----------
    free
        Searched by lidar, and nothing in the way.
    shut
        Growth, a building or the ground itself in the way.
    unknown
        Not searched, or over ground that is not known.
    """

    free: float
    shut: float
    unknown: float

    @property
    def figures(self) -> dict[str, float]:
        """Columns of the layer; what is free is not known where nothing was searched."""
        free = self.free if self.unknown < 1 else np.nan
        return {"open_share": free, "seen_share": 1.0 - self.unknown}

    @property
    def passes(self) -> bool:
        """Whether two thirds of it are known to be free."""
        return self.free >= OPEN

    @property
    def said(self) -> str:
        """What is in its way, to follow a sentence; empty where nothing much is."""
        shut = f"; {self.shut:.0%} of the flight is shut" if self.shut > LITTLE else ""
        if self.unknown > LITTLE:
            return f"{shut}; {self.unknown:.0%} of the flight was not seen by lidar"
        return shut


def air_along(scene: Scene, line: shapely.LineString, height: float = 1.5) -> Air:
    """What is known of the flight along a line, straight or in an arc, the freer of the two.

    A flight runs from `height` [m] over the first point of the line to as much over its last. From
    behind the lip of a slope the straight way leads through the ground, and a throw arcs over it.
    All above 16 m is taken as free, for no disc of ours flies there; without lidar nothing is
    known.
    """
    if not scene.surveyed:
        return Air(0.0, 0.0, 1.0)
    flights = [_air(scene, line, height, arc * line.length) for arc in (0.0, ARC)]
    return max(flights, key=lambda air: air.free)


def _air(scene: Scene, line: shapely.LineString, height: float, arc: float) -> Air:
    """The same for one flight, whose middle lies `arc` [m] over the straight way."""
    count = max(2, int(line.length) + 1)
    points = shapely.get_coordinates(line.interpolate(np.linspace(0, 1, count), normalized=True))
    row, col = scene.grid.nearest(points[:, 0], points[:, 1])
    ground = scene.ground[row, col].astype(np.float64)
    along = np.linspace(0, 1, count)
    straight = ground[0] + along * (ground[-1] - ground[0])
    above = straight + 4 * arc * along * (1 - along) + height - ground
    layer = np.floor(above / LAYER_HEIGHT)
    within = (layer >= 0) & (layer < LAYERS)
    bit = np.left_shift(np.uint64(1), np.where(within, layer, 0).astype(np.uint64))
    shut = (layer < 0) | (within & ((scene.blocked[row, col] & bit) != 0))
    # Water gives hardly a pulse back, and nothing grows out of it.
    searched = within & (((scene.searched[row, col] & bit) != 0) | scene.water[row, col])
    free = (searched | (layer >= LAYERS)) & ~shut
    return Air(float(free.mean()), float(shut.mean()), float((~free & ~shut).mean()))


def gap_for(level: Level, distance: float) -> float:
    """Width [m] that two thirds of a level's throws pass at a distance [m]."""
    return float(2 * PASSED * level.sideways(distance)) + DISC


def within_throw(levels: Sequence[Level], length: float) -> tuple[str, ...]:
    """Levels whose controlled tee throw covers a length [m]."""
    return tuple(level.name for level in levels if length <= level.tee_throw)
