"""Growth that stops throws, grouped into pieces a crew can recognise on the ground.

Every sample that a throw meets lies in a voxel, a cell and a layer. A voxel belongs to

- a tree's limbs, where it lies in that tree's crown or hangs below it without reaching the ground;
- brush, where the growth reaches from the ground up without a gap and no higher than a shrub;
- limbs of no known tree, else.

Pieces of one leg are the limbs of one tree within one reach band, brush and ownerless limbs in
stretches of the leg, and whole trees. A limb piece is no larger than what throws met, one cell and
one layer around: what hangs higher or further aside frames the shot and stays. Brush is cut at the
ground, so a patch is as high as it stands.

Leaning and dead stems are not told from others: the columns hold no directions, and lidar from
above seldom sees stems at all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.outlines import patches
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID
from lanewright.kernels import trim as kernels
from lanewright.legs.scene import Scene
from lanewright.settings.legs import ThrowSettings
from lanewright.settings.trim import TrimSettings

BRUSH, LIMBS, TREE = range(3)
ACTIONS = ("cut brush", "take limbs", "fell tree")

NO_TREE = -1
_BELOW_BASE = 0.5  # m; lidar places the crown base no better
_GAP = 2  # layers without growth that part limbs from brush
_FROM_GROUND = 4  # layers up to which brush must have begun
_STRETCH = 8.0  # m along the leg of a patch of brush, of ownerless limbs
_SLIVER = 0.75  # m; a lower end thinner than this goes with the piece above
_TAIL = 0.02  # of a piece's contacts that may lie above, below
_LEAST = 0.002  # contacts per throw below which nothing is worth a crew's look


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
        brush(self.scene.density, thick, _FROM_GROUND, _GAP, self._brush)

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


KEPT = ("", "on the keep list", "within the water's buffer", "off the property", "in a keep-out")


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

    @property
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


@dataclass(frozen=True)
class Pieces:
    """Pieces of one leg; arrays (pieces,).

    Attributes
    ----------
    action
        `BRUSH`, `LIMBS` or `TREE`.
    tree
        Row in the trees; `NO_TREE` where none is known.
    band
        Reach band that a limb piece lies in: 0 hand, 1 pole, 2 above.
    low, high
        Over the ground [m].
    along, left
        Middle as the throws met it: share of the leg, metres left of its chord.
    x, y
        The same on the map.
    volume, area
        Space filled [m3], ground below [m2].
    density
        Mean contact density of its voxels with growth [1/m].
    sure
        Share of the contacts met in it that lidar has searched.
    foliage
        Contacts taken of the tree's crown, as `Growth.foliage` counts them.
    voxels
        Sorted numbers of the voxels cleared, per piece; a whole tree lists its limb pieces'.
    within
        For limbs, the piece that is the whole of their tree; -1 where there is none.
    """

    action: Ints
    tree: Ints
    band: Ints
    low: Floats
    high: Floats
    along: Floats
    left: Floats
    x: Floats
    y: Floats
    volume: Floats
    area: Floats
    density: Floats
    sure: Floats
    foliage: Floats
    voxels: tuple[Ints, ...]
    within: Ints

    def __len__(self) -> int:
        return int(self.action.size)


@dataclass(frozen=True)
class Sorted:
    """Entries of a leg by what could take them away.

    Attributes
    ----------
    depth
        Contacts of each throw with each piece (throws, pieces); whole trees hold their limbs' too.
    rest
        Contacts of each throw with what no piece takes, by `REST` (throws, reasons).
    trunk
        Contacts of each throw with trunks, by tree in `trunk_tree` (throws, trees met).
    """

    depth: Floats
    rest: Floats
    trunk: Floats
    trunk_tree: Ints


REST = ("trunks", "thin growth", "space not seen", *KEPT[1:], "buildings or wires", "small things")


def _belongs(growth: Growth, row: Ints, col: Ints, layer: Ints) -> tuple[Ints, Ints]:
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


def find_pieces(growth: Growth, met: Met, length: float) -> Pieces:
    """Pieces that failed throws meet on one leg, no whole trees.

    Parameters
    ----------
    growth
        Who owns what.
    met
        What the throws of the leg meet.
    length
        Of the leg [m].
    """
    settings, cell = growth.settings, growth.scene.grid.cell
    failed = met.total >= met.enough
    use = failed[met.throw] & (met.kind != 1)
    row, col, layer = met.row[use], met.col[use], met.layer[use]
    code = growth.scene.density[row, col, layer]
    thick = (growth.scene.table[code] >= settings.least_density) & (code != SOLID)
    thick &= growth.kept[row, col] == 0
    row, col, layer = row[thick], col[thick], layer[thick]
    depth, along, left = (a[use][thick] for a in (met.depth, met.along, met.left))
    if row.size == 0:
        return _none()
    action, tree = _belongs(growth, row, col, layer)
    free = ~growth.stays(tree)
    if not free.all():
        row, col, layer, depth, along, left, action, tree = (
            a[free] for a in (row, col, layer, depth, along, left, action, tree)
        )
    if row.size == 0:
        return _none()
    band = _bands(layer, action, tree, settings)
    stretch = np.where(tree == NO_TREE, np.floor(along * length / _STRETCH), 0).astype(np.int64)
    # Brush and ownerless limbs on both sides of the line are two patches.
    stretch = np.where(tree == NO_TREE, 2 * stretch + (left > 0), 0)
    key = np.column_stack([action, tree, band, stretch])
    keys, group = np.unique(key, axis=0, return_inverse=True)
    keys, group = _apart(keys, group.ravel(), row, col)
    weight = np.bincount(group, depth)
    made: list[_Piece] = []
    for k in np.flatnonzero(weight >= _LEAST * met.enough.size):
        mine = group == k
        piece = _piece(
            growth, keys[k], row[mine], col[mine], layer[mine], depth[mine], along[mine],
            left[mine], cell,
        )  # fmt: skip
        if piece is not None:
            made.append(piece)
    return _joined(made) if made else _none()


def _apart(keys: Ints, group: Ints, row: Ints, col: Ints) -> tuple[Ints, Ints]:
    """Groups of no tree split into patches whose cells lie within two cells of each other."""
    out, more, count = group.copy(), [], len(keys)
    for k in np.flatnonzero(keys[:, 1] == NO_TREE):
        mine = np.flatnonzero(group == k)
        r, c = row[mine] - row[mine].min() + 1, col[mine] - col[mine].min() + 1
        mask = np.zeros((r.max() + 2, c.max() + 2), bool)
        mask[r, c] = True
        labels, n = ndimage.label(ndimage.binary_dilation(mask, np.ones((3, 3))), np.ones((3, 3)))
        part = labels[r, c]
        for extra in range(2, n + 1):
            out[mine[part == extra]] = count
            more.append(keys[k])
            count += 1
    return np.vstack([keys, *more]) if more else keys, out


def _bands(layer: Ints, action: Ints, tree: Ints, settings: TrimSettings) -> Ints:
    """Reach band of limb voxels, 0 for brush; slivers go up."""
    limits = np.rint(np.array([settings.hand_reach, settings.pole_reach]) / LAYER_HEIGHT)
    band = np.where(action == LIMBS, np.searchsorted(limits, layer, side="right"), 0)
    for lower in (0, 1):
        for owner in np.unique(tree[(action == LIMBS) & (band == lower) & (tree != NO_TREE)]):
            here = (action == LIMBS) & (tree == owner) & (band == lower)
            above = (action == LIMBS) & (tree == owner) & (band == lower + 1)
            height = layer[here].max() + 1 - layer[here].min()
            touches = above.any() and layer[above].min() - layer[here].max() <= _GAP
            if touches and height * LAYER_HEIGHT < _SLIVER:
                band[here] = lower + 1
    return band.astype(np.int64)


def _limits(band: int, low: int, high: int, settings: TrimSettings) -> tuple[int, int]:
    """Lowest and highest layer of a limb piece: its band's, or those met where they go beyond."""
    reach = (settings.hand_reach, settings.pole_reach)
    edges = [0, *(round(m / LAYER_HEIGHT) for m in reach), LAYERS]
    return min(edges[band], low), max(edges[band + 1] - 1, high)


