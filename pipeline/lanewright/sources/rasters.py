"""Elevation tiles: GeoTIFF terrain models onto the run's grid."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.warp import reproject, transform_bounds
from rasterio.windows import Window, from_bounds

from lanewright.base.arrays import Raster
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.sources.crs import METRES_PER, Bounds, Reference, same_crs
from lanewright.sources.files import Fingerprint, changed, token, verified_copy
from lanewright.sources.las import HIGHEST, LOWEST
from lanewright.sources.opening import raster, reason

_UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "ft": 0.3048,
    "foot": 0.3048,
    "feet": 0.3048,
    "international foot": 0.3048,
    "us survey foot": METRES_PER["us-ft"],
    "us-ft": METRES_PER["us-ft"],
    "us_survey_foot": METRES_PER["us-ft"],
    "foot_us": METRES_PER["us-ft"],
    "us survey feet": METRES_PER["us-ft"],
    "ftus": METRES_PER["us-ft"],
    "cm": 0.01,
    "centimetre": 0.01,
    "centimeter": 0.01,
    "dm": 0.1,
    "decimetre": 0.1,
    "decimeter": 0.1,
}

_BLOCK = 1024
"""Cells on a side that are resampled at a time."""

_AROUND = 4
"""Source cells read around what a block covers: bilinear weights reach one."""

_APART = 5.0
"""Metres between zero and every other height from which zeros are taken for unknown."""

_MANY_ODD = 20
"""Different values that no land has from which they are no marks of the unknown, but damage."""

_PHOTO = (ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.palette)


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
    content
        What the file has to hold when it is read; None where nobody asks.
    """

    path: Path
    crs: str
    bounds: Bounds
    cell: float
    vertical: float
    shape: tuple[int, int]
    assumed: tuple[str, ...] = ()
    content: Fingerprint | None = None

    @property
    def reference(self) -> Reference:
        """CRS as the choice of the working CRS wants it."""
        return Reference(self.crs, 1.0, self.vertical, CRS.from_wkt(self.crs).name)

    @property
    def content_key(self) -> object:
        """What decides its heights: never its name."""
        return [self.token, self.crs, self.vertical]

    @property
    def token(self) -> str:
        """What stands for it in stored texts; see `files.with_names`."""
        return token(self.content) if self.content is not None else str(self.path)


@dataclass(frozen=True)
class Reading:
    """Heights of one terrain model on a part of the grid.

    Attributes
    ----------
    row, col
        Place of `heights[0, 0]` in the grid.
    heights : (rows, cols)
        [m]; NaN where the model has none.
    warnings
        Values that were taken for unknown, as sentences.
    """

    tile: ElevationTile
    row: int
    col: int
    heights: Raster
    warnings: tuple[str, ...]


# ---------------------------------------------------------------------------------------------
# Headers


def open_elevation(path: Path, crs: str | None, unit: str | None) -> ElevationTile:
    """Header of a terrain model; settings override what the file says.

    Raises
    ------
    InputError
        If the file is no GeoTIFF of heights in one band, has no place on earth, or its heights may
        be in feet or metres.
    """
    with raster(path) as source:
        _check_band(path, source)
        _check_place(path, source)
        stated = source.crs.to_wkt() if source.crs else None
        bounds = (source.bounds.left, source.bounds.bottom, source.bounds.right, source.bounds.top)
        cell, shape = float(source.transform.a), source.shape
        band_unit = (source.units[0] or "").strip().lower()
    try:
        full = CRS.from_user_input(crs or stated) if (crs or stated) else None
    except CRSError:
        full = None
    if full is None or not (full.is_projected or full.is_geographic or full.is_compound):
        raise InputError(path, "does not say which CRS it is in", "Set crs.elevation, as EPSG:n.")
    flat, upward = full, None
    if full.is_compound:
        flat, upward = full.sub_crs_list[:2]
    if flat.is_geographic and not (
        -360 - cell <= bounds[0]
        and bounds[2] <= 540 + cell
        and -90 - cell <= bounds[1]
        and bounds[3] <= 90 + cell
    ):
        raise InputError(
            path,
            f"its corners, x {bounds[0]:.6g} to {bounds[2]:.6g} and y {bounds[1]:.6g} to "
            f"{bounds[3]:.6g}, are not degrees of {flat.name}",
            "Set crs.elevation to its true CRS, as EPSG:n.",
        )
    vertical, assumed = _vertical(path, flat, upward, band_unit, unit)
    return ElevationTile(path, flat.to_wkt(), bounds, cell, vertical, shape, assumed)


