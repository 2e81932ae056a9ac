"""Settings of `rank`: what makes one parcel worth more than another, and how sure that is."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Metres, Name, Settings, Share


class WorthSettings(Settings):
    """What each term of a parcel's worth weighs; they are divided by their sum. All ours."""

    room: Share = Field(
        0.35, description="room for the holes asked for; nothing makes up for land that is missing"
    )
    features: Share = Field(
        0.25, description="what the land offers; it is what makes a course worth the drive"
    )
    fair: Share = Field(
        0.15, description="lines that a level of the run can throw as they stand, or fair holes"
    )
    dry: Share = Field(0.1, description="ground that is not wet; drains and boardwalks cost most")
    gentle: Share = Field(0.05, description="ground that is not steep; a few slopes are welcome")
    clear: Share = Field(
        0.1, description="ground that growth leaves open; the rest is cut by hand before play"
    )


class RankSettings(Settings):
    """Many parcels side by side: `lanewright rank`. Other commands do not read it."""

    id_column: Name | None = Field(
        None,
        description="column of the parcels that names each and never twice; by default the first "
        "of parcel_id, parcel, pin, apn, id that does so, else rows are numbered",
    )
    best: Annotated[int, Field(ge=1, le=10_000)] = Field(
        10, description="parcels that `--depth full` runs to the end, the best of the quick look"
    )
    worth: WorthSettings = WorthSettings()
    features_full: Annotated[float, Field(ge=0.1, le=100)] = Field(
        3.0,
        description="sum of worth times certainty of the ten first features from which they count "
        "in full; the demo, made to be a good property, has 5; ours",
    )
    steep: Annotated[float, Field(ge=1, le=300)] = Field(
        25.0,
        description="percent from which ground is steep: discs roll off a landing there; common "
        "practice, no source",
    )
    wet_most: Annotated[float, Field(ge=0.01, le=1)] = Field(
        0.4,
        description="share of likely wet ground from which a parcel counts nothing as dry; ours",
    )
    steep_most: Annotated[float, Field(ge=0.01, le=1)] = Field(
        0.6, description="share of steep ground from which it counts nothing as gentle; ours"
    )
    open_width: Metres = Field(
        4.5,
        description="metres free at throwing height under which ground counts as closed by "
        "growth; 15 ft, where the gaps of wooded fairways begin",
    )
    line_gap: Metres = Field(
        18.0,
        description="metres between open lines of which each could be a hole of its own; 60 ft "
        "between fairways, common practice, no source",
    )
    line_from: Metres = Field(
        40.0, description="metres of the shortest line that could be a hole, as lanes are"
    )
    good_density: Annotated[float, Field(ge=0.1, le=100)] = Field(
        4.0, description="first returns per square metre from which a survey is fully believed"
    )
    old_years: Annotated[float, Field(ge=0.5, le=100)] = Field(
        10.0,
        description="years in which a survey loses half of its credit; counted to `field: visit:`, "
        "and left out of the sum where that is not set",
    )
    quick_share: Share = Field(
        0.7, description="credit of a quick look beside a full run, which throws every line; ours"
    )
    worker_gb: Annotated[float, Field(ge=0.5, le=1000)] | None = Field(
        None,
        description="GB of memory after which Dask stops a worker and starts another; by default "
        "what the machine has, shared among the workers",
    )
