"""Settings of stage `vegetation`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Metres, Settings


class VegetationSettings(Settings):
    """Canopy, trees and columns."""

    searched_pulses: Annotated[float, Field(ge=0.001, le=100)] = Field(
        3.0,
        description="pulses that must pass through a voxel and its neighbours before it counts as "
        "searched; n pulses without contact rule out at 95 % what stops more than 3/n of them",
    )
    prior_path: Annotated[float, Field(ge=0.001, le=100)] = Field(
        1.0,
        description="metres of pulse path that what is known of a wider window counts for when a "
        "narrower one is judged; less lets each place speak for itself",
    )
    own_prior_path: Annotated[float, Field(ge=0.001, le=100)] = Field(
        2.0, description="the same for a single voxel, of which pulses tell little"
    )
    canopy_from: Metres = Field(2.0, description="vegetation from this height on is canopy")
    cover_window: Metres = Field(5.0, description="side of the square that canopy cover is over")
    pit_width: Metres = Field(
        1.5, description="holes in the canopy narrower than this come from the scan and are filled"
    )
    tree_from: Metres = Field(3.0, description="lowest tree that is looked for")
    crown_share: Annotated[float, Field(ge=0.001, lt=1)] = Field(
        0.45, description="a crown ends where the canopy is lower than this share of its top"
    )
