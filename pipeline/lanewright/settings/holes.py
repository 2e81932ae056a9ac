"""Settings of stage `holes`: candidates, and the room between them."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from lanewright.settings.base import Length, Metres, Name, NotNegative, Settings, Share
from lanewright.settings.cover import HoleCoverSettings


class HoleSettings(Settings):
    """Candidate holes: how legs join, and how many are handed on."""

    keep: Annotated[int, Field(ge=1, le=100_000)] | None = Field(
        None,
        description="candidate holes handed on, all levels; by default as many as `keep_per_ha` "
        "says",
    )
    keep_per_ha: Annotated[float, Field(ge=1, le=2000)] = Field(
        120.0,
        description="candidate holes of each level for each hectare, 300 at least; a round finds "
        "its next tee where the last hole ended only among many: with half as many the demo's "
        "rounds walk a fifth more; they cost time by their square; ours",
    )
    level: Name | None = Field(
        None,
        description="level that has the whole of this room, the others `cover: others:` of it; by "
        "default the one that layouts are made for",
    )
    cover: HoleCoverSettings = HoleCoverSettings()
    most_legs: Annotated[int, Field(ge=1, le=3)] = Field(3, description="throws of one hole to map")
    join: Metres = Field(
        5.0,
        description="metres from where one throw ends to where the next may start; ours, the "
        "spacing of sites",
    )
    max_bend: Annotated[float, Field(ge=0.001, le=180)] = Field(
        100.0, description="sharpest bend at a landing zone, degrees; ours"
    )
    free_bend: Annotated[float, Field(ge=0, le=180)] = Field(
        25.0,
        description="degrees up to which a hole may bend where nothing bars the straight way; ours",
    )
    forced_bend: Annotated[float, Field(ge=0.001, le=180)] = Field(
        60.0,
        description="degrees from which a bend cannot be thrown round, so that landing before it "
        "counts as a throw; common practice",
    )
    landing_share: Share = Field(
        2 / 3,
        description="share of throws that must land on open, dry, gentle ground; misses of at most "
        "a third are fair (a senior designer's thirds, course design discussion of 2006)",
    )
    landing_slope: Annotated[float, Field(ge=0.001, le=100)] = Field(
        20.0, description="steepest ground to land on, percent; common practice"
    )
    gap_share: Share = Field(
        2 / 3,
        description="share of throws that must pass for a gap to be fair (the same thirds); holes "
        "below it are kept if trimming may open them, and say so",
    )
    least_clear: Share = Field(
        0.2,
        description="clear rate below which a throw makes no hole, however much is trimmed; ours",
    )
    branches: Annotated[int, Field(ge=1, le=100)] = Field(
        12, description="next throws tried from where one lands; ours"
    )
    gap: NotNegative = Field(
        0.03, description="score that each metre from a landing to the next throw costs; ours"
    )
    straightest: Share = Field(
        0.6, description="least distance from tee to basket as a share of the way played; ours"
    )
    hindered: Share = Field(
        0.15,
        description="share of the straight that trees or water must bar for a hole to bend; ours",
    )
    same: Length = Field(
        7.0,
        description="metres; candidates of as many throws whose tees and baskets both lie nearer "
        "are one: neighbours across the borders of slots; ours",
    )
    ring: tuple[Metres, Metres] = Field(
        (10.0, 45.0),
        description="metres from a basket that too few holes follow within which more tees are "
        "sought: nearer is the green, farther is no short walk (150 ft); common practice",
    )
    ring_spacing: Annotated[float, Field(ge=0.5, le=20)] = Field(
        2.5, description="metres between the spots tried there; half the spacing of sites; ours"
    )
    ring_per_ha: Annotated[float, Field(ge=0, le=2000)] = Field(
        25.0, description="lines from such spots thrown along, for each hectare and level; ours"
    )
    followers: Annotated[int, Field(ge=0, le=100)] = Field(
        0,
        description="holes that should be able to follow each within 30 m; with fewer, more tees "
        "are sought around its basket; 0 for never, since 10 costs minutes and helps one hole in "
        "fifty; ours",
    )
    routes_per_ha: Annotated[float, Field(ge=0.01, le=1000)] = Field(
        8.0,
        description="holes of each level for each hectare, the best spread over the land, that a "
        "second route is looked for; ours",
    )
    positions_per_ha: Annotated[float, Field(ge=0.01, le=1000)] = Field(
        16.0, description="the same, all levels, for other tees and pins; ours"
    )
    daring: Length = Field(
        3.0, description="metres of water to carry from which a safe way is looked for; ours"
    )
    safer: Share = Field(
        0.15,
        description="clear rate by which a safe way must beat the bold one, unless it spares water",
    )
    pin_from: Length = Field(
        8.0,
        description="metres from the basket to the nearest other pin; several pins spread wear "
        "(PDGA, Course Design Elements), how far is ours",
    )
    pin_to: Length = Field(25.0, description="metres to the farthest other pin; ours")
    pin_slope: Annotated[float, Field(gt=0, le=100)] = Field(
        20.0, description="percent; steepest ground for another pin; ours"
    )
    min_par: Annotated[int, Field(ge=2, le=3)] = Field(
        3, description="lowest par; some schools of par allow 2; common practice"
    )


class SafetySettings(Settings):
    """Room between fairways and whatever else may be hit; metres from the fairway's middle.

    No governing body publishes such distances. All are screening values, ours and common practice;
    the pairs are over open ground, and with dense trees between. The whole distance is asked for
    where a throw has flown `full_at` of the level's tee throw; nearer to where it was thrown from,
    throws have spread less and less is asked in proportion, down to `at_tee` of the distance at a
    tee: with the values here a tee stands 61 x 0.25 = 15 m from a building, 7.5 m from a road.
    """

    fairway: tuple[Metres, Metres] = Field(
        (37.0, 21.0), description="to the middle of another fairway (120 and 70 ft)"
    )
    tee_basket: tuple[Metres, Metres] = Field(
        (30.0, 18.0), description="to the tee or basket of another hole (100 and 60 ft)"
    )
    next_tee: tuple[Metres, Metres] = Field(
        (15.0, 12.0), description="from a basket to a tee (50 and 40 ft)"
    )
    path: tuple[Metres, Metres] = Field(
        (24.0, 15.0), description="to a much-used path or trail (80 and 50 ft)"
    )
    keep_out: tuple[Metres, Metres] = Field(
        (30.0, 21.0), description="to a keep-out with its buffer, as to a road (100 and 70 ft)"
    )
    building: tuple[Metres, Metres] = Field(
        (61.0, 37.0), description="to a building (200 and 120 ft)"
    )
    boundary: tuple[Metres, Metres] = Field(
        (23.0, 15.0), description="to the property line (75 and 50 ft)"
    )
    behind: tuple[Metres, Metres] = Field(
        (30.0, 18.0), description="past the basket on the line of play (100 and 60 ft)"
    )
    tees: Length = Field(10.0, description="from one tee to another; ours")
    near_deg: Annotated[float, Field(ge=0.001, le=90)] = Field(
        15.0, description="half-angle of the danger cone before a tee, to 0.6 of the throw"
    )
    far_deg: Annotated[float, Field(ge=0.001, le=90)] = Field(
        20.0, description="half-angle of that cone beyond"
    )
    cone_reach: Annotated[float, Field(ge=1, le=2)] = Field(
        1.25, description="length of that cone as a share of the throw"
    )
    near_reach: Annotated[float, Field(ge=0, le=2)] = Field(
        0.6, description="share of the level's tee throw up to which `near_deg` holds"
    )
    at_tee: Annotated[float, Field(ge=0.01, le=1)] = Field(
        0.25,
        description="part of a distance that is asked for at a tee or landing zone, where throws "
        "start and have not spread; 1 asks for the whole distance everywhere; ours",
    )
    full_at: Annotated[float, Field(ge=0.01, le=2)] = Field(
        0.8,
        description="share of the level's tee throw that a throw has flown where the whole "
        "distance is asked for: a fairway throw (four fifths of a tee throw, par guideline)",
    )
    weaker: Annotated[float, Field(ge=0, le=1)] = Field(
        0.25,
        description="of two fairways' parts of a distance, weight of the smaller one: a full throw "
        "then keeps from another fairway's start what it keeps from a tee, 30 m for 37 m; ours",
    )
    handover: Length = Field(
        26.0,
        description="metres before a basket and after a tee of another hole that may meet, for one "
        "is played after the other: a tee 15 m beside a basket lies 30 m from the fairway there",
    )
    fade_side: Annotated[float, Field(ge=1, le=5)] = Field(
        1.5,
        description="times `keep_out` on the side where the throw fades to and behind the basket: "
        "46 m for 30 (150 ft for 100 ft)",
    )
    wait_basket: Length = Field(
        20.0,
        description="metres around a basket within which a walk that leaves it is not in the line "
        "of fire of its hole: players stand there anyway; ours",
    )
    walk_back: Length = Field(
        25.0,
        description="most metres that a walk may go back along the hole just played, for the next "
        "group throws there; common practice, no source",
    )
    wait_tee: Length = Field(8.0, description="the same around the tee that a walk comes to; ours")
    wire: Length = Field(
        5.0, description="metres within which a fairway lies along or under overhead wires; ours"
    )
    wire_along: Length = Field(
        15.0, description="most metres of fairway so near to wires; crossing them is shorter; ours"
    )
    sds: Annotated[float, Field(ge=0.001, le=6)] = Field(
        2.5,
        description="standard deviations of the level's throws that the drawn fairway holds; 99 in "
        "100 throws",
    )
    sheltered: Share = Field(
        0.5,
        description="share of the ground between that must hold trees or brush at throwing height "
        "to count as dense trees between; ours",
    )

    @model_validator(mode="after")
    def _trees_shelter(self) -> SafetySettings:
        for name in type(self).model_fields:
            value = getattr(self, name)
            if isinstance(value, tuple) and value[1] > value[0]:
                raise ValueError(f"{name}: trees between cannot ask for more room than open ground")
        return self
