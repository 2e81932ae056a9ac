"""The one way to open a raster or a vector file: formats by content, and never the network.

GDAL picks a driver by what a file holds, whatever its name says: a text of a few lines called
`dem.tif` can make it fetch from a server, read other files, or run a pipeline. So the content is
looked at here first, only formats on two short lists are handed on, and GDAL and PROJ are set up
to stay on this machine.
"""

from __future__ import annotations

import json
import os
import sqlite3
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from xml.parsers import expat

import geopandas as gpd
import pyogrio
import rasterio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader

from lanewright.base.errors import InputError
from lanewright.sources.database import MAGIC, query_among_layers, untouched
from lanewright.sources.offline import OFFLINE

ALONE = {"GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR", "GDAL_PAM_ENABLED": "NO"}
"""A raster is read without the files beside it, which could be of any format."""

_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")  # TIFF 6.0, and BigTIFF
_GPKG_IDS = (b"GPKG", b"GP10", b"GP11")  # OGC 12-128r18, requirement 2, and its forerunners
_SHAPE = b"\0\0\x27\x0a"  # ESRI Shapefile Technical Description, 1998: file code 9994

_JSON_KINDS = frozenset(
    {
        "FeatureCollection",
        "Feature",
        "Point",
        "MultiPoint",
        "LineString",
        "MultiLineString",
        "Polygon",
        "MultiPolygon",
        "GeometryCollection",
    }
)
"""Types of RFC 7946."""

MOST_JSON = 512 * 2**20
"""A GeoJSON file of more bytes is not read."""

MOST_COLUMNS = 2000
"""Columns of a GeoJSON file, as many as a table of SQLite has; a million take minutes to read."""

_VECTORS = "Use GeoPackage, GeoJSON, Shapefile or KML."


def _stay_offline() -> None:
    os.environ["PROJ_NETWORK"] = "OFF"
    set_network_enabled(active=False)
    pyogrio.set_gdal_config_options(OFFLINE)


_stay_offline()


def library_versions() -> str:
    """Versions of the native libraries that read maps, as they were loaded."""
    import pyproj

    geos = ".".join(map(str, shapely.geos_version))
    return f"GDAL {rasterio.__gdal_version__}, PROJ {pyproj.proj_version_str}, GEOS {geos}"


# ---------------------------------------------------------------------------------------------
# Rasters


@contextmanager
def raster(path: Path) -> Iterator[DatasetReader]:
    """Open a GeoTIFF for reading.

    Raises
    ------
    InputError
        If it is no GeoTIFF by its content, or GDAL cannot open or read it.
    """
    head = _head(path, 4)
    if head not in _TIFF:
        raise InputError(
            path,
            f"cannot be read as a raster (it is {_looks_like(path)}, not a GeoTIFF)",
            "Give elevation as GeoTIFF.",
        )
    with rasterio.Env(**OFFLINE, **ALONE):
        try:
            with rasterio.open(path, driver="GTiff") as source:
                yield source
        except (RasterioError, OSError) as err:
            raise InputError(
                path, f"cannot be read as a raster ({reason(err)})", "Give elevation as GeoTIFF."
            ) from None


# ---------------------------------------------------------------------------------------------
# Vectors


def vector_format(path: Path, file: Path | None = None) -> str:
    """Format of a vector file by its content: GPKG, ESRI Shapefile, GeoJSON or KML.

    Parameters
    ----------
    path
        Names the file in a message.
    file
        The file, or the copy of it, that is looked at; by default that one.

    Raises
    ------
    InputError
        If it is missing, none of these, or asks for something from elsewhere.
    """
    head = _head(path, 100)
    if head.startswith(MAGIC):
        if head[68:72] not in _GPKG_IDS:
            raise InputError(path, "is an SQLite database but no GeoPackage", _VECTORS)
        _check_tables(path, file or path)
        return "GPKG"
    if head.startswith(_SHAPE):
        return "ESRI Shapefile"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith(b"{"):
        _check_json(path)
        return "GeoJSON"
    if start.startswith(b"<"):
        _check_kml(path)
        return "KML"
    raise InputError(path, f"cannot be read as a vector file (it is {_looks_like(path)})", _VECTORS)


