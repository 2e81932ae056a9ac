import heapq

import numpy as np
import pyflwdir
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage
from skimage.morphology import reconstruction

import surveyed
from lanewright.base.grid import Grid
from lanewright.kernels.flow import OUTLET, VOID, flood, ranks, spread, steepest
from lanewright.land.drainage import drain, fill, pond_floor, wetness_index

STEPS = {
    1: (0, 1),
    2: (1, 1),
    4: (1, 0),
    8: (1, -1),
    16: (0, -1),
    32: (-1, -1),
    64: (-1, 0),
    128: (-1, 1),
}


def grid_of(surface, cell=1.0):
    return Grid("EPSG:32631", 500_000.0, 4_000_000.0, cell, *surface.shape)


def rough(shape, seed, spread_of=3.0):
    """Hills with hollows: smoothed noise on a slope, in metres."""
    rng = np.random.default_rng(seed)
    noise = sum(ndimage.gaussian_filter(rng.normal(size=shape), s) * s for s in (1.5, 5, 15))
    row, _ = np.mgrid[: shape[0], : shape[1]]
    return (100 - 0.02 * row + spread_of * noise).astype(np.float32)


def on_edge(surface):
    known = np.isfinite(surface)
    return known & ~ndimage.binary_erosion(known, np.ones((3, 3)))


def routed(surface, sink_depth=np.inf):
    flow = fill(surface, sink_depth)
    rank = ranks(flow.order, surface.shape)
    return flow, rank, steepest(flow.surface, flow.filled, flow.came_from, rank)


# --- filling -------------------------------------------------------------------------------------


def reconstructed(surface):
    """Fill by morphological reconstruction: down from a lid that is open at the edges."""
    lid = np.full(surface.shape, surface.max(), dtype=np.float64)
    for rim in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        lid[rim] = surface[rim]
    return reconstruction(lid, surface.astype(np.float64), method="erosion")


@pytest.mark.parametrize("seed", [1, 2])
def test_fill_equals_reconstruction_and_the_library(seed):
    surface = rough((150, 130), seed)
    filled = fill(surface).filled
    np.testing.assert_array_equal(filled, reconstructed(surface))
    library, _ = pyflwdir.dem.fill_depressions(surface, nodata=-9999.0)
    np.testing.assert_allclose(filled, library, atol=1e-5)


def test_fill_of_real_ground_equals_three_libraries(real_data):
    _, surface = surveyed.raster(real_data / "dem-minnesota-depressions/dem.tif")
    filled = fill(surface).filled
    np.testing.assert_array_equal(filled, reconstructed(surface))
    library, _ = pyflwdir.dem.fill_depressions(surface, nodata=-9999.0)
    # The library adds the depth in float32: off by its last bit here and there.
    np.testing.assert_allclose(filled, library, atol=1e-4)


def test_fill_as_topotoolbox(real_data):
    topotoolbox = pytest.importorskip("topotoolbox")
    path = real_data / "dem-minnesota-depressions/dem.tif"
    theirs = np.asarray(topotoolbox.read_tif(str(path)).fillsinks().z)
    _, surface = surveyed.raster(path)
    np.testing.assert_allclose(fill(surface).filled, theirs, atol=1e-4)


def test_depressions_of_a_real_lake_country(real_data):
    """`sink.tif`: the one depression region that the author of the Python package `lidar` found."""
    folder = real_data / "dem-minnesota-depressions"
    _, surface = surveyed.raster(folder / "dem.tif")
    _, sink = surveyed.raster(folder / "sink.tif")
    ours, theirs = fill(surface).depth > 0, np.nan_to_num(sink) > 0
    assert (ours & theirs).sum() / (ours | theirs).sum() > 0.95


heights = st.one_of(st.just(np.nan), st.integers(0, 6).map(float), st.floats(0, 6))
surfaces = arrays(np.float64, st.tuples(st.integers(1, 6), st.integers(1, 6)), elements=heights)


@settings(max_examples=150, deadline=None)
@given(surfaces)
def test_flood_equals_its_plain_twin(surface):
    outlets = on_edge(surface)
    filled, came_from, order = flood(surface, outlets)
    plain_filled, plain_from, plain_order = plain_flood(surface, outlets)
    np.testing.assert_array_equal(filled, plain_filled)
    np.testing.assert_array_equal(came_from, plain_from)
    assert order.tolist() == plain_order


