"""Stage `ground`: where the land's surface is, and how we know."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanewright.base.errors import InputError
from lanewright.land import groundfilter, smrf
from lanewright.land.surface import GroundSums, triangulate
from lanewright.land.survey import Survey
from lanewright.land.water import Tally
from lanewright.settings.ground import GroundSettings
from lanewright.sources.points import Points, PointStore
from lanewright.store import stage

log = logging.getLogger(__name__)

NOT_GROUND = (6, 9, 13, 14, 15, 16, 17, 19, 20)
"""Classes a filter need not look at: buildings, water, wires and masts, bridges, and ground that
the vendor withdrew near breaklines (ASPRS LAS 1.4 R16)."""

# Of the filtered returns only those this near above the provisional ground, and this much more
# per rise over run, make the surface: measured on a dense wood, its error against the vendor's
# ground falls from 0.26 to 0.15 m.
SURE, SURE_SLOPE = 0.05, 0.5

STEEPEST, CLIFF = 4.0, 500.0
"""Rise over run that half of any land stays below by far, and the highest step [m] from cell to
cell; ours. Beyond them heights are noise, or two pieces of land under one name."""

# A foot taken for a metre shows as heights 3.28 times too large or small.
_FEET_LOW, _FEET_HIGH = 3.2, 3.36


@dataclass(frozen=True)
class Ground:
    """Height of bare land on the grid.

    Attributes
    ----------
    surface
        Height at cell centres [m], (rows, cols) float32; NaN where nothing shows it.
    source
        `class 2`, `filter`, `smrf`, `elevation`, or `heights` for points given above ground.
    heights_given
        The points' z is height over ground already.
    facts
        Figures behind the choice of source, for the summary.
    """

    surface: NDArray[np.float32]
    source: str
    heights_given: bool
    facts: dict[str, object]
    warnings: tuple[str, ...]


@stage("ground", version=2)
def find_ground(
    survey: Survey,
    settings: GroundSettings,
    *,
    pdal: str = "",
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Ground:
    """Surface of the land from the vendor's ground class, a filter, or elevation tiles.

    Parameters
    ----------
    pdal
        Version of PDAL where the settings ask for its filter and it is installed; see `smrf`.

    Raises
    ------
    InputError
        If nothing shows the ground, if heights step as no land does, or if points and elevation
        differ by the ratio of feet to metres.
    """
    facts: dict[str, object] = {}
    warnings: list[str] = []
    points, tally, model = survey.points, survey.tally, survey.elevation
    if model is not None:
        _check_relief(model, survey.grid.cell, "elevation")
    if points is None or tally is None or settings.source == "elevation":
        return _from_elevation(survey, facts, warnings)
    if survey.heights_given:
        flat = np.where(tally.covered, np.float32(0), np.float32(np.nan))
        return _given(model if model is not None else flat)

    source = _source(survey, tally, points, settings, facts)
    if source == "class 2":
        progress(0.1)
        sums = _sum_class_2(points)
    elif settings.source == "smrf" and pdal:
        source = "smrf"
        sums = smrf.sum_ground(points, NOT_GROUND, settings.smrf, facts)
    else:
        if survey.ground_returns is not None and survey.ground_returns.any():
            warnings.append(
                "the vendor's ground class is too thin to trust; ground was filtered from the "
                "last returns"
            )
        if settings.source == "smrf":
            warnings.append(
                "ground.source is smrf but PDAL 2.2 or newer is not installed; the "
                "ground is that of our own filter"
            )
        sums = _sum_filtered(points, settings, progress)
    progress(0.5)
    x, y, z = sums.points()
    del sums  # the largest of all arrays here
    facts["ground_points"] = len(x)
    if len(x) < 3 and model is not None:
        warnings.append("no ground point was found; the ground is that of the elevation tiles")
        return _from_elevation(survey, facts, warnings)
    surface, distance = _triangulated(x, y, z, survey)
    _check_relief(surface, survey.grid.cell, "points")
    progress(0.9)
    filled = distance > settings.void_distance
    if model is not None:
        surface = _join(surface, distance, model, tally, settings, facts, warnings)
    else:
        # Beyond the survey nothing shows the ground.
        surface = np.where(tally.covered | ~filled, surface, np.float32(np.nan))
    share = 100 * filled.mean()
    log.info("ground from %s: %d points, %.1f %% of cells filled", source, len(x), share)
    return Ground(surface.astype(np.float32), source, False, facts, tuple(warnings))


def _source(
    survey: Survey,
    tally: Tally,
    points: PointStore,
    settings: GroundSettings,
    facts: dict[str, object],
) -> str:
    """`class 2` or `filter`, whichever the settings or the check of class 2 say."""
    assert survey.ground_returns is not None
    trusted = _trust(tally, survey.ground_returns, points, settings, facts)
    if settings.source == "class 2" and not survey.ground_returns.any():
        raise InputError("ground.source", "the points hold no class 2", "Set it to auto or filter.")
    if settings.source == "class 2" or (settings.source == "auto" and trusted):
        return "class 2"
    return "filter"


def _triangulated(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64], survey: Survey
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Surface through ground points and distance to them; InputError if they span none."""
    if len(x) < 3:
        raise InputError(
            "points",
            f"only {len(x)} ground points were found on the property",
            "Give elevation tiles, or check ground.source and the classes of the points.",
        )
    surface, distance = triangulate(x, y, z, survey.grid)
    if not np.isfinite(surface).any():
        raise InputError(
            "points",
            "the ground points lie on one line and span no surface",
            "Give elevation tiles, or tiles that cover the property.",
        )
    return surface, distance


