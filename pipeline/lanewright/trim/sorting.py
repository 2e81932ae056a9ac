"""What each throw meets of each piece, and of what stays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lanewright.base.arrays import Floats, Ints
from lanewright.growth.columns import SOLID
from lanewright.trim.pieces import Pieces
from lanewright.trim.standing import KEPT, TREE, Growth, Met, belongs, trunk_shares

REST = ("trunks", "thin growth", "space not seen", *KEPT[1:], "buildings or wires", "small things")


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


@dataclass(frozen=True)
class Entries:
    """What throws at a leg meet, by the piece that could take it away.

    Attributes
    ----------
    met
        What throws meet.
    piece
        Piece, no whole tree, that takes each entry; -1 where none does (entries,).
    why
        Why each entry stays if no piece takes it, by `REST` (entries,).
    trunk, trunk_tree
        As in `Sorted`.
    """

    met: Met
    piece: Ints
    why: Ints
    trunk: Floats
    trunk_tree: Ints


def entries_of(growth: Growth, pieces: Pieces, met: Met, unsure: Pieces) -> Entries:
    """What throws meet of each piece, and of what stays.

    Parameters
    ----------
    growth, pieces, met
        Who owns what, the pieces of the leg, and what throws meet on it.
    unsure
        Pieces that are not offered, for lidar has seen too little of them.
    """
    cut = met.kind != 1
    voxel = met.voxel
    piece = np.where(cut, _piece_of(list(pieces.voxels), voxel), -1)
    why = _why_left(growth, met)
    why[(_piece_of(list(unsure.voxels), voxel) >= 0) & cut] = REST.index("space not seen")
    trunk_tree, trunk = _trunks(growth, met)
    return Entries(met, piece, why, trunk, trunk_tree)


def sort_entries(
    entries: Entries, pieces: Pieces, leaf: Floats | None = None
) -> tuple[Sorted, Sorted]:
    """Contacts of each throw with each piece, as surveyed and in leaf.

    `pieces` are those of `entries`, and whole trees after them. `leaf` is the factor on contacts
    with vegetation in leaf by layer, None where the survey is in leaf.
    """
    met, piece = entries.met, entries.piece
    taken = piece >= 0

    def summed(amount: Floats) -> Sorted:
        throws, n = met.enough.size, len(pieces)
        depth = _table(met.throw[taken], piece[taken], amount[taken], throws, n)
        rest = _table(met.throw[~taken], entries.why[~taken], amount[~taken], throws, len(REST))
        for i in np.flatnonzero(pieces.action == TREE):
            depth[:, i] = depth[:, pieces.within == i].sum(1)
            there = np.flatnonzero(entries.trunk_tree == pieces.tree[i])
            if there.size:
                depth[:, i] += entries.trunk[:, there[0]]
        return Sorted(depth, rest, entries.trunk, entries.trunk_tree)

    now = summed(met.depth)
    if leaf is None:
        return now, now
    return now, summed(np.where(met.kind != 1, leaf[met.layer], 1.0) * met.depth)


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
    trees = trees.ravel()[some]
    there = np.bincount(trees) > 0
    met_trees, column = np.flatnonzero(there), np.cumsum(there)[trees] - 1
    return met_trees, _table(throw[some], column, amount[some], met.enough.size, met_trees.size)


def _piece_of(voxels: list[Ints], wanted: Ints) -> Ints:
    """Number of the set that holds each wanted voxel; -1 where none does."""
    if not voxels:
        return np.full(wanted.size, -1, np.int64)
    every = np.concatenate(voxels)
    whose = np.repeat(np.arange(len(voxels)), [v.size for v in voxels])
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
        _, tree = belongs(growth, met.row[thick], met.col[thick], met.layer[thick])
        why[np.flatnonzero(thick)[growth.stays(tree)]] = REST.index(KEPT[1])
    why[code == SOLID] = REST.index("buildings or wires")
    why[met.kind == 1] = REST.index("trunks")
    return why
