"""Point records of our own making into LAZ files, whole or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from lanewright.base.arrays import Floats, Ints
from lanewright.sources.lidarlib import laspy


@dataclass(frozen=True)
class Returns:
    """Returns to write; every array has one value for each return.

    Attributes
    ----------
    x, y, z
        Coordinates in the CRS of the file.
    time
        GPS time, adjusted standard [s]; returns of one pulse share it.
    number, of
        Number of a return and how many its pulse has, from 1.
    classes
        Point classes of LAS 1.4.
    source
        Flight line.
    """

    x: Floats
    y: Floats
    z: Floats
    time: Floats
    number: NDArray[np.uint8]
    of: NDArray[np.uint8]
    classes: NDArray[np.uint8]
    source: NDArray[np.uint16]


def write_laz(path: Path, returns: Returns, crs: str | None, scale: float = 0.001) -> None:
    """Write returns as LAZ 1.4, point format 6, with the CRS as WKT.

    Parameters
    ----------
    crs
        As EPSG:n or WKT; None to state none.
    scale
        Step of the stored coordinates, in their own unit.
    """
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, scale)
    columns = (returns.x, returns.y, returns.z)
    header.offsets = np.array([np.floor(c.min()) if len(c) else 0.0 for c in columns])
    if crs is not None:
        header.add_crs(CRS.from_user_input(crs), keep_compatibility=False)
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    las = laspy.LasData(header)
    las.x, las.y, las.z = columns
    las.gps_time = returns.time
    las.return_number, las.number_of_returns = returns.number, returns.of
    las.classification, las.point_source_id = returns.classes, returns.source
    part = path.with_name(f".{path.name}.part")
    with part.open("wb") as file:
        las.write(file, do_compress=True, laz_backend=laspy.LazBackend.Lazrs)
    part.replace(path)


def numbered_classes(path: Path) -> tuple[Ints, NDArray[np.uint8]]:
    """Numbers that stand as GPS times in a file of our own, and the class of each."""
    las = laspy.read(path)
    return np.asarray(las.gps_time).round().astype(np.int64), np.asarray(las.classification)
