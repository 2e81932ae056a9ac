"""Settings of stage `terrain`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from lanewright.settings.base import Settings


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
    # Ågren et al. 2014: on the coarsest soil they looked at a stream takes at least 8 ha to start.
    stream_ha: Annotated[float, Field(ge=0.05, le=1000)] = Field(
        8.0, description="hectares upslope from which a drainage line is taken for a stream"
    )
    # Ponding, its floor and the depth of a sink: common practice, no source.
    pond_depth: Annotated[float, Field(ge=0.02, le=2)] = Field(
        0.15, description="metres a closed hollow must be deep to count as ponding"
    )
    pond_area: Annotated[float, Field(ge=1, le=10000)] = Field(
        25.0, description="square metres a closed hollow must cover to count as ponding"
    )
    sink_depth: Annotated[float, Field(ge=0.001, le=100)] = Field(
        3.0, description="metres deep from which a closed hollow is where the flow ends"
    )
    pond_rise: Annotated[float, Field(ge=0.001, le=20)] = Field(
        0.5, description="metres above the floor of a hollow that count as wet in a deep one"
    )
    # Forest trafficability maps: 1 m from memory (sure of it), 0.25 m from memory.
    wet_depth: Annotated[float, Field(ge=0, le=5)] = Field(
        1.0, description="metres of depth to water up to which ground is possibly wet"
    )
    very_wet_depth: Annotated[float, Field(ge=0, le=5)] = Field(
        0.25, description="metres of depth to open water or a stream up to which it is likely wet"
    )
    # Common practice, no source: a gully that is dry in most months wets little beyond its banks.
    drain_reach: Annotated[float, Field(ge=0, le=200)] = Field(
        5.0, description="metres from a drainage line below stream_ha within which it counts"
    )
    # Common practice, no source: 10 is what 220 m of slope above gather on a grade of 1 %.
    wet_index: Annotated[float, Field(ge=0, le=30)] = Field(
        10.0,
        description="wetness index from which ground that depth to water makes possibly wet is "
        "likely wet; the index alone makes nothing wet",
    )
    wet_area: Annotated[float, Field(ge=0, le=10000)] = Field(
        50.0, description="square metres below which a patch of wet ground is left out"
    )
    water_area: Annotated[float, Field(ge=1, le=10000)] = Field(
        20.0, description="square metres below which water seen by the lidar is left out"
    )
    water_step: Annotated[float, Field(ge=0.001, le=5)] = Field(
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
    void_relief: Annotated[float, Field(ge=0.001, le=5)] = Field(
        0.3, description="metres its rim may vary in height"
    )
    void_density: Annotated[float, Field(ge=0.05, le=20)] = Field(
        0.5, description="returns per square metre below which an empty area proves nothing"
    )

    @model_validator(mode="after")
    def _depths_in_order(self) -> TerrainSettings:
        if self.very_wet_depth > self.wet_depth:
            raise ValueError("very_wet_depth must not be above wet_depth")
        if self.stream_ha < self.drainage_start_ha:
            raise ValueError("stream_ha must not be below drainage_start_ha")
        return self
