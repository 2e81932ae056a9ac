"""Steps between neighbouring tiles: two surveys, or two height systems, that do not meet.

Heights of each tile come as coarse cells. Where two tiles overlap they are compared cell by cell;
where they meet, the ground on either side is carried on straight to the middle of the seam. The
median over the seam is the step, so neither brush nor a bank along a part of it matters.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from lanewright.base.arrays import Flags, Floats
from lanewright.base.errors import InputError

FEWEST = 10
"""Places along a seam from which its step is believed."""

STEP = 0.3
"""Step [m] from which it is a warning: four times what two surveys of quality level 2 differ by
(RMSE 0.1 m each at worst, USGS Lidar Base Specification, from memory)."""

FEET = (3.2, 3.36)
"""A foot taken for a metre shows as heights, or relief, of so many times the other's."""

_GAP = 4  # coarse cells between two tiles that still meet
_RELIEF = 2.0  # m of standard deviation along a seam from which its relief is compared
_UNLIKE = 1.0  # m of step below which nobody asks for feet
_FIT = 0.9  # correlation of the two sides from which relief is compared


@dataclass(frozen=True)
class Sheet:
    """Heights of one tile in coarse cells of a frame that all tiles share.

    Attributes
    ----------
    name
        What stands for the tile; see `files.token`.
    row, col
        Place of `heights[0, 0]` in the frame.
    heights : (rows, cols)
        [m]; NaN where the tile has none.
    """

    name: str
    row: int
    col: int
    heights: Floats


@dataclass(frozen=True)
class Seam:
    """What was measured between two tiles.

    Attributes
    ----------
    step
        Second less first [m], median along the seam.
    spread
        Median distance from that median [m].
    places
        Coarse cells compared.
    ratio
        How many times the first's heights, or relief, the second's are, if that is as feet to
        metres or metres to feet; None otherwise.
    """

    first: str
    second: str
    step: float
    spread: float
    places: int
    ratio: float | None

    @property
    def is_step(self) -> bool:
        """Far enough from zero, and from what scatter along the seam explains."""
        error = 1.4826 * self.spread / np.sqrt(self.places)
        return bool(abs(self.step) >= STEP and abs(self.step) > 3 * error)


def seams(sheets: list[Sheet]) -> list[Seam]:
    """Seams between all tiles that overlap or meet, the highest steps first.

    Which of two tiles is the first goes by name, so the order given does not matter.
    """
    ordered = sorted(sheets, key=lambda s: s.name)
    found = [
        seam
        for i, first in enumerate(ordered)
        for second in ordered[i + 1 :]
        if _near(first, second) and (seam := _seam(first, second)) is not None
    ]
    return sorted(found, key=lambda s: (-abs(s.step), s.first, s.second))


def _near(a: Sheet, b: Sheet) -> bool:
    (rows_a, cols_a), (rows_b, cols_b) = a.heights.shape, b.heights.shape
    return bool(
        a.row - _GAP < b.row + rows_b
        and b.row - _GAP < a.row + rows_a
        and a.col - _GAP < b.col + cols_b
        and b.col - _GAP < a.col + cols_a
    )


def _seam(first: Sheet, second: Sheet) -> Seam | None:
    a, b = _on_one_window(first, second)
    # A tile's outermost cells are half empty; their lowest height is not that of the whole.
    a, b = _inner(a), _inner(b)
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() >= FEWEST:
        one, other = a[both], b[both]
    else:
        pairs = [*_across(a, b), *_across(a.T, b.T)]
        one, other = (np.concatenate([p[k] for p in pairs]) for k in (0, 1))
    if len(one) < FEWEST:
        return None
    step = float(np.median(other - one))
    spread = float(np.median(np.abs(other - one - step)))
    seam = Seam(first.name, second.name, step, spread, len(one), None)
    return replace(seam, ratio=_ratio(one, other)) if abs(step) > _UNLIKE else seam


def _on_one_window(first: Sheet, second: Sheet) -> tuple[Floats, Floats]:
    """Heights of both near where they are both, NaN elsewhere."""
    edge = _GAP + 3
    low = [max(getattr(first, k), getattr(second, k)) - edge for k in ("row", "col")]
    high = [
        min(getattr(s, k) + s.heights.shape[axis] for s in (first, second)) + edge
        for axis, k in enumerate(("row", "col"))
    ]
    shape = (high[0] - low[0], high[1] - low[1])
    return _cut(first, low[0], low[1], shape), _cut(second, low[0], low[1], shape)


