"""What is said of legs and lanes in planted woods, beside what is true of them.

Truth: each leg is thrown 1,024 times, by the very throws that are said of, through the world's own
vegetation on a grid of 0.1 m. Twigs are met as often as `throwing` assumes of a disc, since that is
geometry and no estimate; stems are solid cylinders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from scipy import ndimage as ndi

import land
import leg_worlds
import truth_worlds
from lanewright.base.grid import Grid
from lanewright.flight.flight import LevelFlights, fly_throws
from lanewright.growth.columns import DENSITY_TABLE, LAYER_HEIGHT, LAYERS, blocked
from lanewright.growth.lanes import Lanes, find_lanes
from lanewright.growth.vegetation import Vegetation
from lanewright.legs import throwing
from lanewright.legs.contacts import Contacts, contacts_of
from lanewright.legs.throwing import Lines
from lanewright.legs.worlds import band, other_worlds
from lanewright.scene import Scene
from lanewright.settings.flight import FlightSettings
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.legs import LegsSettings, ThrowSettings
from lanewright.settings.levels import levels_named
from memory import grid_of, survey
from truth_worlds import EDGE, SIZE
from worlds import BOTTOM, LEFT, World

THROWS = 1024
FINE = 0.1  # m, cells of the truth
LEGS = {"tunnel": 10, "lane": 6, "edge": 6, "open": 4, "wood": 24}
"""How many legs of each kind a world has."""

WIDEST = 8.0  # m, of planted tunnels

STEM = np.uint8(255)
TAPER = 0.6  # share of its radius that a stem of `land` loses on the way to its top


@cache
def flights() -> LevelFlights:
    """The best players' throws."""
    return fly_throws(levels_named(("blue",)), FlightSettings(), elevation=200.0).levels[0]


def cell_for(density: float) -> float:
    """Cells as the run would choose them."""
    return 0.5 if density >= 4 else 1.0


def scene_on(grid: Grid, planted: land.Land, **known: object) -> Scene:
    """Open, fully searched land with the planted ground, but for what is `known` of it."""
    like = leg_worlds.bare(10.0)
    x, y = grid.xy(*np.mgrid[: grid.rows, : grid.cols])
    flat = {
        name: np.broadcast_to(value.flat[0], grid.shape)
        for name, value in vars(like).items()
        if isinstance(value, np.ndarray) and value.shape == like.grid.shape
    }
    ground = land.ground_at(planted, x, y).astype(np.float32)
    given = {"grid": grid, "ground": ground, "land": shapely.box(*grid.bounds)}
    given = {**flat, **given, **known}
    if "density" not in given:
        given["density"] = np.zeros((*grid.shape, LAYERS), np.uint8)
    return replace(like, **given)


def surveyed(
    world: World, cell: float, seen: Vegetation, grid: Grid | None = None, **known: object
) -> Scene:
    """The land as the vegetation stage has it, on its own grid or another."""
    columns, grid = seen.columns, grid or grid_of(world, cell)
    lanes = lanes_of(world, grid, seen)
    return scene_on(
        grid, world.land, **known, density=columns.density,
        free_width=lanes.free_width, lane_kind=lanes.kind,
        searched=columns.searched, table=columns.table, canopy_height=seen.canopy_height,
        trees=seen.trees, stem_signs=seen.stem_signs,
        blocked=blocked(columns, LegsSettings().blocked_density),
    )  # fmt: skip


def true(world: World, settings: ThrowSettings, stems: bool = True) -> Scene:
    """The land as it was planted, fine enough for stems; a stem is solid to a disc's middle."""
    planted = world.land
    grid = grid_of(world, FINE)
    coarse = land.density_columns(planted, grid.bounds, planted.cell)
    edges = (DENSITY_TABLE[1:254] + DENSITY_TABLE[:253]) / 2
    codes = np.searchsorted(edges, coarse).astype(np.uint8)
    times = round(planted.cell / FINE)
    codes = np.repeat(np.repeat(codes, times, 0), times, 1)
    if stems:
        for x, y, radius, height in planted.stems:
            _stand(codes, grid, x, y, radius, height, settings.disc / 2)
    return scene_on(grid, planted, density=codes, table=DENSITY_TABLE)


