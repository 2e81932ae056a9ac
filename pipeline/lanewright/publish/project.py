"""The QGIS project: what opens first, in which order, in whose units, with themes."""

from __future__ import annotations

import io
import sqlite3
import uuid
import zipfile
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
from pyproj import CRS

from lanewright.base import schema
from lanewright.base.units import FOOT
from lanewright.publish.findings import Findings
from lanewright.publish.mapdata import contour_step
from lanewright.publish.outputs import PROJECT
from lanewright.publish.qml import qml
from lanewright.publish.rasterstyles import (
    CANOPY,
    SLOPE,
    class_renderer,
    contour_renderer,
    shade_renderer,
)
from lanewright.publish.styles import styles_of
from lanewright.publish.symbols import Line, Rule, Style, Tag
from lanewright.publish.whole import beside

NAME = "scout"
"""Name of the project within the GeoPackage."""

BEST_LEGS = 100
"""Legs of each level in the layer of those that matter; ours."""

_CONTOURS = 30  # most heights that contours are drawn at
_FEET = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # ft between contours

_VERSION = "3.22.0-Białowieża"
_GEOMETRY = {"Point": "Point", "LineString": "Line", "LineString Z": "Line"}


@dataclass(frozen=True)
class Shown:
    """One layer of the project.

    Attributes
    ----------
    title
        As the layer tree calls it.
    source
        Data source relative to the project's folder.
    style
        For layers of the GeoPackage; None for rasters.
    renderer
        For rasters; None for the others.
    geometry
        As QGIS calls it; empty for rasters.
    on
        Whether it is drawn when the project opens.
    """

    title: str
    source: str
    style: Style | None
    renderer: ET.Element | None
    geometry: str
    on: bool

    @property
    def id(self) -> str:
        """Name within the project, the same in every run."""
        return f"layer_{uuid.uuid5(uuid.NAMESPACE_OID, self.title + self.source).hex}"


@dataclass(frozen=True)
class Group:
    """Layers under one heading of the layer tree, the uppermost first."""

    title: str
    layers: tuple[Shown, ...]

    @property
    def on(self) -> bool:
        """Whether anything of it is drawn when the project opens."""
        return any(layer.on for layer in self.layers)


