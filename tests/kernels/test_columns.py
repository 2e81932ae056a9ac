"""The compiled column kernels against plain ones that do the same another way."""

import math
from bisect import bisect_right
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lanewright.growth.columns import DENSITY_TABLE
from lanewright.kernels import columns as kernel
from lanewright.kernels.columns import (
    GROUND,
    SOLID,
    VEGETATION,
    Counts,
    Drifts,
    Limits,
    Rays,
    Returns,
    States,
    Track,
    Window,
    bilinear,
    closed,
    encode,
    march,
    mean_density,
    states,
    window_sum,
)

CELL, LAYER, LAYERS = 0.5, 0.25, 64


def march_plainly(returns, ground, left, top, reach):
    """Cut each ray at every wall of a voxel and give each piece to the voxel of its middle."""
    rows, cols = ground.shape
    passes, stops, shaded = (np.zeros((rows, cols, LAYERS), np.int64) for _ in range(3))
    solid = np.zeros((rows, cols), np.uint64)
    spare = reach / LAYER
    for x, y, z, dx, dy, weight, path, kind in returns:
        place = (math.floor((top - y) / CELL), math.floor((x - left) / CELL))
        begin = 0.0
        if 0 <= place[0] < rows and 0 <= place[1] < cols and not np.isnan(ground[place]):
            height = (z - ground[place]) / LAYER
            begin = max(0.0, height - LAYERS - spare)
            if 0 <= height < LAYERS:
                if kind == VEGETATION:
                    stops[(*place, int(height))] += weight
                elif kind == SOLID:
                    solid[place] |= np.uint64(1) << np.uint64(int(height))
        aside = math.hypot(dx, dy)
        farthest = reach / (aside * LAYER) if aside else math.inf
        if begin == 0.0:
            _lay(passes, ground, left, top, (x, y, z, dx, dy), 1, 0.0,
                 min(farthest, LAYERS + spare), path)  # fmt: skip
        if kind != GROUND:
            _lay(shaded, ground, left, top, (x, y, z, dx, dy), -1, begin,
                 min(farthest, begin + LAYERS + 2 * spare), path)  # fmt: skip
    return passes, stops, shaded, solid


def _lay(counts, ground, left, top, ray, up, begin, end, path):
    x, y, z, dx, dy = ray
    rows, cols = ground.shape
    cuts = {begin, end}
    for start, drift, wall in ((x, dx, left), (y, dy, top)):
        step = up * drift * LAYER
        if step != 0:
            for n in range(-200, 200):
                t = (wall + n * CELL - start) / step
                if begin < t < end:
                    cuts.add(t)
    for a, b in pairwise(sorted(cuts)):
        middle = up * (a + b) / 2 * LAYER
        row = math.floor((top - y - dy * middle) / CELL)
        col = math.floor((x + dx * middle - left) / CELL)
        if not (0 <= row < rows and 0 <= col < cols) or np.isnan(ground[row, col]):
            continue
        base = (z - ground[row, col]) / LAYER
        low, high = sorted((base + up * a, base + up * b))
        if (up > 0 and low >= LAYERS) or (up < 0 and high <= 0):
            return
        for k in range(LAYERS):
            share = min(high, k + 1) - max(low, k)
            if share > 0:
                counts[row, col, k] += int(path * share + 0.5)


