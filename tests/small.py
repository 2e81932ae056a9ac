"""A hectare of the demo's wood and meadow: a run takes seconds and has work for every stage."""

from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import shapely
import yaml

TILES = Path(__file__).resolve().parents[1] / "sample_tiles" / "tiles"
LAND = shapely.box(552_270, 4_310_020, 552_400, 4_310_110)
CRS = 26916
OFFSETS = (552_000.0, 4_310_000.0, 200.0)
"""Of coordinates as the tiles store them [m]; those of the demo's tiles differ."""
SETTINGS = {
    "arrival": [552_390, 4_310_100],
    "leaf_state": "off",
    "levels": ["red"],
    "holes": 3,
    "legs": {"sites": {"spacing": 8.0}, "throws": 64, "keep": 100},
    "layout": {
        "hole": {"keep": 30, "most_legs": 2},
        "proposals": 2,
        "solver": {"first": {"changes_each": 200}, "work": 0.4, "candidates": 30},
    },
}


def points() -> laspy.LasData:
    """The demo's points on the land and a little around."""
    left, bottom, right, top = LAND.buffer(10).bounds
    parts = []
    for name in ("hollow_creek_sw.laz", "hollow_creek_se.laz"):
        las = laspy.read(TILES / name)
        x, y = np.asarray(las.x), np.asarray(las.y)
        las.points = las.points[(x > left) & (x < right) & (y > bottom) & (y < top)]
        las.change_scaling(offsets=OFFSETS)
        parts.append(las)
    whole = parts[0]
    whole.points = laspy.ScaleAwarePointRecord(
        np.concatenate([p.points.array for p in parts]),
        whole.point_format, whole.header.scales, whole.header.offsets,
    )  # fmt: skip
    return whole


def small_property(folder: Path, names: tuple[str, str] = ("a.laz", "b.laz"), **changes) -> Path:
    """Two tiles that share 10 m, the boundary, and a configuration beside them."""
    las = points()
    x, middle = np.asarray(las.x), LAND.centroid.x
    for name, mine in zip(names, (x < middle + 5, x > middle - 5), strict=True):
        tile = laspy.LasData(las.header)
        tile.points = las.points[mine]
        tile.write(folder / name)
    gpd.GeoDataFrame(geometry=[LAND], crs=CRS).to_file(folder / "land.gpkg")
    path = folder / "run.yaml"
    settings = {"name": "Small", "property": "land.gpkg", "points": ["*.laz"], "out": "out"}
    path.write_text(yaml.safe_dump(settings | SETTINGS | changes))
    return path
