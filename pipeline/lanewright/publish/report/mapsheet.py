"""The map: pictures below, layers of drawn shapes above, in metres from the grid's top left."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely
from markupsafe import Markup

from lanewright.base.rows import rows_of
from lanewright.base.units import FOOT
from lanewright.features.naming import CREEK
from lanewright.publish.findings import Findings
from lanewright.publish.mapdata import contours, height_spots
from lanewright.publish.report import pictures
from lanewright.publish.report.drawing import dots, path_of
from lanewright.publish.report.otherplaces import Other, others_of
from lanewright.publish.report.pictures import Surface
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, plural
from lanewright.visit.cautions import BUFFER, OPEN_WATER

_CROWNS = (0.0, 3.0, 5.0, 8.0)  # m, lower ends of the classes of crowns
_PLATE = 17.0  # from the tee back to the number's plate, in pixels of the screen
_TURNS = (0, 40, -40, 80, -80, 120, -120)  # degrees that a plate is turned about its tee
_SCREEN = 680.0, 735.0  # pixels of the screen that the map is wide and high at first
_STRONGER = (1 / 3, 2 / 3)  # of the legs drawn, from which the better ones are drawn stronger
_HEIGHTS = 12  # most heights that contours are drawn at
_CLEAR = 22.0  # pixels of the screen around a height that lines and signs leave free
_LEGS = 100  # most legs drawn; all of them lie in the GeoPackage


@dataclass(frozen=True)
class Picture:
    """A raster on the map.

    Attributes
    ----------
    key, title, note
        For the page, for the reader, and what to know in reading it.
    address
        The picture itself as a data address.
    legend
        Colour (None is clear) and meaning of each class.
    """

    key: str
    title: str
    note: str
    address: str
    legend: tuple[tuple[str | None, str], ...]


@dataclass(frozen=True)
class Drawn:
    """A layer of shapes: style class and path data of its parts.

    Attributes
    ----------
    key, title
        For the page and the reader.
    parts
        Style class, path data, and width in decimetres where that is a size and no style.
    count
        In words.
    on
        Whether it shows at first.
    swatch
        Style class for the legend.
    texts
        Words at places: x, y [m], and what stands there.
    """

    key: str
    title: str
    parts: tuple[tuple[str, Markup, float | None], ...]
    count: str
    on: bool
    swatch: str
    texts: tuple[tuple[float, float, str], ...] = ()


@dataclass(frozen=True)
class Mark:
    """A hole on the map; `others` are its other tees and pins: x, y, turn, sign, words."""

    key: str
    label: str
    alt: str
    line: Markup
    x: float
    y: float
    turn: float
    plate_x: float
    plate_y: float
    end_x: float
    end_y: float
    landings: tuple[tuple[float, float], ...]
    finish: str
    others: tuple[tuple[float, float, float, str, str], ...] = ()


@dataclass(frozen=True)
class Proposal:
    """Holes and walks of one layout on the map."""

    key: str
    title: str
    marks: tuple[Mark, ...]
    walks: Markup


@dataclass(frozen=True)
class Bar:
    """The scale bar on paper: where it begins, its lengths, and half the height of its ends."""

    x: float
    y: float
    metres: int
    feet: int
    tick: float


@dataclass(frozen=True)
class MapSheet:
    """All of the map.

    Attributes
    ----------
    view
        Left, top, width, height shown at first [m].
    width, height
        Of the pictures [m].
    """

    width: float
    height: float
    view: tuple[float, float, float, float]
    shade: str
    pictures: tuple[Picture, ...]
    drawn: tuple[Drawn, ...]
    proposals: tuple[Proposal, ...]
    outside: Markup
    arrival: tuple[float, float] | None
    bar: Bar


def map_sheet(found: Findings, subjects: list[Subject], units: Units) -> MapSheet:
    """Put the map together."""
    grid = found.grid
    left, top = grid.left, grid.top
    width, height = grid.cols * grid.cell, grid.rows * grid.cell
    shown = []
    surfaces: list[Surface] = [pictures.SLOPE, pictures.CANOPY, pictures.FREE]
    if "wetness" in found.rasters:
        surfaces.append(pictures.wetness_surface(found.rasters["wetness"], found.inside))
    surfaces.append(pictures.SEEN)
    surfaces = [surface for surface in surfaces if surface.name in found.rasters]
    with ThreadPoolExecutor(2) as pool:  # packing needs no Python
        addresses = {
            s.name: pool.submit(pictures.classed_picture, s, found.rasters[s.name])
            for s in surfaces
        }
    for surface in surfaces:
        legend = tuple(zip(surface.colours, surface.labels(units), strict=True))
        address = addresses[surface.name].result()
        shown.append(Picture(surface.name, surface.title, surface.note, address, legend))
    outline = found.layers["property"].geometry
    view = _view(outline, left, top, width, height)
    pixel = max(view[2] / _SCREEN[0], view[3] / _SCREEN[1])
    proposals, arrival = _proposals(found, subjects, units, pixel), found.arrival
    return MapSheet(
        width,
        height,
        view,
        pictures.shade_picture(found.rasters["ground"], grid.cell),
        tuple(shown),
        (_contours(found, units, proposals, pixel), *_drawn(found)),
        tuple(proposals),
        _outside(outline, left, top, width, height),
        (round(arrival[0] - left, 1), round(top - arrival[1], 1)) if arrival else None,
        _bar(view),
    )


def _bar(view: tuple[float, float, float, float]) -> Bar:
    """About a sixth of the map's width, in whole hundreds where the land is large enough."""
    want = view[2] / 6
    metres = max((n for n in (10, 20, 50, 100, 200, 500, 1000) if n <= want), default=5)
    feet = max((n for n in (20, 50, 100, 200, 500, 1000, 2000) if n * FOOT <= want), default=20)
    room = 0.025 * view[2]
    return Bar(
        round(view[0] + room, 1),
        round(view[1] + view[3] - 1.4 * room, 1),
        metres,
        feet,
        round(0.01 * view[2], 1),
    )


