"""The search against a plain twin that walks one sample at a time, and against hand-made lines."""

import math

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lanewright.kernels import march
from line_counts import Lines, count_lines

F = np.float32
BARRED = 65536


def plain_line(land, tee, end, along, left, rise):
    """(blocked, first blocked, unknown) of one line, in the order of operations of the search."""
    space, blocked, searched, height, barred = land
    rows, cols = blocked.shape
    (tr, tc, tz), (er, ec, ez) = tee, end
    r0, c0 = F(tr + 1.5), F(tc + 1.5)
    dr, dc, dz = F(er - tr), F(ec - tc), F(ez - tz)
    count, first, unknown = 0, -1, 0
    for i in range(along.size):
        r = int(r0 + dr * along[i] - dc * left[i]) - 1
        c = int(c0 + dc * along[i] + dr * left[i]) - 1
        inside = 0 <= r < rows and 0 <= c < cols
        if not inside or barred[r, c] or np.isnan(height[r, c]):
            count += BARRED
            first = i if first < 0 else first
            continue
        ground = round((float(height[r, c]) - space.base) * 1024)
        layer = (int(tz + dz * along[i] + rise[i]) - ground) // 256
        if layer > 63:
            continue
        if layer < 0:
            count += 1
            first = i if first < 0 else first
            continue
        if int(blocked[r, c]) >> layer & 1:
            count += 1
            first = i if first < 0 else first
        if not int(searched[r, c]) >> layer & 1:
            unknown += 1
    return count, first, unknown


def class_of(dr, dc, classes):
    turn = math.atan2(dc, -dr) / (2 * math.pi)
    return min(int((turn + (turn < 0)) * classes + 1e-9), classes - 1)


def plain_search(land, tees, ends, table, shortest, longest, group, sectors, band):
    bands = max(1, math.ceil((longest - shortest) / band))
    best, tried = [{} for _ in tees.row], [0 for _ in tees.row]
    for t in range(tees.row.size):
        tee = int(tees.row[t]), int(tees.col[t]), tees.z[t]
        for e in range(ends.row.size):
            end = int(ends.row[e]), int(ends.col[e]), ends.z[e]
            dr, dc = end[0] - tee[0], end[1] - tee[1]
            length = math.sqrt(dr * dr + dc * dc) * land[0].cell
            if not shortest <= length <= longest:
                continue
            b = min(max(int((length - table.start) / table.step), 0), table.samples.size - 1)
            strip = min(max(int((length - shortest) / band), 0), bands - 1)
            slope = float(F(end[2] - tee[2])) / (1024 * length)
            grade = sum(slope > edge for edge in table.between)
            for a in range(table.along.shape[2]):
                if not table.exists[b, grade, a]:
                    continue
                tried[t] += 1
                n = table.samples[b]
                rows = (x[b, grade, a, :n] for x in (table.along, table.left, table.rise))
                count, first, unknown = plain_line(land, tee, end, *rows)
                if count > table.limit[b]:
                    continue
                slot = (class_of(dr, dc, sectors) * bands + strip) * (max(group) + 1) + group[a]
                key = (count, unknown, class_of(dr, dc, 512), e, a, first)
                best[t][slot] = min(best[t].get(slot, key), key)
    return best, tried


def table_of(rng, bins=2, arcs=3, grades=3, width=24, limit=4, curve=0.2, height=3000.0):
    samples = rng.integers(5, width + 1, bins).astype(np.int32)
    along = np.zeros((bins, grades, arcs, width), F)
    for b in range(bins):
        along[b, ..., : samples[b]] = ((np.arange(samples[b]) + 0.5) / samples[b]).astype(F)
    left = rng.uniform(-curve, curve, (bins, grades, arcs, 1)).astype(F) * (along**3 - along)
    rise = rng.uniform(-height / 4, height, (bins, grades, arcs, 1)).astype(F) * along * (1 - along)
    limits = np.full(bins, limit, np.int32)
    exists, between = (
        rng.random((bins, grades, arcs)) < 0.8,
        np.sort(rng.normal(0, 0.1, grades - 1)),
    )
    return march.ArcTable(
        along, left.astype(F), rise.astype(F), samples, limits, exists, between, 4.0, 5.0
    )


def space_of(rng, rows, cols, share, relief=4.0):
    """Random columns in every layer, also 0 and 63, some unknown ground and barred cells."""
    bits = rng.random((rows, cols, 64)) < share
    bits[..., 0] |= rng.random((rows, cols)) < share
    bits[..., 63] |= rng.random((rows, cols)) < share
    weights = np.uint64(1) << np.arange(64, dtype=np.uint64)
    blocked = (bits * weights).sum(-1, dtype=np.uint64)
    searched = rng.integers(0, 2**63, (rows, cols)).astype(np.uint64) * np.uint64(2) | blocked
    ground = rng.uniform(100, 100 + relief, (rows, cols))
    ground[rng.random((rows, cols)) < 0.01] = np.nan
    barred = rng.random((rows, cols)) < 0.01
    space = march.make_space(blocked, searched, ground, barred, 0.5)
    return space, blocked, searched, ground, barred


