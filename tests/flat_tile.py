"""A square of ground at 200 to 201 m as a tile, as tests of planning want them."""

from pathlib import Path

import laspy
import numpy as np
from pyproj import CRS

LEFT, BOTTOM = 500_000.0, 4_400_000.0


def tile(path: Path, left: float, bottom: float, side: float = 50.0, density: float = 8.0,
         epsg: int = 26916, seed: int = 0) -> Path:  # fmt: skip
    rng = np.random.default_rng(seed)
    n = int(side * side * density)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [left, bottom, 0]
    header.add_crs(CRS.from_epsg(epsg))
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    las = laspy.LasData(header)
    las.x, las.y = left + side * rng.random(n), bottom + side * rng.random(n)
    las.z = 200 + rng.random(n)
    las.classification = np.full(n, 2, np.uint8)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.gps_time = 3.0e8 + np.arange(n) * 1e-4
    las.write(path)
    return path
