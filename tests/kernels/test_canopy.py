"""The compiled canopy kernels against plain ones."""

import numpy as np
import pytest

from lanewright.kernels.canopy import profiles, stamp


@pytest.mark.parametrize("radius", [0.0, 0.2, 0.6])
def test_a_return_raises_every_cell_that_its_footprint_touches(radius):
    """Nearest place of each cell to each return, all pairs."""
    rng = np.random.default_rng(2)
    x, y, height = rng.uniform(-0.5, 4.5, 60), rng.uniform(-0.5, 3.5, 60), rng.uniform(0, 9, 60)
    out = np.full((6, 8), np.nan, np.float32)
    stamp(x, y, height, 0.0, 3.0, 0.5, radius, out)
    for row, col in np.ndindex(out.shape):
        near_x = np.clip(x, 0.5 * col, 0.5 * (col + 1))
        near_y = np.clip(y, 3.0 - 0.5 * (row + 1), 3.0 - 0.5 * row)
        touches = np.hypot(near_x - x, near_y - y) <= radius
        if touches.any():
            assert out[row, col] == np.float32(height[touches].max())
        else:
            assert np.isnan(out[row, col])


def test_profiles_add_up_what_is_not_solid_crown_by_crown():
    rng = np.random.default_rng(3)
    crown = rng.integers(0, 4, (7, 6)).astype(np.int32)
    code = rng.integers(0, 256, (7, 6, 5)).astype(np.uint8)
    code[rng.random(code.shape) < 0.2] = 255
    table = rng.uniform(0, 2, 256).astype(np.float32)
    total, cells = np.zeros((3, 5)), np.zeros(3, np.int64)
    profiles(crown, 3, code, table, 255, total, cells)
    density = np.where(code == 255, 0.0, table[code].astype(float))
    for tree in range(3):
        mine = crown == tree + 1
        assert cells[tree] == mine.sum()
        np.testing.assert_allclose(total[tree], density[mine].sum(0), rtol=1e-12)
