"""Stage `changes`: canopy, ground, buildings and lanes beside those of an earlier survey."""

from __future__ import annotations

import datetime as dt
import logging
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi
from skimage.morphology import disk

from lanewright.base.arrays import Flags, Raster
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of, outlines
from lanewright.base.rows import Row
from lanewright.changes.earlier import Earlier
from lanewright.changes.lanewidths import widths_since
from lanewright.changes.rates import growth_by_height
from lanewright.changes.shift import LEAST_LIKE, Shift, find_shift, known_in_both, moved_by
from lanewright.growth.lanes import Lanes
from lanewright.land.survey import Survey
from lanewright.scene import Scene
from lanewright.settings.compare import CompareSettings
from lanewright.store import stage

log = logging.getLogger(__name__)

LOST, GAINED = "canopy lost", "canopy gained"
RAISED, LOWERED = "ground raised", "ground lowered"
BUILT, REMOVED = "new building", "building gone"
KINDS = (LOST, GAINED, RAISED, LOWERED, BUILT, REMOVED)

EDGE = 1.0
"""Strips narrower than twice this are edges of crowns that swayed or grew [m]; ours."""

YEAR = 365.25
DENSER = 2.0
"""Ratio of pulse densities from which canopies differ by the surveys themselves; ours."""


@dataclass(frozen=True)
class Changes:
    """What is different since an earlier survey.

    Attributes
    ----------
    changes
        `change_id`, `kind` (one of `KINDS`), `area_m2`, `height_then_m`, `height_now_m`,
        `change_m` (medians over the patch), `trees_then` (tops in it); MultiPolygon. Largest first.
    lanes
        See `lanewidths.widths_since`.
    shift
        What the earlier survey was moved by.
    facts, warnings
        For the summary.
    """

    changes: gpd.GeoDataFrame
    lanes: gpd.GeoDataFrame
    shift: Shift
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Pair:
    """Both surveys, the earlier one moved over today's; arrays (rows, cols)."""

    grid: Grid
    inside: Flags
    ground: Raster
    canopy: Raster
    ground_then: Raster
    canopy_then: Raster
    water: Flags


@stage("changes", version=2)
def find_changes(
    survey: Survey,
    ground: Raster,
    lanes: Lanes,
    scene: Scene,
    earlier: Earlier,
    settings: CompareSettings,
) -> Changes:
    """Compare today's survey with an earlier one.

    Parameters
    ----------
    survey, lanes, scene
        Today's results.
    ground : (rows, cols)
        Height of the land, under water as well [m].
    earlier
        The earlier survey on the same grid.
    settings
        The section `compare` of the configuration.

    Raises
    ------
    InputError
        If both lie too far apart to be surveys of one land, or are given in the wrong order.
    """
    warnings = list(earlier.warnings)
    shift = find_shift(
        ground, scene.canopy_height, earlier.ground, earlier.canopy_height, survey.grid.cell
    )
    _refuse(shift, settings)
    if shift.likeness < LEAST_LIKE:
        warnings.append(
            "how far the earlier survey lies off sideways could not be measured; it was not moved "
            "sideways, and changes at edges may come from that"
        )
    pair = _paired(survey, ground, scene, earlier, shift)
    years = _years(survey, earlier, settings, warnings)
    pace = years if _alike(scene.leaf_state, settings.leaf_state) else np.nan
    _doubt(survey, earlier, scene.leaf_state, settings, warnings)
    table = _patches(pair, scene.buildings, earlier, shift, settings)
    width_then = _moved(earlier.free_width, shift, survey.grid.cell)
    since = widths_since(lanes, earlier, width_then, survey.grid, pace)
    undisturbed = pair.inside & ~_felled_or_built(table, survey.grid)
    growth = growth_by_height(
        pair.canopy,
        pair.canopy_then,
        undisturbed,
        survey.grid.cell,
        pace,
    )
    facts = _facts(shift, years, table, since, growth)
    log.info(
        "%d changes since the earlier survey, %.0f m2 of canopy lost; moved %.2f m, raised %.2f m",
        len(table),
        table.loc[table["kind"] == LOST, "area_m2"].sum(),
        np.hypot(shift.east, shift.north),
        shift.up,
    )
    return Changes(table, since, shift, facts, tuple(warnings))


