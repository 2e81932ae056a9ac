"""Features of the ground: drops and climbs, knolls and ridges for tees, bowls and benches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.units import both
from lanewright.features.found import Found, Squares, air_along, compass, full, peaks, within_throw
from lanewright.kernels.around import around, furthest_down
from lanewright.scene import Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level

DIRECTIONS = 16
EVERY = 2  # squares between places that are tried
COMMON = 0.6  # share of its worth that a drop loses where any place has as much; ours
APART = 50.0  # m between two features of one kind of ground
STEEP = 12.0  # percent of slope beside a bench at the least: where one looks for level ground; ours
SURE = 0.95  # of the shape of the ground where lidar or an elevation model knows it; ours
SHELF = 1.5  # times the rise of a bowl that a slope needs above and below a bench; ours


def falls(
    scene: Scene, land: Squares, levels: Sequence[Level], settings: FeaturesSettings
) -> Iterator[Found]:
    """Drops, then climbs: the most height lost or gained within a throw, a place at a time.

    A climb that runs along a drop that was found is the same slope from below and left out.
    """
    spot = land.dry & (land.slope_pct <= settings.tee_slope)
    places = _every(spot)
    longest = max(level.tee_throw for level in levels)
    drops = list(_falls(scene, land, spot, places, longest, levels, settings, down=True))
    yield from drops
    taken = [shapely.buffer(found.line, 0.8 * APART) for found in drops]
    for found in _falls(scene, land, spot, places, longest, levels, settings, down=False):
        if not any(area.contains(found.line.centroid) for area in taken):
            yield found


def _falls(
    scene: Scene,
    land: Squares,
    spot: Flags,
    places: Ints,
    longest: float,
    levels: Sequence[Level],
    settings: FeaturesSettings,
    *,
    down: bool,
) -> Iterator[Found]:
    sign = 1.0 if down else -1.0
    ground = (sign * land.ground).astype(np.float32)
    best, cell = np.zeros(len(places)), places.copy()
    near, far = (max(1, round(m / land.grid.cell)) for m in (settings.throw_from, longest))
    furthest_down(ground, spot, places, compass(2 * DIRECTIONS), near, far, best, cell)
    # Where every place of a slope offers as much, none stands out.
    usual = float(np.median(best)) if len(best) else 0.0
    high = np.flatnonzero((best >= settings.drop_from) & (best >= settings.drop_over * usual))
    # Two throws from one tee to places far apart are two, and so are two tees.
    ends = np.hstack([places[high], cell[high]]).astype(np.float64)
    for k in peaks(best[high], ends, 1.5 * APART / land.grid.cell):
        line = land.line(places[high[k]], cell[high[k]])
        metres = float(best[high[k]])
        air = air_along(scene, line)
        effective = line.length - 3 * metres if down else line.length + 3 * metres
        can = within_throw(levels, max(effective, 0.6 * line.length))
        words = "falls" if down else "rises"
        yield Found(
            kind="drop" if down else "climb",
            line=line,
            worth=full(metres, settings.drop_full)
            * (1 - COMMON * usual / metres)
            * (0.3 + 0.7 * air.free),
            certainty=SURE * (1.0 - 0.5 * air.unknown),
            figure=both(metres, 1),
            reason=f"The ground {words} {both(metres, 1)} over {both(line.length)}{air.said}.",
            levels=can if air.passes else (),
            figures={"drop_m": sign * metres} | air.figures,
        )


@dataclass(frozen=True)
class _Around:
    """How the ground lies around places (n, directions)."""

    rise: Floats
    fall: Floats


def _look(land: Squares, places: Ints, reach: float, count: int = DIRECTIONS) -> _Around:
    shape = (len(places), count)
    rise, fall = np.zeros(shape), np.zeros(shape)
    steps = max(1, round(reach / land.grid.cell))
    none = np.zeros(land.grid.shape, bool)
    around(land.ground, none, places, compass(count), steps, rise, fall, np.zeros(shape, np.int64))
    return _Around(rise, fall)


def _every(spot: Flags) -> Ints:
    """Rows and columns of every second square that is a spot."""
    thin = np.zeros_like(spot)
    thin[::EVERY, ::EVERY] = spot[::EVERY, ::EVERY]
    return np.argwhere(thin)


def _longest_run(flags: Flags) -> Ints:
    """Longest run of true directions around each place, the circle closed (n,)."""
    count = flags.shape[1]
    run, longest = np.zeros(len(flags), np.int64), np.zeros(len(flags), np.int64)
    for k in range(2 * count):
        run = np.where(flags[:, k % count], run + 1, 0)
        longest = np.maximum(longest, run)
    return np.minimum(longest, count)


def high_tees(land: Squares, settings: FeaturesSettings) -> Iterator[Found]:
    """Knolls, from which the ground falls all around, and ridges, from which it falls both ways."""
    spot = land.dry & (land.slope_pct <= settings.tee_slope)
    places = _every(spot)
    if not len(places):
        return
    look = _look(land, places, settings.knoll_reach)
    falls_off = look.fall >= settings.knoll_rise
    # The top, not its shoulder: nothing near stands higher by more than a quarter of the rise.
    top = _look(land, places, settings.knoll_reach / 2).rise.max(1) <= settings.knoll_rise / 4
    sides = falls_off & np.roll(falls_off, DIRECTIONS // 2, axis=1)
    knoll = top & (falls_off.sum(1) >= DIRECTIONS - 1)
    # One side of all may fall less: there the ground goes on as it were a spur.
    lowest = np.sort(look.fall, axis=1)[:, 1]
    across = np.minimum(look.fall, np.roll(look.fall, DIRECTIONS // 2, axis=1)).max(1)
    level_along = look.fall + look.rise
    level_along = level_along + np.roll(level_along, DIRECTIONS // 2, axis=1)
    ridge = (
        ~knoll
        & (sides.sum(1) >= DIRECTIONS // 2)
        & (level_along.min(1) < settings.knoll_rise)
        & _crest(land, places)
    )
    for kind, chosen, height in (("knoll_tee", knoll, lowest), ("ridge_tee", ridge, across)):
        at = np.flatnonzero(chosen)
        for k in peaks(height[at], places[at].astype(float), APART / land.grid.cell):
            i = at[k]
            metres = float(height[i])
            yield _tee(land, kind, places[i], look.fall[i], metres, settings)


def _crest(land: Squares, places: Ints) -> Flags:
    """Whether places lie on the line of a ridge: no ground within 6 m is clearly higher."""
    highest = ndi.maximum_filter(np.nan_to_num(land.ground, nan=-np.inf), 2 * 3 + 1)
    row, col = places.T
    return np.asarray(highest[row, col] - land.ground[row, col] <= 0.4)


def _tee(
    land: Squares, kind: str, place: Ints, fall: Floats, metres: float, settings: FeaturesSettings
) -> Found:
    """A tee looks down the side that falls furthest."""
    way = compass(DIRECTIONS)[int(fall.argmax())]
    reach = settings.knoll_reach / land.grid.cell
    line = land.line(place, np.rint(place + way * reach).astype(np.int64))
    sides = "on both sides"
    if kind == "knoll_tee":
        all_fall = fall.min() >= settings.knoll_rise
        sides = "on all sides" if all_fall else f"on {DIRECTIONS - 1} of {DIRECTIONS} sides"
    return Found(
        kind=kind,
        line=line,
        worth=full(metres, 3 * settings.knoll_rise),
        certainty=SURE,
        figure=both(metres, 1),
        reason=f"The ground falls at least {both(metres, 1)} {sides} within "
        f"{both(settings.knoll_reach)}, and drains.",
        figures={"drop_m": float(fall.max()), "height_m": metres},
    )


def green_spots(land: Squares, settings: FeaturesSettings) -> Iterator[Found]:
    """Level ground for a green that a bowl surrounds, or that lies on a slope like a shelf."""
    wide = 2 * round(settings.flat_reach / land.grid.cell) + 1
    slope = ndi.uniform_filter(np.nan_to_num(land.slope_pct, nan=99.0), wide)
    spot = land.dry & (slope <= settings.flat_slope)
    places = _every(spot)
    if not len(places):
        return
    look = _look(land, places, settings.bowl_reach)
    row, col = places.T
    rises = look.rise >= settings.bowl_rise
    run = _longest_run(rises)
    # Open to one side, or nobody could play into it; half around, or it is a slope.
    bowl = (run >= 9) & (run <= 14) & (look.fall.max(1) < 4 * settings.bowl_rise)
    rise = np.sort(look.rise, axis=1)[:, DIRECTIONS // 2]
    half = DIRECTIONS // 2
    shelf = np.minimum(look.rise, np.roll(look.fall, half, axis=1))
    level = _level_across(land, places, settings)
    bench = ~bowl & (shelf.max(1) >= SHELF * settings.bowl_rise) & level
    for kind, chosen, height in (
        ("amphitheatre_green", bowl, rise),
        ("bench_green", bench, shelf.max(1)),
    ):
        at = np.flatnonzero(chosen)
        flat = 1 - slope[row[at], col[at]] / (2 * settings.flat_slope)
        for k in peaks(height[at] * flat, places[at].astype(float), APART / land.grid.cell):
            i = at[k]
            steep = float(slope[row[i], col[i]])
            yield _green(land, kind, places[i], look, i, (float(height[i]), steep), settings)


def _level_across(land: Squares, places: Ints, settings: FeaturesSettings) -> Flags:
    """Whether the ground near a place is clearly gentler than that above and below it."""
    slope = np.nan_to_num(land.slope_pct)
    near = ndi.uniform_filter(slope, 2 * round(settings.flat_reach / land.grid.cell) + 1)
    wide = ndi.maximum_filter(
        ndi.uniform_filter(slope, 3), 2 * round(settings.bowl_reach / land.grid.cell) + 1
    )
    row, col = places.T
    return np.asarray((wide[row, col] >= 3 * near[row, col]) & (wide[row, col] >= STEEP))


def _green(
    land: Squares,
    kind: str,
    place: Ints,
    look: _Around,
    index: int,
    measured: tuple[float, float],
    settings: FeaturesSettings,
) -> Found:
    metres, steep = measured
    rise = look.rise[index]
    way = compass(DIRECTIONS)[int(rise.argmax())]
    end = np.rint(place + way * (settings.bowl_reach / land.grid.cell)).astype(np.int64)
    bowl = kind == "amphitheatre_green"
    if bowl:
        reason = f"Level ground ({steep:.0f} %) with slopes of {both(metres, 1)} around it."
    else:
        reason = (
            f"A level shelf ({steep:.0f} %) with {both(metres, 1)} and more of slope above and "
            "below: a green with a fall-off."
        )
    return Found(
        kind=kind,
        line=land.line(place, end),
        worth=full(metres, 3 * settings.bowl_rise) * (1 - 0.5 * steep / settings.flat_slope),
        certainty=SURE,
        figure=both(metres, 1),
        reason=reason,
        figures={"height_m": metres, "slope_pct": steep},
    )
