"""Settings of stage `ground`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lanewright.settings.base import Cell, Length, Metres, NotNegative, Positive, Settings, Share


class FilterSettings(Settings):
    """What the ground filter takes for an object; defaults measured on the ISPRS filter test."""

    cell: Cell = Field(1.0, description="side of the filter's raster cells in metres")
    window: Annotated[float, Field(ge=0.1, le=200, allow_inf_nan=False)] = Field(
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
    low_radius: Annotated[float, Field(ge=0.1, le=200, allow_inf_nan=False)] = Field(
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


class SmrfSettings(Settings):
    """PDAL's SMRF, used where source is smrf; defaults are PDAL's own."""

    cell: Cell = Field(1.0, description="side of its raster cells in metres")
    slope: Positive = Field(0.15, description="rise over run of the steepest ground it expects")
    window: Annotated[float, Field(ge=1, le=200, allow_inf_nan=False)] = Field(
        18.0, description="metres from the middle of the widest object to its rim"
    )
    threshold: Metres = Field(0.5, description="metres above its ground that still are ground")
    scalar: NotNegative = Field(
        1.25, description="metres of further tolerance per unit of the ground's rise over run"
    )


class GroundSettings(Settings):
    """Finding the ground."""

    source: Literal["auto", "class 2", "filter", "smrf", "elevation"] = Field(
        "auto",
        description="auto trusts the vendor's ground class where it passes the check, else filters "
        "the points, else takes the elevation tiles; smrf is PDAL's filter, where it is installed",
    )
    void_distance: Metres = Field(
        6.0, description="ground farther than this from any ground point is marked as filled"
    )
    filter: FilterSettings = FilterSettings()
    smrf: SmrfSettings = SmrfSettings()
    class2_share: Share = Field(
        0.10, description="class 2 points per last return from which the vendor's class is trusted"
    )
    class2_density: NotNegative = Field(
        0.3, description="or class 2 points per square metre, met in nine of ten cells of 5 m"
    )
    class2_coverage: Share = Field(
        0.85, description="share of the surveyed land that must lie within 10 m of a class 2 point"
    )
