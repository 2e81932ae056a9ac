"""The simulator of land and lidar, the planted worlds and the demo tiles."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import laspy
import numba
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon

import land
import pulses
import woods
import worlds

SAMPLE = Path(__file__).resolve().parents[1] / "sample_tiles"


def _heights(world: worlds.World) -> np.ndarray:
    points = world.points
    return points["z"] - land.ground_at(world.land, points["x"], points["y"])


def _slant(world: worlds.World) -> float:
    """Mean path per metre of height; scan angles differ by less than 2 degrees in these worlds."""
    return float((1 / np.cos(np.radians(world.points["scan_angle"]))).mean())


# --- Beer–Lambert: P(no contact over s) = exp(-λ s) ---------------------------------------------


@pytest.mark.parametrize("contact_density", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("level", [0.0, 4.0, 10.0])
def test_single_rays_pass_as_beer_lambert_says(contact_density: float, level: float) -> None:
    world = worlds.uniform_forest(contact_density, 8.0, height=12.0, single=True)
    h = _heights(world)
    assert world.points["number_of_returns"].max() == 1
    expected = np.exp(-contact_density * (12.0 - level) * _slant(world))
    # Noise of 2 cm moves few returns over the level; the ground is no vegetation.
    passed = (h < level) if level else world.points["classification"] == 2
    error = np.sqrt(expected * (1 - expected) / h.size)
    assert passed.mean() == pytest.approx(expected, abs=4 * error)


@pytest.mark.parametrize("contact_density", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("level", [0.0, 1.0, 4.0, 10.0])
def test_returns_weighted_by_their_number_pass_as_beer_lambert_says(
    contact_density: float, level: float
) -> None:
    world = worlds.uniform_forest(contact_density, 8.0, height=12.0)
    h, points = _heights(world), world.points
    assert points["number_of_returns"].max() > 1
    weight = 1 / points["number_of_returns"]
    expected = np.exp(-contact_density * (12.0 - level) * _slant(world))
    passed = (h < level) if level else points["classification"] == 2
    # A pulse's share lies within 0 and 1, so its variance is at most that of a single ray.
    error = np.sqrt(expected * (1 - expected) / weight.sum())
    assert weight[passed].sum() / weight.sum() == pytest.approx(expected, abs=4 * error)


def test_returns_of_a_pulse_keep_a_dead_zone_apart() -> None:
    world = worlds.uniform_forest(0.15, 8.0)
    points = pulses.fly(
        world.land, pulses.crossing_strips(world.bounds, 4.0), pulses.Sensor(noise=0.0)
    )
    same = np.diff(points["gps_time"]) == 0
    # The last return may lie in the lowest dead zone, close under the one before.
    last = points["return_number"] == points["number_of_returns"]
    inner = same & ~last[1:]
    gaps = np.sqrt(sum(np.diff(points[k]) ** 2 for k in "xyz"))
    assert inner.sum() > 1000
    assert gaps[inner].min() > 0.6 - 1e-6
    assert np.all(np.diff(points["z"])[same] < 0)


def test_pulses_come_back_whole() -> None:
    world = worlds.uniform_forest(0.1, 4.0, size=30.0)
    points = pulses.fly(world.land, pulses.crossing_strips(world.land.bounds, 4.0))
    _, first, count = np.unique(points["gps_time"], return_index=True, return_counts=True)
    assert np.array_equal(points["number_of_returns"][first], count)
    assert np.all(points["return_number"][first] == 1)


# --- the truth ----------------------------------------------------------------------------------


def test_optical_depth_of_known_paths() -> None:
    world = worlds.uniform_forest(0.2, 2.0, height=10.0, size=30.0)
    x, y, z = worlds.LEFT + 5.0, worlds.BOTTOM + 5.0, worlds.GROUND
    begin = np.array([[x, y, z + 3.0], [x, y, z + 12.0], [x, y, z + 11.0]])
    end = np.array([[x + 20.0, y, z + 3.0], [x, y, z + 2.0], [x + 9.0, y, z + 11.0]])
    # 20 m within, 8 of 10 m within, all above.
    depth = land.optical_depth(world.land, begin, end)
    assert depth == pytest.approx([4.0, 1.6, 0.0], rel=1e-5)


def test_optical_depth_is_the_sum_of_densities_along_the_path() -> None:
    world = worlds.one_tree(2.0, stem_radius=0.0)
    rng = np.random.default_rng(4)
    ends = worlds.GROUND + rng.uniform(0, 20, (40, 2, 3))
    ends[..., 0] = worlds.LEFT + rng.uniform(20, 40, (40, 2))
    ends[..., 1] = worlds.BOTTOM + rng.uniform(20, 40, (40, 2))
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    slow = np.empty(40)
    for i, (a, b) in enumerate(ends):
        pieces = int(np.ceil(length[i] / 0.05))
        t = (np.arange(pieces) + 0.5)[:, None] / pieces
        at = a + t * (b - a)
        h = at[:, 2] - land.ground_at(world.land, at[:, 0], at[:, 1])
        density = land.density_at(world.land, at[:, 0], at[:, 1], h)
        slow[i] = density.sum() * length[i] / pieces
    fast = land.optical_depth(world.land, ends[:, 0], ends[:, 1], step=0.05)
    assert slow.max() > 0.5
    assert fast == pytest.approx(slow, rel=1e-9, abs=1e-12)


def test_a_stem_stops_every_ray() -> None:
    world = worlds.one_tree(2.0, stem_radius=0.2)
    x, y, z = worlds.LEFT + 30.0, worlds.BOTTOM + 30.0, worlds.GROUND + 1.5
    begin, end = [[x - 5, y, z], [x - 5, y + 0.5, z]], [[x + 5, y, z], [x + 5, y + 0.5, z]]
    through, beside = land.optical_depth(world.land, np.array(begin), np.array(end))
    assert through > 50
    assert beside == 0


def test_density_columns_average_the_field() -> None:
    world = worlds.tunnel(2.0, width=4.0, roof=7.0, brush_density=0.6, roof_density=0.15)
    columns = land.density_columns(world.land, world.bounds, 1.0, layers=64, layer=0.25)
    assert columns.shape == (60, 60, 64)
    assert columns[30, :, :28].max() == 0
    assert columns[30, :, 28:60] == pytest.approx(0.15)
    assert columns[5, :, :28] == pytest.approx(0.6)
    assert columns[:, :, 60:].max() == 0


def test_ground_is_bilinear() -> None:
    world = worlds.plane(2.0, slope=(0.1, -0.05))
    rng = np.random.default_rng(1)
    x, y = worlds.LEFT + rng.uniform(0, 60, 50), worlds.BOTTOM + rng.uniform(0, 60, 50)
    expected = 200 + 0.1 * (x - worlds.LEFT) - 0.05 * (y - worlds.BOTTOM)
    assert land.ground_at(world.land, x, y) == pytest.approx(expected, abs=1e-4)


def test_trees_stand_apart() -> None:
    spacing = np.full((40, 40), 4.0)
    spacing[:, 20:] = np.nan
    rng = np.random.default_rng(2)
    trees, names = woods.grow(spacing, (0, 0, 80, 80), {woods.OAK: 1.0, woods.PINE: 1.0}, rng)
    nearest = cKDTree(np.stack([trees["x"], trees["y"]], 1)).query(
        np.stack([trees["x"], trees["y"]], 1), k=2
    )[0][:, 1]
    assert nearest.min() >= 4.0
    assert trees["x"].max() <= 40.0
    # Random places filled up to exhaustion hold 0.547 of the plane in discs of half the spacing
    # (Feder 1980, J. Theor. Biol. 87:237); eight tries a square stop short of that.
    cover = len(trees) * np.pi * 2.0**2 / (40 * 80)
    assert 0.42 < cover < 0.6
    assert set(names) == {"white oak", "white pine"}


# --- worlds -------------------------------------------------------------------------------------


@pytest.mark.parametrize("density", [2.0, 8.0, 20.0])
def test_pulse_density_is_as_asked(density: float) -> None:
    points = worlds.plane(density, slope=(0.0, 0.0)).points
    assert len(points["x"]) / 3600 == pytest.approx(density, rel=0.03)
    # Regular but jittered: counts per square metre vary less than Poisson's, yet they vary.
    cells = np.histogram2d(points["x"], points["y"], bins=60)[0]
    assert 0.05 * density < cells.var() < density


def test_a_tunnel_shows_in_no_plan_view() -> None:
    world = worlds.tunnel(8.0)
    h, y = _heights(world), world.points["y"]
    middle = world.truth["line"][0][1]
    inside = np.abs(y - middle) < world.truth["width"] / 2 - 0.1
    assert not np.any(inside & (h > 0.3) & (h < world.truth["roof"] - 0.1))
    assert np.sum(inside & (world.points["classification"] == 2)) > 200
    tops = [h[np.abs(y - at) < 1.5].max() for at in (middle, middle + 12)]
    assert tops[0] == pytest.approx(tops[1], abs=0.5)
    roofed = np.histogram2d(*(world.points[k][h > 7] for k in "xy"), bins=20)[0]
    assert np.all(roofed > 0)


def test_a_thicket_gap_is_open_from_above_and_closed_below() -> None:
    world = worlds.thicket_gap(8.0)
    h, y = _heights(world), world.points["y"]
    inside = np.abs(y - world.truth["line"][0][1]) < world.truth["width"] / 2 - 0.2
    assert h[inside].max() < 2.4
    line = np.array(world.truth["line"])
    z = worlds.GROUND + 1.5
    depth = land.optical_depth(world.land, [[*line[0], z]], [[*line[1], z]])
    assert depth[0] == pytest.approx(60.0, rel=0.02)


def test_no_pulse_sees_under_the_slab() -> None:
    world = worlds.unsearched_shadow(8.0)
    left, bottom, right, top = world.truth["shadow"]
    deep = pulses.crop(world.points, (left + 2, bottom + 2, right - 2, top - 2))
    assert len(deep["x"]) > 1500
    assert deep["z"].min() > worlds.GROUND + 4.8


def test_one_tree_is_where_it_was_planted() -> None:
    world = worlds.one_tree(20.0)
    tree, h = world.truth["tree"], _heights(world)
    away = np.hypot(world.points["x"] - tree["x"], world.points["y"] - tree["y"])
    crown = world.points["classification"] == 1
    assert h[crown].max() == pytest.approx(tree["height"], abs=0.8)
    assert away[crown].max() < tree["crown_radius"] + 0.5


def test_same_seed_same_points_whatever_the_threads() -> None:
    first = worlds.uniform_forest(0.1, 4.0, size=20.0, seed=7).points
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        second = worlds.uniform_forest(0.1, 4.0, size=20.0, seed=7).points
    finally:
        numba.set_num_threads(before)
    for name, column in first.items():
        assert np.array_equal(column, second[name]), name
    other = worlds.uniform_forest(0.1, 4.0, size=20.0, seed=8).points
    assert not np.array_equal(first["x"][:50], other["x"][:50])


def test_laz_reads_back(tmp_path: Path) -> None:
    points = worlds.one_tree(4.0, size=30.0).points
    pulses.write_laz(tmp_path / "a.laz", points)
    pulses.write_laz(tmp_path / "b.laz", points)
    assert (tmp_path / "a.laz").read_bytes() == (tmp_path / "b.laz").read_bytes()
    las = laspy.read(tmp_path / "a.laz")
    assert las.header.point_format.id == 6
    assert [c.to_epsg() for c in las.header.parse_crs().sub_crs_list] == [26916, 5703]
    for name in "xyz":
        assert np.abs(np.asarray(las[name]) - points[name]).max() <= 0.005 + 1e-6
    for name in ("gps_time", "classification", "return_number", "point_source_id"):
        assert np.array_equal(las[name], points[name]), name
    assert np.abs(np.asarray(las["scan_angle"]) * 0.006 - points["scan_angle"]).max() < 0.004


# --- the demo tiles -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def demo() -> dict[str, np.ndarray]:
    """Points of the tiles without the doubles, with heights above the terrain model."""
    names = ("x", "y", "z", "classification", "number_of_returns", "return_number", "gps_time")
    tiles = [laspy.read(t) for t in sorted((SAMPLE / "tiles").glob("*.laz"))]
    points = {n: np.concatenate([np.asarray(t[n]) for t in tiles]) for n in names}
    pulse = np.stack([points["gps_time"], points["return_number"]], 1)
    _, once = np.unique(pulse, axis=0, return_index=True)
    assert len(once) < len(pulse), "two tiles share a strip"
    points = {k: v[once] for k, v in points.items()}
    with rasterio.open(SAMPLE / "dem" / "hollow_creek_1m.tif") as dem:
        model = land.make_land(dem.read(1), dem.bounds.left, dem.bounds.top, cell=1.0)
    return points | {"h": points["z"] - land.ground_at(model, points["x"], points["y"])}


def _near(demo: dict[str, np.ndarray], line: LineString, reach: float) -> np.ndarray:
    left, bottom, right, top = line.buffer(reach).bounds
    found = np.flatnonzero(
        (demo["x"] > left) & (demo["x"] < right) & (demo["y"] > bottom) & (demo["y"] < top)
    )
    shapely.prepare(line)
    place = shapely.points(demo["x"][found], demo["y"][found])
    return found[shapely.dwithin(line, place, reach)]


def test_demo_is_small_and_whole() -> None:
    files = [p for p in SAMPLE.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 15e6
    tiles = sorted((SAMPLE / "tiles").glob("*.laz"))
    assert len(tiles) >= 2
    with laspy.open(tiles[0]) as tile:
        assert str(tile.header.version) == "1.4"
        assert tile.header.parse_crs() == pulses.UTM_16N
    with rasterio.open(SAMPLE / "dem" / "hollow_creek_1m.tif") as dem:
        assert CRS(dem.crs).to_epsg() == 26916
        assert dem.dtypes == ("float32",)
        assert (dem.read_masks(1) == 0).any()
    for name in ("property", "road", "yard", "own_holes"):
        assert gpd.read_file(SAMPLE / f"{name}.gpkg").crs.to_epsg() == 26916


def test_demo_has_the_density_of_public_lidar(demo: dict[str, np.ndarray]) -> None:
    outline = gpd.read_file(SAMPLE / "property.gpkg").geometry[0]
    assert 24e4 < outline.area < 30e4
    shapely.prepare(outline)
    first = demo["return_number"] == 1
    place = shapely.points(demo["x"][first], demo["y"][first])
    assert 5.5 < shapely.contains(outline, place).sum() / outline.area < 8.0


def test_demo_ground_returns_lie_on_the_terrain_model(demo: dict[str, np.ndarray]) -> None:
    ground = demo["h"][demo["classification"] == 2]
    assert abs(np.median(ground)) < 0.01
    # Noise of 2 cm and the cells of 1 m; the channel's banks are steeper than these cells.
    assert np.percentile(np.abs(ground), 95) < 0.08


def test_demo_tunnels_are_roofed_and_clear(demo: dict[str, np.ndarray], truth: Any) -> None:
    assert len(truth["tunnels"]) == 3
    for tunnel in truth["tunnels"].values():
        line, half = LineString(tunnel["line"]), tunnel["width_m"] / 2
        within = _near(demo, line, half - 0.6)
        h, weight = demo["h"][within], 1 / demo["number_of_returns"][within]
        in_the_way = (h > 0.4) & (h < tunnel["roof_m"] - 0.5)
        assert weight[in_the_way].sum() < 0.01 * weight.sum()
        assert weight[h > tunnel["roof_m"] - 0.3].sum() > 0.5 * weight.sum()
        beside = np.setdiff1d(_near(demo, line, half + 6), _near(demo, line, half + 0.5))
        h, weight = demo["h"][beside], 1 / demo["number_of_returns"][beside]
        low = h < tunnel["roof_m"]
        stopped = low & (h > 0.5)
        assert weight[stopped].sum() > 0.6 * weight[low].sum()


def test_demo_thicket_is_open_above_and_closed_below(
    demo: dict[str, np.ndarray], truth: Any
) -> None:
    gap = truth["thicket_gap"]
    within = _near(demo, LineString(gap["line"]), gap["width_m"] / 2 - 1.0)
    h, weight = demo["h"][within], 1 / demo["number_of_returns"][within]
    assert weight[h > 3.5].sum() < 0.02 * weight.sum()
    assert weight[(h > 0.4) & (h < 3.2)].sum() > 0.7 * weight.sum()


def test_demo_water_lies_level_and_the_creek_runs_off(
    demo: dict[str, np.ndarray], truth: Any
) -> None:
    pond = Polygon(truth["pond"]["outline"])
    wet = np.flatnonzero(demo["classification"] == 9)
    on_pond = wet[shapely.contains_xy(pond, demo["x"][wet], demo["y"][wet])]
    assert len(on_pond) > 100
    assert demo["z"][on_pond] == pytest.approx(truth["pond"]["level_m"], abs=0.12)

    creek = LineString(truth["creek"]["line"])
    stations = [creek.interpolate(s) for s in np.arange(0, creek.length, 5.0)]
    with rasterio.open(SAMPLE / "dem" / "hollow_creek_1m.tif") as dem:
        bed = np.array([v[0] for v in dem.sample([(p.x, p.y) for p in stations])])
        assert np.all(np.diff(bed) < 0.02)
        assert bed[0] - bed[-1] > 5.0
        # The hollow has no outlet: everything around it stands higher.
        hollow = Point(truth["depression"]["centre"])
        rim = shapely.get_coordinates(hollow.buffer(11.0).exterior)
        heights = np.array([v[0] for v in dem.sample(rim)])
    assert heights.min() > truth["depression"]["bottom_m"] + 0.8


def test_no_demo_tree_stands_in_a_lane(truth: Any) -> None:
    trees = np.load(SAMPLE / "trees.npz")
    place = shapely.points(trees["x"], trees["y"])
    assert len(place) > 5000
    for lane in [*truth["tunnels"].values(), *truth["open_tracks"].values()]:
        near = shapely.distance(LineString(lane["line"]), place).min()
        assert near > lane["width_m"] / 2 - 0.6
