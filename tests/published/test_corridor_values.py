"""Check values for widths and column masks.

- Distances: what `scipy.ndimage.distance_transform_edt` prints for a 7 by 7 square with one wall
  in the middle: 3 half-way along an edge, sqrt(18) at a corner.
- Corridor width: an exact Euclidean distance transform (Felzenszwalb and Huttenlocher 2012,
  doi:10.4086/toc.2012.v008a019) measures to cell centres, so a corridor of five cells has 3 at its
  centre and is 2 x 3 - 1 = 5 wide.
- Masks: 0.5 to 6 m in layers of 0.25 m are bits 2 to 23.
"""

import numpy as np
import pytest

from lanewright.growth.columns import layer_mask
from lanewright.growth.freewidth import width_between


def test_mask_of_throwing_heights():
    made = layer_mask(0.5, 6.0)
    assert made == 0xFFFFFC
    assert int(made).bit_count() == 22


def test_width_around_a_single_wall():
    wall = np.zeros((21, 21), dtype=bool)
    wall[10, 10] = True
    width = width_between(wall, 1.0)
    assert (width[10, 7] + 1) / 2 == pytest.approx(3.0)
    assert (width[7, 7] + 1) / 2 == pytest.approx(4.242641, abs=1e-6)


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_corridor_of_five_cells(cell):
    wall = np.ones((15, 41), dtype=bool)
    wall[5:10] = False
    assert width_between(wall, cell)[7, 20] == pytest.approx(5 * cell)
