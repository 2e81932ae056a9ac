"""Rows of a table as plain dictionaries, for words and drawings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

Row = dict[str, Any]
"""Columns of `tables/columns.csv` by name; None where a column is empty."""

Facts = Mapping[str, Any]
"""What a run found, by name: numbers, texts, and lists and tables of them."""


def rows_of(frame: gpd.GeoDataFrame | None) -> list[Row]:
    """Rows without their geometry; what is empty is None, numbers are Python's own.

    Examples
    --------
    >>> rows_of(gpd.GeoDataFrame({"n": [1, 2], "rate": [0.5, None]}, geometry=[None, None]))
    [{'n': 1, 'rate': 0.5}, {'n': 2, 'rate': None}]
    """
    if frame is None:
        return []
    geometry = frame.geometry.name
    # Column by column: to_dict and astype of a whole frame take ten times as long, and drawings
    # ask for small tables by the hundred.
    columns = {
        str(name): _plain(column)
        for name, column in pd.DataFrame(frame).items()
        if name != geometry
    }
    if not columns:
        return [{} for _ in range(len(frame))]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _plain(column: pd.Series[Any]) -> list[Any]:
    """Values as Python has them; None where empty."""
    if isinstance(column.dtype, np.dtype) and column.dtype.kind in "ifb":
        numbers = column.to_numpy()
        values: list[Any] = numbers.tolist()
        if numbers.dtype.kind == "f" and np.isnan(numbers).any():
            return [value if value == value else None for value in values]
        return values
    values = column.astype(object).tolist()
    empty = column.isna().to_numpy()
    if empty.any():
        values = [None if gone else value for value, gone in zip(values, empty, strict=True)]
    return [value.item() if isinstance(value, np.generic) else value for value in values]
