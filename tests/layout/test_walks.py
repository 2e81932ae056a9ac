"""Walks against another library's shortest paths on the same land, and against plain geometry."""

from itertools import pairwise

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
import shapely

from lanewright.base.grid import Grid
from lanewright.layout.walks import (
    EASY,
    Wetness,
    bridged,
    footing,
    graph_of,
    met_by,
    nodes_of,
    seconds_between,
    speed,
    streams,
    walks_between,
)
from lanewright.settings.layout import WalkSettings

UTM = "EPSG:32617"
SIDE = 60.0


def land(settings=None, cell=1.0, height=None, keep_out=None, water=None, wet=None, paths=None):
    grid = Grid(UTM, 0.0, SIDE, cell, round(SIDE / cell), round(SIDE / cell))
    none = np.zeros(grid.shape, bool)
    return footing(
        grid,
        np.zeros(grid.shape, np.float32) if height is None else height.astype(np.float32),
        shapely.box(0, 0, SIDE, SIDE),
        shapely.Polygon() if keep_out is None else keep_out,
        Wetness(none if water is None else water, none if wet is None else wet, none),
        settings or WalkSettings(),
        paths,
    )


def rough(seed=3):
    rng = np.random.default_rng(seed)
    hills = np.cumsum(np.cumsum(rng.normal(0, 0.02, (60, 60)), 0), 1)
    wet = rng.random((60, 60)) < 0.15
    water = np.zeros((60, 60), bool)
    water[20:26, :40] = True
    return land(height=hills, wet=wet, water=water, keep_out=shapely.box(30, 5, 38, 30))


def plain_graph(ground):
    """Every step written out from its definition, as a networkx graph."""
    cell, slow, z = ground.grid.cell, ground.slow, ground.height
    beside = {
        (1, 1): [(0, 1), (1, 0)], (1, -1): [(0, -1), (1, 0)],
        (1, 2): [(0, 1), (1, 1)], (1, -2): [(0, -1), (1, -1)],
        (2, 1): [(1, 0), (1, 1)], (2, -1): [(1, 0), (1, -1)],
    }  # fmt: skip
    steps = {(0, 1): [], (1, 0): [], **beside}
    made = nx.DiGraph()
    rows, cols = slow.shape
    for r in range(rows):
        for c in range(cols):
            for (i, j), passed in steps.items():
                touched = [(r, c), (r + i, c + j), *((r + a, c + b) for a, b in passed)]
                if not all(0 <= y < rows and 0 <= x < cols for y, x in touched):
                    continue
                mean = np.mean([float(slow[at]) for at in touched])
                length = cell * np.hypot(i, j)
                grade = (float(z[r + i, c + j]) - float(z[r, c])) / length
                if not np.isfinite(mean) or abs(grade) > 0.6:
                    continue
                for way, a, b in ((grade, 0, 1), (-grade, 1, 0)):
                    # Tobler 1993: 6 exp(-3.5 |S + 0.05|) km/h on paths, six tenths off them.
                    pace = 0.6 * 6 / 3.6 * np.exp(-3.5 * abs(way + 0.05))
                    made.add_edge(touched[a], touched[b], s=length * mean / pace)
    return made


def test_walks_take_as_long_as_networkx_finds():
    ground = rough()
    rng = np.random.default_rng(0)
    starts, ends = rng.uniform(3, 57, (2, 6, 2))
    found = seconds_between(ground, graph_of(ground), starts, ends)
    plain = plain_graph(ground)
    here, there = (
        [tuple(map(int, divmod(n, ground.grid.cols))) for n in nodes_of(ground, at)]
        for at in (starts, ends)
    )
    for i, a in enumerate(here):
        times = nx.single_source_dijkstra_path_length(plain, a, weight="s")
        for j, b in enumerate(there):
            assert found[i, j] == pytest.approx(times.get(b, np.inf), rel=1e-6)


def test_drawn_walk_takes_the_time_that_it_says():
    ground = rough()
    starts, ends = np.array([[5.0, 5.0], [50.0, 8.0]]), np.array([[55.0, 55.0], [8.0, 55.0]])
    pairs = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
    graph = graph_of(ground)
    time = seconds_between(ground, graph, starts, ends)[pairs[:, 0], pairs[:, 1]]
    plain = plain_graph(ground)
    for walk, expected in zip(
        walks_between(ground, graph, starts, ends, pairs, time), time, strict=True
    ):
        assert walk is not None
        assert walk.seconds == pytest.approx(expected)
        inner = shapely.get_coordinates(walk.line)[1:-1]
        row, col = ground.grid.rowcol(*inner.T)
        cells = list(zip(row.tolist(), col.tolist(), strict=True))
        along = sum(plain.edges[a, b]["s"] for a, b in pairwise(cells))
        assert along < expected
        assert along > 0.9 * expected  # all but the first and last step
        assert np.isfinite(ground.slow[row, col]).all()


def test_on_level_ground_a_walk_is_at_most_3_percent_longer_than_straight():
    ground = land(WalkSettings(cell=1.0))
    starts = np.array([[5.5, 5.5]])
    ends = np.array([[55.5, 5.5 + y] for y in range(0, 50, 5)])
    time = seconds_between(ground, graph_of(ground), starts, ends)[0]
    straight = np.hypot(*(ends - starts).T)
    assert (time * EASY >= straight - 1e-6).all()
    assert (time * EASY <= 1.03 * straight).all()


