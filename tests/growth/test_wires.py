"""Wires: those the vendor classified, those that hang in rows, and trees that are none."""

import json
from pathlib import Path

import laspy
import numpy as np
import rasterio
import shapely
from scipy.spatial import cKDTree

from lanewright.growth.wires import LONG, _along, _joined, alone, rows_of


def hanging(line: shapely.LineString, low: float, high: float, step: float, seed: int = 0):
    """Returns along a wire that sags between poles 40 m apart, a hand's breadth of scatter."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(0, line.length, int(line.length / step)))
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    sag = high - (high - low) * np.sin(np.pi * (at % 40) / 40)
    return np.column_stack([xy + rng.normal(0, 0.05, xy.shape), sag + rng.normal(0, 0.03, len(at))])


def wood(size: float, trees: int, seed: int):
    """Returns of rounded crowns, and of the ground between."""
    rng = np.random.default_rng(seed)
    tops = np.column_stack([rng.uniform(0, size, (trees, 2)), rng.uniform(8, 18, trees)])
    parts = [np.column_stack([rng.uniform(0, size, (4000, 2)), rng.normal(0, 0.1, 4000)])]
    for x, y, height in tops:
        n = 120
        away, turn = 3 * np.sqrt(rng.random(n)), rng.uniform(0, 2 * np.pi, n)
        z = height - 0.25 * away**2 - rng.exponential(0.8, n)
        parts.append(np.column_stack([x + away * np.cos(turn), y + away * np.sin(turn), z]))
    return np.concatenate(parts)


LINE = shapely.LineString([(10, 20), (120, 60), (180, 140)])


def test_wire_over_open_ground_is_found_where_it_hangs():
    wire = hanging(LINE, 7.6, 9.0, 0.8)
    rng = np.random.default_rng(1)
    ground = np.column_stack([rng.uniform(0, 200, (8000, 2)), rng.normal(0, 0.05, 8000)])
    found = rows_of(alone(np.concatenate([ground, wire])))
    lines = [_along(points) for points in found]
    assert sum(line.length for line in lines) > 0.8 * LINE.length
    for line in lines:
        assert LINE.buffer(1.0).covers(line)
    assert min(points[:, 2].min() for points in found) > 7.3


def test_wood_has_no_wires():
    for seed in range(3):
        rows = rows_of(alone(wood(120.0, 120, seed)))
        assert [line for line in map(_along, rows) if line.length >= LONG] == []


def test_wire_past_scattered_trees_is_still_found():
    away = wood(200.0, 25, 5)
    near = cKDTree(shapely.get_coordinates(LINE.segmentize(1.0))).query(away[:, :2])[0] < 6
    found = rows_of(alone(np.concatenate([away[~near], hanging(LINE, 7.6, 9.0, 0.8)])))
    lines = [line for line in map(_along, found) if line.length >= LONG]
    assert sum(line.length for line in lines) > 0.6 * LINE.length
    for line in lines:
        assert LINE.buffer(2.0).covers(line)


def test_vendors_returns_are_joined_by_what_lies_near():
    other = shapely.LineString([(0, 300), (60, 300)])
    both = np.concatenate([hanging(LINE, 7, 9, 1.0), hanging(other, 7, 9, 1.0)])
    groups = _joined(both, 24.0, 3)
    assert sorted(len(g) for g in groups) == sorted([int(LINE.length), 60])
    assert _joined(both[:2], 24.0, 3) == []


def test_the_demo_line_is_found_without_the_vendors_classes():
    tiles = Path(__file__).resolve().parents[2] / "sample_tiles"
    with rasterio.open(next((tiles / "dem").glob("*.tif"))) as dem:
        ground, to_cell = dem.read(1, masked=True).filled(np.nan), ~dem.transform
    loose = []
    for path in sorted((tiles / "tiles").glob("*.laz")):
        tile = laspy.read(path)
        x, y, z = (np.asarray(tile[axis]) for axis in "xyz")
        col, row = to_cell.a * x + to_cell.c, to_cell.e * y + to_cell.f
        under = ground[row.astype(int), col.astype(int)]
        # As from a vendor who leaves wires unclassified.
        kind = np.asarray(tile.classification)
        plant = np.isin(kind, (0, 1, 3, 4, 5, 13, 14)) & np.isfinite(under)
        loose.append(alone(np.column_stack([x, y, z - under])[plant]))
    rows = map(_along, rows_of(np.concatenate(loose)))
    lines = [line for line in rows if line.length >= LONG]
    true = shapely.LineString(json.loads((tiles / "truth.json").read_text())["wire"]["line"])
    found = shapely.union_all(lines)
    flown = true.intersection(shapely.box(552_000, 4_310_000, 552_600, 4_310_600))
    assert flown.intersection(found.buffer(2)).length > 0.75 * flown.length
    assert found.difference(true.buffer(3)).length == 0
