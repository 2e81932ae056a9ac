"""The estimator against planted worlds, whose truth is known, at 2, 8 and 20 pulses/m2."""

from functools import cache

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import Point

import land
import worlds
from lanewright.base.grid import Grid
from lanewright.growth.columns import (
    DENSITY_TABLE,
    LAYER_HEIGHT,
    SOLID,
    STATED_ERROR,
    Columns,
    blocked,
    fill_buildings,
    layer_mask,
    mean_density,
    seen_share,
    trunk_cells,
)
from lanewright.growth.vegetation import sort_vegetation
from lanewright.settings.vegetation import VegetationSettings
from memory import MemoryPoints, grid_of, ground_of, make_points, points_of, survey, take

DENSITIES = (2.0, 8.0, 20.0)
TWIG = 11.5  # a disc of 0.21 m among twigs of 2 cm is stopped (0.21 + 0.02) / 0.02 times as often
CLOSED = 0.12  # 1/m; there such a disc has an even chance to cross half a metre


def cell_for(density):
    """Cells as the run would choose them."""
    return 0.5 if density >= 4 else 1.0


@cache
def seen(name, density, **plan):
    world = getattr(worlds, name)(density=density, **plan)
    return world, survey(world, cell_for(density))


def density_of(columns):
    return columns.table[columns.density].astype(float)


def line(world, name, cell):
    """Row of a planted line that runs west to east."""
    y = world.truth[name][0][1]
    return int((world.bounds[3] - y) / cell - 0.5)


def bits(masks, low, high):
    first, last = round(low / LAYER_HEIGHT), round(high / LAYER_HEIGHT)
    layers = np.arange(first, last, dtype=np.uint64)
    return ((masks[..., None] >> layers) & np.uint64(1)).astype(bool)


# ---------------------------------------------------------------------------------------------
# Density


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize("planted", [0.03, 0.1, 0.3])
def test_density_comes_back_within_the_stated_error(density, planted):
    """Root mean square error over blocks of 5 x 5 x 1 m in the throwing space, wood of 8 m."""
    _, found = seen("uniform_forest", density, contact_density=planted, height=8.0)
    cell = cell_for(density)
    n = round(5 / cell)
    of_blocks = density_of(found.columns)[n:-n, n:-n, 4:20]
    rows = of_blocks.shape[0] // n
    of_blocks = of_blocks[: rows * n, : rows * n].reshape(rows, n, rows, n, 4, 4).mean((1, 3, 5))
    rms = np.sqrt(((of_blocks / planted - 1) ** 2).mean())
    assert rms < STATED_ERROR[density]
    # And as a whole it is not far off.
    assert of_blocks.mean() == pytest.approx(planted, rel=0.3 if density == 2.0 else 0.15)


@pytest.mark.parametrize("single", [True, False])
def test_pure_rays_and_whole_pulses_give_the_same(single):
    """Beer-Lambert holds exactly for single returns; weighting by 1/returns must not undo it."""
    world = worlds.uniform_forest(0.1, 8.0, height=10.0, single=single)
    found = survey(world, 0.5)
    whole = density_of(found.columns)[10:-10, 10:-10, 4:36].mean()
    assert whole == pytest.approx(0.1, rel=0.18)


def test_density_at_each_height_of_a_layered_wood():
    """Brush, gap and roof keep apart although the layers beside them are pooled."""
    world, found = seen("thicket_gap", 20.0)
    truth = land.density_columns(world.land, world.bounds, 0.5)
    here = density_of(found.columns)
    gap = np.s_[56:64]  # the middle 4 of 6 m
    assert here[gap][..., 2:8].mean() == pytest.approx(truth[gap][..., 2:8].mean(), rel=0.15)
    assert here[gap][..., 12:].mean() < 0.002
    wood = np.s_[20:40]
    assert here[wood][..., 28:].mean() == pytest.approx(truth[wood][..., 28:].mean(), rel=0.1)
    assert here[wood][..., 4:20].mean() == pytest.approx(0.01, rel=0.4)


