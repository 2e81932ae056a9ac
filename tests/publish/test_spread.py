"""Percentiles of flights, column by column, against numpy."""

import warnings

import numpy as np
import pytest

from lanewright.publish.spread import _percentiles


def test_percentiles_are_those_of_numpy_whatever_is_unknown():
    """numpy.nanpercentile is the plain twin; a column that nobody knows stays unknown."""
    rng = np.random.default_rng(4)
    values = rng.normal(size=(64, 40))
    values[rng.random(values.shape) < np.linspace(0, 0.9, 40)] = np.nan
    values[:, 7] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        expected = np.nanpercentile(values, [5, 50, 95], axis=0)
    assert _percentiles(values, [5, 50, 95]) == pytest.approx(expected, nan_ok=True)
    assert np.isnan(expected[:, 7]).all()
