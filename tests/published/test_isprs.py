"""The ground filter on the ISPRS filter test (Sithole & Vosselman 2004), one set of settings.

Published for comparison, over all 15 samples (Pingel, Clarke & McBride 2013, abstract): SMRF with
one set of settings has a mean kappa of 85.4 %; tuned to each sample 90.02 %, and a mean total
error of 2.97 %. The open data hold 8 of the 15.
"""

from pathlib import Path

import laspy
import numpy as np
import pytest

from lanewright.base.grid import Grid
from lanewright.land.groundfilter import (
    FilterSettings,
    add_lowest,
    is_ground,
    lowest_raster,
    over,
    provisional_ground,
)

# Total error [%] of SMRF tuned to each sample (Pingel, Clarke & McBride 2013; recalled).
TUNED = {11: 8.28, 21: 1.10, 23: 4.61, 31: 0.91, 42: 1.48, 51: 1.43, 53: 2.43, 71: 1.65}


def errors(as_ground, truth):
    """Total error and kappa, in %."""
    kept, lost = np.sum(as_ground & truth), np.sum(~as_ground & truth)
    false, gone = np.sum(as_ground & ~truth), np.sum(~as_ground & ~truth)
    n = truth.size
    chance = ((kept + lost) * (kept + false) + (false + gone) * (lost + gone)) / n**2
    total = (lost + false) / n
    return 100 * total, 100 * (1 - total - chance) / (1 - chance)


@pytest.fixture(scope="module")
def results(real_data: Path):
    settings = FilterSettings()
    found = {}
    for number in TUNED:
        tile = laspy.read(real_data / "isprs-samples-a" / f"samp{number}-utm.laz")
        x, y, z = np.array(tile.x), np.array(tile.y), np.array(tile.z)
        grid = Grid.over((x.min(), y.min(), x.max(), y.max()), settings.cell, "")
        lowest = lowest_raster(grid)
        add_lowest(lowest, grid, x, y, z)
        ground = provisional_ground(lowest, grid.cell, settings)
        as_ground = is_ground(*over(ground, grid, x, y, z), settings)
        found[number] = errors(as_ground, np.asarray(tile.classification) == 2)
    return found


def test_measures_agree_with_a_worked_example():
    """900 kept, 100 lost, 50 false, 950 gone: 7.5 % and kappa 0.85."""
    truth = np.repeat([True, True, False, False], [900, 100, 50, 950])
    as_ground = np.repeat([True, False, True, False], [900, 100, 50, 950])
    assert errors(as_ground, truth) == pytest.approx((7.5, 85.0))


@pytest.mark.real
def test_mean_kappa_beats_the_published_one_with_one_set_of_settings(results):
    mean = np.mean([kappa for _, kappa in results.values()])
    assert mean >= 85.4
    assert mean >= 89.6  # reached 89.77


@pytest.mark.real
def test_mean_total_error_is_below_that_of_the_filter_tuned_per_sample(results):
    mean = np.mean([total for total, _ in results.values()])
    assert mean <= 2.97
    assert mean <= 2.88  # reached 2.85


@pytest.mark.real
@pytest.mark.parametrize("number", TUNED)
def test_no_sample_is_far_from_what_tuning_reaches(results, number):
    assert results[number][0] <= TUNED[number] + 0.8
