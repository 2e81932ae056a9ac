"""The compiled look at every place of every hole, against the rules written out plainly."""

import numpy as np
import pytest

from lanewright.kernels.room import (
    IN_CONE,
    NEAR_BASKET,
    NEAR_FAIRWAY,
    NEAR_TEE,
    TEE_BY_GREEN,
    Cones,
    Places,
    Rules,
    Trees,
    close_pairs,
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


def cones_of(places, reach=1.25):
    """One leg a hole, from its first place to its last."""
    start, stop = places.xy[places.first[:-1]], places.xy[places.first[1:] - 1]
    length = np.hypot(*(stop - start).T)
    near = np.full(length.size, 50.0)
    return Cones(np.arange(length.size + 1), start, stop - start, reach * length, near, 15.0, 20.0)


def no_cones(places):
    return cones_of(places)._replace(reach=np.full(places.first.size - 1, -10.0))


def every_pair(places):
    return (rows.astype(np.int32) for rows in np.triu_indices(places.first.size - 1, 1))


def plain_cones(places, cones, i, j):
    """Least share of the way out of a cone at which the ends of one hole stand in the other's."""
    least = 1.0
    for a, b in ((i, j), (j, i)):
        for q in (places.first[b], places.first[b + 1] - 1):
            off = places.xy[q] - cones.start[a]
            d = np.hypot(*off)
            turn = np.degrees(np.angle(complex(*off) / complex(*cones.way[a])))
            half = cones.near_deg if d <= cones.near[a] else cones.far_deg
            if 0 < d <= cones.reach[a] + SLACK and abs(turn) < half:
                least = min(least, np.sin(np.radians(abs(turn))) / np.sin(np.radians(half)))
    return least


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
    first, second = every_pair(places)
    rule, near, needed = room(first, second, places, no_cones(places), RULES, trees)
    worst, plain_near, plain_needed = (each[first, second] for each in plain(places, trees))
    broken = worst < 1
    np.testing.assert_array_equal(rule >= 0, broken)
    assert 3 < broken.sum() < broken.size - 3
    np.testing.assert_array_equal(near[broken], plain_near[broken].astype(np.float32))
    np.testing.assert_array_equal(needed[broken], plain_needed[broken].astype(np.float32))


@pytest.mark.parametrize("seed", range(4))
def test_cones_agree_with_angles_in_the_complex_plane(seed):
    """Rules of room switched off, so that only cones are left."""
    places, trees = world(seed, holes=60, size=300.0)
    none = {name: np.zeros(2) for name in ("fairway", "tee_basket", "next_tee", "behind")}
    rules, cones = RULES._replace(**none, tees=0.0), cones_of(places)
    first, second = every_pair(places)
    rule, near, needed = room(first, second, places, cones, rules, trees)
    pairs = zip(first, second, strict=True)
    plainly = np.array([plain_cones(places, cones, i, j) for i, j in pairs])
    in_cone = rule == IN_CONE
    assert in_cone.sum() > 20
    np.testing.assert_allclose(near[in_cone] / needed[in_cone], plainly[in_cone], atol=1e-5)
    assert ((plainly < 1) <= (rule >= 0)).all()


@pytest.mark.parametrize("seed", range(4))
def test_no_pair_that_breaks_a_rule_is_left_out_as_too_far(seed):
    places, trees = world(seed, holes=80, size=900.0)
    cones, (first, second) = cones_of(places), every_pair(places)
    rule, _, _ = room(first, second, places, cones, RULES, trees)
    near = set(zip(*close_pairs(places, cones, RULES), strict=True))
    broken = set(zip(first[rule >= 0], second[rule >= 0], strict=True))
    assert len(broken) > 20
    assert broken <= near
    assert len(near) < first.size / 2


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
        rule, near, needed = room(*every_pair(places), places, no_cones(places), rules, trees)
        assert rule[0] == expected
        assert near[0] == pytest.approx(0.9 * distance)
        assert needed[0] == pytest.approx(distance + SLACK)


def test_a_far_place_where_throws_have_spread_counts_though_a_near_one_keeps_its_room():
    """Asked of the far pair, by hand: 37 (1 - 0.25 (1 - 0.5)) + 1 = 33.375 m; it is 32 m off.

    Eight near places make a run of their own, so that the far one is looked at by itself.
    """
    trees = Trees(np.zeros((16, 16), np.float32), 0.0, 160.0, 10.0)
    nearer = np.column_stack([np.linspace(69, 73, 8), np.full(8, 50.0)])
    xy = np.vstack([[50.0, 50.0], nearer, [50.0, 82.0]])
    middle, play = np.full(10, 40.0), np.tile([0.0, 1.0], (10, 1))
    share = np.r_[0.5, np.full(8, 0.25), 1.0]
    places = Places(np.array([0, 1, 10]), xy, share, middle, middle, play)
    rule, near, needed = room(*every_pair(places), places, no_cones(places), RULES, trees)
    assert rule[0] == NEAR_FAIRWAY
    assert near[0] == 32
    assert needed[0] == pytest.approx(33.375)


def test_nothing_is_said_of_holes_far_apart():
    places, trees = world(1, holes=2)
    places.xy[places.first[1] :] += 1000.0
    rule, _, _ = room(*every_pair(places), places, cones_of(places), RULES, trees)
    assert (rule == -1).all()
