"""Every layer, column and raster that a run hands out: name, type, unit and meaning, once.

Writers and the report take their words from here; what is computed, and how, is with the stages.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE

Dtype = Literal["int", "float", "text", "bool"]
Geometry = Literal["Point", "LineString", "LineString Z", "MultiPolygon"]

_ROUNDING = 1e-6  # what float32 may add to a share
_TRIFLE = 0.01  # share of an area that mending a flawed outline may change


@dataclass(frozen=True)
class Column:
    """One attribute of a layer.

    Attributes
    ----------
    name
        Ends in its unit where it has one.
    dtype
        `int` and `float` are 64 bits wide; `text` holds no line breaks.
    unit
        As said to a reader; empty for names, counts and kinds. `0-1` is a share and stays in it.
    meaning
        One sentence; also says what an empty value stands for, where it may be empty.
    values
        The only values a text may take; empty where it is free.
    required
        Whether the stage that makes the layer must give it.
    derived
        Column and factor it follows from when the stage does not give it.
    digits
        Decimals worth showing.
    """

    name: str
    dtype: Dtype
    unit: str
    meaning: str
    values: tuple[str, ...] = ()
    required: bool = True
    derived: tuple[str, float] | None = None
    digits: int | None = None


@dataclass(frozen=True)
class Layer:
    """One layer of the GeoPackage; a first column `*_id` is its key: never empty, never twice.

    Attributes
    ----------
    name
        Table name.
    title
        As a reader meets it in a viewer.
    description
        What one row is, and what it rests on.
    geometry
        The one type every row has.
    columns
        In the order they are handed out.
    """

    name: str
    title: str
    description: str
    geometry: Geometry
    columns: tuple[Column, ...]

    @property
    def key(self) -> str | None:
        """Name of the column that tells rows apart; None where rows need no number."""
        first = self.columns[0].name
        return first if first.endswith("_id") else None

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError where there is none."""
        return {column.name: column for column in self.columns}[name]


@dataclass(frozen=True)
class Raster:
    """One raster of the run's grid, written as float32.

    Attributes
    ----------
    name
        File name without its ending.
    unit
        As said to a reader; `1` for bare numbers.
    meaning
        One sentence.
    nodata
        Value in cells outside the property's surroundings or without an answer.
    step
        Smallest difference kept, a power of two: finer ones are noise that only takes space.
    overviews
        How coarser versions for viewing are made; directions have no mean.
    """

    name: str
    unit: str
    meaning: str
    nodata: float = -9999.0
    step: float = 2.0**-10  # a millimetre, a thousandth
    overviews: Literal["average", "nearest"] = "average"


def _int(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "int", "", meaning, **more)


def _bool(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "bool", "", meaning, **more)


def _text(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "text", "", meaning, **more)


def _real(name: str, unit: str, meaning: str, digits: int = 2, **more: Any) -> Column:
    return Column(name, "float", unit, meaning, digits=digits, **more)


def _share(name: str, meaning: str, **more: Any) -> Column:
    return _real(name, "0-1", meaning, digits=3, **more)


def _feet(name: str, digits: int = 1, required: bool = False) -> Column:
    """Twin in feet of a length in metres; worked out on the way out unless given."""
    return _real(
        f"{name.removesuffix('_m')}_ft",
        "ft",
        f"{name} in feet.",
        digits=digits,
        required=required,
        derived=(name, FEET_PER_METRE),
    )


def _length(name: str, meaning: str, digits: int = 1, **more: Any) -> tuple[Column, Column]:
    """Give a length in metres and its twin in feet: designers read both."""
    return _real(name, "m", meaning, digits=digits, **more), _feet(name, max(digits - 1, 0))


LANE_KINDS = ("open", "edge", "lane", "tunnel")
FINISHES = ("straight", "left", "right")
FAILS = ("brush", "limb", "trunk", "not seen")
CHECK_KINDS = (
    "access",
    "survey age",
    "not seen",
    "gap",
    "in the way",
    "in leaf",
    "soft ground",
    "water",
    "crossing",
    "wire",
    "boundary",
)
SEASONS = ("any day", "in leaf", "after rain", "in a dry spell")

_SITE = (
    _int("site_id", "Number of the site."),
    _real("slope_pct", "percent", "Steepest slope of the ground over the site.", digits=1),
    _real("wetness", "1", "Topographic wetness index at the site; higher is wetter."),
    *_length("free_width_m", "Width free of vegetation at throwing height around the site."),
    _real("ground_m", "m", "Height of the ground in the lidar's vertical datum.", required=False),
    _real(
        "height_above_drainage_m",
        "m",
        "Height above the drainage line that the site drains to; low ground floods first.",
        required=False,
    ),
    _share("seen_share", "Share of the space over the site that lidar sampled.", required=False),
    _int("legs", "Legs kept that use the site.", required=False),
    _share("score", "How well the spot suits its use; 1 is best.", required=False),
)

