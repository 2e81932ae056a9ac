"""Throws against a plain twin, and their random numbers against the published generator."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lanewright.kernels import throws as kernel

MASK = 2**64 - 1


def plain_mix(z):
    z = (z + 0x9E3779B97F4A7C15) & MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
    return z ^ (z >> 31)


def test_numbers_are_those_of_splitmix64():
    """First outputs for seeds 0 and 1234567, as printed with the reference implementation."""
    assert int(kernel.mix(np.uint64(0))) == 0xE220A8397B1DCDAF
    assert int(kernel.mix(np.uint64(1234567))) == 6457827717110365317
    for z in (1, 2**63, MASK):
        assert int(kernel.mix(np.uint64(z))) == plain_mix(z)


def plain_uniform(seed, number):
    return ((plain_mix(seed ^ plain_mix(number)) >> 11) + 1.0) / 2**53


def test_uniform_numbers_look_uniform():
    from scipy.stats import kstest

    drawn = [kernel.uniform(np.uint64(7), i) for i in range(5000)]
    assert drawn[:5] == [plain_uniform(7, i) for i in range(5)]
    assert kstest(drawn, "uniform").pvalue > 0.01
    assert 0 < min(drawn) <= max(drawn) <= 1


def plain_walk(leg, tables, i_row, n, stretch, sideways, upwards, enough, field):
    r0, c0, z0, dr, dc, dz, length = leg
    along, left, rise, path = tables
    depth, stop, seen, total, met = [0.0] * 4, -1, 0, 0, []
    rows, cols = field["ground"].shape
    for i in range(n):
        u = float(along[i_row, i]) * stretch
        if u > 1.0:
            break
        v = float(left[i_row, i]) * stretch + sideways * u
        r, c = r0 + dr * u - dc * v, c0 + dc * u + dr * v
        if not (0 <= r < rows and 0 <= c < cols):
            break
        at = int(r), int(c)
        z = z0 + dz * u + float(rise[i_row, i]) * stretch + upwards * u * length
        height = (z - float(field["ground"][at])) * 4.0
        if height < field["lowest"]:
            break
        if math.isnan(height) or height >= 64:
            continue
        layer = int(height)
        step = float(path[i_row, i]) * stretch * length
        here = float(np.float32(float(field["table"][field["density"][at][layer]]) * step))
        stem = float(np.float32(float(field["trunk"][at]) * step))
        stem = stem if layer < field["trunk_top"][at] else 0.0
        thin = float(field["stems"][at]) * step
        known = int(field["searched"][at]) >> layer & 1
        spot = (*at, layer), (u, v * length, height / 4)
        met += [(*spot, 0 if known else 2, here)] if here else []
        met += [(*spot, 1, stem)] if stem else []
        total += 1
        if known:
            seen += 1
            depth[1] += here
            depth[2] += here + stem + thin
        else:
            depth[2] += max(here, float(field["prior"][layer]) * step) + stem + thin
        depth[0] = depth[0] + here + stem
        depth[3] += here * field["leaf"] + stem
        if stop < 0 and depth[0] >= enough:
            stop = i
    return depth, stop, total, seen, met


def plain_throw(leg, tables, row, n, seed, throws, lateral, upward, speed, power, field):
    clear, space, stops, mets = [0] * 4, [0, 0], [], []
    for t in range(throws):
        draw = [plain_uniform(seed, 8 * t + k) for k in range(5)]
        radius, angle = math.sqrt(-2 * math.log(draw[0])), 2 * math.pi * draw[1]
        sideways = math.tan(lateral * radius * math.cos(angle))
        upwards = math.tan(upward * radius * math.sin(angle))
        radius, angle = math.sqrt(-2 * math.log(draw[2])), 2 * math.pi * draw[3]
        stretch = max(1 + speed * radius * math.cos(angle), 0.1) ** power
        enough = float(np.float32(-math.log(draw[4])))
        depth, stop, total, seen, met = plain_walk(
            leg, tables, row, n, stretch, sideways, upwards, enough, field
        )
        clear = [c + (d < enough) for c, d in zip(clear, depth, strict=True)]
        space = [space[0] + total, space[1] + seen]
        stops.append(stop)
        mets.append((depth[0], enough, met))
    return clear, space, stops, mets


ORDER = (
    "lowest", "ground", "density", "table", "searched", "prior", "leaf", "trunk", "trunk_top",
    "stems",
)  # fmt: skip


def field_of(rng, rows, cols):
    """Anything the stages before may hand over, also unknown ground and the outermost layers."""
    ground = rng.uniform(100, 103, (rows, cols)).astype(np.float32)
    ground[rng.random((rows, cols)) < 0.03] = np.nan
    return {
        "lowest": 2.0,
        "ground": ground,
        "density": rng.integers(0, 3, (rows, cols, 64)).astype(np.uint8),
        "table": np.r_[0.0, 0.02, 0.2, np.zeros(253)].astype(np.float32),
        "searched": rng.integers(0, 2**63, (rows, cols)).astype(np.uint64) * np.uint64(2),
        "prior": rng.uniform(0, 0.1, 64).astype(np.float32),
        "leaf": 2.0,
        "trunk": (rng.random((rows, cols)) * 0.05).astype(np.float32),
        "trunk_top": rng.integers(0, 65, (rows, cols)).astype(np.uint8),
        "stems": np.full((rows, cols), 0.01, np.float32),
    }


def meet(legs, seeds, throws, spread, tables, field):
    """Counts and rows of all that is met, in the two passes of the kernel."""
    counts = np.zeros((seeds.size, throws), np.int64)
    enough = np.zeros(counts.shape, np.float32)

    def room(size):
        return (
            np.zeros((size, 3), np.int32), np.zeros(size, np.uint8), np.zeros(size, np.float32),
            np.zeros((size, 3), np.float32),
        )  # fmt: skip

    given = (*legs, seeds, throws, *spread, *tables, *field)
    kernel.meet(*given, counts, enough, *room(0))
    starts = np.cumsum(counts).reshape(counts.shape) - counts
    rows = room(int(counts.sum()))
    kernel.meet(*given, starts, enough, *rows)
    return counts, starts, enough, rows


def check_meetings(met, leg, expected):
    counts, starts, enoughs, (places, kinds, depths, points) = met
    for t, (total, enough, plain) in enumerate(expected):
        assert enoughs[leg, t] == enough
        assert counts[leg, t] == len(plain)
        mine = slice(starts[leg, t], starts[leg, t] + counts[leg, t])
        assert [tuple(p) for p in places[mine].tolist()] == [p[0] for p in plain]
        np.testing.assert_allclose(points[mine], [p[1] for p in plain] or np.empty((0, 3)), 1e-5)
        assert kinds[mine].tolist() == [p[2] for p in plain]
        assert depths[mine].tolist() == [p[3] for p in plain]
        # what is kept adds up to the very sum that was held against `enough`
        assert sum(depths[mine].tolist()) == total


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_throws_agree_with_their_plain_twin(seed):
    rng = np.random.default_rng(seed)
    rows, cols, legs, width, throws = 24, 30, 5, 20, 12
    field = field_of(rng, rows, cols)
    n = rng.integers(1, width + 1, legs).astype(np.int32)
    along = np.sort(rng.random((3, width)), axis=1).astype(np.float32)
    left = rng.uniform(-0.2, 0.2, (3, width)).astype(np.float32)
    rise = rng.uniform(0, 5, (3, width)).astype(np.float32)
    path = rng.uniform(0.01, 0.1, (3, width)).astype(np.float32)
    tables = (along, left, rise, path)
    r0, c0 = rng.uniform(0, rows, legs), rng.uniform(0, cols, legs)
    z0, dz = rng.uniform(101, 112, legs), rng.uniform(-3, 6, legs)
    dr, dc = rng.uniform(-15, 15, legs), rng.uniform(-15, 15, legs)
    row, length = rng.integers(0, 3, legs), rng.uniform(5, 40, legs)
    seeds = rng.integers(0, 2**63, legs).astype(np.uint64)
    spread = (0.06, 0.05, 0.05, 1.59)
    clear, space = np.zeros((legs, 4), np.int64), np.zeros((legs, 2), np.int64)
    stops = np.zeros((legs, throws, 3), np.float32)
    given_field = [field[name] for name in ORDER]
    kernel.throw(
        r0, c0, z0, dr, dc, dz, row, n, length, seeds, throws, *spread, *tables, *given_field,
        clear, space, stops,
    )  # fmt: skip
    given_legs = (r0, c0, z0, dr, dc, dz, row, n, length)
    met = meet(given_legs, seeds, throws, spread, tables, given_field)
    aimed = np.zeros((legs, 5))
    kernel.aim(r0, c0, z0, dr, dc, dz, row, n, length, *tables, *given_field, aimed)
    for i in range(legs):
        leg = tuple(float(a[i]) for a in (r0, c0, z0, dr, dc, dz, length))
        expected = plain_throw(leg, tables, row[i], n[i], int(seeds[i]), throws, *spread, field)
        assert clear[i].tolist() == expected[0]
        assert space[i].tolist() == expected[1]
        np.testing.assert_array_equal(np.isfinite(stops[i, :, 0]), np.array(expected[2]) >= 0)
        check_meetings(met, i, expected[3])
        depth, _, total, seen, _ = plain_walk(leg, tables, row[i], n[i], 1.0, 0.0, 0.0, 1e9, field)
        np.testing.assert_allclose(aimed[i, :4], depth, rtol=1e-12)
        assert aimed[i, 4] == pytest.approx(seen / total if total else 1.0)
