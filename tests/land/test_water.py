import dataclasses

import geopandas as gpd
import numpy as np
import pytest
import shapely

import ponds
import surveyed
from lanewright.base.grid import Grid
from lanewright.land.terrain import shape_terrain
from lanewright.land.water import SOURCES, Tally, Water, find_water, flatten, return_spacing
from lanewright.settings.terrain import TerrainSettings

SETTINGS = TerrainSettings()
SIZE = 160


def world(density=8.0, cell=1.0, seed=0):
    """Level meadow at 100 m with returns at random; 160 cells a side."""
    grid = Grid("EPSG:32631", 500_000.0, 4_000_000.0, cell, SIZE, SIZE)
    rng = np.random.default_rng(seed)
    surface = (100 + rng.normal(0, 0.02, grid.shape)).astype(np.float32)
    returns = rng.poisson(density * cell**2, grid.shape).astype(np.uint16)
    return grid, surface, returns


def disc(row, col, radius):
    r, c = np.mgrid[:SIZE, :SIZE]
    return np.hypot(r - row, c - col) < radius


def dry(returns, covered=None):
    return Tally(
        returns,
        np.zeros_like(returns),
        np.full(returns.shape, np.nan, np.float32),
        np.ones(returns.shape, bool) if covered is None else covered,
    )


def wetted(returns, mask, level, every=1):
    """The same survey where water sends back one return in `every` cells."""
    returns, wet = returns.copy(), np.zeros_like(returns)
    returns[mask] = 0
    at = mask.copy()
    at.ravel()[np.arange(at.size) % every != 0] = False
    returns[at] = wet[at] = 1
    return Tally(
        returns,
        wet,
        np.where(at, np.float32(level), np.float32(np.nan)),
        np.ones(returns.shape, bool),
    )


# --- planted water -------------------------------------------------------------------------------


@pytest.mark.parametrize("cell", [0.5, 1.0])
@pytest.mark.parametrize("density", [2.0, 8.0, 30.0])
def test_pond_that_swallowed_all_pulses(density, cell):
    grid, surface, returns = world(density, cell)
    pond = disc(70, 80, 12 / cell)
    returns[pond] = 0
    surface[pond] -= 0.1
    water = find_water(grid, surface, dry(returns), [], SETTINGS)
    (body,) = water.bodies.itertuples()
    assert body.source == "void"
    assert body.level_m == pytest.approx(100, abs=0.1)
    assert body.area_m2 == pytest.approx(np.pi * 12**2, rel=0.15)
    found = water.body == 1
    assert (found & pond).sum() / (found | pond).sum() > 0.85


def test_void_must_be_flat_low_large_wide_and_surveyed():
    """The same hole in the returns, with one thing changed at a time."""
    grid, surface, returns = world()
    pond = disc(80, 80, 10)
    holed = np.where(pond, 0, returns).astype(np.uint16)
    row, col = np.mgrid[:SIZE, :SIZE]

    def bodies(surface=surface, returns=holed, covered=None, settings=SETTINGS):
        return find_water(grid, surface, dry(returns, covered), [], settings).bodies

    assert len(bodies()) == 1
    steep = (surface + 0.15 * col).astype(np.float32)
    assert len(bodies(surface=steep)) == 0, "a hillside"
    away = np.hypot(row - 80, col - 80)
    knoll = (surface - 0.05 * np.maximum(away - 11, 0)).astype(np.float32)
    assert len(bodies(surface=knoll)) == 0, "a dark roof on top of a knoll"
    assert len(bodies(settings=TerrainSettings(void_area=400))) == 0
    strip = (np.abs(row - 80) < 2) & (np.abs(col - 80) < 60)
    assert len(bodies(returns=np.where(strip, 0, returns).astype(np.uint16))) == 0, "a ditch"
    # A corner where the survey has no points at all is a hole in the survey, reported or not.
    corner = (row < 15) & (col < 40)
    cut = np.where(corner, 0, returns).astype(np.uint16)
    assert len(bodies(returns=cut)) == 0
    assert len(bodies(returns=cut, covered=~corner)) == 0


