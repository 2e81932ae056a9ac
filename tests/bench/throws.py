"""Clear rates: how fast, and how far ranks move when what is assumed is halved or doubled.

    python tests/bench/throws.py [configuration]

Runs the stages before the legs on the demo property, or takes them from the run's own store, then
prints the time of the exhaustive search, the time of 256 throws at each of the 5,000 best lines,
and the table of sensitivity: rank correlations of legs (Spearman's rho, Kendall's tau), how many of
the best hundred stay among them, and mean rates. Figures of the throws are those of the first level
named. Clock and CPU time: on a busy machine only the second tells.
"""

import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numba
import numpy as np
import shapely
from scipy.stats import kendalltau, spearmanr

from lanewright.flight.flight import fly_throws
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import sort_vegetation
from lanewright.kernels import march
from lanewright.land.ground import find_ground
from lanewright.land.plan import plan
from lanewright.land.reading import read_points
from lanewright.land.survey import lay_survey
from lanewright.land.terrain import find_terrain
from lanewright.legs import throwing
from lanewright.legs.contacts import contacts_of
from lanewright.legs.measure import places_of
from lanewright.legs.search import search, space_of
from lanewright.legs.sites import find_sites
from lanewright.legs.throwing import Lines
from lanewright.scene import build_scene
from lanewright.settings.config import load, scene_settings
from lanewright.settings.levels import levels_named
from lanewright.store import Store
from lanewright.workplace import workplace

LEGS, THROWS, BEST = 5000, 256, 100
RANKED = 1000  # legs that the table ranks
SPREADS = ("lateral_sd_deg", "height_sd_deg", "speed_sd", "hyzer_sd_deg")


def main() -> None:
    """Time the throws and print the table."""
    root = Path(__file__).resolve().parents[2]
    config = load(Path(sys.argv[1] if len(sys.argv) > 1 else root / "configs/hollow-creek.yaml"))
    numba.set_num_threads(march.threads())
    run = before_legs(config)
    world, settings = run.world, config.legs
    cell = world.grid.cell
    sites = find_sites(world, settings.sites)
    space = space_of(world, settings)
    found = {}
    for level in run.flights.levels:
        clock = timed(lambda level=level: search(space, world.grid, sites, level, settings))
        found[level.level.name] = clock.result
        print(f"search for {level.level.name}: {clock.result.tried:,} lines, {clock}")
    level = run.flights.levels[0]
    lines = found[level.level.name].lines()
    contacts = contacts_of(world, settings.throw, config.leaf_state)
    paths = throwing.paths_of(level)
    met = throwing.aim(lines, level, paths, contacts, cell)[:, 0]
    best = lines.take(np.argsort(met, kind="stable")[:LEGS])
    seeds = throwing.seeds_of(level.level.name, best, *places_of(best, world.grid).T)
    throwing.throw(best.take(np.arange(2)), level, paths, contacts, seeds[:2], 2, cell)
    clock = timed(
        lambda: throwing.throw(best, level, paths, contacts, seeds, THROWS, cell, stops=True)
    )
    print(f"{THROWS} throws at each of the {len(best):,} best lines: {clock}")
    print(f"load {os.getloadavg()[0]:.1f}\n")
    # Legs over the whole range of what is met, not only those that nothing can spoil
    order = np.argsort(met, kind="stable")
    some = order[met[order] < 3.0]
    some = some[np.linspace(0, some.size - 1, RANKED).astype(int)]
    table(run, lines.take(some))
    blocked(run, sites, level)


class timed:  # noqa: N801 - reads as a word
    """Result of a call, and its time by the clock and by CPU."""

    def __init__(self, call):
        clock, cpu = time.perf_counter(), time.process_time()
        self.result = call()
        self.clock, self.cpu = time.perf_counter() - clock, time.process_time() - cpu

    def __str__(self):
        return f"{self.clock:.1f} s by the clock, {self.cpu:.1f} s of CPU"


def before_legs(config):
    """What the stages before the legs give."""
    with workplace(config, None) as place:
        step = Store(place.stages, threads=march.threads(), run="own").step
        found = plan(config)
        cloud = step(read_points, found.points)
        survey = step(lay_survey, cloud, found.grid, found.land, found.elevation)
        ground = step(find_ground, survey, config.ground)
        terrain = step(find_terrain, survey, ground, found.water, config.terrain)
        vegetation = step(
            sort_vegetation, survey.points, survey.grid, ground.surface, config.vegetation,
            heights_given=survey.heights_given,
        )  # fmt: skip
        lanes = step(find_lanes, survey, terrain, vegetation, config.lanes)
        flights = fly_throws(levels_named(config.levels), config.flight)
    parts = (survey, ground, terrain, (vegetation, lanes))
    return SimpleNamespace(
        config=config,
        flights=flights,
        parts=parts,
        world=build_scene(*parts, scene_settings(config)),
    )