def layer_names(path: Path, plain: bool = False) -> list[str]:
    """Layers of a vector file that have a geometry, or with `plain` those that have none.

    Raises
    ------
    InputError
        As `vector_format`, or if GDAL cannot open it.
    """
    with _reading(path) as file:
        layers = pyogrio.list_layers(file)
        return [str(name) for name, kind in layers if (kind is None) == plain]


def read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    """Features of one layer with the CRS that the file states.

    Raises
    ------
    InputError
        As `vector_format`, or if GDAL cannot read it.
    """
    with _reading(path) as file:
        frame = pyogrio.read_dataframe(file, layer=name)
    return frame if isinstance(frame, gpd.GeoDataFrame) else gpd.GeoDataFrame(frame)


@contextmanager
def _reading(path: Path) -> Iterator[Path]:
    """What to hand to the library: the file, or a copy, looked at by us first."""
    _head(path, 1)
    try:
        with untouched(path) as file, warnings.catch_warnings():
            vector_format(path, file)
            _plain(path)
            # What is odd about a file is looked at by us; it must not reach the terminal unread.
            warnings.simplefilter("ignore")
            yield file.absolute()
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
        pyogrio.errors.GeometryError,
        pyogrio.errors.CRSError,
        shapely.errors.ShapelyError,
        ValueError,
        OverflowError,
    ) as err:
        raise InputError(
            path, f"cannot be read as a vector file ({reason(err)})", _VECTORS
        ) from None


def _plain(path: Path) -> None:
    """Refuse a path of which the library takes a part for an address or an archive."""
    text = str(path.absolute())
    if text.startswith("/vsi") or "!" in text or text.endswith((".zip", ".kmz")):
        raise InputError(
            path,
            "has a name that the reading library takes for an archive",
            "Rename it: no '!' and no ending .zip; unpack archives first.",
        )


def _check_tables(path: Path, file: Path) -> None:
    """Refuse a GeoPackage whose layers are queries."""
    try:
        query = query_among_layers(file, copy=file != path)
    except (sqlite3.Error, ValueError) as err:
        raise InputError(
            path, f"cannot be read as a vector file ({reason(err)})", _VECTORS
        ) from None
    if query is not None:
        raise InputError(
            path,
            f"its layer {query[:60]} is a query, not a table",
            "Export the layer to a file of its own.",
        )


def _check_json(path: Path) -> None:
    """Refuse JSON that is not GeoJSON, or whose CRS is a link to be fetched."""
    if path.stat().st_size > MOST_JSON:
        raise InputError(path, "is larger than a boundary or a few lines can be", _VECTORS)
    raw = path.read_bytes()
    if b"gdal_streamed_alg" in raw:
        raise InputError(path, "is a pipeline of GDAL, not GeoJSON", _VECTORS)

    columns: set[str] = set()

    def look(pairs: list[tuple[str, object]]) -> dict[str, object]:
        _count_columns(path, pairs, columns)
        # Pairs, not the dictionary: readers differ in which of two equal keys they take.
        kinds = [v.lower() for k, v in pairs if k == "type" and isinstance(v, str)]
        if {"link", "url"} & set(kinds) and any(k == "properties" for k, _ in pairs):
            raise InputError(
                path,
                "its CRS is a link to be fetched; nothing is fetched",
                "Write it again with longitude and latitude (RFC 7946), or as GeoPackage.",
            )
        return dict(pairs)

    try:
        document = json.loads(raw, object_pairs_hook=look)
    except RecursionError:
        raise InputError(path, "is nested too deep to be GeoJSON", _VECTORS) from None
    except ValueError as err:
        raise InputError(
            path, f"cannot be read as a vector file ({reason(err)})", _VECTORS
        ) from None
    if not isinstance(document, dict) or document.get("type") not in _JSON_KINDS:
        raise InputError(path, "is JSON but not GeoJSON", _VECTORS)
    _check_json_crs(path, document.get("crs"))