def test_thin_surveys_do_not_turn_into_lakes():
    for density in (0.05, 0.3, 0.6, 1.0, 2.0):
        grid, surface, returns = world(density, seed=3)
        assert len(find_water(grid, surface, dry(returns), [], SETTINGS).bodies) == 0, density


@pytest.mark.parametrize("density", [0.3, 1.0, 4.0])
def test_spacing_of_random_pulses(density):
    """1/sqrt(density): 8 per m2 lie 0.354 m apart, 2 per m2 0.707 m."""
    _, _, returns = world(density)
    everywhere = np.ones(returns.shape, bool)
    assert return_spacing(returns, everywhere, 1.0) == pytest.approx(density**-0.5, rel=0.12)
    # Three returns of each pulse do not make the survey denser.
    assert return_spacing(3 * returns, everywhere, 1.0) == pytest.approx(density**-0.5, rel=0.12)
    assert return_spacing(0 * returns, everywhere, 1.0) == np.inf


def test_marked_water_takes_in_the_void_beside_it():
    grid, surface, returns = world()
    lake = disc(80, 80, 30)
    surface[lake] = 99.6
    half = lake & (np.mgrid[:SIZE, :SIZE][1] < 75)
    returns = np.where(lake, 0, returns).astype(np.uint16)
    tally = wetted(returns, half, 99.5, every=7)
    water = find_water(grid, surface, tally, [], SETTINGS)
    (body,) = water.bodies.itertuples()
    assert body.source == "class 9"
    assert body.level_m == pytest.approx(99.5, abs=1e-3)
    assert body.area_m2 == pytest.approx(np.pi * 30**2, rel=0.05)
    flat = flatten(surface, water)
    assert np.ptp(flat[water.body == 1]) == 0
    np.testing.assert_array_equal(flat[water.body == 0], surface[water.body == 0])


def test_levels_keep_bodies_apart_even_where_they_touch():
    """Two ponds 0.6 m apart in height with one void across both: a weir between them."""
    grid, surface, returns = world()
    row, col = np.mgrid[:SIZE, :SIZE]
    upper = (np.abs(row - 80) < 20) & (np.abs(col - 60) <= 20)
    lower = (np.abs(row - 80) < 20) & (np.abs(col - 101) <= 20)
    surface[upper], surface[lower] = 99.9, 99.3
    high, low = wetted(returns, upper, 99.8, 5), wetted(returns, lower, 99.2, 5)
    tally = Tally(
        np.where(lower, low.returns, high.returns),
        np.where(lower, low.water_returns, high.water_returns),
        np.where(lower, low.water_level, high.water_level),
        high.covered,
    )
    bodies = find_water(grid, surface, tally, [], SETTINGS).bodies
    assert sorted(bodies.level_m.round(3)) == [99.2, 99.8]
    np.testing.assert_allclose(bodies.area_m2, 39 * 41, rtol=0.06)


def test_flowing_water_keeps_its_fall():
    """A river that drops 3 m over 160 m is one body, not laid flat."""
    grid, _, returns = world()
    row, col = np.mgrid[:SIZE, :SIZE]
    bed = np.abs(col - 80) < 8
    fall = (100 - row * 3 / SIZE).astype(np.float32)
    tally = wetted(returns, bed, 0, 3)
    level = np.where(tally.water_returns > 0, fall - 1, np.float32(np.nan))
    tally = dataclasses.replace(tally, water_level=level)
    water = find_water(grid, fall, tally, [], SETTINGS)
    assert len(water.bodies) == 1
    middle = water.level[10:-10, 80]
    np.testing.assert_allclose(middle, fall[10:-10, 80] - 1, atol=0.1)


def test_specks_of_class_9_and_pinholes():
    grid, surface, returns = world()
    lake = disc(80, 80, 15)
    surface[lake] = 99.5
    tally = wetted(returns, lake | disc(20, 20, 1.6), 99.5)
    tally.returns[78:80, 78:80] = 9  # a buoy
    water = find_water(grid, surface, tally, [], SETTINGS)
    assert len(water.bodies) == 1
    assert water.body[79, 79] == 1
    (shape,) = water.bodies.geometry
    assert all(len(part.interiors) == 0 for part in shape.geoms)


