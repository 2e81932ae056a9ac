"""Everything the sources offer for a property, survey by survey, the best first."""

from __future__ import annotations

import datetime as dt
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import shapely
from pyproj import CRS, Transformer

from lanewright.base.errors import InputError
from lanewright.fetch.client import Client, Manners
from lanewright.fetch.index import index_products
from lanewright.fetch.national import national_products
from lanewright.fetch.products import Place, Product
from lanewright.fetch.season import guess_leaves
from lanewright.fetch.sources import NationalSource, Source, StacSource
from lanewright.fetch.stac import stac_products
from lanewright.fetch.store import Pages
from lanewright.sources.vectors import property_polygon

WHOLE = 0.995
"""Share of a property from which it counts as covered."""

MOST_LISTED = 100
"""Offers that are listed (ours)."""

LARGEST = 3.0
"""Degrees that a property may span; more is no property."""


@dataclass(frozen=True)
class Offer:
    """The products of one survey that touch the property.

    Attributes
    ----------
    share
        Share of the property within their footprints.
    """

    key: str
    products: tuple[Product, ...]
    share: float

    @property
    def first(self) -> Product:
        """One of them; what a survey has in common is read from it."""
        return self.products[0]

    @property
    def flown(self) -> tuple[dt.date, dt.date] | None:
        """First and last day of all flights; None where one is not stated."""
        spans = [p.flown for p in self.products]
        known = [s for s in spans if s is not None]
        if len(known) < len(spans):
            return None
        return min(s[0] for s in known), max(s[1] for s in known)

    @property
    def density(self) -> float | None:
        """Least density stated, or that of a quality level (USGS Lidar Base Specification)."""
        stated = [p.density for p in self.products if p.density is not None]
        levels = {"QL0": 8.0, "QL1": 8.0, "QL2": 2.0, "QL3": 0.5}
        stated += [levels[p.quality] for p in self.products if p.quality in levels]
        return min(stated) if stated else None

    @property
    def newest(self) -> dt.date:
        """Last day flown, else published; long ago where neither is stated."""
        days = [p.flown[1] if p.flown else p.published for p in self.products]
        return max((d for d in days if d is not None), default=dt.date.min)


def place_of(boundary: Path, assumed_crs: str | None = None) -> Place:
    """The property in degrees.

    Raises
    ------
    InputError
        If the boundary cannot be read, or lies nowhere.
    """
    frame = property_polygon(boundary, assumed_crs)
    return Place(in_degrees(boundary, frame))


def in_degrees(boundary: Path, frame: gpd.GeoDataFrame) -> shapely.Geometry:
    """A polygon in degrees; one across the antimeridian runs on beyond 180."""
    to = Transformer.from_crs(frame.crs, CRS.from_epsg(4326), always_xy=True)
    land = shapely.transform(
        frame.geometry.iloc[0], lambda x, y: to.transform(x, y), interleaved=False
    )
    west, south, east, north = land.bounds
    if east - west > 180.0:
        land = shapely.transform(land, lambda x, y: (x + 360.0 * (x < 0), y), interleaved=False)
        west, south, east, north = land.bounds
    if not (east - west < LARGEST and north - south < LARGEST and land.area > 0):
        raise InputError(
            boundary,
            f"spans {east - west:.1f} by {north - south:.1f} degrees, no property",
            "Check its CRS.",
        )
    return land


def search(
    sources: Mapping[str, Source],
    place: Place,
    margin: float,
    pages: Pages,
    manners: Manners | None = None,
) -> tuple[list[Offer], list[str]]:
    """Offers of all sources, and what to say of sources that failed or left something out.

    Raises
    ------
    InputError
        If every source failed.
    """
    products: list[Product] = []
    said, faults = [], []
    for name, source in sources.items():
        client = Client(source.trust, manners)
        try:
            if isinstance(source, StacSource):
                found, notes = stac_products(client, pages, name, source, place, margin)
            elif isinstance(source, NationalSource):
                found, notes = national_products(client, pages, name, source, place, margin)
            else:
                found, notes = index_products(client, pages, name, source, place, margin)
        except InputError as err:
            faults.append(err)
            said.append(f"{name} could not be asked: {err}")
            continue
        products += found
        said += notes
    if faults and len(faults) == len(sources):
        raise InputError("sources", "none could be asked:\n  " + "\n  ".join(said), "Look at each.")
    return offers_of(products, place), said