def spots_of(rng, space, n):
    row = np.sort(rng.integers(0, space.rows - 2, n)).astype(np.int32)
    col = rng.integers(0, space.cols - 2, n).astype(np.int32)
    return march.Spots(row, col, space.height(rng.uniform(101, 104, n)))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.0, 0.02, 0.1, 0.5]))
def test_search_agrees_with_its_plain_twin(seed, share):
    rng = np.random.default_rng(seed)
    land = space_of(rng, int(rng.integers(3, 40)), int(rng.integers(3, 40)), share)
    space = land[0]
    tees, ends = spots_of(rng, space, 4), spots_of(rng, space, 25)
    table = table_of(rng, limit=int(rng.integers(0, 8)))
    group = np.array([0, 1, 1])
    bounds = {"shortest": 3.0, "longest": 14.0, "sectors": 8, "band": 4.0}
    found = march.search(space, tees, ends, table, march.Slots(group=group, **bounds))
    expected, tried = plain_search(land, tees, ends, table, group=group.tolist(), **bounds)
    assert found.lines.tolist() == tried
    for t, slots in enumerate(expected):
        taken = np.flatnonzero(found.end[t] >= 0)
        assert sorted(slots) == taken.tolist()
        for slot, key in slots.items():
            fields = (found.blocked, found.unknown, found.end, found.arc, found.first)
            assert tuple(int(f[t, slot]) for f in fields) == (*key[:2], *key[3:])


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    share=st.sampled_from([0.0, 0.05, 0.3]),
    limit=st.sampled_from([0, 1, 7, march.NO_LIMIT]),
)
def test_counts_agree_with_the_plain_twin(seed, share, limit):
    rng = np.random.default_rng(seed)
    land = space_of(rng, 30, 34, share)
    space = land[0]
    tees, ends = spots_of(rng, space, 3), spots_of(rng, space, 20)
    table = table_of(rng, width=150, curve=1.5, height=40000.0)
    pairs = np.tile(np.arange(20, dtype=np.int32), 3)
    bins = rng.integers(0, 2, 60).astype(np.int32)
    lines = Lines(pairs, np.arange(4) * 20, bins)
    got = count_lines(space, tees, ends, lines, table, arc=1, grade=2, limit=limit)
    for p in range(60):
        t, e, n = p // 20, pairs[p], table.samples[bins[p]]
        rows = (x[bins[p], 2, 1, :n] for x in (table.along, table.left, table.rise))
        tee = int(tees.row[t]), int(tees.col[t]), tees.z[t]
        end = int(ends.row[e]), int(ends.col[e]), ends.z[e]
        count = plain_line(land, tee, end, *rows)[0]
        if count <= limit:
            assert got[p] == count
        else:
            assert limit < got[p] <= limit + BARRED


def test_same_answer_for_any_number_of_threads():
    rng = np.random.default_rng(3)
    space = space_of(rng, 120, 120, 0.03)[0]
    tees, ends = spots_of(rng, space, 60), spots_of(rng, space, 300)
    table = table_of(rng, width=60)
    before = numba.get_num_threads()
    answers = []
    try:
        for n in (1, 2):
            numba.set_num_threads(min(n, numba.config.NUMBA_NUM_THREADS))
            answers.append(
                march.search(space, tees, ends, table, march.Slots(5.0, 40.0, np.array([0, 1, 2])))
            )
    finally:
        numba.set_num_threads(before)
    one, two = answers
    for name in ("end", "arc", "blocked", "unknown", "first", "lines"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))


def straight(n, limit=march.NO_LIMIT):
    """One level, straight arc of `n` samples along the chord."""
    along = ((np.arange(n) + 0.5) / n).astype(F).reshape(1, 1, 1, n)
    flat = np.zeros_like(along)
    limits = np.array([limit], np.int32)
    return march.ArcTable(
        along, flat, flat, np.array([n], np.int32), limits, np.ones((1, 1, 1), bool), np.empty(0),
        0.0, 1000.0,
    )  # fmt: skip


def line(space, tee, end, z, n, limit=march.NO_LIMIT):
    """Blocked samples of one straight level line at height `z` [m]."""
    at = [
        march.Spots(np.array([r], np.int32), np.array([c], np.int32), space.height([z]))
        for r, c in (tee, end)
    ]
    zero = np.zeros(1, np.int32)
    lines = Lines(zero, np.array([0, 1]), zero)
    return int(count_lines(space, *at, lines, straight(n), limit=limit)[0])


