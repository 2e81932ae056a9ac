"""The ranking as files: a layer, a table for spreadsheets, a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import jinja2
import pandas as pd
from shapely import MultiPolygon

from lanewright.base import schema
from lanewright.base.rows import Row, rows_of
from lanewright.base.text import inert
from lanewright.publish.geopackage import write_geopackage
from lanewright.publish.whole import beside
from lanewright.rank.pagemap import page_map

NAMES = ("ranked.gpkg", "ranked.csv", "ranked.html")
"""Files of a ranking, relative to its folder."""


def frame_of(rows: Sequence[Row], shapes: Mapping[str, MultiPolygon], crs: str) -> gpd.GeoDataFrame:
    """Rows in their order as layer `ranked`; a parcel without a shape has an empty one.

    Parameters
    ----------
    rows
        Of `worth.ordered`.
    shapes
        Outline of each parcel, by key, in the CRS of the layer of parcels.
    """
    layer = schema.LAYERS["ranked"]
    columns: dict[str, list[object]] = {
        column.name: [row.get(column.name) for row in rows]
        for column in layer.columns
        if column.derived is None
    }
    table = pd.DataFrame(columns, dtype=object)
    for column in layer.columns:
        if column.name not in table:
            continue
        if column.dtype == "float":
            table[column.name] = pd.to_numeric(table[column.name]).astype(float)
        elif column.dtype == "int":
            table[column.name] = pd.to_numeric(table[column.name]).astype("Int64")
    return gpd.GeoDataFrame(table, geometry=[shapes[row["parcel_id"]] for row in rows], crs=crs)


def write_ranking(
    folder: Path, frame: gpd.GeoDataFrame, crs: str, heading: Row, *, feet_first: bool
) -> None:
    """Write layer, table and page; parcels without a shape are in table and page only.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    drawn = frame[~frame.geometry.is_empty]
    write_geopackage(folder / NAMES[0], {"ranked": drawn}, crs, feet_first=feet_first)
    _write_table(folder / NAMES[1], frame, feet_first)
    page = page_of(frame, heading, feet_first=feet_first)
    with beside(folder / NAMES[2]) as part:
        part.write_text(page, encoding="utf-8", newline="\n")


def _write_table(path: Path, frame: gpd.GeoDataFrame, feet_first: bool) -> None:
    layer = schema.LAYERS["ranked"]
    table = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    for column in layer.columns:
        if column.derived is not None:
            table[column.name] = table[column.derived[0]] * column.derived[1]
        if column.digits is not None:
            table[column.name] = table[column.name].round(column.digits) + 0.0
        elif column.dtype == "text":
            table[column.name] = [inert(v) if isinstance(v, str) else v for v in table[column.name]]
    names = schema.in_order("ranked", table.columns, feet_first)
    with beside(path) as part:
        # The mark at the front marks it as UTF-8 for spreadsheets.
        table[names].to_csv(part, index=False, encoding="utf-8-sig", lineterminator="\n")


def page_of(frame: gpd.GeoDataFrame, heading: Row, *, feet_first: bool) -> str:
    """The page: a map, a row for each parcel, what failed, what the figures mean.

    Parameters
    ----------
    heading
        `title`, `quick` and `full` counts of parcels, `wanted` holes, `settings` of the ranking.
    """
    env = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    text = files("lanewright").joinpath("rank/templates/ranked.html.j2").read_text("utf-8")
    rows = rows_of(frame)
    meanings = {column.name: column.meaning for column in schema.LAYERS["ranked"].columns}
    return env.from_string(text).render(
        **heading,
        good=[row for row in rows if row["status"] == "ranked"],
        bad=[row for row in rows if row["status"] != "ranked"],
        map=page_map(frame),
        meanings=meanings,
        feet_first=feet_first,
    )