def _view(
    outline: gpd.GeoSeries, left: float, top: float, width: float, height: float
) -> tuple[float, float, float, float]:
    if not len(outline):
        return 0.0, 0.0, width, height
    x0, y0, x1, y1 = outline.total_bounds
    room = 0.04 * max(x1 - x0, y1 - y0)
    return x0 - left - room, top - y1 - room, x1 - x0 + 2 * room, y1 - y0 + 2 * room


_BEYOND = 10  # times the longer side of the land that its veil reaches beyond it


def _outside(
    outline: gpd.GeoSeries, left: float, top: float, width: float, height: float
) -> Markup:
    """All but the property, to be veiled; its outer rim lies beyond any view of a narrow land."""
    far = _BEYOND * max(width, height)
    frame = shapely.box(left - far, top - height - far, left + width + far, top + far)
    return path_of([frame.difference(shapely.union_all(outline.values))], left, top, 0.3)


def _contours(found: Findings, units: Units, proposals: Sequence[Proposal], pixel: float) -> Drawn:
    """Lines of equal height over the property, with their heights where nothing else stands."""
    left, top, data = found.grid.left, found.grid.top, found.map_data
    window = shapely.box(*found.grid.bounds) if data.land.is_empty else data.land
    drawn, step = contours(data, window, _HEIGHTS, 0.5)
    parts: list[Part] = []
    for style, strong in (("contour", False), ("contour strong", True)):
        mine = [shapely.LineString(c.places) for c in drawn if c.strong == strong]
        parts.append((style, path_of(mine, left, top, 0), None))
    unit = FOOT if units.feet_first else 1.0
    texts = tuple(
        (round(x - left, 1), round(top - y, 1), f"{level / unit:.0f}")
        for x, y, level in height_spots(drawn, _busy(found, proposals, pixel), _CLEAR * pixel)
    )
    every = units.length(step, 0 if step >= 1 else 1)
    title = f"Contours every {every}, with their height"
    return Drawn("contours", title, tuple(parts), found.config.units, True, "contour strong", texts)


def _busy(found: Findings, proposals: Sequence[Proposal], pixel: float) -> shapely.Geometry:
    """Lines, signs and plates of holes that stand on the map at first; `pixel` in metres."""
    layers = ("layout_holes", "layout_walks", "features", "wires", "keep_out_lines")
    frames = [frame for name in layers if (frame := found.layer(name)) is not None]
    shapes = [line for frame in frames for line in frame.geometry]
    plates = [_plate(mark, pixel) for proposal in proposals for mark in proposal.marks]
    corner = np.array([found.grid.left, found.grid.top])
    shapes += [shapely.transform(plate, lambda xy: corner + xy * [1, -1]) for plate in plates]
    return shapely.union_all([*shapes, *([shapely.Point(found.arrival)] if found.arrival else [])])


def _plate(mark: Mark, pixel: float) -> shapely.Geometry:
    """A hole's plate on the map [m], with a pixel to spare; `pixel` in metres."""
    half = np.array([7 + 4 * len(mark.label), 9]) * pixel
    middle = np.array([mark.x, mark.y]) + np.array([mark.plate_x, mark.plate_y]) * pixel
    return shapely.box(*(middle - half), *(middle + half))


def _apart(marks: Sequence[Mark], lines: shapely.Geometry, pixel: float) -> tuple[Mark, ...]:
    """Holes with their plates turned about the tees as little as keeps them off one another.

    And off the `lines` of play, where that can be.
    """
    placed: list[Mark] = []
    taken = shapely.Polygon()
    for mark in marks:
        turned = [_turned(mark, degrees) for degrees in _TURNS]
        free = [each for each in turned if not taken.intersects(_plate(each, pixel))]
        clear = [each for each in free if not lines.intersects(_plate(each, pixel))]
        placed.append((clear or free or turned)[0])
        taken = taken.union(_plate(placed[-1], pixel))
    return tuple(placed)


