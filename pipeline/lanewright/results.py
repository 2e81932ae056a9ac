"""What the stages of a run hand on, together: all that is published, drawn or asked later."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lanewright.changes.changes import Changes
    from lanewright.features.features import Features
    from lanewright.flight.flight import Flights
    from lanewright.growth.lanes import Lanes
    from lanewright.growth.vegetation import Vegetation
    from lanewright.holes.holes import Holes
    from lanewright.land.ground import Ground
    from lanewright.land.plan import Plan
    from lanewright.land.survey import Survey
    from lanewright.land.terrain import Terrain
    from lanewright.layout.proposals import Layouts
    from lanewright.legs.legs import Legs
    from lanewright.scene import Scene
    from lanewright.trim.cuts import Cuts
    from lanewright.trim.tables import Trim


@dataclass(frozen=True)
class Scouting:
    """Everything a run found out."""

    plan: Plan
    survey: Survey
    ground: Ground
    terrain: Terrain
    vegetation: Vegetation | None
    lanes: Lanes | None
    flights: Flights
    scene: Scene
    features: Features
    legs: Legs
    holes: Holes
    trim: Trim
    cuts: Cuts
    layouts: Layouts
    changes: Changes | None = None
