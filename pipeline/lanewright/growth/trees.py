"""Probable trees: tops, crowns, crown base and an estimate of the stem.

Tops are cells that no other overtops within half a window that widens with height (Popescu & Wynne
2004, Photogrammetric Engineering & Remote Sensing 70); crowns are watersheds of the canopy around
them.

The published width is that of whole crowns. In a closed wood crowns interlock and tops stand nearer
than that: a window of 0.7 of it finds more trees at hardly more false ones, both against the 205
trees that others segmented in a mixed conifer plot (F1 0.83 against 0.73 at 2 m) and against the
trees planted in the demo (0.68 against 0.65 at 4 m).
"""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from lanewright.base.arrays import Raster
from lanewright.base.grid import Grid
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID, Columns
from lanewright.kernels import canopy as kernels

WIDTH_CONSTANT, WIDTH_SQUARE = 2.51503, 0.00901
"""Crown width [m] = constant + square * height² (Popescu & Wynne 2004, all trees)."""

_BROADEST = 1.5  # times the expected radius; a crown reaches no farther from its top
_WINDOW = 0.7  # of the crown width; see above
_WIDEST = 10.0  # m; the published relation was made on trees up to some 30 m

RECALL = 0.464
"""Share of field stems that are found as tops: canopy height model with variable window at 9.8
pulses/m2, 2525 stems of 10 cm and more on 106 plots, matched within 4 m (Grigoryev, draft
manuscript 2026)."""

DBH_SPREAD = 0.25
"""Usual error of a stem diameter from airborne height and crown, 20-30 % (from memory)."""


def crown_width(height: NDArray[np.floating] | float) -> NDArray[np.floating] | float:
    """Crown width [m] expected of a tree [m] (Popescu & Wynne 2004).

    Examples
    --------
    >>> round(crown_width(20.0), 5)
    6.11903
    """
    return WIDTH_CONSTANT + WIDTH_SQUARE * height**2


def stem_diameter_cm(
    height: NDArray[np.floating] | float, crown: NDArray[np.floating] | float
) -> NDArray[np.floating] | float:
    """Stem diameter at breast height from tree height and crown diameter [m].

    Global relation of Jucker et al. 2017 (Global Change Biology 23); coefficients from memory.

    Examples
    --------
    >>> round(stem_diameter_cm(20.0, 5.0), 2)
    23.15
    """
    return 0.557 * (height * crown) ** 0.809 * math.exp(0.056**2 / 2)


def find_trees(
    canopy_height: Raster, columns: Columns, grid: Grid, lowest: float, crown_share: float
) -> gpd.GeoDataFrame:
    """Trees that the canopy shows.

    Parameters
    ----------
    canopy_height
        Height of the vegetation's top [m], NaN is void (rows, cols).
    columns
        For the crown base.
    grid
        Georeference.
    lowest
        Lowest tree [m].
    crown_share
        A crown ends where the canopy is lower than this share of its top.

    Returns
    -------
    GeoDataFrame
        `tree_id`, `height_m`, `crown_m` (diameter of a disc of the crown's area), `crown_base_m`
        (at most 16, as high as columns reach), `dbh_low_cm`, `dbh_cm`, `dbh_high_cm`, `status`
        ("probable"); Point Z whose z is the height of the top above ground [m].
    """
    labels, rows, cols = crowns(canopy_height, grid.cell, lowest, crown_share)
    # The blur that found the top also lowered and shifted it a little.
    highest = ndimage.maximum_filter(np.nan_to_num(canopy_height), 3)
    height = highest[rows, cols].astype(float)
    count = len(rows)
    total, cells = np.zeros((count, LAYERS)), np.zeros(count, np.int64)
    kernels.profiles(labels, count, columns.density, columns.table, SOLID, total, cells)
    crown = 2.0 * np.sqrt(np.maximum(cells, 1) * grid.cell**2 / math.pi)
    base = crown_base(total / np.maximum(cells, 1)[:, None], height)
    dbh = np.asarray(stem_diameter_cm(height, crown))
    x, y = grid.xy(rows, cols)
    return gpd.GeoDataFrame(
        {
            "tree_id": np.arange(1, count + 1),
            "height_m": np.round(height, 2),
            "crown_m": np.round(crown, 2),
            "crown_base_m": np.round(base, 2),
            "dbh_low_cm": np.round(dbh * (1 - DBH_SPREAD), 1),
            "dbh_cm": np.round(dbh, 1),
            "dbh_high_cm": np.round(dbh * (1 + DBH_SPREAD), 1),
            "status": np.full(count, "probable"),
        },
        geometry=gpd.points_from_xy(x, y, height),
        crs=grid.crs,
    )