def write_project(folder: Path, found: Findings) -> None:
    """Write `scout.qgz` to a folder, and the same project into its `scout.gpkg`.

    Sources are relative, so the folder may be moved; the same results give the same bytes.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    document = project_of(found)
    with beside(folder / PROJECT) as part:
        part.write_bytes(_zipped(document))
    with closing(sqlite3.connect(folder / "scout.gpkg")) as db, db:
        db.execute("PRAGMA journal_mode = OFF")
        db.execute(
            "CREATE TABLE IF NOT EXISTS qgis_projects"
            "(name TEXT PRIMARY KEY, metadata BLOB, content BLOB)"
        )
        # QGIS keeps the zipped project as hexadecimal text, with who saved it and when, and does
        # not name the table in gpkg_contents: it has no whole number for a key.
        db.execute(
            "INSERT OR REPLACE INTO qgis_projects VALUES (?, ?, ?)",
            (
                NAME,
                '{"last_modified_time": "1970-01-01T00:00:00", "last_modified_user": "" }',
                _zipped(document).hex(),
            ),
        )


def _zipped(document: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        entry = zipfile.ZipInfo(f"{NAME}.qgs", (1980, 1, 1, 0, 0, 0))
        entry.compress_type = zipfile.ZIP_DEFLATED
        entry.external_attr = 0o644 << 16
        archive.writestr(entry, document)
    return buffer.getvalue()


def groups_of(found: Findings) -> list[Group]:
    """Groups from the top of the layer tree down.

    The plan, the features, what to mind and the water are on; what the search tried, trees and
    sites are there to switch on; the ground lies below all.
    """
    feet = found.config.units == "feet"
    proposals = _proposals(found)
    made = [
        Group(
            "Round",
            tuple(
                layer
                for p in proposals
                for layer in (
                    *_positions(p, p == proposals[0], found),
                    _round(p, p == proposals[0], feet),
                )
            ),
        ),
        Group("Walks", tuple(_walks(p, p == proposals[0]) for p in proposals)),
        Group("Room between holes", tuple(_room(p, found) for p in proposals)),
        Group("Features", tuple(_features(found))),
        _plain(
            "Cautions and keep-outs",
            found,
            on=("cautions", "wires", "keep_out_lines", "buildings", "keep_out"),
        ),
        _plain("Water and wet ground", found, on=("water", "wet_ground", "drainage")),
        _plain("Property", found, on=("property",)),
        Group("Legs", (*_best_legs(found), *_of("legs", found, "All legs"))),
        Group("Trim work", tuple(_trim(found, proposals))),
        _plain("Lanes to cut", found, off=("cut_lanes", "cut_work")),
        _plain("Changes since an earlier survey", found, off=("changes", "lane_changes")),
        _plain("Trees and lanes", found, off=("trees", "lanes", "openings")),
        _plain(
            "Sites and candidates",
            found,
            off=("holes", "hole_positions", "tee_sites", "basket_sites"),
        ),
        _plain("Squares without a site", found, off=("refused_squares",)),
    ]
    named = {layer.source.split("layername=")[-1].split("|")[0] for g in made for layer in g.layers}
    rest = [name for name in schema.LAYERS if name in found.layers and name not in named]
    made.append(_plain("More of the run", found, off=tuple(rest)))
    made.append(Group("Ground", tuple(_rasters(found, feet))))
    return [group for group in made if group.layers]


def _proposals(found: Findings) -> list[int]:
    layout = found.layer("layout_holes")
    return [] if layout is None else sorted(int(n) for n in layout["proposal"].unique())


def _plain(
    title: str, found: Findings, on: tuple[str, ...] = (), off: tuple[str, ...] = ()
) -> Group:
    """Whole layers in their default style."""
    shown = [
        replace(layer, on=name in on)
        for name in (*on, *off)
        for layer in _of(name, found, schema.LAYERS[name].title if name in schema.LAYERS else name)
    ]
    return Group(title, tuple(shown))


def _of(
    name: str, found: Findings, title: str, subset: str = "", style: Style | None = None
) -> list[Shown]:
    """A layer of the GeoPackage, or rows of it; none where the run has no such layer."""
    if name not in found.layers:
        return []
    return [_shown(name, title, subset, style)]


def _shown(name: str, title: str, subset: str = "", style: Style | None = None) -> Shown:
    source = f"./scout.gpkg|layername={name}" + (f"|subset={subset}" if subset else "")
    styles = styles_of(name)
    return Shown(
        title,
        source,
        style or (styles[0] if styles else None),
        None,
        _GEOMETRY.get(schema.LAYERS[name].geometry, "Polygon"),
        False,
    )


def _features(found: Findings) -> Iterable[Shown]:
    """Those of the first page, and to switch on all of them, the first walk and the checks."""
    first = _of("features", found, "Features to see first", '"shown" = 1')
    yield from (replace(layer, on=True) for layer in first)
    for name, title in (
        ("features", "All features"),
        ("first_walk", "First walk"),
        ("field_checks", "Field checks"),
    ):
        yield from _of(name, found, title)


def _round(proposal: int, on: bool, feet: bool) -> Shown:
    """Holes of one proposal with number and length at the tee, in the reader's unit."""
    base = styles_of("layout_holes")[0]
    line = next(rule.symbol for rule in base.rules if rule.tagged)
    style = replace(
        base,
        name="Round",
        rules=(Rule("hole, from tee to basket", line, between=(0, 1e6), tagged=True),),
    )
    words = f'"play_order" || \'  \' || format_number("length_{"ft" if feet else "m"}", 0)'
    words += " || ' ft'" if feet else " || ' m'"
    style = replace(style, tag=Tag("play_order", 9.0, at_start=True, priority=10, words=words))
    title = f"Proposal {proposal}: holes"
    return replace(_shown("layout_holes", title, f'"proposal" = {proposal}', style), on=on)


def _room(proposal: int, found: Findings) -> Shown:
    """Where the holes of one proposal leave one another least room; off until asked for."""
    title = f"Proposal {proposal}: nearest holes"
    return _shown("layout_neighbours", title, f'"proposal" = {proposal}')


def _walks(proposal: int, on: bool) -> Shown:
    base = styles_of("layout_walks")[0]
    style = replace(
        base,
        rules=(Rule("walk", Line("#0072b2", 0.5, (0.5, 1.0), casing=0.3)),),
        column=None,
        on_top=None,
    )
    title = f"Proposal {proposal}: walks"
    return replace(_shown("layout_walks", title, f'"proposal" = {proposal}', style), on=on)


def _positions(proposal: int, on: bool, found: Findings) -> Iterable[Shown]:
    """Other tees and pins of the holes of one proposal, each with the level it is for."""
    layout = found.layers["layout_holes"]
    if found.layer("hole_positions") is None:
        return
    holes = sorted({int(n) for n in layout.loc[layout["proposal"] == proposal, "hole_id"]})
    base = styles_of("hole_positions")[0]
    rules = tuple(replace(rule, tagged=True) for rule in base.rules)
    style = replace(base, rules=rules, tag=Tag("level", 7.0, priority=2), nearer=None)
    subset = f'"hole_id" IN ({",".join(map(str, holes))})'
    title = f"Proposal {proposal}: other tees and pins"
    yield replace(_shown("hole_positions", title, subset, style), on=on)


