"""Numbers as a reader meets them: both units of length, the wished one first."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE, FOOT
from lanewright.settings.config import Config
from lanewright.settings.levels import levels_named

MINUS = "−"
UNKNOWN = "not known"
NARROW = "\u202f"  # space that does not break
_LEAST_HOURS = 0.1


def number(value: float | None, digits: int = 0) -> str:
    """Digits with a thin thousands mark, a true minus and no negative zero.

    Examples
    --------
    >>> number(-1234.56, 1), number(-0.04), number(None)
    ('−1,234.6', '0', 'not known')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{abs(value):,.{digits}f}"
    nothing = not any(c in "123456789" for c in text)
    return text if value >= 0 or nothing else MINUS + text


def percent(share: float | None, digits: int = 0) -> str:
    r"""A share as percent.

    Examples
    --------
    >>> percent(0.812), percent(float("nan"))
    ('81\u202f%', 'not known')
    """
    if share is None or not math.isfinite(share):
        return UNKNOWN
    return f"{number(100 * share, digits)}{NARROW}%"


def about(share: float | None) -> str:
    r"""A share as a survey can know it: to five percent; the ends as they are.

    Examples
    --------
    >>> about(0.83), about(0.996), about(None)
    ('about 85\u202f%', 'nearly all', 'not known')
    """
    if share is None or not math.isfinite(share):
        return UNKNOWN
    near = 5 * round(20 * share)
    if near == 100:
        return "nearly all"
    return f"about {near}{NARROW}%" if near else "nearly none"


def pct(value: float | None, digits: int = 0) -> str:
    """A number that is percent already."""
    return percent(None if value is None else value / 100, digits)


def plural(count: int, one: str, many: str | None = None) -> str:
    """Give a count with its noun.

    Examples
    --------
    >>> plural(1, "hole"), plural(1200, "leg"), plural(0, "caution")
    ('1 hole', '1,200 legs', 'no cautions')
    """
    noun = one if count == 1 else many or one + "s"
    return f"{count:,} {noun}" if count else f"no {noun}"


def listed(parts: list[str]) -> str:
    """Parts of a sentence.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(["a", "b"]), listed([])
    ('a, b and c', 'a and b', '')
    """
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


CLEAR = 2 / 3
"""Clear rate from which a line is called clear: two throws in three. Ours."""


def hours_of(low: float, high: float) -> str:
    """A range of hours: one figure after the point below ten, then whole ones.

    Examples
    --------
    >>> hours_of(0.13, 0.67), hours_of(0.02, 0.08), hours_of(0.04, 0.3), hours_of(4.8, 22.2)
    ('0.1–0.7', 'under 0.1', 'under 0.1–0.3', '5–22')
    """
    if high < _LEAST_HOURS:
        return f"under {_LEAST_HOURS:g}"
    digits = 1 if high < 10 else 0
    first = f"under {_LEAST_HOURS:g}" if 0 < low < _LEAST_HOURS / 2 else number(low, digits)
    return f"{first}–{number(high, digits)}"


def trimming(low: float | None, high: float | None, clear: float | None) -> str:
    """What trimming a hole takes, by its hours and the clear rate it has without.

    Examples
    --------
    >>> trimming(0.9, 4.2, 0.4), trimming(0.0, 0.0, 0.9), trimming(0.0, 0.0, 0.3)
    ('0.9–4.2 h', 'no work needed', 'no work helps enough')
    >>> trimming(None, None, 0.3)
    'not planned'
    """
    if low is None or high is None or not math.isfinite(high):
        return "not planned"
    if high > 0:
        return f"{hours_of(low, high)} h"
    return "no work needed" if (clear or 0.0) >= CLEAR else "no work helps enough"


def holes_named(numbers: Iterable[int]) -> str:
    """Holes by number.

    Examples
    --------
    >>> holes_named([3]), holes_named([3, 6, 7])
    ('hole 3', 'holes 3, 6 and 7')
    """
    names = [str(n) for n in numbers]
    return f"hole{'s' * (len(names) != 1)} {listed(names)}"


