"""Throw at a leg many times: each throw an arc through contact density, touched or not."""

# Compiled functions take whatever numbers reach them; annotations there would promise what nobody
# checks.
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit, prange

LAYERS = 64
PER_METRE = np.float32(4.0)  # layers in a metre


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
def _walk(
    r0, c0, z0, dr, dc, dz, along, left, rise, path, row, n, length, stretch, sideways, upwards,
    enough, lowest, ground, density, table, searched, prior, leaf, trunk, trunk_top, stems, depth,
    at, places, kinds, depths, points,
):  # fmt: skip
    """Add up what one throw meets; writes the four depths and gives where it was stopped.

    `depth` takes the expected contacts as surveyed, at least, at most and in leaf. Returns the
    sample at which the first of them passes `enough` (-1: none), samples in the layers, how many
    of them were searched, and how many things are met. From `at` 0 on, each of these is written to
    row `at` and on of `places`, `kinds`, `depths` and `points`; see `meet`.
    """
    rows, cols = ground.shape
    depth[:] = 0.0
    stop = -1
    seen = 0
    total = 0
    met = 0
    for i in range(n):
        u = along[row, i] * stretch
        if u > 1.0:
            break  # beyond the target it is no longer this leg
        v = left[row, i] * stretch + sideways * u
        r = r0 + dr * u - dc * v
        c = c0 + dc * u + dr * v
        if r < 0 or c < 0 or r >= rows or c >= cols:
            break
        ri = int(r)
        ci = int(c)
        z = z0 + dz * u + rise[row, i] * stretch + upwards * u * length
        height = (z - ground[ri, ci]) * PER_METRE
        if height < lowest:
            break  # down, whatever grows there
        if not height < LAYERS:
            continue  # above all layers; also where the ground is unknown
        layer = int(height)
        step = path[row, i] * stretch * length
        code = density[ri, ci, layer]
        # Rounded as they are kept, so that adding up what is kept gives the same sum.
        here = np.float64(np.float32(table[code] * step))
        stem = 0.0
        if layer < trunk_top[ri, ci]:
            stem = np.float64(np.float32(trunk[ri, ci] * step))
        known = (searched[ri, ci] >> np.uint64(layer)) & np.uint64(1)
        for kind in range(2):
            met_here = here if kind == 0 else stem
            if met_here > 0.0:
                if at >= 0:
                    j = at + met
                    places[j, 0] = ri
                    places[j, 1] = ci
                    places[j, 2] = layer
                    kinds[j] = kind if kind == 1 or known else 2
                    depths[j] = met_here
                    points[j, 0] = u
                    points[j, 1] = v * length
                    points[j, 2] = height / PER_METRE
                met += 1
        total += 1
        if known:
            seen += 1
            depth[1] += here
            depth[2] += here + stem + stems[ri, ci] * step
        else:
            depth[2] += max(here, prior[layer] * step) + stem + stems[ri, ci] * step
        depth[0] += here
        depth[0] += stem
        depth[3] += here * leaf + stem
        if stop < 0 and depth[0] >= enough:
            stop = i
    return stop, total, seen, met


@njit(cache=True, nogil=True)
def _draw(seed, t, lateral, upward, speed, power):
    """Chances of throw `t`: sideways, upwards, stretch, and the contacts that stop it."""
    # Polar method without rejection: two normals from two uniforms (Box & Muller 1958).
    first = 8 * t
    radius = np.sqrt(-2.0 * np.log(uniform(seed, first)))
    angle = 2.0 * np.pi * uniform(seed, first + 1)
    sideways = np.tan(lateral * radius * np.cos(angle))
    upwards = np.tan(upward * radius * np.sin(angle))
    radius = np.sqrt(-2.0 * np.log(uniform(seed, first + 2)))
    angle = 2.0 * np.pi * uniform(seed, first + 3)
    faster = max(1.0 + speed * radius * np.cos(angle), 0.1)
    enough = np.float64(np.float32(-np.log(uniform(seed, first + 4))))
    return sideways, upwards, faster**power, enough


@njit(cache=True, nogil=True)
def _nothing():
    """Where nothing that is met shall be written."""
    return (
        np.empty((0, 3), np.int32),
        np.empty(0, np.uint8),
        np.empty(0, np.float32),
        np.empty((0, 3), np.float32),
    )