_LAYERS = (
    Layer(
        "property",
        "Property",
        "The land under study. Everything outside is context only.",
        "MultiPolygon",
        (
            _text("name", "Title of the run."),
            _real("area_ha", "ha", "Area of the property."),
            _real(
                "area_acres",
                "acres",
                "Area of the property in acres.",
                required=False,
                derived=("area_ha", ACRES_PER_HECTARE),
            ),
            _text("source", "File the outline came from, or how else.", required=False),
        ),
    ),
    Layer(
        "tee_sites",
        "Tee sites",
        "Spots that could hold a tee. Found from lidar; see them on foot before anything is built.",
        "Point",
        _SITE,
    ),
    Layer(
        "basket_sites",
        "Basket sites",
        "Spots that could hold a basket or a landing zone. Found from lidar; see them on foot.",
        "Point",
        _SITE,
    ),
    Layer(
        "legs",
        "Legs",
        "One throw each: from a tee site to an end site, with the flight that suits it. The line "
        "follows the flight; its heights are in the lidar's vertical datum. Rates are estimates "
        "from lidar and a flight model.",
        "LineString Z",
        (
            _int("leg_id", "Number of the leg."),
            _int("tee_id", "Site the throw starts from: site_id in tee_sites."),
            _int("end_id", "Site the throw ends at: site_id in basket_sites."),
            _text("level", "Skill level the leg is scored for."),
            _text(
                "finish",
                "Where the flight ends up turning, seen from the tee.",
                values=FINISHES,
            ),
            _real("length_m", "m", "Level distance from tee to end.", digits=1),
            _feet("length_m", digits=0, required=True),
            _real("rise_m", "m", "Ground at the end above ground at the tee; downhill below 0."),
            _real(
                "effective_length_m",
                "m",
                "Length of the throw on level ground that asks as much.",
                digits=1,
            ),
            _real("apex_m", "m", "Highest point of the flight above the tee's ground."),
            _share(
                "clear_rate",
                "Share of throws, with the level's spread, that touch no vegetation, as surveyed.",
            ),
            _share("clear_rate_se", "Standard error of clear_rate from the number of throws."),
            _share(
                "clear_rate_low",
                "Lowest clear rate in keeping with what the survey could have missed.",
            ),
            _share(
                "clear_rate_high",
                "Highest clear rate in keeping with what the survey could have missed.",
            ),
            _share(
                "clear_rate_leaf_on",
                "Clear rate expected in leaf, by the assumption in summary.json.",
            ),
            _real("pinch_width_m", "m", "Narrowest free width along the flight.", digits=1),
            _real("pinch_at_m", "m", "How far from the tee the narrowest place is.", digits=1),
            _text("lane_kind", "Kind of corridor the leg runs in.", values=LANE_KINDS),
            _share("roof_share", "Share of the length with canopy over the flight."),
            _real("grade_pct", "percent", "Rise over length; downhill below 0.", digits=1),
            _real(
                "side_slope_pct", "percent", "Mean slope of the ground across the leg.", digits=1
            ),
            _real("tee_slope_pct", "percent", "Slope of the ground at the tee.", digits=1),
            _real("landing_slope_pct", "percent", "Slope of the ground at the end.", digits=1),
            _share("wet_share", "Share of the ground under the leg that is wet or ponds."),
            _real("carry_water_m", "m", "Length of the flight over open water.", digits=1),
            _share(
                "seen_share",
                "Share of the flight space that lidar pulses sampled: what is known, not hoped.",
            ),
            _share("score", "The three scores taken together; 1 is best."),
            _share("score_clearance", "Score for a clear flight; 1 is best."),
            _share("score_grade", "Score for grade and slopes; 1 is best."),
            _share("score_drainage", "Score for dry ground; 1 is best."),
            _feet("rise_m"),
            _feet("effective_length_m", digits=0),
            _feet("apex_m"),
            _feet("pinch_width_m"),
            _feet("pinch_at_m", digits=0),
            _feet("carry_water_m", digits=0),
            _text(
                "origin",
                "Who proposed it: the search, or the designer's own line.",
                values=("search", "own"),
                required=False,
            ),
            _share(
                "blocked_share", "Share of the flight space held by vegetation.", required=False
            ),
            _text("height_class", "Height of the flight, in words.", required=False),
            *_length(
                "plays_like_m",
                "Length on level ground that asks for the same release, by the flight model; the "
                "trade's rule in effective_length_m.",
                required=False,
            ),
            _share(
                "clear_rate_leaf_off",
                "Clear rate expected without leaves, by the assumption in summary.json.",
                required=False,
            ),
            *(
                _share(
                    f"clear_rate_{finish}",
                    f"Clear rate of the best throw that finishes {finish} between the same places; "
                    "empty where the level has none.",
                    required=False,
                )
                for finish in FINISHES
            ),
            *_length(
                "fail_at_m",
                "How far from the tee most failing throws touch something; empty where none does.",
                required=False,
            ),
            *_length("fail_height_m", "Height over the ground at which they do.", required=False),
            *_length(
                "fail_side_m",
                "How far left of the straight line from tee to end they do; right below 0.",
                required=False,
            ),
            _text(
                "fail_on",
                "What most of them touch there; empty where none does.",
                values=FAILS,
                required=False,
            ),
            *_length(
                "landing_long_m",
                "Length of the ellipse that two of three throws come to rest in, of those which "
                "nothing stops; empty where too few are left.",
                required=False,
            ),
            *_length("landing_wide_m", "Width of that ellipse.", required=False),
            _real(
                "landing_bearing_deg",
                "degrees",
                "Direction of its long axis, clockwise from north, 0 to 180.",
                digits=0,
                required=False,
            ),
            *_length(
                "landing_past_m",
                "How far its middle lies beyond the end of the leg; short of it below 0.",
                required=False,
            ),
            _share("lands_wet_share", "Share of throws that end in open water.", required=False),
            _share(
                "lands_outside_share", "Share of throws that end off the property.", required=False
            ),
            _share(
                "lands_keep_out_share",
                "Share of throws that end in a keep-out or its buffer.",
                required=False,
            ),
            _share(
                "lands_across_share",
                "Share of throws that end beyond a keep-out, but not in it.",
                required=False,
            ),
            _share(
                "lands_steep_share",
                "Share of throws that end on ground steep enough for a disc to roll.",
                required=False,
            ),
            _share(
                "unsafe_share",
                "Share of throws that end off the property or in a keep-out or its buffer.",
                required=False,
            ),
            _text(
                "own_hole",
                "Name of the designer's line the leg belongs to; empty for the search's.",
                required=False,
            ),
        ),
    ),
    Layer(
        "holes",
        "Holes",
        "Candidate holes made of legs, along the flights aimed for. Pars and effective lengths "
        "follow our default table unless the designer brought one. A desk study: walk each.",
        "LineString Z",
        (
            _int("hole_id", "Number of the hole."),
            _text("name", "The designer's name of an own hole; else empty.", required=False),
            _text(
                "origin",
                "Who proposed it: the search, or the designer's own line.",
                values=("search", "own"),
            ),
            _text("level", "Skill level the hole is made for."),
            _int("par", "Par for that level; by our default unless par_source says otherwise."),
            _text("par_source", "Where the par comes from: our default, or a table given."),
            _text("pars", "Par for every level of the run, played from this tee."),
            _text("legs", "Its throws in order: leg_id in legs, with spaces between."),
            _int("throws", "How many legs the hole has."),
            _int("tee_id", "Site of the tee: site_id in tee_sites."),
            _int("end_id", "Site of the basket: site_id in basket_sites."),
            *_length("length_m", "Length along the route of play, through the landing zones."),
            *_length(
                "effective_length_m",
                "Length on level ground that asks as much: three metres for each metre of climb, "
                "our default.",
                digits=1,
            ),
            *_length("rise_m", "Ground at the basket above ground at the tee; downhill below 0."),
            _text("finish", "Where the throw from the tee ends up turning.", values=FINISHES),
            _text("finishes", "Finish of every throw in order."),
            _real(
                "bend_deg",
                "degrees",
                "Sum of the turns at the landing zones, left above 0; 0 for a single throw.",
                digits=0,
            ),
            _share(
                "clear_rate", "Share of throws that touch no vegetation: product over the legs."
            ),
            _share(
                "clear_rate_low", "The same at its lowest, by what the survey could have missed."
            ),
            _share("clear_rate_high", "The same at its highest."),
            _share("clear_rate_leaf_on", "The same as expected in leaf."),
            _text("lane_kind", "Kind of corridor most of the hole runs in.", values=LANE_KINDS),
            _share("wooded_share", "Share of the length in lanes and tunnels through a wood."),
            _share("roof_share", "Share of the length with canopy over the flight."),
            *_length("pinch_width_m", "Narrowest free width along the flights."),
            *_length("pinch_at_m", "How far from the tee the narrowest place is."),
            *_length(
                "fair_width_m",
                "Width there that two thirds of the level's throws pass.",
                required=False,
            ),
            *_length("carry_water_m", "Longest flight over open water."),
            _share("wet_share", "Share of the ground under the hole that is wet or ponds."),
            _share("seen_share", "Share of the flight space that lidar pulses sampled."),
            _share(
                "landing_share",
                "Share of throws that come down on open, dry, gentle ground, at the worst landing "
                "zone; empty for a single throw.",
            ),
            _real("foliage", "1", "Factor on the length of throws for the trees; our default."),
            _real("tee_slope_pct", "percent", "Slope of the ground at the tee.", digits=1),
            _real("green_slope_pct", "percent", "Slope of the ground at the basket.", digits=1),
            _text("green", "What frames the green and what lies beyond it, in words."),
            *_length(
                "trouble_m",
                "How far from the basket the nearest water, drop, border or keep-out beyond or "
                "beside it is; empty if none within 30 m.",
            ),
            _text(
                "route",
                "safe, or bold: another way from the same tee to the same basket that asks more "
                "and saves a throw or length.",
                values=("safe", "bold"),
            ),
            _int("pair_id", "The other route of the same hole: its hole_id; empty if none."),
            _real(
                "miss_cost",
                "",
                "Throws that a miss costs on average, times how often it happens; ours.",
            ),
            _share("score", "How good the hole is by itself; 1 is best."),
            _text("sentence", "The hole in a sentence, as for a notebook."),
            _real(
                "trim_hours_low",
                "",
                "Low end of the hours of trimming; empty where none was planned.",
                required=False,
            ),
            _real("trim_hours_high", "", "High end of the hours of trimming.", required=False),
        ),
    ),
    Layer(
        "hole_positions",
        "Holes: tees and pins",
        "Other tees and pins of the candidate holes, for every level of the run. Pars by our "
        "default unless the designer brought a table.",
        "Point",
        (
            _int("position_id", "Number of the position."),
            _int("hole_id", "The hole: hole_id in holes."),
            _text("position", "What stands there.", values=("tee", "pin")),
            _text("level", "Skill level it is meant for."),
            _int("site_id", "The site: site_id in tee_sites or basket_sites."),
            *_length("length_m", "Length of the hole from or to here."),
            *_length("effective_length_m", "Length on level ground that asks as much."),
            _int("par", "Par of the hole played so."),
            _int("leg_id", "The throw that was tried: leg_id in legs; empty if none was."),
            _share("clear_rate", "Share of its throws that touch no vegetation; empty if untried."),
        ),
    ),
    Layer(
        "lanes",
        "Lanes",
        "Open corridors at throwing height (0.5 to 5 m over the ground), along their middle. "
        "Thin stems may be missing from lidar.",
        "LineString",
        (
            _int("lane_id", "Number of the lane."),
            _text("kind", "tunnel: a lane roofed by canopy.", values=LANE_KINDS),
            *_length("length_m", "Length along the middle."),
            *_length("width_m", "Median free width."),
            *_length("pinch_width_m", "Narrowest free width."),
            *_length("pinch_at_m", "How far along the line the narrowest place is."),
            _real(
                "bearing_deg",
                "degrees",
                "Direction between the ends, clockwise from grid north, below 180: a lane may be "
                "thrown either way.",
                digits=0,
            ),
            _share("roof_share", "Share of the length with canopy over it."),
            *_length(
                "roof_m",
                "Median height of the canopy's underside over the ground; empty without a roof.",
            ),
            *_length(
                "roof_low_m",
                "Height that nine tenths of the roof stay above; empty without a roof.",
                required=False,
            ),
            _share("unknown_share", "Share of the lane taken as free though lidar did not see it."),
            _share("water_share", "Share of the lane over open water.", required=False),
            _share("straightness", "Distance between the ends over the length; 1 is straight."),
        ),
    ),
    Layer(
        "openings",
        "Openings",
        "Ground open at throwing height and wide enough to play across.",
        "MultiPolygon",
        (
            _int("opening_id", "Number of the opening."),
            _real("area_m2", "m2", "Area.", digits=0),
            *_length("width_m", "Diameter of the widest circle that fits."),
            _share("roof_share", "Share of the area with canopy over it."),
            _share(
                "unknown_share",
                "Share of the area taken as free though lidar did not see it.",
                required=False,
            ),
        ),
    ),
    Layer(
        "trees",
        "Trees",
        "Tree tops seen by lidar, with crowns. Stem diameters are estimates from published "
        "allometry, not measured. Trees under other crowns are often missing.",
        "Point",
        (
            _int("tree_id", "Number of the tree."),
            *_length("height_m", "Height of the top over the ground."),
            *_length("crown_m", "Mean diameter of the crown."),
            *_length("crown_base_m", "Height of the lowest live crown, estimated."),
            _real("dbh_low_cm", "cm", "Low end of the estimated stem diameter at 1.3 m.", digits=0),
            _real("dbh_cm", "cm", "Estimated stem diameter at 1.3 m.", digits=0),
            _real("dbh_high_cm", "cm", "High end of the estimated stem diameter.", digits=0),
            _text("status", "How sure the tree is, or what it was taken for."),
        ),
    ),
    Layer(
        "water",
        "Water",
        "Open water, from the lidar's water points and flat surfaces and from given files.",
        "MultiPolygon",
        (
            _int("water_id", "Number of the water."),
            _text("source", "What it was known from."),
            _real("level_m", "m", "Height of the surface in the lidar's vertical datum."),
            _real("area_m2", "m2", "Area.", digits=0),
        ),
    ),
    Layer(
        "wet_ground",
        "Wet ground",
        "Ground that the shape of the terrain makes wet. Soil and drains are not known here.",
        "MultiPolygon",
        (
            _int("wet_id", "Number of the patch."),
            _text("reason", "Why it is taken for wet."),
            *_length("depth_m", "Greatest depth of ponding; empty where it does not pond.", 2),
            _real("area_m2", "m2", "Area.", digits=0),
        ),
    ),
    Layer(
        "drainage",
        "Drainage lines",
        "Lines along which water gathers, from flow over the terrain model; dry most days where "
        "little land drains to them.",
        "LineString",
        (
            _int("drain_id", "Number of the line."),
            _int("order", "Strahler stream order."),
            _real("upslope_ha", "ha", "Land that drains to its lower end."),
            *_length("length_m", "Length."),
            _real("fall_pct", "percent", "Fall over length.", digits=1),
        ),
    ),
    Layer(
        "layout_holes",
        "Layout: holes",
        "The holes of each proposed layout in playing order, along the route of play. A proposal "
        "is a desk study: walk it before anything is built.",
        "LineString Z",
        (
            _int("proposal", "Number of the proposal; 1 is the best by the weights of the run."),
            _int("play_order", "Which hole of the round it is, from 1."),
            _int("hole_id", "The hole: hole_id in holes."),
            _text("legs", "Its throws in order: leg_id in legs.", required=False),
            _text("name", "The designer's name of an own hole; else empty.", required=False),
            _text(
                "wish",
                "What the designer asked of the hole: keep and lock hold it in every proposal, "
                "prefer weighs it up; empty for holes that the search found.",
                values=("keep", "lock", "prefer"),
                required=False,
            ),
            _text("level", "Skill level the layout is made for."),
            _int("par", "Par for that level; our default table unless another was given."),
            *_length("length_m", "Length along the route of play."),
            *_length("effective_length_m", "Length on level ground that asks as much."),
            *_length("rise_m", "Ground at the basket above ground at the tee; downhill below 0."),
            _text("finish", "Where the drive ends up turning.", values=FINISHES),
            _text("lane_kind", "Kind of corridor the hole runs in.", values=LANE_KINDS),
            _share("clear_rate", "Share of throws that touch no vegetation, over all legs."),
            _share("score", "How good the hole is by itself; 1 is best."),
            _real(
                "trim_hours_low",
                "",
                "Low end of the hours of trimming; empty where no trimming was planned.",
                required=False,
            ),
            _real("trim_hours_high", "", "High end of the hours of trimming.", required=False),
            *_length(
                "walk_m",
                "Walk to the tee from the basket before, on hole 1 from the arrival; empty on "
                "hole 1 where no arrival is known.",
            ),
            _text(
                "other_levels",
                "Length and par of the same hole for the other levels of the run, where they "
                "have one.",
                required=False,
            ),
            _text(
                "change",
                "What became of the hole since the layout before, and why.",
                required=False,
            ),
            _text("sentence", "The hole in a sentence, as for a notebook.", required=False),
        ),
    ),
    Layer(
        "designer_holes",
        "Designer: holes",
        "The best proposal as lines to edit: copy the file, move tees, landing zones or baskets, "
        "add or delete lines, set wishes, and name the copy under `designer`. Tee first.",
        "LineString",
        (
            _text("name", "What the hole is called; every hole has a name of its own."),
            _text(
                "wish",
                "keep: in every proposal as drawn; lock: the same, with its play_order; prefer: "
                "counts for more; avoid: never; empty: keep where the line was moved, else free.",
                values=("keep", "lock", "prefer", "avoid"),
            ),
            _int("play_order", "Number in the round; only a lock is bound to it."),
            _text("note", "For your own words; not read."),
            _text("stood", "Where the line stood when this file was written; leave it as it is."),
        ),
    ),
    Layer(
        "designer_areas",
        "Designer: areas",
        "Draw here where the course should not go.",
        "MultiPolygon",
        (
            _text("name", "What the area is called."),
            _text(
                "wish",
                "keep out: neither holes nor walks; avoid: holes in it count for less; empty is "
                "keep out.",
                values=("avoid", "keep out"),
            ),
            _text("note", "For your own words; not read."),
        ),
    ),
    Layer(
        "layout_walks",
        "Layout: walks",
        "Walks of each proposed layout: from the arrival to the first tee, from each basket to "
        "the next tee, and back. Least time over slope, wet ground, water and keep-outs.",
        "LineString Z",
        (
            _int("proposal", "Number of the proposal."),
            _int("from_order", "Hole whose basket the walk leaves; 0 is the arrival."),
            _int("to_order", "Hole whose tee the walk comes to; 0 is the arrival."),
            *_length("length_m", "Length of the walk."),
            *_length("climb_m", "Metres climbed on the way, all rises added."),
            _real("steepest_pct", "percent", "Steepest grade over any 10 m of it.", digits=0),
            _real("minutes", "", "Minutes it takes off paths, by Tobler's speeds.", digits=1),
            *_length("wet_m", "Length over wet ground."),
            *_length("bridge_m", "Length over open water, which needs a bridge; 0 needs none."),
            _text("crosses", "Holes (play order) whose line of fire it comes into; empty if none."),
            _text("mark", "What the walk needs: a bridge, steps, a look-out; empty if nothing."),
        ),
    ),
    Layer(
        "trim_work",
        "Trim work",
        "Growth that stops throws, in pieces a crew can find: limbs of one tree, a patch of brush, "
        "a tree. One row per piece and leg; the outline is the piece seen from above. The pieces "
        "chosen are the least work that lifts the leg to its wished clear rate. Hours are ranges "
        "from rates in the settings. Local codes, the utility and a certified arborist decide.",
        "MultiPolygon",
        (
            _int("work_id", "Number of the row."),
            _int("piece_id", "Number of the piece; the same for all legs that share it."),
            _int("leg_id", "Leg that it stands in the way of: leg_id in legs."),
            _int("hole_id", "Best hole that uses the leg; empty where none does.", required=False),
            _bool("chosen", "Whether it is part of the least work of its leg."),
            _text("action", "What to do.", values=("cut brush", "take limbs", "fell tree")),
            *_length("low_m", "Lower end of the piece over the ground."),
            *_length("high_m", "Upper end of the piece over the ground."),
            _text(
                "reach",
                "Who reaches it.",
                values=("hand tools", "pole saw", "climber or lift", "sawyer", "arborist"),
            ),
            _real("hours_low", "", "Hours of one trained hand, at the fast end."),
            _real("hours_high", "", "Hours at the slow end, with breaks and upkeep."),
            _share(
                "clear_rate_gain",
                "Clear rate that would be lost if this piece alone stayed; for pieces not chosen, "
                "won if it alone went too.",
            ),
            _text("side", "Side of the line, seen from the tee.", values=("left", "right", "over")),
            *_length("along_m", "How far from the tee, along the line.", digits=0),
            *_length("offset_m", "How far to the left of the line; right below 0."),
            _int("tree_id", "Tree it belongs to: tree_id in trees; empty where none is known."),
            _int("nearest_tree_id", "Nearest tree found; empty where there is none."),
            *_length("nearest_tree_m", "How far that tree stands from the piece's middle."),
            _real("volume_m3", "m3", "Space the piece fills.", digits=1),
            _real("area_m2", "m2", "Ground under the piece.", digits=1),
            _share(
                "sure",
                "Share of it that lidar has searched; the rest is expected. Empty for whole trees.",
            ),
            _share(
                "crown_share",
                "Share of the tree's live crown that this leg's work takes; empty without a tree.",
            ),
            _int("rank", "Place in the order of most clear rate per hour; 1 pays best."),
            _int("walk_order", "Place in one walk past all chosen pieces; empty if not chosen."),
            _text("work", "The piece in words for the crew."),
            _text("flag", "What to mind; empty where nothing is known."),
        ),
    ),
    Layer(
        "field_checks",
        "Field checks",
        "What only a visit can answer, each at the place to look, in the order of a walk.",
        "Point",
        (
            _int("check_id", "Number of the check, in the order of the walk."),
            _text("kind", "What sort of question it is.", values=CHECK_KINDS),
            _text("look", "What to look at."),
            _text("why", "Why the desk cannot tell."),
            _text("best_seen", "When it shows best.", values=SEASONS),
            _text("place", "Hole or leg that it belongs to, in words."),
            _int("hole_id", "The hole: hole_id in holes; empty where none.", required=False),
            _int("leg_id", "The leg: leg_id in legs; empty where none.", required=False),
            *_length(
                "walk_m",
                "Straight from the check before, the first from where the walk starts; empty where "
                "no start is known.",
                digits=0,
            ),
            *_length("size_m", "How far across the place is; 0 where it is a spot.", digits=0),
        ),
    ),
    Layer(
        "cautions",
        "Cautions",
        "What this desk study cannot settle. Drawn where each holds: the whole property, unless "
        "the place is known.",
        "MultiPolygon",
        (
            _text("caution", "What to look into."),
            _text("why", "Why it matters here."),
            _text("source", "Where the caution comes from."),
        ),
    ),
)

