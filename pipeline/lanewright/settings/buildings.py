"""Settings of buildings: what among unclassified returns is taken for a roof."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Metres, Positive, Settings, Share


class BuildingSettings(Settings):
    """Buildings that the survey classified, and those found from the shape of its returns.

    Values were chosen on open lidar with buildings classified (IGN LiDAR HD, AHN3); ours where no
    source is named. A building that is missed lets throws come near it, one too many bars land.
    """

    find: bool = Field(
        True, description="look for buildings among returns that nobody classified as such"
    )
    least_area: Positive = Field(
        15.0,
        description="square metres of the smallest building found; a single garage is 15 to 20, "
        "a parked van 10; common practice",
    )
    classified_area: Positive = Field(
        4.0, description="the same for returns that the survey classifies as building (class 6)"
    )
    lowest: Metres = Field(
        2.0,
        description="height over the ground from which returns may be a roof; eaves hang at 2.2 "
        "and more, common practice",
    )
    rough: Positive = Field(
        0.15,
        description="standard deviation in metres of returns about a plane 3 m wide: roofs measure "
        "0.03 to 0.1 with strips that disagree, crowns 0.4 and more",
    )
    flat: Share = Field(
        0.2, description="share of a building that must be that flat; the rest are ridges and steps"
    )
    closed: Share = Field(
        0.8,
        description="share of last returns that must lie on the roof: no pulse passes through one",
    )
    single: Share = Field(
        0.7,
        description="share of a roof's returns that must be the only one of their pulse; in crowns "
        "half or fewer are",
    )
    fewest: Annotated[int, Field(ge=4, le=1000)] = Field(
        6,
        description="returns that a plane 3 m wide needs; with fewer nothing is found, so a survey "
        "under 1 per square metre shows classified buildings alone",
    )
    step: Share = Field(
        0.5,
        description="share of a building's edge beside which returns come down to the ground: a "
        "hill that the ground filter cut off rises slowly instead, and a crown stands in others",
    )