@njit(cache=True, nogil=True, parallel=True)
def aim(
    r0, c0, z0, dr, dc, dz, row, n, length, along, left, rise, path, lowest, ground, density,
    table, searched, prior, leaf, trunk, trunk_top, stems, out,
):  # fmt: skip
    """Expected contacts on the path aimed for, and the share of it that was searched.

    `out` (legs, 5): as surveyed, at least, at most, in leaf; share searched.
    """
    for leg in prange(r0.size):
        depth = np.empty(4, np.float64)
        places, kinds, depths, points = _nothing()
        _, total, seen, _ = _walk(
            r0[leg], c0[leg], z0[leg], dr[leg], dc[leg], dz[leg], along, left, rise, path,
            row[leg], n[leg], length[leg], 1.0, 0.0, 0.0, np.inf, lowest, ground,
            density, table, searched, prior, leaf, trunk, trunk_top, stems, depth,
            -1, places, kinds, depths, points,
        )  # fmt: skip
        for i in range(4):
            out[leg, i] = depth[i]
        out[leg, 4] = seen / total if total > 0 else 1.0


@njit(cache=True, nogil=True, parallel=True)
def throw(
    r0, c0, z0, dr, dc, dz, row, n, length, seed, throws, lateral, upward, speed, power,
    along, left, rise, path, lowest, ground, density, table, searched, prior, leaf,
    trunk, trunk_top, stems, clear, space, stops,
):  # fmt: skip
    """Throw `throws` times at each leg.

    Writes `clear` (legs, 4): throws that touch nothing, as surveyed, at best, at worst and in
    leaf; `space` (legs, 2): samples in the layers, and searched ones. `stops` (legs, throws, 3)
    takes, where it has rows, the share of the leg, the sideways place and the height over the
    tee's release at which a throw was stopped, NaN for one that was not.
    """
    keep = stops.shape[0] > 0
    for leg in prange(r0.size):
        depth = np.empty(4, np.float64)
        places, kinds, depths, points = _nothing()
        for t in range(throws):
            sideways, upwards, stretch, enough = _draw(seed[leg], t, lateral, upward, speed, power)
            stop, total, seen, _ = _walk(
                r0[leg], c0[leg], z0[leg], dr[leg], dc[leg], dz[leg], along, left, rise, path,
                row[leg], n[leg], length[leg], stretch, sideways, upwards, enough, lowest, ground,
                density, table, searched, prior, leaf, trunk, trunk_top, stems, depth,
                -1, places, kinds, depths, points,
            )  # fmt: skip
            # depth 1 is the least that can be there: it makes the highest clear rate
            for i in range(4):
                if depth[i] < enough:
                    clear[leg, i] += 1
            space[leg, 0] += total
            space[leg, 1] += seen
            if keep:
                stops[leg, t, :] = np.nan
                if stop >= 0:
                    u = along[row[leg], stop] * stretch
                    stops[leg, t, 0] = u
                    stops[leg, t, 1] = (left[row[leg], stop] * stretch + sideways * u) * length[leg]
                    stops[leg, t, 2] = (
                        dz[leg] * u + rise[row[leg], stop] * stretch + upwards * u * length[leg]
                    )


@njit(cache=True, nogil=True, parallel=True)
def meet(
    r0, c0, z0, dr, dc, dz, row, n, length, seed, throws, lateral, upward, speed, power,
    along, left, rise, path, lowest, ground, density, table, searched, prior, leaf,
    trunk, trunk_top, stems, starts, enoughs, places, kinds, depths, points,
):  # fmt: skip
    """Tell all that the throws of `throw` meet, or only how much there is.

    Without rows in `places`, writes to `starts` (legs, throws) how many things each throw meets,
    and to `enoughs` (legs, throws) the contacts that stop it. With rows, `starts` says where those
    of each throw go: `places` (n, 3) row, column and layer; `kinds` (n,) 0 vegetation, 1 a known
    tree's trunk, 2 what is expected where nothing was searched; `depths` (n,) contacts; `points`
    (n, 3) share of the leg, metres left of the chord, metres over the ground.
    """
    write = places.shape[0] > 0
    for leg in prange(r0.size):
        depth = np.empty(4, np.float64)
        for t in range(throws):
            sideways, upwards, stretch, enough = _draw(seed[leg], t, lateral, upward, speed, power)
            start = starts[leg, t] if write else -1
            _, _, _, met = _walk(
                r0[leg], c0[leg], z0[leg], dr[leg], dc[leg], dz[leg], along, left, rise, path,
                row[leg], n[leg], length[leg], stretch, sideways, upwards, enough, lowest, ground,
                density, table, searched, prior, leaf, trunk, trunk_top, stems, depth,
                start, places, kinds, depths, points,
            )  # fmt: skip
            if not write:
                starts[leg, t] = met
                enoughs[leg, t] = enough
