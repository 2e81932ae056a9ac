"""Small frames of every layer, made of numbers that tests can foresee."""

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from lanewright.base import schema

UTM = CRS.from_epsg(32617).to_wkt()
ORIGIN = (440_000.0, 3_800_000.0)


def frame(name: str, rows: int = 5, crs: str = UTM, seed: int = 0) -> gpd.GeoDataFrame:
    """A frame that fits the layer: every column, values in range, shapes around ORIGIN."""
    rng = np.random.default_rng([seed, *name.encode()])
    layer = schema.LAYERS[name]
    data = {}
    for column in layer.columns:
        if column.derived:
            continue
        if column.name == layer.key:
            data[column.name] = np.arange(1, rows + 1)
        elif column.name == "proposal":
            data[column.name] = np.arange(rows) % 3 + 1
        elif column.values:
            data[column.name] = [column.values[i % len(column.values)] for i in range(rows)]
        elif column.dtype == "bool":
            data[column.name] = rng.random(rows) < 0.5
        elif column.dtype == "text":
            data[column.name] = [f"{column.name} {i}" for i in range(rows)]
        elif column.dtype == "int":
            data[column.name] = rng.integers(1, 20, rows)
        elif column.unit == "0-1":
            data[column.name] = rng.random(rows)
        else:
            data[column.name] = rng.uniform(0.5, 30, rows)
    return gpd.GeoDataFrame(data, geometry=_shapes(layer.geometry, rows, rng), crs=crs)


def _shapes(kind, rows, rng):
    x, y = rng.uniform(0, 400, (2, rows)) + np.array(ORIGIN)[:, None]
    angle, length = rng.uniform(0, 2 * np.pi, rows), rng.uniform(30, 120, rows)
    if kind == "Point":
        return shapely.points(x, y)
    if kind == "MultiPolygon":
        return shapely.buffer(shapely.points(x, y), rng.uniform(8, 25, rows))
    along = np.linspace(0, 1, 9)
    px = x[:, None] + np.outer(length * np.cos(angle), along)
    py = y[:, None] + np.outer(length * np.sin(angle), along)
    if kind == "LineString":
        return shapely.linestrings(np.stack([px, py], axis=-1))
    pz = 200 + 12 * along * (1 - along) + np.zeros_like(px)
    return shapely.linestrings(np.stack([px, py, pz], axis=-1))


def all_layers(rows: int = 5, crs: str = UTM) -> dict[str, gpd.GeoDataFrame]:
    made = {name: frame(name, rows, crs) for name in schema.LAYERS}
    made["property"] = frame("property", 1, crs)
    made["property"] = made["property"].set_geometry(
        [shapely.box(*ORIGIN, ORIGIN[0] + 400, ORIGIN[1] + 400)], crs=crs
    )
    return made
