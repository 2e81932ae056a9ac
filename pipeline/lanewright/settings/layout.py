"""Settings of stage `layout`: walks, the mix, what counts, the solver."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lanewright.settings.base import (
    Length,
    Metres,
    Name,
    NotNegative,
    Place,
    Positive,
    Settings,
    Share,
)
from lanewright.settings.holes import HoleSettings, SafetySettings

IdeaName = Literal[
    "most character", "shortest walks", "least cutting", "most wooded", "gentlest for beginners"
]


class WalkSettings(Settings):
    """Walks between holes. Factors and limits are ours, common practice; the walk decides."""

    cell: Annotated[float, Field(ge=0.5, le=10)] = Field(
        2.0, description="side in metres of the cells that walks are sought on"
    )
    # Tobler 1993: off paths six tenths of the speed on them.
    off_path: Annotated[float, Field(ge=0.001, le=1)] = Field(
        0.6, description="speed away from paths as a share of the speed on them"
    )
    wet: Annotated[float, Field(ge=1, le=100)] = Field(
        2.0, description="how many times as long a step over possibly wet ground counts"
    )
    very_wet: Annotated[float, Field(ge=1, le=100)] = Field(
        4.0, description="the same over likely wet ground"
    )
    steepest: Annotated[float, Field(ge=0.001, le=300)] = Field(
        60.0, description="percent; steeper steps are not walked"
    )
    bridge: Length = Field(
        8.0, description="metres of water that a footbridge may cross; 0 for no bridges"
    )
    bridge_slow: Annotated[float, Field(ge=1, le=1000)] = Field(
        10.0, description="how many times as long a step over such water counts"
    )
    stream: Length = Field(
        8.0,
        description="hectares that drain to a line from which on it counts as water to bridge; 1 "
        "to 2 on till, 8 to 16 on coarse ground (Ågren et al. 2014); 0 for none",
    )
    fire: Annotated[float, Field(ge=1, le=1000)] = Field(
        6.0, description="how many times as long a step in a line of fire counts"
    )
    nearest: Annotated[int, Field(ge=2, le=200)] = Field(
        12, description="tees that the walk from each basket is tried to"
    )
    far: Metres = Field(
        91.0, description="metres of walk beyond which one needs a reason: 300 ft; common practice"
    )
    steps: Positive = Field(
        15.0, description="percent from which a walk needs steps or a switchback; common practice"
    )
    inside: Metres = Field(
        12.0,
        description="metres inside the property line where a round may start if no arrival is "
        "given, for people come in there; ours",
    )
    starts: Metres = Field(
        60.0, description="metres between such places tried along the property line; ours"
    )
    furthest: Metres = Field(
        300.0, description="metres of easy ground off paths; walks that take longer are not tried"
    )


class MixSettings(Settings):
    """What a round should hold; least shares of the holes wanted, unless it says otherwise.

    Four of eighteen of each finish, three of each length, of climbs and of drops: common
    practice, ours; three left and three right at the least: a course standard of 1992.
    """

    left: Share = Field(0.22, description="drives that finish left")
    right: Share = Field(0.22, description="drives that finish right")
    straight: Share = Field(0.22, description="drives that finish straight")
    short: Share = Field(0.17, description="par-3 holes in the lower third of the level's lengths")
    middle: Share = Field(0.17, description="in the middle third")
    long: Share = Field(0.17, description="in the upper third")
    climbs: Share = Field(0.17, description="holes that climb")
    drops: Share = Field(0.17, description="holes that drop")
    grade: Positive = Field(3.0, description="percent from which a hole climbs or drops")
    wooded: Share = Field(0.3, description="holes in lanes and tunnels")
    open: Share = Field(0.2, description="holes over open ground or along an edge")
    over_par_3: Share = Field(0.11, description="holes of par 4 and more")
    features: Annotated[int, Field(ge=0, le=20)] = Field(
        5,
        description="first features of the land that a round of 18 should use, each by one hole; "
        "fewer for fewer holes; they are why a designer comes; ours",
    )
    total: tuple[NotNegative, NotNegative] | None = Field(
        None, description="metres that all holes together should be long; by default by `usual`"
    )
    usual: tuple[Positive, Positive] = Field(
        (0.93, 1.25),
        description="usual length of a hole in controlled tee throws of the level: 18 holes of "
        "1,680 to 2,290 m for a throw of 101 m; ours, common practice",
    )
    same_finish: Annotated[int, Field(ge=1, le=18)] = Field(
        2, description="most holes in a row with the same finish"
    )

    @model_validator(mode="after")
    def _least_before_most(self) -> MixSettings:
        for name in ("total", "usual"):
            value = getattr(self, name)
            if value is not None and value[0] > value[1]:
                raise ValueError(f"{name}: the lower length comes first")
        return self


class WeightSettings(Settings):
    """What each term of a layout counts, in points; a perfect hole brings `quality` points."""

    quality: NotNegative = Field(
        200.0,
        description="a hole of score 1; plain ones reach 0.25 and the best of a land 0.7, so that "
        "a fine hole is worth some 35 metres of walk more than a plain one; ours",
    )
    ease: NotNegative = Field(
        0.0,
        description="a hole of ease 1: every throw clear, level, no water to carry; ours",
    )
    walk: NotNegative = Field(
        2.5,
        description="lost for each metre of easy walk, by time; with 1.5 the demo's later rounds "
        "walk a fifth more for as good holes, with 4 the mix and the first features give way; ours",
    )
    far_walk: NotNegative = Field(
        6.0,
        description="lost besides for each metre of a walk beyond `walk: far:`; with 1 every round "
        "of the demo had a walk of 93 to 104 m, with 6 none over 77, for 3 % more walk; ours",
    )
    sameness: NotNegative = Field(
        12.0,
        description="lost for a walk between two holes that are alike in finish, corridor and "
        "all that makes them interesting; contrast with the neighbour is what players remember; "
        "ours, about what 5 metres of walk cost",
    )
    crossing: NotNegative = Field(60.0, description="lost for a walk into a line of fire")
    bridge: NotNegative = Field(15.0, description="lost for a walk that needs a bridge")
    finish: NotNegative = Field(
        80.0,
        description="lost for each hole short of a wished finish; as much as a good hole brings, "
        "so that the mix seldom gives way; ours",
    )
    length: NotNegative = Field(80.0, description="the same for short, middle and long holes")
    climb: NotNegative = Field(40.0, description="the same for climbs and drops, a wish only")
    lane_kind: NotNegative = Field(80.0, description="the same for wooded and open holes")
    par: NotNegative = Field(80.0, description="the same for holes over par 3")
    feature: NotNegative = Field(
        100.0,
        description="lost on average for each of the first features that no hole uses, for the "
        "first five times the fifth: as a good hole, so that one is left out only where it would "
        "cost some 40 metres of walk; ours",
    )
    in_a_row: NotNegative = Field(80.0, description="lost for each hole that repeats a finish")
    total: NotNegative = Field(
        2.0, description="lost for each metre that all holes together are too short or too long"
    )
    trim: NotNegative = Field(1.0, description="lost for each hour of trimming")
    prefer: NotNegative = Field(
        50.0, description="brought by a preferred hole of the designer, lost by one to avoid"
    )


class BeamSettings(Settings):
    """How rounds are strung hole by hole, the best strings kept at every step."""

    width: Annotated[int, Field(ge=10, le=1_000_000)] = Field(
        8000, description="strings kept at every step; five times as many found no better rounds"
    )
    each: Annotated[int, Field(ge=1, le=100_000)] = Field(
        40, description="of these, strings that end with the same hole; ours"
    )
    near: Annotated[int, Field(ge=1, le=1000)] = Field(
        60, description="holes with tees near a basket that the next is chosen from; ours"
    )
    room: Annotated[tuple[NotNegative, ...], Field(min_length=1, max_length=10)] = Field(
        (300.0, 500.0, 700.0, 900.0, 1200.0, 1600.0),
        description="points that a string would lose if its holes left no room for any other, one "
        "search for each: with 0 the first ten holes lie close and the land is full; with two "
        "searches instead of six the demo's first rounds end some 70 points lower; ours",
    )
    length: Share = Field(
        0.67,
        description="part of what a metre short of the usual total costs that each metre of hole "
        "brings while a round is strung; ours",
    )
    homing: Annotated[float, Field(ge=1, le=100)] = Field(
        6.0, description="last holes on which the walk home counts, more with each; ours"
    )


class AnnealSettings(Settings):
    """How rounds are bettered by small changes, worse ones taken the less the colder it gets."""

    changes_each: Annotated[int, Field(ge=10, le=1_000_000)] = Field(
        1000,
        description="changes tried on a round for each candidate there is, in each search; with "
        "600 two of the demo's three rounds end 100 to 190 points lower",
    )
    tries: Annotated[int, Field(ge=1, le=100)] = Field(
        1, description="goes from each search, from its best rounds on; the best of all counts"
    )
    hot: Positive = Field(
        60.0,
        description="points by which a change may easily be worse at first: a walk between holes; "
        "with 90 the demo's first round ends 90 to 190 points lower for two seeds in five",
    )
    cold: Positive = Field(15.0, description="the same at last: ten metres of walk")
    strain: Positive = Field(
        600.0,
        description="points that each broken rule costs on the way; more than a hole can bring",
    )
    near: Annotated[int, Field(ge=1, le=1000)] = Field(
        40, description="holes with tees near a basket that most changes choose the next from"
    )


class NudgeSettings(AnnealSettings):
    """How a round that stands is bettered among holes moved: gently, from where it is."""

    hot: Positive = Field(
        20.0,
        description="points by which a change may easily be worse at first; with 60 the demo's "
        "rounds end up to 200 points lower, for most of what they were is lost",
    )
    cold: Positive = Field(5.0, description="the same at last: two metres of walk")


class WindowSettings(Settings):
    """How stretches of a round are strung anew between the holes that stay."""

    size: Annotated[int, Field(ge=1, le=18)] = Field(5, description="holes strung anew at once")
    width: Annotated[int, Field(ge=10, le=1_000_000)] = Field(
        1000, description="strings kept at every step there"
    )
    passes: Annotated[int, Field(ge=0, le=100)] = Field(
        3, description="times through the round, fewer where one betters nothing"
    )


class CloserSettings(Settings):
    """How far holes of rounds are moved towards the holes before and after them."""

    reach: NotNegative = Field(
        20.0,
        description="metres that a tee or basket may move; where a kept hole starts and ends is "
        "right to the 10 m of a slot; 0 for never; ours",
    )
    most: Annotated[int, Field(ge=1, le=1000)] = Field(
        400,
        description="pairs of tee and basket thrown between for each hole; with 120 the demo's "
        "rounds walk some 30 m more; ours",
    )
    each: Annotated[int, Field(ge=1, le=100)] = Field(
        20, description="of these, pairs with one tee, and with one basket, at most; ours"
    )
    anneal: NudgeSettings = NudgeSettings()


class SolverSettings(Settings):
    """How long and how wide the search for layouts goes."""

    most: Annotated[int, Field(ge=10, le=10_000)] = Field(
        3500,
        description="candidates looked at in all, the best of every 10 m of tees in turns; their "
        "conflicts grow with the square of their number",
    )
    candidates: Annotated[int, Field(ge=10, le=5000)] = Field(
        240,
        description="of these, holes the solver chooses from: those that fit a first round best",
    )
    from_tee: Annotated[int, Field(ge=1, le=100)] = Field(
        3, description="holes from one tee, or to one basket, that walks are tried to; ours"
    )
    at_arrival: Annotated[float, Field(ge=1, le=100)] = Field(
        3.0, description="times as many walks tried from and to the arrival as between holes; ours"
    )
    fit_walk: NotNegative = Field(
        0.3,
        description="points by which a candidate fits a round the less for each metre of walk to "
        "and from it; ours",
    )
    fit_clash: NotNegative = Field(
        40.0, description="the same for each hole of the round that it is in conflict with; ours"
    )
    work: Positive = Field(
        1.0,
        description="work of the solver for all proposals, in its own deterministic units, "
        "about seconds of an idle core; never a clock, so that any machine finds the same; with 3 "
        "the demo's rounds are the same",
    )
    packing_work: Positive = Field(
        2.0, description="the same for the most holes that keep apart, where a round does not fit"
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = Field(1, description="of all searches")
    beam: BeamSettings = BeamSettings()
    first: AnnealSettings = AnnealSettings()
    window: WindowSettings = WindowSettings()
    closer: CloserSettings = CloserSettings()


class LayoutSettings(Settings):
    """Holes, their room, and how they follow one another."""

    hole: HoleSettings = HoleSettings()
    safety: SafetySettings = SafetySettings()

    level: Name | None = Field(
        None, description="level that layouts are made for; by default the best of the levels named"
    )
    proposals: Annotated[int, Field(ge=1, le=10)] = Field(3, description="layouts proposed")
    ideas: Annotated[tuple[IdeaName, ...], Field(min_length=1)] = Field(
        (
            "shortest walks",
            "most character",
            "least cutting",
            "most wooded",
            "gentlest for beginners",
        ),
        description="what the proposals are after, one after the other: walks against which the "
        "quality of holes counts half, holes whose quality counts twice, hours of trimming that "
        "count six times, as many holes in the wood as there can be, or holes that count by "
        "their ease instead of their quality; ours",
    )
    differ: Share = Field(
        0.67,
        description="share of its holes by which a proposal differs from each other one; holes "
        "whose tees and baskets both lie within 12 m are the same; ours",
    )
    most_walk: float = Field(
        1.0,
        gt=0,
        le=10,
        description="metres of walk for each metre of play from which a round is called no course, "
        "and no second one is proposed; good rounds walk a quarter of their play; ours",
    )
    pass_arrival: bool = Field(
        False, description="come by the arrival after half of the holes, as for two nines"
    )
    trim_hours: NotNegative | None = Field(
        None, description="most hours of trimming for a layout, by the high end of its range"
    )
    paths: Place | None = Field(
        None, description="lines of existing paths: walks are faster on them, and keep-outs open"
    )
    walk: WalkSettings = WalkSettings()
    mix: MixSettings = MixSettings()
    weights: WeightSettings = WeightSettings()
    solver: SolverSettings = SolverSettings()