LAYERS: dict[str, Layer] = {layer.name: layer for layer in _LAYERS}

#: Layers that later stages will fill; a run without those stages does not write them.
RESERVED: tuple[str, ...] = ()

RASTERS: dict[str, Raster] = {
    raster.name: raster
    for raster in (
        Raster("ground", "m", "Height of the bare ground in the lidar's vertical datum."),
        Raster("slope", "percent", "Steepest slope of the ground.", step=2.0**-6),
        Raster("canopy_height", "m", "Height of the vegetation's top over the ground."),
        Raster(
            "free_width",
            "m",
            "Width free of vegetation at throwing height (0.5 to 5 m over the ground).",
        ),
        Raster("canopy_cover", "1", "Share (0-1) of the sky covered by canopy."),
        Raster(
            "brush_density",
            "1/m",
            "Contacts with vegetation per metre of path at throwing height.",
        ),
        Raster("wetness", "1", "Topographic wetness index; higher is wetter.", step=2.0**-6),
        Raster("ponding", "m", "Depth of water a depression would hold before it spills."),
        Raster("seen_share", "1", "Share (0-1) of the space at throwing height lidar sampled."),
        Raster(
            "height_above_drainage",
            "m",
            "Height above the drainage line that a cell drains to.",
        ),
        Raster(
            "aspect_deg",
            "degrees",
            "Direction the ground falls to, clockwise from north.",
            step=2.0**-3,
            overviews="nearest",
        ),
    )
}


