"""Throws against a plain twin, and their random numbers against the published generator."""

import math
from itertools import pairwise

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


def plain_draw(seed, t, margin):
    draw = [plain_uniform(seed, 8 * t + k) for k in range(6)]
    radius, angle = math.sqrt(-2 * math.log(draw[0])), 2 * math.pi * draw[1]
    aim, launch = radius * math.cos(angle), radius * math.sin(angle)
    radius, angle = math.sqrt(-2 * math.log(draw[2])), 2 * math.pi * draw[3]
    speed, hyzer = radius * math.cos(angle), radius * math.sin(angle)
    launch, speed, hyzer = (min(max(z, -3.0), 3.0) for z in (launch, speed, hyzer))
    enough = float(np.float32(-math.log(draw[5])))
    return (launch, speed, hyzer), aim, 1 + (margin - 1) * draw[4], enough


def plain_nodes(paths, row, sds, aim, higher):
    """(along, left, rise) of each node of one throw."""
    path, spread = paths.path[row].tolist(), paths.spread[row].tolist()
    cos, sin = math.cos(paths.aim * aim), math.sin(paths.aim * aim)
    nodes = [(0.0, 0.0, 0.0)]
    for k in range(1, len(path)):
        along, left, rise = path[k]
        rise = rise * higher if rise > 0 else rise
        for z, change in zip(sds, spread, strict=True):
            along += z * change[k][0]
            left += z * change[k][1]
            rise += z * change[k][2]
        nodes.append((along * cos - left * sin, along * sin + left * cos, rise))
    return nodes


def plain_walk(leg, paths, row, sds, aim, higher, enough, field):
    """Depths, samples, samples searched, all that is met, and where the throw stopped and ended."""
    r0, c0, z0, dr, dc, dz, length = leg
    depth, seen, total, met, hit, rest = [0.0] * 4, 0, 0, [], None, None
    rows, cols = field.ground.shape
    beyond, past, down, place, low = 0.0, False, False, None, math.inf
    nodes = plain_nodes(paths, row, sds, aim, higher)
    for a, b in pairwise(nodes):
        du, dv, dw = (y - x for x, y in zip(a, b, strict=True))
        climb = dz * du + dw
        way = math.sqrt((du * du + dv * dv) * length * length + climb * climb)
        n = max(math.ceil(way / field.cell), 1)
        step = way / n
        for i in range(n):
            u, v, w = (x + (i + 0.5) / n * d for x, d in zip(a, (du, dv, dw), strict=True))
            past = past or u > 1
            place = r, c = r0 + dr * u - dc * v, c0 + dc * u + dr * v
            if not (0 <= r < rows and 0 <= c < cols):
                return depth, total, seen, met, hit, rest or place, low
            at = int(r), int(c)
            height = (z0 + dz * u + w - float(field.ground[at])) * 4.0
            if height < field.lowest:
                low = u if not down else low
                down = True
                if height < 0 and not rest:
                    slide = float(paths.skid[row]) / (math.sqrt(du * du + dv * dv) * length)
                    rest = r + (dr * du - dc * dv) * slide, c + (dc * du + dr * dv) * slide
                if height < 0:
                    return depth, total, seen, met, hit, rest, low
                continue
            if down or math.isnan(height) or height >= 64:
                continue
            layer = int(height)
            here = float(np.float32(float(field.table[field.density[at][layer]]) * step))
            stem = float(np.float32(float(field.trunk[at]) * step))
            stem = stem if layer < field.trunk_top[at] else 0.0
            known = int(field.searched[at]) >> layer & 1
            if past:
                beyond += here + stem
            else:
                thin = float(field.stems[at]) * step
                spot = (*at, layer), (u, v * length, height / 4)
                met += [(*spot, 0 if known else 2, here)] if here else []
                met += [(*spot, 1, stem)] if stem else []
                total += 1
                seen += known
                depth[0] = depth[0] + here + stem
                depth[1] += here if known else 0.0
                fear = here if known else max(here, float(field.prior[layer]) * step)
                depth[2] += fear + stem + thin
                depth[3] += here * float(field.leaf[layer]) + stem
            if not rest and depth[0] + beyond >= enough:
                rest = place
                if not past:
                    hit = u, v * length, height / 4, 1 if stem > here else 0 if known else 2
    return depth, total, seen, met, hit, rest or place, low


def plain_throw(leg, paths, row, seed, throws, field):
    clear, space, ends, mets = [0] * 4, [0, 0], [], []
    for t in range(throws):
        sds, aim, higher, enough = plain_draw(seed, t, paths.margin)
        depth, total, seen, met, hit, rest, _ = plain_walk(
            leg, paths, row, sds, aim, higher, enough, field
        )
        clear = [c + (d < enough) for c, d in zip(clear, depth, strict=True)]
        space = [space[0] + total, space[1] + seen]
        ends.append((*(hit or (math.nan,) * 4), *rest))
        mets.append((depth[0], enough, met))
    return clear, space, ends, mets


