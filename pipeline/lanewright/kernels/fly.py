"""Flight of golf discs by Runge-Kutta steps of fourth order: many throws at once.

A disc is a point with an attitude, the unit normal of its plane. It moves under gravity, lift and
drag; the pitching moment turns the normal sideways, as it does with anything that spins fast:
``dn/dt = M / (spin I) n x e``, with e the way through the air laid into the disc's plane and I the
moment of inertia that the law of turning takes (`discs`; no wobble, the spin stays). Spin is that
of a backhand by a right hand, clockwise seen from above; the other is its mirror image.

A state is x ahead, y to the left and z up [m] from the release, the velocity, and the normal.

Arguments that repeat: `throws` (throws, 6) in the columns `SPEED` [m/s], `LAUNCH`, `NOSE`, `HYZER`
[degrees], `SPIN` [rad/s] and `DISC`, an index into the next two; `tables` (discs, angles, 3) of the
coefficients, one row per degree from `FIRST_ANGLE`; `discs` (discs, 2): rho S / 2m, and
rho S d / (2m J) with J that moment per mass; `air` (6): gravity, wind ahead and to
the left at the height it is stated for, height of the release over the ground, roughness
length, and 1 / log(height stated for / roughness); `h` the step [s].
"""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange

FIRST_ANGLE = -10.0
DEGREES = 180.0 / math.pi
LIMIT = 20.0  # s, no throw is followed longer
FALLING = 6.0  # s, nor longer beyond its target
LOST = 10.0  # m under its chord, a throw that never was over it is given up

SPEED, LAUNCH, NOSE, HYZER, SPIN, DISC = range(6)

# What is known of a throw where it comes down through a chord
REACH, AZIMUTH, TURN, DESCENT, TOP, BULGE, LEFT, RIGHT, ARRIVAL, TIME = range(10)
FACTS = 10


@njit(cache=True, nogil=True)
def slope(s, table, lift, twist, air, out):
    """Write the rate of change of a state to `out`."""
    share = 0.0
    if (air[1] != 0.0 or air[2] != 0.0) and s[2] + air[3] > air[4]:
        share = math.log((s[2] + air[3]) / air[4]) * air[5]
    ux = s[3] - air[1] * share
    uy = s[4] - air[2] * share
    uz = s[5]
    out[0], out[1], out[2] = s[3], s[4], s[5]
    out[3], out[4], out[5] = 0.0, 0.0, -air[0]
    out[6], out[7], out[8] = 0.0, 0.0, 0.0
    nx, ny, nz = s[6], s[7], s[8]
    # The way through the air, split into that along the normal and that in the disc's plane
    through = ux * nx + uy * ny + uz * nz
    ex, ey, ez = ux - through * nx, uy - through * ny, uz - through * nz
    flat = math.sqrt(ex * ex + ey * ey + ez * ez)
    square = ux * ux + uy * uy + uz * uz
    speed = math.sqrt(square)
    if flat < 1e-9:
        return
    ex, ey, ez = ex / flat, ey / flat, ez / flat
    sine, cosine = -through / speed, flat / speed
    at = math.atan2(sine, cosine) * DEGREES - FIRST_ANGLE
    last = table.shape[0] - 1
    at = min(max(at, 0.0), float(last))
    i = min(int(at), last - 1)
    f = at - i
    cl = table[i, 0] + f * (table[i + 1, 0] - table[i, 0])
    cd = table[i, 1] + f * (table[i + 1, 1] - table[i, 1])
    cm = table[i, 2] + f * (table[i + 1, 2] - table[i, 2])
    up = lift * square * cl
    back = lift * speed * cd
    out[3] += up * (sine * ex + cosine * nx) - back * ux
    out[4] += up * (sine * ey + cosine * ny) - back * uy
    out[5] += up * (sine * ez + cosine * nz) - back * uz
    roll = twist * square * cm
    out[6] = roll * (ny * ez - nz * ey)
    out[7] = roll * (nz * ex - nx * ez)
    out[8] = roll * (nx * ey - ny * ex)


@njit(cache=True, nogil=True)
def step(s, h, table, lift, twist, air, work):
    """Move a state on by `h` seconds; `work` is room for five states."""
    a, b, c, d, t = work[0], work[1], work[2], work[3], work[4]
    slope(s, table, lift, twist, air, a)
    for i in range(9):
        t[i] = s[i] + 0.5 * h * a[i]
    slope(t, table, lift, twist, air, b)
    for i in range(9):
        t[i] = s[i] + 0.5 * h * b[i]
    slope(t, table, lift, twist, air, c)
    for i in range(9):
        t[i] = s[i] + h * c[i]
    slope(t, table, lift, twist, air, d)
    for i in range(9):
        s[i] += h / 6.0 * (a[i] + 2.0 * b[i] + 2.0 * c[i] + d[i])
    size = math.sqrt(s[6] * s[6] + s[7] * s[7] + s[8] * s[8])
    s[6] /= size
    s[7] /= size
    s[8] /= size


