"""Settings of stage `cuts`: lanes through dense growth that least work would open."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from lanewright.settings.base import Metres, NotNegative, Positive, Settings, Share


class CutsSettings(Settings):
    """Which lanes to cut are looked for, and what one may cost."""

    keep: Annotated[int, Field(ge=0, le=500)] = Field(
        20, description="lanes to cut that are published; twenty can be walked in a day; our choice"
    )
    planned: Annotated[int, Field(ge=1, le=2000)] = Field(
        60,
        description="promising lines whose work is planned in full at most, all levels; it ends "
        "sooner where enough lanes are found; some turn out not to open, and each takes time",
    )
    for_rounds_per_ha: Annotated[float, Field(ge=0, le=50)] = Field(
        5.0,
        description="lanes to cut for each hectare that may become holes of rounds, for the best "
        "level; with 1.5 the demo's three rounds end some 350 points lower, with 12 no higher, and "
        "each takes a tenth of a second; with 0 rounds keep to what stands open; ours",
    )
    for_rounds: Annotated[int, Field(ge=0, le=1000)] = Field(
        150, description="the same for all hectares together, at most; ours"
    )
    spacing: Annotated[float, Field(ge=2, le=50)] = Field(
        10.0,
        description="metres; one spot of every square this wide may hold a tee or an end, cleared "
        "where it must be; a clearing for a tee is about half as wide",
    )
    apart: Metres = Field(
        25.0,
        description="metres; two lanes in like directions whose middles lie nearer are one, and "
        "the cheaper stays; a fairway between trees is 6 to 12 m wide",
    )
    crowding: NotNegative = Field(
        0.5,
        description="share of its hours that each further lane in the same hectare counts for "
        "more, so that lanes are spread over the land; lanes that cross exclude each other; our "
        "choice",
    )
    shortest: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="metres; by default the level's usual shortest par 3"
    )
    longest: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="metres; by default the level's controlled tee throw"
    )
    wooded: Share = Field(
        0.5,
        description="share of a lane to cut that must run among trees or brush; in the open there "
        "is nothing to cut; our choice",
    )
    thickest_cm: Positive = Field(
        20.0,
        description="thickest stem that is felled for a lane to cut; up to 20 cm (8 in) a small "
        "saw and a trained hand do, thicker ones are left and the lane goes around; our choice",
    )
    fell_price: NotNegative = Field(
        0.5,
        description="hours that felling a tree counts for beyond its work, so that of two lanes "
        "alike the one that keeps its trees is chosen; our choice",
    )
    most_hours: Positive = Field(
        60.0,
        description="hours, middle of the range, above which a lane is not worth cutting; some "
        "seven days of one hand; our choice",
    )
    least_sure: Share = Field(
        0.25,
        description="share of a piece that lidar must have searched for it to be proposed; half of "
        "what trimming asks, for where a lane is cut the crew sees the rest; our choice",
    )
    least_density: Annotated[float, Field(ge=0.001, le=5)] = Field(
        0.003,
        description="contacts per metre below which growth stays: over 70 m a throw in five meets "
        "it; far less than trimming leaves, for where a lane is cut the twigs between its limbs go "
        "too; with 0.01 half as many of the demo's lanes open and its rounds walk a fifth more; "
        "our choice",
    )
    throws: Annotated[int, Field(ge=50, le=5000)] = Field(
        100,
        description="throws at each lane that the choice of work rests on; a quarter of "
        "trimming's, for many lanes are compared; our choice",
    )
    effort: Annotated[float, Field(ge=0.001, le=1000)] = Field(
        0.02,
        description="time the solver may take for a lane, as in `trim: effort:`; a tenth of it, "
        "for here lanes are compared and none is ordered; our choice",
    )

    @model_validator(mode="after")
    def _short_before_long(self) -> CutsSettings:
        if self.shortest is not None and self.longest is not None and self.shortest >= self.longest:
            raise ValueError("shortest must lie below longest")
        return self