def _cut(sheet: Sheet, row: int, col: int, shape: tuple[int, int]) -> Floats:
    out = np.full(shape, np.nan)
    rows, cols = sheet.heights.shape
    r0, r1 = max(sheet.row, row), min(sheet.row + rows, row + shape[0])
    c0, c1 = max(sheet.col, col), min(sheet.col + cols, col + shape[1])
    if r0 < r1 and c0 < c1:
        out[r0 - row : r1 - row, c0 - col : c1 - col] = sheet.heights[
            r0 - sheet.row : r1 - sheet.row, c0 - sheet.col : c1 - sheet.col
        ]
    return out


def _inner(heights: Floats) -> Floats:
    """Heights of cells whose eight neighbours have one too; the window's rim is no edge."""
    held: Flags = np.isfinite(heights)
    kept = ndimage.binary_erosion(held, np.ones((3, 3), bool), border_value=1)
    return np.where(kept, heights, np.nan)


def _across(a: Floats, b: Floats) -> Iterator[tuple[Floats, Floats]]:
    """Heights of both carried on to the middle between a cell of one and the next of the other.

    Along rows, to both sides, over a gap of one to `_GAP` cells.
    """
    for one, other in ((a, b), (a[:, ::-1], b[:, ::-1])):
        cols = one.shape[1]
        taken = np.zeros(one.shape, bool)
        for gap in range(1, _GAP + 1):
            here = np.arange(1, cols - gap - 1)
            left, right = one[:, here], other[:, here + gap]
            rise_left, rise_right = left - one[:, here - 1], other[:, here + gap + 1] - right
            left, right = left + gap / 2 * rise_left, right - gap / 2 * rise_right
            good = np.isfinite(left) & np.isfinite(right) & ~taken[:, here]
            taken[:, here] |= good
            yield left[good], right[good]


def _ratio(one: Floats, other: Floats) -> float | None:
    """Ratio of heights, or of relief, where it is that of feet and metres."""
    found = []
    if min(abs(np.median(one)), abs(np.median(other))) > _UNLIKE:
        found.append(float(np.median(other) / np.median(one)))
    if min(one.std(), other.std()) > _RELIEF and np.corrcoef(one, other)[0, 1] > _FIT:
        found.append(float(other.std() / one.std()))
    for ratio in found:
        if FEET[0] < ratio < FEET[1] or 1 / FEET[1] < ratio < 1 / FEET[0]:
            return ratio
    return None


def judge(
    found: list[Seam],
    key: str,
    names: Mapping[str, str],
    facts: dict[str, object],
    warnings: list[str],
) -> None:
    """Warn of steps between tiles, and stop where one is in feet and the other in metres.

    Parameters
    ----------
    found
        Seams, the highest steps first.
    key
        `points` or `elevation`: the key of the settings that names the tiles.
    names
        Path of each sheet's file; warnings keep to the names of sheets, for they are stored.
    facts, warnings
        Receive what was measured and what to warn of.

    Raises
    ------
    InputError
        If heights, or relief, on the two sides of a seam are as feet to metres.
    """
    for seam in found:
        if seam.ratio is not None:
            setting = "crs.vertical_unit" if key == "points" else "crs.elevation_unit"
            raise InputError(
                f"{names[seam.first]} and {names[seam.second]}",
                f"heights on the two sides of their seam differ by {abs(seam.step):.1f} m, by a "
                f"factor of {max(seam.ratio, 1 / seam.ratio):.2f} as feet and metres do",
                f"One of them is in another unit than it says. Write its heights in metres, or set "
                f"{setting} if all tiles are in feet.",
            )
    if found:
        facts[f"{key}_seams"] = len(found)
        facts[f"{key}_largest_step_m"] = round(abs(found[0].step), 3)
    steps = [s for s in found if s.is_step]
    for seam in steps[:3]:
        warnings.append(
            f"{seam.second} lies {seam.step:+.2f} m against {seam.first} along their seam "
            f"({seam.places} places compared): slopes, water and flights across it are wrong by as "
            "much"
        )
    if len(steps) > 3:
        warnings.append(f"{len(steps) - 3} more seams have a step of 0.3 m and more")