def _refuse(shift: Shift, settings: CompareSettings) -> None:
    sideways = float(np.hypot(shift.east, shift.north))
    if sideways > settings.most_shift:
        raise InputError(
            "compare.points",
            f"the earlier survey lies {sideways:.1f} m off sideways, over the "
            f"{settings.most_shift:g} m of compare.most_shift",
            "Check crs.points and the CRS that its tiles state.",
        )
    if abs(shift.up) > settings.most_rise:
        raise InputError(
            "compare.points",
            f"its ground lies {-shift.up:+.2f} m off today's, over the {settings.most_rise:g} m of "
            "compare.most_rise",
            "Both need one vertical datum and unit; check crs.vertical_unit.",
        )


def _paired(survey: Survey, ground: Raster, scene: Scene, earlier: Earlier, shift: Shift) -> _Pair:
    cell = survey.grid.cell
    return _Pair(
        grid=survey.grid,
        inside=survey.inside,
        ground=ground,
        canopy=scene.canopy_height,
        ground_then=_moved(earlier.ground, shift, cell) + np.float32(shift.up),
        canopy_then=_moved(earlier.canopy_height, shift, cell),
        water=scene.water,
    )


def _moved(raster: Raster, shift: Shift, cell: float) -> Raster:
    return moved_by(raster, -shift.north / cell, shift.east / cell)


def _years(
    survey: Survey, earlier: Earlier, settings: CompareSettings, warnings: list[str]
) -> float:
    """Years between both surveys; NaN where a date is not known."""
    then, now = settings.flown, settings.now
    if then is None and earlier.flown:
        then = dt.date.fromisoformat(earlier.flown[-1])
    flown = survey.facts.get("flown", ())
    if now is None and isinstance(flown, list | tuple) and flown:
        now = dt.date.fromisoformat(str(flown[-1]))
    if then is None or now is None:
        missing = "compare.flown" if then is None else "compare.now"
        warnings.append(f"{missing} is not known, so nothing is said of growth per year")
        return np.nan
    if now <= then:
        raise InputError(
            "compare.flown",
            f"the survey to compare with, of {then}, is not earlier than the one in points, of "
            f"{now}",
            "Name the later survey in points, the earlier one in compare.points.",
        )
    return (now - then).days / YEAR


def _alike(now: str, then: str) -> bool:
    """Whether both surveys are known to have seen leaves, or known to have seen none."""
    return now == then and now != "unknown"


def _doubt(
    survey: Survey, earlier: Earlier, leaf_state: str, settings: CompareSettings, said: list[str]
) -> None:
    """Say what makes two canopies differ besides growth."""
    pair = sorted((survey.first_returns_per_m2, earlier.first_returns_per_m2))
    if pair[0] > 0 and pair[1] > DENSER * pair[0]:
        said.append(
            f"the earlier survey has {earlier.first_returns_per_m2:.1f} first returns per m2, this "
            f"one {survey.first_returns_per_m2:.1f}: the sparser one misses tops of crowns, and "
            "growth is over- or underestimated by it"
        )
    if {leaf_state, settings.leaf_state} == {"on", "off"}:
        said.append(
            "one survey was flown in leaf, the other without: changes of the canopy hold both "
            "growth and leaves, and nothing is said of growth per year"
        )
    elif not _alike(leaf_state, settings.leaf_state):
        said.append(
            "leaf_state or compare.leaf_state is unknown: changes of the canopy may be leaves, and "
            "nothing is said of growth per year"
        )