# Binary fractions, and drifts that are powers of two, keep all arithmetic exact. A ray that drifts
# both ways reaches as far as a root says, and what is cut there may round to either side.
places = st.integers(-64, 192).map(lambda n: n / 16 + 1 / 64)
drifts = st.tuples(st.sampled_from([0.0, 0.25, -0.25, 0.5, -0.125]), st.booleans()).map(
    lambda drawn: (drawn[0], 0.0) if drawn[1] else (0.0, drawn[0])
)
a_return = st.tuples(
    places,
    places,
    st.integers(-16, 400).map(lambda n: n / 16 + 1 / 128),
    drifts,
    st.integers(1, 840),
    st.integers(1, 900),
    st.sampled_from([GROUND, VEGETATION, SOLID]),
).map(lambda drawn: (*drawn[:3], *drawn[3], *drawn[4:]))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(a_return, min_size=1, max_size=6),
    st.lists(st.sampled_from([0.0, 0.25, 1.5, np.nan]), min_size=256, max_size=256),
)
def test_rays_like_plain_rays(returns, ground):
    ground = np.array(ground, np.float32).reshape(16, 16)
    passes, stops, shaded, solid = march_compiled(returns, ground, 0.0, 8.0, 6.0)
    plain = march_plainly(returns, ground, 0.0, 8.0, 6.0)
    np.testing.assert_array_equal(stops, plain[1])
    np.testing.assert_array_equal(solid, plain[3])
    np.testing.assert_array_equal(passes, plain[0])
    np.testing.assert_array_equal(shaded, plain[2])


def march_compiled(returns, ground, left, top, reach, shift=0, layer_shift=0):
    x, y, z, dx, dy, weight, path, kind = (np.array(v) for v in zip(*returns, strict=True))
    rows, cols = ground.shape
    shape = (-(-rows // 2**shift), -(-cols // 2**shift), LAYERS >> layer_shift)
    counts = [np.zeros(shape, np.int32) for _ in range(3)]
    solid = np.zeros(ground.shape, np.uint64)
    rays = Rays(
        x.astype(float), y.astype(float), z.astype(float), dx.astype(float), dy.astype(float),
        weight.astype(np.int32), path.astype(np.int32), kind.astype(np.uint8),
    )  # fmt: skip
    window = Window(ground, left, top, CELL, LAYER, reach, shift, layer_shift)
    march(rays, window, Counts(*counts), solid)
    return (*counts, solid)


def some_returns(count, seed=3):
    rng = np.random.default_rng(seed)
    return list(
        zip(
            rng.uniform(-4, 12, count), rng.uniform(-4, 12, count), rng.uniform(0, 25, count),
            rng.uniform(-0.5, 0.5, count), rng.uniform(-0.5, 0.5, count),
            rng.integers(100, 841, count), rng.integers(100, 900, count),
            rng.integers(0, 3, count),
            strict=True,
        )
    )  # fmt: skip


def test_a_merged_raster_holds_the_sums_of_the_fine_one():
    ground = np.random.default_rng(0).uniform(0, 2, (16, 16)).astype(np.float32)
    returns = some_returns(300)
    fine = march_compiled(returns, ground, 0.0, 8.0, 6.0)
    merged = march_compiled(returns, ground, 0.0, 8.0, 6.0, shift=2, layer_shift=1)
    for a, b in zip(fine[:3], merged[:3], strict=True):
        np.testing.assert_array_equal(a.reshape(4, 4, 4, 4, 32, 2).sum((1, 3, 5)), b)


def test_order_of_returns_does_not_matter():
    ground = np.zeros((16, 16), np.float32)
    returns = some_returns(200)
    one = march_compiled(returns, ground, 0.0, 8.0, 6.0)
    other = march_compiled(returns[::-1], ground, 0.0, 8.0, 6.0)
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a, b)


def test_a_vertical_ray_to_the_ground_passes_every_layer():
    passes, stops, shaded, _ = march_compiled(
        [(1.1, 6.9, 0.0, 0.0, 0.0, 840, 840, GROUND)], np.zeros((16, 16), np.float32), 0.0, 8.0, 1.0
    )
    assert passes[2, 2].tolist() == [840] * LAYERS
    assert passes.sum() == 840 * LAYERS
    assert stops.sum() == shaded.sum() == 0


def test_a_slant_ray_passes_its_height_in_all():
    """Whatever voxels it crosses, the shares add up to the layers between return and top."""
    passes, stops, shaded, _ = march_compiled(
        [(1.1, 4.3, 3.1, 0.31, -0.17, 840, 100_000, VEGETATION)],
        np.zeros((64, 64), np.float32), -8.0, 16.0, 12.0,
    )  # fmt: skip
    assert passes.sum() == pytest.approx(100_000 * (LAYERS - 3.1 / LAYER), rel=1e-5)
    assert shaded.sum() == pytest.approx(100_000 * 3.1 / LAYER, rel=1e-5)
    assert stops.sum() == 840
    assert stops[23, 18, 12] == 840


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32 - 1), st.integers(1, 7), st.integers(1, 7), st.integers(0, 4),
    st.integers(0, 9), st.integers(0, 3),
)  # fmt: skip
def test_window_sums_like_plain_sums(seed, rows, cols, half, up, floor):
    counts = np.random.default_rng(seed).integers(0, 10**6, (rows, cols, 12)).astype(np.int32)
    plain = np.empty_like(counts)
    for r in range(rows):
        for c in range(cols):
            for k in range(12):
                low, high = (0, floor) if k < floor else (floor, 12)
                plain[r, c, k] = counts[
                    max(r - half, 0) : r + half + 1,
                    max(c - half, 0) : c + half + 1,
                    max(k - up, low) : min(k + up + 1, high),
                ].sum()
    np.testing.assert_array_equal(window_sum(counts, half, up, floor), plain)