def _stand(codes, grid, x, y, radius, height, disc):
    """Fill the cells whose middle a disc cannot pass without touching the stem."""
    reach = int(np.ceil((radius + disc) / grid.cell)) + 1
    row, col = grid.rowcol(np.array([x]), np.array([y]))
    r, c = np.mgrid[row[0] - reach : row[0] + reach + 1, col[0] - reach : col[0] + reach + 1]
    ok = (r >= 0) & (c >= 0) & (r < grid.rows) & (c < grid.cols)
    cx, cy = grid.xy(r, c)
    away = np.hypot(cx - x, cy - y)
    for layer in range(min(LAYERS, int(height / LAYER_HEIGHT))):
        wide = radius * (1 - TAPER * (layer + 0.5) * LAYER_HEIGHT / height) + disc
        here = ok & (away < wide)
        codes[r[here], c[here], layer] = STEM


# ---------------------------------------------------------------------------------------------
# Legs


def planned(world: World, seed: int) -> pd.DataFrame:
    """Legs to throw at: kind, x0, y0, x1, y1 [m]."""
    rng = np.random.default_rng([seed, 77])
    lanes = world.truth["lanes"]
    rows: list[tuple] = []

    def along(kind: str, middle: float, aside: float) -> None:
        low, high = middle + rng.uniform(-aside, aside, 2)
        length = rng.uniform(50, 84)
        start = rng.uniform(4, SIZE - 4 - length)
        ends = (start, low), (start + length, high)
        rows.append(
            (kind, *ends[0], *ends[1]) if rng.random() < 0.5 else (kind, *ends[1], *ends[0])
        )

    for kind, count in LEGS.items():
        for i in range(count):
            mine = [lane for lane in lanes if lane.kind == kind]
            if mine:
                lane = mine[i % len(mine)]
                along(kind, lane.middle, 0.15 * lane.width)
            elif kind == "edge":
                along(kind, EDGE - rng.uniform(1.5, 4.0), 0.75)
            elif kind == "open":
                along(kind, 9.0, 2.0)
            else:
                rows.append((kind, *_through(rng, EDGE + 3)))
    frame = pd.DataFrame(rows, columns=["kind", "x0", "y0", "x1", "y1"])
    return frame.assign(
        x0=frame.x0 + LEFT, x1=frame.x1 + LEFT, y0=frame.y0 + BOTTOM, y1=frame.y1 + BOTTOM
    )


def _through(rng, south):
    """Two places in the wood 25 to 60 m apart."""
    while True:
        x0, x1 = rng.uniform(4, SIZE - 4, 2)
        y0, y1 = rng.uniform(south, SIZE - 4, 2)
        if 25 < np.hypot(x1 - x0, y1 - y0) < 60:
            return x0, y0, x1, y1


def lines_on(grid: Grid, legs: pd.DataFrame, arc: np.ndarray | int = 0) -> Lines:
    """Legs as lines between cells."""
    tee, end = grid.rowcol(legs.x0, legs.y0), grid.rowcol(legs.x1, legs.y1)
    return Lines(*tee, *end, np.broadcast_to(arc, len(legs)).astype(np.int64))


def centred(grid: Grid, legs: pd.DataFrame) -> pd.DataFrame:
    """The legs from cell centre to cell centre, so that every grid throws from the same place."""
    x0, y0 = grid.xy(*grid.rowcol(legs.x0, legs.y0))
    x1, y1 = grid.xy(*grid.rowcol(legs.x1, legs.y1))
    return legs.assign(x0=x0, y0=y0, x1=x1, y1=y1)