def _best_legs(found: Findings) -> Iterable[Shown]:
    """The best legs of each level, by score."""
    legs = found.layer("legs")
    if legs is None:
        return
    for level in found.config.levels:
        mine = legs[legs["level"] == level].sort_values(
            ["score", "leg_id"], ascending=[False, True]
        )
        if len(mine):
            ids = ",".join(str(int(n)) for n in sorted(mine["leg_id"].iloc[:BEST_LEGS]))
            title = f"Legs for {level}, the best {min(len(mine), BEST_LEGS)}"
            yield _shown("legs", title, f'"leg_id" IN ({ids})')


def _trim(found: Findings, proposals: list[int]) -> Iterable[Shown]:
    """Chosen work of the first proposal, then all of it."""
    work = found.layer("trim_work")
    if work is None:
        return
    rounds = found.rounds
    if proposals and rounds[proposals[0]].pieces:
        ids = ",".join(map(str, sorted(rounds[proposals[0]].ids)))
        subset = f'"chosen" = 1 AND "piece_id" IN ({ids})'
        yield _shown("trim_work", f"Trim work of proposal {proposals[0]}", subset)
    yield _shown("trim_work", "All trim work, chosen or not")


def _rasters(found: Findings, feet: bool) -> Iterable[Shown]:
    """Contours over canopy and slope over the shaded ground."""
    ground = found.rasters["ground"]
    inside = ground[found.inside & (ground == ground)]
    relief = float(inside.max() - inside.min()) if inside.size else 10.0
    step = contour_step(relief, _CONTOURS)
    words = f"{step:g} m"
    if feet:
        each = next((f for f in _FEET if relief / (f * FOOT) <= _CONTOURS), _FEET[-1])
        step, words = each * FOOT, f"{each:g} ft"
    yield _raster("ground", f"Contours every {words}", contour_renderer(step), on=True)
    for name, title, stops in (
        ("canopy_height", "Canopy height, m", CANOPY),
        ("slope", "Slope, %", SLOPE),
    ):
        if name in found.rasters:
            yield _raster(name, title, class_renderer(stops), on=False)
    yield _raster("ground", "Shaded ground", shade_renderer(), on=True)


def _raster(name: str, title: str, renderer: ET.Element, *, on: bool) -> Shown:
    return Shown(title, f"./rasters/{name}.tif", None, renderer, "", on)


def project_of(found: Findings) -> bytes:
    """The project as a QGIS 3 document."""
    groups, config, crs = groups_of(found), found.config, CRS.from_user_input(found.grid.crs)
    root = ET.Element("qgis", projectname=config.name, version=_VERSION)
    ET.SubElement(root, "homePath", path="")
    ET.SubElement(root, "title").text = config.name
    ET.SubElement(root, "projectCrs").append(_crs(crs))
    _tree(root, groups)
    _canvas(root, found.layers["property"], found, crs)
    layers = ET.SubElement(root, "projectlayers")
    every = [layer for group in groups for layer in group.layers]
    for layer in every:
        layers.append(_maplayer(layer, crs))
    order = ET.SubElement(root, "layerorder")
    for layer in every:
        ET.SubElement(order, "layer", id=layer.id)
    _properties(root, config.units == "feet")
    _themes(root, groups, found)
    head = b"<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="utf-8")
    return head + text


def _crs(crs: CRS) -> ET.Element:
    made = ET.Element("spatialrefsys")
    code = crs.to_epsg(min_confidence=100)
    if code:  # as QGIS knows it, not as a tile happened to word it
        crs = CRS.from_epsg(code)
    for tag, text in (
        ("wkt", crs.to_wkt()),
        ("proj4", ""),
        ("srsid", "0"),
        ("srid", str(code or 0)),
        ("authid", f"EPSG:{code}" if code else ""),
        ("description", crs.name),
        ("geographicflag", "false"),
    ):
        ET.SubElement(made, tag).text = text
    return made


def _tree(root: ET.Element, groups: list[Group]) -> None:
    tree = ET.SubElement(root, "layer-tree-group")
    for group in groups:
        holder = ET.SubElement(
            tree, "layer-tree-group", name=group.title, expanded="1" if group.on else "0",
            checked="Qt::Checked",
        )  # fmt: skip
        for layer in group.layers:
            ET.SubElement(
                holder, "layer-tree-layer", id=layer.id, name=layer.title, source=layer.source,
                providerKey="ogr" if layer.geometry else "gdal", expanded="0",
                checked="Qt::Checked" if layer.on else "Qt::Unchecked",
            )  # fmt: skip


