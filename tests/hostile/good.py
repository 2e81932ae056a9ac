"""A small property whose inputs are all good: every case spoils one of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import laspy
import numpy as np
import pandas as pd
import rasterio
from pyproj import CRS, Transformer
from rasterio.transform import from_origin
from shapely import LineString, Point, Polygon, box
from shapely.ops import transform

EPSG = 26916
LEFT, BOTTOM, SIDE = 500_000.0, 4_400_000.0, 120.0
LAND = box(LEFT + 10, BOTTOM + 10, LEFT + SIDE - 10, BOTTOM + SIDE - 10)
LINES = {
    "creek": LineString([(LEFT + 20, BOTTOM + 20), (LEFT + 95, BOTTOM + 30)]),
    "oak": LineString([(LEFT + 95, BOTTOM + 45), (LEFT + 25, BOTTOM + 60)]),
}


def tile(path: Path, **changes: Any) -> Path:
    """Ground with class 2 and some brush above it, four points per square metre."""
    rng = np.random.default_rng(4)
    n = int(SIDE * SIDE * 4)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = changes.get("scales", [0.01] * 3)
    header.offsets = changes.get("offsets", [LEFT, BOTTOM, 0])
    crs = changes.get("crs", EPSG)
    if crs is not None:
        header.add_crs(CRS.from_user_input(crs))
    las = laspy.LasData(header)
    x, y = LEFT + SIDE * rng.random(n), BOTTOM + SIDE * rng.random(n)
    z = 200 + 0.03 * (x - LEFT) + 0.02 * rng.standard_normal(n)
    kind = np.full(n, 2, np.uint8)
    brush = rng.random(n) < 0.1
    z[brush] += 4 * rng.random(brush.sum())
    kind[brush] = 5
    edit = changes.get("edit")
    if edit is not None:
        x, y, z, kind = edit(x, y, z, kind)
    las.x, las.y, las.z, las.classification = x, y, z, kind
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.gps_time = np.linspace(2.5e8, 2.5e8 + 60, n)
    las.write(path)
    return path


def heights() -> np.ndarray:
    """Terrain model of one metre, north up, with 30 m around the land."""
    x = np.arange(-30.0, SIDE + 30) + 0.5
    row = 200 + 0.03 * x
    return np.repeat(row[None, :], len(x), axis=0).astype(np.float32)


def model(path: Path, data: np.ndarray | None = None, **changes: Any) -> Path:
    """Terrain model as GeoTIFF; `changes` go to rasterio, `tags` and `scale` apart."""
    data = heights() if data is None else data
    bands = data if data.ndim == 3 else data[None]
    tags, scales = changes.pop("tags", {}), changes.pop("scales", None)
    offsets, units = changes.pop("offsets", None), changes.pop("units", None)
    profile = {
        "driver": "GTiff",
        "count": len(bands),
        "height": bands.shape[1],
        "width": bands.shape[2],
        "dtype": bands.dtype,
        "crs": f"EPSG:{EPSG}",
        "transform": from_origin(LEFT - 30, BOTTOM + SIDE + 30, 1, 1),
    } | changes
    with rasterio.open(path, "w", **profile) as target:
        target.write(bands)
        target.update_tags(**tags)
        if scales:
            target.scales = scales
        if offsets:
            target.offsets = offsets
        if units:
            target.units = units
    return path


def designer(path: Path, **columns: Any) -> Path:
    """The two layers of a designer's file."""
    holes = {
        "name": list(LINES),
        "wish": ["keep", None],
        "play_order": [1, 2],
        "note": [None, None],
        "stood": [None, None],
    } | columns
    shapes = holes.pop("geometry", list(LINES.values()))
    frame = gpd.GeoDataFrame(pd.DataFrame(holes), geometry=shapes, crs=EPSG)
    frame.to_file(path, layer="designer_holes", driver="GPKG")
    areas = gpd.GeoDataFrame(
        {"name": ["yard"], "wish": ["keep out"]},
        geometry=[box(LEFT + 20, BOTTOM + 80, LEFT + 40, BOTTOM + 90)],
        crs=EPSG,
    )
    areas.to_file(path, layer="designer_areas", driver="GPKG")
    return path


def degrees(shape: Any) -> Any:
    """A shape in longitude and latitude."""
    move = Transformer.from_crs(EPSG, 4326, always_xy=True).transform
    return transform(move, shape)


SHAPES: dict[str, list[Any]] = {
    "property": [LAND],
    "keep_out": [Polygon(box(LEFT + 50, BOTTOM + 70, LEFT + 60, BOTTOM + 95))],
    "water": [Point(LEFT + 80, BOTTOM + 80).buffer(8)],
    "own_holes": list(LINES.values()),
    "keep list": [Point(LEFT + 60, BOTTOM + 60)],
    "paths": [LineString([(LEFT + 12, BOTTOM + 15), (LEFT + 105, BOTTOM + 100)])],
}
"""What a good file of each role draws."""


def settings(points: bool = False) -> dict[str, Any]:
    """The configuration that every case changes."""
    return {
        "name": "case",
        "property": "land.gpkg",
        "points": ["a.laz"] if points else [],
        "elevation": ["dem.tif"],
        "levels": ["green"],
        "leaf_state": "off",
        "out": "out",
    }


def write(folder: Path) -> None:
    """Write the good inputs that cases share."""
    tile(folder / "a.laz")
    model(folder / "dem.tif")
    gpd.GeoDataFrame({"name": ["land"]}, geometry=[LAND], crs=EPSG).to_file(folder / "land.gpkg")


def with_drawing(role: str, name: str) -> dict[str, Any]:
    """Settings that name a vector file in its role."""
    return {
        "property": {"property": name},
        "keep_out": {"keep_out": [name]},
        "water": {"water": [name]},
        "own_holes": {"own_holes": name},
        "keep list": {"trim": {"keep": name}},
        "paths": {"layout": {"paths": name}},
        "designer": {"designer": name},
    }[role]


def off_the_truth(surface: Any, grid: Any) -> float:
    """Metres that ground heights lie off the good inputs' truth at the most; unknown is right."""
    x = grid.left + grid.cell * (np.arange(grid.cols) + 0.5)
    off = np.abs(np.asarray(surface, float) - (200 + 0.03 * (x - LEFT))[None, :])
    return float(np.nanmax(off, initial=0.0))
