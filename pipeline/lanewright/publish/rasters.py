"""Rasters of a run as Cloud Optimized GeoTIFFs that say their name, unit and statistics."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.io import MemoryFile

from lanewright import __version__
from lanewright.base import schema
from lanewright.base.grid import Grid
from lanewright.publish.whole import beside

_BLOCK = 512
_LEVEL = 4
"""Of deflate: two thirds of the time of 6, the usual, for files 3 % larger."""


def write_cog(path: Path, array: NDArray[np.floating], grid: Grid, raster: schema.Raster) -> None:
    """Write one raster of the schema.

    Parameters
    ----------
    path
        Where it goes, `.tif`; replaces an earlier one once whole.
    array : (rows, cols)
        Any real type; stored as float32 in whole steps of the raster. NaN becomes its nodata.
    grid
        Its georeference.
    raster
        Name, unit, meaning and nodata, from `schema.RASTERS`.

    Raises
    ------
    ValueError
        If the shape is not the grid's, or a value is infinite or equals nodata.
    InputError
        If the file cannot be written.

    Notes
    -----
    Tags change the layout of a finished Cloud Optimized GeoTIFF and spoil it, so everything is
    said on a plain copy in memory, which GDAL's COG driver then lays out. Coarser versions are made
    there too: the driver would pack them once for itself and once for the file. The same array
    gives the same bytes, whatever the number of threads.
    """
    if array.shape != grid.shape:
        raise ValueError(f"raster {raster.name} is {array.shape}, the grid {grid.shape}")
    values, known = _in_steps(array, raster)
    statistics = _statistics(values, known)
    values[~known] = raster.nodata

    with (
        beside(path) as part,
        MemoryFile() as memory,
        rasterio.Env(GDAL_NUM_THREADS="ALL_CPUS", GDAL_TIFF_INTERNAL_MASK=False),
    ):
        _write_plain(memory, values, grid, raster, statistics)
        rasterio.shutil.copy(
            memory.name,
            part,
            driver="COG",
            COMPRESS="DEFLATE",
            LEVEL=_LEVEL,
            PREDICTOR="FLOATING_POINT",
            BLOCKSIZE=_BLOCK,
            OVERVIEWS="AUTO",
            OVERVIEW_RESAMPLING=raster.overviews.upper(),
            BIGTIFF="IF_SAFER",
        )


def _in_steps(
    array: NDArray[np.floating], raster: schema.Raster
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Values in whole steps of the raster, and which of them are known."""
    # Whole multiples of a power of two are exact in float32 and pack well.
    step = np.float32(raster.step)
    values: NDArray[np.float32] = np.round(np.asarray(array, dtype=np.float32) / step) * step
    known = ~np.isnan(values)
    if np.isinf(values).any():
        raise ValueError(f"raster {raster.name} holds infinite values")
    if (values[known] == np.float32(raster.nodata)).any():
        raise ValueError(f"raster {raster.name} holds its nodata {raster.nodata:g} as a value")
    return values, known


def _write_plain(
    memory: MemoryFile,
    values: NDArray[np.float32],
    grid: Grid,
    raster: schema.Raster,
    statistics: dict[str, str],
) -> None:
    """Write a plain GeoTIFF with everything that is said of the raster."""
    with memory.open(
        driver="GTiff",
        dtype="float32",
        count=1,
        height=grid.rows,
        width=grid.cols,
        crs=grid.crs,
        transform=grid.transform,
        nodata=raster.nodata,
        tiled=True,
        blockxsize=_BLOCK,
        blockysize=_BLOCK,
    ) as plain:
        plain.write(values, 1)
        plain.set_band_description(1, raster.name)
        plain.set_band_unit(1, raster.unit)
        plain.update_tags(
            AREA_OR_POINT="Area",
            TIFFTAG_IMAGEDESCRIPTION=f"{raster.meaning} [{raster.unit}]",
            TIFFTAG_SOFTWARE=f"lanewright {__version__}",
        )
        plain.update_tags(1, **statistics)
        plain.build_overviews(_factors(grid), Resampling[raster.overviews])


def _factors(grid: Grid) -> list[int]:
    """How much coarser each version for viewing is: by twos, until one block holds the last."""
    halvings = 0
    while max(grid.rows, grid.cols) >> halvings > _BLOCK:
        halvings += 1
    return [2**k for k in range(1, halvings + 1)]


def _statistics(values: NDArray[np.float32], known: NDArray[np.bool_]) -> dict[str, str]:
    """Statistics of the known cells in GDAL's own words; none where no cell is known."""
    if not known.any():
        return {}
    numbers = values[known].astype(np.float64)
    return {
        "STATISTICS_MINIMUM": repr(float(numbers.min())),
        "STATISTICS_MAXIMUM": repr(float(numbers.max())),
        "STATISTICS_MEAN": repr(float(numbers.mean())),
        "STATISTICS_STDDEV": repr(float(numbers.std())),
        "STATISTICS_VALID_PERCENT": f"{100 * known.mean():.4g}",
    }
