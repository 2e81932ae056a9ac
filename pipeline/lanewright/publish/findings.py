"""What page and book are made from: the results as published, and what stands behind them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.grid import Grid
from lanewright.base.rows import Facts
from lanewright.features.naming import CREEK
from lanewright.flight.flight import Flights
from lanewright.growth.columns import Columns
from lanewright.publish.crew import RoundWork, rounds_of
from lanewright.publish.mapdata import MapData
from lanewright.settings.config import Config


@dataclass(frozen=True)
class Findings:
    """A run's results as page and book need them.

    Attributes
    ----------
    config
        Settings of the run.
    grid
        Georeference of all arrays.
    inside : (rows, cols)
        Cells of the property.
    layers
        Frames by layer name as they go into the GeoPackage, rounded like there but for metres that
        also stand in feet, so that pages write the same feet; a layer that the
        run did not make is absent.
    rasters
        Arrays by raster name as they go into the GeoTIFFs; absent like layers.
    summary
        As in summary.json, without what the stages cost.
    columns
        What stands on the land by layers of height; None without lidar.
    flights
        Throws of each level; None where unknown.
    arrival
        Where the round starts and ends, in the run's coordinates; None where not given.
    trimmed
        For each leg with planned work what it comes to: `leg_id`, `promised`, `leaf_on_promised`,
        `reached`, `why`; None without.
    proposals
        Totals, terms and what each proposal gives up, as `Layouts.proposals` holds them.
    """

    config: Config
    grid: Grid
    inside: NDArray[np.bool_]
    layers: Mapping[str, gpd.GeoDataFrame]
    rasters: Mapping[str, NDArray[np.floating]]
    summary: Facts
    columns: Columns | None = None
    flights: Flights | None = None
    arrival: tuple[float, float] | None = None
    trimmed: pd.DataFrame | None = None
    proposals: Sequence[Facts] = ()

    @cached_property
    def map_data(self) -> MapData:
        """The land as drawings see it."""

        def shapes(name: str) -> list[shapely.Geometry]:
            frame = self.layer(name)
            return list(frame.geometry) if frame is not None else []

        trees, roads = shapes("trees"), self.layer("keep_out_lines")
        lines = self.layer("drainage")
        return MapData(
            grid=self.grid,
            ground=self.rasters["ground"],
            canopy=self.rasters.get("canopy_height"),
            columns=self.columns,
            land=shapely.union_all(shapes("property")),
            water=shapes("water"),
            wet=shapes("wet_ground"),
            stems=shapely.get_coordinates(trees).reshape(-1, 2),
            blocked=self.config.legs.blocked_density,
            roads=[] if roads is None else list(zip(roads["name"], roads.geometry, strict=True)),
            creeks=[] if lines is None else list(lines.geometry[lines["upslope_ha"] >= CREEK]),
            buildings=shapes("buildings"),
            built=self._built(),
            wires=shapes("wires"),
            feet=self.config.units == "feet",
        )

    def _built(self) -> str:
        """Buildings, bridges or both, in words."""
        frame = self.layer("buildings")
        there = set() if frame is None or "seems" not in frame else set(frame["seems"].dropna())
        return " or ".join(sorted(there, reverse=True)) or "building"

    @cached_property
    def best(self) -> int | None:
        """Number of the first proposal; None without a layout."""
        layout = self.layer("layout_holes")
        return None if layout is None else int(layout["proposal"].min())

    @cached_property
    def rounds(self) -> dict[int, RoundWork]:
        """Chosen trim work of every proposal, by its number."""
        return rounds_of(self.layer("layout_holes"), self.layer("holes"), self.layer("trim_work"))

    def layer(self, name: str) -> gpd.GeoDataFrame | None:
        """Rows of a layer; None where the run did not make it or it is empty."""
        frame = self.layers.get(name)
        return frame if frame is not None and len(frame) else None
