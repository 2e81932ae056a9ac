"""Growth that stops throws, grouped into pieces a crew can recognise on the ground.

Every sample that a throw meets lies in a voxel, a cell and a layer. A voxel belongs to

- a tree's limbs, where it lies in that tree's crown or hangs below it without reaching the ground;
- brush, where the growth reaches from the ground up without a gap and no higher than a shrub;
- limbs of no known tree, else.

Pieces of one leg are the limbs of one tree within one reach band, brush and ownerless limbs in
stretches of the leg, and whole trees. A limb piece is no larger than what throws met, one cell and
one layer around: what hangs higher or further aside frames the shot and stays. Brush is cut at the
ground, so a patch is as high as it stands.

Leaning and dead stems are not distinguished from others: the columns hold no directions, and
lidar from above seldom sees stems at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS, SOLID
from lanewright.settings.trim import TrimSettings
from lanewright.trim.standing import (
    BRUSH,
    GAP,
    LIMBS,
    NO_TREE,
    TREE,
    Growth,
    Met,
    belongs,
    trunk_shares,
    voxel_of,
)

_STRETCH = 8.0  # m along the leg of a patch of brush, of ownerless limbs
_SLIVER = 0.75  # m; a lower end thinner than this goes with the piece above
_TAIL = 0.02  # of a piece's contacts that may lie above, below
_LEAST = 0.002  # contacts per throw below which nothing is worth a crew's look


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


class _Samples(NamedTuple):
    """Places where failed throws of one leg meet growth; arrays (n,)."""

    row: Ints
    col: Ints
    layer: Ints
    depth: Floats
    along: Floats
    left: Floats

    def take(self, which: Flags) -> _Samples:
        """Some of them."""
        row, col, layer = self.row[which], self.col[which], self.layer[which]
        depth, along, left = self.depth[which], self.along[which], self.left[which]
        return _Samples(row, col, layer, depth, along, left)


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
    settings = growth.settings
    samples = _thick(growth, met)
    action, tree = belongs(growth, samples.row, samples.col, samples.layer)
    free = ~growth.stays(tree)
    samples, action, tree = samples.take(free), action[free], tree[free]
    if samples.row.size == 0:
        return _none()
    band = _bands(samples.layer, action, tree, settings)
    stretch = np.floor(samples.along * length / _STRETCH).astype(np.int64)
    # Brush and ownerless limbs on both sides of the line are two patches.
    stretch = np.where(tree == NO_TREE, 2 * stretch + (samples.left > 0), 0)
    key = np.column_stack([action, tree, band, stretch])
    keys, group = np.unique(key, axis=0, return_inverse=True)
    keys, group = _apart(keys, group.ravel(), samples.row, samples.col)
    weight = np.bincount(group, samples.depth)
    heavy = np.flatnonzero(weight >= _LEAST * met.enough.size)
    made = [_piece(growth, keys[k], samples.take(group == k)) for k in heavy]
    some = [piece for piece in made if piece is not None]
    return _joined(some) if some else _none()


def _thick(growth: Growth, met: Met) -> _Samples:
    """Growth met by failed throws that is dense enough to point at and may be cut."""
    failed = met.total >= met.enough
    met_here = _Samples(met.row, met.col, met.layer, met.depth, met.along, met.left)
    samples = met_here.take(failed[met.throw] & (met.kind != 1))
    code = growth.scene.density[samples.row, samples.col, samples.layer]
    thick = (growth.scene.table[code] >= growth.settings.least_density) & (code != SOLID)
    return samples.take(thick & (growth.kept[samples.row, samples.col] == 0))


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
            touches = above.any() and layer[above].min() - layer[here].max() <= GAP
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


def _piece(growth: Growth, key: Ints, samples: _Samples) -> _Piece | None:
    """The piece that some samples are part of; None if nothing of it can be pointed at."""
    action, tree, band = (int(k) for k in key[:3])
    row, col, layer, density = _grown(growth, action, tree, band, samples)
    thick = density >= growth.settings.least_density
    if not thick.any():
        return None
    low, high = int(layer[thick].min()), int(layer[thick].max()) + 1
    if action == LIMBS:
        inside = (layer >= low) & (layer < high)
        row, col, layer = row[inside], col[inside], layer[inside]
        density = density[inside]
        thick = density >= growth.settings.least_density
    grid = growth.scene.grid
    weights = samples.depth
    x, y = np.average(np.column_stack(grid.xy(samples.row, samples.col)), axis=0, weights=weights)
    bits = (growth.scene.searched[row, col] >> layer.astype(np.uint64)) & np.uint64(1)
    ground = np.unique((row[thick] << 32) | col[thick])
    return _Piece(
        {
            "action": action,
            "tree": tree,
            "band": band,
            "low": 0.0 if action == BRUSH else float(low * LAYER_HEIGHT),
            "high": float(high * LAYER_HEIGHT),
            "along": float(np.average(samples.along, weights=weights)),
            "left": float(np.average(samples.left, weights=weights)),
            "x": float(x),
            "y": float(y),
            "volume": float(thick.sum() * grid.cell**2 * LAYER_HEIGHT),
            "area": float(len(ground) * grid.cell**2),
            "density": float(density[thick].mean()),
            "sure": float(np.average(bits, weights=np.maximum(density, 1e-9))),
            "foliage": float(density.sum()),
        },
        np.sort(voxel_of(row, col, layer)),
    )


def _grown(
    growth: Growth, action: int, tree: int, band: int, samples: _Samples
) -> tuple[Ints, Ints, Ints, Floats]:
    """Row, column, layer and density of the voxels of a piece, those around the samples too."""
    layer, depth = samples.layer, samples.depth
    gone = np.cumsum(np.bincount(layer, depth, minlength=LAYERS)) / depth.sum()
    low = int(np.searchsorted(gone, _TAIL))
    high = int(np.searchsorted(gone, 1 - _TAIL))
    r, c = _cells_around(growth, samples.row, samples.col)
    if action == BRUSH:
        top = _brush_tops(growth, r, c, high)
        layers = np.arange(int(top.max(initial=0)))
    else:
        bottom, ceiling = _limits(band, low, high, growth.settings)
        layers = np.arange(max(low - 1, bottom), min(high + 1, ceiling) + 1)
        top = np.full(r.size, LAYERS)
    rows, cols = np.repeat(r, layers.size), np.repeat(c, layers.size)
    voxels = np.tile(layers, r.size)
    kind, owner = belongs(growth, rows, cols, voxels)
    code = growth.scene.density[rows, cols, voxels]
    mine = (voxels < np.repeat(top, layers.size)) & (kind == action) & (owner == tree)
    mine &= code != SOLID
    density = growth.scene.table[code[mine]]
    return rows[mine], cols[mine], voxels[mine], np.asarray(density, np.float64)


def _cells_around(growth: Growth, row: Ints, col: Ints) -> tuple[Ints, Ints]:
    """Cells and their neighbours that may be cut, for other throws will meet what these missed."""
    met = np.unique((row << 32) | col)
    around = (np.arange(-1, 2)[:, None] * 2**32 + np.arange(-1, 2)).ravel()
    cells = np.unique((met[:, None] + around).ravel())
    r, c = cells >> 32, cells & 0xFFFFFFFF
    grid = growth.scene.grid
    on = (r >= 0) & (c >= 0) & (r < grid.rows) & (c < grid.cols)
    r, c = r[on], c[on]
    free = growth.kept[r, c] == 0
    return r[free], c[free]


def _brush_tops(growth: Growth, row: Ints, col: Ints, high: int) -> Ints:
    """Layers that brush is cut up to in each cell: as it stands, at least as high as was met."""
    top = growth.brush_top(row, col)
    limit = growth.settings.brush_top
    top = np.where(top * LAYER_HEIGHT <= limit, top, 0)
    return np.minimum(np.maximum(top, high + 1), round(limit / LAYER_HEIGHT))


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
            "action",
            "tree",
            "band",
            "low",
            "high",
            "along",
            "left",
            "x",
            "y",
            "volume",
            "area",
            "density",
            "sure",
            "foliage",
        )
    }
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
            "action": TREE,
            "tree": t,
            "band": 2,
            "low": 0.0,
            "high": growth.height[t],
            "along": along[t] / depth[t],
            "left": left[t] / depth[t],
            "x": growth.x[t],
            "y": growth.y[t],
            "volume": area * max(growth.height[t] - growth.base[t], 0.5) * 2 / 3,
            "area": area,
            "density": np.nan,
            "sure": np.nan,
            "foliage": growth.foliage(t).sum(),
        }
        for name, value in values.items():
            rows.setdefault(name, []).append(value)
    arrays = {
        name: np.r_[getattr(pieces, name), np.array(value)].astype(getattr(pieces, name).dtype)
        for name, value in rows.items()
    }
    return Pieces(
        **arrays, voxels=(*pieces.voxels, *voxels), within=np.r_[within, np.full(len(fit), -1)]
    )
