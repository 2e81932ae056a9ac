"""The window of a GeoTIFF on a server that a box needs, read by range requests of our own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import rasterio
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window, from_bounds

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE
from lanewright.fetch.download import MAGIC
from lanewright.fetch.ranges import RangeFile, Remote
from lanewright.sources.offline import OFFLINE
from lanewright.sources.opening import ALONE, reason

MOST_CELLS = 100_000_000
"""Cells of a window (ours): it is held in memory, in up to 8 bytes a cell."""

NAME = "remote.tif"

Box = tuple[float, float, float, float]


def cut_window(
    remote: Remote, url: str, box_in: Callable[[str], Box], out: Path
) -> tuple[int, int]:
    """Write the window as a GeoTIFF: its first band with scale, offset, unit and nodata, its CRS.

    Parameters
    ----------
    box_in
        Gives left, bottom, right, top in the CRS whose WKT it is handed.

    Returns
    -------
    tuple
        Rows and columns written; both 0, and no file, where the raster does not reach the box.

    Raises
    ------
    InputError
        If it is no GeoTIFF, or cannot be read.
    """
    if not remote.read(0, 4).startswith(MAGIC[".tif"]):
        raise InputError(url[:200], "is no GeoTIFF", "Look at the source.")
    with rasterio.Env(**OFFLINE, **ALONE, GDAL_INGESTED_BYTES_AT_OPEN="16384"):
        try:
            with rasterio.open(NAME, driver="GTiff", opener=partial(_opened, remote)) as source:
                window = _window(source, url, box_in)
                if window is None:
                    return 0, 0
                _write(source, window, out)
        except (RasterioError, OSError) as err:
            if remote.fault is not None:
                raise remote.fault from None
            raise InputError(
                url[:200], f"cannot be read as a raster ({reason(err)})", ELSEWHERE
            ) from None
    return int(window.height), int(window.width)


def _opened(remote: Remote, name: str, *_mode: object, **_more: object) -> RangeFile:
    """What GDAL gets to read for a name; files beside the one asked for are not there."""
    if not name.endswith(NAME):
        raise FileNotFoundError(name)
    return RangeFile(remote)


def _window(source: DatasetReader, url: str, box_in: Callable[[str], Box]) -> Window | None:
    if source.crs is None:
        raise InputError(url[:200], "states no CRS", ELSEWHERE)
    if source.transform.b or source.transform.d or source.transform.e >= 0:
        raise InputError(url[:200], "is turned or upside down", ELSEWHERE)
    window = from_bounds(*box_in(source.crs.to_wkt()), transform=source.transform)
    left, top = max(0, int(window.col_off) - 1), max(0, int(window.row_off) - 1)
    right = min(source.width, int(window.col_off + window.width) + 2)
    bottom = min(source.height, int(window.row_off + window.height) + 2)
    if right <= left or bottom <= top:
        return None
    if (right - left) * (bottom - top) > MOST_CELLS:
        raise InputError(url[:200], "has too many cells here", "Draw a smaller boundary.")
    return Window(left, top, right - left, bottom - top)


def _write(source: DatasetReader, window: Window, out: Path) -> None:
    profile = {
        "driver": "GTiff", "count": 1, "dtype": source.dtypes[0], "crs": source.crs,
        "transform": source.window_transform(window), "width": int(window.width),
        "height": int(window.height), "nodata": source.nodata, "compress": "deflate",
        "tiled": True, "blockxsize": 256, "blockysize": 256,
    }  # fmt: skip
    values = source.read(1, window=window)
    with rasterio.open(out, "w", **profile) as target:
        target.write(values, 1)
        target.units = (source.units[0],)
        target.scales, target.offsets = (source.scales[0],), (source.offsets[0],)
        if area := source.tags().get("AREA_OR_POINT"):
            target.update_tags(AREA_OR_POINT=area)
