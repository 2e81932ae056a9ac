"""Features that water makes: carries over it, and land that reaches into it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.units import both
from lanewright.features.found import (
    Found,
    Squares,
    air_along,
    compass,
    full,
    peaks,
    ponds_of,
    within_throw,
)
from lanewright.kernels.around import around
from lanewright.scene import Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level

WAYS = 16  # directions over half a circle in which carries are sought
ASIDE = 3  # squares between two parallel lines over the water
DIFFER = 40.0  # degrees by which two carries over one pond differ at least
FEW = 2  # carries kept of one pond
SECOND = 0.5  # what the second of them is worth: one pond makes one hole as a rule; ours
DIRECTIONS = 32


def ponds(land: Squares, settings: FeaturesSettings) -> list[Flags]:
    """Squares of each body of water that is large enough, largest first."""
    return ponds_of(land.water, land.grid.cell, settings.water_from)


def carries(
    scene: Scene, land: Squares, levels: Sequence[Level], settings: FeaturesSettings
) -> Iterator[Found]:
    """Throws over a pond from dry ground to dry ground, in ways that differ."""
    longest = max(level.carry for level in levels)
    for pond in ponds(land, settings):
        lines = [(line, wet) for line, wet in _over(land, pond, settings) if wet <= longest]
        made = [_carry(scene, line, wet, levels, settings) for line, wet in lines]
        kept: list[float] = []
        for found in sorted(made, key=lambda f: -f.worth):
            way = _bearing(found.line)
            if all(abs((way - k + 90) % 180 - 90) >= DIFFER for k in kept) and len(kept) < FEW:
                yield replace(found, worth=found.worth * SECOND) if kept else found
                kept.append(way)


def _over(
    land: Squares, pond: Flags, settings: FeaturesSettings
) -> Iterator[tuple[shapely.LineString, float]]:
    """Lines over a pond in all ways and places: tee on one bank, green on the other."""
    cell = land.grid.cell
    bank = max(1, round(settings.carry_bank / cell))
    shape = np.argwhere(pond)
    middle = shape.mean(0)
    radius = float(np.hypot(*(shape - middle).T).max())
    spot = land.dry & (land.slope_pct <= settings.tee_slope)
    for way in compass(2 * WAYS)[:WAYS]:
        aside = np.array([-way[1], way[0]])
        for shift in np.arange(-radius, radius + 1, ASIDE):
            along = np.arange(-radius - bank, radius + bank + 1)
            cells = np.rint(middle + shift * aside + along[:, None] * way).astype(np.int64)
            inside = ((cells >= 0) & (cells < land.grid.shape)).all(1)
            cells = cells[inside]
            wet = np.flatnonzero(pond[cells[:, 0], cells[:, 1]])
            if not len(wet):
                continue
            metres = float(wet[-1] - wet[0] + 1) * cell
            if metres < settings.carry_from:
                continue
            dry = spot[cells[:, 0], cells[:, 1]]
            tee = np.flatnonzero(dry[max(0, wet[0] - bank) : wet[0]]) + max(0, wet[0] - bank)
            green = np.flatnonzero(dry[wet[-1] + 1 : wet[-1] + 1 + bank]) + wet[-1] + 1
            # A few steps back from the shore, where a tee and a green have room.
            tee = tee[wet[0] - tee >= 4 / cell]
            green = green[green - wet[-1] >= 6 / cell]
            if len(tee) and len(green):
                yield land.line(cells[tee[-1]], cells[green[0]]), metres


def _bearing(line: shapely.LineString) -> float:
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    return float(np.degrees(np.arctan2(x1 - x0, y1 - y0)))


def _carry(
    scene: Scene,
    line: shapely.LineString,
    wet: float,
    levels: Sequence[Level],
    settings: FeaturesSettings,
) -> Found:
    air = air_along(scene, line)
    can = [level.name for level in levels if level.carry >= wet and level.tee_throw >= line.length]
    best = max(level.carry for level in levels)
    return Found(
        kind="carry",
        line=line,
        worth=(0.4 + 0.6 * full(wet, 0.6 * best))
        * (0.4 + 0.6 * air.free)
        * (0.6 + 0.4 * len(can) / len(levels)),
        certainty=1.0 - 0.3 * air.unknown,
        figure=f"{both(wet)} of water",
        reason=f"{both(wet)} of water between dry banks, {both(line.length)} from where a tee fits "
        f"to where a green does{air.said}.",
        levels=can if air.passes else (),
        figures={"carry_water_m": wet} | air.figures,
    )


def peninsulas(
    scene: Scene, land: Squares, levels: Sequence[Level], settings: FeaturesSettings
) -> Iterator[Found]:
    """Dry ground with water on more than half of its sides, and a way onto it."""
    water = np.zeros(land.grid.shape, bool)
    for pond in ponds(land, settings):
        water |= pond
    if not water.any():
        return
    cell = land.grid.cell
    shore = ndi.distance_transform_edt(~water) * cell
    near = land.dry & (shore <= settings.peninsula_reach / 2) & (shore >= 3.0)
    places = np.argwhere(near)
    if not len(places):
        return
    wet, runs, score = _surrounded(land, water, places, settings)
    enough = np.flatnonzero((wet.mean(1) >= settings.peninsula_share) & (runs >= 2))
    for k in peaks(score[enough], places[enough].astype(float), 40.0 / cell):
        i = enough[k]
        share = float(wet[i].mean())
        way = compass(DIRECTIONS)[int(np.argmin(wet[i]))]
        onto = places[i] + way * settings.peninsula_reach / cell
        line = land.line(np.rint(onto).astype(np.int64), places[i])
        air = air_along(scene, line)
        yield Found(
            kind="peninsula",
            line=line,
            worth=full(share, 0.9),
            certainty=0.9,
            figure=f"water on {share:.0%} of its sides",
            reason=f"Dry ground with water within {both(settings.peninsula_reach)} on {share:.0%} "
            "of its sides: a green or a tee there is played over or beside it.",
            levels=within_throw(levels, line.length) if air.passes else (),
            figures={"water_share": share} | air.figures,
        )


def _surrounded(
    land: Squares, water: Flags, places: Ints, settings: FeaturesSettings
) -> tuple[Flags, Ints, Floats]:
    """Directions with water near (n, d), dry directions in a row, and how much water (n,)."""
    shape = (len(places), DIRECTIONS)
    first = np.zeros(shape, np.int64)
    steps = max(1, round(settings.peninsula_reach / land.grid.cell))
    flat = np.zeros(land.grid.shape, np.float32)
    turns = compass(DIRECTIONS)
    around(flat, water, places, turns, steps, np.zeros(shape), np.zeros(shape), first)
    wet = first > 0
    dry_run, run = np.zeros(len(places), np.int64), np.zeros(len(places), np.int64)
    for k in range(2 * DIRECTIONS):
        run = np.where(~wet[:, k % DIRECTIONS], run + 1, 0)
        dry_run = np.maximum(dry_run, run)
    return wet, dry_run, wet.mean(1) - 0.001 * first.mean(1)
