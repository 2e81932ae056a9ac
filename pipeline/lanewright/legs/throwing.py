"""Throws at legs: where they fly, what share touches nothing, and all that they meet.

What a disc meets, and every assumption in it, is that of `contacts`.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import qmc

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.flight.flight import TARGET, LevelFlights
from lanewright.kernels import march
from lanewright.kernels import throws as kernel
from lanewright.legs.contacts import Contacts

KINDS = ("vegetation", "trunk", "not seen")

EVEN = 0.65
"""Variance of a clear rate from Sobol's points over that from independent ones, on the careful
side: measured 0.36 on the demo's legs at 64 throws, 0.51 at 16 and 0.32 at 128; 0.8 in a planted
wood of small squares, 0.2 between smooth walls."""

SCRAMBLE = 20170517  # seed of the points that all legs share, before each leg's own shift
TRYING = np.uint64(0x747279)  # what turns the seeds of legs into those of the throws that try them
NEAR = 32  # cells; legs that start in the same square of this side are thrown one after another

LINE = ("tee_row", "tee_col", "end_row", "end_col", "arc")
"""Columns of a legs table that hold the fields of `Lines`."""


@dataclass(frozen=True)
class Lines:
    """Throws aimed from one cell at another, all of one level; arrays (lines,).

    Attributes
    ----------
    tee_row, tee_col, end_row, end_col
        Cells.
    arc
        Index into the level's arcs.
    """

    tee_row: Ints
    tee_col: Ints
    end_row: Ints
    end_col: Ints
    arc: Ints

    def __len__(self) -> int:
        return int(self.arc.size)

    @classmethod
    def of(cls, legs: pd.DataFrame) -> Lines:
        """The throws of a legs table."""
        return cls(*(legs[name].to_numpy(np.int64) for name in LINE))

    @classmethod
    def joined(cls, parts: list[Lines]) -> Lines:
        """Lines one after the other."""
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in LINE))

    def take(self, which: Ints | NDArray[np.bool_]) -> Lines:
        """Some of the lines."""
        return Lines(
            self.tee_row[which],
            self.tee_col[which],
            self.end_row[which],
            self.end_col[which],
            self.arc[which],
        )


@dataclass(frozen=True)
class Paths:
    """A level's flights, one row per bin, class of grade and arc, ready for the kernels.

    Attributes
    ----------
    table
        For the kernel that throws.
    row
        Row to take (bins, grades, arcs): its own, or where no such throw exists the nearest that
        does with the same arc, else with any.
    """

    table: kernel.Paths
    row: Ints

    def row_of(self, flights: LevelFlights, lines: Lines, length: Floats, rise: Floats) -> Ints:
        """Row of lines `length` long whose chords rise by `rise` [m] (lines,)."""
        grade = flights.grade_of(length, rise)
        return np.asarray(self.row[flights.bin_of(length), grade, lines.arc], np.int64)


@dataclass(frozen=True)
class Thrown:
    """What came of throwing at legs; (legs,) unless said.

    Attributes
    ----------
    clear, high, low, leaf_on, leaf_off
        Mean chance of the throws to touch nothing: as surveyed, at best, at worst, and by season.
    error
        Standard error of `clear`; see `standard_error`.
    seen
        Share of the flight space that was searched.
    stops
        For each throw (legs, throws, 6): where it touched something before the target, as a share
        of the leg, metres to the left of the chord and metres over the ground, and on what, an
        index into `KINDS`, NaN where it touched nothing; then row and column where it comes to
        rest. Empty unless asked.
    """

    clear: Floats
    error: Floats
    high: Floats
    low: Floats
    leaf_on: Floats
    leaf_off: Floats
    seen: Floats
    stops: NDArray[np.float32]


@dataclass(frozen=True)
class Meetings:
    """All that throws meet as surveyed, in order of line, throw and way; (n,) unless said.

    Without some of these, what is left adds up to what the same throws meet once that growth is
    gone. Summed in float64 in the order given, exp(-sum) of all throws gives `Thrown.clear`.

    Attributes
    ----------
    line, throw
        Whose they are.
    row, col, layer
        Where.
    kind
        0 vegetation, 1 trunk of a known tree, 2 expected where nothing was searched.
    depth
        Expected contacts of the disc.
    along, left, height
        Share of the leg; metres to the left of its chord; metres over the ground.
    enough
        A throw of `Thrown.stops` is stopped where its sum of depths reaches this (lines, throws).
    """

    line: NDArray[np.int32]
    throw: NDArray[np.int32]
    row: NDArray[np.int32]
    col: NDArray[np.int32]
    layer: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    depth: NDArray[np.float32]
    along: NDArray[np.float32]
    left: NDArray[np.float32]
    height: NDArray[np.float32]
    enough: NDArray[np.float32]


def paths_of(flights: LevelFlights) -> Paths:
    """Put a level's flights in the form the kernels read."""
    bins, grades, arcs = flights.exists.shape
    if not flights.exists.any():
        raise ValueError(f"no throw of level {flights.level.name} exists")
    b, g, a = (i.astype(float) for i in np.indices(flights.exists.shape))
    # Another arc is farther than any bin, another bin farther than any grade of the same one.
    place = np.stack([b * (grades + 1), g, a * (bins + 1) * (grades + 1)], -1)
    have = np.flatnonzero(flights.exists)
    _, nearest = cKDTree(place.reshape(-1, 3)[have]).query(place, p=1)
    rows = bins * grades * arcs
    both = np.concatenate([flights.spread, flights.unsure], axis=3)
    changes = both.reshape(rows, *both.shape[3:])
    table = kernel.Paths(
        np.ascontiguousarray(np.moveaxis(flights.path.reshape(rows, -1, 3), -1, -2)),
        np.ascontiguousarray(np.moveaxis(changes, -1, -2)),
        np.ascontiguousarray(flights.skid.reshape(rows), np.float32),
        float(np.radians(flights.aim_sd_deg)),
        float(flights.apex_margin),
    )
    return Paths(table, have[nearest])