def field_of(rng, rows, cols):
    """Anything the stages before may hand over, also unknown ground and the outermost layers."""
    ground = rng.uniform(100, 103, (rows, cols)).astype(np.float32)
    ground[rng.random((rows, cols)) < 0.03] = np.nan
    return kernel.Field(
        ground=ground,
        density=rng.integers(0, 3, (rows, cols, 64)).astype(np.uint8),
        table=np.r_[0.0, 0.02, 0.2, np.zeros(253)].astype(np.float32),
        searched=rng.integers(0, 2**63, (rows, cols)).astype(np.uint64) * np.uint64(2),
        prior=rng.uniform(0, 0.1, 64).astype(np.float32),
        leaf=rng.uniform(1, 3, 64).astype(np.float32),
        trunk=(rng.random((rows, cols)) * 0.05).astype(np.float32),
        trunk_top=rng.integers(0, 65, (rows, cols)).astype(np.uint8),
        stems=np.full((rows, cols), 0.01, np.float32),
        lowest=2.0,
        cell=float(rng.choice([0.5, 1.0])),
    )


def paths_of(rng, rows=3, nodes=13):
    """Paths that rise and fall, fall on beyond the target, and change with the throw."""
    along = np.arange(nodes) / 8 * np.ones((rows, 1))
    path = np.stack(
        [
            along,
            rng.uniform(-0.3, 0.3, (rows, 1)) * (along**3 - along),
            rng.uniform(0, 20, (rows, 1)) * along * (1 - along),
        ],
        -1,
    )
    spread = rng.normal(0, 0.05, (rows, 3, nodes, 3)) * along[:, None, :, None] * [1, 1, 10]
    skid = rng.uniform(0, 6, rows).astype(np.float32)
    return kernel.Paths(path.astype(np.float32), spread.astype(np.float32), skid, 0.06, 1.25)


def meet(legs, paths, field, throws):
    """Counts and rows of all that is met, in the two passes of the kernel."""
    counts = np.zeros((legs.seed.size, throws), np.int64)
    enough = np.zeros(counts.shape, np.float32)
    kernel.meet(legs, paths, field, throws, kernel.new_log(0), counts, enough)
    starts = np.cumsum(counts).reshape(counts.shape) - counts
    log = kernel.new_log(int(counts.sum()))
    kernel.meet(legs, paths, field, throws, log, starts, enough)
    return counts, starts, enough, log


def check_meetings(met, leg, expected):
    counts, starts, enoughs, log = met
    for t, (total, enough, plain) in enumerate(expected):
        assert enoughs[leg, t] == enough
        assert counts[leg, t] == len(plain)
        mine = slice(starts[leg, t], starts[leg, t] + counts[leg, t])
        assert [tuple(p) for p in log.places[mine].tolist()] == [p[0] for p in plain]
        points = [p[1] for p in plain] or np.empty((0, 3))
        np.testing.assert_allclose(log.points[mine], points, rtol=1e-5, atol=1e-5)
        assert log.kinds[mine].tolist() == [p[2] for p in plain]
        assert log.depths[mine].tolist() == [p[3] for p in plain]
        # what is kept adds up to the very sum that was held against `enough`
        assert sum(log.depths[mine].tolist()) == total


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_throws_agree_with_their_plain_twin(seed):
    rng = np.random.default_rng(seed)
    rows, cols, n, throws = 24, 30, 5, 12
    field, paths = field_of(rng, rows, cols), paths_of(rng)
    legs = kernel.Legs(
        r0=rng.uniform(0, rows, n),
        c0=rng.uniform(0, cols, n),
        z0=rng.uniform(101, 112, n),
        dr=rng.uniform(-15, 15, n),
        dc=rng.uniform(-15, 15, n),
        dz=rng.uniform(-3, 6, n),
        length=rng.uniform(5, 40, n),
        row=rng.integers(0, 3, n),
        seed=rng.integers(0, 2**63, n).astype(np.uint64),
    )
    nothing = kernel.new_log(0)
    clear, space = np.zeros((n, 4), np.int64), np.zeros((n, 2), np.int64)
    stops = np.zeros((n, throws, 6), np.float32)
    kernel.throw(legs, paths, field, throws, nothing, clear, space, stops)
    again, fewer = np.zeros_like(clear), np.zeros_like(space)
    no_stops = np.zeros((0, throws, 6), np.float32)
    kernel.throw(legs, paths, field, throws, nothing, again, fewer, no_stops)
    np.testing.assert_array_equal(again, clear)  # whether or not throws go on to where they end
    np.testing.assert_array_equal(fewer, space)
    met = meet(legs, paths, field, throws)
    aimed = np.zeros((n, 5))
    kernel.aim(legs, paths, field, nothing, aimed)
    for i in range(n):
        leg = tuple(float(a[i]) for a in legs[:7])
        expected = plain_throw(leg, paths, legs.row[i], int(legs.seed[i]), throws, field)
        assert clear[i].tolist() == expected[0]
        assert space[i].tolist() == expected[1]
        np.testing.assert_allclose(stops[i], np.array(expected[2]), rtol=1e-5, atol=1e-5)
        check_meetings(met, i, expected[3])
        depth, total, seen, *_, low = plain_walk(
            leg, paths, legs.row[i], (0.0, 0.0, 0.0), 0.0, 1.125, math.inf, field
        )
        expected = depth if low >= 0.75 else [1e6] * 4
        np.testing.assert_allclose(aimed[i, :4], expected, rtol=1e-12)
        assert aimed[i, 4] == pytest.approx(seen / total if total else 1.0)