def _from_elevation(survey: Survey, facts: dict[str, object], warnings: list[str]) -> Ground:
    model = survey.elevation
    if model is None or not np.isfinite(model).any():
        raise InputError(
            "elevation",
            "no elevation tile holds heights on the property",
            "Give tiles that cover it, or lidar points.",
        )
    if survey.points is None:
        warnings.append(
            "there is no lidar: terrain, drainage and grade are given, clearance is unknown"
        )
    return Ground(
        surface=model,
        source="elevation",
        heights_given=survey.heights_given,
        facts=facts,
        warnings=tuple(warnings),
    )


def _check_relief(surface: NDArray[np.float32], cell: float, key: str) -> None:
    """InputError if the steps from cell to cell of a surface (rows, cols) [m] are no land's."""
    steps = np.concatenate([np.abs(np.diff(surface, axis=k)).ravel() for k in (0, 1)])
    steps = steps[np.isfinite(steps)]
    if not steps.size:
        return
    usual, highest = float(np.median(steps)), float(steps.max())
    if usual > STEEPEST * cell or highest > CLIFF:
        raise InputError(
            key,
            f"its heights step by {usual:.3g} m from cell to cell, and by {highest:.0f} m at most, "
            "as no land does",
            "Check that all tiles are of one height system and unit, and not damaged.",
        )


def _given(surface: NDArray[np.float32]) -> Ground:
    return Ground(surface, source="heights", heights_given=True, facts={}, warnings=())


def _trust(
    tally: Tally,
    ground_returns: NDArray[np.uint16],
    points: PointStore,
    settings: GroundSettings,
    facts: dict[str, object],
) -> bool:
    """Whether class 2 is dense enough and leaves no part of the survey out."""
    grid = points.grid
    factor = max(1, round(5.0 / grid.cell))
    ground = _coarse(ground_returns, factor)
    returns = _coarse(tally.returns, factor)
    water = _coarse(tally.water_returns, factor)
    land = (returns > 0) & (water == 0)
    area = (factor * grid.cell) ** 2
    if not land.any():
        return False
    dense = float((ground[land] >= settings.class2_density * area).mean())
    last = _last_returns(points)
    share = float(ground_returns.sum()) / max(last, 1)
    near = _within(ground > 0, max(1, round(10.0 / (factor * grid.cell))))
    coverage = float(near[land].mean())
    facts.update(
        class2_per_last_return=round(share, 4),
        class2_dense_share=round(dense, 4),
        class2_coverage=round(coverage, 4),
    )
    return (share >= settings.class2_share or dense >= 0.9) and coverage >= settings.class2_coverage


