"""Triangulated surface: against scipy, planes, and the terrain models that came with open tiles."""

from pathlib import Path

import laspy
import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from lanewright.base.grid import Grid
from lanewright.land.surface import GroundSums, triangulate

GRID = Grid("", 500_000.0, 5_000_040.0, 1.0, 40, 50)


def scattered(n: int, seed: int, spread: float = 0.0):
    """Points over and around the grid, on the millimetre lattice of most lidar files."""
    rng = np.random.default_rng(seed)
    left, bottom, right, top = GRID.bounds
    x = np.round(rng.uniform(left - spread, right + spread, n), 3)
    y = np.round(rng.uniform(bottom - spread, top + spread, n), 3)
    z = np.round(300 + rng.normal(0, 5, n), 3)
    return x, y, z


def centres(grid: Grid):
    row, col = np.indices(grid.shape)
    return grid.xy(row, col)


def test_agrees_with_scipy_inside_the_hull_and_takes_the_nearest_outside():
    x, y, z = scattered(300, 1, spread=-8.0)
    surface, distance = triangulate(x, y, z, GRID)
    cx, cy = centres(GRID)
    linear = LinearNDInterpolator(np.column_stack((x - GRID.left, y - GRID.top)), z)
    expected = linear(cx - GRID.left, cy - GRID.top)
    inside = np.isfinite(expected)
    assert 0.2 < inside.mean() < 0.8
    np.testing.assert_allclose(surface[inside], expected[inside], atol=1e-4)
    gaps = np.hypot(cx[..., None] - x, cy[..., None] - y)
    over = distance - gaps.min(axis=-1)
    assert (over > -1e-5).all()
    assert (over < GRID.cell * np.sqrt(2)).all()
    # Outside, the height of a point hardly farther than the very nearest.
    heights = np.abs(surface[~inside, None] - z) < 1e-4
    taken = np.where(heights, gaps[~inside], np.inf).min(axis=-1)
    assert (taken < gaps[~inside].min(axis=-1) + GRID.cell * np.sqrt(2)).all()


def test_a_plane_stays_a_plane():
    x, y, _ = scattered(400, 2, spread=10.0)
    z = 1200 + 0.3 * (x - GRID.left) - 0.7 * (y - GRID.top)
    surface, _ = triangulate(x, y, z, GRID)
    cx, cy = centres(GRID)
    plane = 1200 + 0.3 * (cx - GRID.left) - 0.7 * (cy - GRID.top)
    np.testing.assert_allclose(surface, plane, atol=2e-4)  # float32 at 1200 m


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(1.0, 2.0, 3.0)],
        [(1.0, 2.0, 3.0), (4.0, 5.0, 6.0)],
        [(1.0, 1.0, 3.0)] * 10,
        [(float(i), 2.0 * i, 1.0) for i in range(15)],
        [(3.0, float(i), 1.0) for i in range(15)],
    ],
)
def test_points_that_span_no_triangle_give_no_surface(points):
    at = np.array(points, np.float64).reshape(-1, 3)
    surface, distance = triangulate(GRID.left + at[:, 0], GRID.top - at[:, 1], at[:, 2], GRID)
    assert np.isnan(surface).all()
    assert np.isinf(distance).all() if not points else np.isfinite(distance).all()


def test_points_that_share_a_place_count_once_at_their_mean():
    x = GRID.left + np.array([0.0, 50.0, 0.0, 50.0, 25.0, 25.0])
    y = GRID.top - np.array([0.0, 0.0, 40.0, 40.0, 20.5, 20.5])
    surface, _ = triangulate(x, y, np.array([0.0, 0.0, 0.0, 0.0, 10.0, 20.0]), GRID)
    assert surface[20, 24:26] == pytest.approx(15.0 * 24.5 / 25)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(3, 300))
def test_the_order_of_points_changes_nothing(seed, n):
    x, y, z = scattered(n, seed)
    x, y = np.round(x, 0), np.round(y, 0)  # many in one place, many on one circle
    shuffled = np.random.default_rng(seed).permutation(n)
    one = triangulate(x, y, z, GRID)
    other = triangulate(x[shuffled], y[shuffled], z[shuffled], GRID)
    np.testing.assert_array_equal(one[0], other[0])
    np.testing.assert_array_equal(one[1], other[1])


