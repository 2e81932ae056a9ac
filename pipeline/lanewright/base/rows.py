"""Rows of a table as plain dictionaries, for words and drawings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

Row = dict[str, Any]
"""Columns of `tables/columns.csv` by name; None where a column is empty."""

Facts = Mapping[str, Any]
"""What a run found, by name: numbers, texts, and lists and tables of them."""


def rows_of(frame: gpd.GeoDataFrame | None) -> list[Row]:
    """Rows without their geometry; what is empty is None."""
    if frame is None:
        return []
    plain = pd.DataFrame(frame.drop(columns=frame.geometry.name)).astype(object)
    return [
        {str(k): v for k, v in row.items()}
        for row in plain.where(plain.notna(), None).to_dict("records")
    ]
