"""Growth moved in patches against a plain rule."""

import numpy as np
import pytest

from lanewright.kernels.patches import moved


@pytest.mark.parametrize("way", [-1, 1])
def test_in_chosen_patches_each_voxel_takes_the_most_or_least_across_its_sides(way):
    code = np.random.default_rng(1).integers(0, 255, (12, 15, 5)).astype(np.uint8)
    out, pick = np.empty_like(code), (max if way > 0 else min)
    plain = np.empty_like(code)
    for r, c, k in np.ndindex(code.shape):
        around = [(r, c), (r + 1, c), (r - 1, c), (r, c + 1), (r, c - 1)]
        inside = [p for p in around if 0 <= p[0] < 12 and 0 <= p[1] < 15]
        plain[r, c, k] = pick(code[(*p, k)] for p in inside)
    moved(code, way, 3, 1.0, np.uint64(7), out)
    np.testing.assert_array_equal(out, plain)
    moved(code, way, 3, 0.0, np.uint64(7), out)
    np.testing.assert_array_equal(out, code)
    moved(code, way, 3, 0.5, np.uint64(7), out)
    for r, c in np.ndindex(4, 5):
        patch = np.s_[3 * r : 3 * r + 3, 3 * c : 3 * c + 3]
        same = [(out[patch] == kind[patch]).all() for kind in (code, plain)]
        assert sum(same) == 1