@dataclass(frozen=True)
class _Piece:
    row: dict[str, float]
    voxels: Ints


def _piece(
    growth: Growth, key: Ints, row: Ints, col: Ints, layer: Ints, depth: Floats, along: Floats,
    left: Floats, cell: float,
) -> _Piece | None:  # fmt: skip
    action, tree = int(key[0]), int(key[1])
    gone = np.cumsum(np.bincount(layer, depth, minlength=LAYERS)) / depth.sum()
    low = int(np.searchsorted(gone, _TAIL))
    high = int(np.searchsorted(gone, 1 - _TAIL))
    # One cell around, for other throws will meet what these just missed.
    met = np.unique((row << 32) | col)
    around = (np.arange(-1, 2)[:, None] * 2**32 + np.arange(-1, 2)).ravel()
    cells = np.unique((met[:, None] + around).ravel())
    r, c = cells >> 32, cells & 0xFFFFFFFF
    grid = growth.scene.grid
    cells = cells[(r >= 0) & (c >= 0) & (r < grid.rows) & (c < grid.cols)]
    r, c = cells >> 32, cells & 0xFFFFFFFF
    r, c = r[growth.kept[r, c] == 0], c[growth.kept[r, c] == 0]
    if action == BRUSH:
        top = growth.brush_top(r, c)
        most = round(growth.settings.brush_top / LAYER_HEIGHT)
        top = np.where(top * LAYER_HEIGHT <= growth.settings.brush_top, top, 0)
        top = np.minimum(np.maximum(top, high + 1), most)
        layers = np.arange(int(top.max()))
        rr, cc, ll = np.repeat(r, layers.size), np.repeat(c, layers.size), np.tile(layers, r.size)
        inside = ll < np.repeat(top, layers.size)
        rr, cc, ll = rr[inside], cc[inside], ll[inside]
    else:
        bottom, ceiling = _limits(int(key[2]), low, high, growth.settings)
        layers = np.arange(max(low - 1, bottom), min(high + 1, ceiling) + 1)
        rr, cc, ll = np.repeat(r, layers.size), np.repeat(c, layers.size), np.tile(layers, r.size)
    kind, owner = _belongs(growth, rr, cc, ll)
    same = (kind == action) & (owner == tree)
    rr, cc, ll = rr[same], cc[same], ll[same]
    if rr.size == 0:
        return None
    code = growth.scene.density[rr, cc, ll]
    density = np.where(code == SOLID, 0.0, growth.scene.table[code])
    solid = code == SOLID
    rr, cc, ll, density = (a[~solid] for a in (rr, cc, ll, density))
    grown = density >= growth.settings.least_density
    if not grown.any():
        return None
    ends = ll[grown].min(), ll[grown].max() + 1
    if action == LIMBS:
        rr, cc, ll, density = (a[(ll >= ends[0]) & (ll < ends[1])] for a in (rr, cc, ll, density))
        grown = density >= growth.settings.least_density
    u, v = np.average(along, weights=depth), np.average(left, weights=depth)
    middle = np.average(np.column_stack(grid.xy(row, col)), axis=0, weights=depth)
    bits = (growth.scene.searched[rr, cc] >> ll.astype(np.uint64)) & np.uint64(1)
    weight = np.maximum(density, 1e-9)
    return _Piece(
        {
            "action": action,
            "tree": tree,
            "band": int(key[2]),
            "low": 0.0 if action == BRUSH else float(ends[0] * LAYER_HEIGHT),
            "high": float(ends[1] * LAYER_HEIGHT),
            "along": float(u),
            "left": float(v),
            "x": float(middle[0]),
            "y": float(middle[1]),
            "volume": float(grown.sum() * cell**2 * LAYER_HEIGHT),
            "area": float(len(np.unique((rr[grown] << 32) | cc[grown])) * cell**2),
            "density": float(density[grown].mean()),
            "sure": float(np.average(bits, weights=weight)),
            "foliage": float(density.sum()),
        },
        np.sort(voxel_of(rr, cc, ll)),
    )


