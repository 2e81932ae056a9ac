"""What a run published, read back from its files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import cast

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from numpy.typing import NDArray

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.base.rows import Row
from lanewright.publish.summary import FORMAT

PUBLISH_AGAIN = "Run `lanewright scout` with its configuration first."


def read_summary(out: Path) -> Row:
    """`summary.json` of an out folder.

    Raises
    ------
    InputError
        If no finished run lies there, or one of a version that wrote other summaries.
    """
    path = out / "summary.json"
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except OSError:
        raise InputError(out, "holds no finished run", PUBLISH_AGAIN) from None
    except ValueError:
        raise InputError(path, "is not as a run wrote it", PUBLISH_AGAIN) from None
    if not isinstance(summary, dict) or summary.get("format") != FORMAT:
        raise InputError(path, "was written by another version", PUBLISH_AGAIN)
    return cast(Row, summary)


def grid_of(summary: Row) -> Grid:
    """The georeference that a summary states."""
    stated = cast(Row, summary["georeference"])
    left, _, _, top = cast("list[float]", stated["left_bottom_right_top"])
    return Grid(
        str(stated["wkt"]),
        left,
        top,
        float(cast(float, stated["cell_m"])),
        int(cast(int, stated["rows"])),
        int(cast(int, stated["columns"])),
    )


def read_layer(out: Path, name: str) -> gpd.GeoDataFrame:
    """A layer of `scout.gpkg` as it stands there.

    Raises
    ------
    InputError
        If there is no GeoPackage.
    KeyError
        If it has no layer of that name.
    """
    path = out / "scout.gpkg"
    if not path.exists():
        raise InputError(out, "holds no scout.gpkg", PUBLISH_AGAIN)
    layers = sorted(str(row[0]) for row in pyogrio.list_layers(path))
    if name not in layers:
        raise KeyError(f"no layer {name!r}; there are {', '.join(layers)}")
    return gpd.read_file(path, layer=name)


def read_raster(out: Path, name: str) -> NDArray[np.float32]:
    """A raster of an out folder (rows, cols); NaN unknown.

    Raises
    ------
    InputError
        If there are no rasters.
    KeyError
        If there is none of that name.
    """
    paths = {path.stem: path for path in sorted((out / "rasters").glob("*.tif"))}
    if not paths:
        raise InputError(out, "holds no rasters", PUBLISH_AGAIN)
    if name not in paths:
        raise KeyError(f"no raster {name!r}; there are {', '.join(paths)}")
    with rasterio.open(paths[name]) as source:
        return np.asarray(source.read(1, masked=True).filled(np.nan), np.float32)
