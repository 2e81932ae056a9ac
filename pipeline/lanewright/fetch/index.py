"""Tiles listed in an index of polygons."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd

from lanewright.base.errors import InputError
from lanewright.fetch.address import joined_url
from lanewright.fetch.client import Client
from lanewright.fetch.pages import MOST_BYTES
from lanewright.fetch.products import Place, Product, day, form_of, plain
from lanewright.fetch.sources import IndexSource
from lanewright.fetch.store import Pages
from lanewright.sources.vectors import in_working, read_vectors


def index_products(
    client: Client, pages: Pages, name: str, source: IndexSource, place: Place, margin: float
) -> tuple[list[Product], list[str]]:
    """Products whose polygons touch the property.

    Raises
    ------
    InputError
        If the index cannot be read, or has not the columns that the address names.
    """
    if "://" not in source.index:
        path = Path(source.index)
        frames = [read_vectors(path, source.crs)]
    else:
        frames = [
            frame
            for box in place.boxes(margin)
            if (frame := _asked(client, pages, source, box)) is not None
        ]
    found: dict[str, Product] = {}
    for frame in frames:
        _check_columns(source, frame)
        frame = in_working(Path(source.index[:100]), frame, "EPSG:4326")
        for row, footprint in zip(frame.to_dict("records"), frame.geometry, strict=True):
            near = place.near(footprint)
            if near.area > 0 and near.is_valid and near.intersects(place.land):
                product = _product(name, source, row, near)
                if product is not None:
                    found.setdefault(product.url, product)
    return list(found.values()), []


def _asked(
    client: Client, pages: Pages, source: IndexSource, box: tuple[float, float, float, float]
) -> gpd.GeoDataFrame | None:
    """The index for a box, fetched into a file and read as any vector file is."""
    url = source.index
    for key, value in zip(("west", "south", "east", "north"), box, strict=True):
        url = url.replace(f"{{{key}}}", f"{value:.7f}")
    kept = pages.get(url)
    body = client.fetch(url, MOST_BYTES) if kept is None else kept
    frame = None
    if not re.search(rb'"features"\s*:\s*\[\s*\]', body):
        frame = _read(url, body, source.crs)
    if kept is None:  # kept only now, for what cannot be read may be an error that passes
        pages.put(url, body)
    return frame


def _read(url: str, body: bytes, crs: str | None) -> gpd.GeoDataFrame:
    with tempfile.TemporaryDirectory(prefix="lanewright-") as folder:
        path = Path(folder) / "index"
        path.write_bytes(body)
        try:
            return read_vectors(path, crs)
        except InputError as err:
            raise InputError(url[:200], err.problem, "Look at the index of the source.") from None


def _check_columns(source: IndexSource, frame: gpd.GeoDataFrame) -> None:
    wanted = {*re.findall(r"{([^{}]+)}", source.address), source.project, source.date} - {None}
    missing = sorted(wanted - set(map(str, frame.columns)))
    if missing:
        raise InputError(
            source.index[:200],
            f"has no column {', '.join(missing)}; it has {', '.join(map(str, frame.columns))}",
            "Correct address, project or date of the source.",
        )


def _product(name: str, source: IndexSource, row: dict[str, Any], near: Any) -> Product | None:
    url = source.address
    for key in re.findall(r"{([^{}]+)}", source.address):
        value = row[key]
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        url = url.replace(f"{{{key}}}", str(value))
    try:
        url = joined_url("", url)
    except InputError:
        return None
    form = form_of(url, kind=source.kind)
    if form is None:
        return None
    flown = day(str(row[source.date])) if source.date else None
    return Product(
        source=name,
        kind=source.kind,
        form=form,
        project=plain(row[source.project]) if source.project else name,
        title=plain(url.rpartition("/")[2]),
        url=url,
        footprint=near,
        flown=(flown, flown) if flown else None,
        density=source.density,
        licence=source.licence,
        vertical=source.vertical,
    )