@njit(cache=True, nogil=True)
def release(throw, s):
    """Write the state of a disc that leaves the hand, aimed ahead.

    The way climbs by `LAUNCH`; the nose points `NOSE` over the way; then the outer edge, the left
    one, dips by `HYZER` about the way.
    """
    launch = throw[LAUNCH] / DEGREES
    pitch = (throw[LAUNCH] + throw[NOSE]) / DEGREES
    roll = throw[HYZER] / DEGREES
    wx, wz = math.cos(launch), math.sin(launch)
    nx, nz = -math.sin(pitch), math.cos(pitch)
    kept = (wx * nx + wz * nz) * (1.0 - math.cos(roll))
    s[0], s[1], s[2] = 0.0, 0.0, 0.0
    s[3], s[4], s[5] = throw[SPEED] * wx, 0.0, throw[SPEED] * wz
    s[6] = nx * math.cos(roll) + wx * kept
    s[7] = (wx * nz - wz * nx) * math.sin(roll)
    s[8] = nz * math.cos(roll) + wz * kept


@njit(cache=True, nogil=True)
def track(throw, tables, discs, air, h, chord, states, work):
    """Fly a throw until it is below a chord of that slope; gives the number of states written.

    The second value tells whether it comes down through the chord at all; then the last state lies
    on it. The third is the time from the state before to the last.
    """
    disc = int(throw[DISC])
    table, lift, twist = tables[disc], discs[disc, 0], discs[disc, 1] / throw[SPIN]
    release(throw, states[0])
    over = 0.0
    for n in range(1, states.shape[0]):
        states[n] = states[n - 1]
        step(states[n], h, table, lift, twist, air, work)
        s = states[n]
        before, over = over, s[2] - chord * math.sqrt(s[0] * s[0] + s[1] * s[1])
        if over < -LOST:
            return n + 1, False, h
        if before > 0.0 and over <= 0.0:
            # Where in this step it meets the chord: by regula falsi (Illinois) on steps of a part
            low, high, below, above = 0.0, h, before, over
            part = h
            for _ in range(30):
                part = high - above * (high - low) / (above - below)
                states[n] = states[n - 1]
                step(states[n], part, table, lift, twist, air, work)
                s = states[n]
                over = s[2] - chord * math.sqrt(s[0] * s[0] + s[1] * s[1])
                if abs(over) < 1e-10:
                    break
                if over * above < 0.0:
                    low, below = high, above
                else:
                    below *= 0.5
                high, above = part, over
            return n + 1, True, part
    return states.shape[0], False, h


@njit(cache=True, nogil=True, parallel=True)
def arrivals(throws, tables, discs, air, h, chords, facts):
    """Write what is known of each throw where it comes down through chords.

    `chords` (throws, chords) are slopes, ascending; `facts` (throws, chords, `FACTS`) in the
    columns `REACH` [m], `AZIMUTH` of the chord, `TURN` of the heading against it, `DESCENT`
    [degrees], `TOP` over the release, `BULGE` over the chord, `LEFT` and `RIGHT` of it [m],
    `ARRIVAL` [m/s] and `TIME` [s]; NaN where a throw does not come down through the chord.
    """
    room = int(LIMIT / h) + 2
    for i in prange(throws.shape[0]):
        states = np.empty((room, 9))
        work = np.empty((5, 9))
        facts[i] = np.nan
        n, lands, part = track(throws[i], tables, discs, air, h, chords[i, 0], states, work)
        if not lands:
            continue
        for k in range(chords.shape[1]):
            where(states, n, h, part, chords[i, k], facts[i, k])