def _joined(made: list[_Piece]) -> Pieces:
    columns = {name: np.array([m.row[name] for m in made]) for name in made[0].row}
    for name in ("action", "tree", "band"):
        columns[name] = columns[name].astype(np.int64)
    return Pieces(
        **columns,
        voxels=tuple(m.voxels for m in made),
        within=np.full(len(made), -1, np.int64),
    )


def _none() -> Pieces:
    ints, floats = np.empty(0, np.int64), np.empty(0)
    return Pieces(ints, ints, ints, *(floats,) * 11, (), ints)


def offered(pieces: Pieces, settings: TrimSettings) -> tuple[Pieces, Pieces]:
    """Pieces that lidar has seen enough of to propose, and the others."""
    sure = pieces.sure >= settings.least_sure
    return take(pieces, np.flatnonzero(sure)), take(pieces, np.flatnonzero(~sure))


def take(pieces: Pieces, which: Ints) -> Pieces:
    """Some of the pieces; links to whole trees are dropped."""
    arrays = {
        name: getattr(pieces, name)[which]
        for name in (
            "action", "tree", "band", "low", "high", "along", "left", "x", "y", "volume", "area",
            "density", "sure", "foliage",
        )
    }  # fmt: skip
    return Pieces(
        **arrays,
        voxels=tuple(pieces.voxels[i] for i in which),
        within=np.full(len(which), -1, np.int64),
    )


