"""Throw at a leg many times: each throw a flight through contact density.

A throw is the path aimed for plus its errors, each times what one standard deviation of it changes.
Errors come from a point set that fills the unit cube evenly (Sobol 1967), shifted for each leg by
the bits of its own random numbers: sums over such points come nearer to the mean than those over
independent ones, and stay right on average (Owen 1997). What a throw meets is not drawn but summed
up: it is stopped with probability ``1 - exp(-contacts)``.

What makes it fast: the path is cut into the same stretches for all throws at a leg, so that their
places are sums of arrays, worked out in float32 in loops that the compiler turns into vector code;
and all that most stretches ask of a cell lies in one record of 32 bytes, with a bit for each layer
where anything may be met.
"""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.special import ndtri

LAYERS = 64
PER_METRE = np.float32(4.0)  # layers in a metre
ERRORS = 6
"""What a path changes with: launch angle, release speed and hyzer of the throw; law of turning,
spin and coefficients of the air of the model."""
DIMENSIONS = ERRORS + 3
"""Of the point set: aim, the errors in their order, what the rise is taken times, and what stops
the throw."""
AIM, FIRST_ERROR, RISE, ENOUGH = 0, 1, ERRORS + 1, ERRORS + 2
HIGHER, STOPPED_BY, COSINE, SINE = range(ERRORS, ERRORS + 4)  # columns of chances after the errors
CHANCES = ERRORS + 4
CHUNK = 64  # stretches of a path worked out at once
MOST_SD = np.float32(3.0)  # the change of a path is taken as even in its errors; no farther
CONTACTS = 4  # sums of contacts: as surveyed, at least, at most, in the other season
SHORT = 0.75  # of a leg; a flight that is aimed to come down before is none to its end
NO_THROW = 1e6  # contacts that stand for it
STOP = 6  # figures kept of where a throw was stopped and ended

_BITS = 12
_MIDDLES = (np.arange(1 << _BITS) + 0.5) / (1 << _BITS)
NORMAL = ndtri(_MIDDLES).astype(np.float32)
"""Standard normal deviate in the middle of each of 4,096 equal shares."""
EXPONENTIAL = -np.log(_MIDDLES).astype(np.float32)
"""Contacts that stop a throw, for each of these shares."""

CELL = np.dtype(
    [
        ("trunk", np.float32),
        ("stems", np.float32),
        ("trunk_top", np.uint8),
        ("spare", np.uint8, 7),
        ("met", np.uint64),
        ("searched", np.uint64),
    ],
    align=True,
)
"""What stands in a cell: contacts with trunks [1/m] below the layer
`trunk_top` and with thin stems; masks of the layers where growth, a trunk or the unsearched may be
met, and of those searched."""