def _lines_of_play(found: Findings, subjects: Sequence[Subject]) -> shapely.Geometry:
    """Ways of throws on the map [m]."""
    corner = np.array([found.grid.left, found.grid.top])
    paths = [(path[:, :2] - corner) * [1, -1] for subject in subjects for path in subject.paths]
    return shapely.union_all([shapely.LineString(path) for path in paths])


def _turned(mark: Mark, degrees: float) -> Mark:
    """A hole with its plate so far from straight behind the tee."""
    turn = np.radians(mark.turn + 180 + degrees)
    return replace(
        mark,
        plate_x=round(float(_PLATE * np.cos(turn)), 1),
        plate_y=round(float(_PLATE * np.sin(turn)), 1),
    )


Part = tuple[str, Markup, float | None]


def _drawn(found: Findings) -> Iterator[Drawn]:
    """Every layer that the run has, the lowest first."""
    left, top = found.grid.left, found.grid.top

    def lines(rows: gpd.GeoDataFrame, coarse: float = 0.4) -> Markup:
        return path_of(rows.geometry, left, top, coarse)

    built = found.map_data.built.capitalize()
    plain = (
        ("wet_ground", "wet", "Wet ground", "patch", "patches", True),
        ("water", "water", "Open water", "body", "bodies", True),
        ("openings", "opening", "Openings", "opening", "openings", False),
        ("keep_out", "keepout", "Keep-outs with their buffers", "part", "parts", True),
        ("keep_out_lines", "road", "", "line", "lines", True),
        ("buildings", "building", f"{built}, from the lidar", "patch", "patches", True),
        ("wires", "wire", "Overhead wires in the lidar; more may hang", "piece", "pieces", True),
    )
    parts: list[Part]
    yield from _waters(found, lines)
    for name, style, title, one, many, on in plain:
        if (frame := found.layer(name)) is not None:
            count = plural(len(frame), one, many)
            parts = [(style, lines(frame), None)]
            if name == "keep_out_lines":
                names = ", ".join(dict.fromkeys(frame["name"]))
                title = f"{names[:1].upper()}{names[1:]}, as drawn"
                parts.insert(0, ("road-edge", parts[0][1], None))
            yield Drawn(style, title, tuple(parts), count, on, style)
    if (frame := found.layer("trees")) is not None:
        xy = shapely.get_coordinates(frame.geometry.values)
        size = np.digitize(frame["crown_m"], _CROWNS)
        parts = [
            (
                "tree",
                dots(xy[size == k], left, top),
                10 * float(frame["crown_m"][size == k].median()),
            )
            for k in np.unique(size)
        ]
        count = plural(len(frame), "tree")
        yield Drawn("trees", "Trees, crowns to scale", tuple(parts), count, False, "tree")
    if (frame := found.layer("lanes")) is not None:
        parts = [(f"lane {kind}", lines(rows), None) for kind, rows in frame.groupby("kind")]
        count = plural(len(frame), "lane")
        yield Drawn("lanes", "Lanes; tunnels in dashes", tuple(parts), count, False, "lane tunnel")
    if (frame := found.layer("legs")) is not None:
        best = frame.sort_values(["score", "leg_id"], ascending=[False, True], kind="stable")
        every, frame = len(frame), best.iloc[:_LEGS]
        score = frame["score"].fillna(0).to_numpy(float)
        place = np.digitize(score, np.quantile(score, _STRONGER))
        parts = [
            (f"leg {name}", lines(frame[place == k], 0.8), None)
            for k, name in enumerate(("weak", "fair", "good"))
            if (place == k).any()
        ]
        count = plural(every, "leg") if every <= _LEGS else f"best {_LEGS} of {every:,}"
        yield Drawn("legs", "Legs; the better, the heavier", tuple(parts), count, False, "leg good")
    if (frame := found.layer("trim_work")) is not None:
        pieces = frame[frame["chosen"]].drop_duplicates("piece_id")
        if found.rounds:
            needed = {p for r in found.rounds.values() for p in r.ids}
            pieces = pieces[pieces["piece_id"].isin(needed)]
        part: Part = ("trim", lines(pieces, 0.3), None)
        count = plural(len(pieces), "piece")
        yield Drawn("trim", "Trim work", (part,), count, False, "trim")
    if (frame := found.layer("cut_lanes")) is not None:
        part = ("cutlane", lines(frame), None)
        count = plural(len(frame), "lane")
        yield Drawn("cuts", "Lanes to cut", (part,), count, False, "cutlane")
    if (frame := found.layer("cautions")) is not None:
        land = found.layers["property"].geometry.area.sum()
        local = frame[
            (frame.geometry.area < 0.98 * land) & ~frame["caution"].isin([BUFFER, OPEN_WATER])
        ]
        if len(local):
            count = plural(len(local), "caution")
            part = ("caution", lines(local), None)
            yield Drawn("cautions", "Cautions with a place", (part,), count, True, "caution")


