"""Stage `earlier`: an earlier survey of the property, read and worked out on today's grid."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
from shapely import MultiPolygon

from lanewright.base.arrays import Flags, Raster
from lanewright.base.outlines import cells_of
from lanewright.growth.buildings import find_buildings
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import sort_vegetation
from lanewright.land.ground import find_ground
from lanewright.land.pointplan import PointPlan
from lanewright.land.reading import read_points
from lanewright.land.survey import lay_survey
from lanewright.land.terrain import Terrain
from lanewright.settings.compare import EarlierSettings
from lanewright.store import stage


@dataclass(frozen=True)
class Earlier:
    """The property as an earlier survey saw it; arrays (rows, cols) on today's grid.

    Attributes
    ----------
    ground, canopy_height, free_width
        As in `Ground`, `Vegetation` and `Lanes`; NaN unknown.
    building
        Ground that buildings stood on.
    trees, lanes
        As in `Vegetation` and `Lanes`.
    lane_width
        Least width of a lane in the settings [m].
    first_returns_per_m2
        Over the ground that it covers.
    flown
        First and last day by the GPS times of its points; empty where they do not count in full.
    warnings
        What its reading gave cause to say.
    """

    ground: Raster
    canopy_height: Raster
    free_width: Raster
    building: Flags
    trees: gpd.GeoDataFrame
    lanes: gpd.GeoDataFrame
    lane_width: float
    first_returns_per_m2: float
    flown: tuple[str, ...]
    warnings: tuple[str, ...]


@stage("earlier", version=1)
def read_earlier(
    plan: PointPlan,
    land: MultiPolygon | None,
    terrain: Terrain,
    settings: EarlierSettings,
    *,
    workspace: Path | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Earlier:
    """Work an earlier survey out as far as two surveys are compared.

    Parameters
    ----------
    plan
        Its tiles, on today's grid.
    land, terrain
        The property, and today's water, which lanes leave out.
    settings
        Those of ground, vegetation, lanes and buildings, as the present survey uses them.

    Raises
    ------
    InputError
        As `read_points` and `find_ground` do.
    """
    # Its points are read once; unlike today's, no later stage asks for them.
    with tempfile.TemporaryDirectory(dir=workspace) as folder:
        cloud = read_points(plan, workspace=Path(folder), progress=progress)
        survey = lay_survey(cloud, plan.grid, land, ())
        ground = find_ground(survey, settings.ground)
        given = survey.heights_given
        vegetation = sort_vegetation(
            cloud.points, plan.grid, ground.surface, settings.vegetation, heights_given=given
        )
        houses = find_buildings(
            cloud.points, plan.grid, ground.surface, settings.buildings, heights_given=given
        )
    lanes = find_lanes(survey, terrain, vegetation, settings.lanes)
    flown = cloud.facts.get("flown", ())
    assert isinstance(flown, list | tuple)
    return Earlier(
        ground=ground.surface,
        canopy_height=vegetation.canopy_height,
        free_width=lanes.free_width,
        building=cells_of(houses.union_all(), plan.grid),
        trees=vegetation.trees,
        lanes=lanes.lanes,
        lane_width=settings.lanes.min_width,
        first_returns_per_m2=cloud.first_returns_per_m2,
        flown=tuple(str(day) for day in flown),
        warnings=tuple(
            f"earlier survey: {text}"
            for text in (*survey.warnings, *ground.warnings, *vegetation.warnings)
        ),
    )
