"""What stands on the land, by owner: which voxel belongs to which tree, to brush, to nobody."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.outlines import shapes_of_each
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID
from lanewright.kernels import trim as kernels
from lanewright.scene import Scene
from lanewright.settings.legs import ThrowSettings
from lanewright.settings.trim import TrimSettings

BRUSH, LIMBS, TREE = range(3)
ACTIONS = ("cut brush", "take limbs", "fell tree")
KEPT = ("", "on the keep list", "within the water's buffer", "off the property", "in a keep-out")

NO_TREE = -1
GAP = 2  # layers without growth that part limbs from brush
_BELOW_BASE = 0.5  # m; lidar places the crown base no better
_FROM_GROUND = 4  # layers up to which brush must have begun


@dataclass
class Growth:
    """Who owns which voxel, and what may not be touched; knows the whole property.

    Attributes
    ----------
    scene, settings, throw
        The land, and the sections `trim` and `legs: throw`.
    kept
        Cells of which nothing is cut (rows, cols), and why not, by code in `KEPT`.
    kept_tree
        Trees that stay, by row of `scene.trees` (trees,).
    """

    scene: Scene
    settings: TrimSettings
    throw: ThrowSettings
    kept: NDArray[np.uint8]
    kept_tree: Flags
    _foliage: dict[int, Floats] = field(default_factory=dict)

    def __post_init__(self) -> None:
        trees = self.scene.trees
        self.x, self.y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
        self.radius = np.maximum(_column(trees, "crown_m", 4.0) / 2, 0.75)
        self.height = _column(trees, "height_m", 10.0)
        self.base = _column(trees, "crown_base_m", 2.0)
        self.dbh = _column(trees, "dbh_cm", 20.0)
        self.tree_id = (
            trees["tree_id"].to_numpy(np.int64)
            if "tree_id" in trees
            else np.arange(1, len(trees) + 1)
        )
        self._index = cKDTree(np.column_stack([self.x, self.y])) if len(trees) else None
        grid = self.scene.grid
        self._owner = np.full(grid.shape, NO_TREE, np.int32)
        away = np.full(grid.shape, np.inf, np.float32)
        row, col = (grid.top - self.y) / grid.cell, (self.x - grid.left) / grid.cell
        owners: Any = kernels.owners
        owners(row, col, self.radius / grid.cell, self._owner, away)
        thick = self.scene.table >= self.settings.least_density
        thick[SOLID] = False
        self._brush = np.zeros(grid.shape, np.uint8)
        brush: Any = kernels.brush_tops
        brush(self.scene.density, thick, _FROM_GROUND, GAP, self._brush)

    def owner(self, row: Ints, col: Ints) -> Ints:
        """Row in the trees of the crown that each cell lies in; `NO_TREE` elsewhere."""
        return self._owner[row, col].astype(np.int64)

    def stays(self, tree: Ints) -> Flags:
        """Whether each tree, by row or `NO_TREE`, is one that stays."""
        if not len(self.kept_tree):
            return np.zeros(tree.shape, bool)
        return np.asarray((tree != NO_TREE) & self.kept_tree[np.maximum(tree, 0)])

    def nearest(self, x: Floats, y: Floats) -> tuple[Ints, Floats]:
        """Row of the nearest tree and how far it is; `NO_TREE` and NaN without trees."""
        if self._index is None:
            return np.full(x.shape, NO_TREE, np.int64), np.full(x.shape, np.nan)
        away, which = self._index.query(np.column_stack([x, y]), workers=1)
        return which.astype(np.int64), away

    def within(self, x: Floats, y: Floats, radius: float) -> list[Ints]:
        """Rows of all trees within a radius [m] of each place."""
        if self._index is None:
            return [np.empty(0, np.int64) for _ in x]
        near = self._index.query_ball_point(
            np.column_stack([x, y]), radius, workers=1, return_sorted=True
        )
        return [np.array(rows, np.int64) for rows in near]

    def density(self, row: Ints, col: Ints) -> Floats:
        """Contact density of whole columns [1/m] (n, layers); what is solid counts as none."""
        code = self.scene.density[row, col]
        return np.asarray(np.where(code == SOLID, 0.0, self.scene.table[code]), np.float64)

    def at(self, row: Ints, col: Ints, layer: Ints) -> Floats:
        """Contact density of voxels [1/m] (n,); what is solid counts as none."""
        code = self.scene.density[row, col, layer]
        return np.asarray(np.where(code == SOLID, 0.0, self.scene.table[code]), np.float64)

    def brush_top(self, row: Ints, col: Ints) -> Ints:
        """Layers up to which growth stands on the ground without a gap (n,)."""
        return self._brush[row, col].astype(np.int64)

    def foliage(self, tree: int) -> Floats:
        """Contacts of a tree's crown by layer of 0.25 m (layers + 1,), the last all above them.

        Its cells are those it owns; below the crown base nothing counts.
        """
        if tree not in self._foliage:
            grid, reach = self.scene.grid, self.radius[tree] * kernels.LIMIT
            r0, c0 = grid.rowcol(self.x[tree : tree + 1], self.y[tree : tree + 1])
            n = int(np.ceil(reach / grid.cell))
            row, col = (a.ravel() for a in np.mgrid[-n : n + 1, -n : n + 1])
            row, col = row + r0[0], col + c0[0]
            ok = (row >= 0) & (col >= 0) & (row < grid.rows) & (col < grid.cols)
            row, col = row[ok], col[ok]
            mine = self.owner(row, col) == tree
            row, col = row[mine], col[mine]
            by_layer = self.density(row, col).sum(0) if row.size else np.zeros(LAYERS)
            height = (np.arange(LAYERS) + 0.5) * LAYER_HEIGHT
            by_layer = np.where(height >= self.base[tree] - _BELOW_BASE, by_layer, 0.0)
            # Above the columns the crown goes on as dense as it was, ever narrower.
            above = max(self.height[tree] - LAYERS * LAYER_HEIGHT, 0.0) / LAYER_HEIGHT / 2
            crown = by_layer[by_layer > 0]
            self._foliage[tree] = np.r_[by_layer, above * (crown.mean() if crown.size else 0.0)]
        return self._foliage[tree]


def _column(trees: object, name: str, default: float) -> Floats:
    if name in trees:  # type: ignore[operator]
        return np.asarray(trees[name], np.float64)  # type: ignore[index]
    return np.full(len(trees), default)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Met:
    """What the throws at one leg met: entries of `throwing.Meetings` of one line."""

    throw: Ints
    row: Ints
    col: Ints
    layer: Ints
    kind: NDArray[np.uint8]
    depth: Floats
    along: Floats
    left: Floats
    height: Floats
    enough: Floats  # (throws,)

    @cached_property
    def total(self) -> Floats:
        """Contacts of each throw (throws,)."""
        sums = np.bincount(self.throw, self.depth, minlength=self.enough.size)
        return np.asarray(sums, np.float64)

    @property
    def voxel(self) -> Ints:
        """One number for each voxel."""
        return voxel_of(self.row, self.col, self.layer)


def voxel_of(row: Ints, col: Ints, layer: Ints) -> Ints:
    """One number for each voxel of a grid up to 2**24 columns wide."""
    return (row.astype(np.int64) << 32) | (col.astype(np.int64) << 8) | layer.astype(np.int64)


def cells_of_voxels(voxel: Ints) -> tuple[Ints, Ints, Ints]:
    """Row, column and layer of voxel numbers."""
    return voxel >> 32, (voxel >> 8) & 0xFFFFFF, voxel & 0xFF


def belongs(growth: Growth, row: Ints, col: Ints, layer: Ints) -> tuple[Ints, Ints]:
    """Action (`BRUSH` or `LIMBS`) and tree of voxels."""
    owner, top = growth.owner(row, col), growth.brush_top(row, col)
    most = growth.settings.brush_top
    height = (layer + 0.5) * LAYER_HEIGHT
    tall = owner != NO_TREE
    tall[tall] = growth.height[owner[tall]] > most
    base = np.zeros(len(row))
    base[tall] = growth.base[owner[tall]]
    crown = tall & (height >= base - _BELOW_BASE)
    shrub = (layer < top) & (top * LAYER_HEIGHT <= most)
    low = ~tall & (height < growth.settings.hand_reach)
    brush = ~crown & (shrub | low)
    return np.where(brush, BRUSH, LIMBS), np.where(brush | ~tall, NO_TREE, owner)


def trunk_shares(growth: Growth, row: Ints, col: Ints) -> tuple[Floats, Ints]:
    """Share of the chance of a trunk in each cell that is each tree's (n, 8), and those trees.

    A trunk's place is spread about its tree, as `throwing` has it, so several may share a cell.
    """
    if growth._index is None:
        raise ValueError("trunks without trees")
    grid = growth.scene.grid
    cell, where = np.unique((row << 32) | col, return_inverse=True)
    x, y = grid.xy(cell >> 32, cell & 0xFFFFFFFF)
    near = min(8, len(growth.x))
    away, which = growth._index.query(np.column_stack([x, y]), k=near, workers=1)
    away, which = away.reshape(-1, near), which.reshape(-1, near)
    sd = growth.throw.trunk_sd
    chance = (growth.dbh[which] / 100 + growth.throw.disc) * np.exp(-((away / sd) ** 2) / 2)
    chance[away > 3 * sd] = 0.0
    chance[away[:, 0] > 3 * sd, 0] = 1.0  # a stem without a top of its own goes with the nearest
    total = chance.sum(1, keepdims=True)
    share = np.where(total > 0, chance / np.maximum(total, 1e-30), 0.0)
    return share[where], which[where]


def ground_under(pieces: list[Ints], growth: Growth) -> list[shapely.MultiPolygon]:
    """Ground under the voxels of each piece as polygons."""
    cells = [cells_of_voxels(voxels)[:2] for voxels in pieces]
    return shapes_of_each(cells, growth.scene.grid)
