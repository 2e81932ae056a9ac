"""Run settings: the models, and loading them from YAML with every fault told at once."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from lanewright.base.errors import InputError

Metres = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
LengthUnit = Literal["m", "ft", "us-ft"]


class Settings(BaseModel):
    """Base of every section: unknown keys are refused, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)


class KeepOut(Settings):
    """Land nobody may throw over or walk into."""

    path: Path = Field(description="polygons or lines in any format a property may have")
    buffer: Length = Field(0.0, description="metres kept free around each of them")


class CrsSettings(Settings):
    """What to believe about coordinates and units where the files do not say, or lie."""

    points: str | None = Field(
        None, description="CRS of the point tiles, as EPSG:n or WKT, where the files have none"
    )
    horizontal_unit: LengthUnit | None = Field(
        None, description="unit of x and y in the point tiles, against what the files say"
    )
    vertical_unit: LengthUnit | None = Field(
        None, description="unit of heights in the point tiles, where the files do not say"
    )
    elevation: str | None = Field(None, description="CRS of the elevation tiles without one")
    elevation_unit: LengthUnit | None = Field(
        None, description="unit of heights in the elevation tiles, where they do not say"
    )
    vectors: str | None = Field(None, description="CRS of vector files that carry none")
    working: str | None = Field(
        None, description="projected metric CRS to work in; by default the tiles' own or local UTM"
    )


class IngestSettings(Settings):
    """Reading tiles into the run's grid."""

    cell: Metres | Literal["auto"] = Field(
        "auto",
        description="side of a grid cell in metres; auto takes 0.5 where first returns reach "
        "4 per square metre and 1.0 below",
    )
    context: Length = Field(40.0, description="metres read beyond the property")
    overlap_points: bool = Field(
        False, description="keep points flagged as overlap between flight lines"
    )
    left_out_classes: tuple[Annotated[int, Field(ge=0, le=255)], ...] = Field(
        (7, 18, 65, 66, 67),
        description="point classes never used: noise, and the artefact and virtual classes of IGN",
    )
    stall_seconds: Annotated[float, Field(ge=5)] = Field(
        60.0, description="give a tile up when reading it makes no headway for so long"
    )


class FilterSettings(Settings):
    """What the ground filter takes for an object; defaults measured on the ISPRS filter test."""

    cell: Metres = Field(1.0, description="side of the filter's raster cells in metres")
    window: Metres = Field(
        16.0, description="half the width in metres of the widest object that openings take off"
    )
    slope: Positive = Field(
        0.08, description="rise over run of an opening's cut that makes it an object, not terrain"
    )
    least_cut: Length = Field(
        0.2, description="metres an opening must lower a cell at the least to make it an object"
    )
    island_step: Positive = Field(
        0.8, description="rise over run between cells that parts one surface from another"
    )
    island_share: Annotated[float, Field(gt=0.5, le=1)] = Field(
        0.6, description="share of its rim that must fall away for a surface to be an object"
    )
    island_area: Positive = Field(
        10_000.0, description="square metres of the largest surface that may be one object"
    )
    low_depth: Metres = Field(
        2.0, description="metres below all but two returns around that make one a false low return"
    )
    low_radius: Metres = Field(
        15.0, description="metres around a return in which it must have others as low"
    )
    grow_above: Length = Field(
        0.3, description="metres a brow may stand above the plane of the ground beside it"
    )
    grow_below: Length = Field(
        2.0, description="metres a brow may lie below the plane of the ground beside it"
    )
    grow_roughness: Metres = Field(
        0.3, description="metres of scatter about a plane of ground that is let grow on"
    )
    grow_slope: Positive = Field(
        1.0, description="rise over run of the steepest plane of ground that is let grow on"
    )
    threshold: Metres = Field(
        0.25, description="metres above the provisional ground that still are ground"
    )
    depth: Length = Field(
        0.7, description="metres further below the provisional ground that still are ground"
    )
    slope_scale: NotNegative = Field(
        1.5, description="metres of further tolerance per unit of the ground's rise over run"
    )


