"""Settings of the first visit and the field book."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from lanewright.settings.base import Length, Metres, Place, Settings, Share

Month = Annotated[int, Field(ge=1, le=12)]


class FieldSettings(Settings):
    """What to look at on foot, and the book to carry."""

    paper: Literal["a5", "half-letter"] = Field(
        "a5", description="page of the field book: 148 x 210 mm or 5.5 x 8.5 in"
    )
    costs_file: Place | None = Field(
        None,
        description="table of unit costs for the concept plan's budget, as configs/costs.csv; "
        "without it our own from memory, in US dollars of 2024: replace them by local bids",
    )
    visit: Annotated[date, Field(ge=date(1980, 1, 1), le=date(2200, 1, 1))] | None = Field(
        None,
        description="day of the walk, as 2026-03-14: tells how old the survey will be then; "
        "without it the book says when the survey was flown and leaves the sum to the reader",
    )
    survey_years: Length = Field(
        5.0,
        description="years from which a survey is old: a sapling may have grown into the lane; "
        "common practice, no source",
    )
    seen: Share = Field(
        0.6, description="seen share below which a stretch of a leg is on the list; ours"
    )
    stretch: Metres = Field(
        6.0, description="metres that such a stretch, or one under crowns, is long at the least"
    )
    gap: Metres = Field(
        12.2,
        description="metres of free width below which the narrowest place is measured on foot; "
        "wooded fairways pinch at 4.6 to 12.2 m (PDGA, Course Design Elements)",
    )
    boundary: Length = Field(
        23.0,
        description="metres from the property line within which tees and baskets call for a "
        "survey of it; 75 ft, common practice",
    )
    short_visit: Annotated[float, Field(ge=10, le=1440)] = Field(
        120.0, description="minutes of a first visit of two hours, walking and looking"
    )
    long_visit: Annotated[float, Field(ge=10, le=1440)] = Field(
        360.0, description="minutes of a first visit of a day, less the drive and a rest; ours"
    )
    feature_minutes: Annotated[float, Field(ge=0, le=120)] = Field(
        5.0, description="minutes to look at a feature, throw a disc and take a picture; ours"
    )
    check_minutes: Annotated[float, Field(ge=0, le=120)] = Field(
        3.0, description="minutes to settle a field check; ours"
    )
    season: tuple[Month, Month] = Field(
        (4, 10),
        description="first and last month of play, for the sun at the tees; common practice in "
        "the north, no source",
    )
    sun_height: Annotated[float, Field(ge=1, le=60)] = Field(
        15.0,
        description="degrees over the horizon below which the sun dazzles who looks towards it; "
        "ours",
    )
    sun_aside: Annotated[float, Field(ge=1, le=90)] = Field(
        25.0, description="degrees to either side of the first throw within which it does so; ours"
    )
    wind_from: Annotated[float, Field(ge=0, le=360)] | None = Field(
        None,
        description="where the prevailing wind comes from, in degrees clockwise from true north "
        "(225 is the south-west); from a wind rose nearby, without it nothing is said of wind",
    )
    beside: Length = Field(
        20.0,
        description="metres from a fairway to a keep-out, water or the property line within which "
        "out-of-bounds is worth considering; ours",
    )
    near: Length = Field(
        25.0, description="metres around holes and walks within which water is looked at; ours"
    )