def crowns(
    canopy_height: Raster, cell: float, lowest: float, crown_share: float
) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int64]]:
    """Crown numbers by cell from 1 (0 none), and the row and column of each top."""
    height = np.where(np.isfinite(canopy_height), canopy_height, 0.0)
    # A little blur takes away the second tops of one crown.
    smooth = ndimage.gaussian_filter(height, max(0.5 / cell, 0.7), mode="nearest", truncate=3.0)
    is_top = np.zeros(height.shape, bool)
    kernels.tops(
        smooth, cell, lowest, _WINDOW * WIDTH_CONSTANT, _WINDOW * WIDTH_SQUARE, _WIDEST, is_top
    )
    rows, cols = np.nonzero(is_top)
    markers = np.zeros(height.shape, np.int32)
    markers[rows, cols] = np.arange(1, len(rows) + 1)
    mask = smooth >= lowest * crown_share
    labels: NDArray[np.int32] = watershed(-smooth, markers, mask=mask)  # type: ignore[no-untyped-call]
    # A watershed runs down to the next crown: keep what is high enough and near enough.
    top_height = np.r_[np.inf, height[rows, cols]]
    low = height < crown_share * top_height[labels]
    labels = np.where(low, 0, labels).astype(np.int32)
    r, c = np.nonzero(labels)
    away = np.hypot(r - rows[labels[r, c] - 1], c - cols[labels[r, c] - 1]) * cell
    too_far = away > _BROADEST * np.asarray(crown_width(top_height[labels[r, c]])) / 2
    labels[r[too_far], c[too_far]] = 0
    labels[rows, cols] = np.arange(1, len(rows) + 1)
    return labels, rows, cols


def crown_base(profile: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.float64]:
    """Height of the lowest live crown [m] from the density of layers.

    The crown is the run of layers around its densest part, as far down as the density, over one
    metre, keeps above a fifth of that of the crown. Its densest part is looked for above a third of
    the tree's height, for brush below may be denser. Lidar places it 0.5-2 m off (from memory).

    Parameters
    ----------
    profile
        Mean contact density of the crown's layers [1/m], (trees, layers).
    height
        Of the trees [m].

    Returns
    -------
    (trees,)
        At most the height of the columns, 16 m: then it lies there or above. Never over 0.9 of the
        tree's height.
    """
    layers = profile.shape[1]
    # Of brush under a tree, what reaches no higher than 2 m is not its crown.
    first = round(2.0 / LAYER_HEIGHT)
    smooth = ndimage.uniform_filter1d(profile, 5, axis=1, mode="nearest")
    out = np.empty(len(profile))
    for i, (line, h) in enumerate(zip(smooth, height, strict=True)):
        top = min(layers, max(first + 1, int(h / LAYER_HEIGHT)))
        low = min(first, top - 1)
        third = min(max(low, int(h / 3 / LAYER_HEIGHT)), top - 1)
        peak = third + int(np.argmax(line[third:top]))
        thin = np.flatnonzero(line[low:peak] < 0.2 * line[peak])
        k = low + thin[-1] + 1 if len(thin) else low
        base = k * LAYER_HEIGHT
        if line[peak] < 0.005:
            base = layers * LAYER_HEIGHT  # nothing down here: the crown is higher up
        out[i] = min(base, 0.9 * h)
    return out