def with_trees(growth: Growth, pieces: Pieces, met: Met, length: float) -> Pieces:
    """The same pieces, and the whole of each tree whose trunk throws meet and that may go."""
    settings = growth.settings
    trunk = met.kind == 1
    if settings.fell == "never" or not trunk.any():
        return pieces
    weights, trees = trunk_shares(growth, met.row[trunk], met.col[trunk])
    depth = np.bincount(trees.ravel(), (weights * met.depth[trunk][:, None]).ravel())
    along = np.bincount(trees.ravel(), (weights * (met.depth * met.along)[trunk][:, None]).ravel())
    left = np.bincount(trees.ravel(), (weights * (met.depth * met.left)[trunk][:, None]).ravel())
    fit = np.flatnonzero(depth >= _LEAST * met.enough.size)
    kept_cell = growth.kept[growth.scene.grid.rowcol(growth.x[fit], growth.y[fit])] != 0
    fit = fit[(growth.dbh[fit] <= settings.largest_felled_cm) & ~growth.kept_tree[fit] & ~kept_cell]
    if fit.size == 0:
        return pieces
    n, within = len(pieces), pieces.within.copy()
    rows: dict[str, list[float]] = {}
    voxels = []
    for k, t in enumerate(fit):
        limbs = np.flatnonzero((pieces.tree == t) & (pieces.action == LIMBS))
        within[limbs] = n + k
        mine = [pieces.voxels[i] for i in limbs]
        voxels.append(np.unique(np.concatenate(mine)) if mine else np.empty(0, np.int64))
        area = np.pi * growth.radius[t] ** 2
        values = {
            "action": TREE, "tree": t, "band": 2, "low": 0.0, "high": growth.height[t],
            "along": along[t] / depth[t], "left": left[t] / depth[t],
            "x": growth.x[t], "y": growth.y[t],
            "volume": area * max(growth.height[t] - growth.base[t], 0.5) * 2 / 3,
            "area": area, "density": np.nan, "sure": np.nan, "foliage": growth.foliage(t).sum(),
        }  # fmt: skip
        for name, value in values.items():
            rows.setdefault(name, []).append(value)
    arrays = {
        name: np.r_[getattr(pieces, name), np.array(value)].astype(getattr(pieces, name).dtype)
        for name, value in rows.items()
    }
    return Pieces(
        **arrays, voxels=(*pieces.voxels, *voxels), within=np.r_[within, np.full(len(fit), -1)]
    )


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
    total = chance.sum(1, keepdims=True)
    share = np.where(total > 0, chance / np.maximum(total, 1e-30), 0.0)
    return share[where], which[where]


