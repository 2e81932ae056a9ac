"""A lane to cut as a row: what is cut, how long that takes, what it wins, and what is unsure."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.units import FOOT
from lanewright.scene import STAND
from lanewright.settings.legs import SitesSettings
from lanewright.trim import treework
from lanewright.trim.oneleg import Planned
from lanewright.trim.standing import BRUSH, TREE, Growth, cells_of_voxels

STEM_CM = 10.0
"""Stems from here up are counted apart: thinner ones go with the brush (common practice)."""
FIRST_LAYER, LAYERS_STOOD = 2, 8  # layers of 0.25 m from 0.5 m up that a player stands in
SWING = 2.5  # m that a clearing for a tee is high
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class Pad:
    """What clearing the two ends of a lane takes.

    Attributes
    ----------
    area
        Ground with growth where a player stands [m2].
    low, high
        Hours to clear it, trees left out.
    trees
        Rows in the trees of those that stand within the room of the tee or basket (n,).
    """

    area: float
    low: float
    high: float
    trees: Ints


def pads_of(
    growth: Growth, legs: gpd.GeoDataFrame, sites: SitesSettings
) -> tuple[Flags, list[Pad]]:
    """Whether both ends of each leg can be cleared, and what that takes.

    They cannot where a stem too thick to fell may stand in the room of a tee or basket, or where
    a tree or other growth there must stay.
    """
    free = np.ones(len(legs), bool)
    area, low, high = np.zeros((3, len(legs)))
    trees: list[list[int]] = [[] for _ in range(len(legs))]
    settings = growth.settings
    for which, radius in (("tee", sites.tee_room), ("end", sites.basket_room)):
        row, col = (legs[f"{which}_{part}"].to_numpy(np.int64) for part in ("row", "col"))
        for i, here in enumerate(growth.within(*growth.scene.grid.xy(row, col), radius)):
            thick = growth.dbh[here] > settings.largest_felled_cm
            stays = growth.stays(here) | (settings.fell == "never")
            around = _around(growth, int(row[i]), int(col[i]), radius)
            free[i] &= not (thick | stays).any() and not around.stays
            trees[i] += here.tolist()
            if around.ground > 0:
                some = treework.brush_hours(
                    np.array([around.ground]),
                    np.array([SWING]),
                    np.array([around.density]),
                    settings,
                )
                area[i] += around.ground
                low[i], high[i] = low[i] + some[0][0], high[i] + some[1][0]
    return free, [
        Pad(ground, least, most, np.unique(np.array(mine, np.int64)))
        for ground, least, most, mine in zip(area, low, high, trees, strict=True)
    ]


@dataclass(frozen=True)
class _Around:
    """Growth where a player stands: ground [m2], mean contact density [1/m], any to be kept."""

    ground: float
    density: float
    stays: bool


def _around(growth: Growth, row: int, col: int, radius: float) -> _Around:
    """What grows around a place at the height of a player."""
    scene, cell = growth.scene, growth.scene.grid.cell
    reach = int(np.ceil(radius / cell))
    i, j = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    near = np.hypot(i, j) * cell <= max(radius, cell / 2)
    r, c = row + i[near], col + j[near]
    inside = (r >= 0) & (c >= 0) & (r < scene.grid.rows) & (c < scene.grid.cols)
    r, c = r[inside], c[inside]
    stands = (scene.blocked[r, c] & STAND) != 0
    if not stands.any():
        return _Around(0.0, 0.0, False)
    r, c = r[stands], c[stands]
    layers = slice(FIRST_LAYER, FIRST_LAYER + LAYERS_STOOD)
    density = growth.density(r, c)[:, layers]
    stays = bool((growth.kept[r, c] != 0).any())
    return _Around(float(stands.sum() * cell**2), float(density.mean()), stays)


def lane_row(growth: Growth, leg: pd.Series, plan: Planned, pad: Pad) -> dict[str, object]:
    """Columns of layer `cut_lanes` of a lane, all but its number."""
    pieces, chosen, row = plan.pieces, plan.chosen, plan.row
    hours = plan.hours[chosen]
    felled = chosen & (pieces.action == TREE)
    # Trees in the room of a tee or basket that the plan does not fell anyway.
    more = np.setdiff1d(pad.trees, pieces.tree[felled])
    dbh = growth.dbh[np.concatenate([pieces.tree[felled], more])]
    stems = int((dbh > STEM_CM).sum())
    fell = treework.fell_hours(growth.dbh[more], growth.settings)
    low, high = (float(hours[:, k].sum() + fell[k].sum()) + (pad.low, pad.high)[k] for k in (0, 1))
    sure = np.where(pieces.action == TREE, growth.throw.top_is_stem, pieces.sure)[chosen]
    weight = hours.mean(1)
    area = _ground(growth, plan, chosen) + pad.area
    line = shapely.get_coordinates(leg["geometry"])
    heading = _wind(line[-1] - line[0])
    said = [
        f"{leg['length_m']:.0f} m ({leg['length_m'] / FOOT:.0f} ft) to the {heading} for "
        f"{leg['level']}, {low:.1f} to {high:.1f} hours",
        f"clear for {row['clear_rate']:.0%} of throws now, {row['promised']:.0%} once cut",
        f"{_count(stems, 'stem')} over 10 cm (4 in) and {dbh.size - stems} thinner to fell, "
        f"{area:.0f} m² ({area / FOOT**2:.0f} ft²) to clear",
    ]
    return {
        "level": str(leg["level"]),
        "finish": str(leg["finish"]),
        "length_m": float(leg["length_m"]),
        "rise_m": float(leg["rise_m"]),
        "hours_low": low,
        "hours_high": high,
        "interest": float(leg["interest"]),
        "interest_per_hour": float(leg["interest"]) / max((low + high) / 2, 0.01),
        "clear_rate": float(str(row["clear_rate"])),
        "promised": float(str(row["promised"])),
        "promised_se": float(str(row["promised_se"])),
        "promised_leaf_on": float(str(row["leaf_on_promised"])),
        "stems": stems,
        "stems_thin": dbh.size - stems,
        "thickest_cm": float(dbh.max()) if dbh.size else np.nan,
        "brush_m2": _ground(growth, plan, pieces.action == BRUSH),
        "area_m2": area,
        "pieces": int(chosen.sum()),
        "unsure_share": float(1 - np.average(sure, weights=weight)),
        "seen_share": float(leg["seen_share"]),
        "gap": float(str(row["gap"])),
        "sentence": "; ".join(said),
    }


def _ground(growth: Growth, plan: Planned, which: Flags) -> float:
    """Ground under what is cut of some pieces [m2], what lies over itself counted once."""
    chosen = np.flatnonzero(plan.chosen & which)
    voxels = [plan.pieces.voxels[j] for j in chosen if plan.pieces.voxels[j].size]
    if not voxels:
        return 0.0
    row, col, _ = cells_of_voxels(np.concatenate(voxels))
    return float(np.unique((row << 32) | col).size * growth.scene.grid.cell**2)


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'s' * (n != 1)}"


def _wind(ahead: Floats) -> str:
    """Nearest of the eight winds that a line runs to."""
    degrees = np.degrees(np.arctan2(ahead[0], ahead[1])) % 360
    return WINDS[round(degrees / 45) % 8]
