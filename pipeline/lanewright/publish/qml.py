"""Styles as QGIS reads them: layer style documents (symbology and labels) of QGIS 3."""

from __future__ import annotations

import functools
import uuid

import jinja2

from lanewright.publish.styles import INK, PAPER
from lanewright.publish.symbols import Rule, Style, Tag


def qml(style: Style) -> str:
    """The style's document."""
    return (
        _environment()
        .get_template("style.qml.j2")
        .render(
            style=style,
            kind=_renderer(style),
            keys=[_key(style, index) for index in (*range(len(style.rules)), -1)],
            filters=[expression(style, rule) for rule in style.rules],
            words=_words(style, style.tag) if style.tag is not None else "",
            ink=INK,
            paper=PAPER,
        )
    )


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("lanewright.publish"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"rgba": _rgba, "plain": _plain}
    return environment


def _renderer(style: Style) -> str:
    """QGIS's name for the way that rows are classed."""
    if any(rule.also for rule in style.rules):
        return "RuleRenderer"
    if any(rule.value is not None for rule in style.rules):
        return "categorizedSymbol"
    if any(rule.between for rule in style.rules):
        return "graduatedSymbol"
    return "singleSymbol"


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},255"


def _plain(value: float) -> str:
    return f"{value:.10g}"


def _key(style: Style, index: int) -> str:
    """Name of a rule, the same in every run."""
    return f"{{{uuid.uuid5(uuid.NAMESPACE_OID, f'{style.layer} {style.name} {index}')}}}"


def expression(style: Style, rule: Rule) -> str:
    """Rows that a rule fits, in the expressions of QGIS."""
    terms = []
    if rule.value is not None:
        terms.append(f"\"{style.column}\" = '{rule.value}'")
    if rule.between is not None:
        low, high = map(_plain, rule.between)
        terms.append(f'"{style.column}" >= {low} AND "{style.column}" < {high}')
    for column, value in rule.also:
        if isinstance(value, bool):
            terms.append(f'"{column}" = {str(value).lower()}')
        else:
            listed = ", ".join(f"'{one}'" for one in value.split("|"))
            terms.append(f'"{column}" IN ({listed})')
    return " AND ".join(terms) or "TRUE"


def _words(style: Style, tag: Tag) -> str:
    """What is written beside the rows of tagged rules."""
    tagged = [f"({expression(style, rule)})" for rule in style.rules if rule.tagged]
    text = f'"{tag.column}"' if not tag.before else f"'{tag.before}' || \"{tag.column}\""
    text = tag.words or text
    return f"CASE WHEN {' OR '.join(tagged)} THEN {text} END"
