"""Throw at a leg many times: each throw a flight through contact density, touched or not."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

LAYERS = 64
PER_METRE = np.float32(4.0)  # layers in a metre
MOST_SD = 3.0  # the change of a path is taken as even in what makes it; no farther than this
CONTACTS = 4  # sums of contacts kept for a throw
SHORT = 0.75  # of a leg; a flight that is aimed to come down before is none to its end
NO_THROW = 1e6  # contacts that stand for it
STOP = 6  # figures kept of where a throw was stopped and ended


class Legs(NamedTuple):
    """Who throws from where to where; arrays (legs,).

    `r0`, `c0` and `z0` are the release in cells and metres, `dr`, `dc` and `dz` what leads to the
    target, `length` its level distance [m]; `row` is the row of the tables, `seed` makes the
    throws.
    """

    r0: NDArray[np.float64]
    c0: NDArray[np.float64]
    z0: NDArray[np.float64]
    dr: NDArray[np.float64]
    dc: NDArray[np.float64]
    dz: NDArray[np.float64]
    length: NDArray[np.float64]
    row: NDArray[np.int64]
    seed: NDArray[np.uint64]


class Paths(NamedTuple):
    """Flights and how they spread; see `flight.LevelFlights`.

    `path` (rows, nodes, 3) and `spread` (rows, 3, nodes, 3); `aim` is the spread of the direction
    [radians], `margin` the most that a rise is taken times, `skid` (rows,) the slide on the ground.
    """

    path: NDArray[np.float32]
    spread: NDArray[np.float32]
    skid: NDArray[np.float32]
    aim: float
    margin: float


class Field(NamedTuple):
    """What stands on the land; see `throwing.Contacts`. `cell` is its side [m]."""

    ground: NDArray[np.float32]
    density: NDArray[np.uint8]
    table: NDArray[np.float32]
    searched: NDArray[np.uint64]
    prior: NDArray[np.float32]
    leaf: NDArray[np.float32]
    trunk: NDArray[np.float32]
    trunk_top: NDArray[np.uint8]
    stems: NDArray[np.float32]
    lowest: float
    cell: float


class Log(NamedTuple):
    """What is met, one row each.

    `places` (n, 3) row, column and layer; `kinds` (n,) 0 vegetation, 1 a known tree's trunk, 2 what
    is expected where nothing was searched; `depths` (n,) contacts; `points` (n, 3) share of the
    leg, metres left of the chord, metres over the ground.
    """

    places: NDArray[np.int32]
    kinds: NDArray[np.uint8]
    depths: NDArray[np.float32]
    points: NDArray[np.float32]


def new_log(rows: int) -> Log:
    """Room for as many rows."""
    return Log(
        np.zeros((rows, 3), np.int32),
        np.zeros(rows, np.uint8),
        np.zeros(rows, np.float32),
        np.zeros((rows, 3), np.float32),
    )


@njit(cache=True, nogil=True)
def mix(z):
    """Whole number spread over all 64 bits (splitmix64, Steele et al. 2014)."""
    z = np.uint64(z + np.uint64(0x9E3779B97F4A7C15))
    z = np.uint64((z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9))
    z = np.uint64((z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB))
    return np.uint64(z ^ (z >> np.uint64(31)))


@njit(cache=True, nogil=True)
def uniform(seed, number):
    """Share above 0 and up to 1: the `number`-th of those that belong to `seed`."""
    bits = mix(np.uint64(seed ^ mix(np.uint64(number))))
    return (np.float64(bits >> np.uint64(11)) + 1.0) / 9007199254740992.0


@njit(cache=True, nogil=True)
def _draw(seed, t, margin):
    """Chances of throw `t`.

    Launch, speed, hyzer and aim in standard deviations, what the rise is taken times, and the
    contacts that stop it.
    """
    # Polar method without rejection: two normals from two uniforms (Box & Muller 1958).
    first = 8 * t
    radius = np.sqrt(-2.0 * np.log(uniform(seed, first)))
    angle = 2.0 * np.pi * uniform(seed, first + 1)
    aim = radius * np.cos(angle)
    launch = min(max(radius * np.sin(angle), -MOST_SD), MOST_SD)
    radius = np.sqrt(-2.0 * np.log(uniform(seed, first + 2)))
    angle = 2.0 * np.pi * uniform(seed, first + 3)
    speed = min(max(radius * np.cos(angle), -MOST_SD), MOST_SD)
    hyzer = min(max(radius * np.sin(angle), -MOST_SD), MOST_SD)
    higher = 1.0 + (margin - 1.0) * uniform(seed, first + 4)
    enough = np.float64(np.float32(-np.log(uniform(seed, first + 5))))
    return launch, speed, hyzer, aim, higher, enough


@njit(cache=True, nogil=True)
def _walk(legs, leg, paths, field, chances, depth, stop, log, at):
    """Add up what one throw meets; writes the depths, and where it was stopped and ended.

    `depth` takes the expected contacts as surveyed, at least, at most and in the other season, up
    to the target. `stop` takes, of a throw that is stopped before it, the share of the leg, the
    metres left of the chord and over the ground and the kind of `Log`, else NaN; and with 6 places
    the row and column where the disc comes to rest: where something stops it, or where it meets the
    ground and has slid on. From `at` 0 on, what is met is written to the rows of `log`.

    Returns samples in the layers, how many of them were searched, how many things are met, and the
    share of the leg where it comes down to `lowest` (infinite where it does not).
    """
    launch, speed, hyzer, aim, higher, enough = chances
    rows, cols = field.ground.shape
    row = legs.row[leg]
    r0, c0, z0 = legs.r0[leg], legs.c0[leg], legs.z0[leg]
    dr, dc, dz, length = legs.dr[leg], legs.dc[leg], legs.dz[leg], legs.length[leg]
    path, spread, ground = paths.path, paths.spread, field.ground
    cos, sin = np.cos(paths.aim * aim), np.sin(paths.aim * aim)
    depth[:] = 0.0
    stop[:] = np.nan
    to_rest = stop.size == STOP
    beyond = 0.0  # contacts after the target
    past = False  # the target
    down = False  # so low that it is landing
    ended = False
    seen = 0
    total = 0
    met = 0
    low = np.inf
    u0 = v0 = w0 = 0.0
    r, c = r0, c0
    for k in range(1, path.shape[1]):
        rise = np.float64(path[row, k, 2])
        if rise > 0.0:
            rise *= higher
        w1 = (
            rise
            + launch * spread[row, 0, k, 2]
            + speed * spread[row, 1, k, 2]
            + hyzer * spread[row, 2, k, 2]
        )
        along = (
            path[row, k, 0]
            + launch * spread[row, 0, k, 0]
            + speed * spread[row, 1, k, 0]
            + hyzer * spread[row, 2, k, 0]
        )
        left = (
            path[row, k, 1]
            + launch * spread[row, 0, k, 1]
            + speed * spread[row, 1, k, 1]
            + hyzer * spread[row, 2, k, 1]
        )
        u1 = along * cos - left * sin
        v1 = along * sin + left * cos
        du, dv, dw = u1 - u0, v1 - v0, w1 - w0
        climb = dz * du + dw
        way = np.sqrt((du * du + dv * dv) * length * length + climb * climb)
        n = np.int64(max(np.ceil(way / field.cell), 1.0))
        step = way / n
        for i in range(n):
            f = (i + 0.5) / n
            u = u0 + f * du
            v = v0 + f * dv
            if u > 1.0:
                past = True  # beyond the target it is no longer this leg
            if (past or down) and (ended or not to_rest):
                return total, seen, met, low
            r = r0 + dr * u - dc * v
            c = c0 + dc * u + dr * v
            if r < 0 or c < 0 or r >= rows or c >= cols:
                if to_rest and not ended:
                    stop[4], stop[5] = r, c
                return total, seen, met, low
            ri = np.int64(r)
            ci = np.int64(c)
            z = z0 + dz * u + w0 + f * dw
            height = (z - ground[ri, ci]) * PER_METRE
            if height < field.lowest:
                if not down:
                    low = u
                down = True  # whatever grows there
                if height < 0.0 and to_rest and not ended:
                    run = np.sqrt(du * du + dv * dv) * length
                    slide = paths.skid[row] / run if run > 0.0 else 0.0
                    stop[4] = r + (dr * du - dc * dv) * slide
                    stop[5] = c + (dc * du + dr * dv) * slide
                    return total, seen, met, low
                continue
            if down or not height < LAYERS:
                continue  # above all layers; also where the ground is unknown
            layer = np.int64(height)
            code = field.density[ri, ci, layer]
            # Rounded as they are kept, so that adding up what is kept gives the same sum.
            here = np.float64(np.float32(field.table[code] * step))
            stem = 0.0
            if layer < field.trunk_top[ri, ci]:
                stem = np.float64(np.float32(field.trunk[ri, ci] * step))
            known = (field.searched[ri, ci] >> np.uint64(layer)) & np.uint64(1)
            kind = 0 if known else 2
            if past:
                beyond += here + stem
            else:
                if here > 0.0:
                    if at >= 0:
                        _note(log, at + met, ri, ci, layer, kind, here, u, v * length, height)
                    met += 1
                if stem > 0.0:
                    if at >= 0:
                        _note(log, at + met, ri, ci, layer, 1, stem, u, v * length, height)
                    met += 1
                total += 1
                thin = field.stems[ri, ci] * step
                if known:
                    seen += 1
                    depth[1] += here
                    depth[2] += here + stem + thin
                else:
                    depth[2] += max(here, field.prior[layer] * step) + stem + thin
                depth[0] += here
                depth[0] += stem
                depth[3] += here * field.leaf[layer] + stem
            if not ended and depth[0] + beyond >= enough:
                ended = True
                if not past:
                    stop[0] = u
                    stop[1] = v * length
                    stop[2] = height / PER_METRE
                    stop[3] = 1 if stem > here else kind
                if to_rest:
                    stop[4], stop[5] = r, c
        u0, v0, w0 = u1, v1, w1
    if to_rest and not ended:
        stop[4], stop[5] = r, c
    return total, seen, met, low


@njit(cache=True, nogil=True)
def _note(log, j, row, col, layer, kind, depth, along, left, height):
    log.places[j, 0] = row
    log.places[j, 1] = col
    log.places[j, 2] = layer
    log.kinds[j] = kind
    log.depths[j] = depth
    log.points[j, 0] = along
    log.points[j, 1] = left
    log.points[j, 2] = height / PER_METRE


@njit(cache=True, nogil=True, parallel=True)
def aim(legs, paths, field, log, out):
    """Expected contacts on the path aimed for, half the margin on its rise, and what was searched.

    `out` (legs, 5): as surveyed, at least, at most, in the other season; share searched. A flight
    that comes down to the ground before `SHORT` counts `NO_THROW`.
    """
    higher = (1.0 + paths.margin) / 2.0
    for leg in prange(out.shape[0]):
        depth = np.empty(CONTACTS, np.float64)
        stop = np.empty(4, np.float32)
        chances = (0.0, 0.0, 0.0, 0.0, higher, np.inf)
        total, seen, _, low = _walk(legs, leg, paths, field, chances, depth, stop, log, -1)
        for i in range(CONTACTS):
            out[leg, i] = depth[i] if low >= SHORT else NO_THROW
        out[leg, 4] = seen / total if total > 0 else 1.0


@njit(cache=True, nogil=True, parallel=True)
def throw(legs, paths, field, throws, log, clear, space, stops):
    """Throw `throws` times at each leg.

    Writes `clear` (legs, 4): throws that touch nothing, as surveyed, at best, at worst and in
    the other season; `space` (legs, 2): samples in the layers, and searched ones. `stops`
    (legs, throws, 6), where it has rows, takes `stop` of `_walk`.
    """
    keep = stops.shape[0] > 0
    for leg in prange(clear.shape[0]):
        depth = np.empty(CONTACTS, np.float64)
        stop = np.empty(STOP if keep else 4, np.float32)
        for t in range(throws):
            chances = _draw(legs.seed[leg], t, paths.margin)
            total, seen, _, _ = _walk(legs, leg, paths, field, chances, depth, stop, log, -1)
            # depth 1 is the least that can be there: it makes the highest clear rate
            for i in range(CONTACTS):
                if depth[i] < chances[5]:
                    clear[leg, i] += 1
            space[leg, 0] += total
            space[leg, 1] += seen
            if keep:
                stops[leg, t, :] = stop


@njit(cache=True, nogil=True, parallel=True)
def meet(legs, paths, field, throws, log, starts, enough):
    """Tell all that the throws of `throw` meet, or only how much there is.

    Without rows in `log`, writes to `starts` (legs, throws) how many things each throw meets, and
    to `enough` (legs, throws) the contacts that stop it. With rows, `starts` says where those of
    each throw go.
    """
    write = log.kinds.shape[0] > 0
    for leg in prange(starts.shape[0]):
        depth = np.empty(CONTACTS, np.float64)
        stop = np.empty(4, np.float32)
        for t in range(throws):
            chances = _draw(legs.seed[leg], t, paths.margin)
            start = starts[leg, t] if write else -1
            _, _, met, _ = _walk(legs, leg, paths, field, chances, depth, stop, log, start)
            if not write:
                starts[leg, t] = met
                enough[leg, t] = chances[5]