def best_arcs(scene: Scene, legs: pd.DataFrame, contacts: Contacts) -> np.ndarray:
    """Arc of each leg that meets least on its way, as the search would choose."""
    level, paths = flights(), throwing.paths_of(flights())
    met = np.full((len(legs), len(level.arcs)), np.inf)
    for arc in range(len(level.arcs)):
        lines = lines_on(scene.grid, legs, arc)
        there = throwing.exists(lines, level, contacts, scene.grid.cell)
        got = throwing.aim(lines, level, paths, contacts, scene.grid.cell)[:, 0]
        met[:, arc] = np.where(there, got, np.inf)
    return met.argmin(1)


def rates(scene: Scene, legs: pd.DataFrame, arcs: np.ndarray, settings: ThrowSettings,
          contacts: Contacts | None = None, throws: int = THROWS):  # fmt: skip
    """Throw at the legs; `throwing.Thrown`."""
    level = flights()
    contacts = contacts or contacts_of(scene, settings, "on")
    lines = lines_on(scene.grid, legs, arcs)
    seeds = throwing.seeds_of("blue", lines, *legs[["x0", "y0", "x1", "y1"]].to_numpy().T)
    return throwing.throw(
        lines, level, throwing.paths_of(level), contacts, seeds, throws, scene.grid.cell
    )


def band_of(scene, legs, arcs, contacts, said):
    """Low and high end of what is said."""
    level, lines = flights(), lines_on(scene.grid, legs, arcs)
    seeds = throwing.seeds_of("blue", lines, *legs[["x0", "y0", "x1", "y1"]].to_numpy().T)
    paths = throwing.paths_of(level)
    other = other_worlds(contacts, scene.grid.cell)
    return band(lines, level, paths, other, seeds, said, THROWS)


# ---------------------------------------------------------------------------------------------
# One world


@dataclass(frozen=True)
class Judged:
    """Legs with what is said and true; lanes with how much of them is; density by metre.

    Attributes
    ----------
    legs
        kind, said, low, high, true.
    tunnels
        One row per planted lane: kind, width, found share named its kind, width said.
    named
        Length named tunnel or lane, and how much of it is free in truth.
    density
        wood, metre, said, true: mean over the wood at each metre of height.
    """

    legs: pd.DataFrame
    tunnels: pd.DataFrame
    named: pd.DataFrame
    density: pd.DataFrame


@cache
def truth_of(kind: str, seed: int) -> Scene:
    """The truth of a world, which does not hang on how densely it was surveyed."""
    made, lanes = truth_worlds.plant(kind, seed)
    bounds = (LEFT, BOTTOM, LEFT + SIZE, BOTTOM + SIZE)
    return true(World({}, made, bounds, {"lanes": lanes}), ThrowSettings())


def judge(kind: str, density: float, seed: int, world: World | None = None) -> Judged:
    """Survey a world and compare."""
    world = world or truth_worlds.survey(kind, density, seed)
    cell, settings = cell_for(density), ThrowSettings()
    seen = survey(world, cell)
    scene = surveyed(world, cell, seen)
    legs = centred(scene.grid, planned(world, seed))
    contacts = contacts_of(scene, settings, "on")
    arcs = best_arcs(scene, legs, contacts)
    said = rates(scene, legs, arcs, settings, contacts)
    low, high = band_of(scene, legs, arcs, contacts, (said.clear, said.error))
    fine = truth_of(kind, seed)
    legs = legs.assign(
        said=said.clear, low=low, high=high, true=rates(fine, legs, arcs, settings).clear,
        world=kind, pulses=density, seed=seed,
    )  # fmt: skip
    lanes = lanes_of(world, scene.grid, seen)
    tunnels, named = lane_figures(world, lanes, fine)
    about = {"world": kind, "pulses": density, "seed": seed}
    return Judged(
        legs, tunnels.assign(**about), named.assign(**about),
        density_figures(world, seen, cell).assign(**about),
    )  # fmt: skip