def level_words(config: Config, units: Units) -> str:
    """What each level of a run throws from the tee, best first: a level is no colour by itself."""
    levels = levels_named(config.levels, config.flight.levels_file)
    said = [f"{level.name} throws about {units.length(level.tee_throw)}" for level in levels]
    return f"Levels: {listed(said)} from the tee."


@dataclass(frozen=True)
class Units:
    r"""Which of the two units of length comes first.

    Examples
    --------
    >>> Units(False).length(91.44), Units(True).length(91.44), Units(True).length(1.5, 1)
    ('91\u202fm (300\u202fft)', '300\u202fft (91\u202fm)', '5\u202fft (1.5\u202fm)')
    """

    feet_first: bool

    def metres(self, value: float | None, digits: int = 0) -> str:
        """A length in metres alone."""
        text = number(value, digits)
        return text if text == UNKNOWN else f"{text}{NARROW}m"

    def feet(self, value: float | None, digits: int = 0) -> str:
        """A length given in metres, in feet alone."""
        text = number(None if value is None else value * FEET_PER_METRE, digits)
        return text if text == UNKNOWN else f"{text}{NARROW}ft"

    def length(self, value: float | None, digits: int = 0) -> str:
        """A length given in metres, in both; `digits` are those of metres."""
        if value is None or not math.isfinite(value):
            return UNKNOWN
        both = self.metres(value, digits), self.feet(value, max(digits - 1, 0))
        first, second = reversed(both) if self.feet_first else both
        return f"{first} ({second})"

    def turned(self, text: str) -> str:
        """A text whose lengths stand as metres with feet, in the order of these units.

        Examples
        --------
        >>> Units(True).turned("red par 3, 44 m (146 ft); 1.5 m (5 ft)")
        'red par 3, 146 ft (44 m); 5 ft (1.5 m)'
        >>> Units(False).turned("44 m (146 ft)")
        '44 m (146 ft)'
        """
        if not self.feet_first:
            return text
        return re.sub(r"([\d.,]+) m \(([\d.,]+) ft\)", r"\2 ft (\1 m)", text)

    def sentence(self, text: str) -> str:
        """The same of a hole's sentence, in which lesser lengths stand in metres alone.

        Examples
        --------
        >>> Units(True).sentence("44 m (146 ft) down a lane, uphill 3 m; pinches to 4 m at 10 m.")
        '146 ft (44 m) down a lane, uphill 10 ft; pinches to 13 ft at 33 ft.'
        >>> Units(False).sentence("uphill 3 m")
        'uphill 3 m'
        """
        if not self.feet_first:
            return text
        return re.sub(
            r"(?<![(\d.,])([\d.]+) m\b",
            lambda m: f"{float(m[1]) * FEET_PER_METRE:.0f} ft",
            self.turned(text),
        )

    def span(self, low: float, high: float, digits: int = 0) -> str:
        """From one length to another, in both units."""
        metres = f"{number(low, digits)}–{self.metres(high, digits)}"
        feet = f"{number(low * FEET_PER_METRE)}–{self.feet(high)}"
        first, second = (feet, metres) if self.feet_first else (metres, feet)
        return f"{first} ({second})"

    def ground(self, square_metres: float) -> str:
        r"""A small area in square metres and feet.

        Examples
        --------
        >>> Units(False).ground(40.2), Units(True).ground(0.3)
        ('40\u202fm² (433\u202fft²)', 'under 11\u202fft² (1\u202fm²)')
        """
        size = max(square_metres, 1.0)
        both = f"{number(size)}{NARROW}m²", f"{number(size / FOOT**2)}{NARROW}ft²"
        first, second = reversed(both) if self.feet_first else both
        return f"{'under ' if square_metres < 1 else ''}{first} ({second})"

    def area(self, square_metres: float) -> str:
        """An area in hectares and acres."""
        ha = square_metres / 1e4
        digits = 0 if ha >= 100 else 1 if ha >= 1 else 2
        both = (
            f"{number(ha, digits)}{NARROW}ha",
            f"{number(ha * ACRES_PER_HECTARE, digits)}{NARROW}acres",
        )
        first, second = reversed(both) if self.feet_first else both
        return f"{first} ({second})"
