"""Items of STAC catalogues (stac-spec 1.0), by API, by links, or in one file."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urlencode

import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import shape

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE, joined_url
from lanewright.fetch.client import Client
from lanewright.fetch.pages import MOST_PAGES, read_json
from lanewright.fetch.products import (
    Form,
    Place,
    Product,
    day,
    form_of,
    number,
    plain,
    turned_box,
    whole,
)
from lanewright.fetch.sources import StacSource
from lanewright.fetch.store import Pages

MOST_ITEMS = 20_000
"""Items looked at in one source (ours)."""

Json = Mapping[str, Any]


@dataclass
class Walk:
    """Where a walk through a catalogue stands: pages seen, what had to be left out."""

    seen: set[str] = field(default_factory=set)
    placeless: int = 0
    unread: int = 0
    cut_short: bool = False


def stac_products(
    client: Client, pages: Pages, name: str, source: StacSource, place: Place, margin: float
) -> tuple[list[Product], list[str]]:
    """Products near the property, and what to say of the catalogue.

    Raises
    ------
    InputError
        If the catalogue cannot be read.
    """
    walk = Walk()
    root = read_json(client, pages, source.url)
    if "features" in root:
        items: Iterator[tuple[Json, str]] = ((item, source.url) for item in _list(root, "features"))
    elif search := _link(root, "search", source.url):
        items = _searched(client, pages, source, search, place.boxes(margin), walk)
    else:
        items = _walked(client, pages, source, root, place, walk)
    found: dict[str, Product] = {}
    for count, (item, base) in enumerate(items):
        if count >= MOST_ITEMS:
            walk.cut_short = True
            break
        for product in _products(name, source, item, base, place, walk):
            found.setdefault(product.url, product)
    said = []
    if walk.placeless:
        said.append(f"{name}: {walk.placeless} items without a place were left out")
    if walk.unread:
        said.append(f"{name}: {walk.unread} pages of the catalogue could not be read")
    if walk.cut_short:
        said.append(f"{name}: the catalogue is larger than is read at once; there may be more")
    return list(found.values()), said


def signed(client: Client, source: StacSource, url: str) -> str:
    """Address that may be asked, where a provider signs each.

    Raises
    ------
    InputError
        If the signing service does not answer with one.
    """
    if source.sign is None:
        return url
    body = client.fetch(source.sign.replace("{href}", quote(url, safe="")), 2**20)
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        raise InputError(source.sign, "answers with no JSON, so signs nothing", ELSEWHERE) from None
    href = said.get("href") if isinstance(said, dict) else None
    if not isinstance(href, str) or href.partition("?")[0] != url.partition("?")[0]:
        raise InputError(source.sign, "signs another address than it was given", ELSEWHERE)
    return href


def _searched(
    client: Client,
    pages: Pages,
    source: StacSource,
    search: str,
    boxes: list[tuple[float, float, float, float]],
    walk: Walk,
) -> Iterator[tuple[Json, str]]:
    """Items of an API, page after page."""
    for box in boxes:
        query = {"bbox": ",".join(f"{v:.7f}" for v in box), "limit": "200"}
        if source.collections:
            query["collections"] = ",".join(source.collections)
        url: str | None = f"{search}{'&' if '?' in search else '?'}{urlencode(query)}"
        while url and url not in walk.seen:
            if len(walk.seen) >= MOST_PAGES:
                walk.cut_short = True
                return
            walk.seen.add(url)
            page = read_json(client, pages, url)
            yield from ((item, url) for item in _list(page, "features"))
            url = _link(page, "next", url)


def _walked(
    client: Client, pages: Pages, source: StacSource, root: Json, place: Place, walk: Walk
) -> Iterator[tuple[Json, str]]:
    """Items of a static catalogue.

    Each link is followed once; collections that lie elsewhere are not opened.
    """
    waiting: list[tuple[Json | None, str]] = [(root, source.url)]
    while waiting:
        page, url = waiting.pop()
        if url in walk.seen:
            continue
        if len(walk.seen) >= MOST_PAGES:
            walk.cut_short = True
            return
        walk.seen.add(url)
        if page is None:
            try:
                page = read_json(client, pages, url)
            except InputError:
                walk.unread += 1
                continue
        if page.get("type") == "Feature":
            yield page, url
            continue
        if page.get("type") == "FeatureCollection":
            yield from ((item, url) for item in _list(page, "features"))
            continue
        if not _may_hold(page, source, place):
            continue
        for link in _list(page, "links"):
            if link.get("rel") in ("child", "item") and isinstance(link.get("href"), str):
                try:
                    waiting.append((None, joined_url(url, link["href"])))
                except InputError:
                    walk.unread += 1


def _may_hold(page: Json, source: StacSource, place: Place) -> bool:
    """Whether a catalogue or collection can hold items here, by its name and extent."""
    named = page.get("type") != "Collection" or not source.collections
    if not named and page.get("id") not in source.collections:
        return False
    extent = page.get("extent")
    spatial = extent.get("spatial") if isinstance(extent, dict) else None
    boxes = spatial.get("bbox") if isinstance(spatial, dict) else None
    if not isinstance(boxes, list) or not boxes:
        return True
    shapes = [s for b in boxes[:1000] if (s := _box(b)) is not None]
    return not shapes or any(place.near(s).intersects(place.land) for s in shapes)


def _products(
    name: str, source: StacSource, item: Json, base: str, place: Place, walk: Walk
) -> Iterator[Product]:
    footprint = _footprint(item)
    if footprint is None:
        walk.placeless += 1
        return
    near = place.near(footprint)
    if not near.intersects(place.land):
        return
    given = item.get("properties")
    properties = given if isinstance(given, dict) else {}
    collection = plain(item.get("collection"))
    if source.collections and collection and collection not in source.collections:
        return
    crs, vertical = _reference(properties)
    quality = properties.get("3dep:quality_level") or properties.get("quality_level")
    assets = item.get("assets")
    for asset in assets.values() if isinstance(assets, dict) else ():
        usable = _usable(asset, base, source)
        if usable is None:
            continue
        url, form = usable
        yield Product(
            source=name,
            kind=source.kind,
            form=form,
            project=plain(properties.get("3dep:usgs_id")) or collection or name,
            title=plain(item.get("id")),
            url=url,
            footprint=near,
            size=whole(asset.get("file:size")),
            sha256=_sha256(asset.get("file:checksum")),
            flown=_flown(properties),
            density=number(properties.get("pc:density")),
            quality=plain(quality, 20),
            licence=plain(properties.get("license")) or source.licence,
            crs=crs,
            vertical=vertical or source.vertical,
        )


def _usable(asset: object, base: str, source: StacSource) -> tuple[str, Form] | None:
    if not isinstance(asset, dict) or not isinstance(asset.get("href"), str):
        return None
    roles = asset.get("roles")
    if isinstance(roles, list) and roles and not {"data", "source"} & {str(r) for r in roles}:
        return None
    try:
        url = joined_url(base, asset["href"])
    except InputError:
        return None
    form = form_of(url, plain(asset.get("type")).lower(), source.kind)
    return (url, form) if form is not None else None


def _footprint(item: Json) -> shapely.Geometry | None:
    given = item.get("geometry")
    found = _shape(given) if isinstance(given, dict) else None
    if found is not None and not found.is_empty and found.area > 0 and found.is_valid:
        box = item.get("bbox")
        crosses = isinstance(box, list) and len(box) == 4 and _numbers(box) and box[0] > box[2]
        return _box(box) if crosses and found.geom_type == "Polygon" else found
    return _box(item.get("bbox"))


_SHAPELESS = (ValueError, TypeError, AttributeError, LookupError, OverflowError, RecursionError)


def _shape(given: Json) -> shapely.Geometry | None:
    try:
        return shapely.force_2d(shape(given))
    except (*_SHAPELESS, shapely.errors.ShapelyError):
        return None


def _box(values: object) -> shapely.Geometry | None:
    if not isinstance(values, list) or len(values) not in (4, 6) or not _numbers(values):
        return None
    half = len(values) // 2
    return turned_box(values[0], values[1], values[half], values[half + 1])


def _numbers(values: list[object]) -> bool:
    return all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)


def _reference(properties: Json) -> tuple[str, str]:
    """CRS, and the part of it that says how heights are counted."""
    keys = ("proj:code", "proj:epsg", "proj:wkt2", "proj:projjson")
    given = next((properties[k] for k in keys if properties.get(k)), None)
    if isinstance(given, int):
        given = f"EPSG:{given}"
    try:
        crs = CRS.from_user_input(given)
    except (CRSError, TypeError, ValueError, OverflowError, RecursionError):
        return "", ""
    parts = [c for c in crs.sub_crs_list if c.is_vertical]
    if not parts:
        return plain(crs.name), ""
    return plain(crs.name), f"{parts[0].name}, {parts[0].axis_info[0].unit_name}"


def _flown(properties: Json) -> tuple[Any, Any] | None:
    first = day(properties.get("start_datetime")) or day(properties.get("datetime"))
    last = day(properties.get("end_datetime")) or first
    return (first, last) if first and last and first <= last else None


def _sha256(value: object) -> str | None:
    """SHA-256 of a multihash (0x12, 0x20) as the file extension has it."""
    if isinstance(value, str) and len(value) == 68 and value.lower().startswith("1220"):
        return value[4:].lower()
    return None


def _link(page: Json, rel: str, base: str) -> str | None:
    for link in _list(page, "links"):
        href = link.get("href")
        if link.get("rel") == rel and link.get("method", "GET") == "GET" and isinstance(href, str):
            return joined_url(base, href)
    return None


def _list(page: Json, key: str) -> list[dict[str, Any]]:
    found = page.get(key)
    return [v for v in found if isinstance(v, dict)] if isinstance(found, list) else []