# --- given water ---------------------------------------------------------------------------------


def test_given_pond_on_a_bare_elevation_model():
    grid, surface, _ = world()
    x, y = grid.xy(80, 60)
    pond = shapely.Point(x, y).buffer(12)
    surface[disc(80, 60, 12)] = 98.5
    known = gpd.GeoSeries([pond], crs=grid.crs)
    for given in (known, [pond], known.to_frame("geometry")):
        water = find_water(grid, surface, None, given, SETTINGS)
        (body,) = water.bodies.itertuples()
        assert (body.source, body.level_m) == ("given", pytest.approx(98.5, abs=0.05))
        assert body.area_m2 == pytest.approx(pond.area, rel=0.05)


def test_given_pond_joins_what_the_lidar_shows():
    grid, surface, returns = world()
    lake = disc(80, 80, 20)
    surface[lake] = 99.5
    x, y = grid.xy(80, 95)
    wider = shapely.Point(x, y).buffer(15)
    water = find_water(grid, surface, wetted(returns, lake, 99.5, 2), [wider], SETTINGS)
    (body,) = water.bodies.itertuples()
    assert body.source == "class 9"
    assert body.level_m == pytest.approx(99.5)
    together = shapely.Point(grid.xy(80, 80)).buffer(20).union(wider).area
    assert body.area_m2 == pytest.approx(together, rel=0.05)


def test_given_stream_is_drawn_one_cell_wide_and_not_laid_flat():
    grid, surface, _ = world()
    hill = (surface + 0.1 * np.mgrid[:SIZE, :SIZE][0]).astype(np.float32)
    x, _ = grid.xy(0, 50)
    line = shapely.LineString([(x, grid.top), (x, grid.top - SIZE)])
    water = find_water(grid, hill, None, [line, None, shapely.Point()], SETTINGS)
    assert (water.body[:, 50] == 1).all()
    assert water.body.sum() == pytest.approx(SIZE, abs=3)
    np.testing.assert_allclose(water.level[:, 50], hill[:, 50])


def test_no_water():
    grid, surface, returns = world()
    for tally in (None, dry(returns)):
        water = find_water(grid, surface, tally, [], SETTINGS)
        assert len(water.bodies) == 0
        assert [*water.bodies] == [
            "water_id",
            "source",
            "level_m",
            "area_m2",
            "geometry",
        ]
        assert water.bodies.crs == grid.crs
        assert not water.body.any()
        np.testing.assert_array_equal(flatten(surface, water), surface)


# --- real tiles ----------------------------------------------------------------------------------


def found(path, cell=1.0, share=1.0) -> tuple[Grid, np.ndarray, Tally, Water]:
    grid, surface, tally = surveyed.tile(path, cell, share)
    return grid, surface, tally, find_water(grid, surface, tally, [], SETTINGS)


@pytest.mark.parametrize("cell", [0.5, 1.0])
def test_boreal_lakes(real_data, cell):
    """Topography.laz of lidR: main lake at 805.80 m by its class 9 points, most of it without a
    return; smaller waters at 804.94, 801.4 and 800.12 m."""
    _, surface, tally, water = found(real_data / "lidr-topography-lake/Topography.laz", cell)
    bodies = water.bodies
    assert set(bodies.source) == {"class 9"}
    main = bodies[(bodies.level_m - 805.80).abs() <= 0.05]
    assert main.area_m2.max() > 4000
    for level in (804.94, 801.4, 800.12):
        assert ((bodies.level_m - level).abs() < 0.1).sum() == 1, level
    assert len(bodies) == 5
    lake = int(main.sort_values("area_m2").water_id.iloc[-1])
    flat = flatten(surface, water)
    assert np.ptp(flat[water.body == lake]) < 0.05
    # Every marked cell in a body, and none of the bodies on ground that sent back land returns.
    marked = tally.water_returns > 0
    assert (water.body[marked] > 0).mean() > 0.97
    land = (tally.returns > 0) & ~marked
    assert land[water.body > 0].mean() < 0.02


