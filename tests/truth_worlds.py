"""Woods with stems, crowns and brush whose lanes are known, for judging what is said of them.

A world is a square of some hundred metres. From south to north it holds a meadow, the wood's edge,
an unroofed lane, a roofed tunnel and another tunnel, each running west to east through the wood.
Three kinds:

- `broadleaf`: domed crowns that overhang, brush in patches, hornbeams under the canopy;
- `pines`: cones on tall stems over a clean floor;
- `flat_roof`: dense brush under one closed flat roof; stems stand in the brush, none in a lane.

Stems are cylinders 0.15 to 0.6 m thick. The strips fly on a slant to the lanes and look 8 degrees
or more aside, so that scan lines are tilted and no two lanes are seen alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

import land
import pulses
import woods
from land import Band
from pulses import Sensor, Strip
from worlds import BOTTOM, LEFT, MARGIN, World

KINDS = ("broadleaf", "pines", "flat_roof")
SIZE = 96.0
THICKNESS = (0.15, 0.6)  # m, of stems

EDGE = 22.0  # m from the south: where the meadow ends


@dataclass(frozen=True)
class Lane:
    """A planted lane: free of growth between its sides from the ground to `height`.

    Attributes
    ----------
    kind
        tunnel or lane.
    middle
        Of its width, metres from the south.
    width, height
        Free between the sides, and up to the roof [m]; a lane without a roof is free to the sky.
    """

    kind: str
    middle: float
    width: float
    height: float

    @property
    def line(self) -> shapely.LineString:
        """Its centre line from edge to edge of the world."""
        y = BOTTOM + self.middle
        return shapely.LineString([(LEFT, y), (LEFT + SIZE, y)])


def _lanes(kind: str, rng: np.random.Generator) -> list[Lane]:
    wide = rng.uniform(5.0, 8.0, 2)
    roof = {"broadleaf": (4.0, 6.0), "pines": (6.0, 8.0), "flat_roof": (5.0, 7.0)}[kind]
    return [
        Lane("lane", 38.0, rng.uniform(8.0, 11.0), 40.0),
        Lane("tunnel", 58.0, wide[0], rng.uniform(*roof)),
        Lane("tunnel", 79.0, wide[1], rng.uniform(*roof)),
    ]


def plant(kind: str, seed: int) -> tuple[land.Land, list[Lane]]:
    """Land of a kind, and its lanes."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    outer = (LEFT - MARGIN, BOTTOM - MARGIN, LEFT + SIZE + MARGIN, BOTTOM + SIZE + MARGIN)
    x, y = land.cell_centres(outer, 0.5)
    lanes = _lanes(kind, rng)
    north = y - BOTTOM
    wood = north > EDGE
    inside = {lane: np.abs(north - lane.middle) < lane.width / 2 for lane in lanes}
    free = np.logical_or.reduce(list(inside.values()))
    grass = Band(0.3, 0.0, 0.25)
    if kind == "flat_roof":
        bands, mix, spacing = _flat_roof(wood, free, lanes, inside, rng)
    else:
        bands, mix, spacing = _natural(kind, wood, free, rng)
    trees, _ = woods.grow(spacing, outer, mix, rng)
    trees["stem_radius"] = np.clip(trees["stem_radius"], THICKNESS[0] / 2.2, THICKNESS[1] / 2.2)
    if kind == "flat_roof":
        trees["density"] = 0.0
    else:  # limbs that lean over the tunnels from both sides
        leaning = land.smooth_noise(x.shape, 16, rng) > -1.2
        for lane in lanes[1:]:
            limbs = np.where(inside[lane] & leaning, 0.12, 0).astype(np.float32)
            bands.append(Band(limbs, lane.height, lane.height + 5.0))
    carve = [(inside[lane], 0.25, lane.height) for lane in lanes]
    ground = (
        200 + 0.04 * (x - LEFT) + 0.02 * (y - BOTTOM) + 0.4 * land.smooth_noise(x.shape, 60, rng)
    )
    made = land.make_land(
        ground, outer[0], outer[3], trees=trees, bands=[grass, *bands], carve=carve,
        clumping=0.5, seed=seed,
    )  # fmt: skip
    return made, lanes


def _natural(kind, wood, free, rng):
    """Brush, mix of species and spacing of a wood; stems keep out of the lanes."""
    shape = wood.shape
    grows = wood & ~free
    if kind == "pines":
        floor = Band(np.where(grows, 0.002, 0).astype(np.float32), 0.0, 8.0)
        spacing = np.where(grows, 4.0 + 0.5 * land.smooth_noise(shape, 60, rng), np.nan)
        return [floor], {woods.PINE: 1.0}, np.clip(spacing, 3.0, 6.0)
    patches = land.smooth_noise(shape, 16, rng)
    high = land.smooth_noise(shape, 24, rng) > 0
    brush = np.where(grows & (patches > 0.2), np.clip(0.3 + 0.4 * patches, 0.2, 1.0), 0.0)
    sparse = np.where(grows, 0.003, 0.0)
    bands = [
        Band(np.where(high, brush, 0).astype(np.float32), 0.0, 2.5),
        Band(np.where(~high, brush, 0).astype(np.float32), 0.0, 1.5),
        Band(sparse.astype(np.float32), 0.0, 6.0),
    ]
    spacing = np.where(grows, 4.5 + 0.8 * land.smooth_noise(shape, 60, rng), np.nan)
    mix = {woods.OAK: 1.0, woods.MAPLE: 0.8, woods.HORNBEAM: 0.25}
    return bands, mix, np.clip(spacing, 3.2, 7.0)


def _flat_roof(wood, free, lanes, inside, rng):
    """Dense brush, a roof as flat as a table, and stems in the brush."""
    roofed = wood & ~inside[lanes[0]]
    grows = wood & ~free
    low = min(lane.height for lane in lanes[1:])
    bands = [
        Band(np.where(grows, 0.5, 0).astype(np.float32), 0.0, low),
        Band(np.where(roofed, 0.15, 0).astype(np.float32), low, 15.0),
    ]
    spacing = np.where(grows, 4.5, np.nan)
    return bands, {woods.MAPLE: 1.0}, spacing


def strips(density: float) -> list[Strip]:
    """Two flight lines on a slant, which look from 8 to 20 degrees aside."""
    x, y = LEFT + SIZE / 2, BOTTOM + SIZE / 2
    lines = []
    for number, (bearing, angle) in enumerate(((70.0, 9.0), (265.0, 17.0)), 1):
        aside = 1000.0 * math.tan(math.radians(angle))
        turn = math.radians(bearing)
        lines.append(
            Strip(
                x - aside * math.cos(turn), y + aside * math.sin(turn), bearing, 1000.0, 40.0,
                density / 2, number,
            )
        )  # fmt: skip
    return lines


def survey(kind: str, density: float, seed: int) -> World:
    """Planted land and the points that a survey brings home.

    Truth: `lanes`; `edge`, y of the wood's edge.
    """
    made, lanes = plant(kind, seed)
    points = pulses.fly(made, strips(density), Sensor(), seed=seed)
    bounds = (LEFT, BOTTOM, LEFT + SIZE, BOTTOM + SIZE)
    truth = {"lanes": lanes, "edge": BOTTOM + EDGE}
    return World(pulses.crop(points, bounds), made, bounds, truth)
