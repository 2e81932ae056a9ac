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

_NARROW = 3.0  # times as long as wide from which a patch over water may be a bridge; ours
_WIDEST = 25.0  # m of the deck of a bridge; ours
_BANK = 6.0  # m beside a deck within which water is water under it; ours
_LEAST = 1.0  # m that a piece of a line must run to be drawn


def obstacle_layers(
    config: Config, plan: Plan, survey: Survey, scene: Scene, water: shapely.Geometry
) -> Mapping[str, gpd.GeoDataFrame]:
    """Layers `keep_out`, `keep_out_lines`, `buildings` and `wires` of a run; `water` is open."""
    crs = survey.grid.crs
    return {
        "keep_out": _keep_outs(config, survey),
        "keep_out_lines": _drawn_lines(plan, survey),
        "buildings": _buildings(scene.buildings, water, crs),
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


def _buildings(built: shapely.Geometry, water: shapely.Geometry, crs: str) -> gpd.GeoDataFrame:
    """Each building that the lidar shows, and decks of bridges that nobody classified."""
    parts = [part for part in shapely.get_parts(built) if part.area > 0]
    return gpd.GeoDataFrame(
        {
            "building_id": np.arange(1, len(parts) + 1),
            "area_m2": np.array([part.area for part in parts], np.float64),
            "seems": ["bridge" if bridges(part, water) else "building" for part in parts],
        },
        geometry=parts,
        crs=crs,
    )


def bridges(patch: shapely.Geometry, water: shapely.Geometry) -> bool:
    """Whether a raised flat patch is long and narrow with open water along both its sides.

    Examples
    --------
    >>> deck, river = shapely.box(0, 0, 60, 8), shapely.box(20, -99, 40, 99)
    >>> bridges(deck, river), bridges(deck, shapely.box(20, 8, 40, 99))
    (True, False)
    >>> bridges(shapely.box(0, 0, 30, 20), river)
    False
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(patch))
    if len(corners) != 5:
        return False
    sizes = np.hypot(*np.diff(corners[:3], axis=0).T)
    long = int(sizes.argmax())
    if sizes[long] < _NARROW * sizes[1 - long] or sizes[1 - long] > _WIDEST:
        return False
    sides = (shapely.LineString(corners[k : k + 2]) for k in (long, long + 2))
    beyond = water.difference(patch)
    return all(side.buffer(_BANK, cap_style="flat").intersects(beyond) for side in sides)


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
