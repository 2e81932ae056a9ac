"""Settings of stage `lanes`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from lanewright.settings.base import Length, Metres, NotNegative, Settings, Share


class LanesSettings(Settings):
    """Free width, lanes and openings."""

    low: Annotated[float, Field(ge=0, le=2)] = Field(
        0.5, description="room for a throw starts so many metres over ground; grass is lower"
    )
    high: Annotated[float, Field(ge=1, le=16)] = Field(
        3.5,
        description="and ends here; a release is at 1.3 to 1.5 m (Giljarhus et al. 2022) and a low "
        "throw rises little more; common practice, no source",
    )
    blocked_density: Annotated[float, Field(ge=0.001, le=10)] = Field(
        0.12,
        description="contact density per metre from which a layer is blocked; at 0.12 a disc among "
        "2 cm twigs has an even chance to cross half a metre",
    )
    max_blocked: Share = Field(
        0.25,
        description="share of that height which may be blocked in a column called free: ferns at "
        "its foot or a limb at its top, not brush",
    )
    max_unknown: Share = Field(
        0.5, description="share of that height which may be unsearched in a column called free"
    )
    bridge: Length = Field(
        4.0,
        description="metres; lanes run on over unsearched gaps no wider than this between searched "
        "and clear columns, and half as far beside clear ones over such as were searched in part; "
        "they tell their share; common practice, no source",
    )
    most_unknown: Share = Field(
        0.5, description="lanes and openings of which more was bridged are left out"
    )
    speck_area: NotNegative = Field(
        1.0,
        description="square metres; blocked columns that make up less within speck_reach are "
        "scattered hits, not a wall",
    )
    speck_reach: Metres = Field(
        1.25, description="how far around a column scattered hits are counted, metres"
    )
    min_width: Metres = Field(
        2.0,
        description="a lane is at least so wide but for its pinch points; wooded fairways pinch at "
        "4.6 m (PDGA, Course Design Elements), but brush at the sides blurs by half a metre and "
        "more, and a narrow lane may be worth trimming",
    )
    min_pinch: Metres = Field(
        1.0, description="width that a lane keeps at its pinch points; common practice, no source"
    )
    max_pinch_length: Length = Field(
        6.0, description="a longer narrow stretch is no pinch point but the end of the lane"
    )
    open_width: Metres = Field(
        20.0, description="wider than this is open, no lane; common practice, no source"
    )
    min_length: Metres = Field(
        40.0, description="shorter lanes are left out; hardly a throw fits; common practice"
    )
    min_piece: Metres = Field(
        12.0,
        description="metres of the shortest stretch that features may join with others to a "
        "fairway; shorter ones are chance gaps between trees; ours",
    )
    most_water: Share = Field(
        0.3, description="lanes of which more lies over water are rivers, and left out"
    )
    max_bend: Annotated[float, Field(ge=0.001, le=180)] = Field(
        60.0,
        description="degrees one lane may turn from end to end before it is cut in two; a bend "
        "one curving throw can follow, common practice",
    )
    smoothing: Length = Field(2.0, description="metres over which lane lines are smoothed")
    edge_offset: Metres = Field(
        6.0, description="an edge lane runs so far from its one wall; common practice, no source"
    )
    opening_width: Metres = Field(
        12.0,
        description="an opening holds a circle this wide; 40 ft, the short side of a wooded "
        "landing zone, common practice",
    )
    min_opening: NotNegative = Field(
        290.0,
        description="smaller openings are left out, square metres; a wooded landing zone of 12 by "
        "24 m, common practice",
    )
    tunnel_roof: Share = Field(0.5, description="roofed share from which a lane is a tunnel")
    lone_tree: Metres = Field(
        8.0,
        description="a tree is lone, and its trunk a wall where nothing was seen of it, where less "
        "than half of a square reaching so far is roofed; in a closed wood tops mislead",
    )

    @model_validator(mode="after")
    def _ordered(self) -> LanesSettings:
        if self.high < self.low + 0.5:
            raise ValueError("high must lie at least 0.5 m above low")
        if not self.min_pinch <= self.min_width < self.open_width:
            raise ValueError("min_pinch, min_width and open_width must rise in this order")
        return self