@pytest.mark.parametrize("layer", [0, 1, 31, 32, 62, 63])
def test_a_wall_is_met_in_its_own_layer_only(layer):
    blocked = np.zeros((5, 20), np.uint64)
    blocked[:, 10] = np.uint64(1) << np.uint64(layer)
    space = march.make_space(blocked, blocked, np.full((5, 20), 50.0), np.zeros((5, 20), bool), 0.5)
    middle = 50 + 0.25 * layer + 0.125
    assert line(space, (2, 1), (2, 18), middle, 17) == 1
    assert line(space, (2, 1), (2, 18), middle + 0.25, 17) == 0
    below = line(space, (2, 1), (2, 18), middle - 0.25, 17)
    assert below == (17 if layer == 0 else 0)  # under the lowest layer the whole line is buried


def test_above_sixteen_metres_is_free_and_underground_is_not():
    full = np.full((4, 30), 2**64 - 1, np.uint64)
    space = march.make_space(full, full, np.zeros((4, 30)), np.zeros((4, 30), bool), 0.5)
    assert line(space, (1, 0), (1, 29), 16.01, 30) == 0
    assert line(space, (1, 0), (1, 29), 15.99, 30) == 30
    assert line(space, (1, 0), (1, 29), -0.01, 30) == 30


def test_heights_count_from_the_ground_under_the_disc():
    blocked = np.full((3, 40), 1 << 10, np.uint64)  # 2.50 to 2.75 m above the ground everywhere
    flat, barred = np.zeros((3, 40)), np.zeros((3, 40), bool)
    space = march.make_space(blocked, blocked, flat, barred, 1.0)
    assert line(space, (1, 0), (1, 39), 2.1, 39) == 0
    assert line(space, (1, 0), (1, 39), 2.6, 39) == 39
    # the same level throw over ground that falls 0.5 m a cell meets that layer in one cell only
    fall = np.tile(-0.5 * np.arange(40.0), (3, 1))
    space = march.make_space(blocked, blocked, fall, barred, 1.0)
    assert line(space, (1, 0), (1, 39), 2.1, 39) == 1


def test_barred_cells_unknown_ground_and_the_edge_stop_a_line_at_any_height():
    free = np.zeros((9, 30), np.uint64)
    ground = np.zeros((9, 30))
    barred = np.zeros((9, 30), bool)
    barred[:, 12] = True
    for case in ("barred", "unknown"):
        if case == "unknown":
            barred[:] = False
            ground[:, 12] = np.nan
        space = march.make_space(free, free, ground, barred, 0.5)
        assert line(space, (4, 0), (4, 29), 40.0, 29) == BARRED
        assert line(space, (4, 0), (4, 29), 40.0, 29, limit=5) == BARRED
    space = march.make_space(free, free, np.zeros((9, 30)), np.zeros((9, 30), bool), 0.5)
    table = straight(60)
    bent = table._replace(left=0.5 * (table.along**3 - table.along))
    spots = [
        march.Spots(np.array([4], np.int32), np.array([c], np.int32), space.height([1.4]))
        for c in (2, 27)
    ]
    zero = np.zeros(1, np.int32)
    out = count_lines(space, *spots, Lines(zero, np.array([0, 1]), zero), bent)
    assert out[0] >= BARRED  # swings 4.8 cells to the right, over the southern edge


def test_growing_matches_a_disc_of_cells():
    masks = np.zeros((9, 9), np.uint64)
    masks[4, 4] = np.uint64(1) << np.uint64(63)
    rows, cols = np.mgrid[:9, :9]
    for radius in (0.0, 0.9, 1.0, 1.5, 2.3):
        near = np.hypot(rows - 4, cols - 4) <= (radius if radius >= 1 else 0)
        np.testing.assert_array_equal(march.grow(masks, radius) > 0, near)


def test_growing_at_the_edges_equals_image_dilation():
    from scipy.ndimage import binary_dilation, generate_binary_structure

    rng = np.random.default_rng(1)
    blocked = rng.random((12, 17)) < 0.1
    cross = generate_binary_structure(2, 1)
    expected = binary_dilation(blocked, cross)
    np.testing.assert_array_equal(march.grow(blocked.astype(np.uint64), 1.0) > 0, expected)


def test_ends_out_of_order_are_refused():
    rng = np.random.default_rng(0)
    space = space_of(rng, 10, 10, 0.1)[0]
    ends = march.Spots(
        np.array([5, 2], np.int32), np.array([1, 1], np.int32), np.zeros(2, np.float32)
    )
    with pytest.raises(ValueError, match="sorted by row"):
        march.search(space, ends, ends, table_of(rng), march.Slots(1.0, 5.0, np.array([0, 0, 0])))
