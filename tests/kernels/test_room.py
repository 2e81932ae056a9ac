"""The compiled look at every place of every hole, against the rules written out plainly."""

import numpy as np
import pytest

from lanewright.kernels.room import (
    NEAR_BASKET,
    NEAR_FAIRWAY,
    NEAR_TEE,
    TEE_BY_GREEN,
    Places,
    Rules,
    Trees,
    room,
)

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
    places = Places(first, xy, np.clip(share, 0.25, 1), along, left, np.concatenate(play))
    return places, Trees(raster, 0.0, size, size / 16)


RULES = Rules(
    *(np.array(r, float) for r in (FAIRWAY, TEE_BASKET, NEXT_TEE, BEHIND)),
    tees=TEES, handover=END, weaker=0.25, cosine=COS, slack=SLACK, enough=ENOUGH,
)  # fmt: skip


def trees_on(trees, a, b):
    total = 0.0
    for k in range(9):
        x, y = a + (k + 0.5) / 9 * (b - a)
        row = int(np.floor((trees.top - y) / trees.cell))
        col = int(np.floor((x - trees.left) / trees.cell))
        total += trees.share[min(max(row, 0), 15), min(max(col, 0), 15)]
    return total / 9


def asked(p, q, places, among):
    """What the rules ask between places p and q of two holes, the greatest of it."""
    share, along, left = places.share, places.along, places.left
    asks = [0.0]
    handed = (left[p] < END and along[q] < END) or (left[q] < END and along[p] < END)
    if not handed:
        high, low = sorted((share[p], share[q]), reverse=True)
        asks.append(FAIRWAY[among] * (high - 0.25 * (high - low)))
    for a, b in ((p, q), (q, p)):
        if along[b] == 0:
            asks.append(NEXT_TEE[among] if left[a] < END else TEE_BASKET[among] * share[a])
        elif left[b] == 0:
            asks.append(NEXT_TEE[among] if along[a] < END else TEE_BASKET[among] * share[a])
        apart = places.xy[b] - places.xy[a]
        d = np.sqrt(apart[0] ** 2 + apart[1] ** 2)
        ahead = apart[0] * places.play[a, 0] + apart[1] * places.play[a, 1]
        if left[a] == 0 and d > 0 and ahead >= COS * d:
            asks.append(BEHIND[among])
    if along[p] == along[q] == 0:
        asks.append(TEES)
    return max(asks) + SLACK


def plain(places, trees):
    """Distance and distance asked of the worst pair of places of two holes; 1, 1 for none."""
    holes = len(places.first) - 1
    worst = np.full((holes, holes), 1.0)
    near, needs = np.zeros((2, holes, holes))
    for i in range(holes):
        for j in range(i + 1, holes):
            for p in range(places.first[i], places.first[i + 1]):
                for q in range(places.first[j], places.first[j + 1]):
                    apart = places.xy[p] - places.xy[q]
                    d = np.sqrt(apart[0] ** 2 + apart[1] ** 2)
                    over_open, wooded = (asked(p, q, places, among) for among in (0, 1))
                    needed = wooded
                    if d >= wooded:
                        if d >= over_open or trees_on(trees, places.xy[p], places.xy[q]) >= ENOUGH:
                            continue
                        needed = over_open
                    if d / needed < worst[i, j]:
                        worst[i, j], near[i, j], needs[i, j] = d / needed, d, needed
    return worst, near, needs


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_the_rules_written_out(seed):
    places, trees = world(seed)
    rule, near, needed = room(places, RULES, trees)
    worst, plain_near, plain_needed = plain(places, trees)
    upper = np.triu(np.ones(rule.shape, bool), 1)
    np.testing.assert_array_equal((rule >= 0)[upper], (worst < 1)[upper])
    broken = (worst < 1) & upper
    assert 3 < broken.sum() < upper.sum() - 3
    np.testing.assert_array_equal(near[broken], plain_near[broken].astype(np.float32))
    np.testing.assert_array_equal(needed[broken], plain_needed[broken].astype(np.float32))


def test_the_rule_named_is_the_one_that_asks_most():
    """One place each: the rule and its distance follow from what the places are."""
    trees = Trees(np.zeros((16, 16), np.float32), 0.0, 160.0, 10.0)
    play = np.array([[0.0, 1.0], [0.0, 1.0]])
    for along, left, expected, distance in (
        ((50, 50), (50, 50), NEAR_FAIRWAY, 37.0),
        ((0, 50), (100, 50), NEAR_TEE, 30.0),
        ((100, 50), (0, 50), NEAR_BASKET, 30.0),
        ((0, 90), (100, 10), TEE_BY_GREEN, 15.0),
    ):
        xy = np.array([[50.0, 50.0], [50.0 + 0.9 * distance, 50.0]])
        fairway = np.array([[0.0, 0.0], FAIRWAY][expected == NEAR_FAIRWAY], float)
        rules = RULES._replace(fairway=fairway)
        places = Places(np.array([0, 1, 2]), xy, np.ones(2), np.array(along, float),
                        np.array(left, float), play)  # fmt: skip
        rule, near, needed = room(places, rules, trees)
        assert rule[0, 1] == expected
        assert near[0, 1] == pytest.approx(0.9 * distance)
        assert needed[0, 1] == pytest.approx(distance + SLACK)


def test_nothing_is_said_of_holes_far_apart():
    places, trees = world(1, holes=2)
    places.xy[places.first[1] :] += 1000.0
    rule, _, _ = room(places, RULES, trees)
    assert (rule == -1).all()
