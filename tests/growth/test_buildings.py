"""Buildings: planted houses among crowns, the demo with its labels removed, open lidar."""

import json
from pathlib import Path

import laspy
import numpy as np
import pytest
import shapely

import worlds
from lanewright.base.grid import Grid
from lanewright.growth.buildings import SOURCES, find_buildings
from lanewright.land.surface import triangulate
from lanewright.settings.buildings import BuildingSettings
from lanewright.sources.points import Points

TILES = Path(__file__).resolve().parents[2] / "sample_tiles"
SETTINGS = BuildingSettings()


class Held:
    """Points in memory, handed out in windows of any size."""

    def __init__(self, points: Points, grid: Grid, size: float = 1e6, backwards: bool = False):
        self.points, self.grid, self.size, self.backwards = points, grid, size, backwards

    def blocks(self, _size: float):
        step = max(2, round(min(self.size, 1e5) / self.grid.cell))
        found = [
            (r, c, min(step, self.grid.rows - r), min(step, self.grid.cols - c))
            for r in range(0, self.grid.rows, step)
            for c in range(0, self.grid.cols, step)
        ]
        return found[::-1] if self.backwards else found

    def read(self, bounds):
        left, bottom, right, top = bounds
        p = self.points
        inside = (p.x >= left) & (p.x < right) & (p.y > bottom) & (p.y <= top)
        return taken(p, np.flatnonzero(inside))


def taken(p: Points, rows) -> Points:
    return Points(
        p.x[rows], p.y[rows], p.z[rows], p.return_number[rows], p.returns[rows],
        p.classification[rows], p.gps_time[rows], p.source_id[rows],
    )  # fmt: skip


def points_of(x, y, z, number, returns, kind) -> Points:
    n = len(x)
    return Points(
        *(np.asarray(a, float) for a in (x, y, z)),
        *(np.asarray(a, np.uint8) for a in (number, returns, kind)),
        np.zeros(n), np.zeros(n, np.uint16),
    )  # fmt: skip


def of_world(world: worlds.World, kind: int = 1) -> Points:
    p = world.points
    return points_of(p["x"], p["y"], p["z"], p["return_number"], p["number_of_returns"],
                     np.full(len(p["x"]), kind))  # fmt: skip


def with_house(
    p: Points, where: shapely.Polygon, eaves: float = 3.0, pitch: float = 0.6, kind: int = 1,
    density: float = 8.0, noise: float = 0.04,
) -> Points:  # fmt: skip
    """Points with a gabled house in place of what stood there; its ridge runs west to east."""
    left, bottom, right, top = where.bounds
    out = taken(p, np.flatnonzero(~shapely.contains_xy(where, p.x, p.y)))
    rng = np.random.default_rng(5)
    n = round(density * where.area)
    x, y = rng.uniform(left, right, n), rng.uniform(bottom, top, n)
    half = (top - bottom) / 2
    z = worlds.GROUND + eaves + pitch * (half - np.abs(y - (bottom + top) / 2))
    roof = points_of(x, y, z + rng.normal(0, noise, n), np.ones(n), np.ones(n), np.full(n, kind))
    return Points(*(np.r_[getattr(out, f), getattr(roof, f)] for f in Points.__dataclass_fields__))


def look(p: Points, bounds, cell: float = 0.5, ground=None, settings=SETTINGS, **held):
    grid = Grid.over(bounds, cell, worlds.plane().crs)
    surface = np.full(grid.shape, worlds.GROUND, np.float32) if ground is None else ground(grid)
    return find_buildings(Held(p, grid, **held), grid, surface, settings)


def at(world: worlds.World, x, y, wide, high) -> shapely.Polygon:
    left, bottom = world.bounds[:2]
    return shapely.box(left + x, bottom + y, left + x + wide, bottom + y + high)


FLAT = {"slope": (0.0, 0.0)}


def test_a_planted_house_is_found_where_it_stands():
    world = worlds.plane(**FLAT)
    house = at(world, 20, 25, 12, 9)
    found = look(with_house(of_world(world), house), world.bounds)
    assert len(found) == 1
    assert found["source"].iloc[0] == SOURCES[1]
    shape = found.geometry.iloc[0]
    assert shape.intersection(house).area > 0.9 * house.area
    assert shape.area < 1.2 * house.area
    assert found["height_m"].iloc[0] == pytest.approx(3.0 + 0.6 * 4.5, abs=0.3)


