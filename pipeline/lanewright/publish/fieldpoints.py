"""Points to carry on a handheld or a phone: GPX 1.1, and the same as KML 2.2.

Names are short and say what and where: T7 the tee of hole 7, L7a its first landing zone, B7 its
basket, T7b and B7b another tee and another pin, X7-2 its second trim piece, Q12 the twelfth field
check. Lines come from `fieldtracks`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import gpxpy.gpx
import numpy as np
from pyproj import Transformer

from lanewright import __version__
from lanewright.base.rows import Row, rows_of
from lanewright.publish.fieldtracks import DIGITS, FIRST_WALKS, TRACKS, FieldTrack
from lanewright.publish.whole import beside
from lanewright.visit.firstwalk import FEATURE, NAMES
from lanewright.visit.outing import CHECK, Outing, Played, Spot

LONGEST = 10
"""Characters that a name may have: older handhelds cut the rest off; from memory."""

_KINDS = {
    "arrival": ("Arrival", "Parking Area", "ff000000"),
    "tee": ("Tees", "Flag, Green", "ff3c8c28"),
    "landing": ("Landing zones", "Flag, Blue", "ffd08030"),
    "basket": ("Baskets", "Flag, Red", "ff28a5f0"),
    "other tee": ("Other tees", "Flag, Green", "ff8cc878"),
    "other pin": ("Other pins", "Flag, Red", "ff90d2f8"),
    "trim": ("Trim work", "Triangle, Red", "ff2828c8"),
    "check": ("Field checks", "Block, Blue", "ffb06a1e"),
    "feature": ("Features", "Scenic Area", "ffa55bd0"),
}  # folder in the KML; symbol that many handhelds know, from memory; colour as KML words it
_WORDS = {"tee": "tee", "landing": "landing zone", "basket": "basket"}


@dataclass(frozen=True)
class FieldPoint:
    """A place with a name.

    Attributes
    ----------
    name
        At most `LONGEST` characters of plain ASCII; no other point has it.
    kind
        arrival, tee, landing, basket, other tee, other pin, trim, check or feature.
    lon, lat
        WGS 84 [degrees], rounded to `DIGITS`.
    height
        Of the ground in the lidar's vertical datum [m]; NaN unknown.
    text
        What it is, in words.
    """

    name: str
    kind: str
    lon: float
    lat: float
    height: float
    text: str


class _Places:
    """Places of a run in longitude and latitude."""

    def __init__(self, crs: str) -> None:
        self._to_wgs = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)

    def point(self, name: str, kind: str, spot: Spot, text: str) -> FieldPoint:
        """A named point at a place in the run's CRS."""
        lon, lat = self._to_wgs.transform(spot.x, spot.y)
        return FieldPoint(name, kind, round(lon, DIGITS), round(lat, DIGITS), spot.z, text)


def _pieces(frame: gpd.GeoDataFrame) -> Iterator[tuple[Row, Spot]]:
    """Rows of a layer, each with a place inside its shape."""
    for row, shape in zip(rows_of(frame), frame.geometry, strict=True):
        at = shape.representative_point()
        yield row, Spot(at.x, at.y, float("nan"))


@dataclass(frozen=True)
class FieldRoute:
    """A way to walk: names of points in order."""

    name: str
    text: str
    stops: tuple[str, ...]