def possible(
    lines: Lines, flights: LevelFlights, paths: Paths, contacts: Contacts, cell: float
) -> NDArray[np.bool_]:
    """Whether the level has a throw for each line that the ground is not in the way of (lines,)."""
    met = aim(lines, flights, paths, contacts, cell)[:, 0]
    return np.asarray(exists(lines, flights, contacts, cell) & (met < kernel.NO_THROW))


def exists(
    lines: Lines, flights: LevelFlights, contacts: Contacts, cell: float
) -> NDArray[np.bool_]:
    """Whether the level has a throw for a line's length, grade and arc (lines,)."""
    return np.asarray(flights.exists[*in_table(lines, flights, contacts, cell)])


def in_table(lines: Lines, flights: LevelFlights, contacts: Contacts, cell: float) -> list[Ints]:
    """Bin, class of slope and arc of lines in the table of a level, (lines,) each."""
    length = length_of(lines, cell)
    grade = flights.grade_of(length, _rise(lines, flights, contacts))
    return [flights.bin_of(length), grade, lines.arc]


def crosses(
    mask: Flags, lines: Lines, flights: LevelFlights, paths: Paths, contacts: Contacts, cell: float
) -> Flags:
    """Whether the path aimed for comes over cells of a mask (rows, cols), or off it (lines,)."""
    length = length_of(lines, cell)
    row = paths.row_of(flights, lines, length, _rise(lines, flights, contacts))
    samples = int(np.ceil(length.max(initial=0.0) / cell * 1.25)) + 1
    at = np.linspace(0, TARGET, samples)
    node = np.minimum(at.astype(int), TARGET - 1)
    path = paths.table.path[row][:, :2]
    path = path[..., node] * (1 - (at - node)) + path[..., node + 1] * (at - node)
    dr, dc = lines.end_row - lines.tee_row, lines.end_col - lines.tee_col
    along, left = path[:, 0], path[:, 1]
    r = np.floor(lines.tee_row[:, None] + 0.5 + dr[:, None] * along - dc[:, None] * left)
    c = np.floor(lines.tee_col[:, None] + 0.5 + dc[:, None] * along + dr[:, None] * left)
    inside = (r >= 0) & (c >= 0) & (r < mask.shape[0]) & (c < mask.shape[1])
    r, c = np.where(inside, r, 0).astype(int), np.where(inside, c, 0).astype(int)
    return np.asarray((mask[r, c] | ~inside).any(1))


def length_of(lines: Lines, cell: float) -> Floats:
    """Level distance from tee to end [m]."""
    return np.asarray(
        np.hypot(lines.end_row - lines.tee_row, lines.end_col - lines.tee_col) * cell, np.float64
    )