def _check_band(path: Path, source: DatasetReader) -> None:
    """Refuse pictures, stacks and what is not plain numbers."""
    colours, kind = source.colorinterp, source.dtypes[0]
    heights = [k for k, c in enumerate(colours) if c != ColorInterp.alpha]
    if any(c in _PHOTO for c in colours) or kind in ("uint8", "int8"):
        raise InputError(
            path,
            f"is a picture ({len(colours)} bands of {kind}), no terrain model",
            "Give heights in one band of 16 or more bits.",
        )
    if len(heights) != 1:
        raise InputError(
            path,
            f"holds {len(heights)} bands, and which of them is height it does not say",
            "Give one band, as gdal_translate -b does.",
        )
    if kind.startswith("complex"):
        raise InputError(path, f"holds {kind} values", "Give a terrain model of plain heights.")


def _check_place(path: Path, source: DatasetReader) -> None:
    move = source.transform
    if not np.isfinite(move[:6]).all() or move.is_identity or move.is_degenerate:
        raise InputError(
            path, "does not say where it lies", "Give a GeoTIFF with its place written in it."
        )
    if max(abs(v) for v in (*source.bounds, move.a, move.e)) > 1e9:
        raise InputError(
            path,
            f"lies beyond the earth, with cells of {move.a:.6g} x {-move.e:.6g}",
            "Write its place again, or warp it to the CRS of the tiles.",
        )
    if not (move.e < 0 < move.a) or move.b or move.d:
        raise InputError(path, "is rotated or upside down", "Warp it north-up, as gdalwarp does.")


def _vertical(
    path: Path, flat: CRS, upward: CRS | None, band_unit: str, unit: str | None
) -> tuple[float, tuple[str, ...]]:
    """Metres in one unit of height, and what had to be assumed."""
    if unit is not None:
        return METRES_PER[unit], ()
    if upward is not None:
        return float(upward.axis_info[0].unit_conversion_factor), ()
    if band_unit in _UNITS:
        return _UNITS[band_unit], ()
    if band_unit:
        raise InputError(
            path,
            f"its heights are in {band_unit[:40]!r}, which is no known unit",
            "Set crs.elevation_unit to m, ft or us-ft.",
        )
    if not flat.is_projected or abs(flat.axis_info[0].unit_conversion_factor - 1) < 1e-9:
        return 1.0, ("heights in metres; the file does not say",)
    raise InputError(
        path,
        f"x and y are in {flat.axis_info[0].unit_name} and nothing says what unit heights are in",
        "Set crs.elevation_unit to m, ft or us-ft.",
    )


def bounds_in_working(tile: ElevationTile, working: str) -> Bounds:
    """Box of the tile in the working CRS.

    Raises
    ------
    InputError
        If it reaches where that CRS has no place, as the pole.
    """
    if same_crs(tile.crs, working):
        return tile.bounds
    try:
        left, bottom, right, top = transform_bounds(tile.crs, working, *tile.bounds, densify_pts=21)
    except (RasterioError, ValueError) as err:
        raise _nowhere(tile.path, reason(err)) from None
    if not np.isfinite([left, bottom, right, top]).all():
        raise _nowhere(tile.path, "its corners lie nowhere")
    return float(left), float(bottom), float(right), float(top)


def _nowhere(path: Path, why: str) -> InputError:
    return InputError(
        path,
        f"cannot be placed in the CRS of the run ({why})",
        "Check its CRS, or set crs.working to one made for this place.",
    )


# ---------------------------------------------------------------------------------------------
# Heights


def read_elevation(tiles: list[ElevationTile], grid: Grid) -> list[Reading]:
    """Heights of each tile at the cell centres of the grid, bilinear, the finest tile first.

    Values that no land has are taken out before resampling, so that none bleeds into its
    neighbours; the file's own scale, offset and unit are applied.

    Raises
    ------
    InputError
        If a tile cannot be read, is not what it was when the run was planned, or most of what it
        holds is no height.
    """
    ordered = sorted(tiles, key=lambda t: (t.cell, str(t.content_key)))
    readings = (_read(tile, grid) for tile in ordered)
    return [reading for reading in readings if reading is not None]


