"""What a desk study cannot settle, and what could hurt somebody who trusts it too far."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import MultiPoint, MultiPolygon, union_all
from shapely import buffer as shapely_buffer
from shapely import distance as distance_to
from shapely.geometry.base import BaseGeometry

from lanewright.base.grid import Grid
from lanewright.base.outlines import patches
from lanewright.base.units import FEET_PER_METRE
from lanewright.land.survey import Survey
from lanewright.land.terrain import Terrain
from lanewright.settings.trim import TrimSettings
from lanewright.trim import treework
from lanewright.trim.tables import Trim

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
        "Only wires that the lidar's vendor classified, or that hang in clear straight rows, are "
        "shown. Ask the utilities before digging or cutting.",
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


BUFFER, OPEN_WATER = "buffer along water", "open water"
"""Names of the cautions that keep work off ground beside water, and people out of it."""


def list_cautions(
    survey: Survey,
    terrain: Terrain,
    buildings: BaseGeometry | None = None,
    trim: Trim | None = None,
    settings: TrimSettings | None = None,
    wires: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Cautions with the place where each holds: `caution, why, source`; MultiPolygon."""
    grid = survey.grid
    rows = [(*texts, survey.land) for texts in _WHOLE if not survey.land.is_empty]
    if wires is not None and len(wires):
        rows += _power_lines(wires, survey)
    elif len(survey.wires):
        reach = MultiPoint(survey.wires[:, :2]).buffer(WIRE_REACH).intersection(survey.land)
        if not reach.is_empty:
            rows.append(_vendor_wires(len(survey.wires), reach))
    if trim is not None and settings is not None:
        rows += _about_work(survey, terrain, buildings, trim, settings)
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
                    OPEN_WATER,
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


_Row = tuple[str, str, str, object]


def _vendor_wires(returns: int, reach: object) -> _Row:
    return (
        "power line",
        f"The vendor classified {returns} returns here as wire. No route along or under it, no "
        "basket, no tree work without the utility's leave.",
        "ASPRS classes 13 and 14; 29 CFR 1910.269",
        _areas(reach),
    )


def _power_lines(wires: gpd.GeoDataFrame, survey: Survey) -> list[_Row]:
    """Where the vendor or a straight row of returns says wire."""
    rows: list[_Row] = []
    for source, group in wires.groupby("source", sort=True):
        reach = union_all(group.geometry.buffer(WIRE_REACH).to_numpy()).intersection(survey.land)
        if reach.is_empty:
            continue
        returns = int(group["returns"].sum())
        if source == "class 13 or 14":
            rows.append(_vendor_wires(returns, reach))
            continue
        low = group["height_m"].min()
        rows.append(
            (
                "possible power line",
                f"{returns} returns hang here in straight rows from {low:.0f} m "
                f"({low * FEET_PER_METRE:.0f} ft) up, as wires do. Look before anything is cut; no "
                "tree work without the utility's leave if it is one.",
                "shape of the returns alone; 29 CFR 1910.269 for the distance",
                _areas(reach),
            )
        )
    return rows


NEAR_ROAD, NEAR_BUILDING, NEAR_BOUNDARY = 10.0, 10.0, 5.0
"""Metres from a keep-out, a building, the property line within which trim work is listed; common
practice, no source."""


def _about_work(
    survey: Survey,
    terrain: Terrain,
    buildings: BaseGeometry | None,
    trim: Trim,
    settings: TrimSettings,
) -> list[_Row]:
    """What stands beside the numbers of the trim work; nothing where none is planned."""
    work = trim.work[trim.work["chosen"].astype(bool)] if len(trim.work) else trim.work
    if len(work) == 0 or survey.land.is_empty:
        return []
    return [
        *_near_work(work, survey, MultiPolygon() if buildings is None else buildings),
        *_footing(survey, terrain),
        *_along_water(survey, terrain, settings.buffer),
        *((*texts, survey.land) for texts in _seasons(settings.region)),
        (
            "hazards for a crew",
            "Dead and hung tops, ash killed by borers, vines under tension, poison ivy, ticks, "
            "stinging nests, old fence wire in trunks. Lidar shows none of them.",
            "common practice, no source",
            survey.land,
        ),
    ]


