"""Triangles block by block are those of all points together (Delaunay: no point in a circle)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from lanewright.base.grid import Grid
from lanewright.land import mesh

GRID = Grid("", 0.0, 120.0, 1.0, 120, 150)


def land(seed: int, slanted: bool):
    """Two points per square metre but for a pond, sorted from the north; its far corner is cut."""
    rng = np.random.default_rng(seed)
    east, south = rng.uniform(-3, 153, 36_000), rng.uniform(-3, 123, 36_000)
    keep = np.hypot(east - 60, south - 50) > 6
    if slanted:
        keep &= east + 0.7 * south < 180
    east, south = np.round(east[keep], 3), np.round(south[keep], 3)
    order = np.argsort(south, kind="stable")
    east, south = east[order], south[order]
    return east, south, 300 + 5 * np.sin(east / 9) + rng.normal(0, 0.2, len(east))


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), most=st.sampled_from([1500, 4000, 12_000]))
def test_blocks_do_not_show(seed, most):
    points = land(seed, slanted=False)
    whole = mesh.linear(*points, GRID)
    np.testing.assert_allclose(mesh.linear(*points, GRID, most=most), whole, atol=1e-9)
    assert np.isfinite(whole).all()


def test_a_slanted_rim_is_that_of_the_whole():
    points = land(1, slanted=True)
    found = mesh.linear(*points, GRID, most=4000)
    linear = LinearNDInterpolator(np.column_stack(points[:2]), points[2])
    row, col = np.indices(GRID.shape) + 0.5
    expected = linear(col, row)
    # Within half a metre of the slanted rim slivers of the hull may be others.
    inner = col + 0.7 * row < 179
    np.testing.assert_allclose(found[inner], expected[inner], atol=1e-6)
    assert np.isnan(found[col + 0.7 * row > 181]).all()


def test_a_pond_wider_than_a_block_sees_is_still_filled():
    """Heights there may depend on the blocks, and lie between those of the shore."""
    east, south, _ = land(2, slanted=False)
    dry = np.hypot(east - 70, south - 60) > 40
    found = mesh.linear(east[dry], south[dry], np.full(dry.sum(), 7.0), GRID, most=1500)
    known = np.isfinite(found)
    assert known.mean() > 0.7
    np.testing.assert_allclose(found[known], 7.0)


@pytest.mark.parametrize("count", [0, 2])
def test_few_points_span_nothing(count):
    points = np.arange(3.0 * count).reshape(3, count)
    assert np.isnan(mesh.linear(*points, GRID)).all()