def table(run, lines: Lines) -> None:
    """Rates of the same legs with one assumption changed at a time."""
    level, config = run.flights.levels[0], run.config
    seeds = throwing.seeds_of(level.level.name, lines, *places_of(lines, run.world.grid).T)

    def rates(touch=None, flights=level, wood=None):
        settings = config.legs.throw.model_copy(update=touch or {})
        contacts = contacts_of(run.world, settings, config.leaf_state)
        if wood:
            contacts = replace(contacts, leaf=contacts.leaf**wood)
        thrown = throwing.throw(
            lines, flights, throwing.paths_of(flights), contacts, seeds, THROWS,
            run.world.grid.cell,
        )  # fmt: skip
        return thrown.clear, thrown.low, thrown.leaf_on

    changed = {"other throws, nothing changed": None}
    changed |= {
        f"{name} {word}": {"touch": {name: getattr(config.legs.throw, name) * factor}}
        for name in ("twig", "trunk_sd", "thin_stems_per_ha", "thin_stem", "landing", "disc")
        for word, factor in (("halved", 0.5), ("doubled", 2.0))
    }
    for i, name in enumerate(SPREADS):
        for word, factor in (("halved", 0.5), ("doubled", 2.0)):
            changed[f"{name} {word}"] = {"flights": with_spread(level, i, factor)}
    for margin in (1.0, 1.5):
        changed[f"apex margin {margin:g}"] = {"flights": replace(level, apex_margin=margin)}
    changed["leaf factors' roots"] = {"wood": 0.5}
    changed["leaf factors squared"] = {"wood": 2.0}
    base = rates()
    print(f"{len(lines)} legs of {level.level.name}, {THROWS} throws each; as set: " + mean(base))
    print(f"{'changed':32s} {'clear rate':>20s} {'low':>12s} {'in leaf':>12s}  mean rates")
    print(f"{'':32s} {'rho':>6s} {'tau':>6s} {'stay':>6s} {'rho':>6s} {'tau':>5s} {'rho':>6s} tau")
    for name, what in changed.items():
        if what is None:
            seeds = seeds ^ np.uint64(0x5DEECE66D)
            got = rates()
            seeds = seeds ^ np.uint64(0x5DEECE66D)
        else:
            got = rates(**what)
        stay = len(set(first(base[0])) & set(first(got[0])))
        rho = [spearmanr(a, b).statistic for a, b in zip(base, got, strict=True)]
        tau = [kendalltau(a, b).statistic for a, b in zip(base, got, strict=True)]
        print(
            f"{name:32s} {rho[0]:6.3f} {tau[0]:6.3f} {stay:6d} {rho[1]:6.3f} {tau[1]:5.3f} "
            f"{rho[2]:6.3f} {tau[2]:5.3f}  {mean(got)}"
        )


def first(rate):
    """The best hundred."""
    return np.argsort(-rate, kind="stable")[:BEST].tolist()


def mean(rates):
    return " / ".join(f"{r.mean():.3f}" for r in rates)


def with_spread(level, i, factor):
    """The level with one of its spreads taken times a factor."""
    name = SPREADS[i]
    known = replace(level.level, **{name: getattr(level.level, name) * factor})
    spread = level.spread.copy()
    if i > 0:
        spread[..., i - 1, :, :] *= factor
    aim = level.aim_sd_deg * (factor if i == 0 else 1.0)
    return replace(level, level=known, spread=spread, aim_sd_deg=aim)


def blocked(run, sites, level) -> None:
    """What the search finds when it calls more, or less, blocked."""
    settings = run.config.legs
    ends = None
    print("\nblocked_density   lines that fit   of the best lines' places found again")
    for factor in (1.0, 0.5, 2.0):
        changed = settings.model_copy(update={"blocked_density": settings.blocked_density * factor})
        world = build_scene(
            *run.parts, scene_settings(run.config.model_copy(update={"legs": changed}))
        )
        found = search(space_of(world, changed), world.grid, sites, level, changed)
        places = places_of(found.lines(), world.grid)
        contacts = contacts_of(world, settings.throw, run.config.leaf_state)
        met = throwing.aim(
            found.lines(), level, throwing.paths_of(level), contacts, world.grid.cell
        )[:, 0]  # fmt: skip
        best = places[np.argsort(met, kind="stable")[:LEGS]]
        ends = best if ends is None else ends
        tree = shapely.STRtree(shapely.points(places[:, :2]))
        pairs = tree.query(shapely.points(ends[:, :2]), predicate="dwithin", distance=10.0)
        near = np.hypot(*(ends[pairs[0], 2:] - places[pairs[1], 2:]).T) <= 10.0
        again = np.unique(pairs[0][near]).size / len(ends)
        print(f"{changed.blocked_density:15.2f} {len(found):16,d} {again:12.1%}")


if __name__ == "__main__":
    main()
