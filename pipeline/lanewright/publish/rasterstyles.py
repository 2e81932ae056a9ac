"""How QGIS draws the rasters of a project: shading, contours, classes."""

from __future__ import annotations

from xml.etree import ElementTree as ET

CANOPY = (
    (0.5, "255,255,255,0", "under 0.5"), (2.0, "228,236,205,255", "0.5 to 2"),
    (5.0, "188,210,150,255", "2 to 5"), (10.0, "140,178,112,255", "5 to 10"),
    (20.0, "92,140,84,255", "10 to 20"), (99.0, "44,90,58,255", "over 20"),
)  # fmt: skip
SLOPE = (
    (3.0, "255,255,255,0", "under 3"), (10.0, "253,224,170,255", "3 to 10"),
    (25.0, "240,150,90,255", "10 to 25"), (500.0, "165,50,40,255", "over 25"),
)  # fmt: skip
"""Upper ends of classes in the raster's unit, colour and words."""


def shade_renderer() -> ET.Element:
    """Shaded from several sides."""
    return ET.Element(
        "rasterrenderer", type="hillshade", band="1", opacity="1", alphaBand="-1",
        azimuth="315", angle="45", zfactor="1", multidirection="1",
    )  # fmt: skip


def contour_renderer(step: float) -> ET.Element:
    """Contours `step` metres apart, every fifth strong."""
    made = ET.Element(
        "rasterrenderer", {"type": "contour", "band": "1", "opacity": "1", "alphaBand": "-1",
                           "contour-interval": f"{step:.6g}",
                           "contour-index-interval": f"{5 * step:.6g}", "downscale": "4"},
    )  # fmt: skip
    # QGIS reads one set of symbols: the plain contour, then the strong one.
    symbols = ET.SubElement(made, "symbols")
    symbols.append(_line_symbol("contour", "122,90,54,160", 0.12))
    symbols.append(_line_symbol("index", "122,90,54,200", 0.3))
    return made


def _line_symbol(name: str, colour: str, width: float) -> ET.Element:
    symbol = ET.Element("symbol", name=name, type="line", alpha="1", force_rhr="0")
    layer = ET.SubElement(symbol, "layer", {"class": "SimpleLine", "enabled": "1", "pass": "0"})
    options = ET.SubElement(layer, "Option", type="Map")
    for key, value in (
        ("line_color", colour),
        ("line_style", "solid"),
        ("line_width", f"{width:g}"),
        ("line_width_unit", "MM"),
    ):
        ET.SubElement(options, "Option", name=key, type="QString", value=value)
    return symbol


def class_renderer(stops: tuple[tuple[float, str, str], ...]) -> ET.Element:
    """Classes of one colour each, by their upper ends."""
    made = ET.Element(
        "rasterrenderer", type="singlebandpseudocolor", band="1", opacity="0.75", alphaBand="-1",
        classificationMin="0", classificationMax=f"{stops[-1][0]:g}",
    )  # fmt: skip
    shader = ET.SubElement(ET.SubElement(made, "rastershader"), "colorrampshader")
    shader.attrib |= {"colorRampType": "DISCRETE", "classificationMode": "1", "clip": "0",
                      "minimumValue": "0", "maximumValue": f"{stops[-1][0]:g}"}  # fmt: skip
    for value, colour, label in stops:
        red, green, blue, alpha = colour.split(",")
        code = f"#{int(red):02x}{int(green):02x}{int(blue):02x}"
        ET.SubElement(shader, "item", value=f"{value:g}", color=code, alpha=alpha, label=label)
    return made