def joined(readings: list[Reading], grid: Grid) -> Raster:
    """One surface [m] (rows, cols): where tiles overlap the first wins; NaN where none has any."""
    surface = np.full(grid.shape, np.nan, np.float32)
    for reading in readings:
        rows, cols = reading.heights.shape
        here = surface[reading.row : reading.row + rows, reading.col : reading.col + cols]
        np.copyto(here, reading.heights, where=np.isnan(here))
    return surface


def _read(tile: ElevationTile, grid: Grid) -> Reading | None:
    """One tile on the part of the grid that it touches; None if it touches none."""
    left, bottom, right, top = bounds_in_working(tile, grid.crs)
    row0 = max(0, math.floor((grid.top - top) / grid.cell))
    row1 = min(grid.rows, math.ceil((grid.top - bottom) / grid.cell))
    col0 = max(0, math.floor((left - grid.left) / grid.cell))
    col1 = min(grid.cols, math.ceil((right - grid.left) / grid.cell))
    if row0 >= row1 or col0 >= col1:
        return None
    heights = np.full((row1 - row0, col1 - col0), np.nan, np.float32)
    try:
        with _opened(tile) as source:
            cleaner = _Cleaner(
                tile,
                source,
                _window(tile, grid.window(row0, col0, row1 - row0, col1 - col0), source),
            )
            for row in range(row0, row1, _BLOCK):
                for col in range(col0, col1, _BLOCK):
                    part = grid.window(row, col, min(_BLOCK, row1 - row), min(_BLOCK, col1 - col))
                    out = _resampled(cleaner, part)
                    heights[row - row0 :, col - col0 :][: part.rows, : part.cols] = out
    except RasterioError as err:
        raise InputError(
            tile.path, f"its cells cannot be read ({reason(err)})", "Download the tile again."
        ) from None
    return Reading(tile, row0, col0, heights, cleaner.warnings())


@contextlib.contextmanager
def _opened(tile: ElevationTile) -> Iterator[DatasetReader]:
    """The tile open for reading, if it is what the run was planned with."""
    with contextlib.ExitStack() as stack:
        path = tile.path
        if tile.content is not None:
            path = stack.enter_context(verified_copy(tile.path, tile.content))
        try:
            source = stack.enter_context(raster(path))
        except InputError as err:
            raise InputError(tile.path, err.problem, err.remedy) from None
        if (source.shape, tuple(source.bounds)) != (tile.shape, tile.bounds):
            raise changed(tile.path)
        yield source


def _window(tile: ElevationTile, part: Grid, source: DatasetReader) -> Window | None:
    """Cells of a tile that a part of the grid needs; None if there are none."""
    bounds = part.bounds
    if not same_crs(tile.crs, part.crs):
        bounds = transform_bounds(part.crs, tile.crs, *bounds, densify_pts=21)
        if not np.isfinite(bounds).all():
            return None
    exact = from_bounds(*bounds, transform=source.transform)
    row0, col0 = math.floor(exact.row_off) - _AROUND, math.floor(exact.col_off) - _AROUND
    row1 = math.ceil(exact.row_off + exact.height) + _AROUND
    col1 = math.ceil(exact.col_off + exact.width) + _AROUND
    row0, col0 = max(row0, 0), max(col0, 0)
    row1, col1 = min(row1, source.height), min(col1, source.width)
    if row0 >= row1 or col0 >= col1:
        return None
    return Window(col0, row0, col1 - col0, row1 - row0)


def _resampled(cleaner: _Cleaner, part: Grid) -> Raster:
    """Heights [m] at the cell centres of a part of the grid."""
    out = np.full(part.shape, np.nan, np.float32)
    window = _window(cleaner.tile, part, cleaner.source)
    if window is None:
        return out
    reproject(
        cleaner.heights(window),
        out,
        src_transform=cleaner.source.window_transform(window),
        src_crs=cleaner.tile.crs,
        src_nodata=math.nan,
        dst_transform=part.transform,
        dst_crs=part.crs,
        dst_nodata=math.nan,
        resampling=Resampling.bilinear,
    )
    return out


