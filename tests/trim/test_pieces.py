"""Who owns a voxel, how high brush stands, and kernels against their slow twins."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import leg_worlds
from lanewright.base.grid import Grid
from lanewright.base.outlines import patches, shapes_of_each
from lanewright.kernels import trim as kernels
from lanewright.legs.contacts import contacts_of
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.trim.leastwork import Case, by_worth
from lanewright.trim.standing import (
    _FROM_GROUND,
    BRUSH,
    GAP,
    LIMBS,
    NO_TREE,
    Growth,
    belongs,
    cells_of_voxels,
    ground_under,
    trunk_shares,
    voxel_of,
)
from trim_worlds import Grown, Tree, grown, random_case

THROW = LegsSettings().throw


def growth(*things, trees=()):
    world = grown(*things, trees=trees, world=leg_worlds.bare(60.0))
    return Growth(
        world, TrimSettings(), THROW, np.zeros(world.grid.shape, np.uint8),
        np.zeros(len(trees), bool),
    )  # fmt: skip


def owner_at(g, x, y, height):
    row, col = g.scene.grid.rowcol(
        np.array([leg_worlds.LEFT + x]), np.array([leg_worlds.BOTTOM + y])
    )
    action, tree = belongs(g, row, col, np.array([int(height * 4)]))
    return int(action[0]), int(tree[0])


def test_growth_from_the_ground_is_brush_and_what_hangs_is_the_trees():
    tree = Tree(30, 30, height=15, crown=8, base=5.0)
    g = growth(Grown(28, 28, 30, 30, 0, 2.0, 1.0), Grown(31, 31, 33, 33, 2.0, 4.0, 1.0),
               Grown(26, 30, 28, 32, 5.0, 9.0, 1.0), trees=(tree,))  # fmt: skip
    assert owner_at(g, 29, 29, 1.0) == (BRUSH, NO_TREE)
    assert owner_at(g, 32, 32, 3.0) == (LIMBS, 0)  # hangs below the crown base, off the ground
    assert owner_at(g, 27, 31, 7.0) == (LIMBS, 0)


def test_shrubs_that_lidar_took_for_trees_are_brush():
    g = growth(Grown(28, 28, 32, 32, 0, 4.0, 1.0), trees=(Tree(30, 30, height=4.0, crown=4),))
    assert owner_at(g, 30, 30, 3.0) == (BRUSH, NO_TREE)


def test_a_crown_down_to_the_ground_is_limbs_not_brush():
    g = growth(Grown(28, 28, 32, 32, 0.5, 8.0, 1.0),
               trees=(Tree(30, 30, height=9, crown=5, base=0.5),))  # fmt: skip
    assert owner_at(g, 30, 30, 1.5) == (LIMBS, 0)


def test_high_growth_of_no_known_tree_is_limbs_of_none():
    g = growth(Grown(28, 28, 32, 32, 3.0, 6.0, 1.0))
    assert owner_at(g, 30, 30, 4.0) == (LIMBS, NO_TREE)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.02, 0.9))
def test_brush_tops_agree_with_a_walk_up_each_column(seed, share):
    rng = np.random.default_rng(seed)
    density = (rng.random((5, 6, 64)) < share).astype(np.uint8)
    thick = np.arange(256) > 0
    out = np.zeros((5, 6), np.uint8)
    kernels.brush_tops(density, thick, _FROM_GROUND, GAP, out)
    for r in range(5):
        for c in range(6):
            there = np.flatnonzero(density[r, c])
            top = 0
            if there.size and there[0] <= _FROM_GROUND:
                gaps = np.flatnonzero(np.diff(there) - 1 > GAP)
                top = there[gaps[0] if gaps.size else -1] + 1
            assert out[r, c] == top


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 12))
def test_owners_agree_with_the_distance_to_every_tree(seed, trees):
    rng = np.random.default_rng(seed)
    row, col, reach = rng.uniform(0, 30, trees), rng.uniform(0, 30, trees), rng.uniform(1, 9, trees)
    out = np.full((30, 30), NO_TREE, np.int32)
    kernels.owners(row, col, reach, out, np.full((30, 30), np.inf, np.float32))
    r, c = np.mgrid[:30, :30] + 0.5
    away = np.hypot(r[..., None] - row, c[..., None] - col) / reach
    away = away.astype(np.float32)
    best = away.argmin(-1)
    expected = np.where(away.min(-1) <= np.float32(kernels.LIMIT), best, NO_TREE)
    assert (out == expected).mean() > 0.999  # float32 on the very limit aside


def slow_by_worth(case: Case) -> list[int]:
    open_ = case.need >= -1e-6
    depth, need = case.depth[open_], np.maximum(case.need + 1e-6, 1e-9)[open_]
    left, out, gone = set(range(case.cost.size)), [], np.zeros(int(open_.sum()))
    while left:
        best, most = -1, -np.inf
        for j in sorted(left):
            parts = [i for i in out if case.within[i] == j]
            more = gone + depth[:, j] - depth[:, parts].sum(1)
            share, before = np.minimum(more / need, 1), np.minimum(gone / need, 1)
            gain = (share >= 1).sum() - (before >= 1).sum()
            worth = (gain + 0.3 * (share**2 - before**2).sum()) / case.cost[j]
            if worth > most + 1e-12:
                best, most = j, worth
        parts = [i for i in out if case.within[i] == best]
        gone = gone + depth[:, best] - depth[:, parts].sum(1)
        out.append(best)
        left -= {best} | set(np.flatnonzero(case.within == best).tolist())
    return out


@pytest.mark.parametrize("seed", range(8))
def test_order_by_worth_agrees_with_its_slow_twin(seed):
    case = random_case(seed, 60, 9, seed % 3)
    assert by_worth(case) == slow_by_worth(case)


def test_voxels_and_their_outline():
    g = growth()
    row, col, layer = np.array([5, 5, 6, 9]), np.array([7, 8, 7, 20]), np.array([0, 63, 4, 4])
    voxel = voxel_of(row, col, layer)
    for got, given_ in zip(cells_of_voxels(voxel), (row, col, layer), strict=True):
        np.testing.assert_array_equal(got, given_)
    shape = ground_under([voxel], g)[0]
    assert len(shape.geoms) == 2
    assert shape.area == pytest.approx(4 * 0.25)


def test_trunk_shares_are_those_of_the_rates_that_throws_meet():
    pair = (Tree(30, 30, base=4.0, dbh=20), Tree(31.5, 30, base=4.0, dbh=40))
    both, rates = growth(trees=pair), []
    for keep in ([0], [1], [0, 1]):
        world = replace(both.scene, trees=both.scene.trees.iloc[keep])
        rates.append(contacts_of(world, THROW, "off").trunk)
    # Two chances in one cell make a little more than their sum, and share one width.
    np.testing.assert_allclose(rates[0] + rates[1], rates[2], rtol=0.02, atol=0.004)
    row, col = np.nonzero(rates[2] > 0.05)
    share, tree = trunk_shares(both, row, col)
    first = np.where(tree == 0, share, 0).sum(1)
    np.testing.assert_allclose(first, rates[0][row, col] / rates[2][row, col], atol=0.05)


def test_shapes_traced_on_one_sheet_are_those_traced_alone():
    """Against rasterio's tracing of each group of cells by itself."""
    rng, grid = np.random.default_rng(5), Grid(leg_worlds.CRS, 552000.3, 4310000.7, 0.5, 90, 80)
    groups = []
    for _ in range(20):
        mask = np.zeros(grid.shape, bool)
        row, col, high, wide = rng.integers((0, 0, 1, 1), (60, 50, 30, 30))
        mask[row : row + high, col : col + wide] = rng.random((high, wide)) < 0.7
        mask[row, col] = True
        groups.append(np.nonzero(mask))
    for (r, c), shape in zip(groups, shapes_of_each(groups, grid), strict=True):
        alone = np.zeros(grid.shape, bool)
        alone[r, c] = True
        parts = shapely.MultiPolygon([part for part, _ in patches(alone, grid)])
        assert shape.equals(parts)
        assert shape.bounds == parts.bounds
        assert len(shape.geoms) == len(parts.geoms)