# ---------------------------------------------------------------------------------------------
# Lanes stay open, thickets closed, the unseen unknown


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize("name", ["open_lane", "tunnel"])
def test_planted_lane_stays_open(name, density):
    """A disc down the middle of 60 m of lane 4 m wide, from 1 to 3 m high, mostly passes."""
    world, found = seen(name, density)
    cell = cell_for(density)
    row = line(world, "line", cell)
    depth = density_of(found.columns)[row : row + 2, :, 4:12].sum(1) * cell
    assert np.exp(-TWIG * depth).mean() > (0.85 if density == 2.0 else 0.95)
    assert not bits(blocked(found.columns, CLOSED)[row : row + 2], 1.0, 3.0).any()
    searched = bits(found.columns.searched[row : row + 2], 1.0, 3.0).mean()
    assert searched > (0.5 if density == 2.0 else 0.85)


def test_a_thicket_that_few_pulses_reach_is_not_taken_for_air():
    """Brush of 4 contacts per metre up to 4 m, 2 m below its top: half of it is seen at least."""
    _, found = seen("thicket_gap", 8.0, brush_density=4.0, brush=(0.0, 4.0), width=16.0)
    assert density_of(found.columns)[50:70, :, 8].mean() > 2.0


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize("name", ["open_lane", "tunnel"])
def test_thicket_beside_the_lane_stays_closed(name, density):
    world, found = seen(name, density)
    cell = cell_for(density)
    row = line(world, "brush_line", cell)
    here = density_of(found.columns)[row - 1 : row + 2, :, 4:12]
    # Ten metres of it let no disc through, from wherever one starts.
    size = round(10 / cell)
    depth = np.lib.stride_tricks.sliding_window_view(here, size, 1)
    assert np.exp(-TWIG * depth.sum(-1) * cell).max() < 0.05
    assert here.mean() == pytest.approx(0.6, rel=0.6)


@pytest.mark.parametrize("density", DENSITIES)
def test_brush_in_a_canopy_gap_is_closed_and_the_clear_wood_beside_it_is_not(density):
    """No plan view shows it: the gap looks open from above, the wood does not."""
    world, found = seen("thicket_gap", density)
    cell = cell_for(density)
    row = line(world, "line", cell)
    closed = bits(blocked(found.columns, CLOSED), 0.5, 2.0)
    assert closed[row : row + 2].mean() > 0.95
    assert closed[round(10 / cell) : round(20 / cell)].mean() < 0.2
    assert found.brush_density[row].mean() == pytest.approx(1.0, rel=0.3)
    assert np.median(found.canopy_height[row]) < 3.0
    assert np.median(found.canopy_height[round(15 / cell)]) > 12.0


@pytest.mark.parametrize("density", DENSITIES)
def test_what_no_pulse_saw_is_never_called_searched(density):
    world, found = seen("unsearched_shadow", density)
    cell = cell_for(density)
    left, bottom, right, top = world.truth["shadow"]
    # Rays come in at up to 12 degrees, a metre aside in 4.5; voxels look at their neighbours.
    margin = 2.5 + cell
    rows = slice(
        int((world.bounds[3] - top + margin) / cell),
        int((world.bounds[3] - bottom - margin) / cell),
    )
    cols = slice(
        int((left + margin - world.bounds[0]) / cell),
        int((right - margin - world.bounds[0]) / cell),
    )
    columns = found.columns
    assert not bits(columns.searched[rows, cols], 0.5, 4.0).any()
    assert bits(columns.occluded[rows, cols], 0.5, 4.0).mean() > 0.95
    assert bits(columns.unknown[rows, cols], 0.5, 4.0).all()
    assert found.seen_share[rows, cols].max() < 0.35  # the slab itself was hit
    outside = bits(columns.searched, 0.5, 4.0)[: round(15 / cell)]
    assert outside.mean() > 0.95


def test_where_nobody_flew_nothing_is_searched_or_occluded():
    world = worlds.plane(8.0)
    points, grid = points_of(world), grid_of(world, 0.5)
    west = take(points, points.x < world.bounds[0] + 30)
    west.gps_time[:] = 0.0
    found = sort_vegetation(
        MemoryPoints(west, grid), grid, ground_of(world, 0.5), VegetationSettings()
    )
    assert (found.columns.searched[:, 70:] == 0).all()
    assert (found.columns.occluded[:, 70:] == 0).all()
    assert (found.seen_share[:, 5:50] > 0.9).all()
    assert np.isnan(found.canopy_height[:, 70:]).all()
    assert "straight above" in found.warnings[0]


def test_a_meadow_is_open():
    for density in DENSITIES:
        _, found = seen("plane", density)
        assert found.seen_share[4:-4, 4:-4].min() == 1.0
        assert not blocked(found.columns, CLOSED)[4:-4, 4:-4].any()
        assert density_of(found.columns)[4:-4, 4:-4, 2:].max() == 0.0