class _Cleaner:
    """Heights of an open terrain model in metres, without what only stands for unknown.

    Zeros are judged over everything that the grid needs of the file, not block by block.
    """

    def __init__(self, tile: ElevationTile, source: DatasetReader, whole: Window | None) -> None:
        self.tile, self.source = tile, source
        self._band = next(
            k for k, c in enumerate(source.colorinterp, start=1) if c != ColorInterp.alpha
        )
        self._scale = source.scales[self._band - 1]
        self._offset = source.offsets[self._band - 1]
        # A scale below 0 turns heights into depths: hills would be hollows.
        if not np.isfinite([self._scale, self._offset]).all() or self._scale <= 0:
            raise InputError(
                tile.path,
                f"scales its heights by {self._scale} and adds {self._offset}",
                "Write it again without a scale, heights upwards.",
            )
        self._odd: dict[str, int] = {}
        self._zeros, self._known = 0, 0
        nearest = math.inf
        for block in _pieces(whole):
            raw = self._metres(block, count=True)
            known = raw[np.isfinite(raw)]
            self._known += known.size
            self._zeros += int(np.count_nonzero(known == 0))
            rest = np.abs(known[known != 0])
            nearest = min(nearest, float(rest.min(initial=math.inf)))
        self._no_zeros = self._zeros > 0 and nearest >= _APART
        if len(self._odd) > _MANY_ODD:
            raise InputError(
                tile.path,
                f"holds more than {_MANY_ODD} different values that no land has: its cells are "
                "damaged, or were resampled over unknown ones that it did not declare",
                "Download the tile again, or make it anew with its nodata value set.",
            )
        odd = sum(self._odd.values())
        if odd and not self._known:
            raise InputError(
                tile.path,
                f"holds no height between {LOWEST:.0f} and {HIGHEST:.0f} m here, but "
                + ", ".join(sorted(self._odd)[:3]),
                "Check crs.elevation_unit, and that the file holds heights.",
            )

    def heights(self, window: Window) -> Raster:
        """Heights [m] of a window; NaN unknown."""
        out = self._metres(window)
        if self._no_zeros:
            out[out == 0] = np.nan
        return out

    def warnings(self) -> tuple[str, ...]:
        """What was taken for unknown though the file does not say so."""
        said = [
            f"{self.tile.token}: {count} cells hold {value}, which no land has and the file does "
            "not declare; taken as unknown"
            for value, count in sorted(self._odd.items())
        ]
        if self._no_zeros:
            said.append(
                f"{self.tile.token}: {self._zeros} cells hold 0 and no other height lies within "
                f"{_APART:.0f} m of it; taken as unknown"
            )
        return tuple(said[:5])

    def _metres(self, window: Window, count: bool = False) -> Raster:
        read = self.source.read(self._band, window=window, masked=True)
        hidden = np.ma.getmaskarray(read)
        with np.errstate(over="ignore", invalid="ignore"):  # NaN of some kinds warns when widened
            raw = read.filled(0).astype(np.float64)
            metres = (raw * self._scale + self._offset) * self.tile.vertical
        # Asked so that NaN fails too.
        odd = ~((metres >= LOWEST) & (metres <= HIGHEST))
        if count:
            strange = raw[odd & ~hidden & ~np.isnan(raw)]
            for value, number in zip(*np.unique(strange, return_counts=True), strict=True):
                name = f"{value:.6g}" if len(self._odd) < 100 else "other values"
                self._odd[name] = self._odd.get(name, 0) + int(number)
        metres[odd | hidden] = np.nan
        heights: NDArray[np.float32] = metres.astype(np.float32)
        return heights


def _pieces(window: Window | None) -> Iterator[Window]:
    if window is None:
        return
    for row in range(0, int(window.height), 2 * _BLOCK):
        for col in range(0, int(window.width), 2 * _BLOCK):
            yield Window(
                window.col_off + col,
                window.row_off + row,
                min(2 * _BLOCK, window.width - col),
                min(2 * _BLOCK, window.height - row),
            )