borrowing = njit(cache=True, nogil=True, _nrt=False)  # type: ignore[call-overload]
"""For functions that make no arrays: without counts of who holds them. Each count stops the other
cores for a moment, and they took half the time of a throw."""


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

    `path` (rows, 3, nodes) and `spread` (rows, `ERRORS`, 3, nodes), along, left and up; `aim` is
    the spread of the direction [radians], `margin` the most that a rise is taken times, `skid`
    (rows,) the slide on the ground.
    """

    path: NDArray[np.float32]
    spread: NDArray[np.float32]
    skid: NDArray[np.float32]
    aim: float
    margin: float


class Field(NamedTuple):
    """What stands on the land; see `contacts.Contacts`.

    Cell by cell, `rows` of `cols`: `ground` (cells,) [m], `cells` (cells,) records of `CELL`,
    `density` (cells, 64) codes of the contacts in `table` (256,). `prior` and `leaf` (64,), `worst`
    the most of `prior`; `lowest` layers above the ground where a disc begins to land; `cell` the
    side of a cell [m].
    """

    ground: NDArray[np.float32]
    cells: NDArray[np.void]
    density: NDArray[np.uint8]
    table: NDArray[np.float32]
    prior: NDArray[np.float32]
    leaf: NDArray[np.float32]
    worst: np.float32
    lowest: float
    cell: float
    rows: int
    cols: int


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


STATE = np.dtype(
    [
        ("surveyed", np.float64),
        ("least", np.float64),
        ("most", np.float64),
        ("other", np.float64),
        ("beyond", np.float64),
        ("low", np.float64),
        ("stretches", np.int64),
        ("unseen", np.int64),
        ("met", np.int64),
        ("row", np.float32),
        ("col", np.float32),
        ("up", np.float32),
        ("past", np.bool_),
        ("down", np.bool_),
        ("stopped", np.bool_),
        ("done", np.bool_),
    ],
    align=True,
)
"""One throw on its way. Expected contacts up to the target as surveyed, at least, at most and in
the other season, and after it; share of the leg where it comes down to `lowest` (infinite where it
does not). Stretches in the layers, those never searched, things met. The place reached: row,
column, height [m]. Whether it is past the target, so low that it is landing, stopped, followed to
its end."""


class _Kept(NamedTuple):
    """What is kept of the throws at a leg.

    `stops` (throws, 4 or 6) as `_walk` writes them; `log` of what is met, and the row of it where
    each throw begins (throws,), -1 to write nothing.
    """

    stops: NDArray[np.float32]
    log: Log
    firsts: NDArray[np.int64]


class _Way(NamedTuple):
    """Path of a leg in stretches, a chunk of them at a time, and where one throw is in a chunk.

    `stretches` in all; `base` (chunks, 1 + errors, 3 * `CHUNK`): the middles of stretches of the
    path aimed for, and their changes; along, left and up. Of one throw in one chunk: `place`
    (3 * `CHUNK`) alike; `row`, `col` and `up` (1 + `CHUNK`), the first of the chunk before; `at`
    number of the cell, -1 off the grid; `height` in layers over the ground; `step` metres from the
    place before.
    """

    stretches: int
    base: NDArray[np.float32]
    place: NDArray[np.float32]
    row: NDArray[np.float32]
    col: NDArray[np.float32]
    up: NDArray[np.float32]
    at: NDArray[np.int32]
    height: NDArray[np.float32]
    step: NDArray[np.float32]


def new_log(rows: int) -> Log:
    """Room for as many rows."""
    return Log(
        np.zeros((rows, 3), np.int32),
        np.zeros(rows, np.uint8),
        np.zeros(rows, np.float32),
        np.zeros((rows, 3), np.float32),
    )


@njit(cache=True, nogil=True, parallel=True)
def pack(density, table, searched, trunk, trunk_top, stems, cells):
    """Write the records `cells` (rows, cols) of `CELL`; arguments as in `contacts.Contacts`."""
    for r in prange(cells.shape[0]):
        for c in range(cells.shape[1]):
            met = np.uint64(~searched[r, c])
            for layer in range(LAYERS):
                grows = table[density[r, c, layer]] > 0
                if grows or (trunk[r, c] > 0 and layer < trunk_top[r, c]):
                    met |= np.uint64(1) << np.uint64(layer)
            cell = cells[r, c]
            cell.trunk = trunk[r, c]
            cell.stems = stems[r, c]
            cell.trunk_top = trunk_top[r, c]
            cell.met = met
            cell.searched = searched[r, c]


@njit(cache=True, nogil=True)
def mix(z):
    """Whole number spread over all 64 bits (splitmix64, Steele et al. 2014)."""
    z = np.uint64(z + np.uint64(0x9E3779B97F4A7C15))
    z = np.uint64((z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9))
    z = np.uint64((z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB))
    return np.uint64(z ^ (z >> np.uint64(31)))


@njit(cache=True, nogil=True)
def shifts_of(seed):
    """What the points of a leg are shifted by, from its seed (`DIMENSIONS`,)."""
    out = np.empty(DIMENSIONS, np.uint32)
    for i in range(DIMENSIONS):
        out[i] = mix(np.uint64(seed ^ mix(np.uint64(i)))) >> np.uint64(32)
    return out


@borrowing
def share(points, t, dimension, shifts):
    """Which of 4,096 equal shares throw `t` of a leg falls in along a dimension."""
    return np.uint32(points[t, dimension] ^ shifts[dimension]) >> np.uint32(32 - _BITS)


@borrowing
def draw(points, t, shifts, paths, out):
    """Write the chances of throw `t` of a leg.

    Errors in standard deviations; then the share by which it rises higher, the contacts that stop
    it, and cosine and sine of the error of aim.
    """
    for i in range(ERRORS):
        z = NORMAL[share(points, t, FIRST_ERROR + i, shifts)]
        out[i] = min(max(z, -MOST_SD), MOST_SD)
    even = (np.float32(share(points, t, RISE, shifts)) + np.float32(0.5)) / np.float32(1 << _BITS)
    out[HIGHER] = (np.float32(paths.margin) - np.float32(1.0)) * even
    out[STOPPED_BY] = EXPONENTIAL[share(points, t, ENOUGH, shifts)]
    angle = np.float64(NORMAL[share(points, t, AIM, shifts)]) * paths.aim
    out[COSINE], out[SINE] = np.cos(angle), np.sin(angle)


@njit(cache=True, nogil=True)
def _pieces(path, length, dz, cell):
    """Stretches between each node of a path and the one before, none longer than a cell."""
    pieces = np.zeros(path.shape[1], np.int64)
    for k in range(1, path.shape[1]):
        du = np.float64(path[0, k]) - np.float64(path[0, k - 1])
        dv = np.float64(path[1, k]) - np.float64(path[1, k - 1])
        climb = dz * du + np.float64(path[2, k]) - np.float64(path[2, k - 1])
        way = np.sqrt((du * du + dv * dv) * length * length + climb * climb)
        pieces[k] = max(np.int64(np.ceil(way / cell)), 1)
    return pieces


@njit(cache=True, nogil=True)
def cut(legs, leg, paths, cell, errors):
    """Cut the path of a leg into stretches no longer than a cell; `errors` 0 leaves out changes."""
    path = paths.path[legs.row[leg]]
    nodes = path.shape[1]
    pieces = _pieces(path, legs.length[leg], legs.dz[leg], cell)
    stretches = pieces.sum()
    base = np.zeros(((stretches + CHUNK - 1) // CHUNK, 1 + errors, 3 * CHUNK), np.float32)
    for e in range(1 + errors):
        source = path if e == 0 else paths.spread[legs.row[leg], e - 1]
        for i in range(3):
            j = 0
            for k in range(1, nodes):
                before = source[i, k - 1]
                change = source[i, k] - before
                part = np.float32(1.0) / np.float32(pieces[k])
                for p in range(pieces[k]):
                    base[j // CHUNK, e, i * CHUNK + j % CHUNK] = before + change * (
                        (np.float32(p) + np.float32(0.5)) * part
                    )
                    j += 1
    return _Way(
        stretches,
        base,
        np.empty(3 * CHUNK, np.float32),
        np.empty(1 + CHUNK, np.float32),
        np.empty(1 + CHUNK, np.float32),
        np.empty(1 + CHUNK, np.float32),
        np.empty(CHUNK, np.int32),
        np.empty(CHUNK, np.float32),
        np.empty(CHUNK, np.float32),
    )


@borrowing
def _moved(base, a, b, c, d, e, f, place):
    """Write a path with its changes, each times its error."""
    for s in range(3 * CHUNK):
        place[s] = (
            base[0, s]
            + a * base[1, s]
            + b * base[2, s]
            + c * base[3, s]
            + d * base[4, s]
            + e * base[5, s]
            + f * base[6, s]
        )


@borrowing
def _higher(base, more, place):
    """Add a share of what the path aimed for rises above its chord."""
    for s in range(2 * CHUNK, 3 * CHUNK):
        place[s] += more * max(base[0, s], np.float32(0.0))


@borrowing
def _turned(place, cos, sin):
    for s in range(CHUNK):
        along, left = place[s], place[CHUNK + s]
        place[s] = along * cos - left * sin
        place[CHUNK + s] = along * sin + left * cos


@borrowing
def _over(start, per_along, other, part, place, out):
    """Write a coordinate: from along the chord, and from `part` 1 left of it or 2 over it."""
    for s in range(CHUNK):
        out[1 + s] = start + per_along * place[s] + other * place[part * CHUNK + s]


@borrowing
def _cells(row, col, rows, cols, at):
    for s in range(CHUNK):
        r, c = row[1 + s], col[1 + s]
        inside = r >= 0 and c >= 0 and r < np.float32(rows) and c < np.float32(cols)
        at[s] = np.int32(r) * np.int32(cols) + np.int32(c) if inside else np.int32(-1)


@borrowing
def _steps(row, col, up, square, step):
    for s in range(CHUNK):
        a, d, h = row[s + 1] - row[s], col[s + 1] - col[s], up[s + 1] - up[s]
        step[s] = np.sqrt((a * a + d * d) * square + h * h)


@borrowing
def _heights(ground, at, up, height):
    for s in range(CHUNK):
        height[s] = (up[1 + s] - ground[np.uint32(max(at[s], np.int32(0)))]) * PER_METRE


@borrowing
def lay(way, chunk, chances, state, legs, leg, field):
    """Write where a throw is in each stretch of a chunk.

    Loops are short and by themselves: the compiler makes vector code only of those that read and
    write few arrays.
    """
    base, place, z = way.base[chunk], way.place, chances
    if base.shape[0] > 1:
        _moved(base, z[0], z[1], z[2], z[3], z[4], z[5], place)
    else:
        for s in range(3 * CHUNK):
            place[s] = base[0, s]
    _higher(base, z[HIGHER], place)
    _turned(place, z[COSINE], z[SINE])
    r0, c0, z0 = np.float32(legs.r0[leg]), np.float32(legs.c0[leg]), np.float32(legs.z0[leg])
    dr, dc, dz = np.float32(legs.dr[leg]), np.float32(legs.dc[leg]), np.float32(legs.dz[leg])
    way.row[0], way.col[0], way.up[0] = state.row, state.col, state.up
    _over(r0, dr, -dc, 1, place, way.row)
    _over(c0, dc, dr, 1, place, way.col)
    _over(z0, dz, np.float32(1.0), 2, place, way.up)
    _cells(way.row, way.col, field.rows, field.cols, way.at)
    _steps(way.row, way.col, way.up, np.float32(field.cell * field.cell), way.step)
    _heights(field.ground, way.at, way.up, way.height)
    state.row, state.col, state.up = way.row[CHUNK], way.col[CHUNK], way.up[CHUNK]


@borrowing
def _walk(way, count, field, enough, ways, state, kept, t):
    """Add up what one throw meets in the first `count` stretches of a chunk.

    `stop` takes, of a throw that is stopped before the target, the share of the leg, the metres
    left of the chord and over the ground and the kind of `Log`; and with 6 places the row and
    column where the disc comes to rest: where something stops it, or where it meets the ground and
    has slid on. From `first` 0 on, what is met is written to the rows of `log`.
    """
    length, skid = ways
    stop, log, first = kept.stops[t], kept.log, kept.firsts[t]
    lowest, ceiling = np.float32(field.lowest), np.float32(LAYERS)
    cells, codes = field.cells, field.density
    place, at, heights, steps = way.place, way.at, way.height, way.step
    to_rest = stop.size == STOP
    surveyed, least, most, other = state.surveyed, state.least, state.most, state.other
    beyond, past, down, stopped = state.beyond, state.past, state.down, state.stopped
    stretches, unseen, met = state.stretches, state.unseen, state.met
    for s in range(count):
        past = past or place[s] > np.float32(1.0)  # beyond the target it is no longer this leg
        j, height, step = at[s], heights[s], steps[s]
        if ((past or down) and (stopped or not to_rest)) or j < 0:
            state.done = True
            if to_rest and not stopped:
                stop[4], stop[5] = way.row[1 + s], way.col[1 + s]
            break
        if height < lowest:
            if not down:
                state.low = np.float64(place[s])
            down = True  # whatever grows there
            if height < np.float32(0.0) and to_rest and not stopped:
                _come_to_rest(way, s, skid, field.cell, stop)
                state.done = True
                break
        elif not down and height < ceiling:
            layer = np.uint64(np.uint32(height))
            cell = cells[np.uint32(j)]
            if not past:
                stretches += 1
                most += np.float64(cell.stems * step)
            if (cell.met >> layer) & np.uint64(1):
                # In float32 as they are kept, so that adding up what is kept gives the same sum.
                here = np.float64(field.table[codes[np.uint32(j), layer]] * step)
                stem = 0.0
                if layer < cell.trunk_top:
                    stem = np.float64(cell.trunk * step)
                known = (cell.searched >> layer) & np.uint64(1)
                kind = 0 if known else 2
                if past:
                    beyond += here + stem
                else:
                    if first >= 0 and here > 0.0:
                        where = np.int64(j) // field.cols, np.int64(j) % field.cols, layer
                        _note(log, first + met, where, (kind, here), way, s, length)
                    met += here > 0.0
                    if first >= 0 and stem > 0.0:
                        where = np.int64(j) // field.cols, np.int64(j) % field.cols, layer
                        _note(log, first + met, where, (1, stem), way, s, length)
                    met += stem > 0.0
                    surveyed += here
                    surveyed += stem
                    other += here * np.float64(field.leaf[layer]) + stem
                    if known:
                        least += here
                        most += here + stem
                    else:
                        unseen += 1
                        most += max(here, np.float64(field.prior[layer] * step)) + stem
                if not stopped and surveyed + beyond >= enough:
                    stopped = True
                    if not past:
                        stop[0] = place[s]
                        stop[1] = place[CHUNK + s] * np.float32(length)
                        stop[2] = height / PER_METRE
                        stop[3] = 1 if stem > here else kind
                    if to_rest:
                        stop[4], stop[5] = way.row[1 + s], way.col[1 + s]
        elif not down and not past and np.isnan(height):
            # Unknown ground, so nobody searched above it
            stretches += 1
            unseen += 1
            most += np.float64(field.worst * step)
    state.surveyed, state.least, state.most, state.other = surveyed, least, most, other
    state.beyond, state.past, state.down, state.stopped = beyond, past, down, stopped
    state.stretches, state.unseen, state.met = stretches, unseen, met


@borrowing
def _come_to_rest(way, s, skid, cell, stop):
    """Write row and column where a throw lies that meets the ground: on by the skid."""
    a, d = way.row[1 + s] - way.row[s], way.col[1 + s] - way.col[s]
    run = np.sqrt(a * a + d * d) * np.float32(cell)
    slide = skid / run if run > np.float32(0.0) else np.float32(0.0)
    stop[4] = way.row[1 + s] + a * slide
    stop[5] = way.col[1 + s] + d * slide


@borrowing
def _note(log, j, where, what, way, s, length):
    log.places[j, 0], log.places[j, 1], log.places[j, 2] = where
    log.kinds[j], log.depths[j] = what
    log.points[j, 0] = way.place[s]
    log.points[j, 1] = way.place[CHUNK + s] * np.float32(length)
    log.points[j, 2] = way.height[s] / PER_METRE


@borrowing
def _fly(legs, leg, paths, field, way, chances, states, kept):
    """Follow every throw of a leg to its end, all of them through a chunk before the next.

    So what they read of the path and of the land stays in the nearest cache.
    """
    ways, stops = (legs.length[leg], paths.skid[legs.row[leg]]), kept.stops
    for t in range(states.size):
        state = states[t]
        state.surveyed = state.least = state.most = state.other = state.beyond = 0.0
        state.low = np.inf
        state.stretches = state.unseen = state.met = 0
        state.row, state.col, state.up = legs.r0[leg], legs.c0[leg], legs.z0[leg]
        state.past = state.down = state.stopped = state.done = False
        for i in range(stops.shape[1]):
            stops[t, i] = np.nan
    for chunk in range(way.base.shape[0]):
        count = min(way.stretches - chunk * CHUNK, CHUNK)
        last = chunk + 1 == way.base.shape[0]
        for t in range(states.size):
            state = states[t]
            if state.done:
                continue
            lay(way, chunk, chances[t], state, legs, leg, field)
            _walk(way, count, field, chances[t, STOPPED_BY], ways, state, kept, t)
            if last and not state.done and not state.stopped and stops.shape[1] == STOP:
                stops[t, 4], stops[t, 5] = way.row[count], way.col[count]


@njit(cache=True, nogil=True, parallel=True)
def aim(legs, paths, field, log, out):
    """Expected contacts on the path aimed for, half the margin on its rise, and what was searched.

    `out` (legs, 5): as surveyed, at least, at most, in the other season; share searched. A flight
    that comes down to the ground before `SHORT` counts `NO_THROW`.
    """
    for k in prange(out.shape[0]):
        leg = np.int64(k)  # of one type before and after: what is called is compiled once
        chances = np.zeros((1, CHANCES), np.float32)
        chances[0, HIGHER] = (paths.margin - 1.0) / 2.0
        chances[0, STOPPED_BY], chances[0, COSINE] = np.inf, 1.0
        states = np.empty(1, STATE)
        stops = np.empty((1, 4), np.float32)
        way = cut(legs, leg, paths, field.cell, np.int64(0))
        kept = _Kept(stops, log, np.full(1, -1, np.int64))  # of one type in all that call `_fly`
        _fly(legs, leg, paths, field, way, chances, states, kept)
        state = states[0]
        far = state.low >= SHORT
        out[leg, 0] = state.surveyed if far else NO_THROW
        out[leg, 1] = state.least if far else NO_THROW
        out[leg, 2] = state.most if far else NO_THROW
        out[leg, 3] = state.other if far else NO_THROW
        all_ = state.stretches
        out[leg, 4] = (all_ - state.unseen) / all_ if all_ > 0 else 1.0


@njit(cache=True, nogil=True, parallel=True)
def throw(legs, paths, field, points, log, clear, space, stops):
    """Throw at each leg once for each row of `points` (throws, `DIMENSIONS`).

    Writes `clear` (legs, throws, 4): chance that the throw touches nothing, as surveyed, at best,
    at worst and in the other season; `space` (legs, 2): stretches in the layers, and searched
    ones. `stops` (legs, throws, 6), where it has rows, takes `stop` of `_walk`.
    """
    keep, throws = stops.shape[0] > 0, points.shape[0]
    firsts = np.full(throws, -1, np.int64)
    for k in prange(clear.shape[0]):
        leg = np.int64(k)  # of one type before and after: what is called is compiled once
        chances = np.empty((throws, CHANCES), np.float32)
        states = np.empty(throws, STATE)
        thrown = stops[leg] if keep else np.empty((throws, 4), np.float32)
        shifts = shifts_of(legs.seed[leg])
        for t in range(throws):
            draw(points, t, shifts, paths, chances[t])
        way = cut(legs, leg, paths, field.cell, np.int64(ERRORS))
        _fly(legs, leg, paths, field, way, chances, states, _Kept(thrown, log, firsts))
        for t in range(throws):
            state = states[t]
            # The least that can be there makes the highest clear rate.
            clear[leg, t, 0] = np.exp(-state.surveyed)
            clear[leg, t, 1] = np.exp(-state.least)
            clear[leg, t, 2] = np.exp(-state.most)
            clear[leg, t, 3] = np.exp(-state.other)
            space[leg, 0] += state.stretches
            space[leg, 1] += state.stretches - state.unseen


@njit(cache=True, nogil=True, parallel=True)
def meet(legs, paths, field, points, log, starts, enough):
    """Write all that the throws of `throw` meet, or only how much there is.

    Without rows in `log`, writes to `starts` (legs, throws) how many things each throw meets, and
    to `enough` (legs, throws) the contacts that stop it. With rows, `starts` says where those of
    each throw go.
    """
    write, throws = log.kinds.shape[0] > 0, points.shape[0]
    nowhere = np.full(throws, -1, np.int64)
    for k in prange(starts.shape[0]):
        leg = np.int64(k)  # of one type before and after: what is called is compiled once
        chances = np.empty((throws, CHANCES), np.float32)
        states = np.empty(throws, STATE)
        stops = np.empty((throws, 4), np.float32)
        shifts = shifts_of(legs.seed[leg])
        for t in range(throws):
            draw(points, t, shifts, paths, chances[t])
        way = cut(legs, leg, paths, field.cell, np.int64(ERRORS))
        kept = _Kept(stops, log, starts[leg] if write else nowhere)
        _fly(legs, leg, paths, field, way, chances, states, kept)
        if not write:
            for t in range(throws):
                starts[leg, t] = states[t].met
                enough[leg, t] = chances[t, STOPPED_BY]


@njit(cache=True, nogil=True)
def trace(legs, leg, paths, field, points, seconds):
    """Where the throws of `throw` at one leg are, were there nothing to touch.

    `seconds` (nodes,) is the time at the nodes of the path aimed for. Returns (throws, 1 +
    stretches, 4): row, column, height [m] and time [s] of the release and in the middle of each
    stretch; NaN off the grid, and after the first place lower than `lowest` over the ground.
    """
    way = cut(legs, leg, paths, field.cell, np.int64(ERRORS))
    pieces = _pieces(paths.path[legs.row[leg]], legs.length[leg], legs.dz[leg], field.cell)
    time = np.zeros(1 + way.stretches)
    j = 1
    for k in range(1, pieces.size):
        for p in range(pieces[k]):
            time[j] = seconds[k - 1] + (seconds[k] - seconds[k - 1]) * (p + 0.5) / pieces[k]
            j += 1
    out = np.full((points.shape[0], 1 + way.stretches, 4), np.nan)
    chances, state = np.empty(CHANCES, np.float32), np.empty(1, STATE)[0]
    shifts = shifts_of(legs.seed[leg])
    for t in range(out.shape[0]):
        draw(points, t, shifts, paths, chances)
        state.row, state.col, state.up = legs.r0[leg], legs.c0[leg], legs.z0[leg]
        out[t, 0, 0], out[t, 0, 1] = legs.r0[leg], legs.c0[leg]
        out[t, 0, 2], out[t, 0, 3] = legs.z0[leg], seconds[0]
        for j in range(way.stretches):
            s = j % CHUNK
            if s == 0:
                lay(way, j // CHUNK, chances, state, legs, leg, field)
            if way.at[s] < 0:
                break
            out[t, 1 + j, 0], out[t, 1 + j, 1] = way.row[1 + s], way.col[1 + s]
            out[t, 1 + j, 2], out[t, 1 + j, 3] = way.up[1 + s], time[1 + j]
            if way.height[s] < np.float32(field.lowest):
                break
    return out
