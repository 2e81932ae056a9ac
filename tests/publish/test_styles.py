from xml.etree import ElementTree as ET

import matplotlib as mpl
import pytest
from matplotlib.colors import to_hex

from lanewright.base import schema
from lanewright.publish.qml import qml
from lanewright.publish.styles import STYLES, styles_of
from lanewright.publish.symbols import Line, Mark


def every_style():
    return [pytest.param(s, id=f"{s.layer}-{s.name}") for s in STYLES]


def test_every_layer_has_a_style_and_no_style_is_stray():
    assert {style.layer for style in STYLES} == set(schema.LAYERS)
    for layer in schema.LAYERS:
        names = [style.name for style in styles_of(layer)]
        assert len(names) == len(set(names)) >= 1
        assert all(len(name) <= 30 for name in names)  # TEXT(30) in the table of styles


@pytest.mark.parametrize("style", every_style())
def test_styles_look_at_columns_that_exist(style):
    columns = {c.name for c in schema.LAYERS[style.layer].columns}
    used = {style.column, (style.on_top or "").removeprefix("-") or None}
    used |= {name for rule in style.rules for name, _ in rule.also}
    used |= {style.tag.column} if style.tag else set()
    used |= {r.symbol.size_column for r in style.rules if isinstance(r.symbol, Mark)}
    assert used - {None} <= columns


def test_every_kind_of_lane_has_its_own_dash_and_colour():
    (style,) = styles_of("lanes")
    kinds = schema.LAYERS["lanes"].column("kind").values
    assert [rule.value for rule in style.rules] == list(kinds)
    assert len({rule.symbol.dash for rule in style.rules}) == len(style.rules)
    assert len({rule.symbol.colour for rule in style.rules}) == len(style.rules)


@pytest.mark.parametrize("style", every_style())
def test_values_that_rules_ask_for_exist(style):
    layer = schema.LAYERS[style.layer]
    for rule in style.rules:
        for name, value in rule.also:
            column = layer.column(name)
            if isinstance(value, bool):
                assert column.dtype == "bool"
            else:
                assert set(value.split("|")) <= set(column.values)


def test_every_kind_of_check_has_one_sign():
    (style,) = styles_of("field_checks")
    kinds = [k for rule in style.rules for _, value in rule.also for k in value.split("|")]
    assert sorted(kinds) == sorted(schema.LAYERS["field_checks"].column("kind").values)


def test_every_reach_of_trim_work_has_one_fill():
    (style,) = styles_of("trim_work")
    reaches = [dict(rule.also).get("reach") for rule in style.rules if dict(rule.also)["chosen"]]
    assert sorted(reaches) == sorted(schema.LAYERS["trim_work"].column("reach").values)


def test_the_best_proposal_is_drawn_last_and_numbered():
    style = styles_of("layout_holes")[0]
    root = ET.fromstring(qml(style))
    clause = root.find("renderer-v2/orderby/orderByClause")
    assert (clause.text, clause.get("asc")) == ('"proposal"', "0")
    words = root.find("labeling/settings/text-style").get("fieldName")
    assert words == 'CASE WHEN ("proposal" >= 0 AND "proposal" < 2) THEN "play_order" END'


@pytest.mark.parametrize("style", [s for s in STYLES if s.column == "proposal"])
def test_every_proposal_is_drawn_once(style):
    for number in range(1, 12):
        assert sum(low <= number < high for low, high in (r.between for r in style.rules)) == 1


def shares(style):
    return style.rules[0].between and style.column != "proposal"


@pytest.mark.parametrize("style", [s for s in STYLES if shares(s)])
def test_ranges_take_every_share_once(style):
    for share in (0.0, 0.2, 0.399, 0.4, 0.8, 0.999, 1.0):
        assert sum(low <= share < high for low, high in (r.between for r in style.rules)) == 1


def test_scores_get_wider_and_darker_along_viridis():
    style = styles_of("legs")[0]
    lines = [rule.symbol for rule in style.rules]
    assert all(isinstance(line, Line) for line in lines)
    assert [line.width for line in lines] == sorted(line.width for line in lines)
    # matplotlib holds the published ramp.
    viridis = mpl.colormaps["viridis"]
    assert [line.colour for line in lines] == [
        to_hex(viridis(x)) for x in (0.875, 0.75, 0.5, 0.25, 0)
    ]


@pytest.mark.parametrize("style", every_style())
def test_qml_has_a_symbol_for_every_class(style):
    root = ET.fromstring(qml(style))
    assert root.tag == "qgis"
    renderer = root.find("renderer-v2")
    symbols = [s.get("name") for s in renderer.findall("symbols/symbol")]
    assert symbols == [str(i) for i in range(len(style.rules))]
    classes = renderer.findall("ranges/range") + renderer.findall("categories/category")
    rules = renderer.findall("rules/rule")
    if any(rule.also for rule in style.rules):
        assert renderer.get("type") == "RuleRenderer"
        assert [r.get("symbol") for r in rules] == symbols
        assert [r.get("label") for r in rules] == [r.label for r in style.rules]
        assert len({r.get("key") for r in rules}) == len(rules)
    elif style.column:
        assert renderer.get("attr") == style.column
        assert [c.get("symbol") for c in classes] == symbols
        assert [c.get("label") for c in classes] == [r.label for r in style.rules]
    else:
        assert renderer.get("type") == "singleSymbol"
        assert not classes
