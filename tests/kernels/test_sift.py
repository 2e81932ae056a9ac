"""Choosing and shaping points, held against plain twins that go point by point."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lanewright.kernels import sift
from lanewright.sources.points import RECORD

N = 300


def world(seed: int, modern: bool, timed: bool) -> tuple[sift.Raw, sift.Rules]:
    """Points in and around a box of 90 x 60 m, some of them odd in every way that counts."""
    rng = np.random.default_rng(seed)
    z = rng.integers(-3000, 3000, N).astype(np.int32)
    z[rng.random(N) < 0.1] = rng.choice([2**31 - 1, -(2**31), 950_000])
    raw = sift.Raw(
        x=rng.choice([*rng.uniform(995, 1095, 20), 1000.0, 1090.0, 1089.9999, np.nan], N),
        y=rng.choice([*rng.uniform(1995, 2065, 20), 2000.0, 2060.0, 2000.0001], N),
        z=z,
        time=rng.choice([1.0, 2.5, np.nan, np.inf], N) if timed else np.empty(0),
        source=rng.integers(0, 2**16, N).astype(np.uint16),
        bits=rng.integers(0, 256, N).astype(np.uint8),
        kind=rng.choice([1, 2, 7, 12, 31, 34, 130, 200], N).astype(np.uint8),
        flags=rng.integers(0, 16, N).astype(np.uint8),
    )
    unwanted = np.zeros(256, bool)
    unwanted[[7, 18]] = True
    rules = sift.Rules(
        modern=modern,
        box=np.array([1000.0, 2000.0, 1090.0, 2060.0]),
        unwanted=unwanted,
        keep_overlap=bool(rng.random() < 0.5),
        size_mm=25_000,
        cols=4,
        coarse_mm=5000,
        coarse_cols=18,
        z_scale=0.01,
        z_offset=float(rng.choice([0.0, 100.0, 1e12, np.nan], p=[0.4, 0.4, 0.1, 0.1])),
        z_metres=float(rng.choice([1.0, 0.3048])),
        heights=np.array([-500.0, 9000.0, -20.0, 125.0]),
    )  # fmt: skip
    return raw, rules


def empty(rules: sift.Rules) -> sift.Found:
    return sift.Found(
        block=np.empty(N, np.uint16),
        classes=np.zeros(256, np.int64),
        returns=np.zeros(16, np.int64),
        kept=np.zeros(256, np.int64),
        reasons=np.zeros(7, np.int64),
        held=np.zeros(12, np.int64),
        span=np.array([np.inf, -np.inf]),
        firsts=np.zeros(1, np.int64),
        lowest=np.full((2, 12 * rules.coarse_cols), np.inf),
    )


def unpacked(raw: sift.Raw, rules: sift.Rules, i: int) -> dict:
    """Fields of one LAS record (ASPRS LAS 1.4 R16, tables of formats 0 and 6)."""
    bits, kind, flags = int(raw.bits[i]), int(raw.kind[i]), int(raw.flags[i])
    if rules.modern:
        return {"number": bits % 16, "total": bits // 16, "code": kind,
                "withheld": bool(flags & 0b0100), "overlap": bool(flags & 0b1000)}  # fmt: skip
    return {"number": bits % 8, "total": bits // 8 % 8, "code": kind % 32,
            "withheld": kind >= 128, "overlap": kind % 32 == 12}  # fmt: skip


def plain_choose(raw: sift.Raw, rules: sift.Rules) -> sift.Found:
    """The twin: one point after another, in words."""
    found = empty(rules)
    left, bottom, right, top = rules.box
    low, high, stated_low, stated_high = rules.heights
    for i in range(N):
        p = unpacked(raw, rules, i)
        found.classes[p["code"]] += 1
        found.returns[p["total"]] += 1
        found.block[i] = 65535
        x, y = raw.x[i], raw.y[i]
        if math.isnan(x) or x < left or x >= right or y <= bottom or y > top:
            continue
        found.reasons[sift.INSIDE] += 1
        if p["withheld"]:
            found.reasons[sift.WITHHELD] += 1
            continue
        if rules.unwanted[p["code"]]:
            found.reasons[sift.LEFT_OUT] += 1
            continue
        if p["overlap"] and not rules.keep_overlap:
            found.reasons[sift.OVERLAP] += 1
            continue
        z = (float(raw.z[i]) * rules.z_scale + rules.z_offset) * rules.z_metres
        if math.isfinite(z):
            found.span[:] = min(found.span[0], z), max(found.span[1], z)
        if math.isnan(z) or z < low or z > high:
            found.reasons[sift.IMPOSSIBLE] += 1
            continue
        if z < stated_low or z > stated_high:
            found.reasons[sift.UNSTATED] += 1
            continue
        if p["total"] < max(p["number"], 1):
            found.reasons[sift.MENDED] += 1
        if p["number"] < 2:
            found.firsts[0] += 1
        x_mm, y_mm = round((x - left) * 1000), round((y - bottom) * 1000)
        number = min(y_mm // 25_000, 2) * 4 + min(x_mm // 25_000, 3)
        found.block[i] = number
        found.held[number] += 1
        found.kept[p["code"]] += 1
        cell = min(y_mm // 5000, 11) * 18 + min(x_mm // 5000, 17)
        if p["number"] >= p["total"]:
            found.lowest[0, cell] = min(found.lowest[0, cell], z)
        if p["code"] == 2:
            found.lowest[1, cell] = min(found.lowest[1, cell], z)
    return found


def plain_shape(raw: sift.Raw, rules: sift.Rules, block: np.ndarray) -> np.ndarray:
    rows = []
    for number in range(12):
        for i in np.flatnonzero(block == number):
            p = unpacked(raw, rules, i)
            z = float(raw.z[i]) * rules.z_scale + rules.z_offset
            time = float(raw.time[i]) if len(raw.time) else 0.0
            first = max(p["number"], 1)
            rows.append(
                (
                    round((raw.x[i] - 1000.0) * 1000), round((raw.y[i] - 2000.0) * 1000),
                    round(z * (rules.z_metres * 1000)), time if math.isfinite(time) else 0.0,
                    raw.source[i], first, max(p["total"], first), p["code"],
                )
            )  # fmt: skip
    return np.array(rows, RECORD)


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), modern=st.booleans(), timed=st.booleans())
def test_choose_and_shape_are_their_plain_twins(seed, modern, timed):
    raw, rules = world(seed, modern, timed)
    found, twin = empty(rules), plain_choose(raw, rules)
    sift.choose(raw, rules, found)
    for name in sift.Found._fields:
        np.testing.assert_array_equal(getattr(found, name), getattr(twin, name), name)
    records = np.zeros(int(found.held.sum()), RECORD)
    place = np.concatenate([[0], np.cumsum(found.held)[:-1]])
    sift.shape(raw, rules, found.block, place, records)
    assert records.tolist() == plain_shape(raw, rules, found.block).tolist()
    np.testing.assert_array_equal(place, np.cumsum(found.held))


def test_every_reason_is_met():
    met = np.zeros(7, int)
    for seed in range(20):
        raw, rules = world(seed, bool(seed % 2), True)
        found = empty(rules)
        sift.choose(raw, rules, found)
        met += found.reasons
    assert (met > 0).all()


@pytest.mark.parametrize(("scale", "offset"), [(1e5, 0.0), (0.01, np.nan), (0.01, 1e12)])
def test_no_height_is_stored_that_land_cannot_have(scale, offset):
    raw, rules = world(1, True, True)
    rules = rules._replace(z_scale=scale, z_offset=offset)
    found = empty(rules)
    sift.choose(raw._replace(z=np.full(N, 20_000, np.int32)), rules, found)
    assert found.held.sum() == 0
    assert found.reasons[sift.IMPOSSIBLE] > 0
