import dataclasses
import shutil
import subprocess

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import surveyed
from lanewright.base.grid import Grid
from lanewright.kernels.relief import gradient
from lanewright.land.resample import blocks_mean, blocks_sum, repeat, smooth
from lanewright.land.terrain import shape_terrain, slope_and_aspect
from lanewright.land.water import Tally
from lanewright.settings.terrain import TerrainSettings

CRS = "EPSG:32631"


def grid_of(surface, cell=1.0):
    return Grid(CRS, 500_000.0, 4_000_000.0, cell, *surface.shape)


def plane(rows, cols, east, south, cell=1.0):
    row, col = np.mgrid[:rows, :cols]
    return (100 + (col * east + row * south) * cell).astype(np.float32)


# --- slope ---------------------------------------------------------------------------------------


def plain_gradient(z, cell):
    """Horn's weights cell by cell, neighbours looked up one at a time."""
    rows, cols = z.shape

    # One cell around, each value carried on straight: rows first, then columns.
    wide = np.full((rows + 2, cols + 2), np.nan)
    wide[1:-1, 1:-1] = z
    if rows > 1:
        wide[0], wide[-1] = 2 * wide[1] - wide[2], 2 * wide[-2] - wide[-3]
    if cols > 1:
        wide[:, 0] = 2 * wide[:, 1] - wide[:, 2]
        wide[:, -1] = 2 * wide[:, -2] - wide[:, -3]

    def at(row, col):
        return wide[row + 1, col + 1]

    def pair(row, col, drow, dcol):
        centre = at(row, col)
        ahead, behind = at(row + drow, col + dcol), at(row - drow, col - dcol)
        if np.isnan(ahead):
            return 2 * (centre - behind)
        if np.isnan(behind):
            return 2 * (ahead - centre)
        return ahead - behind

    east, south = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    for row, col in np.argwhere(~np.isnan(z)):
        falling, rising = pair(row, col, 1, 1), pair(row, col, -1, 1)
        along, down = pair(row, col, 0, 1), pair(row, col, 1, 0)
        if np.isnan(along):
            along = np.nan_to_num(0.5 * (falling + rising))
        if np.isnan(down):
            down = np.nan_to_num(0.5 * (falling - rising))
        falling = along + down if np.isnan(falling) else falling
        rising = along - down if np.isnan(rising) else rising
        east[row, col] = (falling + rising + 2 * along) * (1 / (8 * cell))
        south[row, col] = (falling - rising + 2 * down) * (1 / (8 * cell))
    return east.astype(np.float32), south.astype(np.float32)


heights = st.one_of(st.just(np.nan), st.floats(-500, 4000, width=32))


@settings(max_examples=80, deadline=None)
@given(
    arrays(np.float32, st.tuples(st.integers(1, 7), st.integers(1, 7)), elements=heights),
    st.sampled_from([0.5, 1.0, 3.0]),
)
def test_gradient_equals_its_plain_twin(surface, cell):
    for fast, plain in zip(gradient(surface, cell), plain_gradient(surface, cell), strict=True):
        np.testing.assert_array_equal(fast, plain)


@settings(max_examples=50, deadline=None)
@given(st.floats(-2, 2), st.floats(-2, 2), st.integers(0, 2**32 - 1))
def test_plane_keeps_its_slope_at_edges_and_beside_gaps(east, south, seed):
    surface = plane(9, 11, east, south)
    rng = np.random.default_rng(seed)
    surface[rng.integers(9), rng.integers(11)] = np.nan
    known = np.isfinite(surface)
    along, down = gradient(surface, 1.0)
    np.testing.assert_allclose(along[known], east, atol=2e-5)
    np.testing.assert_allclose(down[known], south, atol=2e-5)
    assert np.isnan(along[~known]).all()


def test_gradient_does_not_depend_on_threads():
    import numba

    surface = np.random.default_rng(3).normal(0, 5, (300, 200)).astype(np.float32)
    surface[40:50, 60:90] = np.nan
    before = numba.get_num_threads()
    one = []
    for threads in {1, before}:
        numba.set_num_threads(threads)
        one.append(gradient(surface, 1.0))
    numba.set_num_threads(before)
    for other in one[1:]:
        np.testing.assert_array_equal(one[0], other)


@pytest.mark.parametrize(("surface", "cell"), [(np.zeros(4), 1.0), (np.zeros((2, 2)), 0.0)])
def test_gradient_refuses(surface, cell):
    with pytest.raises(ValueError, match=r"cell|shape"):
        gradient(surface.astype(np.float32), cell)