def field_points(
    outing: Outing,
    checks: gpd.GeoDataFrame,
    crs: str,
    features: gpd.GeoDataFrame | None = None,
    walk: gpd.GeoDataFrame | None = None,
) -> tuple[list[FieldPoint], list[FieldRoute]]:
    """Points and routes of an outing.

    Parameters
    ----------
    outing
        Holes in order.
    checks
        The layer `field_checks`, as published.
    crs
        WKT of the run.
    features, walk
        The layers `features` and `first_walk`, as published.

    Returns
    -------
    points, routes
        The first walks, the round past all holes, and the walk past all checks; a route needs two
        stops.
    """
    place = _Places(crs)
    points: list[FieldPoint] = []
    if outing.start is not None:
        said = "Arrival" if outing.start_given else "No arrival was given; found near good holes"
        points.append(
            place.point("START", "arrival", outing.start, f"{said}: walks start and end here")
        )
    round_: list[str] = []
    work: list[tuple[int, str]] = []
    for hole in outing.holes:
        round_ += hole.names
        points += _spots(place, hole)
        for number, (piece, at) in enumerate(_pieces(hole.trim), start=1):
            name = f"X{hole.number}-{number}"
            work.append((int(piece["walk_order"]), name))
            work_said = re.sub(r"\btree \d+\b", "the tree", str(piece["work"]))
            text = f"{hole.title}, trim {number}: {work_said}"
            points.append(place.point(name, "trim", at, text))
    visits = []
    for check, at in _pieces(checks):
        visits.append(f"{CHECK}{check['check_id']}")
        text = f"{check['kind']}, {check['place']}: {check['look']} {check['why']}"
        points.append(place.point(visits[-1], "check", at, text))
    points += _features(place, features)
    home = ["START"] if outing.start is not None else []
    routes = [
        *_first_walks(walk, {p.name for p in points}, home),
        FieldRoute("ROUND", "All holes in order", (*home, *round_, *home)),
        FieldRoute(
            "TRIM", "All trim work in the order of a walk", tuple(name for _, name in sorted(work))
        ),
        FieldRoute("CHECKS", "All field checks in the order of a walk", (*home, *visits, *home)),
    ]
    return points, [route for route in routes if len(set(route.stops)) > 1]


def _spots(place: _Places, hole: Played) -> Iterator[FieldPoint]:
    """Tee, landing zones and basket of a hole, then its other tees and pins."""
    kinds = ["tee", *["landing"] * len(hole.landings), "basket"]
    for name, kind, spot in zip(hole.names, kinds, hole.spots, strict=True):
        yield place.point(name, kind, spot, f"{hole.title}, {_WORDS[kind]}")
    for name, other in zip(hole.other_names, hole.positions, strict=True):
        text = f"{hole.title}, another {other.kind}, for {other.level}"
        yield place.point(name, f"other {other.kind}", other.spot, text)


def _features(place: _Places, features: gpd.GeoDataFrame | None) -> Iterator[FieldPoint]:
    """The features shown, each where to stand."""
    if features is None:
        return
    shown = features[features["shown"]]
    for row, line in zip(rows_of(shown), shown.geometry, strict=True):
        x, y = line.coords[0][:2]
        text = f"{row['name']}. {row['reason']}"
        spot = Spot(float(x), float(y), float("nan"))
        yield place.point(f"{FEATURE}{row['feature_id']}", "feature", spot, text)


def _first_walks(
    walk: gpd.GeoDataFrame | None, known: set[str], home: list[str]
) -> Iterator[FieldRoute]:
    """The walks of a first visit, the short one first; they begin where the others do."""
    for visit, name in FIRST_WALKS.items():
        mine = rows_of(walk[walk["visit"] == visit]) if walk is not None else []
        stops = [stop for row in mine for stop in row["stop"].split() if stop in known - {"START"}]
        text = f"First walk past features and checks, {NAMES[visit]}"
        yield FieldRoute(name, text, (*home, *stops, *home))


