"""Pieces of work in words for the crew, and what to mind about each."""

from __future__ import annotations

import numpy as np
import shapely

from lanewright.base.arrays import Floats, Ints
from lanewright.base.units import FOOT, both
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.trim import treework
from lanewright.trim.oneleg import Planned
from lanewright.trim.pieces import Pieces
from lanewright.trim.standing import BRUSH, LIMBS, NO_TREE, TREE, Growth, cells_of_voxels

STEEP_PCT = 25.0
"""Slope from which a crew's footing is flagged; common practice, no source."""


def words(
    growth: Growth, pieces: Pieces, j: int, along: float, off: float, side: str, length: float
) -> str:
    """One piece for the crew."""
    place = f"{both(along)} from the tee, " + (
        "over the line" if side == "over" else f"{both(abs(off), 1)} {side} of the line"
    )
    t = int(pieces.tree[j])
    if pieces.action[j] == BRUSH:
        kind = treework.brush_class(pieces.high[j : j + 1], pieces.density[j : j + 1])[0]
        name = ("light", "medium", "heavy")[int(kind)]
        area = max(pieces.area[j], 1)
        size = f"{area:.0f} m² ({area / FOOT**2:.0f} ft²), up to {both(pieces.high[j], 1)} high"
        return f"cut {name} brush, {size}; {place}"
    if pieces.action[j] == TREE:
        return (
            f"fell tree {growth.tree_id[t]}, {both(growth.height[t], 0)} high, stem about "
            f"{growth.dbh[t]:.0f} cm ({growth.dbh[t] / 2.54:.0f} in); {place}"
        )
    whose = f"tree {growth.tree_id[t]}" if t != NO_TREE else "a tree whose top lidar does not tell"
    low, high = pieces.low[j], pieces.high[j]
    return (
        f"take limbs of {whose} from {low:.1f} to {high:.1f} m ({low / FOOT:.0f} to "
        f"{high / FOOT:.0f} ft) up; {place}"
    )


def wires_away(growth: Growth, pieces: Pieces) -> Floats:
    """Metres from each piece to the nearest possible power line (pieces,); infinite if none."""
    wires = growth.scene.wires.geometry.to_numpy()
    if not len(wires):
        return np.full(len(pieces), np.inf)
    away = shapely.distance(shapely.points(pieces.x, pieces.y)[:, None], wires)
    return np.asarray(away.min(1), np.float64)


def flags_of(
    growth: Growth, p: Planned, j: int, share: float, wire: float
) -> tuple[list[str], str]:
    """What to mind about a piece, and who should do it; `wire` is of `wires_away`."""
    pieces, t = p.pieces, int(p.pieces.tree[j])
    action = int(pieces.action[j])
    flags = []
    by = treework.REACHES[
        {BRUSH: treework.HAND, LIMBS: int(pieces.band[j]), TREE: treework.SAWYER}[action]
    ]
    if wire <= max(treework.WIRE_CAUTION, growth.height[t] if action == TREE else 0.0):
        flags.append(f"a possible power line {both(wire)} away: the utility first")
        by = treework.REACHES[treework.ARBORIST]
    if action == LIMBS and t != NO_TREE:
        same = p.chosen & (pieces.tree == t) if p.chosen[j] else np.arange(len(pieces)) == j
        flags += dose(growth, t, [pieces.voxels[i] for i in np.flatnonzero(same)], share)
    if action == TREE:
        if growth.settings.fell == "last resort":
            flags.append("felling is the last resort: no limbs alone reach the wished clear rate")
        flags.append("make sure there is a stem: of tops found from above, half are none")
        if growth.dbh[t] >= treework.ROOST_DBH_CM:
            flags.append("look for loose bark, cracks and bats first")
    row, col = growth.scene.grid.rowcol(np.array([pieces.x[j]]), np.array([pieces.y[j]]))
    row = np.clip(row, 0, growth.scene.grid.rows - 1)
    col = np.clip(col, 0, growth.scene.grid.cols - 1)
    slope = float(growth.scene.slope_pct[row, col][0])
    if slope >= STEEP_PCT:
        flags.append(f"steep ground ({slope:.0f} %) for a crew")
    if growth.scene.wet[row, col][0] or growth.scene.maybe_wet[row, col][0]:
        flags.append("wet ground")
    if action != TREE and pieces.sure[j] < 0.8:
        flags.append(f"lidar has searched only {pieces.sure[j]:.0%} of it")
    return flags, by


def dose(growth: Growth, tree: int, voxels: list[Ints], share: float) -> list[str]:
    """Flags for what a tree loses."""
    height, base = float(growth.height[tree]), float(growth.base[tree])
    foliage = growth.foliage(tree)
    every = np.unique(np.concatenate(voxels))
    row, col, layer = cells_of_voxels(every)
    gone = np.bincount(layer, growth.at(row, col, layer), LAYERS)
    crown = max(height - base, 0.5)
    middle = (np.arange(LAYERS) + 0.5) * LAYER_HEIGHT
    lower = middle < base + treework.LOWER_PART * crown
    standing = foliage[:LAYERS][lower].sum()
    left = foliage.sum() - gone.sum()
    kept_low = max(standing - gone[lower].sum(), 0.0)
    top = (layer.max() + 1) * LAYER_HEIGHT
    under = foliage[: int(layer.max()) + 1].sum()
    raised = top if under > 0 and gone.sum() >= 0.8 * under and top > base else 0.0
    return treework.dose_flags(share, kept_low / left if left > 0 else 0.0, raised, height)
