"""The graph of a skeleton, held against skan, a library for skeletons as graphs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.morphology import skeletonize

from lanewright.kernels.skeleton import link, trace


def branches(thin: np.ndarray) -> list[np.ndarray]:
    links = np.zeros(thin.shape, np.uint8)
    joined = link(thin, links)
    cells, start = np.empty((joined, 2), np.int64), np.empty(joined // 2 + 1, np.int64)
    count = trace(links, links.copy(), cells, start)
    return np.split(cells[: start[count]], start[1:count]) if count else []


def length(path: np.ndarray) -> float:
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def mask(*lines: tuple[slice | int, slice | int], size: int = 40) -> np.ndarray:
    out = np.zeros((size, size), bool)
    for line in lines:
        out[line] = True
    return out


def test_a_line_is_one_branch():
    (path,) = branches(mask((10, slice(5, 30))))
    assert length(path) == 24
    assert path[0].tolist() == [10, 5]
    assert path[-1].tolist() == [10, 29]


def test_a_bend_is_no_junction():
    (path,) = branches(mask((10, slice(5, 20)), (slice(10, 30), 19)))
    assert length(path) == 14 + 19


def test_a_cross_is_four_branches_that_share_a_node():
    found = branches(mask((20, slice(5, 36)), (slice(5, 36), 20)))
    assert sorted(length(p) for p in found) == [15, 15, 15, 15]
    assert all([20, 20] in (p[0].tolist(), p[-1].tolist()) for p in found)


def test_a_ring_is_one_branch_back_to_its_start():
    ring = mask((5, slice(5, 16)), (15, slice(5, 16)), (slice(5, 16), 5), (slice(5, 16), 15))
    (path,) = branches(ring)
    assert path[0].tolist() == path[-1].tolist()
    assert length(path) == 40


def test_nothing_and_a_lone_cell_are_no_branches():
    assert branches(np.zeros((5, 5), bool)) == []
    assert branches(mask((3, 3))) == []


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.3, 0.9))
def test_every_link_is_walked_once(seed, share):
    thin = skeletonize(np.random.default_rng(seed).random((24, 24)) < share)
    links = np.zeros(thin.shape, np.uint8)
    joined = link(thin, links)
    walked = [
        frozenset((tuple(a), tuple(b)))
        for path in branches(thin)
        for a, b in zip(path.tolist(), path[1:].tolist(), strict=False)
    ]
    assert len(walked) == len(set(walked)) == joined // 2
    degree = np.bitwise_count(links)
    for path in branches(thin):
        assert (degree[path[1:-1, 0], path[1:-1, 1]] == 2).all()


@pytest.mark.parametrize("seed", range(4))
def test_lengths_are_those_of_skan(seed):
    """skan thins junctions of several cells its own way, so totals agree within those."""
    skan = pytest.importorskip("skan")
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((200, 200))
    from scipy import ndimage

    thin = skeletonize(ndimage.gaussian_filter(noise, 4) > 0)
    theirs = skan.Skeleton(thin, keep_images=False).path_lengths()
    ours = np.array([length(p) for p in branches(thin)])
    assert ours.sum() == pytest.approx(theirs.sum(), rel=0.02)
    assert (ours > 8).sum() == pytest.approx((theirs > 8).sum(), rel=0.05)
