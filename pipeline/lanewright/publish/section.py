"""A hole cut open from the tee to the basket: ground, growth, flights, what trimming takes.

Distances run along the straight lines of the throws, one leg behind the other, as on the plan; the
places that are cut follow the flights.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats
from lanewright.base.rows import Row
from lanewright.base.units import FOOT
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID
from lanewright.publish.mapdata import Line, MapData, unit

STEP = 0.5  # m along the way between two columns
BESIDE = 0.5  # m to each side that count as on the line
BEYOND = 12.0  # m shown behind the tee and past the basket
THIN, DENSE = 0.03, 0.5  # contacts of a ray per metre between which growth is drawn in steps
WIDE = 12.2
"""Free width [m] from which the narrowest place is none worth drawing (PDGA, Course Design
Elements: wooded fairways are 4.6 to 12.2 m wide)."""
CLEAR = 0.9
"""Clear rate from which failing throws are few and far between; ours."""

EMPTY, THINLY, BLOCKING, DENSELY, BUILT, UNSEEN = range(6)
"""What stands in a layer: nothing, growth in three steps, what is solid, nothing known."""

Codes = NDArray[np.uint8]


@dataclass(frozen=True)
class Fail:
    """Where most throws of a leg that fail touch something: along the way and height [m]."""

    along: float
    height: float
    what: str


@dataclass(frozen=True)
class Pinch:
    """The narrowest place of a leg: along the way, free width [m]."""

    along: float
    width: float


@dataclass(frozen=True)
class Cut:
    """A piece of trim work.

    Attributes
    ----------
    number
        Its place in `Line.work`, from 1.
    along
        Where its middle lies along the way [m].
    first, last
        Where it meets what is cut [m]; None where it stands farther beside the line.
    low, high
        Its ends in the vertical datum [m].
    """

    number: int
    along: float
    first: float | None
    last: float | None
    low: float
    high: float


@dataclass(frozen=True)
class Section:
    """Places half a metre apart along all legs and straight on at both ends.

    Attributes
    ----------
    x, y, along : (n,)
        Place, and metres from the tee.
    ground : (n,)
        Height of the ground in the vertical datum [m], across gaps straight.
    known : (n,)
        Whether the ground is known.
    canopy : (n,)
        Height of the canopy's top in the vertical datum [m]; NaN unknown.
    codes, trimmed : (n, layers)
        What stands in each layer over the ground, before and after trimming; None without lidar,
        or without trim work.
    wet : (n,)
        Whether open water covers the place.
    joints
        Where throws start and end [m]: tee, landing zones, basket.
    flights
        Distance and height of each leg's disc (points, 2).
    bands
        Of each leg whose spread is known: distance, lower and upper edge of nine of ten throws
        (points, 3).
    """

    x: Floats
    y: Floats
    along: Floats
    ground: Floats
    known: Flags
    canopy: Floats
    codes: Codes | None
    trimmed: Codes | None
    wet: Flags
    joints: tuple[float, ...]
    flights: tuple[Floats, ...]
    bands: tuple[Floats, ...]
    fails: tuple[Fail, ...] = ()
    pinches: tuple[Pinch, ...] = ()
    cuts: tuple[Cut, ...] = ()

    @property
    def length(self) -> float:
        """From tee to basket along the way [m]."""
        return self.joints[-1]

    def ground_at(self, along: float) -> float:
        """Height of the ground at a distance from the tee [m]."""
        return float(np.interp(along, self.along, self.ground))

    @property
    def lowest(self) -> float:
        """Lowest ground or disc [m]."""
        return float(min(self.ground.min(), *(f[:, 1].min() for f in self.flights)))

    @property
    def highest(self) -> float:
        """Highest disc [m]."""
        return float(max(f[:, 1].max() for f in self.flights))


def section_of(data: MapData, line: Line, release: float = 1.4) -> Section:
    """Cut the land open along a hole.

    `release` is the height over the ground that a throw leaves the hand at [m], from which the
    ground is guessed where none of it is known.
    """
    x, y, along, joints = _way(line)
    grid = data.grid
    row, col = grid.rowcol(x, y)
    inside = (row >= 0) & (col >= 0) & (row < grid.rows) & (col < grid.cols)

    def sampled(raster: NDArray[np.floating] | None) -> Floats:
        out = np.full(x.shape, np.nan)
        if raster is not None:
            out[inside] = raster[row[inside], col[inside]]
        return out

    ground = sampled(data.ground)
    known = np.isfinite(ground)
    if known.any():
        ground = np.interp(along, along[known], ground[known])
    else:
        ground = np.full(x.shape, line.paths[0][0, 2] - release)
    cut = Section(
        x,
        y,
        along,
        ground,
        known,
        canopy=ground + sampled(data.canopy),
        codes=None if data.columns is None else _codes(data, x, y),
        trimmed=None,
        wet=_wet(data.water, x, y),
        joints=joints,
        flights=tuple(_flights(line, joints)),
        bands=tuple(_bands(line, joints)),
    )
    cut = replace(cut, fails=tuple(_fails(line, cut)), pinches=tuple(_pinches(line, joints)))
    cuts, trimmed = _cuts(line, cut)
    return replace(cut, cuts=cuts, trimmed=trimmed)


def picture(codes: Codes, ground: Floats, low: float, high: float) -> Codes:
    """Codes over the ground as pixels: a row each quarter metre from `high` down to `low`."""
    rows = int(np.ceil((high - low) / LAYER_HEIGHT))
    z = high - (np.arange(rows) + 0.5) * LAYER_HEIGHT
    layer = np.floor((z[:, None] - ground[None]) / LAYER_HEIGHT).astype(int)
    inside = (layer >= 0) & (layer < LAYERS)
    place = np.broadcast_to(np.arange(len(ground)), layer.shape)
    return np.where(inside, codes[place, np.clip(layer, 0, LAYERS - 1)], EMPTY).astype(np.uint8)


def height_marks(
    cut: Section, low: float, high: float, feet: bool, most: float = 5.5
) -> list[tuple[float, int]]:
    """Round heights over the ground at the tee between two heights of the datum [m].

    Returns
    -------
    list of (float, int)
        Height in the datum [m], and what to write: metres, or feet with `feet`.
    """
    unit = FOOT if feet else 1.0
    tee = cut.ground_at(0.0)
    each = next(s for s in (1, 2, 5, 10, 20, 50, 100, 1000) if (high - low) / unit / s <= most)
    first, last = np.ceil((low - tee) / unit / each), np.floor((high - tee) / unit / each)
    return [(tee + k * each * unit, k * each) for k in range(int(first), int(last) + 1)]


def _way(line: Line) -> tuple[Floats, Floats, Floats, tuple[float, ...]]:
    """Places to cut at (x, y), metres from the tee, and where throws start and end."""
    parts: list[Floats] = []
    joints = [0.0]
    for flown in line.paths:
        gone, size = _gone(flown)
        at = np.linspace(0.0, size, max(1, round(size / STEP)), endpoint=False)
        places = [np.interp(at, gone, flown[:, axis]) for axis in (0, 1)]
        parts.append(np.column_stack([*places, joints[-1] + at]))
        joints.append(joints[-1] + size)
    away = np.arange(STEP, BEYOND + STEP / 2, STEP)
    first, last = line.paths[0], line.paths[-1]
    before = line.tee - away[::-1, None] * unit(first[:4][-1, :2] - first[0, :2])
    after = line.end + away[:, None] * unit(last[-1, :2] - last[-4:][0, :2])
    x, y, along = np.concatenate(
        [
            np.column_stack([before, -away[::-1]]),
            *parts,
            [[*line.end, joints[-1]]],
            np.column_stack([after, joints[-1] + away]),
        ]
    ).T
    return x, y, along, tuple(joints)


def _gone(flown: Floats) -> tuple[Floats, float]:
    """Metres along a throw's straight line at each point of its flight, and its length."""
    chord = flown[-1, :2] - flown[0, :2]
    size = max(float(np.hypot(*chord)), 1e-6)
    gone = np.maximum.accumulate((flown[:, :2] - flown[0, :2]) @ (chord / size))
    return np.clip(gone, 0.0, size), size


