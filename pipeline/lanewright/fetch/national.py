"""Products of the US national elevation programme by its access API.

Fields of the answer, and how it fails, as a published client has them (fetchez, 2026): errors may
come as a good answer whose body says `errorMessage`, and data sets asked for by name are at times
refused, where the same words as a query are not.
"""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import unquote, urlencode

from lanewright.base.errors import InputError
from lanewright.fetch.address import joined_url
from lanewright.fetch.client import Client
from lanewright.fetch.pages import read_json
from lanewright.fetch.products import Place, Product, day, form_of, plain, turned_box, whole
from lanewright.fetch.sources import NationalSource
from lanewright.fetch.store import Pages

PAGE = 100
MOST_PRODUCTS = 10_000
"""Products asked for at a time, and of one box at most (ours)."""


def national_products(
    client: Client, pages: Pages, name: str, source: NationalSource, place: Place, margin: float
) -> tuple[list[Product], list[str]]:
    """Products near the property, and what to say of the catalogue.

    Raises
    ------
    InputError
        If the catalogue cannot be read.
    """
    found: dict[str, Product] = {}
    placeless = 0
    cut_short = False
    for box in place.boxes(margin):
        items = _items(client, pages, source, box)
        cut_short |= len(items) >= MOST_PRODUCTS
        for item in items:
            product = _product(name, source, item, place)
            if product is None:
                placeless += 1
            elif product.footprint.intersects(place.land):
                found.setdefault(product.url, product)
    said = [f"{name}: {placeless} items without a place or file were left out"] if placeless else []
    if cut_short:
        said.append(f"{name}: lists more than {MOST_PRODUCTS:,} products; there may be more")
    return list(found.values()), said


def _items(
    client: Client, pages: Pages, source: NationalSource, box: tuple[float, float, float, float]
) -> list[dict[str, Any]]:
    """All items of a box; a data set that is refused by name is asked for by words."""
    try:
        return _all_pages(client, pages, source, box, "datasets")
    except InputError as err:
        if "refuses" not in err.problem:
            raise
    return _all_pages(client, pages, source, box, "q")


def _all_pages(
    client: Client,
    pages: Pages,
    source: NationalSource,
    box: tuple[float, float, float, float],
    by: str,
) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = []
    seen = 0
    while True:
        query = {
            "bbox": ",".join(f"{v:.6f}" for v in box), by: source.dataset,
            "prodFormats": source.format, "max": str(PAGE), "offset": str(seen),
        }  # fmt: skip
        page = read_json(client, pages, f"{source.url}?{urlencode(query)}")
        if message := page.get("errorMessage"):
            raise InputError(source.url, f"refuses the question ({plain(message)})", "Try later.")
        new = page.get("items")
        new = new if isinstance(new, list) else []
        seen += len(new)
        items += [i for i in new if isinstance(i, dict)]
        # A total may be missing or wrong, so a full page is followed by another question.
        more = len(new) >= PAGE or seen < (whole(page.get("total")) or 0)
        if not new or not more or seen >= MOST_PRODUCTS:
            return items


def _product(
    name: str, source: NationalSource, item: dict[str, Any], place: Place
) -> Product | None:
    url, box = item.get("downloadURL"), item.get("boundingBox")
    if not isinstance(url, str) or not isinstance(box, dict):
        return None
    try:
        edges = [float(box[k]) for k in ("minX", "minY", "maxX", "maxY")]
        url = joined_url(source.url, url)
    except (KeyError, TypeError, ValueError, OverflowError, InputError):
        return None
    footprint, form = turned_box(*edges), form_of(url, kind=source.kind)
    if footprint is None or form is None or footprint.area <= 0:
        return None
    project = re.search(r"/Projects/([^/]+)", unquote(url))
    title = plain(item.get("title"))
    level = re.search(r"\bQL\s?([0-3])\b", title)
    return Product(
        source=name,
        kind=source.kind,
        form=form,
        project=plain(project[1]) if project else name,
        title=title,
        url=url,
        footprint=place.near(footprint),
        size=whole(item.get("sizeInBytes")),
        published=day(item.get("publicationDate")),
        quality=f"QL{level[1]}" if level else "",
        licence=source.licence,
        vertical=source.vertical,
    )