def offers_of(products: Iterable[Product], place: Place) -> list[Offer]:
    """Products by survey: those that cover the property first, then newest, then densest."""
    groups: dict[tuple[str, str, str, str], list[Product]] = {}
    for product in products:
        tiled: str = "laz" if product.form in ("laz", "copc") else product.form
        groups.setdefault((product.kind, product.source, product.project, tiled), []).append(
            product
        )
    found = []
    for (kind, source, project, tiled), group in groups.items():
        group.sort(key=lambda p: p.url)
        share = place.share([p.footprint for p in group])
        found.append(Offer(f"{kind}/{source}/{project}/{tiled}", tuple(group), share))

    def rank(offer: Offer) -> tuple[object, ...]:
        whole = offer.share >= WHOLE
        year = offer.newest.year
        cheap = {"copc": 0, "ept": 1, "tif": 0, "laz": 2}[offer.first.form]
        return (
            offer.first.kind != "points",
            not whole,
            0.0 if whole else -offer.share,
            -year,
            -(offer.density or 0.0),
            cheap,
            -offer.newest.toordinal(),
            offer.key,
        )

    return sorted(found, key=rank)


def chosen(offers: list[Offer], take: tuple[str, ...]) -> list[Offer]:
    """The best offer of each kind, or the ones named by number or key.

    Raises
    ------
    InputError
        If a name fits none, or there is nothing.
    """
    if take:
        named = []
        for word in take:
            fit = [o for n, o in enumerate(offers, 1) if word in (str(n), o.key)]
            if not fit:
                raise InputError(
                    "--take", f"{word!r} is no offer", "Give a number that `find` prints."
                )
            named += fit
        return named
    best: dict[str, Offer] = {}
    for offer in offers:
        best.setdefault(offer.first.kind, offer)
    if not best:
        raise InputError(
            "sources", "offer nothing for this boundary", "Check its CRS, or add a source."
        )
    return list(best.values())


def describe(offers: list[Offer], place: Place) -> str:
    """A few lines for each offer, the first hundred."""
    lines = []
    for number, offer in enumerate(offers[:MOST_LISTED], 1):
        one = offer.first
        lines.append(f"{number:>3}  {one.kind}: {one.project} ({one.source})")
        lines.append(f"     {_dates(offer)}; {_density(offer)}; {_leaves(offer, place)}")
        lines.append(f"     {_amount(offer)}; covers {offer.share:.0%} of the property")
        crs = f"{one.crs}; " if one.crs else ""
        lines.append(f"     {crs}heights: {one.vertical or 'not stated'}; licence: {one.licence}")
        lines.append(f"     --take {shlex.quote(offer.key)}")
    if len(offers) > MOST_LISTED:
        lines.append(f"     and {len(offers) - MOST_LISTED:,} more; ask one source with --only")
    return "\n".join(lines)


def _dates(offer: Offer) -> str:
    if offer.flown is not None:
        first, last = offer.flown
        return f"flown {first}" if first == last else f"flown {first} to {last}"
    published = [p.published for p in offer.products if p.published is not None]
    return (
        f"flown at an unknown date, published {max(published)}" if published else "date not stated"
    )


def _density(offer: Offer) -> str:
    levels = sorted({p.quality for p in offer.products if p.quality})
    if offer.first.kind != "points":
        return "terrain model"
    said = "/".join(levels)
    if offer.density is not None:
        said += f"{', ' if said else ''}{offer.density:.3g} per m2 as stated"
    return said or "density not stated"


def _leaves(offer: Offer, place: Place) -> str:
    state = guess_leaves(offer.flown, place.middle[1])
    return (
        "leaves unknown" if state == "unknown" else f"leaves {state}, a guess by date and latitude"
    )


def _amount(offer: Offer) -> str:
    count, form = len(offer.products), offer.first.form
    sizes = [p.size for p in offer.products]
    known = sum(s for s in sizes if s is not None)
    size = "size not stated" if None in sizes else f"{known / 1e6:,.1f} MB"
    ways = {
        "copc": "COPC, read in parts",
        "ept": "EPT, read in parts",
        "tif": "GeoTIFF, read in parts",
        "laz": "LAZ, whole files",
    }
    return f"{count} file{'s' if count > 1 else ''} ({ways[form]}), {size}"
