"""Lone returns of the ground class: planted ones go, cliffs and rocks stay."""

import numpy as np
import pytest

from lanewright.sources.outliers import lone_ground


def ground(seed: int = 0, n: int = 4000, side: float = 50.0):
    rng = np.random.default_rng(seed)
    x, y = side * rng.random(n), side * rng.random(n)
    return x, y, 100 + 0.4 * x + 3 * np.sin(y / 8) + 0.05 * rng.standard_normal(n)


@pytest.mark.parametrize("density", [0.5, 2.0, 20.0])
@pytest.mark.parametrize("off", [-250.0, -12.0, 25.0, 400.0])
def test_planted_returns_are_found_and_nothing_else(density, off):
    x, y, z = ground(n=int(density * 2500))
    planted = np.arange(0, len(z), len(z) // 7)[:7]
    z[planted] += off
    lone = lone_ground(x, y, z)
    assert set(np.flatnonzero(lone)) <= set(planted)
    # Sparse ground has few neighbours near the rim of a block, and unsure ones are kept.
    inner = [i for i in planted if 8 < x[i] < 42 and 8 < y[i] < 42]
    assert inner
    assert lone[inner].all()


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.5, 3.0])
def test_steep_ground_stays(slope):
    x, y, z = ground()
    assert not lone_ground(x, y, z + slope * y).any()


def test_a_cliff_and_a_boulder_stay():
    x, y, z = ground()
    z[x > 25] += 30.0
    boulder = np.hypot(x - 10, y - 10) < 1.5
    assert boulder.sum() >= 3
    z[boulder] += 5.0
    assert not lone_ground(x, y, z).any()


def test_order_does_not_matter_and_little_is_left_alone():
    x, y, z = ground()
    z[17] -= 40
    order = np.random.default_rng(1).permutation(len(x))
    np.testing.assert_array_equal(lone_ground(x[order], y[order], z[order]),
                                  lone_ground(x, y, z)[order])  # fmt: skip
    for n in range(4):
        assert not lone_ground(x[:n], y[:n], z[:n]).any()


@pytest.mark.parametrize("name", ["bcts-12/bcts_1.laz", "ign-crop1-slope/crop_1.laz",
                                  "lidr-topography-2018/Topography_LAS10_noCRS.laz",
                                  "ign-corse-cliff-sea/corse.laz"])  # fmt: skip
def test_real_ground_stays(real_data, name):
    """Vendor's ground of four surveys, a sea cliff among them: at most one in 5,000 is doubted."""
    import laspy

    las = laspy.read(real_data / name)
    chosen = np.asarray(las.classification) == 2
    x, y, z = (np.asarray(a)[chosen] for a in (las.x, las.y, las.z))
    assert lone_ground(x, y, z).sum() <= len(x) / 5000