def _flights(line: Line, joints: tuple[float, ...]) -> Iterator[Floats]:
    for begin, flown in zip(joints, line.paths, strict=False):
        yield np.column_stack([begin + _gone(flown)[0], flown[:, 2]])


def _bands(line: Line, joints: tuple[float, ...]) -> Iterator[Floats]:
    for begin, spread in zip(joints, line.spreads, strict=False):
        if spread is not None:
            yield np.column_stack([begin + spread.along, *spread.height])


def _codes(data: MapData, x: Floats, y: Floats) -> Codes:
    """What stands along the way by layers (places, layers).

    Of the places on the line and half a metre to each side the densest counts; a disc would meet
    it. What nobody searched is marked as such, whatever is expected there.
    """
    columns, grid = data.columns, data.grid
    assert columns is not None
    turn = np.arctan2(np.gradient(y), np.gradient(x))
    classes = np.digitize(columns.table, (THIN, data.blocked, DENSE)).astype(np.uint8)
    classes[SOLID] = BUILT
    out = np.zeros((x.size, LAYERS), np.uint8)
    bits = np.uint64(1) << np.arange(LAYERS, dtype=np.uint64)
    for aside in (-BESIDE, BESIDE, 0.0):
        row, col = grid.nearest(x - aside * np.sin(turn), y + aside * np.cos(turn))
        np.maximum(out, classes[columns.density[row, col]], out=out)
    out[(np.asarray(columns.searched[row, col])[:, None] & bits) == 0] = UNSEEN
    return out