@pytest.mark.parametrize(
    ("east", "south", "aspect"),
    [(0, 1, 0), (-1, 1, 45), (-1, 0, 90), (0, -1, 180), (1, 0, 270), (1, 1, 315)],
)
def test_aspect_names_the_downhill_side(east, south, aspect):
    """A plane that rises to the east faces west (270), one that rises to the south north (0)."""
    _, faces = slope_and_aspect(plane(5, 5, east, south), 1.0, 1.0)
    np.testing.assert_allclose(faces, aspect, atol=1e-4)


def test_level_ground_faces_nowhere():
    slope, aspect = slope_and_aspect(np.full((4, 4), 7, np.float32), 1.0, 1.0)
    assert np.all(slope == 0)
    assert np.isnan(aspect).all()


def test_slope_on_a_coarser_model_tames_noise_and_keeps_the_plane():
    """A mean over 2 x 2 halves white noise and the cell doubles: a quarter of the noise is left,
    a little more after it is drawn back onto the fine cells."""
    rng = np.random.default_rng(5)
    slope, _ = slope_and_aspect(plane(40, 41, 0.1, 0.2, 0.5), 0.5, 1.0)
    np.testing.assert_allclose(slope, 100 * np.hypot(0.1, 0.2), atol=0.01)
    noise = rng.normal(0, 0.05, (400, 400)).astype(np.float32)
    fine, coarse = (slope_and_aspect(noise, 0.5, least)[0].mean() for least in (0.5, 1.0))
    assert coarse < 0.3 * fine


@pytest.mark.parametrize(
    ("name", "mean_deg", "median_deg"),
    [
        ("pycrown-nz-steep/DTM.tif", 36.761, 37.246),
        ("dem-minnesota-depressions/dem.tif", 11.888, 11.372),
    ],
)
def test_mean_slope_as_gdaldem_and_grass(real_data, name, mean_deg, median_deg):
    """Means over all but the border, by gdaldem (3.x) and GRASS r.slope.aspect."""
    grid, surface = surveyed.raster(real_data / name)
    slope, _ = slope_and_aspect(surface, grid.cell, grid.cell)
    degrees = np.degrees(np.arctan(slope / 100))[1:-1, 1:-1]
    assert np.nanmean(degrees) == pytest.approx(mean_deg, abs=0.001)
    assert np.nanmedian(degrees) == pytest.approx(median_deg, abs=0.002)


@pytest.mark.parametrize(
    ("name", "cell", "mean_deg", "p95_deg"),
    [
        ("lidr-topography-lake/Topography.laz", 1.0, 9.627, 24.097),
        ("bcts-12/bcts_1.laz", 1.0, 5.473, 14.66),
        ("ponderosa-als/ALS_Clip.laz", 0.5, 12.882, 17.605),
        ("ign-corse-cliff-sea/corse.laz", 0.5, 49.798, 80.515),
    ],
)
def test_slope_of_real_tiles(real_data, name, cell, mean_deg, p95_deg):
    """gdaldem on gdal_grid's linear surface through class 2; other grid origin, so 5 %."""
    grid, surface, _ = surveyed.tile(real_data / name, cell)
    slope, _ = slope_and_aspect(surface, grid.cell, grid.cell)
    degrees = np.degrees(np.arctan(slope / 100))
    degrees = degrees[np.isfinite(degrees)]
    assert degrees.mean() == pytest.approx(mean_deg, rel=0.05)
    assert np.quantile(degrees, 0.95) == pytest.approx(p95_deg, rel=0.05)


@pytest.mark.parametrize("edges", [True, False])
@pytest.mark.parametrize("name", ["pycrown-nz-steep/DTM.tif", "dem-minnesota-depressions/dem.tif"])
def test_slope_and_aspect_cell_by_cell_as_gdaldem(real_data, tmp_path, name, edges):
    if shutil.which("gdaldem") is None:
        pytest.skip("gdaldem is not installed (Debian: gdal-bin)")
    grid, surface = surveyed.raster(real_data / name)
    slope, aspect = slope_and_aspect(surface, grid.cell, grid.cell)
    for what, ours, extra in (("slope", slope, ["-p"]), ("aspect", aspect, [])):
        out = tmp_path / f"{what}.tif"
        command = ["gdaldem", what, "-q", str(real_data / name), str(out), *extra]
        subprocess.run([*command, *(["-compute_edges"] if edges else [])], check=True)
        theirs = rasterio.open(out).read(1)
        # Both continue the surface beyond the border, but a corner has two ways to do so.
        inner = theirs != -9999
        inner[[0, 0, -1, -1], [0, -1, 0, -1]] = False
        off = np.abs(ours - theirs)
        if what == "aspect":  # an angle counts by the slope it turns
            off = np.radians(np.minimum(off, 360 - off)) * slope
        # In percent; gdaldem sums in float32, good to a few 1e-5 m at heights of 600 m.
        assert off[inner & np.isfinite(ours)].max() < 0.02
        assert (inner & np.isfinite(ours)).mean() > (0.999 if edges else 0.98)


