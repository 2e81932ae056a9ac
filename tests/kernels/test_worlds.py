"""Throws in many worlds at once against the plain twin of throws in one, world after world."""

import numpy as np
import pytest

from kernels.test_throws import (
    as_stored,
    even_points,
    field_of,
    paths_of,
    plain_draw,
    plain_walk,
)
from lanewright.kernels import throws, worlds

WORLDS = [(wall, unseen) for wall in (-1, 0, 1) for unseen in (0, 1, 2)]


def moved(density, wall):
    """Each voxel takes the least (-1) or the most (1) of itself and of those across its sides."""
    rows, cols, _ = density.shape
    pick, out = {-1: min, 0: None, 1: max}[wall], density.copy()
    for r, c, k in np.ndindex(density.shape) if pick else ():
        around = [(r, c), (r + 1, c), (r - 1, c), (r, c + 1), (r, c - 1)]
        inside = [(i, j) for i, j in around if 0 <= i < rows and 0 <= j < cols]
        out[r, c, k] = pick(density[i, j, k] for i, j in inside)
    return out


def one_world(field, there, world, drawn):
    """The field of one world: its walls, its contacts, and the stems that stand in it."""
    shape = field.rows, field.cols
    stands = (drawn.stands.reshape(shape) >> world) & 1 == 1
    thin = field.cells["stems"].reshape(shape) * drawn.thin[world]
    trunk = (np.where(stands, drawn.sure, 0.0) + thin).astype(np.float32)
    top = np.where(stands, field.cells["trunk_top"].reshape(shape), drawn.thin_top)
    cells = np.zeros(shape, throws.CELL)
    density, table = moved(there, drawn.walls[world]), drawn.tables[world]
    searched = field.cells["searched"].reshape(shape)
    no_stems = np.zeros(shape, np.float32)
    throws.pack(density, table, searched, trunk, top.astype(np.uint8), no_stems, cells)
    return field._replace(cells=cells.ravel(), density=density.reshape(-1, 64), table=table)


@pytest.mark.parametrize("seed", range(6))
def test_throws_in_many_worlds_are_those_of_one_world_after_another(seed):
    rng, rows, cols, n, count = np.random.default_rng(seed), 14, 17, 3, 8
    field, paths, points = field_of(rng, rows, cols), paths_of(rng), even_points(count)
    if seed % 2:  # some cells without thin stems, some without any growth
        field.cells["stems"][rng.random(rows * cols) < 0.5] = 0
        field.density[rng.random(rows * cols) < 0.6] = 0
    there = field.density.reshape(rows, cols, 64)
    grows = np.zeros((rows, cols), np.uint64)
    worlds.may_grow(there, field.table, field.cells["searched"].reshape(rows, cols), grows)
    factor = rng.uniform(0.3, 3.0, (len(WORLDS), 1))
    drawn = worlds.Worlds(
        grows=grows.ravel(),
        stands=(rng.integers(0, 2**16, rows * cols) * (rng.random(rows * cols) < 0.5)).astype(
            np.uint16
        ),
        tables=(field.table * factor).astype(np.float32),
        walls=np.array([wall for wall, _ in WORLDS]),
        unseen=np.array([unseen for _, unseen in WORLDS]),
        thin=rng.random(len(WORLDS)).astype(np.float32),
        sure=1.3,
        thin_top=20,
    )
    legs = throws.Legs(
        r0=rng.uniform(0, rows, n),
        c0=rng.uniform(0, cols, n),
        z0=rng.uniform(101, 112, n),
        dr=rng.uniform(-12, 12, n),
        dc=rng.uniform(-12, 12, n),
        dz=rng.uniform(-3, 6, n),
        length=np.array([90.0, *rng.uniform(5, 40, n - 1)]),  # the first is more than one chunk
        row=rng.integers(0, 3, n),
        seed=rng.integers(0, 2**63, n).astype(np.uint64),
    )
    clear = np.zeros((n, count, len(WORLDS)))
    worlds.throw(legs, paths, as_stored(field), drawn, points, clear)
    which = {worlds.OPEN: 1, worlds.EXPECTED: 0, worlds.AS_SEARCHED: 2}  # sums of the twin
    for w, (_, unseen) in enumerate(WORLDS):
        land = one_world(field, there, w, drawn)
        for i in range(n):
            leg = tuple(float(a[i]) for a in legs[:7])
            for t in range(count):
                draw = plain_draw(points, t, int(legs.seed[i]), paths)
                depth, *_ = plain_walk(leg, paths, legs.row[i], draw, land)
                assert clear[i, t, w] == pytest.approx(np.exp(-depth[which[unseen]]), rel=1e-12)
    assert 0.05 < clear.mean() < 0.95
