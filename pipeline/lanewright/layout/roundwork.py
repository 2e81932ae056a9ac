"""Stage roundwork: the trim work of every leg that a proposed round plays.

Before rounds are laid out only so many legs are planned as the settings say, spread over the land,
for most of them no round ever plays. Once rounds stand, the legs of theirs that have no plan yet
are planned too: a round of which nobody knows the work is no proposal to a crew. Rounds are not
chosen anew; where the search had no plan it counted on three quarters of what planned ones take.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lanewright.base.rows import Row
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.holes.holes import Holes
from lanewright.layout.proposals import Layouts
from lanewright.legs.thrower import thrower_of
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.store import stage
from lanewright.trim.keep import Brief
from lanewright.trim.plan import chosen_legs, growth_of, hole_of, plan_legs, with_hours
from lanewright.trim.tables import Trim, together


@dataclass(frozen=True)
class Rounds:
    """Proposed rounds, and all trim work with that of every leg they play."""

    layouts: Layouts
    trim: Trim


@stage("roundwork", version=2)
def plan_rounds(
    scene: Scene,
    flights: Flights,
    holes: Holes,
    proposed: tuple[Layouts, Trim],
    settings: tuple[LegsSettings, TrimSettings, float | None],
    brief: Brief,
    *,
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Rounds:
    """Plan the legs of proposed rounds that have no plan yet, and state the hours of each hole.

    Parameters
    ----------
    scene, flights, holes
        Results of the stages before; without lidar nothing is planned.
    proposed
        Rounds, and the trim work that was known when they were chosen.
    settings
        The sections `legs` and `trim` of the configuration, and `layout: trim_hours`: the hours
        that a round may take. It was chosen by what was planned; a warning where it takes more.
    brief
        What must stay, and where the walk past all work begins.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    layouts, trim = proposed
    legs_settings, rules, most_hours = settings
    played = holes.links["hole_id"].isin([int(n) for n in layouts.holes.get("hole_id", [])])
    used = holes.links.loc[played, "leg_id"].to_numpy(np.int64)
    wanted = np.setdiff1d(used, trim.per_leg["leg_id"].to_numpy(np.int64))
    if not wanted.size or not scene.surveyed:
        return Rounds(layouts, trim)
    mine = holes.legs[holes.legs["leg_id"].isin(wanted)]
    # Each of them: the number in the settings is for what nobody may ever play.
    hard, clear = chosen_legs(mine, wanted, rules.model_copy(update={"legs": len(mine)}))
    with kernel_threads(threads):
        growth, _ = growth_of(scene, rules, legs_settings, brief.keep)
        more = plan_legs(
            growth,
            thrower_of(scene, flights, legs_settings),
            mine.iloc[hard],
            clear=mine.iloc[clear],
            hole_of=hole_of(holes),
            arrival=brief.arrival,
            progress=progress,
        )
    said = tuple(f"legs of rounds, planned after the others: {each}" for each in more.warnings)
    trim = together(trim, replace(more, warnings=said), scene.grid, brief.arrival)
    layouts = _with_hours(layouts, holes, trim)
    return Rounds(
        replace(layouts, warnings=(*layouts.warnings, *beyond(layouts, most_hours))), trim
    )


def beyond(layouts: Layouts, most: float | None) -> list[str]:
    """Warnings of rounds that turn out to take more trimming than they may."""
    return [
        f"proposal {each['proposal']}: with all of its work planned it takes up to "
        f"{each['trim_hours_high']:.0f} hours of trimming where {most:g} are allowed"
        for each in layouts.proposals
        if most is not None and float(str(each["trim_hours_high"])) > most
    ]


def _with_hours(layouts: Layouts, holes: Holes, trim: Trim) -> Layouts:
    """The same rounds with the hours of trimming that their holes take."""
    hours = with_hours(holes, trim).set_index("hole_id")
    frame = layouts.holes.copy()
    for end in ("trim_hours_low", "trim_hours_high"):
        frame[end] = frame["hole_id"].map(hours[end]).astype(float)
    proposals = []
    for proposal in layouts.proposals:
        high = frame.loc[frame["proposal"] == proposal["proposal"], "trim_hours_high"]
        now: Row = {
            "trim_hours_high": float(high.sum()),
            "holes with trimming unplanned": int(high.isna().sum()),
        }
        proposals.append(proposal | now)
    return replace(layouts, holes=frame, proposals=tuple(proposals))
