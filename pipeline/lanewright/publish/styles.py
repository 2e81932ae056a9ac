"""How each layer looks: said once as data, handed out as QML for QGIS and as SLD for the rest.

Colours keep apart for colour-blind readers: the viridis ramp (Smith and van der Walt 2015, from
memory) for scores, and the palette of Okabe and Ito (2008, from memory) for kinds.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Literal
from xml.etree import ElementTree as ET

from lanewright.visit.outing import CHECK

Dash = tuple[float, ...]


@dataclass(frozen=True)
class Line:
    """A stroke; width and dashes [mm] on paper or screen.

    Attributes
    ----------
    casing
        Width of white on either side [mm], which tells it from what it crosses.
    first, last
        Markers on its first and last point; SLD has no word for them and leaves them out.
    """

    colour: str
    width: float
    dash: Dash = ()
    opacity: float = 1.0
    casing: float = 0.0
    first: Mark | None = None
    last: Mark | None = None


@dataclass(frozen=True)
class Fill:
    """An area: plain, hatched (angle [deg], spacing [mm]), or its outline only."""

    colour: str | None
    outline: Line | None = None
    opacity: float = 1.0
    hatch: tuple[float, float] | None = None


@dataclass(frozen=True)
class Mark:
    """A marker; size in mm, or in metres on the ground from a column."""

    shape: Literal["circle", "triangle", "square"]
    colour: str
    outline: Line
    size: float = 2.0
    size_column: str | None = None
    opacity: float = 1.0


@dataclass(frozen=True)
class Rule:
    """What a symbol stands for: everything, one value, or a range (from, below).

    Attributes
    ----------
    also
        Further columns and the values that they must have.
    tagged
        Whether the style's tag is written beside the rows that fit.
    """

    label: str
    symbol: Line | Fill | Mark
    value: str | None = None
    between: tuple[float, float] | None = None
    also: tuple[tuple[str, str | bool], ...] = ()
    tagged: bool = False


@dataclass(frozen=True)
class Tag:
    """A column written beside rows, in ink on white; no two are drawn over each other.

    Attributes
    ----------
    column
        What is written.
    size
        In points.
    at_start
        Beside the first point of a line instead of its middle.
    before
        Text in front of the value.
    priority
        0 to 10; where tags of several layers want one place, the highest has it.
    """

    column: str
    size: float = 9.0
    at_start: bool = False
    before: str = ""
    priority: int = 5


@dataclass(frozen=True)
class Style:
    """One way to draw a layer.

    Attributes
    ----------
    layer, name
        Layer it is for, and what the reader calls it.
    rules
        Drawn for the rows that they fit.
    column
        Column that rules with a value or a range look at.
    on_top
        Column whose high values are drawn last; with a minus in front, its low ones.
    tag
        What is written beside the rows of tagged rules.
    nearer
        Scale, as 1 to so much, beyond which the layer is left out, for it would only clutter.
    """

    layer: str
    name: str
    rules: tuple[Rule, ...]
    column: str | None = None
    on_top: str | None = None
    tag: Tag | None = None
    nearer: int | None = None


_INK = "#1a1a1a"
_PAPER = "#ffffff"
_WATER = "#0072b2"
_NEAR = 1250  # thousands of sites are a haze on a map of the whole property
_VIRIDIS = ("#addc30", "#5ec962", "#21918c", "#3b528b", "#440154")  # light to dark: worst to best


def _ramp(what: str, wider: float = 1.0) -> tuple[Rule, ...]:
    """Fifths of a 0-1 column: the better, the darker, wider and more solid.

    Thousands of lines lie over each other; the weak ones stay a haze behind the best.
    """
    edges = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    # Where a thousand good ones cross, wide strokes would run into one blot.
    widths = (0.08, 0.09, 0.1, 0.13, 0.18)
    solid = (0.15, 0.2, 0.25, 0.35, 0.45)
    return tuple(
        Rule(
            f"{what} {low:.1f} to {high:.1f}",
            Line(colour, width * wider, opacity=opacity),
            # The last class holds 1.0 itself.
            between=(low, high if high < 1 else 1.001),
        )
        for low, high, colour, width, opacity in zip(
            edges[:-1], edges[1:], _VIRIDIS, widths, solid, strict=True
        )
    )


_TEE = Mark("square", _INK, Line(_PAPER, 0.3), size=2.2)
_BASKET = Mark("circle", _PAPER, Line(_INK, 0.7), size=2.8)

STYLES: tuple[Style, ...] = (
    Style("property", "Outline", (Rule("Property", Fill(None, Line(_INK, 0.9))),)),
    Style(
        "tee_sites",
        "Tee sites",
        (Rule("Tee site", Mark("triangle", _INK, Line(_PAPER, 0.2), size=2.4)),),
        nearer=_NEAR,
    ),
    Style(
        "basket_sites",
        "Basket sites",
        (Rule("Basket site", Mark("circle", _PAPER, Line(_INK, 0.5), size=1.8)),),
        nearer=_NEAR,
    ),
    Style("legs", "Score", _ramp("score"), column="score", on_top="score"),
    Style(
        "legs",
        "Clear rate",
        _ramp("clear rate"),
        column="clear_rate",
        on_top="clear_rate",
    ),
    Style(
        "layout_holes",
        "Proposal",
        (
            Rule("third proposal and on", Line("#cc79a7", 0.5, (0.8, 1.2), 0.8), between=(3, 1e6)),
            Rule("second proposal", Line("#d55e00", 0.5, (3.0, 1.2), 0.8), between=(2, 3)),
            Rule(
                "best proposal, numbered at the tee",
                Line(_INK, 0.9, casing=0.5, first=_TEE, last=_BASKET),
                between=(0, 2),
                tagged=True,
            ),
        ),
        column="proposal",
        on_top="-proposal",
        tag=Tag("play_order", 11.0, at_start=True, priority=10),
    ),
    Style(
        "layout_holes",
        "Clear rate",
        _ramp("clear rate", 3.0),
        column="clear_rate",
        on_top="clear_rate",
    ),
    Style(
        "designer_holes",
        "Wishes",
        (Rule("holes to edit", Line("#0072b2", 0.8, casing=0.4, first=_TEE, last=_BASKET)),),
    ),
    Style(
        "designer_areas",
        "Wishes",
        (Rule("areas to stay out of", Fill("#d55e00", Line("#d55e00", 0.5), opacity=0.25)),),
    ),
    Style(
        "layout_walks",
        "Proposal",
        (
            Rule("walks of others", Line(_WATER, 0.15, (0.4, 1.6), 0.5), between=(2, 1e6)),
            Rule(
                "walks of the best proposal",
                Line(_WATER, 0.5, (0.5, 1.0), casing=0.3),
                between=(0, 2),
            ),
        ),
        column="proposal",
        on_top="-proposal",
    ),
    Style(
        "field_checks",
        "Checks",
        (
            Rule(
                "water and soft ground",
                Mark("circle", "#56b4e9", Line(_INK, 0.3), size=2.8),
                also=(("kind", "soft ground|water|crossing"),),
                tagged=True,
            ),
            Rule(
                "growth",
                Mark("triangle", "#009e73", Line(_INK, 0.3), size=3.0),
                also=(("kind", "not seen|gap|in the way|in leaf"),),
                tagged=True,
            ),
            Rule(
                "wire",
                Mark("square", "#d55e00", Line(_INK, 0.5), size=3.0),
                also=(("kind", "wire"),),
                tagged=True,
            ),
            Rule(
                "access, boundary, age of the survey",
                Mark("square", _PAPER, Line(_INK, 0.4), size=2.6),
                also=(("kind", "access|boundary|survey age"),),
                tagged=True,
            ),
        ),
        tag=Tag("check_id", 7.5, before=CHECK, priority=7),
    ),
    Style(
        "trim_work",
        "Reach",
        (
            Rule(
                "not chosen",
                Fill(None, Line("#767676", 0.15), 0.6),
                also=(("chosen", False),),
            ),
            *(
                Rule(
                    label,
                    Fill(colour, Line(_INK, 0.15), 0.85),
                    also=(("chosen", True), ("reach", reach)),
                )
                for label, colour, reach in (
                    ("by hand tools", "#009e73", "hand tools"),
                    ("by pole saw", "#56b4e9", "pole saw"),
                    ("by climber or lift", "#e69f00", "climber or lift"),
                    ("felled by a sawyer", "#d55e00", "sawyer"),
                    ("an arborist's", "#cc79a7", "arborist"),
                )
            ),
        ),
        on_top="chosen",
    ),
    Style("holes", "Score", _ramp("score", 1.3), column="score", on_top="score"),
    Style(
        "holes",
        "Route",
        (
            Rule("safe route", Line("#009e73", 0.5), "safe"),
            Rule("bold route", Line("#d55e00", 0.6, (3.0, 1.2)), "bold"),
        ),
        column="route",
    ),
    Style(
        "hole_positions",
        "Tees and pins",
        (
            Rule("tee for another level", Mark("triangle", "#56b4e9", Line(_INK, 0.2)), "tee"),
            Rule("other pin", Mark("circle", "#f0e442", Line(_INK, 0.2)), "pin"),
        ),
        column="position",
        nearer=_NEAR,
    ),
    Style(
        "lanes",
        "Kind",
        (
            Rule("open", Line("#e69f00", 0.5, (0.6, 1.2)), "open"),
            Rule("edge", Line("#cc79a7", 0.5, (3.0, 1.0, 0.6, 1.0)), "edge"),
            Rule("lane", Line("#d55e00", 0.6, (3.0, 1.2)), "lane"),
            Rule("tunnel (roofed by canopy)", Line("#7a3300", 0.9), "tunnel"),
        ),
        column="kind",
    ),
    Style(
        "openings",
        "Openings",
        (Rule("Opening", Fill("#f0e442", Line("#a89f1d", 0.2), opacity=0.3)),),
    ),
    Style(
        "trees",
        "Crowns",
        (
            Rule(
                "Tree, as wide as its crown",
                Mark(
                    "circle", "#009e73", Line("#00553e", 0.1), size_column="crown_m", opacity=0.25
                ),
            ),
        ),
    ),
    Style("water", "Water", (Rule("Water", Fill("#9fd3ee", Line(_WATER, 0.3), opacity=0.8)),)),
    Style(
        "wet_ground",
        "Wet ground",
        (Rule("Wet ground", Fill("#56b4e9", Line("#56b4e9", 0.15), hatch=(45.0, 1.4))),),
    ),
    Style("drainage", "Drainage lines", (Rule("Drainage line", Line(_WATER, 0.2)),)),
    Style(
        "cautions",
        "Cautions",
        (Rule("Caution holds inside", Fill(None, Line("#d55e00", 0.4, (0.4, 1.6)))),),
    ),
)


def styles_of(layer: str) -> tuple[Style, ...]:
    """Return the styles of a layer, the default first."""
    return tuple(style for style in STYLES if style.layer == layer)


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _number(value: float) -> str:
    return f"{value:.10g}"


# --- QML -----------------------------------------------------------------------------------------


def qml(style: Style) -> str:
    """Style as a QGIS layer style document (symbology and labels), read by QGIS 3."""
    root = ET.Element("qgis", version="3.22.0", styleCategories="Symbology|Labeling|Rendering")
    if style.nearer is not None:
        root.set("hasScaleBasedVisibilityFlag", "1")
        root.set("minScale", str(style.nearer))
        root.set("maxScale", "0")
    kind = "singleSymbol"
    if any(rule.also for rule in style.rules):
        kind = "RuleRenderer"
    elif any(rule.value is not None for rule in style.rules):
        kind = "categorizedSymbol"
    elif any(rule.between for rule in style.rules):
        kind = "graduatedSymbol"
    renderer = ET.SubElement(
        root,
        "renderer-v2",
        type=kind,
        symbollevels="0",
        forceraster="0",
        enableorderby="1" if style.on_top else "0",
    )
    if style.column:
        renderer.set("attr", style.column)
    if kind == "graduatedSymbol":
        renderer.set("graduatedMethod", "GraduatedColor")
        ranges = ET.SubElement(renderer, "ranges")
        for index, rule in enumerate(style.rules):
            low, high = rule.between or (0.0, 0.0)
            ET.SubElement(
                ranges,
                "range",
                lower=_number(low),
                upper=_number(high),
                symbol=str(index),
                label=rule.label,
                render="true",
            )
    if kind == "categorizedSymbol":
        categories = ET.SubElement(renderer, "categories")
        for index, rule in enumerate(style.rules):
            ET.SubElement(
                categories,
                "category",
                value=rule.value or "",
                type="string",
                symbol=str(index),
                label=rule.label,
                render="true",
            )
    if kind == "RuleRenderer":
        rules = ET.SubElement(renderer, "rules", key=_key(style, -1))
        for index, rule in enumerate(style.rules):
            ET.SubElement(
                rules,
                "rule",
                key=_key(style, index),
                symbol=str(index),
                label=rule.label,
                filter=_expression(style, rule),
            )
    symbols = ET.SubElement(renderer, "symbols")
    for index, rule in enumerate(style.rules):
        _qml_symbol(symbols, str(index), rule.symbol)
    if style.on_top:
        order = ET.SubElement(renderer, "orderby")
        low = style.on_top.startswith("-")
        clause = ET.SubElement(order, "orderByClause", asc="0" if low else "1", nullsFirst="1")
        clause.text = f'"{style.on_top.removeprefix("-")}"'
    if style.tag is not None:
        root.set("labelsEnabled", "1")
        _qml_labels(root, style, style.tag)
    return "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + _text(root)


def _key(style: Style, index: int) -> str:
    """Name of a rule, the same in every run."""
    return f"{{{uuid.uuid5(uuid.NAMESPACE_OID, f'{style.layer} {style.name} {index}')}}}"


def _expression(style: Style, rule: Rule) -> str:
    """Rows that a rule fits, in the expressions of QGIS."""
    terms = []
    if rule.value is not None:
        terms.append(f"\"{style.column}\" = '{rule.value}'")
    if rule.between is not None:
        low, high = map(_number, rule.between)
        terms.append(f'"{style.column}" >= {low} AND "{style.column}" < {high}')
    for column, value in rule.also:
        if isinstance(value, bool):
            terms.append(f'"{column}" = {str(value).lower()}')
        else:
            listed = ", ".join(f"'{one}'" for one in value.split("|"))
            terms.append(f'"{column}" IN ({listed})')
    return " AND ".join(terms) or "TRUE"


def _qml_labels(root: ET.Element, style: Style, tag: Tag) -> None:
    """Labels that give way to each other and to the symbols of their own layer."""
    tagged = [f"({_expression(style, rule)})" for rule in style.rules if rule.tagged]
    text = f'"{tag.column}"' if not tag.before else f"'{tag.before}' || \"{tag.column}\""
    labeling = ET.SubElement(root, "labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    face = ET.SubElement(
        settings,
        "text-style",
        fieldName=f"CASE WHEN {' OR '.join(tagged)} THEN {text} END",
        isExpression="1",
        fontFamily="DejaVu Sans",
        namedStyle="Bold",
        fontWeight="75",
        fontSize=_number(tag.size),
        fontSizeUnit="Point",
        textColor=_rgba(_INK),
        textOpacity="1",
    )
    ET.SubElement(
        face,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.7",
        bufferSizeUnits="MM",
        bufferColor=_rgba(_PAPER),
        bufferOpacity="1",
        bufferJoinStyle="128",
    )
    place = {
        "placement": "6",  # around a point, the best place first
        "dist": "1",
        "distUnits": "MM",
        "priority": str(tag.priority),
        "predefinedPositionOrder": "TR,TL,BR,BL,R,L,TSR,BSR",
    }
    if tag.at_start:
        place |= {
            "geometryGeneratorEnabled": "1",
            "geometryGenerator": "start_point($geometry)",
            "geometryGeneratorType": "PointGeometry",
        }
    ET.SubElement(settings, "placement", place)
    ET.SubElement(
        settings, "rendering", displayAll="0", obstacle="1", obstacleFactor="1", drawLabels="1"
    )


def _qml_symbol(parent: ET.Element, name: str, symbol: Line | Fill | Mark) -> None:
    kind = {Line: "line", Fill: "fill", Mark: "marker"}[type(symbol)]
    drawn = ET.SubElement(
        parent,
        "symbol",
        name=name,
        type=kind,
        alpha=_number(symbol.opacity),
        clip_to_extent="1",
        force_rhr="0",
    )
    match symbol:
        case Line():
            _qml_line(drawn, symbol)
        case Fill(hatch=None):
            _qml_plain_fill(drawn, symbol)
        case Fill():
            _qml_hatch(drawn, symbol)
        case Mark():
            _qml_mark(drawn, symbol)


def _qml_layer(symbol: ET.Element, kind: str, options: dict[str, str]) -> ET.Element:
    layer = ET.SubElement(
        symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"}
    )
    table = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(table, "Option", name=name, type="QString", value=value)
    return layer


def _qml_line(symbol: ET.Element, line: Line) -> None:
    if line.casing:
        _qml_line(symbol, Line(_PAPER, line.width + 2 * line.casing))
    options = {
        "line_color": _rgba(line.colour),
        "line_style": "solid",
        "line_width": _number(line.width),
        "line_width_unit": "MM",
        "capstyle": "flat" if line.dash else "round",
        "joinstyle": "round",
    }
    if line.dash:
        options |= {
            "use_custom_dash": "1",
            "customdash": ";".join(map(_number, line.dash)),
            "customdash_unit": "MM",
        }
    _qml_layer(symbol, "SimpleLine", options)
    for mark, place in ((line.first, "firstvertex"), (line.last, "lastvertex")):
        if mark is None:
            continue
        layer = _qml_layer(symbol, "MarkerLine", {"placement": place, "rotate": "1"})
        # Symbols within symbols are named after their place.
        name = f"@{symbol.get('name')}@{len(symbol) - 1}"
        inner = ET.SubElement(
            layer, "symbol", name=name, type="marker", alpha="1", clip_to_extent="1", force_rhr="0"
        )
        _qml_mark(inner, mark)


def _qml_plain_fill(symbol: ET.Element, fill: Fill) -> None:
    if fill.colour:
        _qml_layer(
            symbol,
            "SimpleFill",
            {"color": _rgba(fill.colour), "style": "solid", "outline_style": "no"},
        )
    if fill.outline:
        # A line on a polygon keeps its dashes; the outline of a plain fill would not.
        _qml_line(symbol, fill.outline)


def _qml_hatch(symbol: ET.Element, fill: Fill) -> None:
    angle, spacing = fill.hatch or (0.0, 1.0)
    layer = _qml_layer(
        symbol,
        "LinePatternFill",
        {
            "angle": _number(angle),
            "distance": _number(spacing),
            "distance_unit": "MM",
            "line_width": "0.2",
            "line_width_unit": "MM",
        },
    )
    # The lines of the hatch are a symbol of their own, named after its place.
    line = ET.SubElement(
        layer,
        "symbol",
        name=f"@{symbol.get('name')}@0",
        type="line",
        alpha="1",
        clip_to_extent="1",
        force_rhr="0",
    )
    _qml_line(line, Line(fill.colour or _INK, 0.25))
    if fill.outline:
        _qml_line(symbol, fill.outline)


def _qml_mark(symbol: ET.Element, mark: Mark) -> None:
    layer = _qml_layer(
        symbol,
        "SimpleMarker",
        {
            "name": mark.shape,
            "color": _rgba(mark.colour),
            "outline_color": _rgba(mark.outline.colour),
            "outline_style": "solid",
            "outline_width": _number(mark.outline.width),
            "outline_width_unit": "MM",
            "size": _number(mark.size),
            # In metres on the ground where a column says how large.
            "size_unit": "RenderMetersInMapUnits" if mark.size_column else "MM",
            "scale_method": "diameter",
        },
    )
    if mark.size_column:
        defined = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option")
        defined.set("type", "Map")
        ET.SubElement(defined, "Option", name="name", type="QString", value="")
        properties = ET.SubElement(defined, "Option", name="properties", type="Map")
        size = ET.SubElement(properties, "Option", name="size", type="Map")
        ET.SubElement(size, "Option", name="active", type="bool", value="true")
        ET.SubElement(size, "Option", name="field", type="QString", value=mark.size_column)
        ET.SubElement(size, "Option", name="type", type="int", value="2")  # 2: from a field
        ET.SubElement(defined, "Option", name="type", type="QString", value="collection")


# --- SLD -----------------------------------------------------------------------------------------

_SLD = "http://www.opengis.net/sld"
_SE = "http://www.opengis.net/se"
_OGC = "http://www.opengis.net/ogc"
_PIXEL = 0.28  # mm: the standardised pixel of the OGC Symbology Encoding specification (05-077r4)
_METRE = "http://www.opengeospatial.org/se/units/metre"


def sld(style: Style) -> str:
    """Style as an OGC Styled Layer Descriptor 1.1.0; widths in standard pixels of 0.28 mm."""
    for prefix, uri in (("sld", _SLD), ("se", _SE), ("ogc", _OGC)):
        ET.register_namespace(prefix, uri)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.1.0")
    named = ET.SubElement(root, f"{{{_SLD}}}NamedLayer")
    ET.SubElement(named, f"{{{_SE}}}Name").text = style.layer
    user = ET.SubElement(named, f"{{{_SLD}}}UserStyle")
    ET.SubElement(user, f"{{{_SE}}}Name").text = style.name
    types = ET.SubElement(user, f"{{{_SE}}}FeatureTypeStyle")
    for rule in style.rules:
        drawn = ET.SubElement(types, f"{{{_SE}}}Rule")
        ET.SubElement(drawn, f"{{{_SE}}}Name").text = rule.label
        description = ET.SubElement(drawn, f"{{{_SE}}}Description")
        ET.SubElement(description, f"{{{_SE}}}Title").text = rule.label
        _sld_filter(drawn, style.column, rule)
        match rule.symbol:
            case Line():
                if rule.symbol.casing:
                    under = Line(_PAPER, rule.symbol.width + 2 * rule.symbol.casing)
                    _sld_stroke(ET.SubElement(drawn, f"{{{_SE}}}LineSymbolizer"), under)
                _sld_stroke(ET.SubElement(drawn, f"{{{_SE}}}LineSymbolizer"), rule.symbol)
            case Fill():
                _sld_fill(drawn, rule.symbol)
            case Mark():
                _sld_mark(drawn, rule.symbol)
        if style.tag is not None and rule.tagged:
            _sld_text(drawn, style.tag)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + _text(root)


def _sld_filter(rule_element: ET.Element, column: str | None, rule: Rule) -> None:
    tests: list[tuple[str, str, str]] = []
    if column is not None and rule.value is not None:
        tests.append(("PropertyIsEqualTo", column, rule.value))
    if column is not None and rule.between is not None:
        tests.append(("PropertyIsGreaterThanOrEqualTo", column, _number(rule.between[0])))
        tests.append(("PropertyIsLessThan", column, _number(rule.between[1])))
    either: list[tuple[str, tuple[str, ...]]] = []
    for name, value in rule.also:
        if isinstance(value, bool):
            tests.append(("PropertyIsEqualTo", name, str(value).lower()))
        elif "|" in value:
            either.append((name, tuple(value.split("|"))))
        else:
            tests.append(("PropertyIsEqualTo", name, value))
    if not tests and not either:
        return
    chosen = ET.SubElement(rule_element, f"{{{_OGC}}}Filter")
    if len(tests) + len(either) > 1:
        chosen = ET.SubElement(chosen, f"{{{_OGC}}}And")

    def compare(parent: ET.Element, operator: str, name: str, literal: str) -> None:
        element = ET.SubElement(parent, f"{{{_OGC}}}{operator}")
        ET.SubElement(element, f"{{{_OGC}}}PropertyName").text = name
        ET.SubElement(element, f"{{{_OGC}}}Literal").text = literal

    for operator, name, literal in tests:
        compare(chosen, operator, name, literal)
    for name, values in either:
        any_of = ET.SubElement(chosen, f"{{{_OGC}}}Or")
        for value in values:
            compare(any_of, "PropertyIsEqualTo", name, value)


def _sld_text(rule_element: ET.Element, tag: Tag) -> None:
    text = ET.SubElement(rule_element, f"{{{_SE}}}TextSymbolizer")
    label = ET.SubElement(text, f"{{{_SE}}}Label")
    label.text = tag.before or None
    ET.SubElement(label, f"{{{_OGC}}}PropertyName").text = tag.column
    font = ET.SubElement(text, f"{{{_SE}}}Font")
    _parameter(font, "font-weight", "bold")
    _parameter(font, "font-size", f"{tag.size * 25.4 / 72 / _PIXEL:.1f}")
    halo = ET.SubElement(text, f"{{{_SE}}}Halo")
    ET.SubElement(halo, f"{{{_SE}}}Radius").text = f"{0.7 / _PIXEL:.1f}"
    _parameter(ET.SubElement(halo, f"{{{_SE}}}Fill"), "fill", _PAPER)
    _parameter(ET.SubElement(text, f"{{{_SE}}}Fill"), "fill", _INK)


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    ET.SubElement(parent, f"{{{_SE}}}SvgParameter", name=name).text = value


def _sld_stroke(parent: ET.Element, line: Line) -> None:
    stroke = ET.SubElement(parent, f"{{{_SE}}}Stroke")
    _parameter(stroke, "stroke", line.colour)
    if line.opacity < 1:
        _parameter(stroke, "stroke-opacity", _number(line.opacity))
    _parameter(stroke, "stroke-width", f"{line.width / _PIXEL:.2f}")
    if line.dash:
        _parameter(stroke, "stroke-dasharray", " ".join(f"{d / _PIXEL:.2f}" for d in line.dash))


def _sld_fill(rule_element: ET.Element, fill: Fill) -> None:
    polygon = ET.SubElement(rule_element, f"{{{_SE}}}PolygonSymbolizer")
    if fill.colour:
        inside = ET.SubElement(polygon, f"{{{_SE}}}Fill")
        if fill.hatch:
            angle, spacing = fill.hatch
            graphic = ET.SubElement(
                ET.SubElement(inside, f"{{{_SE}}}GraphicFill"), f"{{{_SE}}}Graphic"
            )
            mark = ET.SubElement(graphic, f"{{{_SE}}}Mark")
            ET.SubElement(mark, f"{{{_SE}}}WellKnownName").text = "horline"
            _sld_stroke(mark, Line(fill.colour, 0.25))
            ET.SubElement(graphic, f"{{{_SE}}}Size").text = f"{spacing / _PIXEL:.2f}"
            rotation = ET.SubElement(graphic, f"{{{_SE}}}Rotation")
            ET.SubElement(rotation, f"{{{_OGC}}}Literal").text = _number(angle)
        else:
            _parameter(inside, "fill", fill.colour)
            if fill.opacity < 1:
                _parameter(inside, "fill-opacity", _number(fill.opacity))
    if fill.outline:
        _sld_stroke(polygon, fill.outline)


def _sld_mark(rule_element: ET.Element, mark: Mark) -> None:
    point = ET.SubElement(rule_element, f"{{{_SE}}}PointSymbolizer")
    if mark.size_column:
        point.set("uom", _METRE)
    graphic = ET.SubElement(point, f"{{{_SE}}}Graphic")
    shape = ET.SubElement(graphic, f"{{{_SE}}}Mark")
    ET.SubElement(shape, f"{{{_SE}}}WellKnownName").text = mark.shape
    inside = ET.SubElement(shape, f"{{{_SE}}}Fill")
    _parameter(inside, "fill", mark.colour)
    if mark.opacity < 1:
        _parameter(inside, "fill-opacity", _number(mark.opacity))
    _sld_stroke(shape, mark.outline)
    size = ET.SubElement(graphic, f"{{{_SE}}}Size")
    if mark.size_column:
        ET.SubElement(size, f"{{{_OGC}}}PropertyName").text = mark.size_column
    else:
        size.text = f"{mark.size / _PIXEL:.2f}"


def _text(root: ET.Element) -> str:
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"