@pytest.mark.parametrize("density", [2.0, 8.0, 20.0])
def test_a_house_among_dense_crowns_is_found_and_no_crown_is(density):
    world = worlds.uniform_forest(contact_density=0.3, density=density, height=12.0)
    house = at(world, 22, 22, 14, 11)
    alone = of_world(world)
    assert not len(look(alone, world.bounds))
    found = look(with_house(alone, house, density=density), world.bounds)
    assert found.union_all().intersection(house).area > 0.8 * house.area
    assert found.union_all().difference(house.buffer(2)).area < 5.0


@pytest.mark.parametrize("conifer", [False, True])
def test_the_densest_single_crown_is_no_building(conifer):
    world = worlds.one_tree(density=20.0, crown_radius=7.0, crown_density=3.0, conifer=conifer)
    assert not len(look(of_world(world), world.bounds))


def test_a_shorn_hedge_is_no_building():
    world = worlds.thicket_gap(width=8.0, brush_density=2.0, brush=(0.0, 3.5), canopy_density=0.0)
    assert not len(look(of_world(world), world.bounds))


def test_a_flat_net_that_half_the_pulses_pass_is_no_building():
    world = worlds.plane(**FLAT)
    p = of_world(world)
    net = shapely.contains_xy(at(world, 20, 20, 15, 15), p.x, p.y)
    net &= np.random.default_rng(2).random(len(p)) < 0.5
    z = np.where(net, worlds.GROUND + 3.0, p.z)
    assert not len(look(points_of(p.x, p.y, z, p.return_number, p.returns, p.classification),
                        world.bounds))  # fmt: skip


def test_smaller_than_the_least_area_is_left_out():
    world = worlds.plane(**FLAT)
    van = with_house(of_world(world), at(world, 20, 20, 4, 3), eaves=2.4, pitch=0.0)
    assert not len(look(van, world.bounds))
    garage = with_house(of_world(world), at(world, 20, 20, 6, 4), eaves=2.4, pitch=0.0)
    assert len(look(garage, world.bounds)) == 1


def test_a_hill_that_the_ground_filter_cut_off_is_no_building():
    world = worlds.plane(**FLAT)
    p = of_world(world)
    away = np.hypot(p.x - worlds.LEFT - 30, p.y - worlds.BOTTOM - 30)
    hill = np.maximum(0, 4.0 - 0.2 * away)  # 4 m high, slope of 20 %
    raised = points_of(p.x, p.y, p.z + hill, p.return_number, p.returns, p.classification)
    # The ground beneath stays level, as a filter leaves it that took the hill for a building.
    assert not len(look(raised, world.bounds))


def test_class_6_is_taken_at_its_word():
    world = worlds.plane(**FLAT)
    shed = at(world, 20, 20, 4, 3)
    found = look(with_house(of_world(world), shed, kind=6), world.bounds)
    assert list(found["source"]) == [SOURCES[0]]
    assert found.geometry.iloc[0].intersection(shed).area > 0.9 * shed.area
    both = with_house(with_house(of_world(world), shed, kind=6), at(world, 40, 40, 8, 8))
    assert sorted(look(both, world.bounds)["source"]) == sorted(SOURCES)
    only = BuildingSettings(find=False)
    assert list(look(both, world.bounds, settings=only)["source"]) == [SOURCES[0]]


def test_a_label_on_half_a_roof_gives_one_building_not_two():
    world = worlds.plane(**FLAT)
    house = at(world, 20, 25, 12, 10)
    p = with_house(of_world(world), house)
    roof = shapely.contains_xy(house, p.x, p.y) & (p.z > worlds.GROUND + 2.5)
    kind = np.where(roof & (p.y < worlds.BOTTOM + 30), 6, p.classification)
    found = look(points_of(p.x, p.y, p.z, p.return_number, p.returns, kind), world.bounds)
    assert list(found["source"]) == [SOURCES[0]]


def test_neither_blocks_nor_their_order_matter():
    world = worlds.uniform_forest(contact_density=0.4, height=10.0)
    p = with_house(of_world(world), at(world, 15.3, 18.7, 13, 10))
    whole = look(p, world.bounds)
    assert len(whole) == 1
    shuffled = taken(p, np.random.default_rng(0).permutation(len(p)))
    for other in (look(p, world.bounds, size=17.0), look(shuffled, world.bounds, size=8.0,
                                                         backwards=True)):  # fmt: skip
        assert other.geometry.iloc[0].equals(whole.geometry.iloc[0])