def test_not_finite_points_are_refused():
    x, y, z = scattered(10, 3)
    z[4] = np.nan
    with pytest.raises(ValueError, match="finite"):
        triangulate(x, y, z, GRID)
    with pytest.raises(ValueError, match="finite"):
        GroundSums(GRID).add(x, y, z)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(0, 3000), cut=st.integers(0, 3000))
def test_thinning_is_the_mean_per_cell_in_any_order_and_any_blocks(seed, n, cut):
    x, y, z = scattered(n, seed, spread=5.0)
    row, col = GRID.rowcol(x, y)
    cells: dict[tuple[int, int], list[int]] = {}
    for i, cell in enumerate(zip(row, col, strict=True)):
        if 0 <= cell[0] < GRID.rows and 0 <= cell[1] < GRID.cols:
            cells.setdefault((int(cell[0]), int(cell[1])), []).append(i)
    expected = [(x[i].mean(), y[i].mean(), z[i].mean()) for _, i in sorted(cells.items())]
    whole = GroundSums(GRID)
    whole.add(x, y, z)
    tx, ty, tz = whole.points()
    np.testing.assert_allclose(
        np.column_stack((tx, ty, tz)), np.array(expected).reshape(-1, 3), atol=1e-6
    )
    shuffled = np.random.default_rng(seed).permutation(n)
    sums = GroundSums(GRID)
    for part in (shuffled[:cut], shuffled[cut:]):
        sums.add(x[part], y[part], z[part])
    for one, other in zip((tx, ty, tz), sums.points(), strict=True):
        np.testing.assert_array_equal(one, other)


def class_2(path: Path):
    tile = laspy.read(path)
    ground = np.asarray(tile.classification) == 2
    return np.array(tile.x)[ground], np.array(tile.y)[ground], np.array(tile.z)[ground]


@pytest.mark.real
@pytest.mark.parametrize(
    ("tile", "valid", "mean", "quantiles"),
    [
        # gdal_grid (linear TIN of class 2, 1 m), GDAL 3, of the same files.
        (
            "lidr-topography-lake/Topography.laz",
            81_653,
            805.071,
            {0: 789.003, 5: 800.057, 50: 805.809, 95: 810.767, 100: 814.791},
        ),
        (
            "bcts-12/bcts_1.laz",
            44_204,
            328.928,
            {0: 326.054, 5: 326.7, 50: 328.397, 95: 332.525, 100: 335.799},
        ),
    ],
)
def test_agrees_with_gdal_grid(real_data, tile, valid, mean, quantiles):
    x, y, z = class_2(real_data / tile)
    grid = Grid.over((x.min(), y.min(), x.max(), y.max()), 1.0, "")
    surface, _ = triangulate(x, y, z, grid)
    hull = LinearNDInterpolator(np.column_stack((x - grid.left, y - grid.top)), z)
    cx, cy = centres(grid)
    inside = np.isfinite(hull(cx - grid.left, cy - grid.top))
    assert inside.sum() == pytest.approx(valid, rel=0.005)
    assert surface[inside].mean() == pytest.approx(mean, abs=0.01)
    for percent, height in quantiles.items():
        # the two grids share cells but not their phase, which shows at the extremes
        slack = 0.02 if 0 < percent < 100 else 0.1
        assert np.percentile(surface[inside], percent) == pytest.approx(height, abs=slack)


@pytest.mark.real
def test_agrees_with_the_terrain_model_of_the_french_survey(real_data):
    folder = real_data / "ign-montpellier-mosaic"
    with rasterio.open(next(folder.glob("*DTM*"))) as model:
        reference = model.read(1, masked=True).filled(np.nan)
        grid = Grid("", model.transform.c, model.transform.f, model.res[0], *model.shape)
    parts = [class_2(tile) for tile in sorted(folder.glob("*.laz"))]
    x, y, z = (np.concatenate(part) for part in zip(*parts, strict=True))
    surface, distance = triangulate(x, y, z, grid)
    seen = np.isfinite(reference) & (distance < 1.0)
    assert seen.sum() > 2000
    assert np.sqrt(np.mean((surface - reference)[seen] ** 2)) < 0.05
