"""Settings of stage `trim`: wishes, rates of work, what stays."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lanewright.settings.base import (
    Length,
    Metres,
    NotNegative,
    Place,
    Positive,
    Settings,
    Share,
    Span,
)

LOWEST, HIGHEST = 0.5, 10.0
"""Heights over the ground between which growth is in the way of discs [m]."""


class WishSettings(Settings):
    """Clear rate that trimming aims at, by kind of lane.

    Two thirds of a level's throws pass a fair gap (a senior designer's guideline in the PDGA
    discussion archive, 2006; not an adopted standard).
    """

    open: Share = Field(2 / 3, description="over open ground")
    edge: Share = Field(2 / 3, description="along the edge of a wood")
    lane: Share = Field(2 / 3, description="in a lane through a wood")
    tunnel: Share = Field(2 / 3, description="in a lane roofed by canopy")


class RateSettings(Settings):
    """How fast a crew works; low end trained hands, high end slow ones, both while they work.

    Sources stand beside each rate in `treework.RATE_SOURCES`.
    """

    brush_light: Span = Field(
        (15.0, 30.0), description="hours per hectare to cut and stack brush one can see through"
    )
    brush_medium: Span = Field(
        (40.0, 80.0), description="the same for brush one must push through, to 2.4 m (8 ft)"
    )
    brush_heavy: Span = Field((100.0, 220.0), description="the same for brush nobody walks through")
    patch: Span = Field((2.0, 5.0), description="minutes to get to a patch and begin")
    hand: Span = Field((5.0, 10.0), description="minutes a tree for limbs in reach of a hand saw")
    pole: Span = Field((8.0, 20.0), description="minutes a tree for limbs in reach of a pole saw")
    climb: Span = Field(
        (60.0, 180.0), description="minutes a tree for limbs that need a climber or lift, set-up in"
    )
    fell_thin: Span = Field((3.0, 6.0), description="minutes to fell and limb a stem under 10 cm")
    fell_middle: Span = Field((8.0, 15.0), description="the same from 10 to 20 cm")
    fell_thick: Span = Field((15.0, 30.0), description="the same from 20 to 30 cm")
    fell_large: Span = Field(
        (60.0, 240.0), description="the same above; a placeholder until an arborist has quoted"
    )
    haul: Span = Field(
        (1.0, 2.0), description="times the cutting time that hauling or chipping adds"
    )
    productive: Annotated[float, Field(ge=0.001, le=1)] = Field(
        0.5, description="share of an hour that is work; the high end of hours is divided by it"
    )

    @model_validator(mode="after")
    def _low_before_high(self) -> RateSettings:
        for name, value in self:
            if isinstance(value, tuple) and value[0] > value[1]:
                raise ValueError(f"{name}: the low end comes first")
        return self


class TrimSettings(Settings):
    """What may be cut, by whom, and how fast."""

    legs: Annotated[int, Field(ge=1, le=5000)] = Field(
        300,
        description="legs that are not clear enough, planned at most before rounds are laid out; "
        "the designer's own always, and those of the rounds that come of it",
    )
    wished: WishSettings = WishSettings()
    keep: Place | None = Field(
        None, description="trees and patches that stay: points or polygons in any vector file"
    )
    keep_reach: Metres = Field(
        2.0, description="metres around a point of the keep list within which a tree's top is it"
    )
    fell: Literal["last resort", "freely", "never"] = Field(
        "last resort",
        description="whether trees may go: where limbs and brush are not enough, wherever that is "
        "less work, or never, which holds for lanes to cut too",
    )
    fell_price: NotNegative = Field(
        20.0, description="hours that felling a tree counts for beyond its work; ours"
    )
    largest_felled_cm: Positive = Field(
        30.0, description="thickest stem that felling is proposed for; larger ones an arborist's"
    )
    region: Literal["illinois", "michigan", "texas", "wisconsin"] | None = Field(
        None, description="whose dates for oak disease, bats and birds hold; never guessed"
    )
    hand_reach: Metres = Field(
        2.4, description="metres that hand saw and loppers reach, 8 ft; common practice"
    )
    pole_reach: Metres = Field(
        5.5, description="metres that a pole saw reaches from the ground, 16 to 18 ft"
    )
    haul: bool = Field(False, description="count hauling or chipping what was cut")
    rates: RateSettings = RateSettings()
    throws: Annotated[int, Field(ge=50, le=5000)] = Field(
        400, description="throws at each leg that the choice rests on; the promise takes others"
    )
    least_density: Annotated[float, Field(ge=0.001, le=5)] = Field(
        0.05,
        description="contacts per metre below which growth is too thin to be pointed out to a "
        "crew; it stays; ours",
    )
    least_sure: Share = Field(
        0.5, description="share of a piece lidar must have searched for it to be proposed; ours"
    )
    brush_top: Metres = Field(
        5.0,
        description="growth from the ground up no higher than this is brush; bush "
        "honeysuckles, privet and roses reach 2 to 5 m",
    )
    buffer: Length = Field(
        15.0, description="metres from water within which nothing is cut; 50 ft, common practice"
    )
    effort: Annotated[float, Field(ge=0.001, le=1000)] = Field(
        0.3,
        description="time the solver may take for a leg before the gap is reported, in its own "
        "deterministic measure, about seconds",
    )
    hopeless: Share = Field(
        0.5,
        description="share of the wished clear rate under which nothing is proposed if no more can "
        "be reached; for a lane to cut all of it; ours",
    )

    @model_validator(mode="after")
    def _reaches_rise(self) -> TrimSettings:
        if not LOWEST < self.hand_reach < self.pole_reach < HIGHEST:
            raise ValueError(
                f"hand_reach must lie over {LOWEST:g} m and below pole_reach, and pole_reach below "
                f"{HIGHEST:g} m: growth is cut by hand, pole saw or climber in bands of height"
            )
        return self
