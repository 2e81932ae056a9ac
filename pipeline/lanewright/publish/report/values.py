"""Values of the land for the map: what the page says of the place under the pointer.

Three bytes planes of one grid, packed: heights of the ground in decimetres over the lowest (two
bytes, the low ones first), slope in percent, canopy in quarter metres. The page unpacks them when
somebody asks.
"""

from __future__ import annotations

import base64
import gzip

import numpy as np
from numpy.typing import NDArray

from lanewright.base.rows import Row
from lanewright.publish.findings import Findings

MOST = 45_000
"""Most places of the grid: 4 m apart on 70 ha, in some 60 kB."""

CANOPY_STEP = 0.25  # m
_UNKNOWN = 255  # of slope and canopy; of the ground it is 0


def values_of(found: Findings) -> Row:
    """Grid of values, ready for JSON: `rows`, `cols`, `cell` [m], `low` [m] and the planes."""
    grid, ground = found.grid, np.asarray(found.rasters["ground"], np.float64)
    step = int(np.ceil(np.sqrt(ground.size / MOST)))
    places = np.s_[step // 2 :: step, step // 2 :: step]
    ground = ground[places]
    known = np.isfinite(ground)
    low = float(np.floor(ground[known].min())) if known.any() else 0.0
    high = np.where(known, np.clip(np.rint(10 * (ground - low)) + 1, 1, 65_535), 0)
    planes = [
        high.astype("<u2").tobytes(),
        _bytes(found.rasters.get("slope"), places, ground.shape, 1.0),
        _bytes(found.rasters.get("canopy_height"), places, ground.shape, CANOPY_STEP),
    ]
    packed = gzip.compress(b"".join(planes), 9, mtime=0)
    return {
        "rows": ground.shape[0],
        "cols": ground.shape[1],
        "cell": step * grid.cell,
        "low": low,
        "feet": found.config.units == "feet",
        "packed": base64.b64encode(packed).decode("ascii"),
    }


def _bytes(
    raster: NDArray[np.floating] | None,
    places: tuple[slice, slice],
    shape: tuple[int, ...],
    step: float,
) -> bytes:
    """A raster in whole steps, 254 at most; `_UNKNOWN` where it is not known."""
    if raster is None:
        return bytes([_UNKNOWN]) * int(np.prod(shape))
    thin = np.asarray(raster[places], np.float64)
    whole = np.clip(np.rint(np.nan_to_num(thin) / step), 0, _UNKNOWN - 1)
    return np.where(np.isfinite(thin), whole, _UNKNOWN).astype(np.uint8).tobytes()
