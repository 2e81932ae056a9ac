"""Sources of tiles as data: `configs/sources.yaml`, or a file of the user's own."""

from __future__ import annotations

from functools import partial
from importlib.resources import as_file, files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from lanewright.base.errors import Faults, InputError
from lanewright.fetch.address import Trust
from lanewright.settings.base import CrsText, Name, Settings, Title
from lanewright.settings.document import read_document
from lanewright.settings.faults import faults_in

MOST = 100
"""Sources of one file."""

_REMEDY = "Keys are explained in configs/sources.yaml."

Kind = Literal["points", "elevation"]
Url = Annotated[str, Field(min_length=3, max_length=2000)]


class Common(Settings):
    """What every source has."""

    kind: Kind = Field("points", description="points is lidar, elevation terrain models")
    licence: Title = Field("not stated", description="licence, where its catalogue states none")
    vertical: Title = Field(
        "not stated", description="unit and datum of heights, where its catalogue states none"
    )
    http: bool = Field(False, description="plain http is allowed, which can be changed on the way")
    local: bool = Field(False, description="a server of your own: private addresses are allowed")

    @property
    def trust(self) -> Trust:
        """What its addresses may be."""
        return Trust(plain=self.http, local=self.local)


class StacSource(Common):
    """A STAC API, a static STAC catalogue, or a file of items."""

    type: Literal["stac"]
    url: Url = Field(description="landing page of the API, catalog.json, or a file of items")
    collections: tuple[Name, ...] = Field((), description="collections asked for; all if empty")
    sign: Url | None = Field(
        None, description="address that signs others: {href} stands for the one to sign"
    )


class NationalSource(Common):
    """The access API of the US national elevation programme."""

    type: Literal["national"]
    url: Url = Field(description="address of its products")
    dataset: Title = Field(description="data set, by the programme's own name")
    format: Name = Field("LAZ", description="product format, by the programme's own name")


class IndexSource(Common):
    """Tiles listed in an index of polygons, each with an address made from its columns."""

    type: Literal["index"]
    index: Url = Field(
        description="GeoPackage, GeoJSON or Shapefile of the tiles: a path, or an address in which "
        "{west}, {south}, {east} and {north} stand for the degrees asked for"
    )
    address: Url = Field(description="address of a tile; {column} stands for a column of the index")
    project: Name | None = Field(
        None, description="column that names the survey, where tiles are of several"
    )
    date: Name | None = Field(None, description="column of the date of the flight")
    density: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="pulses per square metre that its provider promises"
    )
    crs: CrsText | None = Field(None, description="CRS of the index, where the file has none")


Source = StacSource | NationalSource | IndexSource

_TYPES: dict[object, type[StacSource] | type[NationalSource] | type[IndexSource]] = {
    "stac": StacSource,
    "national": NationalSource,
    "index": IndexSource,
}


def load_sources(path: Path | None) -> dict[str, Source]:
    """Sources by name; ours if no file is given.

    Raises
    ------
    InputError
        If the file cannot be read or holds wrong keys or values.
    """
    if path is None:
        with as_file(files("lanewright").joinpath("tables/sources.yaml")) as ours:
            return load_sources(ours)
    given = read_document(path)
    listed = given.get("sources")
    if set(given) != {"sources"} or not isinstance(listed, dict) or not 0 < len(listed) <= MOST:
        raise InputError(
            path, f"must hold one key, sources, with 1 to {MOST} of them by name", _REMEDY
        )
    faults, found = Faults(), dict[str, Source]()
    for name, values in listed.items():
        source = faults.attempt(partial(_source, path, str(name)[:60], values))
        if source is not None:
            found[str(name)[:60]] = source
    faults.stop()
    return found


def _source(path: Path, name: str, values: object) -> Source:
    kind = _TYPES.get(values.get("type")) if isinstance(values, dict) else None
    if kind is None:
        raise InputError(
            path, f"source {name} is of no type; give stac, national or index", _REMEDY
        )
    try:
        return _anchored(kind.model_validate(values), path.resolve().parent)
    except ValidationError as err:
        raise InputError(f"{path}, source {name}", faults_in(err, kind), _REMEDY) from None


def _anchored(source: Source, folder: Path) -> Source:
    """An index that is a path starts at the folder of its file."""
    if not isinstance(source, IndexSource) or "://" in source.index:
        return source
    return source.model_copy(update={"index": str(folder / Path(source.index).expanduser())})
