"""Every layer, column and raster that a run hands out: name, type, unit and meaning, once.

They stand in `tables/layers.csv`, `tables/columns.csv` and `tables/rasters.csv`, a row each, in the
order in which they are handed out. Writers and the report take their words from here; what is
computed, and how, is with the stages.

Descriptions may hold names in braces for what the settings decide, such as `{lane_heights}`; who
writes them out fills them in.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal, TypeAlias, TypeVar, get_args

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE

T = TypeVar("T")

Values: TypeAlias = "pd.Series[Any]"
"""One attribute of many rows."""

Dtype = Literal["int", "float", "text", "bool"]
Geometry = Literal["Point", "LineString", "LineString Z", "MultiPolygon"]

_ROUNDING = 1e-6  # what float32 may add to a share
_TRIFLE = 0.01  # share of an area that mending a flawed outline may change
_FACTORS = {"ft": FEET_PER_METRE, "acres": ACRES_PER_HECTARE}  # from metres, from hectares


@dataclass(frozen=True)
class Column:
    """One attribute of a layer.

    Attributes
    ----------
    name
        Ends in its unit where it has one.
    dtype
        `int` and `float` are 64 bits wide; `text` holds no line breaks.
    unit
        As said to a reader; empty for names, counts and kinds. `0-1` is a share and stays in it.
    meaning
        One sentence; also says what an empty value stands for, where it may be empty.
    values
        The only values a text may take; empty where it is free.
    required
        Whether the stage that makes the layer must give it.
    derived
        Column and factor it follows from when the stage does not give it.
    digits
        Decimals worth showing.
    """

    name: str
    dtype: Dtype
    unit: str
    meaning: str
    values: tuple[str, ...] = ()
    required: bool = True
    derived: tuple[str, float] | None = None
    digits: int | None = None


@dataclass(frozen=True)
class Layer:
    """One layer of the GeoPackage; a first column `*_id` is its key: never empty, never twice.

    Attributes
    ----------
    name
        Table name.
    title
        As a reader meets it in a viewer.
    description
        What one row is, and what it rests on.
    geometry
        The one type every row has.
    columns
        In the order they are handed out.
    """

    name: str
    title: str
    description: str
    geometry: Geometry
    columns: tuple[Column, ...]

    @property
    def key(self) -> str | None:
        """Name of the column that identifies rows; None where rows need no number."""
        first = self.columns[0].name
        return first if first.endswith("_id") else None

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError where there is none."""
        return {column.name: column for column in self.columns}[name]


@dataclass(frozen=True)
class Raster:
    """One raster of the run's grid, written as float32.

    Attributes
    ----------
    name
        File name without its ending.
    unit
        As said to a reader; `1` for bare numbers.
    meaning
        One sentence.
    nodata
        Value in cells outside the property's surroundings or without an answer.
    step
        Smallest difference kept, a power of two: finer ones are noise that only takes space.
    overviews
        How coarser versions for viewing are made; directions have no mean.
    """

    name: str
    unit: str
    meaning: str
    nodata: float = -9999.0
    step: float = 2.0**-10  # a millimetre, a thousandth
    overviews: Literal["average", "nearest"] = "average"


def _table(name: str) -> Iterator[dict[str, str]]:
    text = files("lanewright").joinpath(f"tables/{name}.csv").read_text(encoding="utf-8")
    return csv.DictReader(io.StringIO(text))


def _column(row: Mapping[str, str]) -> Column:
    """One row of `tables/columns.csv`."""
    source = row["from"]
    return Column(
        name=row["column"],
        dtype=_one_of(row["type"], get_args(Dtype)),
        unit=row["unit"],
        meaning=row["meaning"],
        values=tuple(row["values"].split("|")) if row["values"] else (),
        required=_one_of(row["required"], ("yes", "no")) == "yes",
        derived=(source, _FACTORS[row["unit"]]) if source else None,
        digits=int(row["digits"]) if row["digits"] else None,
    )


def _layers() -> dict[str, Layer]:
    """Layers in the order of `tables/layers.csv`, each with its rows of `tables/columns.csv`."""
    columns: dict[str, list[Column]] = {}
    for row in _table("columns"):
        columns.setdefault(row["layer"], []).append(_column(row))
    return {
        row["layer"]: Layer(
            row["layer"],
            row["title"],
            row["description"],
            _one_of(row["geometry"], get_args(Geometry)),
            tuple(columns.pop(row["layer"])),
        )
        for row in _table("layers")
    }


def _rasters() -> dict[str, Raster]:
    return {
        row["raster"]: Raster(
            row["raster"],
            row["unit"],
            row["meaning"],
            step=float(Fraction(row["step"])),
            overviews=_one_of(row["overviews"], ("average", "nearest")),
        )
        for row in _table("rasters")
    }


def _one_of(text: str, choice: tuple[T, ...]) -> T:
    """The choice that a cell of a table names; KeyError for any other."""
    return {str(one): one for one in choice}[text]


LAYERS: dict[str, Layer] = _layers()
RASTERS: dict[str, Raster] = _rasters()