def write_gpx(
    path: Path,
    title: str,
    points: Sequence[FieldPoint],
    routes: Sequence[FieldRoute],
    tracks: Sequence[FieldTrack] = (),
) -> None:
    """Write GPX 1.1: points, routes past them, and tracks; replaces an earlier file once whole.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    gpx = gpxpy.gpx.GPX()
    gpx.creator = f"lanewright {__version__}"
    gpx.name = _legal(title)
    gpx.description = (
        "Features, tees, baskets, landing zones, trim work, field checks, fairways, walks and "
        "outlines; WGS 84. A desk study: nothing here was surveyed."
    )
    places = {p.name: p for p in points}
    for p in points:
        gpx.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                p.lat,
                p.lon,
                None if np.isnan(p.height) else round(p.height, 2),
                name=p.name,
                description=_legal(p.text),
                symbol=_KINDS[p.kind][1],
                type=p.kind,
            )
        )
    for route in routes:
        way = gpxpy.gpx.GPXRoute(name=route.name, description=route.text)
        # Handhelds want every stop in the route itself; its words stand with the waypoint.
        way.points = [
            gpxpy.gpx.GPXRoutePoint(places[stop].lat, places[stop].lon, name=stop)
            for stop in route.stops
        ]
        gpx.routes.append(way)
    for track in tracks:
        line = gpxpy.gpx.GPXTrack(name=track.name, description=_legal(track.text))
        line.segments = [
            gpxpy.gpx.GPXTrackSegment([gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in part])
            for part in track.parts
        ]
        gpx.tracks.append(line)
    with beside(path) as file:
        file.write_text(gpx.to_xml(version="1.1") + "\n", encoding="utf-8")


def write_kml(
    path: Path,
    title: str,
    points: Sequence[FieldPoint],
    routes: Sequence[FieldRoute],
    tracks: Sequence[FieldTrack] = (),
) -> None:
    """Write the same as KML 2.2, a folder and a style to each kind.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    root = ET.Element("kml", xmlns="http://www.opengis.net/kml/2.2")
    document = ET.SubElement(root, "Document")
    ET.SubElement(document, "name").text = _legal(title)
    _styles(document)
    for kind, (folder_name, _, _) in _KINDS.items():
        if mine := [p for p in points if p.kind == kind]:
            folder = _folder(document, folder_name)
            for p in mine:
                mark = _placemark(folder, p.name, p.text, f"point-{kind.replace(' ', '-')}")
                at = ET.SubElement(ET.SubElement(mark, "Point"), "coordinates")
                at.text = f"{p.lon:.{DIGITS}f},{p.lat:.{DIGITS}f}"
    for kind, (folder_name, _, _) in TRACKS.items():
        if lines := [t for t in tracks if t.kind == kind]:
            folder = _folder(document, folder_name)
            for track in lines:
                mark = _placemark(folder, track.name, track.text, f"line-{kind}")
                many = ET.SubElement(mark, "MultiGeometry") if len(track.parts) > 1 else mark
                for part in track.parts:
                    _line(many, part)
    places = {p.name: p for p in points}
    if routes:
        folder = _folder(document, "Routes")
        ET.SubElement(folder, "visibility").text = "0"
        for route in routes:
            mark = _placemark(folder, route.name, route.text, "line-walk")
            _line(mark, [(places[stop].lon, places[stop].lat) for stop in route.stops])
    ET.indent(root, " ")
    with beside(path) as file:
        ET.ElementTree(root).write(file, encoding="utf-8", xml_declaration=True)


def _styles(document: ET.Element) -> None:
    """A style to each kind of point and of line."""
    for kind, (_, _, colour) in _KINDS.items():
        style = ET.SubElement(document, "Style", id=f"point-{kind.replace(' ', '-')}")
        ET.SubElement(ET.SubElement(style, "IconStyle"), "color").text = colour
        ET.SubElement(ET.SubElement(style, "LabelStyle"), "scale").text = "0.8"
    for kind, (_, colour, width) in TRACKS.items():
        style = ET.SubElement(document, "Style", id=f"line-{kind}")
        line = ET.SubElement(style, "LineStyle")
        ET.SubElement(line, "color").text = colour
        ET.SubElement(line, "width").text = f"{width:g}"


def _folder(document: ET.Element, name: str) -> ET.Element:
    folder = ET.SubElement(document, "Folder")
    ET.SubElement(folder, "name").text = name
    return folder


def _line(holder: ET.Element, part: Sequence[tuple[float, float]]) -> None:
    way = ET.SubElement(holder, "LineString")
    ET.SubElement(way, "tessellate").text = "1"
    ET.SubElement(way, "coordinates").text = " ".join(
        f"{lon:.{DIGITS}f},{lat:.{DIGITS}f}" for lon, lat in part
    )


def _placemark(folder: ET.Element, name: str, text: str, style: str) -> ET.Element:
    mark = ET.SubElement(folder, "Placemark")
    ET.SubElement(mark, "name").text = name
    ET.SubElement(mark, "description").text = _legal(text)
    ET.SubElement(mark, "styleUrl").text = f"#{style}"
    return mark


def _legal(text: str) -> str:
    """Text without the characters that XML 1.0 forbids; titles come from users."""
    return "".join(c for c in text if c in "\t\n" or 0x20 <= ord(c) < 0xD800 or ord(c) >= 0xE000)