class GroundSettings(Settings):
    """Finding the ground."""

    source: Literal["auto", "class 2", "filter", "elevation"] = Field(
        "auto",
        description="auto trusts the vendor's ground class where it passes the check, else filters "
        "the points, else takes the elevation tiles",
    )
    void_distance: Metres = Field(
        6.0, description="ground farther than this from any ground point is marked as filled"
    )
    filter: FilterSettings = FilterSettings()
    class2_share: Share = Field(
        0.10, description="class 2 points per last return from which the vendor's class is trusted"
    )
    class2_density: Length = Field(
        0.3, description="or class 2 points per square metre, met in nine of ten cells of 5 m"
    )
    class2_coverage: Share = Field(
        0.85, description="share of the surveyed land that must lie within 10 m of a class 2 point"
    )


class TerrainSettings(Settings):
    """Slope, water and wet ground."""

    slope_cell: Annotated[float, Field(ge=0.25, le=10)] = Field(
        1.0, description="finest cell in metres slope is measured on; below 1 it shows lidar noise"
    )
    drainage_cell: Annotated[float, Field(ge=0.5, le=5)] = Field(
        1.0, description="finest cell in metres for water, ponding, drainage and height above it"
    )
    # Larson et al. 2022, HESS 26: the index is best near 16 m and misleads under 4 m. Slope over a
    # cell of 8 m and its neighbours spans 16 m, and a property of 10 ha still has 1,500 of them.
    wetness_cell: Annotated[float, Field(ge=2, le=32)] = Field(
        8.0, description="cell in metres of the smoothed model the wetness index is taken on"
    )
    # Agren et al. 2014: 1-2 ha on till, 8-16 ha on coarse alluvium.
    drainage_start_ha: Annotated[float, Field(ge=0.05, le=100)] = Field(
        2.0, description="hectares upslope from which a drainage line is drawn"
    )
    # Ponding, its floor, the depth of a sink and the shares that count as wet: common practice,
    # no source.
    pond_depth: Annotated[float, Field(ge=0.02, le=2)] = Field(
        0.15, description="metres a closed hollow must be deep to count as ponding"
    )
    pond_area: Annotated[float, Field(ge=1, le=10000)] = Field(
        25.0, description="square metres a closed hollow must cover to count as ponding"
    )
    sink_depth: Annotated[float, Field(gt=0, le=100)] = Field(
        3.0, description="metres deep from which a closed hollow is where the flow ends"
    )
    pond_rise: Annotated[float, Field(gt=0, le=20)] = Field(
        0.5, description="metres above the floor of a hollow that count as wet in a deep one"
    )
    wet_share: Share = Field(
        0.10, description="share of the property, ranked by wetness index, that counts as wet"
    )
    very_wet_share: Share = Field(
        0.03, description="share of the property, ranked by wetness index, that counts as very wet"
    )
    # From memory, unsourced: under 0.5 m above drainage is wet, under 1-1.5 m by season.
    drain_height: Annotated[float, Field(ge=0, le=5)] = Field(
        0.5, description="metres above the drainage it flows to, up to which ground counts as wet"
    )
    drain_reach: Annotated[float, Field(ge=0, le=200)] = Field(
        15.0, description="metres from a drainage line or water within which that holds"
    )
    wet_area: Annotated[float, Field(ge=0, le=10000)] = Field(
        50.0, description="square metres below which a patch of wet ground is left out"
    )
    water_area: Annotated[float, Field(ge=1, le=10000)] = Field(
        20.0, description="square metres below which water seen by the lidar is left out"
    )
    water_step: Annotated[float, Field(gt=0, le=5)] = Field(
        0.25, description="metres between water levels that keep two water bodies apart"
    )
    # USGS Lidar Base Specification: a void is wider than four times the nominal pulse spacing. The
    # size, width and relief that make it water: common practice, no source.
    void_area: Annotated[float, Field(ge=1, le=100000)] = Field(
        50.0, description="square metres without any return, over flat ground, taken for water"
    )
    void_width: Annotated[float, Field(ge=1, le=50)] = Field(
        4.0, description="metres such an area must be wide"
    )
    void_relief: Annotated[float, Field(gt=0, le=5)] = Field(
        0.3, description="metres its rim may vary in height"
    )
    void_density: Annotated[float, Field(ge=0.05, le=20)] = Field(
        0.5, description="returns per square metre below which an empty area proves nothing"
    )

    @model_validator(mode="after")
    def _very_wet_is_wet(self) -> TerrainSettings:
        if self.very_wet_share > self.wet_share:
            raise ValueError("very_wet_share must not be above wet_share")
        return self