FINISHES = LAYERS["legs"].column("finish").values
FAILS = LAYERS["legs"].column("fail_on").values


def conform(
    layer_name: str, frame: gpd.GeoDataFrame, rounded: Collection[str] = ()
) -> gpd.GeoDataFrame:
    """Bring a frame into the documented shape of its layer, or say what is wrong with it.

    Parameters
    ----------
    layer_name
        A key of `LAYERS`.
    frame
        Any column order, any index; rows may be none. Columns that follow from others (feet from
        metres) may be left out.
    rounded
        Columns to round to the decimals worth showing, after others were derived from them.

    Returns
    -------
    geopandas.GeoDataFrame
        Documented columns in documented order and type, then `geometry` of the layer's one type;
        rows sorted by key where there is one, index from 0. Empty is NaN for floats, None for
        texts.

    Raises
    ------
    ValueError
        If the layer is unknown, a column is missing, undocumented or of the wrong type, a text
        is outside its allowed values, a key is empty or used twice, or a geometry does not fit.
        Every fault of the frame is named at once.
    """
    if layer_name not in LAYERS:
        raise ValueError(f"no layer is called {layer_name}; known: {', '.join(LAYERS)}")
    layer = LAYERS[layer_name]
    if not isinstance(frame, gpd.GeoDataFrame) or frame._geometry_column_name not in frame:
        raise ValueError(f"layer {layer_name}: the frame has no geometry ({layer.geometry})")

    attributes = pd.DataFrame(frame).reset_index(drop=True)
    faults = _names_at_fault(layer, attributes.columns.drop(frame.geometry.name))
    columns = _columns_of(layer, attributes, faults)
    for name in columns.keys() & set(rounded):
        columns[name] = _shown(layer.column(name), columns[name])
    if layer.key in columns:
        faults += _keys_at_fault(columns[layer.key])
    try:
        shapes = _of_type(layer.geometry, np.asarray(frame.geometry.array, dtype=object))
    except ValueError as err:
        faults.append(f"geometry: {err}")
    if faults:
        raise ValueError(f"layer {layer_name}: " + "; ".join(faults))

    made = gpd.GeoDataFrame(
        pd.DataFrame(columns), geometry=gpd.GeoSeries(shapes, crs=frame.crs, dtype="geometry")
    )
    return made.sort_values(layer.key, kind="stable", ignore_index=True) if layer.key else made


def _columns_of(layer: Layer, attributes: pd.DataFrame, faults: list[str]) -> dict[str, Values]:
    """Columns in documented order and type, derived ones too; adds what does not fit to faults."""
    columns: dict[str, Values] = {}
    for column in layer.columns:
        if column.name in attributes:
            series = attributes[column.name]
        elif column.derived is not None and column.derived[0] in columns:
            other, factor = column.derived
            series = columns[other] * factor
        else:
            continue
        try:
            columns[column.name] = _cast(column, series)
        except (ValueError, TypeError) as err:
            faults.append(f"{column.name}: {err}")
    return columns


def in_order(layer_name: str, columns: Iterable[str], feet_first: bool = False) -> list[str]:
    """Columns of a layer in the order a reader meets them.

    Parameters
    ----------
    layer_name
        A key of `LAYERS`.
    columns
        Those that are there.
    feet_first
        Put each length in feet right before the same in metres.

    Examples
    --------
    >>> in_order("openings", ["width_ft", "width_m", "opening_id"], feet_first=True)
    ['opening_id', 'width_ft', 'width_m']
    """
    there = set(columns)
    layer = LAYERS[layer_name]
    twins = {c.derived[0]: c.name for c in layer.columns if c.derived and c.unit == "ft"}
    names: list[str] = []
    for column in layer.columns:
        if feet_first and column.name in twins.values():
            continue
        if feet_first and column.name in twins:
            names.append(twins[column.name])
        names.append(column.name)
    return [name for name in names if name in there]


def _names_at_fault(layer: Layer, names: Iterable[str]) -> list[str]:
    present = [str(name) for name in names]
    documented = {column.name for column in layer.columns}
    missing = [
        c.name
        for c in layer.columns
        if c.required
        and c.name not in present
        and (c.derived is None or c.derived[0] not in present)
    ]
    unknown = sorted(set(present) - documented)
    twice = sorted({name for name in present if present.count(name) > 1})
    faults = []
    if missing:
        faults.append(f"columns missing: {', '.join(missing)}")
    if unknown:
        faults.append(f"columns not documented in tables/columns.csv: {', '.join(unknown)}")
    if twice:
        raise ValueError(f"layer {layer.name}: columns given twice: {', '.join(twice)}")
    return faults


def _keys_at_fault(keys: Values) -> list[str]:
    faults = []
    if keys.isna().any():
        faults.append(f"{keys.name}: {int(keys.isna().sum())} empty")
    again = keys[keys.duplicated() & keys.notna()].unique()
    if len(again):
        faults.append(f"{keys.name}: used more than once: {', '.join(map(str, again[:5]))}")
    return faults