def test_speed_is_toblers():
    # Tobler 1993, as restated: 5.04, 6.00 and 3.55 km/h on paths at 0, -5 and +10 %.
    assert speed(np.array([0.0, -0.05, 0.10])) * 3.6 / 0.6 == pytest.approx(
        [5.04, 6.00, 3.55], abs=0.01
    )


def creek(width):
    water = np.zeros((120, 120), bool)
    middle = 60
    water[middle - width : middle + width, :] = True  # cells of half a metre
    return water


def test_narrow_water_is_bridged_and_told_and_broad_water_is_not_crossed():
    start, end = np.array([[30.0, 10.0]]), np.array([[30.0, 50.0]])
    pairs, forever = np.array([[0, 0]]), np.array([np.inf])
    narrow = land(cell=0.5, water=creek(4))  # 4 m wide
    (walk,) = walks_between(narrow, graph_of(narrow), start, end, pairs, forever)
    assert walk is not None
    assert met_by(narrow, walk.line).water == pytest.approx(4, abs=1)
    assert bridged(narrow, np.array([walk.line, None], object)).tolist() == [True, False]
    broad = land(cell=0.5, water=creek(12))  # 12 m
    assert walks_between(broad, graph_of(broad), start, end, pairs, forever) == [None]
    none = land(WalkSettings(bridge=0.0), cell=0.5, water=creek(1))
    assert walks_between(none, graph_of(none), start, end, pairs, forever) == [None]


@pytest.mark.parametrize("slope", [1, 2, -1, 0.5])
def test_no_walk_slips_through_a_thin_wall_of_water(slope):
    """A slanting ditch of single cells has no gap between two of them."""
    row, col = np.mgrid[:60, :60]
    water = np.abs((row - 30) - slope * (col - 30)) <= 0.5 * max(1, abs(slope))
    ground = land(WalkSettings(bridge=0.0, cell=1.0), water=water)
    side = np.sign((row - 30) - slope * (col - 30))
    a, b = (np.argwhere((side == s) & ~water) for s in (1, -1))
    xy = [np.column_stack(ground.grid.xy(*cells[[0, len(cells) // 2, -1]].T)) for cells in (a, b)]
    assert not np.isfinite(seconds_between(ground, graph_of(ground), *xy)).any()


def test_a_path_opens_a_keep_out_and_is_quicker():
    wall = shapely.box(28, 0, 32, SIDE)
    start, end = np.array([[10.0, 30.0]]), np.array([[50.0, 30.0]])
    closed = land(keep_out=wall)
    assert not np.isfinite(seconds_between(closed, graph_of(closed), start, end)).any()
    opened = land(keep_out=wall, paths=shapely.LineString([(5, 30), (55, 30)]))
    time = seconds_between(opened, graph_of(opened), start, end)[0, 0]
    assert time * EASY == pytest.approx(0.6 * 40, rel=0.1)


def test_a_walk_goes_round_wet_ground_when_that_is_quicker():
    wet = np.zeros((60, 60), bool)
    wet[10:50, 25:35] = True
    ground = land(WalkSettings(wet=20.0), wet=wet)
    start, end = np.array([[20.0, 48.0]]), np.array([[40.0, 48.0]])
    (walk,) = walks_between(
        ground, graph_of(ground), start, end, np.array([[0, 0]]), np.array([np.inf])
    )
    assert walk is not None
    assert met_by(ground, walk.line).wet < 1.0
    assert walk.line.length > 20


def test_what_a_climb_asks():
    ramp = np.tile(np.linspace(0, 12, 60), (60, 1))  # a fifth up to the east
    ground = land(height=ramp)
    met = met_by(
        ground,
        shapely.LineString([(x, 30, 12 * (x - 0.5) / 59) for x in np.arange(5, 55.0, 1.0)]),
    )
    assert met.climb == pytest.approx(49 * 12 / 59, abs=0.01)
    assert met.steepest_pct == pytest.approx(100 * 12 / 59, abs=0.1)
    pace = 6 * np.exp(-3.5 * (12 / 59 + 0.05)) * 0.6 / 3.6
    assert met.minutes == pytest.approx(49 / pace / 60, rel=1e-3)


def test_a_place_off_walkable_ground_starts_from_the_nearest():
    ground = land(keep_out=shapely.box(20, 20, 40, 40))
    cell, far = nodes_of(ground, np.array([[22.0, 30.0], [200.0, 30.0]]))
    row, col = divmod(int(cell), ground.grid.cols)
    assert np.isfinite(ground.slow[row, col])
    assert far == -1


def test_a_creek_that_lidar_saw_in_pieces_still_asks_for_a_bridge():
    """Streams start where 8 to 16 ha drain on coarse ground (Ågren et al. 2014)."""
    grid = Grid(UTM, 0.0, SIDE, 1.0, 60, 60)
    lines = gpd.GeoDataFrame(
        {"upslope_ha": [20.0, 3.0]},
        geometry=[
            shapely.LineString([(0, 30.5), (60, 30.5)]),
            shapely.LineString([(20.5, 0), (20.5, 30)]),
        ],
        crs=UTM,
    )
    pieces = np.zeros(grid.shape, bool)
    pieces[29, 10:15] = True
    water = pieces | streams(lines, grid, 8.0)
    crossing = np.array([shapely.LineString([(50, 10), (50, 50)])], object)
    along = np.array([shapely.LineString([(10, 10), (40, 10)])], object)
    assert bridged(land(water=water), crossing).all()
    assert not bridged(land(water=pieces), crossing).any()
    assert not bridged(land(water=water), along).any()  # over what seldom runs
    assert not streams(lines, grid, 0.0).any()
