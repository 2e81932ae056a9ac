"""One land surveyed twice, with everything that changed between the surveys planted.

Five years lie between. The wood grew by `GROWTH` a year; a square was felled, a patch of meadow
dug off, a house built; of two lanes in the brush one narrowed and one closed. Each survey shoots
pulses of its own, and the earlier one is delivered off its place by `OFF`.
"""

import datetime as dt
from typing import NamedTuple

import numpy as np
import shapely

import land
import pulses
import woods
from land import Band
from pulses import Sensor, Strip

LEFT, BOTTOM, SIZE, MARGIN = 552_000.0, 4_310_000.0, 140.0, 15.0
EDGE = 50.0
"""Metres north of the bottom at which the wood begins."""

THEN, NOW = dt.date(2018, 11, 20), dt.date(2023, 11, 20)
GROWTH = 0.3  # m a year
OFF = (1.2, -0.7, 0.25)
"""East, north and up by which the earlier survey's points are too far [m]."""

FELLED = shapely.box(LEFT + 20, BOTTOM + 100, LEFT + 45, BOTTOM + 125)
DUG, DEPTH = shapely.box(LEFT + 90, BOTTOM + 15, LEFT + 104, BOTTOM + 29), 0.9
HOUSE = shapely.box(LEFT + 30, BOTTOM + 15, LEFT + 42, BOTTOM + 25)
NARROWED, CLOSED = 68.0, 88.0
"""Metres north of the bottom of the middle of each lane."""

WIDE_THEN, WIDE_NOW = 9.0, 6.0


class Pair(NamedTuple):
    """Points of both surveys."""

    then: pulses.Points
    now: pulses.Points


def surveys(density: float = 8.0, seed: int = 1) -> Pair:
    """Fly both surveys."""
    return Pair(_survey(False, density, seed), _survey(True, density, seed))


def _survey(now: bool, density: float, seed: int) -> pulses.Points:
    rng = np.random.default_rng(seed)  # the same wood, both times
    outer = (LEFT - MARGIN, BOTTOM - MARGIN, LEFT + SIZE + MARGIN, BOTTOM + SIZE + MARGIN)
    x, y = land.cell_centres(outer, 0.5)
    north = y - BOTTOM
    wood = north > EDGE
    lanes = [(NARROWED, WIDE_NOW if now else WIDE_THEN), (CLOSED, 0.0 if now else WIDE_THEN)]
    inside = [np.abs(north - middle) < width / 2 for middle, width in lanes]
    never = np.abs(north - NARROWED) < WIDE_THEN / 2 + 1
    never |= np.abs(north - CLOSED) < WIDE_THEN / 2 + 1
    trees, _ = woods.grow(np.where(wood & ~never, 5.0, np.nan), outer, {woods.MAPLE: 1.0}, rng)
    ground = 200 + 0.05 * (x - LEFT) + 0.5 * land.smooth_noise(x.shape, 40, rng)
    trees["height"] -= 4.0
    brush = np.where(wood & ~np.logical_or(*inside), 0.9, 0.0).astype(np.float32)
    felled = shapely.contains_xy(FELLED, x, y)
    if now:
        trees = trees[~shapely.contains_xy(FELLED, trees["x"], trees["y"])]
        grown = GROWTH * (NOW - THEN).days / 365.25
        trees["height"] += grown
        trees["crown_base"] += grown  # so that every part of a crown's surface rose by as much
        ground = ground - DEPTH * shapely.contains_xy(DUG, x, y)
        brush = np.where(felled, 0, brush).astype(np.float32)
    made = land.make_land(
        ground, outer[0], outer[3], trees=trees, bands=[Band(brush, 0.0, 3.0)], clumping=0.3,
        seed=seed,
    )  # fmt: skip
    middle = LEFT + SIZE / 2, BOTTOM + SIZE / 2
    strips = [
        Strip(*middle, bearing, 1000.0, 40.0, density / 2, number)
        for number, bearing in enumerate((60.0, 240.0), 1)
    ]
    points = pulses.fly(made, strips, Sensor(), seed=seed + 100 * now)
    points = pulses.crop(points, (LEFT, BOTTOM, LEFT + SIZE, BOTTOM + SIZE))
    if now:
        return _built(points, made)
    for name, metres in zip("xyz", OFF, strict=True):
        points[name] = points[name] + metres
    return points


def _built(points: pulses.Points, made: land.Land) -> pulses.Points:
    """A flat roof of class 6 where the house stands; no pulse goes through it."""
    roof = shapely.contains_xy(HOUSE, points["x"], points["y"])
    points = {k: v[~roof | (points["return_number"] == 1)] for k, v in points.items()}
    roof = shapely.contains_xy(HOUSE, points["x"], points["y"])
    points["z"] = np.where(roof, made.ground.mean() + 5, points["z"])
    points["classification"] = np.where(roof, 6, points["classification"]).astype(np.uint8)
    points["number_of_returns"] = np.where(roof, 1, points["number_of_returns"]).astype(np.uint8)
    return points
