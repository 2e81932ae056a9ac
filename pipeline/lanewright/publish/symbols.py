"""What styles are made of: strokes, areas, markers, labels, and the rules that pick them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Dash = tuple[float, ...]


@dataclass(frozen=True)
class Line:
    """A stroke; width and dashes [mm] on paper or screen.

    Attributes
    ----------
    casing
        Width of white on either side [mm], to part it from what it crosses.
    first, last
        Markers on its first and last point.
    """

    colour: str
    width: float
    dash: Dash = ()
    opacity: float = 1.0
    casing: float = 0.0
    first: Mark | None = None
    last: Mark | None = None
    kind: Literal["line"] = "line"


@dataclass(frozen=True)
class Fill:
    """An area: plain, hatched (angle [deg], spacing [mm]), or its outline only."""

    colour: str | None
    outline: Line | None = None
    opacity: float = 1.0
    hatch: tuple[float, float] | None = None
    kind: Literal["fill"] = "fill"


@dataclass(frozen=True)
class Mark:
    """A marker; size in mm, or in metres on the ground from a column."""

    shape: Literal["circle", "triangle", "square"]
    colour: str
    outline: Line
    size: float = 2.0
    size_column: str | None = None
    opacity: float = 1.0
    kind: Literal["marker"] = "marker"


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
    words
        An expression of QGIS to write instead of the column; empty for the column.
    """

    column: str
    size: float = 9.0
    at_start: bool = False
    before: str = ""
    priority: int = 5
    words: str = ""


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
