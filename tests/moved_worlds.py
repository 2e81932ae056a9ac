"""The same planted wood delivered on another grid: shifted by parts of a cell, or turned.

python tests/moved_worlds.py [broadleaf pines flat_roof] [8] [seeds=2]
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "sample_tiles")]

import judged  # noqa: E402
import land  # noqa: E402
import truth_worlds  # noqa: E402
from lanewright.base.grid import Grid  # noqa: E402
from lanewright.growth.vegetation import sort_vegetation  # noqa: E402
from lanewright.legs.contacts import contacts_of  # noqa: E402
from lanewright.settings.legs import ThrowSettings  # noqa: E402
from lanewright.settings.vegetation import VegetationSettings  # noqa: E402
from memory import MemoryPoints, points_of  # noqa: E402
from truth_worlds import SIZE  # noqa: E402
from worlds import BOTTOM, LEFT, World  # noqa: E402

MOVES = ((0, 0.0), (0, 0.25), (0, 0.5), (0, 0.75), (10, 0.0), (30, 0.0))
"""Turn [degrees], and shift east and north [cells]."""

LEGS, LENGTH, THROWS = 24, 60.0, 256


def best_rates(world: World, density: float, turn: float, shift: float, seed: int = 5):
    """Best clear rate said of each planted tunnel, over the same legs on the moved land."""
    cell, settings = judged.cell_for(density), ThrowSettings()
    ahead, back = _moves(turn, shift * cell)
    points = points_of(world)
    x, y = ahead(points.x, points.y)
    corners = ahead(
        *np.array([(LEFT + a * SIZE, BOTTOM + b * SIZE) for a in (0, 1) for b in (0, 1)]).T
    )
    (left, right), (bottom, top) = ((c.min(), c.max()) for c in corners)
    grid = Grid.over((left, bottom, right, top), cell, world.crs)
    was_x, was_y = back(*grid.xy(*np.mgrid[: grid.rows, : grid.cols]))
    ground = land.ground_at(world.land, was_x, was_y).astype(np.float32)
    there = (abs(was_x - LEFT - SIZE / 2) <= SIZE / 2) & (
        abs(was_y - BOTTOM - SIZE / 2) <= SIZE / 2
    )
    seen = sort_vegetation(
        MemoryPoints(replace(points, x=x, y=y), grid), grid,
        np.where(there, ground, np.float32(np.nan)), VegetationSettings(),
    )  # fmt: skip
    scene = judged.surveyed(world, cell, seen, grid, ground=ground)
    legs = _legs(world, np.random.default_rng(seed), ahead)
    legs = judged.centred(grid, legs)
    contacts = contacts_of(scene, settings, "on")
    arcs = judged.best_arcs(scene, legs, contacts)
    said = judged.rates(scene, legs, arcs, settings, contacts, THROWS).clear
    return pd.Series(said).groupby(legs.tunnel.to_numpy()).max().to_numpy()


def _moves(turn: float, shift: float):
    """To the moved land about the world's middle, and back."""
    x, y, a = LEFT + SIZE / 2, BOTTOM + SIZE / 2, math.radians(turn)
    c, s = math.cos(a), math.sin(a)

    def ahead(px, py):
        return x + shift + c * (px - x) - s * (py - y), y + shift + s * (px - x) + c * (py - y)

    def back(px, py):
        px, py = px - shift - x, py - shift - y
        return x + c * px + s * py, y - s * px + c * py

    return ahead, back


def _legs(world: World, rng: np.random.Generator, ahead) -> pd.DataFrame:
    """Legs along each tunnel: tunnel, x0, y0, x1, y1 on the moved land."""
    rows = []
    for number, lane in enumerate(world.truth["lanes"]):
        for _ in range(LEGS if lane.kind == "tunnel" else 0):
            aside = lane.middle + rng.uniform(-0.2, 0.2, 2) * lane.width
            start = rng.uniform(6, SIZE - 6 - LENGTH)
            tee = ahead(LEFT + start, BOTTOM + aside[0])
            end = ahead(LEFT + start + LENGTH, BOTTOM + aside[1])
            rows.append((number, *tee, *end))
    return pd.DataFrame(rows, columns=["tunnel", "x0", "y0", "x1", "y1"])


def main(arguments: list[str]) -> None:
    """Print the best rates of each world's tunnels on every grid."""
    kinds = [a for a in arguments if a in truth_worlds.KINDS] or list(truth_worlds.KINDS)
    pulses = next((float(a) for a in arguments if a.isdigit()), 8.0)
    seeds = next((int(a[6:]) for a in arguments if a.startswith("seeds=")), 2)
    for kind in kinds:
        for seed in range(1, seeds + 1):
            world = truth_worlds.survey(kind, pulses, seed)
            best = np.array([best_rates(world, pulses, *move) for move in MOVES])
            print(kind, seed, *("; ".join(map(str, row)) for row in best.round(2).T), sep="\n  ")


if __name__ == "__main__":
    main(sys.argv[1:])
