"""Compiled flight against a plain twin, a general solver, mechanics and symmetry."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from lanewright.flight import repertoire
from lanewright.flight.aerodynamics import GOLF_DISCS, golf_disc
from lanewright.kernels import fly

STEP = 0.02


def throws(count, seed=0):
    rng = np.random.default_rng(seed)
    speed = rng.uniform(12, 28, count)
    return np.column_stack(
        [
            speed,
            rng.uniform(-5, 25, count),
            rng.uniform(-3, 3, count),
            rng.uniform(-30, 35, count),
            rng.uniform(4, 6, count) * speed,
            rng.integers(0, 4, count),
        ]
    )


def where(**changes):
    return repertoire.conditions(GOLF_DISCS, **{"density": 1.225, "release": 1.4, **changes})


def flown(thrown, air, times, step=STEP):
    times = np.ascontiguousarray(np.broadcast_to(times, (len(thrown), times.shape[-1])))
    states = np.empty((*times.shape, 6))
    fly.positions(thrown, air.tables, air.discs, air.air, step, times, states)
    return states


# ---------------------------------------------------------------------------------------------
# Plain twin: the same sums in the same order, a number at a time


def plain_rate(s, table, lift, twist, air):
    gravity, wind_x, wind_y, above, roughness, per_log = air
    share = 0.0
    if (wind_x != 0 or wind_y != 0) and s[2] + above > roughness:
        share = math.log((s[2] + above) / roughness) * per_log
    u = [s[3] - wind_x * share, s[4] - wind_y * share, s[5]]
    n = s[6:9]
    through = u[0] * n[0] + u[1] * n[1] + u[2] * n[2]
    e = [u[i] - through * n[i] for i in range(3)]
    flat = math.sqrt(e[0] * e[0] + e[1] * e[1] + e[2] * e[2])
    square = u[0] * u[0] + u[1] * u[1] + u[2] * u[2]
    speed = math.sqrt(square)
    e = [v / flat for v in e]
    sine, cosine = -through / speed, flat / speed
    at = math.atan2(sine, cosine) * (180.0 / math.pi) + 10.0
    at = min(max(at, 0.0), len(table) - 1.0)
    i = min(int(at), len(table) - 2)
    f = at - i
    cl, cd, cm = (table[i][k] + f * (table[i + 1][k] - table[i][k]) for k in range(3))
    up, back, roll = lift * square * cl, lift * speed * cd, twist * square * cm
    push = [up * (sine * e[k] + cosine * n[k]) - back * u[k] for k in range(3)]
    return [
        s[3], s[4], s[5],
        push[0], push[1], -gravity + push[2],
        roll * (n[1] * e[2] - n[2] * e[1]),
        roll * (n[2] * e[0] - n[0] * e[2]),
        roll * (n[0] * e[1] - n[1] * e[0]),
    ]  # fmt: skip


def plain_release(throw):
    launch, pitch = (a / (180.0 / math.pi) for a in (throw[1], throw[1] + throw[2]))
    roll = throw[3] / (180.0 / math.pi)
    wx, wz, nx, nz = math.cos(launch), math.sin(launch), -math.sin(pitch), math.cos(pitch)
    kept = (wx * nx + wz * nz) * (1.0 - math.cos(roll))
    return [
        0.0, 0.0, 0.0, throw[0] * wx, 0.0, throw[0] * wz,
        nx * math.cos(roll) + wx * kept,
        (wx * nz - wz * nx) * math.sin(roll),
        nz * math.cos(roll) + wz * kept,
    ]  # fmt: skip


def plain_step(s, h, *rest):
    a = plain_rate(s, *rest)
    b = plain_rate([s[i] + 0.5 * h * a[i] for i in range(9)], *rest)
    c = plain_rate([s[i] + 0.5 * h * b[i] for i in range(9)], *rest)
    d = plain_rate([s[i] + h * c[i] for i in range(9)], *rest)
    s = [s[i] + h / 6.0 * (a[i] + 2.0 * b[i] + 2.0 * c[i] + d[i]) for i in range(9)]
    size = math.sqrt(s[6] * s[6] + s[7] * s[7] + s[8] * s[8])
    return [*s[:6], *(v / size for v in s[6:])]


@pytest.mark.parametrize("wind", [(0.0, 0.0), (3.0, -2.0)])
def test_agrees_exactly_with_its_plain_twin(wind):
    air = where(wind=wind)
    thrown = throws(6)
    clock = np.array([[0.0, 0.01, 0.5, 1.7, 3.0]])
    got = flown(thrown, air, clock)
    for throw, states in zip(thrown, got, strict=True):
        disc = int(throw[fly.DISC])
        rest = (
            air.tables[disc].tolist(), float(air.discs[disc, 0]),
            float(air.discs[disc, 1] / throw[fly.SPIN]), air.air.tolist(),
        )  # fmt: skip
        s, now = plain_release(throw.tolist()), 0.0
        for at, state in zip(clock[0].tolist(), states, strict=True):
            ahead = at - now
            if ahead > 0:
                steps = math.ceil(ahead / STEP)
                for _ in range(steps):
                    s = plain_step(s, ahead / steps, *rest)
                now = at
            assert state.tolist() == s[:6]


# ---------------------------------------------------------------------------------------------
# A general solver, in vectors and with the discs' own interpolation


@pytest.mark.parametrize("wind", [(0.0, 0.0), (4.0, 2.0)])
def test_agrees_with_a_general_solver(wind):
    """Within 1 cm after 4 s, that is after 60 to 90 m; the median within 1 mm."""
    thrown = throws(6, seed=3)
    clock = np.linspace(0, 4, 9)[None]
    got = flown(thrown, where(wind=wind), clock)[..., :3]
    off = []
    for throw, path in zip(thrown, got, strict=True):
        disc = golf_disc(GOLF_DISCS[int(throw[fly.DISC])])

        def rate(_time, s, disc=disc, throw=throw):
            v, n = s[3:6], s[6:] / np.linalg.norm(s[6:])
            u = v - np.array([*wind, 0.0]) * math.log(max((s[2] + 1.4) / 0.1, 1.0)) / math.log(
                100.0
            )
            alpha = np.arcsin(-(u @ n) / np.linalg.norm(u))
            cl, cd, cm = disc.coefficients(np.degrees(alpha))
            ahead = u - (u @ n) * n
            ahead /= np.linalg.norm(ahead)
            push = 1.225 * (u @ u) * disc.area / 2 / disc.mass
            lift = np.cross(np.cross(u, n), u)
            lift *= np.sign(lift @ n) / np.linalg.norm(lift)
            drag = -u / np.linalg.norm(u)
            turn = push * disc.diameter * cm / (throw[fly.SPIN] * disc.inertia_spin)
            return np.r_[
                v, push * (cl * lift + cd * drag) - [0, 0, 9.81], turn * np.cross(n, ahead)
            ]

        done = solve_ivp(
            rate, (0, 4), plain_release(throw), method="DOP853", rtol=1e-8, atol=1e-8,
            t_eval=clock[0], max_step=0.04,
        )  # fmt: skip
        off.append(np.linalg.norm(done.y[:3].T - path, axis=1).max())
    assert max(off) < 0.01
    assert np.median(off) < 1e-3


# ---------------------------------------------------------------------------------------------
# Mechanics


def test_without_air_it_flies_a_parabola_and_keeps_its_attitude():
    thrown = throws(20, seed=1)
    clock = np.linspace(0, 5, 11)
    got = flown(thrown, where(density=0.0), clock[None])
    speed, launch = thrown[:, :1], np.radians(thrown[:, 1:2])
    np.testing.assert_allclose(got[..., 0], speed * np.cos(launch) * clock, atol=1e-6)
    np.testing.assert_allclose(got[..., 1], 0, atol=1e-6)
    height = speed * np.sin(launch) * clock - 9.81 * clock**2 / 2
    np.testing.assert_allclose(got[..., 2], height, atol=1e-6)


def test_attitude_and_with_it_angular_momentum_stay_without_air():
    # spin is constant and the normal its direction: both together are the angular momentum
    air = where(density=0.0)
    for throw in throws(20, seed=1):
        state, work = np.empty(9), np.empty((5, 9))
        fly.release(throw, state)
        before = state[6:].copy()
        for _ in range(250):
            fly.step(state, STEP, air.tables[0], 0.0, 0.0, air.air, work)
        np.testing.assert_allclose(state[6:], before, atol=1e-12)


def test_the_left_hand_throws_the_mirror_image():
    """Spin the other way round and the other edge down: the same but for the side."""
    thrown = throws(50, seed=2)
    other = thrown * [1, 1, 1, -1, -1, 1]
    clock = np.linspace(0, 4, 9)[None]
    right, left = (flown(t, where(), clock) for t in (thrown, other))
    np.testing.assert_allclose(left, right * [1, -1, 1, 1, -1, 1], atol=1e-10)
    chords = np.zeros(1)
    facts = [repertoire.arrivals(t, where(), chords) for t in (thrown, other)]
    np.testing.assert_allclose(facts[1], repertoire.mirrored(facts[0]), atol=1e-8)


def test_wind_that_is_the_same_at_every_height_carries_all_alike():
    """Galileo: in a steady wind a disc flies as in still air, seen from the wind."""
    wind = np.array([3.0, -1.5, 0.0])
    still, windy = where(), where(wind=(3.0, -1.5))
    # so smooth a ground, so far below, that all heights of a flight have the same wind
    windy.air[3:] = 100.0, 1e-300, 1 / np.log(100.0 / 1e-300)
    thrown = throws(20, seed=4)
    clock = np.linspace(0, 3, 31)[None]
    state = np.empty((20, 9))
    for throw, s in zip(thrown, state, strict=True):
        fly.release(throw, s)
    for throw, s in zip(thrown, state, strict=True):
        disc = int(throw[fly.DISC])
        rest = still.tables[disc], still.discs[disc, 0], still.discs[disc, 1] / throw[fly.SPIN]
        seen, blown = s.copy(), s.copy()
        seen[3:6] -= wind
        work = np.empty((5, 9))
        for _ in clock[0]:
            fly.step(seen, 0.1, *rest, still.air, work)
            fly.step(blown, 0.1, *rest, windy.air, work)
        assert blown[:3] == pytest.approx(seen[:3] + wind * 3.1, abs=0.1)


def test_halving_the_step_divides_the_error_by_sixteen():
    """Fourth order, on coefficients without kinks: lift and moment linear, drag the same."""
    air = where()
    angle = np.arange(-10.0, 31.0)
    smooth = np.stack([0.05 + 0.055 * angle, 0.05 + 0.005 * angle, 0.006 * angle - 0.01], 1)
    air.tables[:] = smooth
    thrown = throws(30, seed=5)
    thrown = thrown[np.abs(thrown[:, fly.HYZER]) < 20]
    clock = np.array([[0.0, 1.6]])
    exact = flown(thrown, air, clock, 0.0025)[:, 1, :3]
    errors = [
        np.linalg.norm(flown(thrown, air, clock, h)[:, 1, :3] - exact, axis=1)
        for h in (0.16, 0.08, 0.04)
    ]
    for coarse, fine in pairwise(errors):
        assert 11 < np.median(coarse / fine) < 26


def test_step_of_the_table_is_fine_enough():
    """Where throws come down, against steps of an eighth: within 1 mm mostly, never 10 cm off."""
    thrown = throws(500, seed=6)
    coarse, fine = (
        repertoire.arrivals(thrown, where(), np.zeros(1), h)[:, 0, fly.REACH]
        for h in (STEP, STEP / 8)
    )
    off = np.abs(coarse - fine)
    assert np.nanmedian(off) < 1e-3
    assert np.nanmax(off) < 0.1


# ---------------------------------------------------------------------------------------------
# What is read off


def test_facts_of_an_arrival_are_those_of_the_path():
    thrown = throws(40, seed=7)
    thrown[:, fly.LAUNCH] = np.abs(thrown[:, fly.LAUNCH]) + 3
    chord = -0.05
    facts = repertoire.arrivals(thrown, where(), np.array([chord]))[:, 0]
    for throw, fact in zip(thrown, facts, strict=True):
        clock = np.linspace(0, fact[fly.TIME], 2000)[None]
        x, y, z, vx, vy, vz = flown(throw[None], where(), clock, 0.01)[0].T
        reach = np.hypot(x[-1], y[-1])
        assert fact[fly.REACH] == pytest.approx(reach, abs=2e-3)
        assert z[-1] == pytest.approx(chord * reach, abs=5e-3)
        assert fact[fly.AZIMUTH] == pytest.approx(np.degrees(np.arctan2(y[-1], x[-1])), abs=0.05)
        turn = np.degrees(np.arctan2(vy[-1], vx[-1])) - fact[fly.AZIMUTH]
        assert fact[fly.TURN] == pytest.approx(turn, abs=0.1)
        descent = np.degrees(np.arctan2(-vz[-1], np.hypot(vx[-1], vy[-1])))
        assert fact[fly.DESCENT] == pytest.approx(descent, abs=0.1)
        assert fact[fly.TOP] == pytest.approx(max(z.max(), 0), abs=0.01)
        across = (y * x[-1] - x * y[-1]) / reach
        assert fact[fly.LEFT] == pytest.approx(max(across.max(), 0), abs=0.01)
        assert fact[fly.RIGHT] == pytest.approx(max((-across).max(), 0), abs=0.01)
        assert fact[fly.ARRIVAL] == pytest.approx(np.hypot(np.hypot(vx, vy), vz)[-1], abs=0.01)


def test_a_throw_below_its_chord_never_arrives():
    thrown = np.array([[20.0, 2.0, 0.0, 0.0, 100.0, 0.0]])
    assert np.isnan(repertoire.arrivals(thrown, where(), np.array([0.10]))).all()
    low, level = repertoire.arrivals(thrown, where(), np.array([0.0, 0.10]))[0, :, fly.REACH]
    assert low > 10
    assert np.isnan(level)


def test_several_chords_at_once_are_as_each_alone():
    thrown = throws(60, seed=8)
    chords = np.array([-0.1, 0.0, 0.05])
    together = repertoire.arrivals(thrown, where(), chords)
    for k, chord in enumerate(chords):
        alone = repertoire.arrivals(thrown, where(), np.array([chord]))[:, 0]
        both = np.isfinite(alone[:, 0]) & np.isfinite(together[:, k, 0])
        assert both.sum() > 30
        np.testing.assert_allclose(together[both, k], alone[both], atol=0.15, rtol=2e-3)


def test_nodes_lie_at_equal_steps_of_the_way_and_end_below_the_chord():
    """Against the way added up over positions every 2 ms; the last node lies `fall` below."""
    thrown = throws(30, seed=9)
    thrown[:, fly.LAUNCH] = np.abs(thrown[:, fly.LAUNCH]) + 3
    air, chord, ends = where(), -0.05, fly.Nodes(8, 6.0)
    times = np.empty((len(thrown), 13))
    fly.node_times(
        thrown, air.tables, air.discs, air.air, STEP, np.full(len(thrown), chord), ends, times
    )
    facts = repertoire.arrivals(thrown, air, np.array([chord]))[:, 0]
    checked = 0
    for throw, at, fact in zip(thrown, times, facts, strict=True):
        if np.isnan(fact[fly.TIME]):
            assert np.isnan(at).all()
            continue
        assert at[ends.target] == pytest.approx(fact[fly.TIME], abs=2 * STEP)
        clock = np.linspace(0, at[-1], round(at[-1] / 0.002) + 1)
        x, y, z = flown(throw[None], air, clock[None], 0.01)[0, :, :3].T
        steps = np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2)
        gone = np.interp(at, clock, np.r_[0, np.cumsum(steps)])
        for nodes in (gone[: ends.target + 1], gone[ends.target :]):
            np.testing.assert_allclose(np.diff(nodes), np.diff(nodes).mean(), atol=0.05)
        below = chord * np.hypot(x[-1], y[-1]) - z[-1]
        assert below >= ends.fall - 0.01 or at[-1] - at[ends.target] >= fly.FALLING - 1e-9
        checked += 1
    assert checked > 20
