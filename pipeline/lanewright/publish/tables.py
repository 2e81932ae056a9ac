"""Tables for spreadsheets: the holes of every proposal."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd

from lanewright.base import schema
from lanewright.base.text import inert
from lanewright.publish.whole import beside


def hole_table(layout: gpd.GeoDataFrame, feet_first: bool = False) -> pd.DataFrame:
    """Holes of every proposal in playing order, one row each, as `layout_holes` documents them.

    Parameters
    ----------
    layout
        Layer `layout_holes`.
    feet_first
        Put each length in feet before the same in metres.
    """
    made = schema.conform("layout_holes", layout)
    names = schema.in_order("layout_holes", made.columns, feet_first)
    table = pd.DataFrame(made[names])
    for column in schema.LAYERS["layout_holes"].columns:
        if column.name in table and column.digits is not None:
            table[column.name] = table[column.name].round(column.digits) + 0.0
    return table.sort_values(["proposal", "play_order"], kind="stable", ignore_index=True)


def write_holes_csv(path: Path, layout: gpd.GeoDataFrame, *, feet_first: bool = False) -> None:
    """Write the hole table as CSV in UTF-8; empty cells where nothing is known.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    table = hole_table(layout, feet_first)
    for name in table.columns:
        # Names are the user's; a spreadsheet would run those that start like a formula.
        if not pd.api.types.is_numeric_dtype(table[name]):
            table[name] = [inert(v) if isinstance(v, str) else v for v in table[name]]
    with beside(path) as part:
        # The mark at the front marks it as UTF-8 for spreadsheets.
        table.to_csv(part, index=False, encoding="utf-8-sig", lineterminator="\n")