@njit(cache=True, nogil=True)
def where(states, n, h, part, chord, out):
    """Write the facts of one throw at one chord; linear between its states."""
    over, last, share = 0.0, 0, 0.0
    for j in range(1, n):
        s = states[j]
        before, over = over, s[2] - chord * math.sqrt(s[0] * s[0] + s[1] * s[1])
        if before > 0.0 and (over <= 0.0 or (j == n - 1 and over < 1e-9)):
            last = j
            share = min(before / (before - over), 1.0)
            break
    if last == 0:
        return
    p, q = states[last - 1], states[last]
    x = p[0] + share * (q[0] - p[0])
    y = p[1] + share * (q[1] - p[1])
    vx = p[3] + share * (q[3] - p[3])
    vy = p[4] + share * (q[4] - p[4])
    vz = p[5] + share * (q[5] - p[5])
    reach = math.sqrt(x * x + y * y)
    cx, cy = x / reach, y / reach
    top, bulge, left, right = 0.0, 0.0, 0.0, 0.0
    for j in range(last):
        s = states[j]
        aside = s[1] * cx - s[0] * cy
        top = max(top, s[2])
        bulge = max(bulge, s[2] - chord * (s[0] * cx + s[1] * cy))
        left = max(left, aside)
        right = max(right, -aside)
    level = math.sqrt(vx * vx + vy * vy)
    out[REACH] = reach
    out[AZIMUTH] = math.atan2(cy, cx) * DEGREES
    out[TURN] = math.atan2(vy * cx - vx * cy, vx * cx + vy * cy) * DEGREES
    out[DESCENT] = math.atan2(-vz, level) * DEGREES
    out[TOP], out[BULGE], out[LEFT], out[RIGHT] = top, bulge, left, right
    out[ARRIVAL] = math.sqrt(level * level + vz * vz)
    out[TIME] = (last - 1) * h + share * (part if last == n - 1 else h)


class Nodes(NamedTuple):
    """Where a throw comes down through its chord, and how far below it its last node lies [m]."""

    target: int
    fall: float


@njit(cache=True, nogil=True, parallel=True)
def node_times(throws, tables, discs, air, h, chords, ends, times):
    """Write times at equal steps of the way flown: to the chord, and on beyond it.

    `chords` (throws) are slopes. Node `ends.target` of `times` (throws, nodes) is where the throw
    comes down through its chord; the last is where it is `ends.fall` metres below it, or `FALLING`
    later.
    """
    target, fall = ends
    room = int(LIMIT / h) + 2
    nodes = times.shape[1]
    for i in prange(throws.shape[0]):
        states = np.empty((room, 9))
        work = np.empty((5, 9))
        gone = np.zeros(room)
        at = np.zeros(room)
        throw, chord = throws[i], chords[i]
        n, lands, part = track(throw, tables, discs, air, h, chord, states, work)
        if not lands:
            times[i] = np.nan
            continue
        for j in range(1, n):
            at[j] = at[j - 1] + (h if j < n - 1 else part)
        start = np.int64(0)  # a literal would compile another one
        shared_out(states, at, gone, start, n - 1, times[i], start, target)
        disc = int(throw[DISC])
        table, lift, twist = tables[disc], discs[disc, 0], discs[disc, 1] / throw[SPIN]
        first = n - 1
        while n < room:
            states[n] = states[n - 1]
            step(states[n], h, table, lift, twist, air, work)
            at[n] = at[n - 1] + h
            s = states[n]
            n += 1
            low = s[2] - chord * math.sqrt(s[0] * s[0] + s[1] * s[1]) < -fall
            if low or at[n - 1] > at[first] + FALLING:
                break
        shared_out(states, at, gone, first, n - 1, times[i], target, nodes - 1)


@njit(cache=True, nogil=True)
def shared_out(states, at, gone, first, last, times, node, end):
    """Write times to `times[node : end + 1]`, at equal steps of the way from state to state."""
    gone[first] = 0.0
    for j in range(first + 1, last + 1):
        x = states[j, 0] - states[j - 1, 0]
        y = states[j, 1] - states[j - 1, 1]
        z = states[j, 2] - states[j - 1, 2]
        gone[j] = gone[j - 1] + math.sqrt(x * x + y * y + z * z)
    j = first
    for k in range(node, end + 1):
        want = gone[last] * (k - node) / (end - node)
        while j < last - 1 and gone[j + 1] < want:
            j += 1
        share = (want - gone[j]) / (gone[j + 1] - gone[j])
        times[k] = at[j] + min(share, 1.0) * (at[j + 1] - at[j])


@njit(cache=True, nogil=True, parallel=True)
def positions(throws, tables, discs, air, h, times, states):
    """Write the first six of the state of each throw at its times to `states`.

    `times` (throws, nodes) ascend from 0; `states` (throws, nodes, 6). From one to the next goes in
    equal steps of at most `h`.
    """
    for i in prange(throws.shape[0]):
        s = np.empty(9)
        work = np.empty((5, 9))
        throw = throws[i]
        disc = int(throw[DISC])
        table, lift, twist = tables[disc], discs[disc, 0], discs[disc, 1] / throw[SPIN]
        release(throw, s)
        now = 0.0
        for k in range(times.shape[1]):
            ahead = times[i, k] - now
            if ahead > 0.0:
                steps = math.ceil(ahead / h)
                for _ in range(steps):
                    step(s, ahead / steps, table, lift, twist, air, work)
                now = times[i, k]
            for q in range(6):
                states[i, k, q] = s[q]