def plain_flood(surface, outlets):
    filled = np.full(surface.shape, np.nan)
    came_from = np.full(surface.shape, VOID, np.uint8)
    cols = surface.shape[1]
    queue = []
    for at in map(tuple, np.argwhere(outlets)):
        filled[at], came_from[at] = surface[at], OUTLET
        queue.append((surface[at], surface[at], at[0] * cols + at[1]))
    heapq.heapify(queue)
    order = []
    while queue:
        level, _, index = heapq.heappop(queue)
        order.append(index)
        for code, step in STEPS.items():
            at = (index // cols + step[0], index % cols + step[1])
            if not (0 <= at[0] < surface.shape[0] and 0 <= at[1] < cols):
                continue
            if np.isnan(surface[at]) or came_from[at] != VOID:
                continue
            filled[at] = max(level, surface[at])
            came_from[at] = {1: 16, 2: 32, 4: 64, 8: 128, 16: 1, 32: 2, 64: 4, 128: 8}[code]
            heapq.heappush(queue, (filled[at], surface[at], at[0] * cols + at[1]))
    return filled, came_from, order


# --- flow ----------------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(surfaces)
def test_flow_ends_at_an_edge_from_everywhere(surface):
    """No loops, and never up on filled ground."""
    flow, rank, code = routed(surface.astype(np.float32))
    for start in map(tuple, np.argwhere(np.isfinite(surface))):
        at, steps = start, 0
        while code[at] != OUTLET:
            to = tuple(np.add(at, STEPS[int(code[at])]))
            assert rank[to] < rank[at]
            assert flow.filled[to] <= flow.filled[at]
            at, steps = to, steps + 1
            assert steps <= surface.size
        assert on_edge(surface)[at]
    assert (code[np.isnan(surface)] == VOID).all()


def test_steepest_descent_by_hand_off_the_hollows():
    surface = rough((60, 50), 4)
    flow, _, code = routed(surface)
    checked = 0
    for at in map(tuple, np.argwhere((flow.depth == 0) & ~on_edge(surface))):
        drops = {
            c: (flow.filled[at] - flow.filled[at[0] + s[0], at[1] + s[1]]) / np.hypot(*s)
            for c, s in STEPS.items()
        }
        if max(drops.values()) > 0:
            assert drops[int(code[at])] == pytest.approx(max(drops.values()), abs=1e-12)
            checked += 1
    assert checked > 1000


@pytest.mark.parametrize("seed", [1, 2])
def test_spreading_loses_no_water(seed):
    """What arrives where the flow ends is the number of known cells."""
    surface = rough((80, 90), seed)
    surface[20:30, 40:60] = np.nan
    flow, _, _ = routed(surface)
    area = spread(flow.surface, flow.filled, flow.came_from, flow.order)
    ends = on_edge(surface)
    assert area[ends].sum() == pytest.approx(np.isfinite(surface).sum())
    assert np.nanmin(area) == 1


def plain_spread(surface, filled, came_from, order, exponent):
    """Cells in turn from the last that the flood reached, each shared out by slopes."""
    cols = surface.shape[1]
    area = np.where(np.isfinite(surface), 1.0, np.nan)
    reached = {index: turn for turn, index in enumerate(order.tolist())}
    for index in order[::-1].tolist():
        at = divmod(index, cols)
        if came_from[at] == OUTLET:
            continue
        lower, level = {}, {}
        for code, (down, right) in STEPS.items():
            to = (at[0] + down, at[1] + right)
            inside = 0 <= to[0] < surface.shape[0] and 0 <= to[1] < cols
            if not inside or reached.get(to[0] * cols + to[1], np.inf) > reached[index]:
                continue
            step = 2**0.5 if down and right else 1.0
            fall, ground = (float(z[at] - z[to]) / step for z in (filled, surface))
            if fall > 0:
                lower[code] = fall**exponent
            elif fall == 0 and ground > 0:
                level[code] = ground**exponent
        shares = lower or level or {int(came_from[at]): 1.0}
        for code, part in shares.items():
            to = (at[0] + STEPS[code][0], at[1] + STEPS[code][1])
            area[to] += area[at] * part / sum(shares.values())
    return area


@settings(max_examples=60, deadline=None)
@given(surfaces, st.sampled_from([1.0, 1.1, 4.0]))
def test_spreading_equals_its_plain_twin(surface, exponent):
    flow, _, _ = routed(surface.astype(np.float32))
    given_ = flow.surface, flow.filled, flow.came_from, flow.order, exponent
    np.testing.assert_allclose(spread(*given_), plain_spread(*given_), rtol=1e-9)


def test_water_spreads_evenly_round_a_cone():
    """On a cone the area per metre of contour is r/2: half the radius, whatever the direction."""
    row, col = np.mgrid[:101, :101]
    away = np.hypot(row - 50, col - 50)
    flow, _, _ = routed((100 - away).astype(np.float32))
    area = spread(flow.surface, flow.filled, flow.came_from, flow.order)
    ring = (away > 30) & (away < 40)
    # Eight directions only: the spread over a ring is wide, its mean is not.
    assert (area[ring] / (away[ring] / 2)).mean() == pytest.approx(1.0, abs=0.12)


def test_drainage_area_of_a_plane_and_no_line_along_its_edges():
    """A plane that falls to the south-east: each cell drains its own diagonal, no more."""
    row, col = np.mgrid[:150, :150]
    for east, south in ((0.05, 0.05), (0.05, 0.0), (0.0, 0.05), (0.05, 0.0123), (-0.02, 0.03)):
        surface = (100 - east * col - south * row).astype(np.float32)
        flow, _, _ = routed(surface)
        out = drain(grid_of(surface), flow, np.zeros(surface.shape, bool), start_ha=0.05)
        assert out.upslope_area.max() <= 2 * 150
        assert not out.is_line.any()
        assert len(out.lines) == 0


def test_edges_of_real_ground_carry_no_lines(real_data):
    for name in ("pycrown-nz-steep/DTM.tif", "dem-minnesota-depressions/dem.tif"):
        grid, surface = surveyed.raster(real_data / name)
        out = drain(grid, fill(surface, 3.0), np.zeros(grid.shape, bool), start_ha=0.2)
        left, bottom, right, top = grid.bounds
        rim = shapely.box(left, bottom, right, top).boundary.buffer(2.5)
        along = out.lines.intersection(rim).length
        assert len(out.lines) > 2
        assert along.max() < 6, "lines cross the rim, they do not keep to it"


def test_area_adds_up_as_the_library_says(real_data):
    """Our directions, walked by pyflwdir; and its own for the largest basin, to a few percent."""
    _, surface = surveyed.raster(real_data / "pycrown-nz-steep/DTM.tif")
    _, _, code = routed(surface)
    ours = pyflwdir.from_array(code, ftype="d8").upstream_area("cell")
    _, flooded = pyflwdir.dem.fill_depressions(surface, nodata=-9999.0)
    theirs = pyflwdir.from_array(flooded, ftype="d8").upstream_area("cell")
    assert ours.max() == pytest.approx(theirs[1:-1, 1:-1].max(), rel=0.1)


# --- drainage lines and height above them --------------------------------------------------------


def valley(rows=200, cols=161, side=0.15, fall=0.02):
    row, col = np.mgrid[:rows, :cols]
    return (50 + np.abs(col - cols // 2) * side - row * fall).astype(np.float32)


def test_valley_has_one_line_down_its_bed():
    surface = valley()
    grid = grid_of(surface)
    out = drain(grid, fill(surface), np.zeros(surface.shape, bool), start_ha=1.0)
    (line,) = out.lines.itertuples()
    x, y = np.array(line.geometry.coords).T
    np.testing.assert_allclose(x, grid.left + 80.5, atol=1.0)
    assert y[0] > y[-1], "upper end first"
    assert line.order == 1
    assert line.fall_pct == pytest.approx(2.0, abs=0.01)
    assert line.length_m == pytest.approx(line.geometry.length)
    assert line.upslope_ha == pytest.approx(200 * 161 / 1e4, rel=0.05)


def test_height_above_drainage_of_a_valley_by_hand():
    """Slopes fall straight enough to the bed: a cell `d` columns off it stands 0.15 d higher."""
    surface = valley(fall=0.0005)
    out = drain(grid_of(surface), fill(surface), np.zeros(surface.shape, bool), start_ha=0.1)
    for off in (0, 5, 20, 60):
        np.testing.assert_allclose(out.height_above[150, 80 + off], 0.15 * off, atol=0.05)


def test_height_above_water():
    surface = valley(fall=0.0)
    water = np.zeros(surface.shape, bool)
    water[:, 75:86] = True
    surface[water] = 50.0
    out = drain(grid_of(surface), fill(surface), water, start_ha=50)
    assert out.height_above[100, 100] == pytest.approx(0.15 * 20, abs=1e-4)
    assert np.all(out.height_above[water] == 0)
    assert len(out.lines) == 0


def test_no_drainage_no_height():
    surface = valley(50, 51)
    out = drain(grid_of(surface), fill(surface), np.zeros(surface.shape, bool), start_ha=10)
    assert np.isnan(out.height_above).all()
    assert np.isfinite(out.upslope_area).all()


def test_two_streams_of_first_order_make_one_of_second():
    """A Y of two valleys: Strahler order rises where equals meet."""
    row, col = np.mgrid[:160, :161]
    reach = np.maximum(80 - row, 0) * 0.5
    bed = np.minimum(np.abs(col - 80 - reach), np.abs(col - 80 + reach))
    surface = (50 + 0.2 * bed - 0.03 * row).astype(np.float32)
    out = drain(grid_of(surface), fill(surface), np.zeros(surface.shape, bool), start_ha=0.3)
    main = out.lines.iloc[0]
    assert main.order == 2
    assert (out.lines.order == 1).sum() >= 2
    assert out.lines.upslope_ha.is_monotonic_decreasing


def test_lines_stop_at_the_shore():
    surface = valley()
    water = np.zeros(surface.shape, bool)
    water[80:120, 60:101] = True
    surface[water] = surface[120, 80]
    grid = grid_of(surface)
    out = drain(grid, fill(surface), water, start_ha=0.4)
    lake = shapely.box(grid.left + 60, grid.top - 120, grid.left + 101, grid.top - 80)
    assert len(out.lines) == 2
    assert out.lines.intersection(lake.buffer(-1.5)).length.sum() == 0
    assert out.lines.distance(lake).max() == 0
    assert not (out.is_line & water).any()


def test_flow_follows_the_bed_of_a_hollow_and_leaves_over_its_spill():
    """Behind a bank the line keeps to the valley floor instead of crossing the filled flat."""
    surface = valley(side=0.1, fall=0.03)
    surface[150:153] = np.maximum(surface[150:153], surface[150, 80] + 2.0)
    surface[150:153, 81] -= 0.1
    grid = grid_of(surface)
    flow = fill(surface)
    assert flow.depth.max() == pytest.approx(1.9, abs=0.1)
    out = drain(grid, flow, np.zeros(surface.shape, bool), start_ha=0.4)
    x = np.concatenate([np.array(g.coords)[:, 0] for g in out.lines.geometry])
    np.testing.assert_allclose(x, grid.left + 80.5, atol=2.1)
    assert out.upslope_area[-2, 78:84].max() > 2e4


@pytest.mark.parametrize(("limit", "spills"), [(5.0, True), (3.0, False)])
def test_deep_hollow_is_where_the_flow_ends(limit, spills):
    row, col = np.mgrid[:120, :120]
    away = np.hypot(row - 60, col - 60)
    bowl = 100 + np.minimum(away / 10, 4) - 0.002 * np.maximum(away - 40, 0)
    surface = bowl.astype(np.float32)
    flow = fill(surface, limit)
    assert flow.depth.max() == pytest.approx(4, abs=0.1), "depth is reported either way"
    out = drain(grid_of(surface), flow, np.zeros(surface.shape, bool), start_ha=0.2)
    outside = out.upslope_area[away > 45].max()
    assert (outside > 4000) == spills
    if not spills:
        assert out.upslope_area[60, 60] > 4000


def test_pond_floor_fills_shallow_hollows_whole_and_deep_ones_a_little():
    surface = np.full((20, 60), 10, np.float32)
    surface[5:15, 5:15] = 9.8  # 0.2 deep
    surface[5:15, 25:35] = 8  # 2 deep with a pit and a shelf
    surface[8:10, 28:30] = 7.8
    surface[5:15, 45:55] = np.linspace(10, 8, 10)
    floor = pond_floor(surface, 0.5)
    assert floor[5:15, 5:15].all()
    assert floor[5:15, 25:35].sum() == 100
    assert floor[10, 45:55].tolist() == [False] * 7 + [True] * 3
    surface[0] = np.nan
    assert not pond_floor(surface, 0.5)[0].any()


# --- wetness index -------------------------------------------------------------------------------


def test_wetness_of_a_plane_by_hand():
    """Straight slope of 5 % on cells of 8 m: n cells down the slope drain n cells, a = 8 n.

    The topmost row lies on the edge and passes nothing on.
    """
    row, _ = np.mgrid[:40, :20]
    index = wetness_index((100 - 0.05 * 8 * row).astype(np.float32), 8.0)
    for n in (5, 20, 35):
        assert index[n - 1, 10] == pytest.approx(np.log(8 * (n - 1) / 0.05), abs=0.02)


def test_wetness_of_level_ground_is_bounded():
    index = wetness_index(np.full((10, 10), 5, np.float32), 10.0)
    assert np.isfinite(index).all()
    assert index.max() <= np.log(10 * 100 / 0.001)


def test_wetness_is_highest_where_a_valley_gathers():
    index = wetness_index(valley()[::8, ::8], 8.0)
    assert np.unravel_index(np.argmax(index), index.shape)[1] == 10
    assert index[:, 10].mean() > index[:, [2, 18]].mean() + 2