def aim(
    lines: Lines, flights: LevelFlights, paths: Paths, contacts: Contacts, cell: float
) -> NDArray[np.float64]:
    """Expected contacts on the very path aimed for, with half the margin on its rise.

    Returns
    -------
    ndarray
        (lines, 5): as surveyed, at least, at most, in the other season, `kernels.throws.NO_THROW`
        each where the ground is in the way; and the share that was searched.
    """
    out = np.zeros((len(lines), 5))
    seeds = np.zeros(len(lines), np.uint64)
    legs, field = legs_of(lines, flights, paths, contacts, seeds, cell), field_of(contacts, cell)
    kernel.aim(legs, paths.table, field, kernel.new_log(0), out)
    return out


def throw(
    lines: Lines,
    flights: LevelFlights,
    paths: Paths,
    contacts: Contacts,
    seeds: NDArray[np.uint64],
    throws: int,
    cell: float,
    stops: bool = False,
) -> Thrown:
    """Throw at each line with the level's spread.

    Growth beyond the target does not count.

    Parameters
    ----------
    lines, flights, paths, contacts, cell
        What is thrown at, by whom, and through what.
    seeds
        One number for each line that makes its throws; see `seeds_of`.
    throws
        At each line.
    stops
        Whether to tell where each throw was stopped and came to rest.
    """
    order = order_of(lines)
    nearby = lines.take(order)
    clear = np.zeros((len(lines), throws, kernel.CONTACTS))
    space = np.zeros((len(lines), 2), np.int64)
    where = np.zeros((len(lines) if stops else 0, throws, kernel.STOP), np.float32)
    legs = legs_of(nearby, flights, paths, contacts, seeds[order], cell)
    kernel.throw(
        legs,
        paths.table,
        field_of(contacts, cell),
        even_points(throws),
        kernel.new_log(0),
        clear,
        space,
        where,
    )
    back = np.argsort(order)
    clear, space = clear[back], space[back]
    rate = clear.mean(1)
    seasons = (rate[:, 0], rate[:, 3])
    return Thrown(
        clear=rate[:, 0],
        error=standard_error(clear[:, :, 0]),
        high=rate[:, 1],
        low=rate[:, 2],
        leaf_on=seasons[not contacts.surveyed_in_leaf],
        leaf_off=seasons[contacts.surveyed_in_leaf],
        seen=np.where(space[:, 0] > 0, space[:, 1] / np.maximum(space[:, 0], 1), 1.0),
        stops=where[back] if stops else where,
    )


def trace(
    line: Lines,
    flights: LevelFlights,
    paths: Paths,
    contacts: Contacts,
    seeds: NDArray[np.uint64],
    throws: int,
    cell: float,
) -> Floats:
    """Places of the throws that `throw` makes with the same seed, were there nothing to touch.

    Parameters
    ----------
    line, flights, paths, contacts, seeds, throws, cell
        As in `throw`, of one line.

    Returns
    -------
    ndarray
        (throws, places, 4): row and column with halves in the middle of cells, height [m], and
        seconds since the release of the throw aimed for; places lie at most a cell apart, the
        first is the release. NaN off the grid, and after the first place that is lower over the
        ground than where a disc lands.
    """
    legs = legs_of(line, flights, paths, contacts, seeds, cell)
    seconds = flights.time.reshape(-1, flights.time.shape[-1])[legs.row[0]]
    points = even_points(throws)
    return np.asarray(
        kernel.trace(legs, 0, paths.table, field_of(contacts, cell), points, seconds), np.float64
    )


@cache
def even_points(throws: int) -> NDArray[np.uint32]:
    """Sobol's points for so many throws, scrambled once and for all (throws, dimensions).

    The kernel shifts them by each leg's own bits, so that legs do not err alike.
    """
    sobol = qmc.Sobol(kernel.DIMENSIONS, scramble=True, bits=32, rng=SCRAMBLE)
    drawn = sobol.random_base2(int(np.ceil(np.log2(throws))))[:throws]
    return np.asarray(drawn * 2.0**32).astype(np.uint32)


def standard_error(passed: Floats) -> Floats:
    """Standard error of the mean chance of throws along each leg to pass (legs,).

    Parameters
    ----------
    passed
        Of each throw (legs, throws).

    Notes
    -----
    `EVEN` times the variance that independent throws would have; no less than a quarter of one
    throw, for a rate of 0 or 1 is not known without error either.
    """
    throws = passed.shape[1]
    variance = EVEN * passed.var(axis=1, ddof=1) / throws
    return np.asarray(np.maximum(np.sqrt(variance), 0.25 / throws), np.float64)


def greatest_error(rate: Floats, throws: int) -> Floats:
    """Standard error of a clear rate, were every throw sure to pass or sure to touch (legs,)."""
    return np.asarray(np.maximum(np.sqrt(EVEN * rate * (1 - rate) / throws), 0.25 / throws))


