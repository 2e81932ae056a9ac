"""Stored points: canonical order, duplicates once, nothing lost."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lanewright.base.grid import Grid
from lanewright.sources.points import RECORD, Blocks, PointStore, canonical, pack

UTM16 = CRS.from_epsg(26916).to_wkt()


def records(seed: int, n: int, side: int = 40) -> np.ndarray:
    """Random records on a small lattice, so that places and whole records repeat."""
    rng = np.random.default_rng(seed)
    out = np.zeros(n, RECORD)
    for name in ("x", "y", "z"):
        out[name] = rng.integers(0, side, n) * 1000
    out["time"] = rng.integers(0, 3, n)
    out["returns"] = rng.integers(1, 4, n)
    out["number"] = rng.integers(1, 4, n)
    out["kind"] = rng.integers(3, 5, n)  # not ground, which may be left out as lone
    return out


def plain_canonical(given: np.ndarray) -> set:
    """The twin: a set of tuples, the lowest class of each repeat."""
    best: dict[tuple, int] = {}
    for r in given:
        key = tuple(r[n].item() for n in ("x", "y", "z", "time", "number", "returns"))
        best[key] = min(best.get(key, 99), int(r["kind"]))
    return {(*k, v) for k, v in best.items()}


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(0, 200), side=st.integers(1, 12))
def test_canonical_keeps_each_point_once_in_one_order(seed, n, side):
    given_ = records(seed, n, side)
    out = canonical(given_)
    names = ("x", "y", "z", "time", "number", "returns", "kind")
    assert {tuple(r[m].item() for m in names) for r in out} == plain_canonical(given_)
    assert len(out) == len(plain_canonical(given_))
    shuffled = np.random.default_rng(seed + 1).permutation(given_)
    assert (canonical(shuffled) == out).all()


def test_negative_places_sort_too():
    given_ = np.zeros(3, RECORD)
    given_["y"] = [5, -1, 0]
    assert sorted(canonical(given_)["y"].tolist()) == [-1, 0, 5]


def store(folder: Path, given_: np.ndarray, grid: Grid, size: float) -> PointStore:
    """Pack records that come in two part files."""
    blocks = Blocks.over(grid, size)
    number = (given_["y"] // blocks.size) * blocks.cols + given_["x"] // blocks.size
    segments: dict[int, list] = {}
    for part in (0, 1):
        mine, of = given_[part::2], number[part::2]
        order = np.argsort(of, kind="stable")
        path = folder / f"{part}.part"
        mine[order].tofile(path)
        first = 0
        for block, count in zip(*np.unique(of, return_counts=True), strict=True):
            segments.setdefault(int(block), []).append((path, first, int(count)))
            first += count
    packed = pack(folder, blocks, segments, 2)
    assert packed.kept + packed.duplicates + packed.lone == len(given_)
    assert packed.lone == 0
    return PointStore(folder, grid, blocks)


@pytest.mark.parametrize("size", [7.0, 16.0, 50.0])
def test_windows_give_each_point_once_whatever_the_blocks(tmp_path, size):
    grid = Grid(UTM16, 1000.0, 2040.0, 0.5, 80, 80)
    given_ = records(3, 3000)
    found = store(tmp_path, given_, grid, size)
    assert len(found) == len(plain_canonical(given_))
    # Points with y at the bottom edge belong to the cells south of the grid.
    inside = [k for k in plain_canonical(given_) if k[1] > 0]
    got = []
    for (row, col, rows, cols), block in found.windows(12.0):
        r, c = grid.rowcol(block.x, block.y)
        assert ((r >= row) & (r < row + rows) & (c >= col) & (c < col + cols)).all()
        got += zip(block.x.tolist(), block.y.tolist(), block.z.tolist(), strict=True)
    expected = [(1000 + k[0] / 1000, 2000 + k[1] / 1000, k[2] / 1000) for k in inside]
    assert sorted(got) == sorted(expected)


def test_read_is_the_same_points_as_a_plain_mask(tmp_path):
    grid = Grid(UTM16, 1000.0, 2040.0, 0.5, 80, 80)
    found = store(tmp_path, records(5, 2000), grid, 9.0)
    everything = found.read((0.0, 0.0, 1e5, 1e5))
    box = (1003.0, 2004.0, 1021.5, 2033.0)
    got = found.read(box)
    x, y = everything.x, everything.y
    mask = (x >= box[0]) & (x < box[2]) & (y > box[1]) & (y <= box[3])
    assert mask.sum() == len(got) > 100
    assert sorted(zip(got.x, got.y, got.z, strict=True)) == sorted(
        zip(x[mask], y[mask], everything.z[mask], strict=True)
    )


def test_nothing_there_is_no_points(tmp_path):
    grid = Grid(UTM16, 0.0, 40.0, 0.5, 80, 80)
    found = store(tmp_path, np.zeros(0, RECORD), grid, 10.0)
    assert len(found) == 0
    assert len(found.read(grid.bounds)) == 0
