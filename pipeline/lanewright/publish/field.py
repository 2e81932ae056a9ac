"""What goes into the field: checks, book and points, all of one outing."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.grid import Grid
from lanewright.publish.fieldbook import Told, facts_of, write_fieldbook
from lanewright.publish.fieldmaps import MapData
from lanewright.publish.fieldpoints import field_points, write_gpx, write_kml
from lanewright.results import Scouting
from lanewright.settings.config import Config
from lanewright.sources import vectors
from lanewright.visit.fieldchecks import list_checks
from lanewright.visit.outing import Outing, Spot, as_published, outing_of

log = logging.getLogger(__name__)

_USED = (
    "legs", "tee_sites", "basket_sites", "holes", "trim_work", "layout_holes", "layout_walks",
    "water", "wet_ground", "drainage", "cautions",
)  # fmt: skip


def plan_field(
    config: Config,
    scouting: Scouting,
    layers: Mapping[str, gpd.GeoDataFrame],
    rasters: Mapping[str, NDArray[Any]],
) -> tuple[Outing, gpd.GeoDataFrame]:
    """Choose what to see on foot and list what to look at; the layer `field_checks`."""
    survey = scouting.survey
    published = {name: as_published(name, layers[name]) for name in _USED if name in layers}
    start = arrival_of(config, survey.grid, rasters["ground"])
    outing = outing_of(published, config.holes, start)
    checks = list_checks(
        outing,
        published,
        rasters,
        survey.grid,
        land=survey.land,
        flown=_flown(scouting),
        leaf_state=config.leaf_state,
        settings=config.field,
        feet_first=config.units == "feet",
    )
    return outing, checks


def write_field(
    folder: Path,
    config: Config,
    scouting: Scouting,
    layers: Mapping[str, gpd.GeoDataFrame],
    rasters: Mapping[str, NDArray[Any]],
    outing: Outing,
) -> None:
    """Write field-book.pdf, field-points.gpx and field-points.kml to a folder."""
    began = time.perf_counter()
    survey, vegetation = scouting.survey, scouting.vegetation
    crs = survey.grid.crs
    checks = as_published("field_checks", layers["field_checks"])
    title = as_published("property", layers["property"])["name"]
    name = title.iloc[0] if len(title) else config.name
    points, routes = field_points(outing, checks, crs)
    write_gpx(folder / "field-points.gpx", name, points, routes)
    write_kml(folder / "field-points.kml", name, points, routes)
    scene = MapData(
        grid=survey.grid,
        ground=rasters["ground"],
        canopy=rasters.get("canopy_height"),
        columns=vegetation.columns if vegetation is not None else None,
        land=survey.land,
        water=list(layers["water"].geometry),
        wet=list(layers["wet_ground"].geometry),
        outing=outing,
        checks=checks,
        feet_first=config.units == "feet",
    )
    facts = facts_of(
        area_ha=survey.land.area / 1e4,
        levels=config.levels,
        ground=scouting.ground.source,
        flown=_flown(scouting),
        leaf_state=config.leaf_state,
        crs=crs,
        lidar=vegetation is not None,
    )
    told = Told(name, facts, as_published("cautions", layers["cautions"]), config.field.paper)
    write_fieldbook(folder / "field-book.pdf", scene, told)
    log.info(
        "field book and points: %d holes, %d checks, %d points, %.1f s",
        len(outing.holes), len(checks), len(points), time.perf_counter() - began,
    )  # fmt: skip


def arrival_of(config: Config, grid: Grid, ground: NDArray[Any]) -> Spot | None:
    """Place of the arrival on the grid; None where none is set.

    Its coordinates are in the CRS of the property file, or the run's own without one.
    """
    if config.arrival is None:
        return None
    point = gpd.GeoSeries([shapely.Point(config.arrival)], crs=grid.crs)
    if config.property is not None:
        stated = vectors.read_vectors(config.property, config.crs.vectors).crs
        point = point.set_crs(stated, allow_override=True).to_crs(grid.crs)
    x, y = point.x.iloc[0], point.y.iloc[0]
    row, col = grid.rowcol(np.array(x), np.array(y))
    inside = 0 <= row < grid.rows and 0 <= col < grid.cols
    return Spot(float(x), float(y), float(ground[row, col]) if inside else float("nan"))


def _flown(scouting: Scouting) -> tuple[str, str] | None:
    flown = scouting.survey.facts.get("flown")
    if not isinstance(flown, list | tuple) or len(flown) != 2:
        return None
    return str(flown[0]), str(flown[1])
