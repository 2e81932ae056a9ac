"""The lidar that an aircraft over invented land would bring home.

Each pulse draws from a hash of its own number, so neither the number of threads nor the order of
work changes a point.

How a pulse becomes returns
---------------------------
Along the ray the share of energy stopped before s is F(s) = 1 - exp(-∫λ). What reaches the ground
there ends. Real receivers report a few returns a pulse, kept apart by a dead zone, and whoever
weights each return by one over the number of returns gets a biased F, since weak and strong returns
count alike. Here the returns are drawn so that this usual weighting is *exact* in expectation, so
that truth is recoverable and an estimator is judged by itself and not by the sensor:

- G is the energy which ends on the ground or within a dead zone above it; v = 1 - G ends higher.
- m places in the vegetation above are m equal quantiles of the energy stopped there, with one
  common random offset (systematic sampling). m is at most what keeps every two of them a dead zone
  apart, whatever the offset; this bound depends on the ray only, never on the draw.
- With chance v² the pulse is used up in vegetation: m returns. With chance v (1-v) (m+1)/m it gives
  m returns and a last one at the ground. Otherwise only the last one. The expected share of
  vegetation returns is then v² + v (1-v) (m+1)/m · m/(m+1) = v.
- The last return lies on the ground or, in proportion to energy, in the lowest dead zone.

`single=True` gives pure rays of one return, each ended by its own first contact.

What is kinder than reality: no return is too weak to be seen, the beam has no width, intensities
say nothing.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from pathlib import Path

import laspy
import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from pyproj import CRS

from land import BLOCK, Land, depth_of_step, ground_at, kernel_fields, uniform

_BATCH = 1_000_000  # pulses at a time, which bounds the memory

Points = dict[str, NDArray]
"""Columns of equal length: x, y, z [m]; return_number, number_of_returns, classification,
point_source_id, intensity; gps_time [s, adjusted standard]; scan_angle [degrees]."""

UTM_16N = CRS("EPSG:26916+5703")
"""NAD83 / UTM 16N with NAVD88 heights in metres."""


@dataclass(frozen=True)
class Strip:
    """One flight line: the aircraft passes over (x, y) on a bearing, scanning to both sides.

    Attributes
    ----------
    x, y
        A point under the line [m].
    bearing_deg
        Direction of flight, clockwise from north.
    altitude
        Above the mean ground [m].
    half_angle_deg
        Scan angle at the edge of the swath.
    density
        Pulses per square metre on the ground.
    number
        Point source id.
    """

    x: float
    y: float
    bearing_deg: float = 90.0
    altitude: float = 1000.0
    half_angle_deg: float = 20.0
    density: float = 8.0
    number: int = 1


def crossing_strips(
    bounds: tuple[float, float, float, float], density: float, angle_deg: float = 10.0
) -> list[Strip]:
    """Two strips that both see all of `bounds`, from the north and from the south.

    Each has half of `density` [pulses/m²]; the middle of the area lies at `angle_deg` in both.
    """
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    aside = 1000.0 * math.tan(math.radians(angle_deg))
    wide = 35.0  # so that the swath covers all
    return [
        Strip(x, y + aside, 90.0, 1000.0, wide, density / 2, 1),
        Strip(x, y - aside, 270.0, 1000.0, wide, density / 2, 2),
    ]


@njit(cache=True, parallel=True)
def _shoot(
    ground, start, density, stem_at, stems, left, top, cell, layer, ceiling,
    x, y, z, towards, seed, first, single, dead_zone, most, reach, count, lowest,
):  # fmt: skip
    """Distances up the ray from the surface of each return, top first, and how many there are."""
    step = layer / 2
    gap = math.ceil(dead_zone / step)
    for i in prange(x.size):
        number = np.uint64(first + i)
        ux, uy, uz = towards[i, 0], towards[i, 1], towards[i, 2]
        block_row = min(max(int((top - y[i]) / BLOCK), 0), ceiling.shape[0] - 1)
        block_col = min(max(int((x[i] - left) / BLOCK), 0), ceiling.shape[1] - 1)
        high = ceiling[block_row, block_col]
        count[i] = 1
        reach[i, 0] = 0.0
        lowest[i] = True
        if high <= 0.0:
            continue
        # The ground may rise along the ray, so the vegetation may reach a little farther.
        steps = math.ceil((high + 8.0) / uz / step)
        stopped = np.empty(steps)
        for j in range(steps):
            s = (j + 0.5) * step
            stopped[j] = depth_of_step(
                ground, start, density, stem_at, stems, left, top, cell, layer,
                x[i] + s * ux, y[i] + s * uy, z[i] + s * uz, step,
            )  # fmt: skip
        left_over = 1.0
        for j in range(steps - 1, -1, -1):
            if stopped[j] > 0.0:
                passed = math.exp(-stopped[j])
                stopped[j] = left_over * (1.0 - passed)
                left_over *= passed
        if left_over >= 1.0:
            continue

        if single:
            place = _inverse(stopped, 0, steps, uniform(seed, number, np.uint64(0)), step)
            if place >= 0.0:
                reach[i, 0] = place
                lowest[i] = False
            continue

        near = min(gap, steps)
        low = 0.0
        for j in range(near):
            low += stopped[j]
        above = 0.0
        window = 0.0
        fullest = 0.0
        for j in range(steps - 1, near - 1, -1):
            above += stopped[j]
            window += stopped[j]
            if j + gap + 1 < steps:
                window -= stopped[j + gap + 1]
            fullest = max(fullest, window)
        wish = 1
        if above > 1e-9:
            # Thin vegetation seldom gives more than one return.
            most_here = max(1, min(most - 1, int(above / fullest + 1e-9), 1 + int(4.0 * above)))
            wish = 1 + int(uniform(seed, number, np.uint64(1)) * most_here)
        kind = uniform(seed, number, np.uint64(2))
        used_up = above * above
        both = above * (1.0 - above) * (wish + 1) / wish
        n = 0
        if above > 1e-9 and kind < used_up + both:
            offset = uniform(seed, number, np.uint64(3))
            for k in range(wish):
                share = (k + offset) / wish * above
                reach[i, n] = max(_inverse(stopped, near, steps, share, step), near * step)
                n += 1
            if kind < used_up:
                lowest[i] = False
                count[i] = n
                continue
        ending = uniform(seed, number, np.uint64(4)) * (low + left_over)
        reach[i, n] = 0.0
        if ending < low:
            reach[i, n] = max(_inverse(stopped, 0, near, ending, step), 0.0)
            lowest[i] = False
        count[i] = n + 1


@njit(cache=True)
def _inverse(stopped, begin, end, share, step):
    """Distance above the surface where `share` of the energy has ended, or -1 if it never has."""
    total = 0.0
    for j in range(end - 1, begin - 1, -1):
        if stopped[j] > 0.0:
            if total + stopped[j] > share:
                return (j + 1 - (share - total) / stopped[j]) * step
            total += stopped[j]
    return -1.0


@dataclass(frozen=True)
class Sensor:
    """How the scanner measures.

    Attributes
    ----------
    single
        One return a pulse, at its own first contact: Beer–Lambert holds exactly.
    dead_zone
        Least distance between returns of one pulse [m].
    most_returns
        At most so many returns a pulse.
    jitter
        Of the regular pulse pattern, as a share of its spacing (standard deviation).
    noise
        Standard deviation of ranges [m].
    unclassified
        Share of ground returns that lack class 2.
    stray
        Share of single-return pulses that give a point below ground or in the sky (class 7).
    water_return
        Share of pulses ending on water that come back at all (class 9).
    """

    single: bool = False
    dead_zone: float = 0.6
    most_returns: int = 5
    jitter: float = 0.35
    noise: float = 0.02
    unclassified: float = 0.0
    stray: float = 0.0
    water_return: float = 0.12


def fly(
    land: Land,
    strips: list[Strip],
    sensor: Sensor | None = None,
    *,
    seed: int = 1,
    bounds: tuple[float, float, float, float] | None = None,
) -> Points:
    """Survey the land.

    Parameters
    ----------
    land
        The truth.
    strips
        Flight lines; their densities add up where they overlap.
    sensor
        How it measures; `Sensor()` by default.
    seed
        Other seeds shoot other pulses at the same land.
    bounds
        Left, bottom, right, top [m] of the ground to aim at; by default all of the land. Nothing
        grows beyond the land, so a margin of 15 m keeps its edge out of the picture.

    Returns
    -------
    Points
        Sorted by GPS time and return number. Classes: 2 ground, 9 water, 7 noise, 1 the rest.
    """
    sensor = sensor or Sensor()
    parts = []
    for strip in sorted(strips, key=lambda s: s.number):
        rng = np.random.default_rng([seed, strip.number])
        aim = _aim(land, strip, bounds or land.bounds, sensor.jitter, rng)
        for begin in range(0, len(aim["x"]), _BATCH):
            batch = {k: v[begin : begin + _BATCH] for k, v in aim.items()}
            parts.append(_returns(land, strip, sensor, batch, begin, seed))
    points = {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}
    order = np.lexsort((points["return_number"], points["gps_time"]))
    return {k: v[order] for k, v in points.items()}


def _aim(
    land: Land,
    strip: Strip,
    bounds: tuple[float, float, float, float],
    jitter: float,
    rng: np.random.Generator,
) -> Points:
    """Where the pulses of a strip meet the surface, whence they come and when."""
    bearing = math.radians(strip.bearing_deg)
    ahead = np.array([math.sin(bearing), math.cos(bearing)])
    right = np.array([ahead[1], -ahead[0]])
    corners = np.array([(x, y) for x in bounds[::2] for y in bounds[1::2]]) - (strip.x, strip.y)
    along, across = corners @ ahead, corners @ right
    half_width = strip.altitude * math.tan(math.radians(strip.half_angle_deg))
    low, high = max(across.min(), -half_width), min(across.max(), half_width)
    spacing = 1.0 / math.sqrt(strip.density)
    # A spacing a little longer along the track, as scanners are usually set.
    step_a, step_c = spacing * 1.1, spacing / 1.1
    n_a = max(1, math.ceil((np.ptp(along)) / step_a) + 2)
    n_c = max(1, math.ceil((high - low) / step_c) + 2)
    a = along.min() + (np.arange(n_a) - rng.uniform())[:, None] * step_a
    c = low + (np.arange(n_c) - rng.uniform())[None, :] * step_c
    a = a + rng.standard_normal((n_a, n_c)) * (jitter * step_a)
    c = c + rng.standard_normal((n_a, n_c)) * (jitter * step_c)
    # Ticks of 2^-20 s keep the times of regular pulses exact, which also compresses well.
    tick = 2.0**-20
    line_ticks = math.ceil(step_a / 60.0 / tick)  # 60 m/s
    ticks = np.arange(n_a)[:, None] * line_ticks + np.arange(n_c)[None, :] * max(
        1, int(0.8 * line_ticks / n_c)
    )
    a, c, ticks = a.ravel(), c.ravel(), ticks.ravel()
    x = strip.x + a * ahead[0] + c * right[0]
    y = strip.y + a * ahead[1] + c * right[1]
    keep = (x >= bounds[0]) & (x < bounds[2]) & (y >= bounds[1]) & (y < bounds[3])
    keep &= np.abs(c) <= half_width
    x, y, c = x[keep], y[keep], c[keep]
    z = ground_at(land, x, y)
    rows, cols = land.ground.shape
    row = np.clip(((land.top - y) / land.cell).astype(int), 0, rows - 1)
    col = np.clip(((x - land.left) / land.cell).astype(int), 0, cols - 1)
    level = land.water[row, col]
    wet = np.isfinite(level)
    z = np.where(wet, level, z)
    height = strip.altitude + float(land.ground.mean()) - z
    # The scan plane is at right angles to the track.
    towards = np.stack([-c * right[0], -c * right[1], height], 1)
    towards /= np.linalg.norm(towards, axis=1)[:, None]
    return {
        "x": x, "y": y, "z": z, "wet": wet, "towards": towards,
        "angle": np.degrees(np.arctan2(c, height)).astype(np.float32),
        "time": 300_000_000.0 + strip.number * 900.0 + ticks[keep] * tick,
    }  # fmt: skip


def _returns(
    land: Land, strip: Strip, sensor: Sensor, aim: Points, first: int, seed: int
) -> Points:
    """Shoot one batch of pulses, `first` the number of its first, and lay out their returns."""
    rng = np.random.default_rng([seed, strip.number, first])
    pulses = len(aim["x"])
    reach = np.zeros((pulses, sensor.most_returns))
    count = np.empty(pulses, np.uint8)
    lowest = np.empty(pulses, np.bool_)
    _shoot(
        *kernel_fields(land), land.ceiling, aim["x"], aim["y"], aim["z"], aim["towards"],
        _seed(seed, strip.number), first, sensor.single, sensor.dead_zone, sensor.most_returns,
        reach, count, lowest,
    )  # fmt: skip
    # Most pulses that end on water never come back.
    lost = aim["wet"] & lowest & (rng.uniform(size=pulses) >= sensor.water_return)
    count = count - lost
    lowest = lowest & ~lost

    pulse = np.repeat(np.arange(pulses), count)
    rank = np.arange(len(pulse)) - np.repeat(np.cumsum(count, dtype=np.int64) - count, count)
    n = count[pulse]
    last = lowest[pulse] & (rank == n - 1)
    s = reach[pulse, rank] + rng.standard_normal(len(pulse)) * sensor.noise
    u = aim["towards"][pulse]
    x, y, z = (aim[k][pulse] + s * u[:, i] for i, k in enumerate("xyz"))
    kind = np.ones(len(pulse), np.uint8)
    kind[last] = np.where(aim["wet"][pulse[last]], 9, 2)
    if sensor.unclassified > 0:
        kind[(kind == 2) & (rng.uniform(size=len(pulse)) < sensor.unclassified)] = 1
    if sensor.stray > 0:
        odd = (n == 1) & (rng.uniform(size=len(pulse)) < sensor.stray)
        sky = rng.uniform(size=odd.sum()) < 0.5
        z[odd] += np.where(sky, rng.uniform(40, 120, odd.sum()), rng.uniform(-8, -1.5, odd.sum()))
        kind[odd] = 7
    return {
        "x": x, "y": y, "z": z,
        "return_number": (rank + 1).astype(np.uint8),
        "number_of_returns": n.astype(np.uint8),
        "classification": kind,
        "gps_time": aim["time"][pulse],
        "point_source_id": np.full(len(pulse), strip.number, np.uint16),
        "scan_angle": aim["angle"][pulse],
        "intensity": np.select([kind == 2, kind == 9], [900, 60], 600 // n.astype(np.int64)).astype(
            np.uint16
        ),
    }  # fmt: skip


def _seed(seed: int, number: int) -> np.uint64:
    return np.random.SeedSequence([seed, number, 9]).generate_state(1, np.uint64)[0]


# ---------------------------------------------------------------------------------------------
# Files


def crop(points: Points, bounds: tuple[float, float, float, float]) -> Points:
    """Points inside left, bottom, right, top [m]; a pulse may lose some of its returns."""
    left, bottom, right, top = bounds
    inside = (points["x"] >= left) & (points["x"] < right)
    inside &= (points["y"] >= bottom) & (points["y"] < top)
    return {k: v[inside] for k, v in points.items()}


def write_laz(path: Path, points: Points, crs: CRS = UTM_16N, scale: float = 0.01) -> None:
    """Write LAS 1.4, point format 6, with the CRS as WKT; the suffix decides on compression."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = [scale] * 3
    header.offsets = [
        math.floor(points[k].min() / 100) * 100.0 if len(points[k]) else 0.0 for k in "xyz"
    ]
    header.creation_date = datetime.date(2024, 3, 1)
    header.generating_software = "invented land"
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    header.add_crs(crs)
    las = laspy.LasData(header)
    las.x, las.y, las.z = points["x"], points["y"], points["z"]
    for name in (
        "return_number", "number_of_returns", "classification", "gps_time", "point_source_id",
        "intensity",
    ):  # fmt: skip
        las[name] = points[name]
    las["scan_angle"] = np.round(points["scan_angle"] / 0.006).astype(np.int16)
    path.parent.mkdir(parents=True, exist_ok=True)
    las.write(str(path))
