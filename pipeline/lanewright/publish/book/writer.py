"""What every page of the book is written with: the paper, the drawings' data, words for places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
from pyproj import Geod, Transformer

from lanewright.base import schema
from lanewright.base.rows import Row
from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE
from lanewright.publish.book.maps import Book
from lanewright.publish.book.paper import Paper
from lanewright.publish.report import words
from lanewright.sources.crs import authority
from lanewright.visit.outing import Outing

_DEGREES = 6  # decimals: a tenth of a metre


@dataclass(frozen=True)
class About:
    """What the book says about the run.

    Attributes
    ----------
    title
        Of the run.
    facts
        Name and value of what the reader should know first: area, survey, CRS.
    cautions
        The layer `cautions`.
    paper
        Key of `paper.PAPERS`.
    begins
        Where the first walk begins, in words.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    cautions: gpd.GeoDataFrame
    paper: str = "a5"
    begins: str = ""


@dataclass(frozen=True)
class Writer:
    """A book being written."""

    paper: Paper
    book: Book
    about: About

    @property
    def outing(self) -> Outing:
        """Holes to be seen."""
        return self.book.outing

    @cached_property
    def _to_wgs(self) -> Transformer:
        return Transformer.from_crs(self.book.data.grid.crs, "EPSG:4326", always_xy=True)

    @property
    def crs(self) -> str:
        """Short name of the run's CRS."""
        return authority(self.book.data.grid.crs).split(" ")[0]

    @property
    def unit(self) -> str:
        """Unit of tables that have room for one."""
        return "ft" if self.book.feet_first else "m"

    def both(self, metres: str, feet: str) -> str:
        """A length in both units, the wished one first."""
        return f"{feet} ({metres})" if self.book.feet_first else f"{metres} ({feet})"

    def length(self, row: Row, layer: str, name: str) -> str:
        """A length of a layer in both units, with the digits of the GeoPackage."""
        if row[name] is None:
            return "unknown"
        other = f"{name.removesuffix('_m')}_ft"
        m, ft = (number(row, layer, column) for column in (name, other))
        return self.both(f"{m} m", f"{ft} ft")

    def metres(self, value: float) -> str:
        """A measured length in both units, in whole ones."""
        return self.both(f"{value:.0f} m", f"{value * FEET_PER_METRE:.0f} ft")

    def lonlat(self, x: float, y: float) -> tuple[str, str]:
        """Latitude and longitude in decimal degrees, WGS 84."""
        lon, lat = self._to_wgs.transform(x, y)
        return f"{lat:.{_DEGREES}f}", f"{lon:.{_DEGREES}f}"

    def bearing(self, a: tuple[float, float], b: tuple[float, float]) -> tuple[int, float]:
        """Degrees from true north, 1 to 360, and metres between two places."""
        (lon0, lat0), (lon1, lat1) = (self._to_wgs.transform(*place) for place in (a, b))
        azimuth, _, metres = Geod(ellps="WGS84").inv(lon0, lat0, lon1, lat1)
        return (round(azimuth) - 1) % 360 + 1, metres


def number(row: Row, layer: str, name: str, sign: str = "") -> str:
    """A value of a layer with the digits of the GeoPackage; empty where it has none."""
    value = row.get(name)
    digits = schema.LAYERS[layer].column(name).digits or 0
    return "" if value is None else f"{value:{sign}.{digits}f}"


def percent(share: float | None) -> str:
    """A share as a survey can know it, to five percent; empty where unknown."""
    return "" if share is None else words.about(share)


def near(share: float | None) -> str:
    """The same in figures, for columns whose heading says `about`."""
    return "" if share is None else f"{5 * round(20 * share)}{words.NARROW}%"


def facts_of(
    *,
    area_ha: float,
    levels: Sequence[str],
    ground: str,
    flown: tuple[str, str] | None,
    leaf_state: str,
    crs: str,
    lidar: bool,
) -> tuple[tuple[str, str], ...]:
    """Facts for the title page, in words."""
    accuracy = Transformer.from_crs(crs, "EPSG:4326").accuracy
    within = f", which agrees with it to some {accuracy:g} m" if accuracy and accuracy > 0.5 else ""
    when = "not said" if flown is None else flown[0] if flown[0] == flown[1] else " to ".join(flown)
    leaves = {"off": "without leaves", "on": "in leaf", "unknown": "leaves unknown"}[leaf_state]
    return (
        ("Property", f"{area_ha:.2f} ha ({area_ha * ACRES_PER_HECTARE:.2f} acres)"),
        ("Levels", ", ".join(levels)),
        ("Survey", f"flown {when}, {leaves}" if lidar else "elevation model only, no lidar"),
        ("Ground from", ground),
        (
            "Coordinates",
            f"WGS 84 from {authority(crs)}{within}; a handheld adds 3 to 5 m, more under trees "
            "(from memory)",
        ),
        ("Heights", "in the survey's own vertical datum"),
        ("Bearings", "from true north; a compass needs the declination of the day"),
    )