def test_canals_without_returns(real_data):
    """AHN3 Delft: the canal at -0.44 m is mostly void."""
    grid, _, tally, water = found(real_data / "ahn3-delft-crop2/ahn3_cropped_2.laz")
    main = water.bodies.iloc[0]
    assert main.source == "class 9"
    assert main.level_m == pytest.approx(-0.44, abs=0.02)
    empty = (tally.returns == 0) & (water.body == 1)
    assert empty.sum() * grid.cell**2 > 1500
    voids = water.bodies[water.bodies.source == "void"]
    assert len(voids) == 1, "the second canal, west of its bridge, has no class 9 at all"
    assert voids.level_m.iloc[0] < -0.2


def test_sea_and_fjord(real_data):
    """Corsica: waves between -0.23 and 0.26 m, median 0.04, under a cliff of 40 m; W Norway:
    median 0.23, water 160 m below the surveyed slope."""
    for name, level, area in (
        ("ign-corse-cliff-sea/corse.laz", 0.04, 800),
        ("norway-strip-water-noise/32-1-472-150-76.laz", 0.23, 700),
    ):
        grid, surface, tally, water = found(real_data / name)
        (body,) = water.bodies.itertuples()
        assert body.level_m == pytest.approx(level, abs=0.05)
        assert body.area_m2 > area
        # None of it on the cliff or the slope above, where returns came from land.
        land = (tally.returns > 0) & (tally.water_returns == 0)
        high = np.isfinite(surface) & (surface > 3)
        assert water.body[high & land].mean() < 0.01
        assert grid.crs


def test_voids_of_a_lake_lie_in_its_mapped_outline(real_data):
    """lidR's Megaplot comes with a hand-drawn lake; heights are above ground, water unmarked."""
    folder = real_data / "lidr-megaplot"
    grid, _, _, water = found(folder / "Megaplot.laz")
    lake = gpd.read_file(folder / "lake_polygons_UTM17.shp").union_all()
    assert len(water.bodies) >= 2
    assert set(water.bodies.source) == {"void"}
    inside = water.bodies.geometry.intersection(lake).area / water.bodies.geometry.area
    assert inside.min() > 0.97
    assert grid.cell == 1.0


@pytest.mark.parametrize(
    "name",
    [
        "ponderosa-als/ALS_Clip.laz",
        "bcts-12/bcts_1.laz",
        "bcts-12/bcts_2.laz",
        "lidr-mixedconifer/MixedConifer.laz",
        "ign-crop1-slope/crop_1.laz",
        "ign-crop3-spike/crop_3.laz",
        "ign-km-0299/semis_2023_0299_6802_decimated.laz",
        "ign-forest-km-0897/semis_2022_0897_6577_decimated.laz",
    ],
)
def test_dry_tiles_have_no_water(real_data, name):
    *_, water = found(real_data / name, 2.0 if "km" in name else 1.0)
    assert len(water.bodies) == 0


@pytest.mark.parametrize("share", [0.3, 0.1, 0.03])
def test_thinned_forest_has_no_water(real_data, share):
    """12 points per m2 thinned to 3.5, 1.2 and 0.35."""
    *_, water = found(real_data / "bcts-12/bcts_1.laz", 1.0, share)
    assert len(water.bodies) == 0


@pytest.mark.parametrize("share", [1.0, 0.4])
def test_lake_survives_thinning(real_data, share):
    *_, whole = found(real_data / "lidr-topography-lake/Topography.laz")
    *_, thin = found(real_data / "lidr-topography-lake/Topography.laz", 1.0, share)
    for level in (805.80, 804.94):
        a, b = (
            w.bodies[(w.bodies.level_m - level).abs() < 0.05].area_m2.sum() for w in (whole, thin)
        )
        assert b == pytest.approx(a, rel=0.25)


