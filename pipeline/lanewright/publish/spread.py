"""How far throws at a leg spread, by the flight table: bands for drawings, a few flights."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.flight.flight import TARGET, Flights, LevelFlights

THROWS = 511
WHOLE = 14  # flights handed out whole
OUTER, INNER = (5.0, 95.0), (25.0, 75.0)  # percent of the throws between the edges of a band
_STATIONS = 33


@dataclass(frozen=True)
class Spread:
    """Throws at one leg, in metres.

    Attributes
    ----------
    along : (stations,)
        From the release towards the target.
    left : (4, stations)
        Edges to the left of the chord: outer right, inner right, inner left, outer left.
    height : (2, stations)
        Outer edges in the vertical datum.
    flights : (throws, nodes, 3)
        Some throws whole: x, y and height in the run's coordinates.
    """

    along: Floats
    left: Floats
    height: Floats
    flights: Floats


def spread_of(flights: Flights | None, leg: Row, path: Floats) -> Spread | None:
    """Throw at a leg with its level's spread; None where the table has no such throw.

    Parameters
    ----------
    flights
        Throws of every level.
    leg
        Its row.
    path : (points, 3)
        The flight aimed for, from release to target.

    Notes
    -----
    As `kernels.throws` does it: a change of path for one standard deviation of launch angle, speed
    and hyzer each, a rise above the chord that is unsure by the table's margin, and all of it
    turned by the error of aim. The draws are not those of the clear rate but spread evenly (Sobol
    1967), so that few of them make a smooth band.
    """
    table = (
        next((f for f in flights.levels if f.level.name == leg["level"]), None) if flights else None
    )
    if table is None:
        return None
    chord = path[-1] - path[0]
    length = float(np.hypot(chord[0], chord[1]))
    place = int(table.bin_of(np.array(length)))
    wanted = int(table.grade_of(np.array(length), np.array(chord[2])))
    # A grade that the level has no such throw for is thrown as the nearest one that it has.
    for grade in sorted(range(table.grade.size), key=lambda g: (abs(g - wanted), g)):
        arc = _arc(table, leg, path, place, grade, length)
        if arc is not None:
            break
    else:
        return None
    ahead, left, up = _thrown(table, (place, grade, arc), path)
    stations = np.linspace(0.0, length, _STATIONS)
    aside, heights = _at(stations, ahead, left, up)
    enough = np.isfinite(aside).mean(0) > 0.3
    edges = (OUTER[0], INNER[0], INNER[1], OUTER[1])
    direction = chord[:2] / length
    across = np.array([-direction[1], direction[0]])
    whole = np.linspace(0, THROWS - 1, WHOLE).astype(int)
    xy = path[0, :2] + ahead[whole, :, None] * direction + left[whole, :, None] * across
    return Spread(
        stations[enough],
        _percentiles(aside[:, enough], edges),
        _percentiles(heights[:, enough], OUTER),
        np.concatenate([xy, up[whole, :, None]], axis=-1)[:, ::4],
    )


def _thrown(
    table: LevelFlights, which: tuple[int, int, int], path: Floats
) -> tuple[Floats, Floats, Floats]:
    """Metres ahead and to the left of the release, and height, of each throw (throws, nodes)."""
    chord = path[-1] - path[0]
    length = float(np.hypot(chord[0], chord[1]))
    even, draws = _draws()
    margin = 1.0 + (table.apex_margin - 1.0) * even[:, 4]
    nodes = slice(0, TARGET + 1)
    flown = table.path[(*which, nodes)].astype(float)
    change = table.spread[(*which, slice(None), nodes)].astype(float)
    thrown = flown[None] + np.einsum("tk,knj->tnj", draws[:, :3], change)
    ahead, left = thrown[..., 0] * length, thrown[..., 1] * length
    up = path[0, 2] + chord[2] * thrown[..., 0] + thrown[..., 2] * margin[:, None]
    aim = np.radians(table.aim_sd_deg) * draws[:, 3:]
    ahead, left = ahead * np.cos(aim) - left * np.sin(aim), ahead * np.sin(aim) + left * np.cos(aim)
    return ahead, left, up


@functools.cache
def _draws() -> tuple[Floats, Floats]:
    """Points spread evenly (throws, 5), and the first four as standard normal numbers."""
    even = qmc.Sobol(5, scramble=False).random(THROWS + 1)[1:]  # the first is a corner
    return even, norm.ppf(even[:, :4])


def _percentiles(values: Floats, shares: Sequence[float]) -> Floats:
    """As `nanpercentile` over the first axis, which goes column by column: those alike at once."""
    known = np.isfinite(values).sum(0)
    ordered = np.sort(values, axis=0)  # what is unknown comes last
    made = np.full((len(shares), values.shape[1]), np.nan)
    for count in np.unique(known[known > 0]):
        mine = known == count
        made[:, mine] = np.percentile(ordered[:count, mine], shares, axis=0)
    return made


def _at(stations: Floats, ahead: Floats, left: Floats, up: Floats) -> tuple[Floats, Floats]:
    """Place to the left and height of each throw at distances from the release; NaN beyond it."""
    # A disc may drop straight down at the end; what does not go on adds nothing.
    on = np.ones(ahead.shape, bool)
    on[:, 1:] = np.diff(np.maximum.accumulate(ahead, axis=1), axis=1) > 1e-6
    first = np.argsort(~on, axis=1, kind="stable")  # what goes on, in its order
    ahead, left, up = (np.take_along_axis(a, first, 1) for a in (ahead, left, up))
    count = on.sum(1, keepdims=True)
    ahead[np.arange(ahead.shape[-1]) >= count] = np.inf
    # All throws at once: `numpy.interp` takes one at a time.
    before = (ahead[:, None] <= stations[:, None]).sum(2) - 1
    low = np.clip(before, 0, np.maximum(count - 2, 0))
    high = np.minimum(low + 1, count - 1)
    x0, x1 = (np.take_along_axis(ahead, k, 1) for k in (low, high))
    share = np.clip((stations - x0) / np.where(x1 > x0, x1 - x0, 1.0), 0.0, None)
    beyond = (before == count - 1) & (stations > x1)

    def value(of: Floats) -> Floats:
        y0, y1 = (np.take_along_axis(of, k, 1) for k in (low, high))
        return np.where(beyond, np.nan, y0 + share * (y1 - y0))

    aside, heights = value(left), value(up)
    return aside, heights


def _arc(
    table: LevelFlights, leg: Row, path: Floats, place: int, grade: int, length: float
) -> int | None:
    """The arc of the leg: of those that end alike, the one whose path is the leg's."""
    chord = path[-1, :2] - path[0, :2]
    across = np.array([-chord[1], chord[0]]) / length
    widest = (path[:, :2] - path[0, :2]) @ across
    nodes = np.linspace(0, TARGET, len(path)).round().astype(int)
    best, least = None, np.inf
    for i, arc in enumerate(table.arcs):
        if arc.finish != leg["finish"] or not table.exists[place, grade, i]:
            continue
        left = table.path[place, grade, i, nodes, 1] * length
        up = table.path[place, grade, i, nodes, 2]
        rise = path[:, 2] - np.linspace(path[0, 2], path[-1, 2], len(path))
        miss = float(np.abs(left - widest).mean() + np.abs(up - rise).mean())
        if miss < least:
            best, least = i, miss
    return best
