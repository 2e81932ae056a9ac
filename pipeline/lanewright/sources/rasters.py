"""Elevation tiles: GeoTIFF terrain models onto the run's grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import Resampling
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.sources.crs import METRES_PER, Bounds, Reference, same_crs

_UNITS = {
    "m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0,
    "ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "international foot": 0.3048,
    "us survey foot": METRES_PER["us-ft"], "us-ft": METRES_PER["us-ft"],
    "us_survey_foot": METRES_PER["us-ft"], "foot_us": METRES_PER["us-ft"],
    "us survey feet": METRES_PER["us-ft"], "ftus": METRES_PER["us-ft"],
}  # fmt: skip


@dataclass(frozen=True)
class ElevationTile:
    """A terrain model file with its CRS and the unit of its heights settled.

    Attributes
    ----------
    crs
        WKT of its horizontal CRS.
    bounds
        Left, bottom, right, top in that CRS.
    cell
        Side of its cells [units of the CRS].
    vertical
        Metres in one unit of height.
    """

    path: Path
    crs: str
    bounds: Bounds
    cell: float
    vertical: float
    shape: tuple[int, int]
    assumed: tuple[str, ...] = ()

    @property
    def reference(self) -> Reference:
        """CRS as the choice of the working CRS wants it."""
        return Reference(self.crs, 1.0, self.vertical, CRS.from_wkt(self.crs).name)


def open_elevation(path: Path, crs: str | None, unit: str | None) -> ElevationTile:
    """Header of a terrain model; settings override what the file says.

    Raises
    ------
    InputError
        If the file is no raster, has no CRS, or its heights may be in feet or metres.
    """
    try:
        with rasterio.open(path) as source:
            stated = source.crs.to_wkt() if source.crs else None
            bounds = tuple(source.bounds)
            north_up = source.transform.e < 0 < source.transform.a
            cell, shape = float(source.transform.a), source.shape
            band_unit = (source.units[0] or "").strip().lower()
            kind = source.dtypes[0]
    except (RasterioIOError, RasterioError) as err:
        reason = str(err).splitlines()[0][:160]
        raise InputError(
            path, f"cannot be read as a raster ({reason})", "Give elevation as GeoTIFF."
        ) from None
    try:
        full = CRS.from_user_input(crs or stated) if (crs or stated) else None
    except CRSError:
        full = None
    if full is None or not (full.is_projected or full.is_geographic):
        raise InputError(path, "does not say which CRS it is in", "Set crs.elevation, as EPSG:n.")
    if not north_up:
        raise InputError(path, "is rotated or upside down", "Warp it north-up, as gdalwarp does.")
    if kind.startswith("complex"):
        raise InputError(path, f"holds {kind} values", "Give a terrain model of plain heights.")
    flat, upward = full, None
    if full.is_compound:
        flat, upward = full.sub_crs_list
    assumed: tuple[str, ...] = ()
    if unit is not None:
        vertical = METRES_PER[unit]
    elif upward is not None:
        vertical = float(upward.axis_info[0].unit_conversion_factor)
    elif band_unit in _UNITS:
        vertical = _UNITS[band_unit]
    elif not flat.is_projected or abs(flat.axis_info[0].unit_conversion_factor - 1) < 1e-9:
        vertical = 1.0
        assumed = ("heights in metres; the file does not say",)
    else:
        raise InputError(
            path,
            f"x and y are in {flat.axis_info[0].unit_name} and nothing says what unit heights "
            "are in",
            "Set crs.elevation_unit to m, ft or us-ft.",
        )
    return ElevationTile(path, flat.to_wkt(), bounds, cell, vertical, shape, assumed)


def bounds_in_working(tile: ElevationTile, working: str) -> Bounds:
    """Box of the tile in the working CRS."""
    if same_crs(tile.crs, working):
        return tile.bounds
    box = transform_bounds(tile.crs, working, *tile.bounds, densify_pts=21)
    return tuple(float(b) for b in box)  # type: ignore[return-value]


def read_elevation(tiles: list[ElevationTile], grid: Grid) -> NDArray[np.float32]:
    """Heights [m] at the cell centres of the grid, bilinear; NaN where no tile has any.

    Where tiles overlap the finer one wins, then the first by name.
    """
    surface = np.full(grid.shape, np.nan, np.float32)
    for tile in sorted(tiles, key=lambda t: (t.cell, str(t.path))):
        left, bottom, right, top = bounds_in_working(tile, grid.crs)
        g_left, g_bottom, g_right, g_top = grid.bounds
        if left >= g_right or right <= g_left or bottom >= g_top or top <= g_bottom:
            continue
        try:
            with (
                rasterio.open(tile.path) as source,
                WarpedVRT(
                    source,
                    src_crs=tile.crs,
                    crs=grid.crs,
                    transform=grid.transform,
                    width=grid.cols,
                    height=grid.rows,
                    resampling=Resampling.bilinear,
                    nodata=math.nan,
                    dtype="float32",
                ) as warped,
            ):
                heights = warped.read(1) * np.float32(tile.vertical)
        except (RasterioIOError, RasterioError) as err:
            reason = str(err).splitlines()[0][:160]
            raise InputError(
                tile.path, f"its cells cannot be read ({reason})", "Download the tile again."
            ) from None
        heights[~np.isfinite(heights) | (np.abs(heights) > 12_000)] = np.nan
        surface = np.where(np.isnan(surface), heights, surface)
    return surface