def lanes_of(world: World, grid: Grid, seen: Vegetation) -> Lanes:
    """What the stage `lanes` finds."""
    everywhere = np.ones(grid.shape, bool)
    whole = SimpleNamespace(grid=grid, inside=everywhere)
    return find_lanes(whole, SimpleNamespace(water=~everywhere), seen, LanesSettings())


def lane_figures(world: World, found: Lanes, fine: Scene) -> tuple[pd.DataFrame, pd.DataFrame]:
    """How much of planted lanes is found, and how much of what is named is free.

    Where the survey ends nothing was searched beyond, and a lane ends half its width before.
    """
    rows = []
    for lane in world.truth["lanes"]:
        close = found.lanes[found.lanes.kind == lane.kind]
        beside = close.geometry.distance(lane.line) < lane.width / 2
        near = close[beside.to_numpy(bool)]
        aside = shapely.union_all(near.geometry.buffer(lane.width / 2, cap_style="flat").array)
        whole = shapely.ops.substring(lane.line, WIDEST / 2, SIZE - WIDEST / 2)
        share = whole.intersection(aside).length / whole.length if len(near) else 0.0
        inner = near[near.geometry.within(lane.line.buffer(lane.width / 2))]
        said = np.average(inner.width_m, weights=inner.length_m) if len(inner) else np.nan
        rows.append((lane.kind, lane.width, share, said))
    planted = pd.DataFrame(rows, columns=["kind", "width", "found", "said_width"])
    free = true_room(fine)
    rows = []
    for kind in ("tunnel", "lane"):
        points = [
            shapely.get_coordinates(shapely.segmentize(line, 1.0))
            for line in found.lanes.geometry[found.lanes.kind == kind]
        ]
        xy = np.concatenate(points) if points else np.zeros((0, 2))
        row, col = fine.grid.rowcol(xy[:, 0], xy[:, 1])
        row, col = np.clip(row, 0, free.shape[0] - 1), np.clip(col, 0, free.shape[1] - 1)
        rows.append((kind, len(xy), int(free[row, col].sum())))
    return planted, pd.DataFrame(rows, columns=["kind", "metres", "free"])


def true_room(fine: Scene) -> np.ndarray:
    """Cells in truth at the middle of a metre's room: what a lane keeps at its pinch points."""
    settings = LanesSettings()
    first, last = round(settings.low / LAYER_HEIGHT), round(settings.high / LAYER_HEIGHT)
    codes = np.asarray(fine.density)[:, :, first:last]
    closed = (DENSITY_TABLE[codes] >= settings.blocked_density).mean(2) > settings.max_blocked
    stem = (codes == STEM).any(2)
    wall = np.pad(closed | stem, 1, constant_values=False)
    away = ndi.distance_transform_edt(~wall)[1:-1, 1:-1] * fine.grid.cell
    return np.asarray(away > settings.min_pinch / 2)


def density_figures(world: World, seen: Vegetation, cell: float) -> pd.DataFrame:
    """Mean density in the wood, lanes and their sides left out, metre by metre."""
    grid = grid_of(world, cell)
    truth = land.density_columns(world.land, grid.bounds, cell)
    _, y = grid.xy(*np.mgrid[: grid.rows, : grid.cols])
    wood = y - BOTTOM > EDGE + 3
    for lane in world.truth["lanes"]:
        wood &= np.abs(y - BOTTOM - lane.middle) > lane.width / 2 + 2.0
    said = seen.columns.table[seen.columns.density].astype(float)
    rows = [
        (low, said[wood, round(4 * low) : round(4 * low + 4)].mean(),
         truth[wood, round(4 * low) : round(4 * low + 4)].mean())
        for low in (0.5, 1.5, 2.5, 3.5, 4.5)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["from", "said", "true"])


def no_trees() -> gpd.GeoDataFrame:
    """For scenes whose trunks are left out."""
    return leg_worlds.bare(10.0).trees