def _near_work(work: gpd.GeoDataFrame, survey: Survey, built: BaseGeometry) -> Iterator[_Row]:
    """Pieces of work near ways, buildings and the property line."""
    places = (
        (
            "work near roads and yards",
            f"within {NEAR_ROAD:.0f} m, or a tree's length where one is felled, of a keep-out. "
            "Close the way off or post somebody; ask its owner.",
            "29 CFR 1910.266(h): others keep two tree lengths away from felling",
            survey.keep_out,
            NEAR_ROAD,
        ),
        (
            "work near buildings",
            f"within {NEAR_BUILDING:.0f} m of a building, or a tree's length where one is felled.",
            "common practice, no source",
            built,
            NEAR_BUILDING,
        ),
        (
            "work near the boundary",
            f"within {NEAR_BOUNDARY:.0f} m of the property line, or a tree's length where one is "
            "felled. A tree on the line may be the neighbour's: survey first.",
            "common practice, no source",
            survey.land.boundary,
            NEAR_BOUNDARY,
        ),
    )
    shapes = work.geometry.to_numpy()
    felled = work["action"].to_numpy() == "fell tree"
    # A tree falls as far as it is high.
    reach = np.where(felled, np.nan_to_num(work["high_m"].to_numpy(float)), 0.0)
    for name, why, source, place, distance in places:
        # Nothing is near to an empty shape: its distance is NaN.
        hit = distance_to(shapes, place) <= distance + reach
        if hit.any():
            area = _areas(union_all(shapely_buffer(shapes[hit], 2.0)))
            yield name, f"{int(hit.sum())} pieces of work: {why}", source, area


def _footing(survey: Survey, terrain: Terrain) -> Iterator[_Row]:
    """Where a crew and its wheels stand badly."""
    soft = _patches(terrain.wet, survey.inside, survey.grid)
    if not soft.is_empty:
        yield (
            "soft ground for a crew",
            "Likely wet: wheels and tracks rut it. Work it dry or frozen, or by hand.",
            "common practice, no source",
            soft,
        )
    brow = _patches(terrain.slope_pct >= CREW_STEEP_PCT, survey.inside, survey.grid)
    if not brow.is_empty:
        yield (
            "steep ground for a crew",
            f"Steeper than {CREW_STEEP_PCT:.0f} %: cut stems roll, feet slip; keep a tree's "
            "length apart up and down the slope.",
            "Washington WAC 296-54-539: more room on slopes where things roll; the slope is "
            "common practice",
            brow,
        )


def _along_water(survey: Survey, terrain: Terrain, buffer: float) -> Iterator[_Row]:
    """The strip along water in which nothing is cut."""
    if buffer <= 0 or not terrain.water.any():
        return
    away = ndimage.distance_transform_edt(~terrain.water) * survey.grid.cell
    strip = _patches((away <= buffer) & ~terrain.water, survey.inside, survey.grid)
    if not strip.is_empty:
        yield (
            BUFFER,
            f"Nothing is cut within {buffer:g} m of water in this plan. Local rules run from 0 to "
            "91 m (300 ft): look them up.",
            "common practice, inside Sweeney & Newbold 2014 (30 m for full function)",
            strip,
        )


CREW_STEEP_PCT = 25.0
"""Slope from which a crew's footing is listed; common practice, no source."""


def _seasons(region: str | None) -> list[tuple[str, str, str]]:
    """Seasons not to cut in: those of the region where they are known here, never guessed."""
    if region is None:
        unknown = "No region is set (trim: region), so no dates are given here. "
    else:
        unknown = f"No dates for {region.title()} are known here. "
    oak, bats = (table.get(region or "") for table in (treework.OAK, treework.BATS))
    return [
        (
            "oak disease season",
            f"No pruning or wounding of oaks from {oak}; cover a fresh wound at once, half an "
            "hour can be too late."
            if oak
            else unknown + "Where oak wilt is about, oaks must not be wounded in spring and "
            "summer: ask the state's forestry office for the dates.",
            oak.source if oak else "state forestry offices publish them",
        ),
        (
            "bat season",
            f"Trees are cleared outside {bats}; June and July are worst. Stems over "
            f"{treework.ROOST_DBH_CM:.0f} cm (9 in) with loose bark or cracks may hold roosts."
            if bats
            else unknown + "Bats roost in stems over 23 cm (9 in) with loose bark in the warm "
            "months: ask the wildlife agency before any tree is felled.",
            bats.source if bats else "NRCS Missouri for the stem; dates differ by state",
        ),
        (
            "nesting season",
            (
                f"Better no brush or tree work from {treework.BIRDS}; look for nests before any."
                if region
                else unknown + "Birds nest in spring and summer; look for nests before any work."
            ),
            treework.BIRDS.source,
        ),
    ]


def _patches(
    mask: NDArray[np.bool_], inside: NDArray[np.bool_], grid: Grid, least: float = _STEEP_AREA
) -> MultiPolygon:
    """The mask within the property as polygons, specks left out."""
    mask = ndimage.binary_opening(mask & inside, iterations=max(1, round(1.0 / grid.cell)))
    found = [polygon for polygon, _ in patches(mask, grid) if polygon.area >= least]
    return _areas(union_all(found).simplify(grid.cell)) if found else MultiPolygon()


def _areas(geometry: object) -> MultiPolygon:
    parts = getattr(geometry, "geoms", [geometry])
    return MultiPolygon([p for p in parts if p.geom_type == "Polygon" and p.area > 0])