def _coarse(counts: NDArray[np.uint16], factor: int) -> NDArray[np.int64]:
    rows, cols = (-(-n // factor) for n in counts.shape)
    padded = np.zeros((rows * factor, cols * factor), np.int64)
    padded[: counts.shape[0], : counts.shape[1]] = counts
    out: NDArray[np.int64] = padded.reshape(rows, factor, cols, factor).sum(axis=(1, 3))
    return out


def _within(mask: NDArray[np.bool_], cells: int) -> NDArray[np.bool_]:
    grown: NDArray[np.bool_] = ndimage.binary_dilation(mask, iterations=cells)
    return grown


def _last_returns(points: PointStore) -> int:
    return sum(
        int(np.count_nonzero(block.return_number == block.returns))
        for _window, block in points.windows(400.0)
    )


def _sum_class_2(points: PointStore) -> GroundSums:
    sums = GroundSums(points.grid)
    for _window, block in points.windows(200.0):
        chosen = block.classification == 2
        sums.add(block.x[chosen], block.y[chosen], block.z[chosen])
    return sums


def _sum_filtered(
    points: PointStore, settings: GroundSettings, progress: Callable[[float | None], None]
) -> GroundSums:
    """Ground points by the filter: once over all for the lowest heights, once to classify."""
    rules = settings.filter
    factor = max(1, round(rules.cell / points.grid.cell))
    grid = points.grid.coarser(factor)
    lowest = groundfilter.lowest_raster(grid)
    for _window, block in points.windows(200.0):
        chosen = _candidates(block)
        groundfilter.add_lowest(lowest, grid, block.x[chosen], block.y[chosen], block.z[chosen])
    progress(0.2)
    provisional = groundfilter.provisional_ground(lowest, grid.cell, rules)
    progress(0.35)
    sums = GroundSums(points.grid)
    for _window, block in points.windows(200.0):
        chosen = _candidates(block)
        x, y, z = block.x[chosen], block.y[chosen], block.z[chosen]
        height, slope = groundfilter.over(provisional, grid, x, y, z)
        is_ground = groundfilter.is_ground(height, slope, rules)
        # What passes from above is low brush as often as ground; it would lift the surface.
        is_ground &= height <= SURE + SURE_SLOPE * slope
        sums.add(x[is_ground], y[is_ground], z[is_ground])
    return sums


def _candidates(block: Points) -> NDArray[np.bool_]:
    last = block.return_number == block.returns
    kept: NDArray[np.bool_] = last & ~np.isin(block.classification, NOT_GROUND)
    return kept


def _join(
    surface: NDArray[np.float32],
    distance: NDArray[np.float32],
    model: NDArray[np.float32],
    tally: Tally,
    settings: GroundSettings,
    facts: dict[str, object],
    warnings: list[str],
) -> NDArray[np.float32]:
    """Lidar ground where points are near, elevation tiles elsewhere, brought to one level."""
    sure = (distance <= 2.0) & np.isfinite(model) & np.isfinite(surface)
    shift = 0.0
    if sure.any():
        lidar, tiles = surface[sure].astype(np.float64), model[sure].astype(np.float64)
        ratio = float(np.median(tiles) / np.median(lidar)) if np.median(lidar) else 1.0
        for value in (ratio, 1 / ratio if ratio else 0.0):
            if _FEET_LOW < value < _FEET_HIGH:
                raise InputError(
                    "elevation",
                    f"its heights and those of the points differ by {value:.2f}, as feet and "
                    "metres do",
                    "Set crs.elevation_unit or crs.vertical_unit to the true unit.",
                )
        shift = float(np.median(lidar - tiles))
        facts["elevation_minus_lidar_m"] = round(-shift, 3)
        if abs(shift) > 0.3:
            warnings.append(
                f"the elevation tiles lie {-shift:+.2f} m against the lidar ground, perhaps of "
                "another height system; they were moved to it where they fill gaps"
            )
    # Beyond the footprint the triangles only run on at the height of its rim.
    gap = (distance > settings.void_distance) | ~tally.covered
    modelled = gap & np.isfinite(model)
    unmodelled = gap & ~np.isfinite(model) & ~tally.covered
    joined = np.where(modelled, model + np.float32(shift), surface)
    facts["cells_from_elevation"] = int(modelled.sum())
    return np.where(unmodelled, np.float32(np.nan), joined)
