"""Rasters as small pictures in classes that a legend can name; colours safe for colour-blind eyes.

Each ramp changes in lightness from end to end, so it also reads in grey.
"""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lanewright.base.units import FEET_PER_METRE
from lanewright.publish.report.words import Units

S = TypeVar("S", bound=np.generic)

MOST_PIXELS = 1600
"""Longer side of a picture; coarser ones are taken from larger land."""


@dataclass(frozen=True)
class Surface:
    """How a raster is shown.

    Attributes
    ----------
    name, title
        Of the raster, and as a reader meets it.
    edges
        Between classes, ascending; one fewer than colours. Metres, percent, shares as in the file.
    colours
        Of the classes; None is clear.
    unit
        m, percent, share, or an empty text where classes have names of their own.
    names
        Of the classes, where their edges do not name them.
    note
        What to know in reading it.
    """

    name: str
    title: str
    edges: tuple[float, ...]
    colours: tuple[str | None, ...]
    unit: str
    names: tuple[str, ...] = ()
    note: str = ""

    def labels(self, units: Units) -> tuple[str, ...]:
        """What each class stands for."""
        if self.names:
            return self.names
        low, high = (None, *self.edges), (*self.edges, None)
        return tuple(_label(a, b, self.unit, units) for a, b in zip(low, high, strict=True))


SLOPE = Surface(
    "slope",
    "Slope",
    (5, 10, 15, 25, 40),
    ("#fff8e3", "#f6dfa9", "#e9b96b", "#cf8a3e", "#9c5522", "#5b2a12"),
    "percent",
    note="Over 15 % is too steep for a tee, over 25 % for a basket, by our default.",
)
CANOPY = Surface(
    "canopy_height",
    "Canopy height",
    (0.5, 2, 5, 10, 20),
    (None, "#e5ead0", "#c3d2a1", "#93b077", "#5f8a56", "#2f5d3f"),
    "m",
)
FREE = Surface(
    "free_width",
    "Free width",
    (1, 4.6, 9, 20),
    ("#3b3247", "#71608a", "#a799bd", "#d6cfe2", None),
    "m",
    note="At throwing height. Wooded fairways pinch at 4.6 m, 15 ft (PDGA, Course Design "
    "Elements).",
)
SEEN = Surface(
    "seen_share",
    "Seen share",
    (0.25, 0.5, 0.75),
    ("#4d2f2a", "#936a58", "#cfae9a", None),
    "share",
    note="How much of the throwing space lidar sampled; the dark is unknown, not clear.",
)


def wetness_surface(wetness: NDArray[np.floating], inside: NDArray[np.bool_]) -> Surface:
    """Wetness has no threshold that holds everywhere: its classes are shares of this property."""
    known = wetness[inside & np.isfinite(wetness)]
    shares = (0.5, 0.75, 0.9, 0.97)
    edges = tuple(float(e) for e in np.quantile(known, shares)) if known.size else (1, 2, 3, 4)
    return Surface(
        "wetness",
        "Wetness",
        edges,
        (None, "#dce8f0", "#a9c8de", "#6594ba", "#274d77"),
        "",
        names=("drier half", "next quarter", "wetter still", "wettest tenth", "wettest 3 %"),
        note="By the shape of the ground alone, ranked within this property.",
    )


def _label(low: float | None, high: float | None, unit: str, units: Units) -> str:
    if unit == "m":
        if low is None:
            return f"under {units.length(high, _digits(high))}"
        if high is None:
            return f"over {units.length(low, _digits(low))}"
        a, b = (f"{v:g}" for v in (low, high))
        fa, fb = (f"{v * FEET_PER_METRE:.0f}" for v in (low, high))
        metres, feet = f"{a}–{b} m", f"{fa}–{fb} ft"
        return f"{feet} ({metres})" if units.feet_first else f"{metres} ({feet})"
    factor = 100 if unit == "share" else 1
    if low is None:
        return f"under {high * factor:g} %" if high is not None else ""
    if high is None:
        return f"over {low * factor:g} %"
    return f"{low * factor:g}–{high * factor:g} %"


def _digits(value: float | None) -> int:
    return 0 if value is None or float(value).is_integer() else 1


# ---------------------------------------------------------------------------------------------
# Pixels


def shrink(array: NDArray[S], most: int = MOST_PIXELS) -> NDArray[S]:
    """Every n-th cell, so that the longer side has no more than `most`."""
    step = max(1, math.ceil(max(array.shape) / most))
    thin: NDArray[S] = array[step // 2 :: step, step // 2 :: step]
    return thin


def classes_of(surface: Surface, array: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Class of each cell; 255 where it is not known."""
    found = np.digitize(np.nan_to_num(array), surface.edges).astype(np.uint8)
    found[~np.isfinite(array)] = 255
    return np.asarray(found)


def classed_picture(surface: Surface, array: NDArray[np.floating]) -> str:
    """Data address of a picture of the classes; unknown cells are clear."""
    codes = classes_of(surface, shrink(array))
    table = np.zeros((256, 4), np.uint8)
    for code, colour in enumerate(surface.colours):
        if colour is not None:
            table[code] = (*rgb(colour), 255)
    return webp(table[codes])


def hillshade(ground: NDArray[np.floating], cell: float) -> NDArray[np.float32]:
    """Brightness 0-1 of the bare ground, lit from the north-west and, weaker, from three sides.

    One lamp hides what runs along its beam; the weights follow the idea of Mark 1992 (USGS Open
    File Report 92-422). Heights count twice, for courses are gentle.
    """
    filled = np.where(np.isfinite(ground), ground, np.nanmean(ground))
    north, east = np.gradient(filled, -cell, cell)
    flat = 1 / np.sqrt(1 + 4 * (north**2 + east**2))  # cosine of twice the steepness
    zenith = np.radians(45)
    out = np.zeros(ground.shape, np.float32)
    for azimuth, weight in ((315, 0.55), (270, 0.15), (360, 0.15), (225, 0.15)):
        toward = np.radians(azimuth)
        faces = -2 * (north * np.cos(toward) + east * np.sin(toward))
        light = (np.cos(zenith) + np.sin(zenith) * faces) * flat
        out += weight * np.clip(light, 0, 1).astype(np.float32)
    return out


def shade_picture(ground: NDArray[np.floating], cell: float) -> str:
    """Data address of the shaded ground: ink on paper, light enough to draw upon."""
    if not np.isfinite(ground).any():
        return webp(np.full((2, 2, 3), 255, np.uint8))
    light = shrink(hillshade(ground, cell))
    low, high = np.nanpercentile(light, (1, 99))
    level = np.clip((light - low) / max(high - low, 1e-6), 0, 1)
    dark, bright = np.array(rgb("#8f8a7d")), np.array(rgb("#fffdf8"))
    tones = (dark + (bright - dark) * (np.arange(1024) / 1023)[:, None] ** 0.8).astype(np.uint8)
    return webp(tones[np.rint(level * 1023).astype(np.int16)], quality=72)


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green and blue of `#rrggbb`."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def webp(pixels: NDArray[np.uint8], quality: int | None = None) -> str:
    """Data address of a picture (rows, cols, 3 or 4); without loss unless a quality is given."""
    buffer = io.BytesIO()
    image = Image.fromarray(pixels)
    if quality is None:
        image.save(buffer, "WEBP", lossless=True, quality=20, method=3, exact=False)
    else:
        image.save(buffer, "WEBP", quality=quality, method=2)
    return "data:image/webp;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