def test_states_like_the_rule():
    rng = np.random.default_rng(5)
    shape = (6, 7, LAYERS)
    passes, stops, shaded = (
        (rng.integers(0, 4000, shape) * (rng.random(shape) < 0.5)).astype(np.int32)
        for _ in range(3)
    )
    solid = rng.integers(0, 2**63, (6, 7), dtype=np.uint64) << np.uint64(1)
    solid[rng.random((6, 7)) < 0.6] = 0
    out = States(*(np.zeros((4, 4), np.uint64) for _ in range(3)))
    states(Counts(passes, stops, shaded), solid, (1, 2), LAYER / 840, 0.6, out)
    kinds = set()
    for row in range(4):
        for col in range(4):
            for k in range(LAYERS):
                at = (row + 1, col + 2, k)
                seen = passes[at] * LAYER / 840
                full = seen + shaded[at] * LAYER / 840
                hit = stops[at] > 0 or bool(int(solid[at[:2]]) >> k & 1)
                searched = seen >= 0.6 or hit
                bits = tuple(int(mask[row, col]) >> k & 1 for mask in out)
                assert bits == (hit, searched, full >= 0.6 and not searched)
                kinds.add(bits)
    assert kinds == {(1, 1, 0), (0, 1, 0), (0, 0, 1), (0, 0, 0)}


def test_codes_are_the_nearest_of_the_table():
    rng = np.random.default_rng(6)
    density = np.exp(rng.uniform(-10, 4, (6, 7, LAYERS))).astype(np.float32)
    solid = rng.integers(0, 2**63, (6, 7), dtype=np.uint64)
    solid[rng.random((6, 7)) < 0.6] = 0
    code = np.zeros((4, 4, LAYERS), np.uint8)
    encode(density, solid, (1, 2), -12, 255, code)
    for row, col, k in np.ndindex(code.shape):
        mean, read = density[row + 1, col + 2, k], DENSITY_TABLE[code[row, col, k]]
        if int(solid[row + 1, col + 2]) >> k & 1:
            assert code[row, col, k] == 255
        elif mean < 2.0**-12:
            assert read == 0.0
        else:
            assert read == pytest.approx(min(mean, 14.75), rel=1 / 32 + 1e-4)


@given(st.lists(st.integers(0, 255), min_size=LAYERS, max_size=LAYERS), st.integers(0, 255))
@settings(max_examples=50, deadline=None)
def test_closed_layers_like_plain_ones(codes, threshold):
    code = np.array(codes, np.uint8).reshape(1, 1, LAYERS)
    out = np.zeros((1, 1), np.uint64)
    closed(code, np.arange(256) >= threshold, out)
    assert int(out[0, 0]) == sum(1 << k for k, c in enumerate(codes) if c >= threshold)