class VegetationSettings(Settings):
    """Canopy, trees and columns."""

    searched_pulses: Annotated[float, Field(gt=0, le=100)] = Field(
        3.0,
        description="pulses that must pass through a voxel and its neighbours before it counts as "
        "searched; n pulses without contact rule out at 95 % what stops more than 3/n of them",
    )
    prior_path: Annotated[float, Field(gt=0, le=100)] = Field(
        1.0,
        description="metres of pulse path that what is known of a wider window counts for when a "
        "narrower one is judged; less lets each place speak for itself",
    )
    own_prior_path: Annotated[float, Field(gt=0, le=100)] = Field(
        2.0, description="the same for a single voxel, of which pulses tell little"
    )
    canopy_from: Metres = Field(2.0, description="vegetation from this height on is canopy")
    cover_window: Metres = Field(5.0, description="side of the square that canopy cover is over")
    pit_width: Metres = Field(
        1.5, description="holes in the canopy narrower than this come from the scan and are filled"
    )
    tree_from: Metres = Field(3.0, description="lowest tree that is looked for")
    crown_share: Annotated[float, Field(gt=0, lt=1)] = Field(
        0.45, description="a crown ends where the canopy is lower than this share of its top"
    )


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
    blocked_density: Annotated[float, Field(gt=0, le=10)] = Field(
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
        "and clear columns, and tell their share; common practice, no source",
    )
    most_unknown: Share = Field(
        0.5, description="lanes and openings of which more was bridged are left out"
    )
    speck_area: Length = Field(
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
    min_length: Metres = Field(25.0, description="shorter lanes are left out")
    max_bend: Annotated[float, Field(gt=0, le=180)] = Field(
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
    min_opening: Length = Field(
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


class SitesSettings(Settings):
    """Where a tee or a basket may stand."""

    spacing: Annotated[float, Field(ge=1, le=50)] = Field(
        5.0, description="metres; the roomiest spot of every square this wide is a site"
    )
    boundary_setback: Length = Field(
        15.0,
        description="metres that sites and flights keep from the property line; 50 ft where trees "
        "stand between, take 23 (75 ft) over open ground; common practice",
    )
    keep_out_setback: Length = Field(
        9.0, description="metres a site keeps from keep-outs, beyond their own buffer; ours"
    )
    water_setback: Length = Field(
        7.6, description="metres a site keeps from water; 25 ft, common practice"
    )
    tee_slope: Annotated[float, Field(gt=0, le=100)] = Field(
        15.0, description="steepest ground for a tee, percent; common practice"
    )
    basket_slope: Annotated[float, Field(gt=0, le=100)] = Field(
        25.0, description="steepest ground for a basket, percent; common practice"
    )
    tee_room: Length = Field(
        2.0,
        description="metres free around a tee from 0.5 to 2.5 m up, to stand and swing; 8 ft to "
        "each side is better, common practice",
    )
    basket_room: Length = Field(1.0, description="the same around a basket")
    seen: Share = Field(
        0.5, description="share of that space that lidar must have searched at a site"
    )
    wet: bool = Field(False, description="allow sites on wet ground")


class ThrowSettings(Settings):
    """What a disc meets on its way."""

    disc: Metres = Field(
        0.21, description="width of a disc in metres (PDGA Technical Standards: at least 21 cm)"
    )
    margin: Length = Field(
        0.15, description="metres of wobble and leaf kept free to each side in the search; ours"
    )
    twig: Metres = Field(
        0.02,
        description="usual thickness of what stops a ray, in metres; a disc of width D meets "
        "(D + twig) / twig times as many twigs as a ray does",
    )
    landing: Length = Field(
        0.5, description="a disc lower than this many metres is landing, whatever grows there"
    )
    trunk_sd: Metres = Field(
        0.75, description="how far a trunk may stand from where the tree was found, metres; ours"
    )
    thin_stems_per_ha: Length = Field(
        300.0,
        description="stems under canopy too thin for lidar to show, for the low end of the clear "
        "rate; US hardwoods hold 1,000 to 1,500 saplings of 2.5 to 12.7 cm, from memory",
    )
    thin_stem: Metres = Field(0.05, description="their diameter in metres")
    wood: Literal["broadleaf", "mixed", "conifer"] = Field(
        "mixed",
        description="in leaf, contacts are taken times 3, 2 or 1 of those in a leaf-off survey, in "
        "brush times 2 at most; ours, from published ratios of leaf and wood area",
    )


class ScoreSettings(Settings):
    """How much each score counts; only their ratios matter."""

    clearance: Length = Field(0.6, description="a clear flight")
    grade: Length = Field(0.25, description="gentle climb, side slope, tee and landing")
    drainage: Length = Field(0.15, description="dry ground")

    @model_validator(mode="after")
    def _some_weight(self) -> ScoreSettings:
        if self.clearance + self.grade + self.drainage <= 0:
            raise ValueError("at least one score must count")
        return self


class LegsSettings(Settings):
    """Sites, search and scores."""

    sites: SitesSettings = SitesSettings()
    throw: ThrowSettings = ThrowSettings()
    score: ScoreSettings = ScoreSettings()
    shortest: Metres | None = Field(
        None, description="metres; by default the level's usual shortest par 3"
    )
    longest: Metres | None = Field(
        None, description="metres; by default the level's controlled tee throw"
    )
    blocked_density: Annotated[float, Field(gt=0, le=10)] = Field(
        0.12,
        description="contact density per metre from which the search counts a layer as blocked; "
        "at 0.12 a disc among 2 cm twigs has an even chance to cross half a metre",
    )
    max_blocked: Share = Field(
        0.05,
        description="share of a flight that may be blocked; such lines may be worth trimming",
    )
    sectors: Annotated[int, Field(ge=1, le=360)] = Field(
        24, description="directions of each tee that keep a line of their own"
    )
    band: Metres = Field(20.0, description="metres of length that do the same")
    throws: Annotated[int, Field(ge=50, le=20000)] = Field(
        256, description="throws at each leg; the standard error is at most half over their root"
    )
    keep: Annotated[int, Field(ge=1, le=100000)] = Field(3000, description="legs kept, all levels")
    least_clear: Share = Field(
        0.05, description="clear rate below which a leg is left out; trimming would be felling"
    )
    most_unsafe: Share = Field(
        0.05,
        description="share of throws that may end off the property or in a keep-out's buffer; legs "
        "above are dropped, the designer's own told; common practice, no source",
    )
    roll_slope: Annotated[float, Field(gt=0, le=200)] = Field(
        20.0,
        description="percent from which ground counts as steep enough for a disc to roll; common "
        "practice, no source",
    )
    apart: Length = Field(
        10.0, description="legs whose tees and ends lie nearer than this are one; the best stays"
    )
    crowding: Share = Field(
        0.02,
        description="score that each further leg with the same finish from the same 25 m of ground "
        "must bring to be kept before others",
    )


class FlightSettings(Settings):
    """Throws, and the air they fly through."""

    hand: Literal["right", "left"] = Field(
        "right", description="which hand throws; tells only with one grip"
    )
    grips: Literal["both", "backhand", "forehand"] = Field(
        "both",
        description="with both, every curve can finish left as well as right; with one, the other "
        "side is left to discs that turn over",
    )
    discs: tuple[Literal["dd", "fd", "co", "cu"], ...] = Field(
        ("dd", "fd", "co", "cu"),
        description="discs in the bag: distance driver, stable fairway driver, overstable and "
        "understable control driver (Giljarhus et al. 2022); no others are published whole",
    )
    levels_file: Path | None = Field(
        None,
        description="CSV of who plays in place of ours: start from configs/levels.csv and put in "
        "measured throws or a governing body's own tables",
    )
    release_height: Annotated[float, Field(ge=0.3, le=2.5)] = Field(
        1.4,
        description="metres over the tee's ground where the disc leaves the hand; 1.3 to 1.5 in "
        "the examples of Giljarhus et al. 2022",
    )
    end_height: Annotated[float, Field(ge=0, le=2.5)] = Field(
        0.9,
        description="metres over the ground at the end of a throw; just over the rim of a target "
        "(PDGA Technical Standards: 82 cm)",
    )
    temperature_c: Annotated[float, Field(ge=-30, le=50)] = Field(
        15.0,
        description="of the air, degrees Celsius; 15 is the standard atmosphere's. Its density "
        "follows from this and from the height of the land over the sea",
    )
    tail_wind_mps: Annotated[float, Field(ge=-15, le=15)] = Field(
        0.0,
        description="wind along every throw, in metres a second, against it below 0; a day to try "
        "the course on, for throws go every way. 15 is near gale (Beaufort 7)",
    )
    wind_height: Annotated[float, Field(ge=1, le=50)] = Field(
        10.0,
        description="metres over open ground for which the wind is told, as forecasts do (World "
        "Meteorological Organization); lower down it is weaker by the logarithm of height",
    )
    apex_margin: Annotated[float, Field(ge=1, le=2)] = Field(
        1.25,
        description="factor by which throws may rise higher than computed before a roof counts as "
        "clear; 1.25 to 1.5, ours: the model falls short of logged throws",
    )

    @field_validator("discs")
    @classmethod
    def _some_disc(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("name at least one of dd, fd, co, cu")
        return tuple(dict.fromkeys(value))


class WishSettings(Settings):
    """Clear rate that trimming aims at, by kind of lane.

    Two thirds of a level's throws pass a fair gap (a senior designer's guideline in the PDGA
    discussion archive, 2006; not an adopted standard).
    """

    open: Share = Field(2 / 3, description="over open ground")
    edge: Share = Field(2 / 3, description="along the edge of a wood")
    lane: Share = Field(2 / 3, description="in a lane through a wood")
    tunnel: Share = Field(2 / 3, description="in a lane roofed by canopy")


Span = tuple[Positive, Positive]
"""Low and high end of a work rate."""


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
    productive: Annotated[float, Field(gt=0, le=1)] = Field(
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
        description="legs that are not clear enough, planned at most; the designer's own always",
    )
    wished: WishSettings = WishSettings()
    keep: Path | None = Field(
        None, description="trees and patches that stay: points or polygons in any vector file"
    )
    keep_reach: Metres = Field(
        2.0, description="metres around a point of the keep list within which a tree's top is it"
    )
    fell: Literal["last resort", "never"] = Field(
        "last resort", description="whether trees may go where limbs and brush are not enough"
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
    least_density: Annotated[float, Field(gt=0, le=5)] = Field(
        0.05,
        description="contacts per metre below which growth is too thin to be pointed out to a "
        "crew; it stays; ours",
    )
    least_sure: Share = Field(
        0.5, description="share of a piece lidar must have searched for it to be proposed; ours"
    )
    brush_top: Metres = Field(
        5.0, description="growth from the ground up no higher than this is brush; bush "
        "honeysuckles, privet and roses reach 2 to 5 m"
    )  # fmt: skip
    buffer: Length = Field(
        15.0, description="metres from water within which nothing is cut; 50 ft, common practice"
    )
    effort: Annotated[float, Field(gt=0, le=1000)] = Field(
        0.3,
        description="time the solver may take for a leg before the gap is told, in its own "
        "deterministic measure, about seconds",
    )


class WalkSettings(Settings):
    """Walks between holes. Factors and limits are ours, common practice; the walk decides."""

    cell: Annotated[float, Field(ge=0.5, le=10)] = Field(
        2.0, description="side in metres of the cells that walks are sought on"
    )
    # Tobler 1993: off paths six tenths of the speed on them.
    off_path: Annotated[float, Field(gt=0, le=1)] = Field(
        0.6, description="speed away from paths as a share of the speed on them"
    )
    wet: Annotated[float, Field(ge=1, le=100)] = Field(
        2.0, description="how many times as long a step over wet ground counts"
    )
    very_wet: Annotated[float, Field(ge=1, le=100)] = Field(
        4.0, description="the same over very wet ground"
    )
    steepest: Annotated[float, Field(gt=0, le=300)] = Field(
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
    furthest: Metres = Field(
        300.0, description="metres of easy ground off paths; walks that take longer are not tried"
    )


class MixSettings(Settings):
    """What a round should hold; shares of the holes wanted, each a least share unless told.

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
    total: tuple[Length, Length] | None = Field(
        None,
        description="metres that all holes together should be long; by default 0.93 to 1.25 "
        "controlled tee throws of the level for each hole",
    )
    same_finish: Annotated[int, Field(ge=1, le=18)] = Field(
        3, description="most holes in a row with the same finish"
    )


class WeightSettings(Settings):
    """What each term of a layout counts, in points; a perfect hole brings `quality` points."""

    quality: NotNegative = Field(100.0, description="a hole of score 1")
    walk: NotNegative = Field(0.5, description="lost for each metre of easy walk, by time")
    far_walk: NotNegative = Field(
        1.0, description="lost besides for each metre of a walk beyond 91 m (300 ft)"
    )
    crossing: NotNegative = Field(60.0, description="lost for a walk into a line of fire")
    bridge: NotNegative = Field(15.0, description="lost for a walk that needs a bridge")
    finish: NotNegative = Field(40.0, description="lost for each hole short of a wished finish")
    length: NotNegative = Field(30.0, description="the same for short, middle and long holes")
    climb: NotNegative = Field(20.0, description="the same for climbs and drops")
    lane_kind: NotNegative = Field(30.0, description="the same for wooded and open holes")
    par: NotNegative = Field(30.0, description="the same for holes over par 3")
    in_a_row: NotNegative = Field(40.0, description="lost for each hole that repeats a finish")
    total: NotNegative = Field(
        0.5, description="lost for each metre that all holes together are too short or too long"
    )
    trim: NotNegative = Field(1.0, description="lost for each hour of trimming")
    prefer: NotNegative = Field(
        50.0, description="brought by a preferred hole of the designer, lost by one to avoid"
    )


class SolverSettings(Settings):
    """How long and how wide the search for layouts goes."""

    candidates: Annotated[int, Field(ge=10, le=5000)] = Field(
        240, description="holes that take part; the best of every part of the land"
    )
    changes: Annotated[int, Field(ge=100, le=100_000_000)] = Field(
        3_000_000,
        description="changes tried on a round, twice over, before the solver takes it on",
    )
    seconds: Positive = Field(
        120.0, description="time for all proposals together; the best so far is kept"
    )
    work: Positive = Field(
        15.0,
        description="work of the solver for all proposals, in its own deterministic units; ends "
        "the search at the same point on any machine, if the time does not first",
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = Field(1, description="of the solver")


class HoleSettings(Settings):
    """Candidate holes: how legs join, and how many are handed on."""

    keep: Annotated[int, Field(ge=1, le=5000)] = Field(
        400, description="candidate holes handed on, all levels; spread over the property"
    )
    most_legs: Annotated[int, Field(ge=1, le=3)] = Field(3, description="throws of one hole to map")
    join: Metres = Field(
        5.0,
        description="metres from where one throw ends to where the next may start; ours, the "
        "spacing of sites",
    )
    max_bend: Annotated[float, Field(gt=0, le=180)] = Field(
        100.0, description="sharpest bend at a landing zone, degrees; ours"
    )
    free_bend: Annotated[float, Field(ge=0, le=180)] = Field(
        25.0,
        description="degrees up to which a hole may bend where nothing bars the straight way; ours",
    )
    forced_bend: Annotated[float, Field(gt=0, le=180)] = Field(
        60.0,
        description="degrees from which a bend cannot be thrown round, so that landing before it "
        "counts as a throw; common practice",
    )
    landing_share: Share = Field(
        2 / 3,
        description="share of throws that must land on open, dry, gentle ground; misses of at most "
        "a third are fair (a senior designer's thirds, course design discussion of 2006)",
    )
    landing_slope: Annotated[float, Field(gt=0, le=100)] = Field(
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
    min_par: Annotated[int, Field(ge=2, le=3)] = Field(
        3, description="lowest par; some schools of par allow 2; common practice"
    )


class SafetySettings(Settings):
    """Room between fairways and whatever else may be hit; metres from the fairway's middle.

    No governing body publishes such distances. All are screening values, ours and common practice;
    the pairs are over open ground, and with dense trees between. They hold where a full throw
    comes down; nearer to the tee, where throws have not spread yet, less is asked in proportion.
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
    near_deg: Annotated[float, Field(gt=0, le=90)] = Field(
        15.0, description="half-angle of the danger cone before a tee, to 0.6 of the throw"
    )
    far_deg: Annotated[float, Field(gt=0, le=90)] = Field(
        20.0, description="half-angle of that cone beyond"
    )
    cone_reach: Annotated[float, Field(ge=1, le=2)] = Field(
        1.25, description="length of that cone as a share of the throw"
    )
    sds: Annotated[float, Field(gt=0, le=6)] = Field(
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


class LayoutSettings(Settings):
    """Holes, their room, and how they follow one another."""

    hole: HoleSettings = HoleSettings()
    safety: SafetySettings = SafetySettings()

    level: str | None = Field(
        None, description="level that layouts are made for; by default the best of the levels named"
    )
    proposals: Annotated[int, Field(ge=1, le=10)] = Field(3, description="layouts proposed")
    differ: Share = Field(
        0.33, description="share of its holes by which a proposal differs from each other one"
    )
    pass_arrival: bool = Field(
        False, description="come by the arrival after half of the holes, as for two nines"
    )
    trim_hours: NotNegative | None = Field(
        None, description="most hours of trimming for a layout, by the high end of its range"
    )
    paths: Path | None = Field(
        None, description="lines of existing paths: walks are faster on them, and keep-outs open"
    )
    walk: WalkSettings = WalkSettings()
    mix: MixSettings = MixSettings()
    weights: WeightSettings = WeightSettings()
    solver: SolverSettings = SolverSettings()


class FieldSettings(Settings):
    """What to look at on foot, and the book to carry."""

    paper: Literal["a5", "half-letter"] = Field(
        "a5", description="page of the field book: 148 x 210 mm or 5.5 x 8.5 in"
    )
    visit: date | None = Field(
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
    near: Length = Field(
        25.0, description="metres around holes and walks within which water is looked at; ours"
    )


class Config(Settings):
    """One run over one property."""

    name: Annotated[str, Field(min_length=1)] = Field(description="any title")
    property: Path | None = Field(
        None, description="polygon under study; omitted, the extent of the tiles is taken"
    )
    points: tuple[str, ...] = Field((), description="LAS, LAZ or COPC files; patterns allowed")
    elevation: tuple[str, ...] = Field((), description="terrain model GeoTIFFs; patterns allowed")
    keep_out: tuple[KeepOut, ...] = Field((), description="land nobody may throw over or enter")
    water: tuple[Path, ...] = Field((), description="known water, joined to what lidar shows")
    own_holes: Path | None = Field(None, description="lines the designer drew, tee first")
    designer: Path | None = Field(
        None, description="GeoPackage with the designer's wishes; see designer-start.gpkg of a run"
    )
    arrival: tuple[float, float] | None = Field(
        None, description="x, y of the parking, in the CRS of the property file"
    )
    leaf_state: Literal["off", "on", "unknown"] = Field(
        "unknown", description="trees when the lidar was flown"
    )
    levels: Annotated[tuple[str, ...], Field(min_length=1)] = Field(
        ("blue", "red"), description="who will play"
    )
    holes: Annotated[int, Field(ge=1, le=72)] = Field(18, description="holes wanted")
    units: Literal["metres", "feet"] = Field(
        "metres", description="which of the two comes first where a reader meets a length"
    )
    out: Path = Field(description="folder of the results")

    crs: CrsSettings = CrsSettings()
    ingest: IngestSettings = IngestSettings()
    ground: GroundSettings = GroundSettings()
    terrain: TerrainSettings = TerrainSettings()
    vegetation: VegetationSettings = VegetationSettings()
    lanes: LanesSettings = LanesSettings()
    flight: FlightSettings = FlightSettings()
    legs: LegsSettings = LegsSettings()
    trim: TrimSettings = TrimSettings()
    layout: LayoutSettings = LayoutSettings()
    field: FieldSettings = FieldSettings()

    @field_validator("points", "elevation", "water", "keep_out", mode="before")
    @classmethod
    def _one_is_a_list(cls, value: Any) -> Any:
        return [value] if isinstance(value, str | dict) else value

    @field_validator("keep_out", mode="before")
    @classmethod
    def _bare_path(cls, value: Any) -> Any:
        if isinstance(value, list | tuple):
            return [{"path": v} if isinstance(v, str) else v for v in value]
        return value

    @field_validator("levels", mode="before")
    @classmethod
    def _lower(cls, value: Any) -> Any:
        value = [value] if isinstance(value, str) else value
        return [v.lower() if isinstance(v, str) else v for v in value] if value else value

    @field_validator("leaf_state", mode="before")
    @classmethod
    def _off_is_no_truth_value(cls, value: Any) -> Any:
        # YAML reads a bare `off` as false and `on` as true.
        return {False: "off", True: "on"}.get(value, value) if isinstance(value, bool) else value

    @model_validator(mode="after")
    def _something_to_read(self) -> Config:
        if not self.points and not self.elevation:
            raise ValueError("neither points nor elevation is given; name at least one tile")
        return self


def load(path: Path) -> Config:
    """Read a run configuration; relative paths in it start at its own folder.

    Raises
    ------
    InputError
        If the file cannot be read, is not YAML, or holds wrong keys or values; every fault is
        listed with the path of its key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(
            path, f"the configuration cannot be read ({err})", "Check the path."
        ) from None
    try:
        raw = yaml.safe_load(text)
    except yaml.YAMLError as err:
        raise InputError(path, f"not valid YAML: {err}", "Mend the line it names.") from None
    if not isinstance(raw, dict):
        raise InputError(path, "the configuration holds no keys", "Start from a file in configs/.")
    try:
        config = Config.model_validate(raw)
    except ValidationError as err:
        raise InputError(
            path, _faults(err), "Known keys are listed in configs/every-setting.yaml."
        ) from None
    return _anchored(config, path.resolve().parent)


def _faults(err: ValidationError) -> str:
    lines = []
    for fault in err.errors():
        key = ".".join(str(part) for part in fault["loc"]) or "(top level)"
        message = fault["msg"].removeprefix("Value error, ")
        if fault["type"] == "extra_forbidden":
            message = "unknown key; check the spelling or remove it"
        elif fault["type"] == "missing":
            message = "missing; it has no default"
        else:
            message = f"{message} (got {fault['input']!r})" if fault["loc"] else message
        lines.append(f"\n  {key}: {message}")
    return f"{len(lines)} setting{'s' if len(lines) > 1 else ''} to mend:" + "".join(lines) + "\n"


def _anchored(config: Config, folder: Path) -> Config:
    """Make every path absolute, starting at the configuration's folder."""

    def at(path: Path | str) -> Path:
        return folder / Path(path).expanduser()

    return config.model_copy(
        update={
            "property": at(config.property) if config.property else None,
            "points": tuple(str(at(p)) for p in config.points),
            "elevation": tuple(str(at(p)) for p in config.elevation),
            "keep_out": tuple(k.model_copy(update={"path": at(k.path)}) for k in config.keep_out),
            "water": tuple(at(p) for p in config.water),
            "own_holes": at(config.own_holes) if config.own_holes else None,
            "designer": at(config.designer) if config.designer else None,
            "layout": config.layout.model_copy(
                update={"paths": at(config.layout.paths) if config.layout.paths else None}
            ),
            "flight": config.flight.model_copy(
                update={
                    "levels_file": at(config.flight.levels_file)
                    if config.flight.levels_file
                    else None
                }
            ),
            "out": at(config.out).resolve(),
            "trim": config.trim.model_copy(
                update={"keep": at(config.trim.keep) if config.trim.keep else None}
            ),
        }
    )
