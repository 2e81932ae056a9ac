"""Settings of stage `features`: what counts as worth a walk, and what weighs how much."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lanewright.settings.base import Length, Metres, NotNegative, Settings, Share


class KindWeights(Settings):
    """What a perfect feature of each kind is worth, 0-1; all our choice, after common practice."""

    tunnel: Share = Field(1.0, description="rare, and nobody can plant one in a year")
    fairway: Share = Field(0.8, description="a natural fairway saves the most work")
    carry: Share = Field(1.0, description="water decides the memorable hole, and has one place")
    drop: Share = Field(0.85, description="the hole that people remember; cannot be built")
    climb: Share = Field(0.5, description="asks for power, is seldom loved")
    gap: Share = Field(0.5, description="one clear question to the thrower; can also be cut")
    ridge_tee: Share = Field(0.6, description="a tee that sees the hole and drains")
    knoll_tee: Share = Field(0.65, description="as a ridge, with every direction open")
    bench_green: Share = Field(0.6, description="a level green on a slope has a fall-off for free")
    amphitheatre_green: Share = Field(0.7, description="a bowl frames the green and stops roll")
    peninsula: Share = Field(0.85, description="water on three sides of a green is rare")
    specimen_tree: Share = Field(0.55, description="a landmark to play round or under")
    edge: Share = Field(0.6, description="asks a shaped throw without any cutting")
    view: Share = Field(0.55, description="people walk back for it, the score does not change")


class FeaturesSettings(Settings):
    """Things of the land that are worth seeing first."""

    shown: Annotated[int, Field(ge=1, le=60)] = Field(
        15, description="features on the first page and in the book; more than fit a day are noise"
    )
    most_of_kind: Annotated[int, Field(ge=1, le=200)] = Field(
        12, description="features of one kind that are kept; the rest are like them and weaker"
    )
    weights: KindWeights = KindWeights()
    rarity: Share = Field(
        0.2,
        description="how much a kind that is common here counts less: worth is divided by its "
        "number to this power, so that the ninth tunnel does not hide the only pond; our choice",
    )
    repeat: Share = Field(
        0.9,
        description="what each further feature of a kind is worth in the ranking, for a first "
        "look should show what differs; our choice",
    )
    first_of_kind: Annotated[int, Field(ge=1, le=60)] = Field(
        4,
        description="features of one kind among those shown; a fifth carry is no news; our choice",
    )
    near: Length = Field(
        15.0,
        description="metres from a feature ranked before within which half of another makes it "
        "thought part of that; our choice",
    )
    near_share: Share = Field(
        0.35,
        description="what a feature so near another one is worth in the ranking, for one visit "
        "sees both; our choice",
    )
    border_share: Share = Field(
        0.5,
        description="what a feature counts that lies within `legs: sites: boundary_setback:` of "
        "the property line: it may be seen, but not thrown; our choice",
    )
    long: Metres = Field(
        120.0, description="metres of fairway or tunnel that count in full: a tee throw of most"
    )
    lane_from: Metres = Field(
        40.0, description="metres a fairway or tunnel is long at the least, as lanes are"
    )
    join_gap: Length = Field(
        15.0,
        description="metres between two stretches of a fairway that is seen in parts: as far as a "
        "crew clears in a day, or lidar misses under one crown; our choice",
    )
    join_bend: Annotated[float, Field(ge=0, le=180)] = Field(
        40.0,
        description="degrees that a fairway may turn from one stretch to the next; a sharper turn "
        "is another way; our choice",
    )
    fairway_bend: Annotated[float, Field(ge=1, le=360)] = Field(
        100.0, description="degrees from end to end over which it is cut in two; two shaped throws"
    )
    drop_from: Metres = Field(
        3.0, description="metres of drop or climb within a throw; less is hardly felt; our choice"
    )
    drop_over: Annotated[float, Field(ge=1, le=10)] = Field(
        1.5,
        description="how many times the drop that half of all places offer one must be: on an even "
        "slope every place offers as much, and none stands out; our choice",
    )
    drop_full: Metres = Field(
        15.0, description="metres of drop that count in full; 50 ft, common practice, no source"
    )
    throw_from: Metres = Field(
        40.0, description="metres of the shortest throw over which a drop or climb is measured"
    )
    tee_slope: Annotated[float, Field(ge=0.1, le=100)] = Field(
        15.0, description="steepest ground in percent that a tee or green is looked for on"
    )
    knoll_rise: Metres = Field(
        2.0,
        description="metres that a knoll or ridge stands over the land around; more than eye "
        "height; our choice",
    )
    knoll_reach: Metres = Field(
        40.0,
        description="metres within which the ground must fall so far; within sight of the tee; our "
        "choice",
    )
    bowl_rise: Metres = Field(
        2.0,
        description="metres that ground rises around an amphitheatre, or above a bench; more than "
        "eye height; our choice",
    )
    bowl_reach: Metres = Field(
        30.0, description="metres within which it does; the circle of putts and as much again"
    )
    flat_slope: Annotated[float, Field(ge=0.1, le=100)] = Field(
        7.0,
        description="mean slope in percent of a green that counts as level; discs begin to roll on "
        "steeper ground; our choice",
    )
    flat_reach: Metres = Field(
        5.0, description="metres around a pin over which its slope is meant; half circle 1"
    )
    water_from: NotNegative = Field(
        150.0, description="square metres from which water is a pond to throw over; less is a pool"
    )
    above_water: Length = Field(
        0.4,
        description="metres that ground within 25 m of a pond must rise over it to be stood on: "
        "sandbars and reeds lie lower and flood; our choice",
    )
    carry_from: Metres = Field(
        12.0, description="metres over water from which a throw is a carry; circle 1 and some"
    )
    carry_bank: Metres = Field(
        35.0, description="metres behind either shore where tee and green are looked for"
    )
    peninsula_share: Share = Field(
        0.62,
        description="share of the directions in which water is near; a straight shore has half",
    )
    peninsula_reach: Metres = Field(
        25.0, description="metres within which water counts as near; twice and a half circle 1"
    )
    gap_from: Metres = Field(
        3.0, description="metres of the narrowest gap; less than two thirds of any level pass"
    )
    gap_to: Metres = Field(
        12.2,
        description="metres of the widest gap; wooded fairways pinch at 4.6 to 12.2 m "
        "(PDGA, Course Design Elements)",
    )
    gap_room: Metres = Field(
        14.0,
        description="metres of free width on both sides of a gap; wider than a wooded fairway; our "
        "choice",
    )
    gap_ratio: Annotated[float, Field(ge=1, le=10)] = Field(
        1.6,
        description="how many times wider both sides are than the gap; less is one ragged lane; "
        "our choice",
    )
    gap_depth: Metres = Field(
        15.0, description="metres from a gap to the room on either side; more is a lane"
    )
    tree_from: Metres = Field(
        14.0, description="metres of the lowest specimen tree; lower ones are brush from afar"
    )
    tree_ratio: Annotated[float, Field(ge=1, le=10)] = Field(
        1.3, description="height over the tallest tenth of its neighbours, from which it stands out"
    )
    tree_reach: Metres = Field(
        30.0,
        description="metres within which trees are neighbours; as far as one is seen in a wood",
    )
    tree_crown: Metres = Field(
        7.0, description="metres of crown of a specimen; a thin one is no landmark; our choice"
    )
    edge_from: Metres = Field(50.0, description="metres of the shortest edge that asks a shape")
    edge_bow: Metres = Field(
        3.0, description="metres that an edge bows from its chord; less a straight throw ignores"
    )
    view_from: Metres = Field(
        150.0, description="metres of sight line from which a place is a view; longer than a throw"
    )
    view_apart: Metres = Field(120.0, description="metres between two views; nearer ones are one")
    eye: Metres = Field(1.6, description="metres of the eye over ground; common practice")