def _canvas(root: ET.Element, land: gpd.GeoDataFrame, found: Findings, crs: CRS) -> None:
    box = tuple(land.total_bounds) if len(land) else found.grid.bounds
    room = 0.04 * max(box[2] - box[0], box[3] - box[1])
    x0, y0, x1, y1 = box[0] - room, box[1] - room, box[2] + room, box[3] + room
    canvas = ET.SubElement(root, "mapcanvas", name="theMapCanvas", annotationsVisible="1")
    ET.SubElement(canvas, "units").text = "meters"
    extent = ET.SubElement(canvas, "extent")
    for tag, value in (("xmin", x0), ("ymin", y0), ("xmax", x1), ("ymax", y1)):
        ET.SubElement(extent, tag).text = f"{value:.2f}"
    ET.SubElement(canvas, "rotation").text = "0"
    ET.SubElement(canvas, "destinationsrs").append(_crs(crs))


def _maplayer(layer: Shown, crs: CRS) -> ET.Element:
    if layer.renderer is not None:
        made = ET.Element("maplayer", type="raster", hasScaleBasedVisibilityFlag="0")
    else:
        made = ET.Element("maplayer", type="vector", geometry=layer.geometry)
    ET.SubElement(made, "id").text = layer.id
    ET.SubElement(made, "datasource").text = layer.source
    ET.SubElement(made, "layername").text = layer.title
    ET.SubElement(made, "srs").append(_crs(crs))
    if layer.renderer is not None:
        ET.SubElement(made, "provider").text = "gdal"
        pipe = ET.SubElement(made, "pipe")
        pipe.append(layer.renderer)
        # Light enough for ink to stand out on it.
        light = "60" if layer.renderer.get("type") == "hillshade" else "0"
        ET.SubElement(pipe, "brightnesscontrast", brightness=light, contrast="0", gamma="1")
        ET.SubElement(made, "blendMode").text = "0"
        return made
    provider = ET.SubElement(made, "provider", encoding="UTF-8")
    provider.text = "ogr"
    if layer.style is not None:
        document = ET.fromstring(qml(layer.style).encode("utf-8"))
        for key in ("labelsEnabled", "hasScaleBasedVisibilityFlag", "minScale", "maxScale"):
            if key in document.attrib:
                made.set(key, document.attrib[key])
        made.extend(list(document))
    return made


def _properties(root: ET.Element, feet: bool) -> None:
    """Relative paths, and lengths and areas in the reader's units."""
    properties = ET.SubElement(root, "properties")
    paths = ET.SubElement(properties, "Paths")
    ET.SubElement(paths, "Absolute", type="bool").text = "false"
    # Without it QGIS takes the project for one without any CRS.
    reference = ET.SubElement(properties, "SpatialRefSys")
    ET.SubElement(reference, "ProjectionsEnabled", type="int").text = "1"
    measure = ET.SubElement(properties, "Measurement")
    ET.SubElement(measure, "DistanceUnits", type="QString").text = "feet" if feet else "meters"
    ET.SubElement(measure, "AreaUnits", type="QString").text = "acres" if feet else "hectares"


def _themes(root: ET.Element, groups: list[Group], found: Findings) -> None:
    """One theme for each proposal and each level, and one each for the crew and the ground."""
    base = {layer.id for group in groups for layer in group.layers if layer.on}
    of = {group.title: group.layers for group in groups}
    rounds = [r for name in ("Round", "Walks") for r in of.get(name, ())]
    ground = base - {layer.id for layer in rounds}
    themes: dict[str, set[str]] = {}
    for n in _proposals(found):
        mine = {layer.id for layer in rounds if layer.title.startswith(f"Proposal {n}:")}
        themes[f"Proposal {n}"] = ground | mine
    for level in found.config.levels:
        legs = {r.id for r in of.get("Legs", ()) if r.title.startswith(f"Legs for {level},")}
        if legs:
            themes[f"Level {level}"] = ground | legs
    if "Trim work" in of:
        themes["Trim work"] = base | {of["Trim work"][0].id}
    canopy = {r.id for r in of.get("Ground", ()) if r.title.startswith("Canopy")}
    themes["Ground and canopy"] = ground | canopy
    presets = ET.SubElement(root, "visibility-presets")
    for name, shown in themes.items():
        preset = ET.SubElement(
            presets, "visibility-preset",
            {"name": name, "has-expanded-info": "0", "has-checked-group-info": "0"},
        )  # fmt: skip
        for group in groups:
            for layer in group.layers:
                if layer.id in shown:
                    ET.SubElement(preset, "layer", id=layer.id, visible="1", style="default")
