"""The run, top to bottom: tiles in, scored lines out. Start reading here.

The module can be called: `lanewright.scout(config)` makes a run and returns it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from lanewright.base.errors import Faults
from lanewright.check import Inputs, inputs_of, runs_of
from lanewright.publish.outputs import OUTPUTS
from lanewright.results import Scouting
from lanewright.settings.config import Config, earlier_settings, load, scene_settings
from lanewright.store import Store, Until
from lanewright.workplace import OWN, workplace

if TYPE_CHECKING:
    from lanewright.finished import Run

Show = Callable[[str], Callable[[float | None], None]]


def scout(
    config: Config, store: Store, only_own: bool = False, given: Inputs | None = None
) -> Scouting:
    """Every stage in turn; each takes results of earlier ones and its own settings.

    A stage is imported when it is reached: a run that ends early, or on bad input, does not wait
    for solvers and plotting libraries that only later stages need.
    """
    step = store.step
    given = given or inputs_of(config)
    found, hand = given.plan, given.hand

    from lanewright.land.reading import read_points
    from lanewright.land.survey import lay_survey, mark_survey

    cloud = step(read_points, found.points) if found.points is not None else None
    survey = step(lay_survey, cloud, found.grid, found.land, found.elevation)

    from lanewright.land.ground import find_ground
    from lanewright.land.smrf import version_for

    ground = step(find_ground, survey, config.ground, pdal=version_for(config.ground))

    from lanewright.land.terrain import find_terrain

    terrain = step(find_terrain, survey, ground, found.water, config.terrain)
    vegetation = lanes = growth = None
    if survey.points is not None:
        from lanewright.growth.vegetation import sort_vegetation

        vegetation = step(
            sort_vegetation,
            survey.points,
            survey.grid,
            ground.surface,
            config.vegetation,
            heights_given=survey.heights_given,
        )

        from lanewright.growth.lanes import find_lanes

        lanes = step(find_lanes, survey, terrain, vegetation, config.lanes)
        growth = vegetation, lanes

    from lanewright.scene import build_scene

    survey = step(mark_survey, survey, found.keep_out)
    marked = scene_settings(config)
    scene = step(build_scene, survey, ground, terrain, growth, marked, paths=hand.paths)

    from lanewright.features.features import find_features

    features = step(
        find_features,
        scene,
        lanes,
        given.levels,
        config.features,
        setback=config.legs.sites.boundary_setback,
    )

    changes = None
    if config.compare is not None and found.earlier is not None and lanes is not None:
        from lanewright.changes.changes import find_changes
        from lanewright.changes.earlier import read_earlier

        earlier = step(read_earlier, found.earlier, found.land, terrain, earlier_settings(config))
        changes = step(find_changes, survey, ground.surface, lanes, scene, earlier, config.compare)

    from lanewright.flight.flight import elevation_of, fly_throws

    flights = step(fly_throws, given.levels, config.flight, elevation=elevation_of(ground.surface))

    from lanewright.legs.legs import find_legs
    from lanewright.legs.own import own_lines

    own = own_lines(found.own_holes, hand.drawn)
    legs = step(find_legs, scene, flights, config.legs, own, only_own=only_own)

    from lanewright.trim.cuts import find_cuts
    from lanewright.trim.keep import Brief

    brief = Brief(given.keep, hand.arrival)
    none = config.cuts.model_copy(update={"keep": 0})
    asked = none if only_own else config.cuts
    cuts = step(find_cuts, scene, flights, config.legs, config.trim, asked, brief)

    from lanewright.holes.holes import find_holes

    rules = config.legs, config.layout.hole, config.layout.safety
    holes = step(find_holes, scene, flights, (legs, cuts.legs), *rules)

    from lanewright.trim.plan import plan_trim

    trim = step(plan_trim, scene, flights, (holes, cuts.plans), config.legs, config.trim, brief)

    from lanewright.layout.proposals import lay_out

    layouts = step(
        lay_out,
        scene,
        given.levels,
        (holes, trim),
        config.layout,
        hand,
        features=features.features,
    )

    from lanewright.layout.closer import bring_closer

    wishes = hand, features.features
    own_rules = config.legs, config.layout
    closer = step(bring_closer, scene, flights, (holes, trim), layouts, own_rules, wishes)
    layouts, holes = closer.layouts, closer.holes

    from lanewright.layout.roundtees import place_round_tees

    tees = step(place_round_tees, scene, flights, holes, layouts, rules)

    from lanewright.layout.roundwork import plan_rounds

    work = config.legs, config.trim, config.layout.trim_hours
    rounds = step(plan_rounds, scene, flights, holes, (layouts, trim), work, brief)
    return Scouting(
        found,
        survey,
        ground,
        terrain,
        vegetation,
        lanes,
        flights,
        scene,
        features,
        legs,
        tees.joined(holes),
        rounds.trim,
        cuts,
        rounds.layouts,
        changes,
    )


def run(
    config: Config,
    *,
    show: Show = lambda _stage: lambda _share: None,
    start_at: str | None = None,
    stop_after: str | None = None,
    threads: int | None = None,
    only_own: bool = False,
    given: Inputs | None = None,
) -> str:
    """Scout a property and publish what was found; says in a few lines what came out.

    Parameters
    ----------
    given
        The inputs of this configuration where they were looked at before.

    Raises
    ------
    InputError
        If the inputs or settings are wrong; earlier results stay as they are.
    """
    # Lines scored alone go beside the results of a whole run, not over them.
    folder = Path(OWN if only_own else "")
    with workplace(config, threads, [str(folder / name) for name in OUTPUTS]) as place:
        store = Store(
            place.stages,
            show=show,
            start_at=start_at,
            stop_after=stop_after,
            threads=place.threads,
            run="own" if only_own else "whole",
        )
        try:
            scouting = scout(config, store, only_own, given)
        except Until:
            return f"stopped after {stop_after}; what is done is kept for the next run"

        from lanewright.publish.results import publish

        return str(publish(config, scouting, store, config.out / folder))


def run_all(
    config: Config,
    *,
    show: Show = lambda _stage: lambda _share: None,
    start_at: str | None = None,
    stop_after: str | None = None,
    threads: int | None = None,
) -> str:
    """`run`, once for each part of a property whose parts lie kilometres apart.

    Raises
    ------
    InputError
        If the inputs or settings are wrong, before any part is begun.
    """
    runs = runs_of(config)
    if len(runs) == 1:
        return run(config, show=show, start_at=start_at, stop_after=stop_after, threads=threads)
    faults = Faults()
    given = [faults.attempt(partial(inputs_of, mine)) for mine in runs]
    faults.stop()
    said = []
    for mine, inputs in zip(runs, given, strict=True):
        text = run(
            mine, show=show, start_at=start_at, stop_after=stop_after, threads=threads, given=inputs
        )
        said.append(f"{mine.name}, in {mine.out}\n{text}")
    return "\n\n".join(said)


def scout_and_open(config: Config | Path | str, *, threads: int | None = None) -> Run:
    """Make a run and return it, finished; `lanewright.scout` called.

    What is stored from an earlier run into the same folder is used, as the command does.

    Parameters
    ----------
    config
        A run configuration, or the path of its YAML file.
    threads
        Threads to use; by default all there are. The result is the same for any number.

    Raises
    ------
    InputError
        If the inputs or settings are wrong; earlier results stay as they are.
    """
    settings = config if isinstance(config, Config) else load(Path(config))
    run(settings, threads=threads)

    from lanewright.finished import open_run

    return open_run(settings.out)


class _Callable(ModuleType):
    """Lets `lanewright.scout` be both this module and what makes a run."""

    __call__ = staticmethod(scout_and_open)


sys.modules[__name__].__class__ = _Callable