def test_without_ground_nothing_is_found():
    world = worlds.plane(**FLAT)
    p = with_house(of_world(world), at(world, 20, 25, 12, 9))
    found = look(p, world.bounds, ground=lambda grid: np.full(grid.shape, np.nan, np.float32))
    assert len(found) == 0
    assert found.union_all().is_empty


def test_the_house_of_the_demo_without_its_label():
    truth = json.loads((TILES / "truth.json").read_text())
    house = shapely.Polygon(truth["house"])
    left, bottom, right, top = house.buffer(60).bounds
    parts = []
    for path in sorted((TILES / "tiles").glob("*.laz")):
        las = laspy.read(path)
        x, y = np.asarray(las.x), np.asarray(las.y)
        near = (x >= left) & (x < right) & (y > bottom) & (y <= top)
        parts.append(np.column_stack([
            x, y, las.z, las.return_number, las.number_of_returns, las.classification,
        ])[near])  # fmt: skip
    x, y, z, number, returns, kind = np.concatenate(parts).T
    assert (kind == 6).sum() > 100
    grid = Grid.over((left, bottom, right, top), 0.5, worlds.plane().crs)
    ground = kind == 2
    surface = triangulate(x[ground], y[ground], z[ground], grid)[0].astype(np.float32)
    for labels, source in ((kind, SOURCES[0]), (np.where(kind == 6, 1, kind), SOURCES[1])):
        p = points_of(x, y, z, number, returns, labels)
        found = find_buildings(Held(p, grid), grid, surface, SETTINGS)
        assert list(found["source"]) == [source]
        shape = found.geometry.iloc[0]
        assert shape.intersection(house).area > 0.9 * house.area
        assert shape.area < 1.25 * house.area


# Outside truth: classes of the producer. A cell counts where both or either say building.


def _tiles(paths, cell: float):
    x, y, z, number, returns, kind = np.concatenate([
        np.column_stack([
            las.x, las.y, las.z, las.return_number, las.number_of_returns, las.classification,
        ])
        for las in map(laspy.read, paths)
    ]).T  # fmt: skip
    kept = ~np.isin(kind, (7, 18, 26, 64, 65, 66, 67))
    x, y, z, number, returns, kind = (a[kept] for a in (x, y, z, number, returns, kind))
    grid = Grid.over((x.min(), y.min() - 1e-6, x.max() + 1e-6, y.max()), cell, "EPSG:32631")
    ground = kind == 2
    surface = triangulate(x[ground], y[ground], z[ground], grid)[0].astype(np.float32)

    def found(labels):
        p = points_of(x, y, z, number, returns, labels)
        return find_buildings(Held(p, grid), grid, surface, SETTINGS)

    return found, kind


@pytest.mark.real
@pytest.mark.parametrize(
    ("tile", "complete", "correct"),
    [
        ("ign-montpellier-mosaic/*.laz", 0.8, 0.88),
        ("ign-crop1-slope/crop_1.laz", 0.65, 0.93),
        ("ahn3-delft-crop2/ahn3_cropped_2.laz", 0.75, 0.95),
    ],
)
def test_against_buildings_that_a_producer_classified(real_data, tile, complete, correct):
    found, kind = _tiles(sorted(real_data.glob(tile)), 0.5)
    truth = found(kind)
    assert list(truth["source"].unique()) == [SOURCES[0]], "nothing beside what is classified"
    truth = truth.union_all()
    ours = found(np.where(kind == 6, 1, kind)).union_all()
    both = truth.intersection(ours).area
    assert both / truth.area >= complete
    assert both / ours.area >= correct


@pytest.mark.real
@pytest.mark.parametrize(
    "tile",
    [
        "lidr-mixedconifer/MixedConifer.laz", "lidr-megaplot/Megaplot.laz",
        "lidr-topography-lake/Topography.laz", "ponderosa-als/ALS_Clip.laz",
        "ign-crop3-spike/crop_3.laz",
    ],
)  # fmt: skip
def test_woods_hold_no_buildings(real_data, tile):
    """Forest plots without buildings (catalogue of the data)."""
    found, kind = _tiles([real_data / tile], 1.0)
    assert not len(found(kind))
