"""The side view on the page: a hole cut open from the tee to the basket, as SVG."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from lanewright.base.arrays import Floats
from lanewright.base.units import FEET_PER_METRE, FOOT
from lanewright.holes.wording import climb_of
from lanewright.publish import section
from lanewright.publish.mapdata import Line, MapData
from lanewright.publish.report.drawing import path
from lanewright.publish.report.pictures import rgb, webp
from lanewright.publish.report.words import Units
from lanewright.publish.section import STEP, WIDE, Codes, Section, section_of

_ABOVE = 1.5  # m of air over the flight
_ROSE = 0.3  # m over the release from which the highest place is worth a mark
_WILD = 6.0  # m over the flight that the band of throws may take at most
_TALL = 16.0  # m of growth that the columns hold
_EDGE = 0.5  # m below the lowest and above the highest that is drawn
_SHAPE = 0.34  # height over width that the picture aims at

GROWTH = ("#c9d3a4", "#8fae74", "#4f7a4e")
"""Thin, blocking and dense growth."""
BUILT = "#55504a"
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
        The same at the highest point of the first flight over its tee.
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
    alt: str


@dataclass(frozen=True)
class _Scale:
    """Heights shown [m], and how many times they are drawn."""

    floor: float
    roof: float
    stretch: float

    def y(self, z: float) -> float:
        """Where a height comes to, from the top down."""
        return round((self.roof - z) * self.stretch, 2)

    def through(self, along: Floats, z: Floats) -> Floats:
        """Places on the drawing (n, 2)."""
        return np.column_stack([along, (self.roof - z) * self.stretch])


def side_view(data: MapData, line: Line, title: str, units: Units) -> SideView:
    """Cut the land open along a hole."""
    cut = section_of(data, line)
    scale = _scale_of(cut)
    ground = scale.through(cut.along, cut.ground)
    foot = (scale.roof - scale.floor) * scale.stretch
    outline = np.vstack([ground, [cut.along[-1], foot], [cut.along[0], foot]])
    return SideView(
        left=float(cut.along[0]),
        width=float(cut.along[-1] - cut.along[0]),
        height=scale.y(scale.floor),
        stretch=scale.stretch,
        curtain=_curtain(cut.codes, cut, scale),
        trimmed=_curtain(cut.trimmed, cut, scale),
        ground=Markup(path(outline, closed=True)),
        water=_water(cut, ground),
        flights=tuple(Markup(path(scale.through(*flown.T))) for flown in cut.flights),
        bands=tuple(_bands(cut, scale)),
        fails=tuple((round(f.along, 1), scale.y(f.height), f.what) for f in cut.fails),
        poles=tuple(_poles(cut, scale)),
        along=_along_ticks(cut.length, units),
        up=tuple(_up_ticks(cut, scale, units)),
        pinch=_pinch(cut, scale, units),
        apex=_apex(cut, scale, units),
        cuts=tuple(_cuts(cut, line, scale, units)) if cut.codes is not None else (),
        alt=_alt(cut, line, title, units),
    )


def _scale_of(cut: Section) -> _Scale:
    floor = cut.lowest - _EDGE
    grown = np.minimum(np.nan_to_num(cut.canopy - cut.ground), _TALL)
    wood = float(np.percentile(cut.ground + grown, 98))
    wild = max((float(np.nanmax(band[:, 2])) for band in cut.bands), default=-np.inf)
    roof = _EDGE + max(
        cut.highest + _ABOVE,
        min(wild, cut.highest + _WILD),
        min(wood, float(cut.ground.max()) + _TALL),
    )
    width = float(cut.along[-1] - cut.along[0])
    stretch = float(np.clip(np.floor(2 * _SHAPE * width / (roof - floor)) / 2, 1.0, 4.0))
    return _Scale(floor, roof, stretch)


def _curtain(codes: Codes | None, cut: Section, scale: _Scale) -> str:
    """Picture of the growth over the ground; empty without any."""
    if codes is None:
        return ""
    code = section.picture(codes, cut.ground, scale.floor, scale.roof)
    pixels = np.zeros((*code.shape, 4), np.uint8)
    for value, colour in zip(
        (section.THINLY, section.BLOCKING, section.DENSELY, section.BUILT),
        (*GROWTH, BUILT),
        strict=True,
    ):
        pixels[code == value] = (*rgb(colour), 255)
    # Dots in a grid, so that unknown shows by more than its colour.
    i, j = np.indices(code.shape)
    pixels[(code == section.UNSEEN) & ((i + j) % 2 == 0)] = (*rgb(UNSEEN), 150)
    return webp(pixels)


def _water(cut: Section, ground: Floats) -> Markup:
    """Runs of the ground that are open water."""
    edges = np.flatnonzero(np.diff(np.r_[False, cut.wet, False].astype(np.int8)))
    runs = zip(edges[::2], edges[1::2], strict=True)
    return Markup("".join(path(ground[a:b]) for a, b in runs if b - a > 1))


def _bands(cut: Section, scale: _Scale) -> Iterator[Markup]:
    """Outlines of where nine of ten throws fly, legs laid one behind the other."""
    for along, low, high in (band.T for band in cut.bands):
        edge = np.vstack([scale.through(along, high), scale.through(along, low)[::-1]])
        yield Markup(path(edge, closed=True))


def _poles(cut: Section, scale: _Scale) -> Iterator[tuple[float, float, str]]:
    kinds = ["tee", *["landing"] * (len(cut.joints) - 2), "basket"]
    for along, kind in zip(cut.joints, kinds, strict=True):
        yield round(along, 1), scale.y(cut.ground_at(along)), kind


def _pinch(cut: Section, scale: _Scale, units: Units) -> tuple[float, float, str] | None:
    narrow = [pinch for pinch in cut.pinches if pinch.width < WIDE]
    if not narrow:
        return None
    pinch = min(narrow, key=lambda p: p.width)
    height = float(np.interp(pinch.along, *np.concatenate(cut.flights).T))
    return round(pinch.along, 1), scale.y(height), f"narrowest {units.length(pinch.width, 1)}"


def _apex(cut: Section, scale: _Scale, units: Units) -> tuple[float, float, str]:
    first = cut.flights[0]
    along, height = first[int(np.argmax(first[:, 1]))]
    over = units.length(float(height - cut.ground_at(0.0)), 1)
    text = f"{over} over the tee" if height - first[0, 1] > _ROSE else ""
    return round(float(along), 1), scale.y(float(height)), text


def _cuts(
    cut: Section, line: Line, scale: _Scale, units: Units
) -> Iterator[tuple[float, float, float, float, str]]:
    for piece in cut.cuts:
        if piece.first is None or piece.last is None:
            continue
        row = line.work[piece.number - 1]
        top, foot = scale.y(piece.high), scale.y(piece.low)
        yield (
            round(piece.first - STEP / 2, 1),
            top,
            round(piece.last - piece.first + STEP, 1),
            round(foot - top, 2),
            f"{row['action']}, {units.span(row['low_m'], row['high_m'], 1)} up",
        )


def _along_ticks(width: float, units: Units) -> tuple[Tick, ...]:
    unit = FOOT if units.feet_first else 1.0
    each = next((s for s in (5, 10, 20, 25, 50, 100, 200) if width / unit / s <= 6.5), 500)
    ticks = []
    for k in range(int(width / unit / each) + 1):
        at = k * each * unit
        first, second = ("ft", "m") if units.feet_first else ("m", "ft")
        other = at if units.feet_first else at * FEET_PER_METRE
        ticks.append(Tick(round(at, 2), f"{k * each} {first}", f"{other:.0f} {second}"))
    return tuple(ticks)


def _up_ticks(cut: Section, scale: _Scale, units: Units) -> Iterator[Tick]:
    """Heights over the ground of the tee."""
    low, high = scale.floor + 0.4, scale.roof - 0.4
    for z, value in section.height_marks(cut, low, high, units.feet_first):
        sign = "+" if value > 0 else "−" if value < 0 else ""
        size = abs(value)
        if units.feet_first:
            yield Tick(scale.y(z), f"{sign}{size} ft", f"({size * FOOT:.0f} m)")
        else:
            yield Tick(scale.y(z), f"{sign}{size} m", f"({size * FEET_PER_METRE:.0f} ft)")


def _alt(cut: Section, line: Line, title: str, units: Units) -> str:
    """What the drawing shows, for those who do not see it."""
    rise = cut.ground_at(cut.length) - cut.ground_at(0.0)
    slope = climb_of(rise, cut.length)
    height = max(
        float((flown[:, 1] - np.interp(flown[:, 0], cut.along, cut.ground)).max())
        for flown in cut.flights
    )
    length = float(sum(leg["length_m"] for leg in line.legs))
    return (
        f"Side view of {title}: {units.length(length)}, {slope} by {units.length(abs(rise), 1)}; "
        f"the disc flies up to {units.length(height, 1)} over the ground below it."
    )
