"""The side view: ground, growth and flight along a hole, cut open from the tee to the basket."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from numpy.typing import NDArray

from lanewright.base.arrays import Floats
from lanewright.base.units import FEET_PER_METRE
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.publish.report.drawing import path
from lanewright.publish.report.findings import Findings
from lanewright.publish.report.pictures import rgb, webp
from lanewright.publish.report.spread import Spread
from lanewright.publish.report.subjects import Row, Subject
from lanewright.publish.report.words import Units

STEP = 0.5  # m along the way between two columns of the picture
BESIDE = 0.5  # m to each side that count as on the line
THIN, DENSE = 0.03, 0.5  # contacts of a ray per metre between which growth is drawn in steps
_ABOVE = 1.5  # m of air over the flight
WIDE = 12.2  # m, free width from which the narrowest place is none worth drawing (PDGA, Course
# Design Elements: wooded fairways are 4.6 to 12.2 m wide)
BEYOND = 12.0  # m shown behind the tee and past the basket, as on the plan
_ROSE = 0.3  # m over the release from which the highest place is worth a mark
_WILD = 6.0  # m over the flight that the band of throws may take at most
_TALL = 16.0  # m of growth that the columns hold
_SHAPE = 0.34  # height over width that the picture aims at

GROWTH = ("#c9d3a4", "#8fae74", "#4f7a4e")
"""Thin, blocking and dense growth."""
UNSEEN = "#8d7f92"


@dataclass(frozen=True)
class Tick:
    """A mark on an axis."""

    at: float
    text: str
    second: str


@dataclass(frozen=True)
class SideView:
    """Drawn in metres along the way from the tee and, heights stretched, down from the top.

    Attributes
    ----------
    left
        Where the drawing begins, behind the tee [m].
    width, height
        Of the drawing, in metres along the way.
    stretch
        How many times heights are drawn.
    curtain, trimmed
        Pictures of the growth before and after trimming; the second empty without trim work.
    ground
        Outline of the ground, closed at the foot.
    water
        Surface of open water.
    flights
        Path of each leg.
    bands
        Heights between which nine of ten throws fly.
    fails
        x, y and what most throws touch there that fail.
    poles
        Where tees, landing zones and the basket stand: x, y, kind.
    along, up
        Ticks of both axes.
    pinch
        x, y and what to write at the narrowest place; None where unknown.
    apex
        The same at the highest point of the flight over its tee.
    cuts
        Pieces to trim: x, y, width, height and what they are.
    """

    left: float
    width: float
    height: float
    stretch: float
    curtain: str
    trimmed: str
    ground: Markup
    water: Markup
    flights: tuple[Markup, ...]
    bands: tuple[Markup, ...]
    fails: tuple[tuple[float, float, str], ...]
    poles: tuple[tuple[float, float, str], ...]
    along: tuple[Tick, ...]
    up: tuple[Tick, ...]
    pinch: tuple[float, float, str] | None
    apex: tuple[float, float, str]
    cuts: tuple[tuple[float, float, float, float, str], ...]
    told: str


@dataclass(frozen=True)
class _Way:
    """Places half a metre apart along all legs and straight on at both ends.

    x, y, metres from the tee along the way; height of the disc, NaN before the tee and past the
    basket; where each leg begins.
    """

    x: Floats
    y: Floats
    z: Floats
    at: Floats
    begins: tuple[float, ...]

    @property
    def length(self) -> float:
        """From tee to basket along the way [m]."""
        return float(self.at[-1] - BEYOND)


def _way(subject: Subject) -> _Way:
    begins: list[float] = []
    parts: list[Floats] = []  # x, y, height, metres from the tee
    start = 0.0
    for flown in subject.paths:
        run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(flown[:, :2], axis=0).T))]
        at = np.linspace(0, run[-1], max(2, round(run[-1] / STEP) + 1))
        places = [np.interp(at, run, flown[:, column]) for column in range(3)]
        parts.append(np.column_stack([*places, start + at]))
        begins.append(start)
        start += float(run[-1])
    away = np.arange(STEP, BEYOND + STEP / 2, STEP)
    before = _onward(subject.paths[0][3::-1], away, -away)[::-1]
    beyond = _onward(subject.paths[-1][-4:], away, start + away)
    x, y, z, at = np.concatenate([before, *parts, beyond]).T
    return _Way(x, y, z, at, tuple(begins))


def _onward(flown: Floats, away: Floats, at: Floats) -> Floats:
    """Straight on from the last of some points: x, y, no disc, metres from the tee."""
    heading = flown[-1, :2] - flown[0, :2]
    heading = heading / max(float(np.hypot(*heading)), 1e-9)
    more = flown[-1, :2] + away[:, None] * heading
    return np.column_stack([more, np.full(away.size, np.nan), at])


def side_view(
    found: Findings, subject: Subject, spreads: list[Spread | None], work: list[Row],
    outlines: list[Any], units: Units,
) -> SideView:  # fmt: skip
    """Cut the land open along a hole.

    Parameters
    ----------
    spreads
        How throws at each leg spread, where known.
    work, outlines
        Chosen trim work of the hole's legs: rows of `trim_work`, and each outline.
    """
    way = _way(subject)
    ground = _sampled(found, found.rasters["ground"], way)
    known = np.isfinite(ground)
    level = float(subject.tee[2]) - 1.4
    ground = np.interp(way.at, way.at[known], ground[known]) if known.any() else 0 * way.at + level
    floor = float(min(ground.min(), np.nanmin(way.z))) - 0.5
    canopy = (
        np.nan_to_num(_sampled(found, found.rasters["canopy_height"], way))
        if "canopy_height" in found.rasters
        else np.zeros_like(ground)
    )
    grown = float(np.percentile(ground + np.minimum(canopy, _TALL), 98))
    high = max((float(np.nanmax(s.height)) for s in spreads if s is not None), default=-np.inf)
    high = min(high, float(np.nanmax(way.z)) + _WILD)
    roof = (
        max(float(np.nanmax(way.z)) + _ABOVE, high, min(grown, float(ground.max()) + _TALL)) + 0.5
    )
    width = float(way.at[-1] - way.at[0])
    stretch = float(np.clip(np.floor(2 * _SHAPE * width / (roof - floor)) / 2, 1.0, 4.0))

    def y_of(z: Floats | float) -> Any:
        return (roof - np.asarray(z)) * stretch

    curtain = trimmed = ""
    cuts: list[tuple[float, float, float, float, str]] = []
    if found.columns is not None:
        codes = _codes(found, way)
        curtain = _curtain(codes, ground, floor, roof, found)
        if work:
            after, cuts = _after(codes, way, ground, work, outlines, y_of, units)
            trimmed = _curtain(after, ground, floor, roof, found)
    outline = np.column_stack([way.at, y_of(ground)])
    foot = y_of(floor)
    outline = np.vstack([outline, [way.at[-1], foot], [way.at[0], foot]])
    flying = np.flatnonzero(np.isfinite(way.z))
    starts = [int(np.searchsorted(way.at, b, "right") - 1) for b in way.begins]
    starts[0] = int(flying[0])
    bounds = [*starts, int(flying[-1]) + 1]
    flights = tuple(
        Markup(path(np.column_stack([way.at[a:b], y_of(way.z[a:b])]))) for a, b in pairwise(bounds)
    )
    kinds = ["tee", *["landing"] * (len(starts) - 1), "basket"]
    poles = tuple(
        (round(float(way.at[i]), 1), round(float(y_of(ground[i])), 2), kind)
        for i, kind in zip([*starts, bounds[-1] - 1], kinds, strict=True)
    )
    tee_ground = float(ground[starts[0]])
    top = starts[0] + int(np.argmax(way.z[starts[0] : bounds[1]]))
    over = float(way.z[top] - tee_ground)
    rose = float(way.z[top] - way.z[starts[0]])
    at_pinch = subject.row.get("pinch_at_m")
    pinch = None
    if at_pinch is not None and (subject.row.get("pinch_width_m") or WIDE) < WIDE:
        i = int(np.clip(np.searchsorted(way.at, at_pinch), flying[0], flying[-1]))
        pinch = (
            round(float(way.at[i]), 1), round(float(y_of(way.z[i])), 2),
            f"narrowest {units.length(subject.row['pinch_width_m'], 1)}",
        )  # fmt: skip
    return SideView(
        float(way.at[0]),
        width,
        round(float(y_of(floor)), 2),
        stretch,
        curtain,
        trimmed,
        Markup(path(outline, closed=True)),
        _water(found, way, y_of(ground)),
        flights,
        tuple(_bands(way, spreads, y_of)),
        tuple(_fails(subject, way, ground, y_of)),
        poles,
        _along_ticks(way.length, units),
        _up_ticks(tee_ground, floor, roof, stretch, units),
        pinch,
        (round(float(way.at[top]), 1), round(float(y_of(way.z[top])), 2),
         f"{units.length(over, 1)} over the tee" if rose > _ROSE else ""),
        tuple(cuts),
        _told(subject, ground, way, units),
    )  # fmt: skip


def _sampled(found: Findings, array: NDArray[Any], way: _Way) -> Floats:
    row, col = found.grid.rowcol(way.x, way.y)
    inside = (row >= 0) & (col >= 0) & (row < found.grid.rows) & (col < found.grid.cols)
    out = np.full(way.x.shape, np.nan)
    out[inside] = array[row[inside], col[inside]]
    return out


def _bands(way: _Way, spreads: list[Spread | None], y_of: Any) -> Iterator[Markup]:
    """Outlines of where nine of ten throws fly, legs laid one behind the other."""
    ends = [*way.begins[1:], way.length]
    for begin, end, spread in zip(way.begins, ends, spreads, strict=True):
        if spread is None:
            continue
        # The way follows the flight, the spread its chord.
        at = begin + spread.along * (end - begin) / max(float(spread.along[-1]), 1e-9)
        low, high = spread.height
        edge = np.vstack(
            [np.column_stack([at, y_of(high)]), np.column_stack([at, y_of(low)])[::-1]]
        )
        yield Markup(path(edge, closed=True))


def _fails(
    subject: Subject, way: _Way, ground: Floats, y_of: Any
) -> Iterator[tuple[float, float, str]]:
    for begin, leg in zip(way.begins, subject.legs, strict=True):
        if not leg.get("fail_on") or leg.get("fail_at_m") is None:
            continue
        at = begin + float(leg["fail_at_m"])
        z = float(np.interp(at, way.at, ground)) + float(leg["fail_height_m"] or 0.0)
        yield round(at, 1), round(float(y_of(z)), 2), str(leg["fail_on"])


def _water(found: Findings, way: _Way, y: Floats) -> Markup:
    """Runs of the ground that are open water."""
    bodies = found.layer("water")
    if bodies is None:
        return Markup("")
    there = np.zeros(way.x.size, bool)
    for body in bodies.geometry:
        there |= shapely.intersects_xy(body, way.x, way.y)
    edges = np.flatnonzero(np.diff(np.r_[False, there, False].astype(np.int8)))
    runs = zip(edges[::2], edges[1::2], strict=True)
    return Markup(
        "".join(path(np.column_stack([way.at[a:b], y[a:b]])) for a, b in runs if b - a > 1)
    )


def _codes(found: Findings, way: _Way) -> NDArray[np.uint8]:
    """What stands along the way by layers (places, 64).

    0 nothing, 1 to 3 growth from thin to dense, 4 solid, 5 not searched. Of the places on the line
    and half a metre to each side the densest counts; a disc would meet it.
    """
    columns = found.columns
    assert columns is not None
    grid = found.grid
    heading = np.arctan2(np.gradient(way.y), np.gradient(way.x))
    classes = np.digitize(columns.table, (THIN, found.config.legs.blocked_density, DENSE))
    classes[255] = 4
    out = np.zeros((way.x.size, LAYERS), np.uint8)
    blind = np.zeros_like(out, bool)
    bits = np.uint64(1) << np.arange(LAYERS, dtype=np.uint64)
    for aside in (-BESIDE, 0.0, BESIDE):
        row, col = grid.rowcol(way.x - aside * np.sin(heading), way.y + aside * np.cos(heading))
        row, col = np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)
        out = np.maximum(out, classes[columns.density[row, col]].astype(np.uint8))
        if aside == 0.0:
            blind = (columns.searched[row, col][:, None] & bits[None]) == 0
    # What nobody searched is told as such, whatever is expected there.
    out[blind] = 5
    return out


def _after(
    codes: NDArray[np.uint8], way: _Way, ground: Floats, work: list[Row], outlines: list[Any],
    y_of: Any, units: Units,
) -> tuple[NDArray[np.uint8], list[tuple[float, float, float, float, str]]]:  # fmt: skip
    """Codes once the pieces are gone, and where on the picture they were."""
    after = codes.copy()
    cuts = []
    points = shapely.points(way.x, way.y)
    for row, outline in zip(work, outlines, strict=True):
        near = shapely.dwithin(points, outline, BESIDE + 0.25)
        if not near.any():
            continue
        low = int(np.clip(np.floor(row["low_m"] / LAYER_HEIGHT), 0, LAYERS - 1))
        high = int(np.clip(np.ceil(row["high_m"] / LAYER_HEIGHT), low + 1, LAYERS))
        part = after[near, low:high]
        part[(part > 0) & (part < 4)] = 0
        after[near, low:high] = part
        at = way.at[near]
        base = float(ground[near].mean())
        top, foot = y_of(base + row["high_m"]), y_of(base + row["low_m"])
        cuts.append(
            (
                round(float(at.min()) - 0.25, 1), round(float(top), 2),
                round(float(at.max() - at.min()) + 0.5, 1), round(float(foot - top), 2),
                f"{row['action']}, {units.span(row['low_m'], row['high_m'], 1)} up",
            )
        )  # fmt: skip
    return after, cuts


def _curtain(
    codes: NDArray[np.uint8], ground: Floats, floor: float, roof: float, found: Findings
) -> str:
    """Picture of the growth over the ground, a row each quarter metre from `roof` down."""
    rows = int(np.ceil((roof - floor) / LAYER_HEIGHT))
    z = roof - (np.arange(rows) + 0.5) * LAYER_HEIGHT
    layer = np.floor((z[:, None] - ground[None]) / LAYER_HEIGHT).astype(int)
    inside = (layer >= 0) & (layer < LAYERS)
    place = np.broadcast_to(np.arange(len(ground)), layer.shape)
    code = np.where(inside, codes[place, np.clip(layer, 0, LAYERS - 1)], 0)
    pixels = np.zeros((*code.shape, 4), np.uint8)
    for value, colour in enumerate(GROWTH, start=1):
        pixels[code == value] = (*rgb(colour), 255)
    pixels[code == 4] = (*rgb("#55504a"), 255)
    # Dots in a grid, so that unknown is told by more than its colour.
    i, j = np.indices(code.shape)
    pixels[(code == 5) & ((i + j) % 2 == 0)] = (*rgb(UNSEEN), 150)
    return webp(pixels)


def _along_ticks(width: float, units: Units) -> tuple[Tick, ...]:
    foot = 1 / FEET_PER_METRE
    unit = foot if units.feet_first else 1.0
    each = next((s for s in (5, 10, 20, 25, 50, 100, 200) if width / unit / s <= 6.5), 500)
    ticks = []
    for k in range(int(width / unit / each) + 1):
        at = k * each * unit
        first, second = ("ft", "m") if units.feet_first else ("m", "ft")
        other = at if units.feet_first else at * FEET_PER_METRE
        ticks.append(Tick(round(at, 2), f"{k * each} {first}", f"{other:.0f} {second}"))
    return tuple(ticks)


def _up_ticks(
    tee: float, floor: float, roof: float, stretch: float, units: Units
) -> tuple[Tick, ...]:
    """Heights over the ground of the tee."""
    unit = 1 / FEET_PER_METRE if units.feet_first else 1.0
    span = (roof - floor) / unit
    each = next(s for s in (1, 2, 5, 10, 20, 50, 100) if span / s <= 5.5)
    ticks = []
    for k in range(int(np.ceil((floor - tee) / unit / each)), int((roof - tee) / unit / each) + 1):
        z = tee + k * each * unit
        if z < floor + 0.4 or z > roof - 0.4:
            continue
        sign = "+" if k > 0 else "−" if k < 0 else ""
        value = abs(k * each)
        metres = f"{value * unit:.0f}" if units.feet_first else f"{value}"
        feet = f"{value}" if units.feet_first else f"{value * FEET_PER_METRE:.0f}"
        both = (
            (f"{sign}{feet} ft", f"({metres} m)") if units.feet_first
            else (f"{sign}{metres} m", f"({feet} ft)")
        )  # fmt: skip
        ticks.append(Tick(round((roof - z) * stretch, 2), both[0], both[1]))
    return tuple(ticks)


def _told(subject: Subject, ground: Floats, way: _Way, units: Units) -> str:
    """What the drawing shows, for those who do not see it."""
    flying = np.isfinite(way.z)
    rise = float(ground[flying][-1] - ground[flying][0])
    slope = "level" if abs(rise) < 0.5 else "uphill" if rise > 0 else "downhill"
    height = float(np.nanmax(way.z - ground))
    return (
        f"Side view of {subject.title}: {units.length(subject.length)}, {slope} by "
        f"{units.length(abs(rise), 1)}; the disc flies up to {units.length(height, 1)} over the "
        "ground below it."
    )


__all__ = ["SideView", "side_view"]