def test_mean_density_leaves_out_what_is_solid():
    code = np.array([[[10, 255, 30, 40], [255, 255, 255, 255]]], np.uint8)
    out = np.empty((1, 2), np.float32)
    mean_density(code, np.arange(256, dtype=np.float32), 0, 3, 255, out)
    assert out[0, 0] == 20.0
    assert np.isnan(out[0, 1])


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_bilinear_is_exact_on_a_plane_between_centres(u, v):
    row, col = np.mgrid[0:5, 0:6]
    plane = (3.0 * col - 2.0 * row).astype(np.float32)
    x, y = 100.5 + u * 5.0, 199.5 - v * 4.0
    out = np.empty(1)
    bilinear(plane, 100.0, 200.0, 1.0, np.array([x]), np.array([y]), out)
    assert out[0] == pytest.approx(3.0 * (x - 100.5) - 2.0 * (199.5 - y), abs=1e-8)


def test_bilinear_beside_a_void_and_in_it():
    raster = np.full((4, 4), np.nan, np.float32)
    raster[0, 0] = 7.0
    out = np.empty(2)
    bilinear(raster, 0.0, 4.0, 1.0, np.array([0.9, 3.0]), np.array([3.2, 1.0]), out)
    assert out[0] == 7.0
    assert np.isnan(out[1])


def plain_drift(place, time, line, limits):
    """Way aside per metre towards the sensor of one return, or None; `line` is (time, place)s."""
    if not line or time == 0:
        return None
    times = [t for t, _ in line]
    after = bisect_right(times, time)
    if after == 0:
        sensor = line[0][1] if times[0] - time <= limits.moment else None
    elif after == len(line):
        sensor = line[-1][1] if time - times[-1] <= limits.moment else None
    else:
        (t0, a), (t1, b) = line[after - 1], line[after]
        if t1 - t0 <= limits.longest_gap:
            sensor = a + (time - t0) / (t1 - t0) * (b - a)
        elif time - t0 <= limits.moment:
            sensor = a
        else:
            sensor = b if t1 - time <= limits.moment else None
    if sensor is None:
        return None
    east, north, up = sensor - place
    if up <= 10 or math.hypot(east, north) > limits.steepest * up:
        return None
    return east / up, north / up


@pytest.mark.parametrize("seed", range(4))
def test_drifts_like_one_return_at_a_time(seed):
    """Before, between and after the positions of three lines, one of them unknown."""
    rng = np.random.default_rng(seed)
    limits = Limits(2.0, 0.4, 0.6)
    lines = []
    for count in (12, 0, 7):
        times = np.cumsum(rng.choice([0.5, 1.5, 6.0], count)) + 10.0
        places = rng.normal((0, 0, 900), 300, (count, 3))
        lines.append(list(zip(times.tolist(), places, strict=True)))
    n = 600
    places, source = rng.normal(0, 80, (n, 3)), rng.integers(0, 3, n).astype(np.uint16)
    known = [t for line in lines for t, _ in line]
    time = rng.uniform(8.0, max(known) + 2.0, n)
    time[:20], time[20:40] = 0.0, rng.choice(known, 20)  # no time, and right at a position
    track = Track(
        np.cumsum([0, *map(len, lines)]), np.array(known),
        np.array([p for line in lines for _, p in line]),
    )  # fmt: skip
    out = Drifts(np.zeros(n), np.zeros(n), np.zeros(n, bool))
    xyz = (np.ascontiguousarray(column) for column in places.T)
    kernel.drift(Returns(*xyz, time, source), track, limits, out)
    expected = [
        plain_drift(p, t, lines[s], limits) for p, t, s in zip(places, time, source, strict=True)
    ]
    assert out.known.tolist() == [e is not None for e in expected]
    assert 50 < out.known.sum() < n - 50
    for i in np.flatnonzero(out.known):
        assert (out.east[i], out.north[i]) == pytest.approx(expected[i], abs=1e-12)
    assert not out.east[~out.known].any()
