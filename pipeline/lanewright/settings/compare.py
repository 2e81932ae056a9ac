"""Settings of the comparison with an earlier survey of the same property."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from lanewright.settings.base import Metres, NotNegative, Pattern, Settings, Share
from lanewright.settings.buildings import BuildingSettings
from lanewright.settings.ground import GroundSettings
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.vegetation import VegetationSettings


class CompareSettings(Settings):
    """An earlier survey, and what counts as a change since."""

    points: tuple[Pattern, ...] = Field(
        min_length=1, description="LAS, LAZ or COPC files of the earlier survey; patterns allowed"
    )
    flown: dt.date | None = Field(
        None, description="day of the earlier survey; omitted, the GPS times of its points say it"
    )
    now: dt.date | None = Field(
        None, description="day of the survey in `points`; omitted, its GPS times say it"
    )
    leaf_state: Literal["off", "on", "unknown"] = Field(
        "unknown",
        description="trees when the earlier lidar was flown; growth per year is given only where "
        "both surveys are known to be in leaf, or both to be without",
    )
    most_shift: Metres = Field(
        5.0,
        description="a shift sideways above this is refused; surveys of the last twenty years lie "
        "within about a metre, common practice, no source",
    )
    most_rise: Metres = Field(
        1.5,
        description="a difference of all ground heights above this is refused: two vertical "
        "datums or units, not two surveys; our choice",
    )
    tree_height: Metres = Field(
        5.0, description="vegetation from this height counts as trees lost; FAO forest definition"
    )
    lost_share: Share = Field(
        0.5,
        description="trees are lost where the canopy fell by this share of its height or more; "
        "less is a lost limb; our choice",
    )
    gained: Metres = Field(
        3.0,
        description="metres from which a rise of the canopy counts as gained, beyond crown "
        "edges; our choice",
    )
    ground_step: Metres = Field(
        0.4,
        description="ground counts as moved from this step; two surveys of 0.1 m vertical error "
        "each, USGS quality level 2, differ by less in 19 of 20 cells; under trees by more",
    )
    least_area: NotNegative = Field(
        16.0, description="square metres; smaller patches are crown edges and noise; our choice"
    )

    @field_validator("points", mode="before")
    @classmethod
    def _one_is_a_list(cls, value: Any) -> Any:
        return [value] if isinstance(value, str) else value

    @model_validator(mode="after")
    def _in_order(self) -> CompareSettings:
        if self.flown is not None and self.now is not None and self.now <= self.flown:
            raise ValueError(
                f"the survey of flown, {self.flown}, is not earlier than the one of now, {self.now}"
            )
        return self


class EarlierSettings(Settings):
    """Settings of stage `earlier`: those by which today's survey is worked out."""

    ground: GroundSettings
    vegetation: VegetationSettings
    lanes: LanesSettings
    buildings: BuildingSettings