def conform(layer_name: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Bring a frame into the documented shape of its layer, or say what is wrong with it.

    Parameters
    ----------
    layer_name
        A key of `LAYERS`.
    frame
        Any column order, any index; rows may be none. Columns that follow from others (feet from
        metres) may be left out.

    Returns
    -------
    geopandas.GeoDataFrame
        Documented columns in documented order and type, then `geometry` of the layer's one type;
        rows sorted by key where there is one, index from 0. Empty is NaN for floats, None for
        texts.

    Raises
    ------
    ValueError
        If the layer is unknown, a column is missing, undocumented or of the wrong type, a text
        is outside its allowed values, a key is empty or used twice, or a geometry does not fit.
        Every fault of the frame is named at once.
    """
    if layer_name not in LAYERS:
        raise ValueError(f"no layer is called {layer_name}; known: {', '.join(LAYERS)}")
    layer = LAYERS[layer_name]
    if not isinstance(frame, gpd.GeoDataFrame) or frame._geometry_column_name not in frame:
        raise ValueError(f"layer {layer_name}: the frame has no geometry ({layer.geometry})")

    attributes = pd.DataFrame(frame.drop(columns=frame.geometry.name)).reset_index(drop=True)
    faults = _names_at_fault(layer, attributes.columns)
    columns: dict[str, pd.Series[Any]] = {}
    for column in layer.columns:
        if column.name in attributes:
            series = attributes[column.name]
        elif column.derived is not None and column.derived[0] in columns:
            other, factor = column.derived
            series = columns[other] * factor
        else:
            continue
        try:
            columns[column.name] = _cast(column, series)
        except (ValueError, TypeError) as err:
            faults.append(f"{column.name}: {err}")
    if layer.key in columns:
        faults += _keys_at_fault(columns[layer.key])
    try:
        shapes = _of_type(layer.geometry, np.asarray(frame.geometry.array, dtype=object))
    except ValueError as err:
        faults.append(f"geometry: {err}")
    if faults:
        raise ValueError(f"layer {layer_name}: " + "; ".join(faults))

    made = gpd.GeoDataFrame(
        pd.DataFrame(columns), geometry=gpd.GeoSeries(shapes, crs=frame.crs, dtype="geometry")
    )
    return made.sort_values(layer.key, kind="stable", ignore_index=True) if layer.key else made


def in_order(layer_name: str, columns: Iterable[str], feet_first: bool = False) -> list[str]:
    """Columns of a layer in the order a reader meets them.

    Parameters
    ----------
    layer_name
        A key of `LAYERS`.
    columns
        Those that are there.
    feet_first
        Put each length in feet right before the same in metres.

    Examples
    --------
    >>> in_order("openings", ["width_ft", "width_m", "opening_id"], feet_first=True)
    ['opening_id', 'width_ft', 'width_m']
    """
    there = set(columns)
    layer = LAYERS[layer_name]
    twins = {c.derived[0]: c.name for c in layer.columns if c.derived and c.unit == "ft"}
    names: list[str] = []
    for column in layer.columns:
        if feet_first and column.name in twins.values():
            continue
        if feet_first and column.name in twins:
            names.append(twins[column.name])
        names.append(column.name)
    return [name for name in names if name in there]


def _names_at_fault(layer: Layer, names: Iterable[str]) -> list[str]:
    present = [str(name) for name in names]
    documented = {column.name for column in layer.columns}
    missing = [
        c.name
        for c in layer.columns
        if c.required
        and c.name not in present
        and (c.derived is None or c.derived[0] not in present)
    ]
    unknown = sorted(set(present) - documented)
    twice = sorted({name for name in present if present.count(name) > 1})
    faults = []
    if missing:
        faults.append(f"columns missing: {', '.join(missing)}")
    if unknown:
        faults.append(f"columns not documented in schema.py: {', '.join(unknown)}")
    if twice:
        raise ValueError(f"layer {layer.name}: columns given twice: {', '.join(twice)}")
    return faults


def _keys_at_fault(keys: pd.Series[Any]) -> list[str]:
    faults = []
    if keys.isna().any():
        faults.append(f"{keys.name}: {int(keys.isna().sum())} empty")
    again = keys[keys.duplicated() & keys.notna()].unique()
    if len(again):
        faults.append(f"{keys.name}: used more than once: {', '.join(map(str, again[:5]))}")
    return faults


def _cast(column: Column, series: pd.Series[Any]) -> pd.Series[Any]:
    cast: pd.Series[Any]
    if column.dtype == "float":
        if any(isinstance(v, str) for v in series.unique()):
            raise ValueError("text where numbers belong")
        cast = pd.to_numeric(series).astype(np.float64)
        if np.isinf(cast).any():
            raise ValueError("infinite values; leave what has no value empty (NaN)")
        if column.unit == "0-1":
            if ((cast < -_ROUNDING) | (cast > 1 + _ROUNDING)).any():
                raise ValueError(f"{cast.min():g} to {cast.max():g} where shares (0-1) belong")
            cast = cast.clip(0.0, 1.0)
    elif column.dtype == "int":
        numbers = pd.to_numeric(series)
        if numbers.isna().any():
            cast = numbers.astype("Int64")
        else:
            cast = numbers.astype(np.int64)
            if len(cast) and not (cast == numbers).all():
                raise ValueError("fractions where whole numbers belong")
    elif column.dtype == "bool":
        if series.isna().any() or not series.isin([True, False]).all():
            raise ValueError("only true and false fit")
        cast = series.astype(bool)
    else:
        cast = _texts(column, series)
    return cast.rename(column.name)


def _texts(column: Column, series: pd.Series[Any]) -> pd.Series[Any]:
    values = [None if pd.isna(v) else v for v in series.astype(object)]
    wrong = {type(v).__name__ for v in values if v is not None and not isinstance(v, str)}
    if wrong:
        raise ValueError(f"{', '.join(sorted(wrong))} where text belongs")
    if column.values:
        strange = sorted({v for v in values if v is not None} - set(column.values))
        if strange:
            raise ValueError(
                f"{', '.join(map(repr, strange[:5]))} not among {', '.join(column.values)}"
            )
    cleaned = [None if v is None else _plain(v) for v in values]
    return pd.Series(cleaned, index=series.index, dtype=object)


def _plain(text: str) -> str:
    """Text on one line, fit for any writer: titles and sources come from users and their files."""
    whole = text.encode("utf-8", "replace").decode("utf-8")  # lone surrogates become ?
    spaced = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in whole)
    return " ".join(spaced.split())


def _of_type(wanted: Geometry, shapes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Shapes of the one type a layer holds: single polygons become multi, spare heights go."""
    bad = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if bad.any():
        raise ValueError(f"{int(bad.sum())} missing or empty")
    flat, _, with_z = wanted.partition(" ")
    kinds = shapely.get_type_id(shapes)
    if flat == "MultiPolygon":
        single = kinds == shapely.GeometryType.POLYGON
        shapes = shapes.copy()
        shapes[single] = [shapely.MultiPolygon([shape]) for shape in shapes[single]]
        kinds = shapely.get_type_id(shapes)
    other = kinds != int(shapely.GeometryType[flat.upper()])
    if other.any():
        found = sorted({shapely.GeometryType(int(kind)).name for kind in kinds[other]})
        raise ValueError(f"{', '.join(found)} where every row is a {wanted}")
    shapes = _mended(shapes)
    if not with_z:
        return np.asarray(shapely.force_2d(shapes))
    if not shapely.has_z(shapes).all():
        raise ValueError(f"{int((~shapely.has_z(shapes)).sum())} without heights")
    return shapes


def _mended(shapes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Shapes without the flaws that simplifying leaves, such as parts that touch along an edge.

    A flaw that mending would change the area by is no such trifle and is refused.
    """
    shapes = shapes.copy()
    for index in np.flatnonzero(~shapely.is_valid(shapes)):
        flawed = shapes[index]
        reason = shapely.is_valid_reason(flawed)
        if flawed.geom_type != "MultiPolygon":
            raise ValueError(f"a {flawed.geom_type} is invalid: {reason}")
        mended = shapely.MultiPolygon(list(shapely.get_parts(flawed.buffer(0))))
        if not mended.is_valid or abs(mended.area - flawed.area) > _TRIFLE * flawed.area:
            raise ValueError(f"a {flawed.geom_type} is invalid: {reason}")
        shapes[index] = mended
    return shapes