def _shown(column: Column, series: Values) -> Values:
    """Floats to the decimals worth showing; adding 0 turns -0.0 into 0.0."""
    if column.dtype != "float" or column.digits is None:
        return series
    numbers = np.round(series.to_numpy(), column.digits) + 0.0
    return pd.Series(numbers, index=series.index, name=series.name)


def _cast(column: Column, series: Values) -> Values:
    """Values in the column's type; ValueError on what does not fit it."""
    casts = {"float": _floats, "int": _whole, "bool": _flags, "text": _texts}
    return casts[column.dtype](column, series).rename(column.name)


def _floats(column: Column, series: Values) -> Values:
    if series.dtype != np.float64:
        if any(isinstance(v, str) for v in series.unique()):
            raise ValueError("text where numbers belong")
        series = pd.to_numeric(series).astype(np.float64)
    numbers = series.to_numpy()
    if np.isinf(numbers).any():
        raise ValueError("infinite values; leave what has no value empty (NaN)")
    if column.unit == "0-1":
        if ((numbers < -_ROUNDING) | (numbers > 1 + _ROUNDING)).any():
            least, most = np.nanmin(numbers), np.nanmax(numbers)
            raise ValueError(f"{least:g} to {most:g} where shares (0-1) belong")
        numbers = np.clip(numbers, 0.0, 1.0)
    return pd.Series(numbers, index=series.index)


def _whole(_: Column, series: Values) -> Values:
    if series.dtype == np.int64:
        return series.copy()
    numbers = pd.to_numeric(series)
    if numbers.isna().any():
        return numbers.astype("Int64")
    whole = numbers.astype(np.int64)
    if not (whole == numbers).all():
        raise ValueError("fractions where whole numbers belong")
    return whole


def _flags(_: Column, series: Values) -> Values:
    if series.dtype == np.bool_:
        return series.copy()
    if series.isna().any() or not series.isin([True, False]).all():
        raise ValueError("only true and false fit")
    return series.astype(bool)


def _texts(column: Column, series: Values) -> Values:
    empty = series.isna().to_numpy()
    values = [None if e else v for v, e in zip(series.astype(object), empty, strict=True)]
    wrong = {type(v).__name__ for v in values if v is not None and not isinstance(v, str)}
    if wrong:
        raise ValueError(f"{', '.join(sorted(wrong))} where text belongs")
    if column.values:
        strange = sorted({v for v in values if v is not None} - set(column.values))
        if strange:
            raise ValueError(
                f"{', '.join(map(repr, strange[:5]))} not among {', '.join(column.values)}"
            )
    cleaned = [None if v is None else _plain(v) for v in values]
    return pd.Series(cleaned, index=series.index, dtype=object)


@lru_cache(maxsize=4096)
def _plain(text: str) -> str:
    """Text on one line, fit for any writer: titles and sources come from users and their files."""
    if text.isprintable():  # neither controls, line breaks nor surrogates
        return " ".join(text.split())
    whole = text.encode("utf-8", "replace").decode("utf-8")  # lone surrogates become ?
    spaced = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in whole)
    return " ".join(spaced.split())


def _of_type(wanted: Geometry, shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Shapes of the one type a layer holds: single polygons become multi, spare heights go."""
    bad = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if bad.any():
        raise ValueError(f"{int(bad.sum())} missing or empty")
    flat, _, with_z = wanted.partition(" ")
    kinds = shapely.get_type_id(shapes)
    if flat == "MultiPolygon":
        single = kinds == shapely.GeometryType.POLYGON
        shapes = shapes.copy()
        shapes[single] = [shapely.MultiPolygon([shape]) for shape in shapes[single]]
        kinds = shapely.get_type_id(shapes)
    other = kinds != int(shapely.GeometryType[flat.upper()])
    if other.any():
        found = sorted({shapely.GeometryType(int(kind)).name for kind in kinds[other]})
        raise ValueError(f"{', '.join(found)} where every row is a {wanted}")
    shapes = _mended(shapes)
    if not with_z:
        return np.asarray(shapely.force_2d(shapes)) if shapely.has_z(shapes).any() else shapes
    if not shapely.has_z(shapes).all():
        raise ValueError(f"{int((~shapely.has_z(shapes)).sum())} without heights")
    return shapes


def _mended(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Shapes without the flaws that simplifying leaves, such as parts that touch along an edge.

    A flaw that mending would change the area by is no such trifle and is refused.
    """
    shapes = shapes.copy()
    for index in np.flatnonzero(~shapely.is_valid(shapes)):
        flawed = shapes[index]
        reason = shapely.is_valid_reason(flawed)
        if flawed.geom_type != "MultiPolygon":
            raise ValueError(f"a {flawed.geom_type} is invalid: {reason}")
        mended = shapely.MultiPolygon(list(shapely.get_parts(flawed.buffer(0))))
        if not mended.is_valid or abs(mended.area - flawed.area) > _TRIFLE * flawed.area:
            raise ValueError(f"a {flawed.geom_type} is invalid: {reason}")
        shapes[index] = mended
    return shapes
