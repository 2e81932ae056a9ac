"""Throws against a plain twin, and their random numbers against the published generator."""

import math

import numpy as np
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


def plain_share(points, t, dimension, seed):
    """Which of 4,096 shares: the point's bits with those of the seed, exclusive or."""
    shift = plain_mix(seed ^ plain_mix(dimension)) >> 32
    return (int(points[t, dimension]) ^ shift) >> 20


def even_points(throws, seed=0):
    from scipy.stats import qmc

    drawn = qmc.Sobol(kernel.DIMENSIONS, scramble=True, rng=seed).random(throws)
    return (drawn * 2.0**32).astype(np.uint32)


def test_chances_are_normal_deviates_and_exponential_ones():
    """In the middle of 4,096 equal shares, by scipy's distributions."""
    from scipy.stats import expon, norm

    middle = (np.arange(4096) + 0.5) / 4096
    np.testing.assert_allclose(kernel.NORMAL, norm.ppf(middle), rtol=1e-6)
    np.testing.assert_allclose(kernel.EXPONENTIAL, expon.isf(middle), rtol=1e-5)


def test_throws_of_any_leg_fill_every_dimension_evenly():
    """64 Sobol points fall one in each 64th, shifted or not, and legs are shifted apart."""
    points = even_points(64)
    for seed in (0, 7, 2**63 + 11):
        shifts = kernel.shifts_of(np.uint64(seed))
        for dimension in range(kernel.DIMENSIONS):
            shares = [kernel.share(points, t, dimension, shifts) for t in range(64)]
            assert shares == [plain_share(points, t, dimension, seed) for t in range(64)]
            assert sorted(s // 64 for s in shares) == list(range(64))
    assert len({tuple(kernel.shifts_of(np.uint64(seed))) for seed in range(50)}) == 50


def plain_draw(points, t, seed, paths):
    shares = [plain_share(points, t, k, seed) for k in range(kernel.DIMENSIONS)]
    errors = [np.clip(kernel.NORMAL[k], F(-3), F(3)) for k in shares[1:-2]]
    higher = (F(paths.margin) - F(1)) * ((F(shares[-2]) + F(0.5)) / F(4096))
    angle = float(kernel.NORMAL[shares[0]]) * paths.aim
    enough = float(kernel.EXPONENTIAL[shares[-1]])
    return errors, F(math.cos(angle)), F(math.sin(angle)), higher, enough


F = np.float32


def plain_stretches(path, leg, cell):
    """Node before which each stretch lies, which of the stretches there it is, and of how many."""
    for k in range(1, path.shape[1]):
        du, dv, dw = (float(path[i, k]) - float(path[i, k - 1]) for i in range(3))
        way = math.sqrt((du * du + dv * dv) * leg[6] * leg[6] + (leg[5] * du + dw) ** 2)
        pieces = max(math.ceil(way / cell), 1)
        yield from ((k, p, pieces) for p in range(pieces))


def plain_places(paths, row, leg, draw, cell):
    """Along, left, row, column and height in the middle of each stretch, and at the end: float32.

    Stretches are equal parts of each piece of the path aimed for, no longer than a cell.
    """
    errors, cos, sin, higher, _ = draw
    r0, c0, z0, dr, dc, dz = (F(x) for x in leg[:6])
    path, places = paths.path[row], []
    sources = [path, *paths.spread[row]] if errors else [path]
    for k, p, pieces in plain_stretches(path, leg, cell):
        share = (F(p) + F(0.5)) * (F(1) / F(pieces))
        places.append(
            [[s[i, k - 1] + (s[i, k] - s[i, k - 1]) * share for i in range(3)] for s in sources]
        )
    out = []
    for aimed, *changes in places:
        now = list(aimed)
        for i in range(3):
            for z, change in zip(errors, changes, strict=True):
                now[i] = now[i] + z * change[i]
        now[2] = now[2] + higher * max(aimed[2], F(0))
        u, v = now[0] * cos - now[1] * sin, now[0] * sin + now[1] * cos
        out.append((u, v, r0 + dr * u + -dc * v, c0 + dc * u + dr * v, z0 + dz * u + now[2]))
    return out


def plain_walk(leg, paths, row, draw, field):
    """Depths, stretches, those searched, all that is met, and where the throw stopped and ended."""
    depth, unseen, total, met, hit, rest = [0.0] * 4, 0, 0, [], None, None
    beyond, past, down, low, enough = 0.0, False, False, math.inf, draw[-1]
    cell, before = F(field.cell * field.cell), tuple(F(x) for x in leg[:3])
    finished = False
    for u, v, r, c, z in plain_places(paths, row, leg, draw, field.cell):
        a, d, h = r - before[0], c - before[1], z - before[2]
        step, before = np.sqrt((a * a + d * d) * cell + h * h), (r, c, z)
        past = past or u > 1
        if not (0 <= r < field.rows and 0 <= c < field.cols):
            rest = rest or (r, c)
            finished = True
            break
        at = int(r) * field.cols + int(c)
        stands = field.cells[at]
        height = (z - field.ground[at]) * F(4)
        if height < field.lowest:
            low = float(u) if not down else low
            down = True
            if height < 0:
                run = np.sqrt(a * a + d * d) * F(field.cell)
                slide = paths.skid[row] / run
                rest = rest or (r + a * slide, c + d * slide)
                finished = True
                break
            continue
        if down:
            continue
        if math.isnan(height):
            if not past:
                total, unseen = total + 1, unseen + 1
                depth[2] += float(field.worst * step)
            continue
        if height >= 64:
            continue
        layer = int(height)
        here = float(field.table[field.density[at][layer]] * step)
        stem = float(stands["trunk"] * step) if layer < stands["trunk_top"] else 0.0
        known = int(stands["searched"]) >> layer & 1
        if past:
            beyond += here + stem
        else:
            spot = (*divmod(at, field.cols), layer), (u, v * F(leg[6]), height / F(4))
            met += [(*spot, 0 if known else 2, here)] if here else []
            met += [(*spot, 1, stem)] if stem else []
            total += 1
            unseen += not known
            depth[0] = depth[0] + here + stem
            depth[1] += here if known else 0.0
            fear = here if known else max(here, float(field.prior[layer] * step))
            depth[2] = depth[2] + float(stands["stems"] * step)
            depth[2] += fear + stem
            depth[3] += here * float(field.leaf[layer]) + stem
        if not rest and (here or stem) and depth[0] + beyond >= enough:
            rest = r, c
            if not past:
                hit = u, v * F(leg[6]), height / F(4), 1 if stem > here else 0 if known else 2
    return depth, total, total - unseen, met, hit, rest if finished or rest else (r, c), low


def plain_trace(leg, paths, row, draw, field, seconds):
    """Row, column, height and time, up to where the throw leaves the grid or is landing."""
    stretches = plain_stretches(paths.path[row], leg, field.cell)
    out, down = [(*leg[:3], float(seconds[0]))], False
    for (k, p, pieces), place in zip(
        stretches, plain_places(paths, row, leg, draw, field.cell), strict=True
    ):
        _, _, r, c, z = place
        if down or not (0 <= r < field.rows and 0 <= c < field.cols):
            down = True
            out.append((math.nan,) * 4)
            continue
        time = float(seconds[k - 1]) + float(seconds[k] - seconds[k - 1]) * (p + 0.5) / pieces
        out.append((r, c, z, time))
        down = (z - field.ground[int(r) * field.cols + int(c)]) * F(4) < field.lowest
    return out


def plain_throw(leg, paths, row, seed, points, field):
    clear, space, ends, mets = [], [0, 0], [], []
    for t in range(len(points)):
        draw = plain_draw(points, t, seed, paths)
        depth, total, seen, met, hit, rest, _ = plain_walk(leg, paths, row, draw, field)
        clear.append([math.exp(-d) for d in depth])
        space = [space[0] + total, space[1] + seen]
        ends.append((*(hit or (math.nan,) * 4), *rest))
        mets.append((depth[0], draw[-1], met))
    return clear, space, ends, mets


def field_of(rng, rows, cols):
    """Anything the stages before may hand over, also unknown ground and the outermost layers."""
    ground = rng.uniform(100, 103, (rows, cols)).astype(np.float32)
    ground[rng.random((rows, cols)) < 0.03] = np.nan
    density = rng.integers(0, 3, (rows, cols, 64)).astype(np.uint8)
    table = np.r_[0.0, 0.02, 0.2, np.zeros(253)].astype(np.float32)
    searched = rng.integers(0, 2**63, (rows, cols)).astype(np.uint64) * np.uint64(2)
    trunk = ((rng.random((rows, cols)) < 0.5) * 0.05).astype(np.float32)
    trunk_top = rng.integers(0, 65, (rows, cols)).astype(np.uint8)
    stems = np.full((rows, cols), 0.01, np.float32)
    cells = np.zeros((rows, cols), kernel.CELL)
    kernel.pack(density, table, searched, trunk, trunk_top, stems, cells)
    for r, c in np.ndindex(rows, cols):
        grows = [table[density[r, c, k]] > 0 for k in range(64)]
        stands = [trunk[r, c] > 0 and k < trunk_top[r, c] for k in range(64)]
        hidden = [not int(searched[r, c]) >> k & 1 for k in range(64)]
        some = [any(three) for three in zip(grows, stands, hidden, strict=True)]
        assert int(cells["met"][r, c]) == sum(1 << k for k in range(64) if some[k])
    assert (cells["searched"] == searched).all()
    prior = rng.uniform(0, 0.1, 64).astype(np.float32)
    return kernel.Field(
        ground=ground.ravel(),
        cells=cells.ravel(),
        density=density.reshape(-1, 64),
        table=table,
        prior=prior,
        leaf=rng.uniform(1, 3, 64).astype(np.float32),
        worst=prior.max(),
        lowest=2.0,
        cell=float(rng.choice([0.5, 1.0])),
        rows=rows,
        cols=cols,
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
        1,
    )
    spread = rng.normal(0, 0.05, (rows, kernel.ERRORS, 3, nodes)) * along[:, None, None]
    spread[:, :, 2] *= 10
    skid = rng.uniform(0, 6, rows).astype(np.float32)
    return kernel.Paths(path.astype(np.float32), spread.astype(np.float32), skid, 0.06, 1.25)


def as_stored(field):
    """The land as runs hand it over, read-only: so the kernels that they compiled are tested."""
    ground, density = field.ground.view(), field.density.view()
    ground.flags.writeable = density.flags.writeable = False
    return field._replace(ground=ground, density=density)


def meet(legs, paths, field, points):
    """Counts and rows of all that is met, in the two passes of the kernel."""
    counts = np.zeros((legs.seed.size, len(points)), np.int64)
    enough = np.zeros(counts.shape, np.float32)
    kernel.meet(legs, paths, field, points, kernel.new_log(0), counts, enough)
    starts = np.cumsum(counts).reshape(counts.shape) - counts
    log = kernel.new_log(int(counts.sum()))
    kernel.meet(legs, paths, field, points, log, starts, enough)
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
    rows, cols, n, throws = 24, 30, 4, 8
    field = as_stored(field_of(rng, rows, cols))
    paths, points = paths_of(rng), even_points(throws)
    length = rng.uniform(5, 40, n)
    length[0] = 90.0  # more than one chunk of stretches
    legs = kernel.Legs(
        r0=rng.uniform(0, rows, n),
        c0=rng.uniform(0, cols, n),
        z0=rng.uniform(101, 112, n),
        dr=rng.uniform(-15, 15, n),
        dc=rng.uniform(-15, 15, n),
        dz=rng.uniform(-3, 6, n),
        length=length,
        row=rng.integers(0, 3, n),
        seed=rng.integers(0, 2**63, n).astype(np.uint64),
    )
    nothing = kernel.new_log(0)
    clear, space = np.zeros((n, throws, 4)), np.zeros((n, 2), np.int64)
    stops = np.zeros((n, throws, 6), np.float32)
    kernel.throw(legs, paths, field, points, nothing, clear, space, stops)
    again, fewer = np.zeros_like(clear), np.zeros_like(space)
    no_stops = np.zeros((0, throws, 6), np.float32)
    kernel.throw(legs, paths, field, points, nothing, again, fewer, no_stops)
    np.testing.assert_array_equal(again, clear)  # whether or not throws go on to where they end
    np.testing.assert_array_equal(fewer, space)
    met = meet(legs, paths, field, points)
    aimed, seconds = np.zeros((n, 5)), np.cumsum(rng.random(13)).astype(np.float32)
    kernel.aim(legs, paths, field, nothing, aimed)
    for i in range(n):
        leg = tuple(float(a[i]) for a in legs[:7])
        expected = plain_throw(leg, paths, legs.row[i], int(legs.seed[i]), points, field)
        np.testing.assert_array_equal(clear[i], expected[0])
        assert space[i].tolist() == expected[1]
        np.testing.assert_array_equal(stops[i], np.array(expected[2], np.float32))
        check_meetings(met, i, expected[3])
        traced = kernel.trace(legs, i, paths, field, points, seconds)
        for t in range(throws):
            draw = plain_draw(points, t, int(legs.seed[i]), paths)
            plain = plain_trace(leg, paths, legs.row[i], draw, field, seconds)
            np.testing.assert_allclose(traced[t], plain, rtol=1e-6, equal_nan=True)
        steady = [], F(1), F(0), F((paths.margin - 1) / 2), math.inf
        depth, total, seen, *_, low = plain_walk(leg, paths, legs.row[i], steady, field)
        np.testing.assert_array_equal(aimed[i, :4], depth if low >= 0.75 else [1e6] * 4)
        assert aimed[i, 4] == (seen / total if total else 1.0)
