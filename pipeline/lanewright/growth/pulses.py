"""Where pulses came from: sensor tracks from the pulses themselves, and the ray of each return.

Point files carry no sensor position, but a pulse with several returns draws a line that leads
back to it. Lines of one moment meet where the sensor was; between such moments it flew straight.
The idea is that of Roussel et al. (2020, "A mathematical framework to describe the effect of beam
incidence angle on metrics derived from airborne LiDAR", from memory); the fit is our own.

Reading points and grids of evidence are left to `vegetation` and `columns`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Floats
from lanewright.kernels import columns as kernels
from lanewright.sources.points import Points

MOMENT = 0.5
"""Pulses of so many seconds are taken to come from one place [s]; an aircraft flies some 30 m."""

LONGEST_GAP = 3.0
"""A track is not bridged over longer gaps [s]."""

STEEPEST = math.tan(math.radians(55.0))
"""Few scanners look farther aside than 55 degrees from the vertical; such lines are no pulses."""

_SHORTEST = 2.0  # m between first and last return: below that the line has no direction
_PAIRS = 200  # lines kept per moment and flight line
_FEWEST = 12  # lines that make a position
_USUAL_RANGE = 1000.0  # m, held on to where lines are too parallel to tell
_LOOSE = 1e-4  # how hard: as if lines met within 0.01 rad anyway
_ROUNDS = 8  # of trusting lines the less the more they miss

UNIT = 840
"""Weight of a whole pulse; divides by 1 to 8 returns without remainder."""


class PointSource(Protocol):
    """Points of a survey, read by area in an order that no tile order changes."""

    def blocks(self, size_m: float) -> list[tuple[int, int, int, int]]:
        """Windows (row, col, rows, cols) about `size_m` wide that tile the grid."""

    def read(self, bounds: tuple[float, float, float, float]) -> Points:
        """Points in left <= x < right, bottom <= y < top; noise and withheld ones left out."""


@dataclass(frozen=True)
class PulseLines:
    """Lines through the first and last returns of pulses.

    Attributes
    ----------
    source, moment
        Flight line and number of the moment.
    rank
        A hash of the pulse's time: an order that owes nothing to place.
    time
        Of the pulse [s].
    foot
        Last return x, y, z [m], (lines, 3).
    way
        From last to first return [m], (lines, 3).
    """

    source: NDArray[np.uint16]
    moment: NDArray[np.int64]
    rank: NDArray[np.uint64]
    time: Floats
    foot: Floats
    way: Floats

    def __len__(self) -> int:
        return len(self.source)


def pulse_lines(points: Points, bounds: tuple[float, float, float, float]) -> PulseLines:
    """Lines of the pulses whose last return lies within `bounds` (left, bottom, right, top).

    Returns of a pulse share GPS time and flight line; a time shared by more returns than a pulse
    can have, or by several first or last ones, is no pulse (files with rounded or missing times).
    """
    timed = np.flatnonzero((points.gps_time != 0) & np.isfinite(points.gps_time))
    order = timed[
        np.lexsort((points.return_number[timed], points.source_id[timed], points.gps_time[timed]))
    ]
    time, source = points.gps_time[order], points.source_id[order]
    starts = _group_starts(time, source)
    sizes = np.diff(np.append(starts, len(order)))
    first, last = order[starts], order[starts + sizes - 1]
    good = (sizes >= 2) & (sizes <= 15)
    good &= (points.return_number[first] == 1) & (points.return_number[last] == sizes)
    first, last = first[good], last[good]
    foot = np.stack([points.x[last], points.y[last], points.z[last]], 1)
    way = np.stack([points.x[first], points.y[first], points.z[first]], 1) - foot
    left, bottom, right, top = bounds
    keep = (foot[:, 0] >= left) & (foot[:, 0] < right)
    keep &= (foot[:, 1] >= bottom) & (foot[:, 1] < top)
    keep &= way[:, 2] >= _SHORTEST
    keep &= np.hypot(way[:, 0], way[:, 1]) <= STEEPEST * way[:, 2]
    first, foot, way = first[keep], foot[keep], way[keep]
    time = points.gps_time[first]
    lines = PulseLines(
        points.source_id[first],
        np.floor(time / MOMENT).astype(np.int64),
        _scramble(time),
        time,
        foot,
        way,
    )
    return fewest_needed([lines])


def fewest_needed(parts: Iterable[PulseLines]) -> PulseLines:
    """Join lines and keep the same few of each moment, however they were parted."""
    parts = list(parts)
    if not parts:
        return _no_lines()
    joined = [
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("source", "moment", "rank", "time", "foot", "way")
    ]
    source, moment, rank, time, foot, way = joined
    order = np.lexsort((way[:, 2], foot[:, 0], rank, moment, source))
    source, moment = source[order], moment[order]
    starts = _group_starts(source, moment)
    sizes = np.diff(np.append(starts, len(order)))
    within = np.arange(len(order)) - np.repeat(starts, sizes)
    few = within < _PAIRS
    order = order[few]
    return PulseLines(source[few], moment[few], rank[order], time[order], foot[order], way[order])


def _group_starts(a: NDArray[np.generic], b: NDArray[np.generic]) -> NDArray[np.int64]:
    """Where runs of equal pairs begin."""
    if len(a) == 0:
        return np.zeros(0, np.int64)
    return np.flatnonzero(np.append(True, (a[1:] != a[:-1]) | (b[1:] != b[:-1])))


def _no_lines() -> PulseLines:
    return PulseLines(
        np.zeros(0, np.uint16),
        np.zeros(0, np.int64),
        np.zeros(0, np.uint64),
        np.zeros(0),
        np.zeros((0, 3)),
        np.zeros((0, 3)),
    )


def _scramble(time: Floats) -> NDArray[np.uint64]:
    """Hash times, finishing as SplitMix64 does (Steele, Lea & Flood 2014)."""
    z = np.ascontiguousarray(time).view(np.uint64).copy()
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@dataclass(frozen=True)
class Tracks:
    """Sensor positions by flight line and time.

    Attributes
    ----------
    source, time
        Flight line and time [s] of each position, sorted by both.
    position
        x, y, z [m], (positions, 3).
    steepest, usual
        Drift that hardly any ray exceeds, and their mean; 0 without tracks.
    """

    source: NDArray[np.uint16]
    time: Floats
    position: Floats
    steepest: float
    usual: float = 0.0

    def drift(self, points: Points) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """How far aside the ray of each return leads per metre of height.

        Returns
        -------
        east, north
            Metres per metre towards the sensor; 0, straight up, where no track is known.
        known
            Whether a track was there.
        """
        east, north = np.zeros(len(points)), np.zeros(len(points))
        known = np.zeros(len(points), bool)
        first = np.searchsorted(self.source, np.arange(65537)).astype(np.int64)
        kernels.drift(
            kernels.Returns(points.x, points.y, points.z, points.gps_time, points.source_id),
            kernels.Track(first, self.time, self.position),
            kernels.Limits(LONGEST_GAP, MOMENT, STEEPEST),
            kernels.Drifts(east, north, known),
        )
        return east, north, known


def fit_tracks(lines: PulseLines) -> Tracks:
    """Find the sensor at each moment that enough lines lead back to.

    The position is the one nearest to all lines in the sense of least squares, lines weighted by
    the square of their length, since the noise of their ends matters less the farther these lie
    apart, and trusted the less the more they miss it (Geman and McClure's weights). Where lines
    are too parallel to tell how far the sensor was (a narrow property under a narrow swath), the
    fit holds on to a range of 1000 m: the directions are right all the same.
    """
    source, time, position, drifts = [], [], [], []
    starts = _group_starts(lines.source, lines.moment)
    for begin, end in zip(starts, np.append(starts, len(lines))[1:], strict=True):
        if end - begin < _FEWEST:
            continue
        found = _meeting_point(lines.foot[begin:end], lines.way[begin:end])
        if found is not None:
            source.append(lines.source[begin])
            time.append(lines.time[begin:end].mean())
            position.append(found)
            sight = found - lines.foot[begin:end]
            drifts.append(np.hypot(sight[:, 0], sight[:, 1]) / sight[:, 2])
    drift = np.concatenate(drifts) if drifts else np.zeros(1)
    return Tracks(
        np.array(source, np.uint16),
        np.array(time, float),
        np.array(position).reshape(-1, 3),
        float(np.quantile(drift, 0.99)),
        float(drift.mean()),
    )


def _meeting_point(foot: Floats, way: Floats) -> Floats | None:
    """Point nearest to all lines, or None where they make no sense together."""
    length = np.linalg.norm(way, axis=1)
    unit = way / length[:, None]
    centre = foot.mean(0)  # keeps the sums well conditioned
    # I - u uᵀ takes what lies across a line.
    across = np.eye(3) - unit[:, :, None] * unit[:, None, :]
    full = np.minimum(length, 20.0) ** 2
    trust = np.ones(len(foot))
    place: Floats = centre
    for _ in range(_ROUNDS):
        weight = full * trust
        matrix = np.einsum("i,ijk->jk", weight, across)
        vector = np.einsum("i,ijk,ik->j", weight, across, foot - centre)
        mean = np.average(unit, axis=0, weights=weight)
        mean /= np.linalg.norm(mean)
        hold = _LOOSE * weight.sum() * np.outer(mean, mean)
        place = centre + np.linalg.solve(matrix + hold, vector + hold @ (mean * _USUAL_RANGE))
        sight = place - foot
        distance = np.linalg.norm(sight, axis=1)
        if place[2] - foot[:, 2].max() < 10.0:
            return None
        cosine = np.clip((sight * unit).sum(1) / distance, -1.0, 1.0)
        # Angles of short lines are noisier: compare the miss at the line's other end.
        miss = np.sqrt(1.0 - cosine**2) * length
        scale = max(float(np.median(miss)), 0.01)
        trust = 1.0 / (1.0 + (miss / (2.0 * scale)) ** 2) ** 2
    return place


Rays = kernels.Rays
"""Returns with the way they came.

`x`, `y`, `z` [m]; `east`, `north` the drift towards the sensor per metre of height; `weight` the
share of a pulse in units of 1 / `UNIT`; `path_weight` that times the length of ray per metre of
height; `kind` is `GROUND`, `VEGETATION` or `SOLID` of `kernels.columns`.
"""


def make_rays(points: Points, kind: NDArray[np.uint8], tracks: Tracks) -> tuple[Rays, int]:
    """Rays of returns, each standing for one over the number of returns of its pulse.

    Also gives how many returns had a known direction; the others are taken to come from straight
    above. A return number above the number of returns, which some files have, counts as that.
    """
    east, north, known = tracks.drift(points)
    returns = np.maximum(np.maximum(points.returns, points.return_number), 1).astype(float)
    slant = np.sqrt(1.0 + east**2 + north**2)
    rays = Rays(
        points.x,
        points.y,
        points.z,
        east,
        north,
        np.rint(UNIT / returns).astype(np.int32),
        np.rint(UNIT / returns * slant).astype(np.int32),
        kind,
    )
    return rays, int(known.sum())