def _wet(water: Sequence[shapely.Geometry], x: Floats, y: Floats) -> Flags:
    there = np.zeros(x.size, bool)
    for body in water:
        there |= shapely.intersects_xy(body, x, y)
    return there


def _fails(line: Line, cut: Section) -> Iterator[Fail]:
    for begin, leg in zip(cut.joints, line.legs, strict=False):
        if fails(leg):
            along = begin + float(leg["fail_at_m"])
            height = cut.ground_at(along) + float(leg.get("fail_height_m") or 0.0)
            yield Fail(along, height, str(leg.get("fail_on") or ""))


def fails(leg: Row) -> bool:
    """Whether it is worth saying where the throws of a leg fail that do."""
    rate = leg.get("clear_rate")
    return leg.get("fail_at_m") is not None and isinstance(rate, float) and rate < CLEAR


def _pinches(line: Line, joints: tuple[float, ...]) -> Iterator[Pinch]:
    for begin, leg in zip(joints, line.legs, strict=False):
        if leg.get("pinch_width_m") is not None and leg.get("pinch_at_m") is not None:
            yield Pinch(begin + float(leg["pinch_at_m"]), float(leg["pinch_width_m"]))


def _cuts(line: Line, cut: Section) -> tuple[tuple[Cut, ...], Codes | None]:
    """Where the pieces of trim work stand, and what stands once they are gone."""
    begins = {leg["leg_id"]: at for leg, at in zip(line.legs, cut.joints, strict=False)}
    after = None if cut.codes is None or not line.work else cut.codes.copy()
    points = shapely.points(cut.x, cut.y)
    cuts = []
    for number, (row, outline) in enumerate(zip(line.work, line.outlines, strict=True), start=1):
        along = begins[row["leg_id"]] + float(row["along_m"] or 0.0)
        near = shapely.dwithin(points, outline, BESIDE + 0.25)
        base, first, last = cut.ground_at(along), None, None
        if near.any():
            at = cut.along[near]
            base, first, last = float(cut.ground[near].mean()), float(at.min()), float(at.max())
            if after is not None:
                _take(after, near, row["low_m"], row["high_m"])
        cuts.append(Cut(number, along, first, last, base + row["low_m"], base + row["high_m"]))
    return tuple(cuts), after


def _take(codes: Codes, near: Flags, low_m: float, high_m: float) -> None:
    """Take growth between two heights over the ground out of the codes."""
    low = int(np.clip(np.floor(low_m / LAYER_HEIGHT), 0, LAYERS - 1))
    high = int(np.clip(np.ceil(high_m / LAYER_HEIGHT), low + 1, LAYERS))
    part = codes[near, low:high]
    part[(part > EMPTY) & (part < BUILT)] = EMPTY
    codes[near, low:high] = part