def _patches(
    pair: _Pair,
    buildings: shapely.Geometry,
    earlier: Earlier,
    shift: Shift,
    settings: CompareSettings,
) -> gpd.GeoDataFrame:
    """Patches of every kind of change, largest first."""
    canopy, then = pair.canopy, pair.canopy_then
    house_then = _moved(earlier.building.astype(np.float32), shift, pair.grid.cell) > 0.5
    house = cells_of(buildings, pair.grid)
    near_house = ndi.binary_dilation(house | house_then, _round(2.0, pair.grid))
    known = known_in_both(canopy, then) & pair.inside
    rise = pair.ground - pair.ground_then
    step = max(settings.ground_step, 3 * float(np.nan_to_num(shift.up_scatter)))
    land = np.isfinite(rise) & pair.inside & ~pair.water & ~near_house
    masks = (
        known
        & ~near_house
        & (then >= settings.tree_height)
        & (canopy <= (1 - settings.lost_share) * then),
        known & ~near_house & (canopy - then >= settings.gained),
        land & (rise >= step),
        land & (rise <= -step),
        house & pair.inside & ~ndi.binary_dilation(house_then, _round(1.0, pair.grid)),
        house_then & pair.inside & ~ndi.binary_dilation(house, _round(1.0, pair.grid)),
    )
    tops = earlier.trees.geometry.translate(shift.east, shift.north)
    rows: list[Row] = []
    shapes: list[shapely.MultiPolygon] = []
    for kind, mask in zip(KINDS, masks, strict=True):
        heights = (pair.ground_then, pair.ground) if kind.startswith("ground") else (then, canopy)
        for label, shape in _outlined(mask, pair.grid, settings.least_area):
            before, after = (float(np.nanmedian(h[label])) for h in heights)
            rows.append(
                {
                    "kind": kind,
                    "area_m2": shape.area,
                    "height_then_m": before,
                    "height_now_m": after,
                    "change_m": after - before,
                    "trees_then": int(tops.within(shape).sum()) if kind == LOST else 0,
                }
            )
            shapes.append(shape)
    table = gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=list(_COLUMNS)).astype(_COLUMNS),
        geometry=shapes,
        crs=pair.grid.crs,
    )
    order = np.lexsort((table["kind"].to_numpy(), -table["area_m2"].to_numpy()))
    table = table.iloc[order].reset_index(drop=True)
    table.insert(0, "change_id", np.arange(1, len(table) + 1, dtype=np.int64))
    return table


_COLUMNS = {
    "kind": "str",
    "area_m2": "float64",
    "height_then_m": "float64",
    "height_now_m": "float64",
    "change_m": "float64",
    "trees_then": "int64",
}


def _round(radius: float, grid: Grid) -> Flags:
    """Disc of a radius [m] as cells."""
    cells = max(1, round(radius / grid.cell))
    disc: Flags = disk(cells) > 0  # type: ignore[no-untyped-call]
    return disc


def _outlined(mask: Flags, grid: Grid, least: float) -> list[tuple[Flags, shapely.MultiPolygon]]:
    """Connected parts of a mask that are no thin strips, each with its outline."""
    solid = ndi.binary_opening(mask, _round(EDGE, grid))
    label, count = ndi.label(solid)
    areas = np.bincount(label.ravel(), minlength=count + 1) * grid.cell**2
    keep = np.flatnonzero(areas[1:] >= least) + 1
    numbers = np.zeros(count + 1, np.int32)
    numbers[keep] = np.arange(1, len(keep) + 1)
    regions: NDArray[np.int32] = numbers[label]
    found = [shapely.MultiPolygon(s) for s in outlines(regions, grid)] if len(keep) else []
    return [(regions == n, shape) for n, shape in enumerate(found, start=1)]


def _felled_or_built(table: gpd.GeoDataFrame, grid: Grid) -> Flags:
    """Cells of patches where the canopy was lost or houses stand."""
    felled = table[table["kind"].isin([LOST, BUILT, REMOVED])]
    return cells_of(felled.union_all(), grid)


def _facts(
    shift: Shift,
    years: float,
    table: gpd.GeoDataFrame,
    lanes: gpd.GeoDataFrame,
    growth: list[Row],
) -> dict[str, object]:
    by_kind = table.groupby("kind")["area_m2"]
    return {
        "years": None if np.isnan(years) else round(years, 2),
        "moved_m": {
            "east": round(shift.east, 2),
            "north": round(shift.north, 2),
            "up": round(shift.up, 3),
            "sideways_error": _or_none(shift.sideways_error, 2),
            "scatter_of_ground": _or_none(shift.up_scatter, 3),
            "likeness": round(shift.likeness, 2),
            "measured": shift.likeness >= LEAST_LIKE,
        },
        "kinds": {
            str(kind): {"patches": len(part), "area_m2": round(float(part.sum()))}
            for kind, part in by_kind
        },
        "trees_lost": int(table["trees_then"].sum()),
        "lanes": {str(k): int(n) for k, n in lanes["state"].value_counts().sort_index().items()},
        "growth": growth,
    }


def _or_none(value: float, digits: int) -> float | None:
    return None if np.isnan(value) else round(value, digits)
