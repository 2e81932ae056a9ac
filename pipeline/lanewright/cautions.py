"""What a desk study cannot settle, and what could hurt somebody who trusts it too far."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import shapes
from scipy import ndimage
from shapely import MultiPoint, MultiPolygon, union_all
from shapely.geometry import shape

from lanewright.grid import Grid
from lanewright.survey import Survey
from lanewright.terrain import Terrain

WIRE_REACH = 7.6
"""Metres (25 ft) from a mapped line within which work is flagged; common practice, no source,
outside the 3.05 m (10 ft) of 29 CFR 1910.269 for lines up to 50 kV."""

STEEP_PCT = 40.0
"""Grade from which ground is avoided on foot; from memory."""

_STEEP_AREA = 100.0  # m2

_WHOLE = (
    (
        "desk study only",
        "Lidar misses thin stems, wire, fences and whatever has grown or fallen since the flight. "
        "Walk every line before throwing, cutting or building; local codes and licensed practice "
        "decide.",
        "common practice, no source",
    ),
    (
        "boundary",
        "The outline is as given or drawn, not surveyed. Have it surveyed before tees or baskets "
        "go near it.",
        "common practice, no source",
    ),
    (
        "buried and overhead lines",
        "Only wires that the lidar's vendor classified are shown. Ask the utilities before "
        "digging or cutting.",
        "29 CFR 1910.269 keeps anyone not qualified 3.05 m (10 ft) from lines up to 50 kV",
    ),
    (
        "flying discs",
        "Keep paths, roads, buildings and neighbours out of reach of throws that go astray; "
        "distances depend on place and insurer.",
        "Parks & Rec Business 2020: never throw over a trail unless both directions can be seen",
    ),
    (
        "trees and saws",
        "Dead tops, hung limbs and ash killed by borers fall without warning. Leave limbs over "
        "10 cm (4 in), leaning trees and anything near wires to a certified arborist; others keep "
        "two tree lengths away from felling.",
        "Colorado State Forest Service leaflet for the limb, 29 CFR 1910.266 for the distance",
    ),
    (
        "water and wetland",
        "Wet ground here is likely wet, not delineated. A professional delineates wetland; "
        "permits may be needed near streams and in flood hazard areas.",
        "NRCS and USACE 1987: wetland needs soil, plants and hydrology together",
    ),
)


def list_cautions(survey: Survey, terrain: Terrain) -> gpd.GeoDataFrame:
    """Cautions with the place where each holds: `caution, why, source`; MultiPolygon."""
    grid = survey.grid
    rows = [(*texts, survey.land) for texts in _WHOLE if not survey.land.is_empty]
    if len(survey.wires):
        reach = MultiPoint(survey.wires[:, :2]).buffer(WIRE_REACH).intersection(survey.land)
        if not reach.is_empty:
            rows.append(
                (
                    "power line",
                    f"The vendor classified {len(survey.wires)} returns here as wire. No route "
                    "along or under it, no basket, no tree work without the utility's leave.",
                    "ASPRS classes 13 and 14; 29 CFR 1910.269",
                    _areas(reach),
                )
            )
    steep = _patches(terrain.slope_pct >= STEEP_PCT, survey.inside, grid)
    if not steep.is_empty:
        rows.append(
            (
                "steep ground",
                f"Steeper than {STEEP_PCT:.0f} %: a fall here hurts, discs roll away, bare soil "
                "washes out.",
                "from memory",
                steep,
            )
        )
    if terrain.water.any():
        shore = _patches(terrain.water, survey.inside, grid)
        if not shore.is_empty:
            rows.append(
                (
                    "open water",
                    "Depth, ice and banks are not known. Nobody should have to reach for a disc "
                    "here; keep tees and baskets back from the bank.",
                    "common practice, no source",
                    shore,
                )
            )
    if survey.land.is_empty:
        rows = []
    frame = gpd.GeoDataFrame(
        {
            "caution": [r[0] for r in rows],
            "why": [r[1] for r in rows],
            "source": [r[2] for r in rows],
        },
        geometry=[r[3] for r in rows],
        crs=grid.crs,
    )
    return frame.set_geometry("geometry")


def _patches(mask: NDArray[np.bool_], inside: NDArray[np.bool_], grid: Grid) -> MultiPolygon:
    """The mask within the property as polygons, specks left out."""
    mask = ndimage.binary_opening(mask & inside, iterations=max(1, round(1.0 / grid.cell)))
    found = [
        polygon
        for geometry, value in shapes(mask.astype(np.uint8), mask, 4, grid.transform)
        if value and (polygon := shape(geometry)).area >= _STEEP_AREA
    ]
    return _areas(union_all(found).simplify(grid.cell)) if found else MultiPolygon()


def _areas(geometry: object) -> MultiPolygon:
    parts = getattr(geometry, "geoms", [geometry])
    return MultiPolygon([p for p in parts if p.geom_type == "Polygon" and p.area > 0])
