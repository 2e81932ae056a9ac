"""What goes into the field: checks, book and points, all of one outing."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.grid import Grid
from lanewright.land.survey import Survey
from lanewright.layout.walks import Wetness, footing, streams
from lanewright.publish.book import About, Book, facts_of, write_fieldbook
from lanewright.publish.declination import declination_at
from lanewright.publish.fieldpoints import field_points, write_gpx, write_kml
from lanewright.publish.fieldtracks import field_tracks
from lanewright.publish.findings import Findings
from lanewright.publish.uses import uses_of
from lanewright.scene import Scene
from lanewright.settings.config import Config
from lanewright.sources import vectors
from lanewright.visit import firstwalk
from lanewright.visit.fieldchecks import Surveyed, list_checks
from lanewright.visit.outing import Outing, Spot, outing_of

WALK_CELL = 4.0
"""Metres of the cells that the first walk is sought on: nobody follows it to the metre."""

log = logging.getLogger(__name__)


def plan_field(
    config: Config,
    survey: Survey,
    layers: Mapping[str, gpd.GeoDataFrame],
    rasters: Mapping[str, NDArray[np.floating]],
    start: Spot | None,
) -> tuple[Outing, gpd.GeoDataFrame]:
    """Choose what to see on foot and list what to look at; the layer `field_checks`."""
    outing = outing_of(layers, config.holes, start)
    checks = list_checks(
        outing,
        layers,
        rasters,
        survey.grid,
        Surveyed(survey.land, _flown(survey.facts), config.leaf_state),
        config.field,
        feet_first=config.units == "feet",
    )
    return outing, checks


def plan_first_walk(
    config: Config, scene: Scene, layers: Mapping[str, gpd.GeoDataFrame], arrival: Spot | None
) -> tuple[gpd.GeoDataFrame, str]:
    """The walk past features and checks, the layer `first_walk`, and where it begins in words."""
    features, checks = layers["features"], layers["field_checks"]
    start = firstwalk.start_of(arrival, scene.land, scene.paths, features)
    walk = config.layout.walk
    land = footing(
        scene.grid,
        scene.ground,
        scene.land,
        scene.off_limits,
        Wetness(
            scene.water | streams(scene.drainage, scene.grid, walk.stream),
            scene.wet | scene.maybe_wet,
            scene.wet,
        ),
        walk.model_copy(update={"cell": max(walk.cell, WALK_CELL)}),
        scene.paths,
    )
    places = firstwalk.places_of(features, checks, config.field)
    return firstwalk.first_walks(places, start, land, config.field), start.said if start else ""


def write_field(folder: Path, found: Findings, outing: Outing) -> None:
    """Write field-book.pdf, field-points.gpx and field-points.kml to a folder."""
    began = time.perf_counter()
    config, layers, grid = found.config, found.layers, found.grid
    checks, land = layers["field_checks"], layers["property"]
    name = land["name"].iloc[0] if len(land) else config.name
    points, routes = field_points(
        outing, checks, grid.crs, layers.get("features"), layers.get("first_walk")
    )
    tracks = field_tracks(outing, layers, grid.crs)
    write_gpx(folder / "field-points.gpx", name, points, routes, tracks)
    write_kml(folder / "field-points.kml", name, points, routes, tracks)
    facts = facts_of(
        area_ha=float(land["area_ha"].sum()),
        levels=config.levels,
        ground=str(found.summary["findings"]["ground"]["source"]),
        flown=_flown(found.summary["findings"]["ingest"]),
        leaf_state=config.leaf_state,
        crs=grid.crs,
        lidar=found.columns is not None,
    )
    middle = found.map_data.land.centroid
    if not middle.is_empty:
        off = declination_at(grid.crs, (middle.x, middle.y), config.field.visit)
        facts = (*facts, ("Declination", str(off)))
    book = Book(
        found.map_data,
        outing,
        checks,
        config.units == "feet",
        layers.get("features"),
        layers.get("first_walk"),
        found.layer("keep_out"),
        uses_of(layers),
    )
    begins = str(found.summary["findings"].get("first_walk", {}).get("begins", ""))
    about = About(name, facts, layers["cautions"], config.field.paper, begins)
    write_fieldbook(folder / "field-book.pdf", book, about)
    log.info(
        "field book and points: %d holes, %d checks, %d points, %.1f s",
        len(outing.holes),
        len(checks),
        len(points),
        time.perf_counter() - began,
    )


def arrival_of(config: Config, grid: Grid, ground: NDArray[np.floating]) -> Spot | None:
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


def _flown(facts: Mapping[str, object]) -> tuple[str, str] | None:
    """First and last day of the survey, as ingest found them."""
    flown = facts.get("flown")
    if not isinstance(flown, list | tuple) or len(flown) != 2:
        return None
    return str(flown[0]), str(flown[1])
