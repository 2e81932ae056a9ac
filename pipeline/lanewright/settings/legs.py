"""Settings of stage `legs`: sites, throws, scores."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lanewright.settings.base import Length, Metres, Name, NotNegative, Settings, Share
from lanewright.settings.buildings import BuildingSettings
from lanewright.settings.cover import CoverSettings
from lanewright.settings.judge import JudgeSettings


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
    building_setback: Length = Field(
        15.0,
        description="metres a site keeps from buildings; 50 ft, a quarter of what a full throw "
        "keeps (`layout: safety: building:`); common practice, ours",
    )
    water_setback: Length = Field(
        7.6, description="metres a site keeps from water; 25 ft, common practice"
    )
    tee_slope: Annotated[float, Field(ge=0.001, le=100)] = Field(
        15.0, description="steepest ground for a tee, percent; common practice"
    )
    basket_slope: Annotated[float, Field(ge=0.001, le=100)] = Field(
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
    wet: bool = Field(False, description="allow sites on likely wet ground")
    maybe_wet: bool = Field(True, description="allow sites on possibly wet ground")


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
    top_is_stem: Share = Field(
        0.61,
        description="share of probable tops under which a stem stands, before pulses are asked; "
        "between 0.44 on partly and 0.78 on wholly mapped plots (Grigoryev, draft 2026)",
    )
    thin_stems_per_ha: NotNegative = Field(
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
    """How much what makes a throw easy counts; only their ratios matter."""

    clearance: NotNegative = Field(
        0.6, description="a clear flight, in full from the share that is fair"
    )
    grade: NotNegative = Field(0.25, description="gentle climb, side slope, tee and landing")
    drainage: NotNegative = Field(0.15, description="dry ground")
    maybe_wet: Share = Field(
        0.3,
        description="how much ground that is only possibly wet counts as wet under a leg; common "
        "practice, no source",
    )

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
    judge: JudgeSettings = JudgeSettings()
    buildings: BuildingSettings = BuildingSettings()
    shortest: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="metres; by default the level's usual shortest par 3"
    )
    longest: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="metres; by default the level's controlled tee throw"
    )
    blocked_density: Annotated[float, Field(ge=0.001, le=10)] = Field(
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
    band: Annotated[float, Field(ge=1, le=400)] = Field(
        20.0, description="metres of length that do the same"
    )
    throws: Annotated[int, Field(ge=16, le=20000)] = Field(
        64,
        description="throws along each leg, spread evenly over all that a player may do; powers of "
        "two are the most even, and 64 err no more than 256 at random",
    )
    keep: Annotated[int, Field(ge=1, le=100000)] | None = Field(
        None, description="most legs kept, all levels; by default as many as `keep_per_ha` says"
    )
    keep_per_ha: Annotated[float, Field(ge=1, le=2000)] = Field(
        150.0,
        description="legs kept of each level for each hectare: some forty then start within "
        "30 m of a basket, of which a fifth or so fit beside its hole; 300 at least; ours",
    )
    level: Name | None = Field(
        None,
        description="level that has the whole of this room, the others `cover: others:` of it; by "
        "default the one that layouts are made for",
    )
    cover: CoverSettings = CoverSettings()
    least_clear: Share = Field(
        0.05, description="clear rate below which a leg is left out; trimming would be felling"
    )
    most_unsafe: Share = Field(
        0.05,
        description="share of throws that may end off the property or in a keep-out's buffer; legs "
        "above are dropped, the designer's own marked; common practice, no source",
    )
    roll_slope: Annotated[float, Field(ge=0.001, le=200)] = Field(
        20.0,
        description="percent from which ground counts as steep enough for a disc to roll; common "
        "practice, no source",
    )
    apart: Length = Field(
        7.0,
        description="metres; legs with the same finish whose tees and ends both lie nearer are "
        "one, the best stays: neighbours across the borders of slots; ours",
    )
    tried: Annotated[float, Field(ge=1, le=100)] = Field(
        2.5, description="lines tried with a few throws, for each leg kept; ours"
    )
    thrown: Annotated[float, Field(ge=1, le=100)] = Field(
        1.2, description="lines thrown along in full, for each leg kept; ours"
    )
    tries: Annotated[int, Field(ge=8, le=1024)] = Field(
        16, description="throws that try a line before it is thrown along in full"
    )
    surely: NotNegative = Field(
        2.0,
        description="standard errors by which another finish must be clear more often to take a "
        "leg over; fewer, and ties would all go one way",
    )

    @model_validator(mode="after")
    def _short_before_long(self) -> LegsSettings:
        if self.shortest is not None and self.longest is not None and self.shortest >= self.longest:
            raise ValueError("shortest must lie below longest")
        return self
