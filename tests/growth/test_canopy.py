"""Canopy height: pits go, gaps stay; cover counts first returns."""

import numpy as np
import pytest

from lanewright.base.grid import Grid
from lanewright.growth.canopy import FOOTPRINT, clear_buildings, cover, fill_pits, highest_returns

GRID = Grid("EPSG:26916", 0.0, 10.0, 0.5, 20, 20)
NONE = np.full((20, 20), np.nan, np.float32)


def wood(height=18.0, shape=(40, 40)):
    return np.full(shape, height, np.float32)


def filled(raw, cell=0.5, width=1.5):
    return fill_pits(raw, raw.copy(), cell, width)


def test_highest_returns_by_hand():
    x = np.array([1.1, 1.2, 4.4])
    y = np.array([9.9, 9.8, 5.25])
    inside, touching = highest_returns(GRID, x, y, np.array([3.0, 7.0, 5.0]))
    assert inside[0, 2] == 7.0
    assert np.isfinite(inside).sum() == 2
    # The second return is 0.2 m from the next cell to the left, the third 0.1 m from the right.
    assert inside[9, 8] == 5.0
    assert touching[9, 9] == 5.0
    assert np.isnan(touching[9, 7])
    assert FOOTPRINT == 0.2


@pytest.mark.parametrize("cell", [0.5, 1.0])
def test_a_pit_of_one_cell_is_filled(cell):
    raw = wood()
    raw[20, 20] = 0.0
    raw[10, 10] = np.nan
    assert (filled(raw, cell) == 18.0).all()


def test_a_gap_wider_than_asked_stays_as_it_is():
    """A gap of 1.5 m, three cells, is land; one of 1 m is the scan."""
    raw = wood()
    raw[5:8, 5:8] = 0.0
    raw[20:22, 20:22] = 0.0
    raw[30:33, :] = 0.0  # a lane of 1.5 m
    out = filled(raw)
    assert (out[5:8, 5:8] == 0.0).all()
    assert (out[20:22, 20:22] == 18.0).all()
    assert (out[30:33, :] == 0.0).all()
    assert (out >= raw).all()


def test_dents_in_a_crown_are_its_shape():
    raw = wood()
    raw[20, 20] = 17.2
    assert filled(raw)[20, 20] == np.float32(17.2)


def test_edge_cells_do_not_sink():
    assert (filled(wood())[[0, -1]] == 18.0).all()


def test_a_lone_tree_is_no_wider_after_filling():
    raw = np.zeros((40, 40), np.float32)
    raw[20, 20] = 9.0
    raw[19, 20] = raw[21, 20] = raw[20, 19] = raw[20, 21] = 6.0
    np.testing.assert_array_equal(filled(raw), raw)


def test_voids_stay_void_and_small_ones_close():
    raw = wood(0.0, (60, 60))
    raw[20:40, 20:40] = np.nan
    raw[5:7, 5:7] = np.nan
    out = filled(raw)
    assert np.isnan(out[30, 30])
    assert (out[5:7, 5:7] == 0.0).all()
    # Up to 3 m from a return.
    assert np.isnan(out[27:33, 27:33]).all()
    assert not np.isnan(out[20:26, 30]).any()


def test_nothing_below_ground():
    raw = wood(-0.2)
    assert (filled(raw) == 0.0).all()


def test_cover_is_a_share_of_a_square():
    above, first = np.zeros((20, 20), np.int32), np.full((20, 20), 2, np.int32)
    above[10, 10] = 2
    out = cover(above, first, 0.5, 2.5)
    assert out[10, 10] == pytest.approx(1 / 25)
    assert np.count_nonzero(out) == 25
    first[:] = 0
    assert np.isnan(cover(above * 0, first, 0.5, 2.5)).all()


def test_roofs_and_eaves_are_no_canopy_but_boughs_over_them_are():
    height = np.zeros((20, 20), np.float32)
    roof = np.full((20, 20), np.nan, np.float32)
    roof[5:15, 5:15] = 6.0
    height[4, 5:15] = 5.0  # facade
    height[10, 10] = 6.2
    height[5, 5] = 11.0  # bough
    height[10, 1] = 5.0  # shrub 2 m away
    clear_buildings(height, roof, 0.5)
    assert np.argwhere(height > 0).tolist() == [[5, 5], [10, 1]]