# ---------------------------------------------------------------------------------------------
# Independence of blocks and threads; steep ground; given heights


def equal(one, other):
    for name in ("hit", "searched", "occluded", "density"):
        np.testing.assert_array_equal(getattr(one.columns, name), getattr(other.columns, name))
    for name in ("canopy_height", "canopy_cover", "brush_density", "seen_share"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert one.trees.equals(other.trees)


@pytest.mark.parametrize("block", [17.0, 30.0])
def test_blocks_and_threads_do_not_show(monkeypatch, block):
    world, whole = seen("tunnel", 8.0)
    monkeypatch.setattr("lanewright.growth.vegetation._BLOCK", block)
    equal(whole, survey(world, 0.5, threads=2))


def test_written_into_a_given_array(tmp_path):
    world, whole = seen("tunnel", 8.0)
    out = np.memmap(tmp_path / "density", np.uint8, "w+", shape=(120, 120, 64))
    found = survey(world, 0.5, density_out=out)
    assert found.columns.density is out
    np.testing.assert_array_equal(out, whole.columns.density)
    with pytest.raises(ValueError, match="density_out"):
        survey(world, 0.5, density_out=np.zeros((3, 3, 64), np.uint8))


def test_given_heights_give_the_same_as_heights_over_datum():
    world, plain = seen("tunnel", 8.0)
    points, grid, ground = points_of(world), grid_of(world, 0.5), ground_of(world, 0.5)
    flat = make_points(
        points.x, points.y, points.z - worlds.GROUND, points.classification, points.return_number,
        points.returns, points.gps_time, points.source_id,
    )  # fmt: skip
    found = sort_vegetation(
        MemoryPoints(flat, grid), grid, ground, VegetationSettings(), heights_given=True
    )
    assert (found.columns.hit != plain.columns.hit).mean() < 1e-3
    assert np.nanmax(np.abs(found.canopy_height - plain.canopy_height)) < 1e-3


def test_a_slope_is_no_vegetation():
    """On a slope of 70 % a cell of 0.5 m lies 0.35 m higher on one side than on the other."""
    found = survey(worlds.plane(8.0, slope=(0.7, 0.0)), 0.5)
    inner = np.s_[12:-12, 12:-12]
    assert not bits(blocked(found.columns, CLOSED)[inner], 0.5, 16.0).any()
    assert found.canopy_height[inner].max() < 0.3
    assert found.seen_share[inner].min() > 0.9


# ---------------------------------------------------------------------------------------------
# Solid things, masks, table


def built(kind, z=206.0):
    """A meadow of 20 m with a 6 m wide roof, or whatever class is asked for, 6 m up."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 20, 4000), rng.uniform(0, 20, 4000)
    inside = (np.abs(x - 10) < 3) & (np.abs(y - 10) < 3)
    points = make_points(x, y, np.where(inside, z, 200.0), np.where(inside, kind, 2))
    grid = Grid.over((0, 0, 20, 20), 0.5, "EPSG:26916")
    return sort_vegetation(
        MemoryPoints(points, grid), grid, np.full(grid.shape, 200.0, np.float32),
        VegetationSettings(),
    )  # fmt: skip


def test_a_building_is_solid_from_the_ground_to_the_roof_and_no_canopy():
    found = built(6)
    roof = np.s_[16:24, 16:24]
    assert (found.columns.density[roof][..., :24] == SOLID).all()
    assert (found.columns.density[roof][..., 25:] != SOLID).all()
    assert (blocked(found.columns, CLOSED)[roof] & layer_mask(0, 6) == layer_mask(0, 6)).all()
    assert np.nanmax(found.canopy_height) < 0.1
    assert np.nanmax(found.canopy_cover) == 0.0
    assert len(found.trees) == 0
    # Beside it the lawn is open: walls do not smear as brush would.
    assert density_of(found.columns)[:12].max() < 0.005


def test_wires_and_bridges_block_their_layer_only_and_are_no_canopy():
    for kind in (13, 14, 17):
        found = built(kind)
        at = found.columns.density[16:24, 16:24]
        assert (at[..., 24] == SOLID).mean() > 0.9
        assert (at[..., :24] != SOLID).all()
        assert np.nanmax(found.canopy_height) < 0.1
        assert len(found.trees) == 0


def test_noise_and_producers_own_classes_are_left_out():
    for kind in (7, 18, 22, 64, 65, 66, 200):
        found = built(kind)
        assert not found.columns.hit.any()
        assert np.nanmax(found.canopy_height) == 0.0


def test_a_gap_among_roof_returns_is_roof():
    roof = np.full((9, 9), np.nan, np.float32)
    roof[2:7, 2:7] = 204.0
    roof[4, 4] = np.nan
    solid = np.zeros((9, 9), np.uint64)
    fill_buildings(solid, roof, np.full((9, 9), 200.0, np.float32))
    assert (solid[2:7, 2:7] == layer_mask(0, 4)).all()
    assert np.count_nonzero(solid) == 25
    none = np.zeros((9, 9), np.uint64)
    fill_buildings(none, np.full((9, 9), np.nan, np.float32), np.zeros((9, 9), np.float32))
    assert not none.any()


@pytest.mark.parametrize(("returns", "closed"), [(1, 1), (6, 0)])
def test_one_return_in_the_open_stays_a_hit_without_closing_its_column(returns, closed):
    """A pulse, or a sixth of one, met 3 m up over a meadow of 16 pulses/m2."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 20, 6400), rng.uniform(0, 20, 6400)
    points = make_points(
        np.r_[x, 10.1], np.r_[y, 10.1], np.r_[np.zeros(6400), 3.1], np.r_[np.full(6400, 2), 1],
        np.r_[np.ones(6400), 1], np.r_[np.ones(6400), returns],
    )  # fmt: skip
    grid = Grid.over((0, 0, 20, 20), 0.5, "EPSG:26916")
    found = sort_vegetation(
        MemoryPoints(points, grid), grid, np.zeros(grid.shape, np.float32), VegetationSettings()
    )
    row, col = 19, 20
    assert bits(found.columns.hit[row, col], 3.0, 3.25).all()
    assert np.bitwise_count(found.columns.hit & layer_mask(0.5, 16)).sum() == 1
    shut = blocked(found.columns, CLOSED)
    assert shut[row, col] == closed * layer_mask(3.0, 3.25)
    assert np.bitwise_count(shut & layer_mask(0.5, 16)).sum() == closed


def test_table_is_increasing_and_holds_its_ends():
    assert DENSITY_TABLE[0] == 0.0
    assert (np.diff(DENSITY_TABLE) > 0).all()
    assert DENSITY_TABLE[1] == pytest.approx(2.0**-12, rel=0.04)
    assert DENSITY_TABLE[254] == pytest.approx(15.0, rel=0.04)


def test_layer_masks_refuse_what_is_upside_down():
    with pytest.raises(ValueError, match="no layers"):
        layer_mask(3.0, 1.0)


def some_columns(shape=(6, 6)):
    zeros = np.zeros(shape, np.uint64)
    return Columns(zeros, zeros.copy(), zeros.copy(), np.zeros((*shape, 64), np.uint8),
                   DENSITY_TABLE)  # fmt: skip


def test_seen_share_and_mean_density_count_layers():
    columns = some_columns()
    columns.searched[2, 3] = layer_mask(0.5, 2.75)  # 9 of the 18 layers from 0.5 to 5 m
    assert seen_share(columns, 0.5, 5.0)[2, 3] == 0.5
    assert seen_share(columns, 0.5, 5.0).sum() == 0.5
    columns.density[1, 1, 2:8] = 100
    columns.density[1, 1, 3] = SOLID
    assert mean_density(columns, 0.5, 2.0)[1, 1] == pytest.approx(DENSITY_TABLE[100])
    columns.density[1, 2, :8] = SOLID
    assert np.isnan(mean_density(columns, 0.5, 2.0)[1, 2])


def test_trunks_fill_their_cells_up_to_the_crown():
    grid = Grid("EPSG:26916", 0.0, 10.0, 0.5, 20, 20)
    trees = gpd.GeoDataFrame(
        {"dbh_cm": [20.0, 80.0], "crown_base_m": [5.0, 40.0]},
        geometry=[Point(2.2, 7.7, 12), Point(7.25, 2.25, 30)], crs=grid.crs,
    )  # fmt: skip
    cells = trunk_cells(trees, grid)
    assert cells[4, 4]
    assert cells[:10, :10].sum() == 1
    assert cells[10:, 10:].sum() == 9  # 0.8 m wide in the middle of a cell of half a metre