def _waters(found: Findings, lines: Callable[[gpd.GeoDataFrame], Markup]) -> Iterator[Drawn]:
    """The buffer along water below the creek in it, and the lesser lines that water takes."""
    if (frame := found.layer("cautions")) is not None:
        mine = frame[frame["caution"] == BUFFER]
        if len(mine):
            count = plural(len(mine), "caution")
            title = "Buffer along water, to be left as it is"
            yield Drawn("buffer", title, (("buffer", lines(mine), None),), count, True, "buffer")
    if (frame := found.layer("drainage")) is not None:
        large = frame["upslope_ha"] >= CREEK
        for key, rows, title, on in (
            ("creek", frame[large], "Creek, by the terrain", True),
            ("drainage", frame[~large], "Lesser drainage lines", False),
        ):
            if len(rows):
                part = (key, lines(rows), None)
                yield Drawn(key, title, (part,), plural(len(rows), "line"), on, key)


def _proposals(
    found: Findings, subjects: list[Subject], units: Units, pixel: float
) -> list[Proposal]:
    """What the map shows one at a time; `pixel` of the screen in metres."""
    by_key = {int(s.row["hole_id"]): s for s in subjects if "hole_id" in s.row}
    others = others_of(found, units)
    layout = rows_of(found.layer("layout_holes"))
    walks = found.layer("layout_walks")
    made = []
    for number in sorted({row["proposal"] for row in layout}):
        rows = [r for r in layout if r["proposal"] == number and r["hole_id"] in by_key]
        holes = [by_key[row["hole_id"]] for row in rows]
        marks = [
            replace(
                _mark(found, hole, str(row["play_order"]), units),
                others=_others(found, hole, others.get(row["hole_id"], ())),
            )
            for row, hole in zip(rows, holes, strict=True)
        ]
        placed = _apart(marks, _lines_of_play(found, holes), pixel)
        lines = Markup("")
        if walks is not None:
            mine = walks[walks["proposal"] == number]
            lines = path_of(mine.geometry, found.grid.left, found.grid.top, 0.5)
        made.append(Proposal(f"proposal-{number}", f"Proposal {number}", placed, lines))
    if not made and subjects:
        title = "Best holes" if subjects[0].key.startswith("hole") else "Best legs"
        marks = [_mark(found, s, s.title.split()[-1], units) for s in subjects]
        placed = _apart(marks, _lines_of_play(found, subjects), pixel)
        made.append(Proposal("best", title, placed, Markup("")))
    return made


def _others(
    found: Findings, subject: Subject, others: Sequence[Other]
) -> tuple[tuple[float, float, float, str, str], ...]:
    """Other tees, turned to where the first throw ends, and other pins."""
    aim = subject.paths[0][-1, :2]
    return tuple(
        (
            round(float(place[0]) - found.grid.left, 1),
            round(found.grid.top - float(place[1]), 1),
            round(float(np.degrees(np.arctan2(place[1] - aim[1], aim[0] - place[0]))), 1),
            kind,
            f"{subject.title}, {words}",
        )
        for kind, words, place in others
    )


def _mark(found: Findings, subject: Subject, label: str, units: Units) -> Mark:
    left, top = found.grid.left, found.grid.top
    lines = [shapely.LineString(p[:, :2]) for p in subject.paths]
    x, y = subject.tee[0] - left, top - subject.tee[1]
    ahead = subject.paths[0][min(8, len(subject.paths[0]) - 1)]
    turn = np.degrees(np.arctan2(-(ahead[1] - subject.tee[1]), ahead[0] - subject.tee[0]))
    par = subject.row.get("par")
    name = subject.title if label in subject.title.split() else f"{label}: {subject.title}"
    alt = f"{name}, {units.length(subject.length)}" + (f", par {par}" if par else "")
    return Mark(
        subject.key,
        label,
        alt,
        path_of(lines, left, top, 0.2),
        round(x, 1),
        round(y, 1),
        round(float(turn), 1),
        round(float(-_PLATE * np.cos(np.radians(turn))), 1),
        round(float(-_PLATE * np.sin(np.radians(turn))), 1),
        round(subject.end[0] - left, 1),
        round(top - subject.end[1], 1),
        tuple((round(p[-1, 0] - left, 1), round(top - p[-1, 1], 1)) for p in subject.paths[:-1]),
        str(subject.legs[-1]["finish"]),
    )