def _count_columns(path: Path, pairs: list[tuple[str, object]], columns: set[str]) -> None:
    """Add the columns of a feature to those met before; refuse too many."""
    for key, value in pairs:
        if key == "properties" and isinstance(value, dict):
            columns.update(value)
    if len(columns) > MOST_COLUMNS:
        raise InputError(
            path,
            f"its features have more than {MOST_COLUMNS:,} different columns",
            "Leave out those that do not name or describe what is drawn.",
        )


def _check_json_crs(path: Path, stated: object) -> None:
    """Refuse a CRS by a name nobody knows, for GDAL would take longitude and latitude for it."""
    named = stated.get("properties") if isinstance(stated, dict) else None
    name = named.get("name") if isinstance(named, dict) else None
    if isinstance(name, str):
        try:
            CRS.from_user_input(name)
        except CRSError:
            raise InputError(
                path,
                f"says its CRS is {name[:60]!r}, which is not known",
                "Write it again with longitude and latitude (RFC 7946), or as GeoPackage.",
            ) from None


def _check_kml(path: Path) -> None:
    """Refuse XML that is not one well-formed KML document, or that declares entities."""
    roots: list[str] = []
    depth = 0

    def start(name: str, _attributes: object) -> None:
        nonlocal depth
        if depth == 0:
            roots.append(name)
        depth += 1
        if depth > 200:
            raise InputError(path, "is nested too deep to be KML", _VECTORS)

    def end(_name: str) -> None:
        nonlocal depth
        depth -= 1

    def doctype(*_declared: object) -> None:
        raise InputError(path, "declares a document type, which KML never needs", _VECTORS)

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = doctype
    try:
        with path.open("rb") as file:
            parser.ParseFile(file)
    except (expat.ExpatError, LookupError, ValueError) as err:  # or an encoding nobody knows
        raise InputError(
            path, f"cannot be read as a vector file ({reason(err)})", _VECTORS
        ) from None
    if [root.rpartition(":")[2] for root in roots] != ["kml"]:
        raise InputError(path, f"is XML of the kind {roots[0][:40]}, not KML", _VECTORS)


# ---------------------------------------------------------------------------------------------
# Both


def _head(path: Path, count: int) -> bytes:
    """First bytes of an ordinary file."""
    try:
        if path.exists() and not path.is_file():
            raise InputError(path, "is not a file", "Name the file itself.")
        with path.open("rb") as file:
            return file.read(count)
    except FileNotFoundError:
        raise InputError(path, "does not exist", "Check the path in the configuration.") from None
    except (OSError, ValueError) as err:
        raise InputError(path, f"cannot be read ({reason(err)})", "Check the path.") from None


_KNOWN = (
    (MAGIC, "an SQLite database"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x1f\x8b", "gzip data"),
    (b"LASF", "a lidar file"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"\x89HDF", "HDF5 or netCDF"),
    (b"CDF", "netCDF"),
    (b"EHFA", "ERDAS Imagine"),
    (b"%PDF", "a PDF"),
    (b"<", "XML, which may ask for other files or servers"),
    (b"{", "JSON"),
    (b"ncols", "an ASCII grid"),
    (b"fgb", "FlatGeobuf"),
    (_SHAPE, "a Shapefile"),
    (b"II*\0", "a TIFF"),
    (b"MM\0*", "a TIFF"),
)


def _looks_like(path: Path) -> str:
    head = _head(path, 64)
    if not head:
        return "empty"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return next((name for magic, name in _KNOWN if start.startswith(magic)), "of no known kind")


def reason(err: BaseException) -> str:
    """First line of what a library says, in at most 160 characters."""
    return (str(err).splitlines() or [type(err).__name__])[0][:160]
