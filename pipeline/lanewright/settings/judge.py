"""Settings of what makes a throw fair, and what makes it interesting."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Metres, Positive, Settings, Share

Percent = Annotated[float, Field(ge=0.001, le=200)]


class FairSettings(Settings):
    """Gates that a throw must pass to rank at all."""

    share: Share = Field(
        2 / 3,
        description="share of throws that must pass every gap, and that must come to rest well; at "
        "least two thirds pass a fair gap (a senior designer's thirds, course design discussion of "
        "2006); a clear rate above it earns nothing more",
    )
    gap: Metres = Field(
        10.0,
        description="metres of the way that are looked at as one gap; two crowns of the edge trees "
        "deep; ours",
    )
    way: Share = Field(
        1 / 3,
        description="share of throws that must touch nothing on the whole way: two gaps that two "
        "thirds pass each leave four ninths, three leave 30 %; ours",
    )
    climb: Percent = Field(
        15.0, description="steepest climb from tee to end, percent; common practice, no source"
    )
    fall: Percent = Field(
        40.0, description="steepest fall from tee to end, percent; common practice, no source"
    )
    side: Percent = Field(
        25.0,
        description="steepest ground across the way, percent; over 25 % no disc stays where it "
        "lands; common practice, no source",
    )
    wet: Share = Field(
        1 / 3,
        description="share of the ground under the way that may be wet, as a third of the throws "
        "may go astray; ours",
    )
    hours: Positive = Field(
        40.0,
        description="hours of trimming, at the slow end, up to which a leg or hole counts as fair "
        "after the work; a working week of one person; ours",
    )
    toil: Share = Field(
        0.3, description="share of the score that a leg or hole loses which needs all of them; ours"
    )


class InterestSettings(Settings):
    """What each thing that makes a throw worth a walk takes off the boredom of a plain one.

    Interest is 1 less the product of what each leaves over: a weight of 0.4 means that the thing at
    its fullest does away with 40 % of what is missing to 1. A weight of 0 switches it off.
    """

    plain: Share = Field(
        0.25,
        description="interest of a throw with nothing of what follows; it still connects others; "
        "ours",
    )
    framed: Share = Field(
        0.4,
        description="trees on both sides of the way; the woods are what designers look for first; "
        "ours",
    )
    tunnel: Share = Field(
        0.3, description="canopy over a framed way, which asks for a low throw; ours"
    )
    shaped: Share = Field(
        0.35, description="a curve that the ground asks for, as growth bars the straight way; ours"
    )
    carry: Share = Field(0.35, description="a carry over water or a hollow; ours")
    drop: Share = Field(0.3, description="an end lower than the tee; players talk of drops; ours")
    green: Share = Field(0.25, description="an end beyond or beside which the ground falls; ours")
    risk: Share = Field(
        0.2, description="water or steep ground that some throws find, as a price of boldness; ours"
    )
    view: Share = Field(0.15, description="a tee that stands over the land around it; ours")


class JudgeSettings(Settings):
    """Fair and interesting are two things: the gates, and the weights."""

    fair: FairSettings = FairSettings()
    interest: InterestSettings = InterestSettings()
