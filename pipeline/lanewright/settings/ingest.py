"""Settings of stage `ingest`: tiles, their CRS and units, keep-outs."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lanewright.settings.base import CrsText, Length, LengthUnit, Place, Settings


class KeepOut(Settings):
    """Land nobody may throw over or walk into."""

    path: Place = Field(description="polygons or lines in any format a property may have")
    buffer: Length = Field(0.0, description="metres kept free around each of them")


class CrsSettings(Settings):
    """What to believe about coordinates and units where the files do not say, or lie."""

    points: CrsText | None = Field(
        None, description="CRS of the point tiles, as EPSG:n or WKT, where the files have none"
    )
    horizontal_unit: LengthUnit | None = Field(
        None, description="unit of x and y in the point tiles, against what the files say"
    )
    vertical_unit: LengthUnit | None = Field(
        None, description="unit of heights in the point tiles, where the files do not say"
    )
    elevation: CrsText | None = Field(None, description="CRS of the elevation tiles without one")
    elevation_unit: LengthUnit | None = Field(
        None, description="unit of heights in the elevation tiles, where they do not say"
    )
    vectors: CrsText | None = Field(None, description="CRS of vector files that carry none")
    working: CrsText | None = Field(
        None, description="projected metric CRS to work in; by default the tiles' own or local UTM"
    )


class IngestSettings(Settings):
    """Reading tiles into the run's grid."""

    cell: Annotated[float, Field(ge=0.1, le=10, allow_inf_nan=False)] | Literal["auto"] = Field(
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
    stall_seconds: Annotated[float, Field(ge=5, le=86_400, allow_inf_nan=False)] = Field(
        60.0, description="give a tile up when reading it makes no headway for so long"
    )
