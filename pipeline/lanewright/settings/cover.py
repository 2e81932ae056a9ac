"""Settings of what is kept by what it covers: of legs, and of candidate holes."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Settings, Share


class CoverSettings(Settings):
    """Slots, of each of which the best is kept; and parts of the room that kinds have for sure.

    A rank alone fills a meadow with near-copies of its best line; a round needs something to
    follow from every basket.
    """

    cell: Annotated[float, Field(ge=1, le=200)] = Field(
        10.0,
        description="metres; tees in one square so wide do the same: two tees nearer are one "
        "place on the ground (`layout: safety: tees:`); ours",
    )
    directions: Annotated[int, Field(ge=1, le=72)] = Field(
        8,
        description="directions of such a square that each keep a line of their own, 45 degrees "
        "each: next to one another they still leave a fairway's room at full length; ours",
    )
    length: Annotated[float, Field(ge=1, le=400)] = Field(
        18.0,
        description="metres of length that do the same: 60 ft, a third of what the lengths of a "
        "level's par 3s spread over; ours",
    )
    others: Share = Field(
        0.35,
        description="part of the room for each level that no layouts are made for: its holes are "
        "offered, but need not follow one another; ours",
    )
    tunnels: Share = Field(
        0.1, description="part of the room that lines in tunnels have first, for they are few; ours"
    )
    lanes: Share = Field(0.2, description="the same for lines in lanes; ours")
    edges: Share = Field(0.1, description="the same for lines along an edge; ours")
    carries: Share = Field(0.05, description="the same for lines that carry water; ours")
    finishes: Share = Field(
        0.2,
        description="the same for each finish: left, right, straight, for a round asks for some "
        "of each; ours",
    )


class HoleCoverSettings(CoverSettings):
    """The same of candidate holes, which also differ by their number of throws."""

    par_4: Share = Field(0.15, description="the same for holes of par 4; ours")
    par_5: Share = Field(0.08, description="the same for holes of par 5 and more; ours")
    unfair: Share = Field(
        0.15,
        description="part of the room for holes that are not fair as they stand, more where fair "
        "ones leave room: they are work to offer, and few come into a round; ours",
    )