def meetings(
    lines: Lines,
    flights: LevelFlights,
    paths: Paths,
    contacts: Contacts,
    seeds: NDArray[np.uint64],
    throws: int,
    cell: float,
) -> Meetings:
    """Everything that the throws of `throw` meet on their way; the same seeds, the same throws.

    A throw goes on through what would have stopped it: behind a limb there may be a trunk.
    """
    legs, field = legs_of(lines, flights, paths, contacts, seeds, cell), field_of(contacts, cell)
    counts = np.zeros((len(lines), throws), np.int64)
    enough = np.zeros((len(lines), throws), np.float32)
    kernel.meet(legs, paths.table, field, even_points(throws), kernel.new_log(0), counts, enough)
    starts = np.cumsum(counts).reshape(counts.shape) - counts
    log = kernel.new_log(int(counts.sum()))
    kernel.meet(legs, paths.table, field, even_points(throws), log, starts, enough)
    whose = np.repeat(np.arange(counts.size, dtype=np.int32), counts.ravel())
    line, throw_ = np.divmod(whose, np.int32(throws))
    places, points = log.places, log.points
    return Meetings(
        line,
        throw_,
        places[:, 0].copy(),
        places[:, 1].copy(),
        places[:, 2].astype(np.uint8),
        log.kinds,
        log.depths,
        points[:, 0].copy(),
        points[:, 1].copy(),
        points[:, 2].copy(),
        enough,
    )


def seeds_of(
    level: str, lines: Lines, x0: Floats, y0: Floats, x1: Floats, y1: Floats
) -> NDArray[np.uint64]:
    """Number that makes the throws of a leg, from what the leg is: who, from where, to where, how.

    The same leg gets the same throws whatever else a run holds.
    """
    word = hashlib.blake2b(level.encode(), digest_size=8).digest()
    seed = np.full(len(lines), int.from_bytes(word, "little"), np.uint64)
    for part in (x0, y0, x1, y1):
        seed = _mixed(seed ^ np.rint(np.asarray(part) * 10).astype(np.int64).view(np.uint64))
    return _mixed(seed ^ lines.arc.astype(np.uint64))


def other_seeds(seeds: NDArray[np.uint64], number: int) -> NDArray[np.uint64]:
    """Numbers that make other throws of the same legs, others again for each `number`."""
    turn = np.array([number % 2**64], np.uint64)
    return seeds ^ _mixed(turn)


def _mixed(z: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """`kernel.mix` of every number."""
    z = z + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def _rise(lines: Lines, flights: LevelFlights, contacts: Contacts) -> Floats:
    """From the release over the tee to the end over the target [m]."""
    tee = contacts.ground[lines.tee_row, lines.tee_col].astype(float) + flights.release
    end = contacts.ground[lines.end_row, lines.end_col].astype(float) + flights.end
    return np.asarray(end - tee, np.float64)


def order_of(lines: Lines) -> Ints:
    """Lines over the same land one after another: it is in the cache then."""
    return np.lexsort((lines.tee_col // NEAR, lines.tee_row // NEAR))


def legs_of(
    lines: Lines,
    flights: LevelFlights,
    paths: Paths,
    contacts: Contacts,
    seeds: NDArray[np.uint64],
    cell: float,
) -> kernel.Legs:
    """Lines in the form the kernels read; see `throw`."""
    length, rise = length_of(lines, cell), _rise(lines, flights, contacts)
    release = contacts.ground[lines.tee_row, lines.tee_col].astype(float) + flights.release
    return kernel.Legs(
        lines.tee_row.astype(np.float64) + 0.5,
        lines.tee_col.astype(np.float64) + 0.5,
        release,
        (lines.end_row - lines.tee_row).astype(float),
        (lines.end_col - lines.tee_col).astype(float),
        rise,
        length,
        paths.row_of(flights, lines, length, rise),
        seeds,
    )


def field_of(contacts: Contacts, cell: float) -> kernel.Field:
    """What stands on the land in the form the kernels read."""
    ground = contacts.ground.reshape(-1)
    density = np.asarray(contacts.density).reshape(-1, march.LAYERS)
    # As stored results are, so that kernels are compiled for one kind of arrays.
    ground.flags.writeable = density.flags.writeable = False
    return kernel.Field(
        ground,
        contacts.cells,
        density,
        contacts.table,
        contacts.prior,
        contacts.leaf,
        np.float32(contacts.prior.max(initial=0.0)),
        float(contacts.lowest),
        float(cell),
        *contacts.ground.shape,
    )
