"""The compiled look at every place of every hole, against the rules written out plainly."""

import numpy as np
import pytest

from lanewright.kernels import room as kernel

END, SLACK, ENOUGH = 20.0, 1.0, 0.6
FAIRWAY, TEE_BASKET, NEXT_TEE, BEHIND, TEES = (37, 21), (30, 18), (15, 12), (30, 18), 10.0
COS = np.cos(np.radians(21.0))


def world(seed, holes=12, size=160.0):
    rng = np.random.default_rng(seed)
    raster = rng.random((16, 16)).astype(np.float32)
    parts, play = [], []
    for _ in range(holes):
        tee, angle, length = rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi), rng.uniform(30, 90)
        way = np.array([np.cos(angle), np.sin(angle)])
        along = np.linspace(0, length, 1 + int(length // 6))
        parts.append((tee + along[:, None] * way, along, length - along, along / 80))
        play.append(np.tile(way, (along.size, 1)))
    first = np.cumsum([0, *[len(p[0]) for p in parts]])
    xy, along, left, share = (np.concatenate([p[i] for p in parts]) for i in range(4))
    return first, xy, np.clip(share, 0.25, 1), along, left, np.concatenate(play), raster, size


def trees(raster, size, a, b):
    cell = size / raster.shape[0]
    total = 0.0
    for k in range(9):
        x, y = a + (k + 0.5) / 9 * (b - a)
        row, col = int(np.floor((size - y) / cell)), int(np.floor(x / cell))
        total += raster[min(max(row, 0), 15), min(max(col, 0), 15)]
    return total / 9


def asked(p, q, share, along, left, trees_there):
    """What the rules ask between places p and q of two holes, the greatest of it."""
    asks = []
    handed = (left[p] < END and along[q] < END) or (left[q] < END and along[p] < END)
    if not handed:
        high, low = sorted((share[p], share[q]), reverse=True)
        asks.append((FAIRWAY[trees_there] * (0.75 * high + 0.25 * low), 0))
    for a, b in ((p, q), (q, p)):
        if along[b] == 0:
            asks.append(
                (NEXT_TEE[trees_there], 3) if left[a] < END
                else (TEE_BASKET[trees_there] * share[a], 1)
            )  # fmt: skip
        elif left[b] == 0:
            asks.append(
                (NEXT_TEE[trees_there], 2) if along[a] < END
                else (TEE_BASKET[trees_there] * share[a], 2)
            )  # fmt: skip
    if along[p] == along[q] == 0:
        asks.append((TEES, 4))
    return max(asks, default=(0.0, 0))[0]


def plain(first, xy, share, along, left, play, raster, size):
    """Least share of what is asked for between two holes; 1 and over is enough."""
    holes = len(first) - 1
    worst = np.full((holes, holes), np.inf)
    for i in range(holes):
        for j in range(i + 1, holes):
            for p in range(first[i], first[i + 1]):
                for q in range(first[j], first[j + 1]):
                    apart = xy[q] - xy[p]
                    d = np.linalg.norm(apart)
                    needs = [asked(p, q, share, along, left, t) for t in (0, 1)]
                    for basket, way in ((p, apart), (q, -apart)):
                        if left[basket] == 0 and d > 0 and way @ play[basket] >= COS * d:
                            needs = [max(n, b) for n, b in zip(needs, BEHIND, strict=True)]
                    over_open, wooded = needs[0] + SLACK, needs[1] + SLACK
                    if d < wooded:
                        worst[i, j] = min(worst[i, j], d / wooded)
                    if d < over_open and trees(raster, size, xy[p], xy[q]) < ENOUGH:
                        worst[i, j] = min(worst[i, j], d / over_open)
    return worst


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_the_rules_written_out(seed):
    first, xy, share, along, left, play, raster, size = world(seed)
    rule, near, asked_ = kernel.run_room(
        first, xy, share, along, left, play, END, *(np.array(r, float) for r in
        (FAIRWAY, TEE_BASKET, NEXT_TEE)), TEES, np.array(BEHIND, float), COS, SLACK, raster,
        np.array([0.0, size, size / 16]), ENOUGH,
    )  # fmt: skip
    worst = plain(first, xy, share, along, left, play, raster, size)
    upper = np.triu(np.ones(rule.shape, bool), 1)
    np.testing.assert_array_equal((rule >= 0)[upper], (worst < 1)[upper])
    broken = (worst < 1) & upper
    assert 3 < broken.sum() < upper.sum() - 3
    # The kernel keeps the first of the worst it comes to when trees hide a worse open one.
    assert (near[broken] / asked_[broken] >= worst[broken] - 1e-6).all()


def test_nothing_is_said_of_holes_far_apart():
    first, xy, share, along, left, play, raster, size = world(1, holes=2)
    xy[first[1] :] += 1000.0
    rule, _, _ = kernel.run_room(
        first, xy, share, along, left, play, END, *(np.array(r, float) for r in
        (FAIRWAY, TEE_BASKET, NEXT_TEE)), TEES, np.array(BEHIND, float), COS, SLACK, raster,
        np.array([0.0, size, size / 16]), ENOUGH,
    )  # fmt: skip
    assert (rule == -1).all()