def test_slope_as_xarray_spatial(real_data):
    xrspatial = pytest.importorskip("xrspatial")
    import xarray

    grid, surface = surveyed.raster(real_data / "pycrown-nz-steep/DTM.tif")
    theirs = xrspatial.slope(xarray.DataArray(surface, dims=("y", "x"), attrs={"res": (1, 1)}))
    ours = np.degrees(np.arctan(slope_and_aspect(surface, grid.cell, grid.cell)[0] / 100))
    off = np.abs(theirs.data - ours)
    assert np.nanmax(off) < 0.002
    assert np.isfinite(off).mean() > 0.97


# --- resampling ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 5),
    arrays(
        np.float32,
        st.tuples(st.integers(1, 12), st.integers(1, 12)),
        elements=st.floats(0, 9, width=32),
    ),
)
def test_block_sums_by_plain_loops(factor, array):
    rows, cols = (-(-n // factor) for n in array.shape)
    plain = [
        [
            array[r * factor : (r + 1) * factor, c * factor : (c + 1) * factor].sum(dtype=float)
            for c in range(cols)
        ]
        for r in range(rows)
    ]
    np.testing.assert_allclose(blocks_sum(array, factor), plain, rtol=1e-12)


@pytest.mark.parametrize("factor", [2, 3, 8])
def test_block_means_of_a_plane_lie_on_the_plane(factor):
    """Ragged blocks at the border and beside gaps, too."""
    surface = plane(29, 31, 0.3, -0.7)
    surface[:4, 10:15] = np.nan
    mean = blocks_mean(surface, factor)
    row, col = np.mgrid[: mean.shape[0], : mean.shape[1]]
    middle = (np.array([row, col]) + 0.5) * factor - 0.5
    expected = 100 + 0.3 * middle[1] - 0.7 * middle[0]
    known = np.isfinite(mean)
    np.testing.assert_allclose(mean[known], expected[known], atol=1e-4)
    assert known.mean() > 0.9


def test_smooth_is_linear_between_centres_and_keeps_gaps():
    coarse = np.array([[0, 4, np.nan]], np.float32)
    fine = smooth(coarse, 4, (4, 12))
    np.testing.assert_allclose(fine[0, :8], [0, 0, 0.5, 1.5, 2.5, 3.5, 4, 4])
    assert np.isnan(fine[0, 8:]).all()
    assert repeat(coarse, 4, (4, 12)).shape == fine.shape


# --- the stage -----------------------------------------------------------------------------------


def valley(rows=200, cols=160, side=0.15, fall=0.02):
    """V of slope `side` either way of the middle column, falling south by `fall`."""
    row, col = np.mgrid[:rows, :cols]
    return (50 + np.abs(col - cols // 2) * side - row * fall).astype(np.float32)


def test_valley_is_wet_along_its_bed():
    surface = valley()
    chosen = TerrainSettings(drainage_start_ha=0.5, stream_ha=0.5)
    out = shape_terrain(grid_of(surface), surface, None, [], chosen)
    assert not out.water.any()
    assert np.isnan(out.water_level).all()
    assert out.wet[150:, 79:82].all()
    # Sides of 15 % stand a metre over the bed 6.6 m from it.
    assert (out.wet | out.maybe_wet)[150:180, 75:86].all()
    assert not (out.wet | out.maybe_wet)[:, :72].any()
    assert not (out.wet & out.maybe_wet).any()
    assert len(out.drainage) == 1
    assert set(out.wet_ground.evidence) == {"near drainage"}
    # The bed falls by 2 % and the slopes by 15 %: 15.13 % off it.
    assert np.median(out.slope_pct) == pytest.approx(15.13, abs=0.01)


def hollow(depth, side, size=120):
    """Gentle slope with a square flat-floored hollow of that depth."""
    surface = plane(size, size, 0.0, -0.01)
    low = slice(size // 2, size // 2 + side)
    surface[low, low] = surface[low.stop, 0] - depth
    return surface, low


@pytest.mark.parametrize(
    ("depth", "side", "ponds"),
    [(0.14, 20, False), (0.17, 20, True), (0.5, 4, False), (0.5, 6, True)],
)
def test_ponding_needs_depth_and_area(depth, side, ponds):
    """Closed hollow of at least 0.15 m and 25 m2: common practice, no source."""
    surface, low = hollow(depth, side)
    out = shape_terrain(grid_of(surface), surface, None, [], TerrainSettings())
    assert out.ponding[low, low].max() == pytest.approx(depth, abs=1e-4)
    patches = out.wet_ground[out.wet_ground.evidence == "ponding"]
    assert len(patches) == (1 if ponds else 0)
    if ponds:
        assert patches.ponding_m.iloc[0] == pytest.approx(depth, abs=1e-4)
        assert patches.area_m2.iloc[0] == pytest.approx(side**2, rel=0.15)
        assert out.maybe_wet[low, low].all()


def test_deep_hollow_is_wet_at_its_floor_only():
    """A bowl 4 m deep and 40 m wide: 0.5 m above its floor lies a quarter of its radius out."""
    row, col = np.mgrid[:120, :120]
    away = np.hypot(row - 60, col - 60)
    surface = (100 + np.minimum(away / 10, 4) + 0.001 * np.maximum(away - 40, 0)).astype(np.float32)
    out = shape_terrain(grid_of(surface), surface, None, [], TerrainSettings())
    patch = out.wet_ground[out.wet_ground.evidence == "ponding"]
    assert out.ponding.max() == pytest.approx(4, abs=0.1)
    assert patch.area_m2.sum() == pytest.approx(np.pi * 5**2, rel=0.15)


def test_bank_across_a_valley_ponds_behind_it_and_the_drain_goes_through():
    surface = valley(side=0.15, fall=0.02)
    surface[120:124] = np.maximum(surface[120:124], surface[120, 80] + 1.0)
    out = shape_terrain(grid_of(surface), surface, None, [], TerrainSettings(drainage_start_ha=0.3))
    assert out.ponding[119, 80] == pytest.approx(0.98, abs=0.1)
    assert (out.wet_ground.evidence == "ponding").any()
    # What gathered above the bank has come through.
    assert out.drainage.upslope_ha.max() > 1.5


def test_everything_unknown():
    surface = np.full((30, 40), np.nan, np.float32)
    out = shape_terrain(grid_of(surface), surface, None, [], TerrainSettings())
    assert np.isnan(out.slope_pct).all()
    assert not (out.wet | out.maybe_wet).any()
    assert len(out.wet_ground) == len(out.drainage) == len(out.water_bodies) == 0
    assert out.wet_ground.crs == out.drainage.crs == out.water_bodies.crs


def test_unknown_ground_stays_unknown():
    surface = valley()
    surface[:, 120:] = np.nan
    out = shape_terrain(grid_of(surface, 0.5), surface, None, [], TerrainSettings())
    for name in ("slope_pct", "ponding", "wetness", "height_above_drainage"):
        array = getattr(out, name)
        assert array.dtype == np.float32, name
        assert np.isnan(array[:, 120:]).all(), name
    assert np.isfinite(out.wetness[:, :120]).all()
    assert not (out.wet | out.maybe_wet)[:, 120:].any()


def test_shape_that_does_not_fit():
    with pytest.raises(ValueError, match="surface has shape"):
        shape_terrain(
            grid_of(np.zeros((4, 4))), np.zeros((3, 4), np.float32), None, [], TerrainSettings()
        )


@pytest.mark.parametrize(
    "name",
    [
        "lidr-topography-lake/Topography.laz",
        "bcts-12/bcts_2.laz",
        "ahn3-delft-crop2/ahn3_cropped_2.laz",
    ],
)
def test_real_tiles_give_sound_layers(real_data, name):
    grid, surface, tally = surveyed.tile(real_data / name, 1.0)
    out = shape_terrain(grid, surface, tally, [], TerrainSettings())
    for frame in (out.water_bodies, out.wet_ground, out.drainage):
        assert frame.geometry.is_valid.all()
        assert not frame.geometry.is_empty.any()
    assert (out.wet_ground.geom_type == "MultiPolygon").all()
    assert (out.drainage.geom_type == "LineString").all()
    assert list(out.wet_ground.wet_id) == list(range(1, len(out.wet_ground) + 1))
    wet = out.wet | out.maybe_wet
    assert not (wet & out.water).any()
    # Patches are the wet cells, drawn without the staircase.
    assert out.wet_ground.area_m2.sum() == pytest.approx(wet.sum() * grid.cell**2, rel=0.1)
    whole = out.wet_ground.geometry.union_all().area
    assert whole == pytest.approx(out.wet_ground.area_m2.sum(), rel=1e-6)  # no overlap


def test_same_result_again_and_from_read_only_arrays(real_data):
    grid, surface, tally = surveyed.tile(real_data / "bcts-12/bcts_1.laz", 1.0)
    frozen = Tally(**{f.name: np.array(getattr(tally, f.name)) for f in dataclasses.fields(Tally)})
    for array in (surface, *dataclasses.asdict(frozen).values()):
        array.setflags(write=False)  # as the store hands them out
    one, two = (shape_terrain(grid, surface, t, [], TerrainSettings()) for t in (tally, frozen))
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(two, field.name)
        if isinstance(a, np.ndarray):
            np.testing.assert_array_equal(a, b)
        elif isinstance(a, bool):
            assert a == b
        else:
            assert a.equals(b)
