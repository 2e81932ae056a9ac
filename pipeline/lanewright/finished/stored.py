"""Results of the stages, as the last run left them in its out folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.flight.flight import Flights, fly_throws
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import sort_vegetation
from lanewright.holes.holes import Holes, find_holes
from lanewright.land.ground import find_ground
from lanewright.land.reading import read_points
from lanewright.land.survey import lay_survey, mark_survey
from lanewright.land.terrain import find_terrain
from lanewright.layout.closer import bring_closer
from lanewright.layout.proposals import lay_out
from lanewright.layout.roundtees import place_round_tees
from lanewright.legs.legs import Legs, find_legs
from lanewright.scene import Scene, build_scene
from lanewright.settings.config import Config
from lanewright.store import Damaged, Store
from lanewright.trim.cuts import find_cuts
from lanewright.trim.plan import plan_trim
from lanewright.workplace import OWN, STAGES


@dataclass(frozen=True)
class Stored:
    """What throws are made from.

    Attributes
    ----------
    scene, flights, legs, holes
        Results of these stages; `holes.legs` is the published table of legs with the cells and the
        arc that each was thrown with.
    """

    scene: Scene
    flights: Flights
    legs: Legs
    holes: Holes


def stored_results(out: Path, settings: Config) -> Stored:
    """Read the stored results of the run that an out folder shows.

    Parameters
    ----------
    out
        The out folder, or `own-holes` in it.
    settings
        Of the run that was published.

    Raises
    ------
    InputError
        If the stored results are gone, damaged, of another version, or of a later run.
    """
    surveyed = bool(settings.points)
    alone = out.name == OWN and not (out / STAGES).exists()
    store = Store((out.parent if alone else out) / STAGES, run="own" if alone else "whole")
    # A result refers to parts of earlier ones, so all before it are read, in the order of the run.
    try:
        if surveyed:
            store.last(read_points)
        store.last(lay_survey)
        store.last(find_ground)
        store.last(find_terrain)
        if surveyed:
            store.last(sort_vegetation)
            store.last(find_lanes)
        flights = store.last(fly_throws)
        store.last(mark_survey)
        scene, legs = store.last(build_scene), store.last(find_legs)
        cuts = store.last(find_cuts)
        store.last(find_holes)
        rules = settings.legs, settings.layout.hole, settings.layout.safety
        if not store.is_last(find_holes, scene, flights, (legs, cuts.legs), *rules):
            raise later(out)
        store.last(plan_trim)
        store.last(lay_out)
        moved = store.last(bring_closer).holes
        found = Stored(scene, flights, legs, store.last(place_round_tees).joined(moved))
    except Damaged as fault:
        raise InputError(
            out,
            f"the results of its stages cannot be used: {fault}",
            "Run `lanewright scout` with its configuration again.",
        ) from None
    return found


def later(out: Path) -> InputError:
    """What to report where stored results are not those of the published run."""
    return InputError(
        out,
        "its stored results are not those published: a later run stopped before it published, or "
        "another version made them",
        "Run `lanewright scout` with its configuration to the end.",
    )
