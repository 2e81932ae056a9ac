"""What keeps players off, as layers: drawn keep-outs and their lines, buildings, wires."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import shapely

from lanewright.growth.wires import no_wires
from lanewright.land.plan import Plan
from lanewright.land.survey import Survey
from lanewright.scene import Scene
from lanewright.settings.config import Config

_LEAST = 1.0  # m that a piece of a line must run to be drawn


def obstacle_layers(
    config: Config, plan: Plan, survey: Survey, scene: Scene
) -> Mapping[str, gpd.GeoDataFrame]:
    """Layers `keep_out`, `keep_out_lines`, `buildings` and `wires` of a run."""
    crs = survey.grid.crs
    return {
        "keep_out": _keep_outs(config, survey),
        "keep_out_lines": _drawn_lines(plan, survey),
        "buildings": _buildings(scene.buildings, crs),
        "wires": wire_lines(scene.wires, crs),
    }


def _keep_outs(config: Config, survey: Survey) -> gpd.GeoDataFrame:
    """Each part of what files keep out of, buffers included."""
    parts = [part for part in shapely.get_parts(survey.keep_out) if not part.is_empty]
    drawn = "; ".join(f"{k.path.name}, buffer {k.buffer:g} m" for k in config.keep_out)
    return gpd.GeoDataFrame(
        {
            "keep_out_id": np.arange(1, len(parts) + 1),
            "area_m2": np.array([part.area for part in parts], np.float64),
            "source": np.full(len(parts), drawn, object),
        },
        geometry=parts,
        crs=survey.grid.crs,
    )


def _drawn_lines(plan: Plan, survey: Survey) -> gpd.GeoDataFrame:
    """Lines of keep-out files where the run looks."""
    window = shapely.box(*survey.grid.bounds)
    found = [
        (name, buffer, part)
        for name, buffer, wkt in plan.keep_out_lines
        for part in shapely.get_parts(shapely.line_merge(shapely.from_wkt(wkt)))
        for part in shapely.get_parts(part.intersection(window))
        if part.length >= _LEAST
    ]
    names, buffers, lines = zip(*found, strict=True) if found else ((), (), ())
    return gpd.GeoDataFrame(
        {
            "line_id": np.arange(1, len(found) + 1),
            "name": np.array([" ".join(name.split("_")) for name in names], object),
            "buffer_m": np.array(buffers, np.float64),
            "length_m": shapely.length(np.array(lines, object)).astype(np.float64),
        },
        geometry=list(lines),
        crs=survey.grid.crs,
    )


def _buildings(built: shapely.Geometry, crs: str) -> gpd.GeoDataFrame:
    """Each building that the lidar shows."""
    parts = [part for part in shapely.get_parts(built) if part.area > 0]
    return gpd.GeoDataFrame(
        {
            "building_id": np.arange(1, len(parts) + 1),
            "area_m2": np.array([part.area for part in parts], np.float64),
        },
        geometry=parts,
        crs=crs,
    )


def wire_lines(wires: gpd.GeoDataFrame, crs: str) -> gpd.GeoDataFrame:
    """Wires as single lines; a bundle of several keeps its facts on each."""
    if not len(wires):
        wires = no_wires()
    pieces = wires.explode(index_parts=False, ignore_index=True)
    pieces = pieces[pieces.geometry.length >= _LEAST] if len(pieces) else pieces
    pieces = pieces.reset_index(drop=True)
    return gpd.GeoDataFrame(
        {
            "wire_id": np.arange(1, len(pieces) + 1),
            "source": pieces["source"].astype(object),
            "returns": pieces["returns"].astype("int64"),
            "height_m": pieces["height_m"].astype(float),
            "length_m": pieces.geometry.length.astype(float),
        },
        geometry=list(pieces.geometry),
        crs=crs,
    )