def sort_entries(
    growth: Growth, pieces: Pieces, met: Met, unsure: Pieces, leaf: Floats | None = None
) -> tuple[Sorted, Sorted]:
    """What each throw meets of each piece, and of what stays, as surveyed and in leaf.

    Parameters
    ----------
    growth, pieces, met
        Who owns what, the pieces of the leg, and what throws meet on it.
    unsure
        Pieces that are not offered, for lidar has seen too little of them.
    leaf
        Factor on contacts with vegetation in leaf by layer; None where the survey is in leaf.
    """
    cut = met.kind != 1
    simple = np.flatnonzero(pieces.action != TREE)
    voxel = met.voxel
    piece = np.where(cut, _piece_of([pieces.voxels[i] for i in simple], voxel, simple), -1)
    why = _why_left(growth, met)
    hidden = _piece_of(list(unsure.voxels), voxel, np.arange(len(unsure))) >= 0
    why[hidden & cut] = REST.index("space not seen")
    trunk_tree, trunks = _trunks(growth, met)

    def summed(amount: Floats) -> Sorted:
        throws, n = met.enough.size, len(pieces)
        taken = piece >= 0
        depth = _table(met.throw[taken], piece[taken], amount[taken], throws, n)
        rest = _table(met.throw[~taken], why[~taken], amount[~taken], throws, len(REST))
        for i in np.flatnonzero(pieces.action == TREE):
            depth[:, i] = depth[:, pieces.within == i].sum(1)
            there = np.flatnonzero(trunk_tree == pieces.tree[i])
            if there.size:
                depth[:, i] += trunks[:, there[0]]
        return Sorted(depth, rest, trunks, trunk_tree)

    now = summed(met.depth)
    if leaf is None:
        return now, now
    return now, summed(np.where(cut, leaf[met.layer], 1.0) * met.depth)


def _table(row: Ints, col: Ints, amount: Floats, rows: int, cols: int) -> Floats:
    """Sums of amounts by row and column (rows, cols)."""
    sums = np.bincount(row * cols + col, amount, minlength=rows * cols)
    return np.asarray(sums, np.float64).reshape(rows, cols)


def _trunks(growth: Growth, met: Met) -> tuple[Ints, Floats]:
    """Trees whose trunks throws meet, and the contacts with each (throws, trees)."""
    trunk = met.kind == 1
    if not trunk.any():
        return np.empty(0, np.int64), np.zeros((met.enough.size, 0))
    shares, trees = trunk_shares(growth, met.row[trunk], met.col[trunk])
    throw = np.repeat(met.throw[trunk], shares.shape[1])
    amount = (shares * met.depth[trunk][:, None]).ravel()
    some = amount > 0
    met_trees, column = np.unique(trees.ravel()[some], return_inverse=True)
    return met_trees, _table(throw[some], column, amount[some], met.enough.size, met_trees.size)


def _piece_of(voxels: list[Ints], wanted: Ints, names: Ints) -> Ints:
    """Name of the set that holds each wanted voxel; -1 where none does."""
    if not voxels:
        return np.full(wanted.size, -1, np.int64)
    every = np.concatenate(voxels)
    whose = np.repeat(names, [v.size for v in voxels])
    order = np.argsort(every, kind="stable")
    every, whose = every[order], whose[order]
    at = np.minimum(np.searchsorted(every, wanted), every.size - 1)
    return np.where(every[at] == wanted, whose[at], -1).astype(np.int64)


def _why_left(growth: Growth, met: Met) -> Ints:
    """Index into `REST` for each entry if no piece takes it."""
    code = growth.scene.density[met.row, met.col, met.layer]
    kept = growth.kept[met.row, met.col].astype(np.int64)
    why = np.full(met.throw.size, REST.index("small things"), np.int64)
    why[growth.scene.table[code] < growth.settings.least_density] = REST.index("thin growth")
    why[met.kind == 2] = REST.index("space not seen")
    why = np.where(kept > 0, REST.index(KEPT[1]) - 1 + kept, why)
    thick = (met.kind != 1) & (kept == 0)
    if growth.kept_tree.any() and thick.any():
        _, tree = _belongs(growth, met.row[thick], met.col[thick], met.layer[thick])
        why[np.flatnonzero(thick)[growth.stays(tree)]] = REST.index(KEPT[1])
    why[code == SOLID] = REST.index("buildings or wires")
    why[met.kind == 1] = REST.index("trunks")
    return why


def outline(voxels: Ints, growth: Growth) -> shapely.MultiPolygon:
    """Ground under voxels as polygons."""
    row, col, _ = cells_of_voxels(voxels)
    grid = growth.scene.grid
    r0, c0 = int(row.min()), int(col.min())
    window = grid.window(r0, c0, int(row.max()) - r0 + 1, int(col.max()) - c0 + 1)
    mask = np.zeros(window.shape, bool)
    mask[row - r0, col - c0] = True
    return shapely.MultiPolygon([part for part, _ in patches(mask, window)])