def test_stage_lays_the_lake_flat_before_water_is_routed(real_data):
    grid, surface, tally = surveyed.tile(real_data / "lidr-topography-lake/Topography.laz", 1.0)
    out = shape_terrain(grid, surface, tally, [], SETTINGS)
    assert out.water.sum() > 15_000
    assert np.all(out.height_above_drainage[out.water & np.isfinite(surface)] == 0)
    assert np.isnan(out.wetness[out.water]).all()
    assert out.drainage.intersection(out.water_bodies.buffer(-2).union_all()).length.sum() == 0
    assert set(out.water_bodies.source) <= set(SOURCES)


def test_a_strip_cut_out_of_a_tile_is_no_canal():
    """As east of a tile of the Montpellier mosaic: 8 m without points, straight along the grid."""
    grid, surface, returns = world()
    gap = returns.copy()
    gap[40:110, 60:72] = 0
    assert not (find_water(grid, surface, dry(gap), [], SETTINGS).body > 0).any()
    row, col = np.mgrid[:SIZE, :SIZE]
    slant = (np.abs(row - col) < 9) & (row > 40) & (row < 110)
    gap = np.where(slant, 0, returns).astype(np.uint16)
    assert (find_water(grid, surface, dry(gap), [], SETTINGS).body > 0).any()


# --- planted ponds, surveyed pulse by pulse ------------------------------------------------------


@pytest.mark.parametrize("returned", ["dense", "sparse", "none"])
@pytest.mark.parametrize(
    ("shape", "bank", "shaded"),
    [("round", 0.5, False), ("long", 0.5, False), ("round", 0.5, True), ("long", 20.0, True)],
)
def test_planted_pond_dug_two_metres_into_a_slope(shape, bank, shaded, returned):
    """Overlap with the planted outline at least 0.9, and its level to 0.1 m.

    Banks of 1 in 2, and upright ones, under crowns that hang over half of the shore.
    """
    if bank > 1 and returned == "none":
        pytest.skip("an upright bank all around and no class 9: like a hole in the survey")
    pond = ponds.pond(shape, returned, dug=3.5, slope=0.1, bank=bank, shaded=shaded)
    water = find_water(pond.grid, pond.surface, pond.tally, [], SETTINGS)
    assert len(water.bodies) == 1
    assert water.bodies.source.iloc[0] == ("void" if returned == "none" else "class 9")
    assert water.bodies.level_m.iloc[0] == pytest.approx(ponds.LEVEL, abs=0.1)
    assert pond.overlap(water.body > 0) >= 0.9


@pytest.mark.parametrize("returned", ["dense", "sparse"])
@pytest.mark.parametrize("shape", ["round", "long"])
def test_pond_whose_banks_no_pulse_saw(shape, returned):
    """Upright banks of which half a metre came back nowhere: ground drawn from bank to bank lies
    2 m over the middle of the water, which says nothing about it."""
    pond = ponds.pond(shape, returned, dug=3.5, slope=0.1, bank=20.0, unseen=0.5)
    middle = pond.surface[pond.grid.rowcol(np.array([ponds.MIDDLE.x]), np.array([ponds.MIDDLE.y]))]
    assert middle > ponds.LEVEL + 1.5
    water = find_water(pond.grid, pond.surface, pond.tally, [], SETTINGS)
    assert pond.overlap(water.body > 0) >= 0.9


def test_void_that_runs_up_a_cliff_is_no_water():
    """Sea of class 9 under a cliff of 30 m whose face sent nothing back for 12 m."""
    grid, surface, returns = world()
    col = np.mgrid[:SIZE, :SIZE][1]
    sea = col < 60
    surface = np.where(sea, 0, 30).astype(np.float32)
    surface[:, 60:72] = np.linspace(0, 30, 12)
    returns[:, 60:72] = 0
    water = find_water(grid, surface, wetted(returns, sea, 0, 2), [], SETTINGS)
    assert (water.body[:, :60] > 0).all()
    assert not (water.body[:, 67:] > 0).any()
