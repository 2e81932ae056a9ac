"""What one takes into the field: the holes of the best proposal, or what there is short of one.

Report texts, field checks, field book and field points all start from the same `Outing`, so that
hole 7 is hole 7 in all of them.
"""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base import schema
from lanewright.base.rows import Row, rows_of
from lanewright.trim.tour import tour

Frames = Mapping[str, gpd.GeoDataFrame]

CHECK = "Q"
"""Letter before the number of a field check; players read C1 and C2 as putting circles."""

APART = 25.0
"""Metres between lines that are taken along where no layout picks them; ours."""


@dataclass(frozen=True)
class Spot:
    """A place in the run's CRS; `z` is its ground [m], NaN where unknown."""

    x: float
    y: float
    z: float

    @property
    def xy(self) -> tuple[float, float]:
        """Without the height."""
        return self.x, self.y


@dataclass(frozen=True)
class Position:
    """Another tee or pin of a hole: what it is, for which level, its row of `hole_positions`."""

    kind: Literal["tee", "pin"]
    level: str
    spot: Spot
    facts: Row


@dataclass(frozen=True)
class Played:
    """A hole, or a single leg, to be seen on foot.

    Attributes
    ----------
    number
        Place in the outing, from 1; in a layout the number of the hole.
    title
        What the reader calls it.
    hole_id
        Its row in `holes`; None for a single leg.
    facts
        Its row in the layer named by `Outing.source`.
    legs
        Rows of `legs`, tee first.
    tee, landings, basket
        Where it is played.
    trim
        Rows of `trim_work` chosen for its legs, along the way of play; a piece that stands by
        two throws comes with the first.
    walk
        Its row of `layout_walks`: from the basket before; None where no walk is known.
    positions
        Other tees and pins of the hole.
    """

    number: int
    title: str
    hole_id: int | None
    facts: Row
    legs: gpd.GeoDataFrame
    tee: Spot
    landings: tuple[Spot, ...]
    basket: Spot
    trim: gpd.GeoDataFrame
    walk: Row | None
    positions: tuple[Position, ...] = ()

    @cached_property
    def leg_rows(self) -> tuple[Row, ...]:
        """Rows of its legs; made once, for every drawing and question asks for them."""
        return tuple(rows_of(self.legs))

    @cached_property
    def trim_rows(self) -> tuple[Row, ...]:
        """Rows of its trim work."""
        return tuple(rows_of(self.trim))

    @property
    def names(self) -> tuple[str, ...]:
        """Short names of tee, landing zones and basket, such as T7, L7a and B7."""
        letters = string.ascii_lowercase[: len(self.landings)]
        return (
            f"T{self.number}",
            *(f"L{self.number}{letter}" for letter in letters),
            f"B{self.number}",
        )

    @property
    def other_names(self) -> tuple[str, ...]:
        """Short names of the other tees and pins, such as T7b and B7c; T7 and B7 are the first."""
        counts = {"tee": 0, "pin": 0}
        names = []
        for other in self.positions:
            counts[other.kind] += 1
            letter = string.ascii_lowercase[counts[other.kind]]
            names.append(f"{'T' if other.kind == 'tee' else 'B'}{self.number}{letter}")
        return tuple(names)

    @property
    def spots(self) -> tuple[Spot, ...]:
        """Tee, landing zones, basket."""
        return (self.tee, *self.landings, self.basket)

    @property
    def line(self) -> shapely.LineString:
        """The flights one after another, flat."""
        points = np.concatenate([shapely.get_coordinates(g) for g in self.legs.geometry])
        return shapely.LineString(points)


@dataclass(frozen=True)
class Outing:
    """Holes to be seen on foot, in order.

    Attributes
    ----------
    source
        Layer that they come from.
    note
        What the reader should know about the choice, one sentence.
    start
        Where the walk begins and ends; None where nobody knows.
    walks
        Rows of `layout_walks` of the proposal; None where there are none.
    start_given
        Whether the designer said where; else the layout found a place.
    """

    source: Literal["layout_holes", "holes", "legs"]
    holes: tuple[Played, ...]
    note: str
    start: Spot | None
    walks: gpd.GeoDataFrame | None
    start_given: bool = True


def as_published(name: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A layer with the very numbers that the GeoPackage holds."""
    return schema.conform(name, frame, [c.name for c in schema.LAYERS[name].columns])


def as_shown(name: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The same for pages and sheets, but metres that also stand in feet as they were measured.

    A page writes both units from the metres: from rounded ones, its feet would now and then be one
    off those of the GeoPackage.
    """
    columns = schema.LAYERS[name].columns
    derived = {c.derived[0] for c in columns if c.derived is not None}
    return schema.conform(name, frame, [c.name for c in columns if c.name not in derived])


def outing_of(layers: Frames, wanted: int, start: Spot | None = None) -> Outing:
    """Choose what to see on foot.

    Parameters
    ----------
    layers
        Frames by layer name, as `as_published` gives them. The best proposal is taken; without
        layouts the best candidate holes, without those the best legs, each `APART` from the rest.
    wanted
        How many holes to take where no layout says.
    start
        Where the designer wants the walk to begin and end; by default where the layout's does.
    """
    given = start is not None
    layout, holes = layers.get("layout_holes"), layers.get("holes")
    walks: gpd.GeoDataFrame | None = None
    if layout is not None and len(layout) and holes is not None:
        choice = _of_layout(layout, holes)
        found = layers.get("layout_walks")
        if found is not None and len(found):
            walks = found[found["proposal"] == layout["proposal"].min()].reset_index(drop=True)
            start = start or _first_step(walks)
    elif holes is not None and len(holes):
        choice = _of_holes(holes, wanted, start)
    else:
        choice = _of_legs(layers["legs"], wanted, start)
    return Outing(
        choice.source, tuple(_played(layers, choice, walks)), choice.note, start, walks, given
    )


@dataclass(frozen=True)
class _Choice:
    """Rows of a layer that are gone out for, in order, and the legs of each."""

    source: Literal["layout_holes", "holes", "legs"]
    rows: gpd.GeoDataFrame
    chains: list[tuple[int, ...]]
    numbers: list[int]
    word: str
    note: str


def _of_layout(layout: gpd.GeoDataFrame, holes: gpd.GeoDataFrame) -> _Choice:
    best = layout["proposal"].min()
    rows = layout[layout["proposal"] == best].sort_values("play_order")
    of_hole = legs_of_holes(holes)
    return _Choice(
        "layout_holes",
        rows,
        [of_hole[int(number)] for number in rows["hole_id"]],
        [int(number) for number in rows["play_order"]],
        "Hole",
        f"Holes of proposal {best}, the best by the weights of the run.",
    )


def _of_holes(holes: gpd.GeoDataFrame, wanted: int, start: Spot | None) -> _Choice:
    rows = _ordered(_best_apart(holes, "hole_id", wanted), start)
    return _Choice(
        "holes",
        rows,
        list(legs_of_holes(rows).values()),
        list(range(1, len(rows) + 1)),
        "Candidate",
        f"No layout stands behind these {len(rows)} holes: they are the best candidates that "
        f"keep {APART:.0f} m apart, in the order of a short walk.",
    )


def _of_legs(legs: gpd.GeoDataFrame, wanted: int, start: Spot | None) -> _Choice:
    rows = _ordered(_best_apart(legs, "leg_id", wanted), start)
    return _Choice(
        "legs",
        rows,
        [(int(leg),) for leg in rows["leg_id"]],
        list(range(1, len(rows) + 1)),
        "Line",
        f"No holes stand behind these {len(rows)} lines: they are the best single throws that "
        f"keep {APART:.0f} m apart, in the order of a short walk."
        if len(rows)
        else "The land holds no line that clears; there is nothing to walk to.",
    )


def _played(layers: Frames, choice: _Choice, walks: gpd.GeoDataFrame | None) -> Iterator[Played]:
    legs = layers["legs"].set_index("leg_id", drop=False)
    tees = layers["tee_sites"].set_index("site_id")
    ends = layers["basket_sites"].set_index("site_id")
    trim = layers.get("trim_work")
    for number, chain, facts in zip(
        choice.numbers, choice.chains, rows_of(choice.rows), strict=True
    ):
        own = legs.loc[list(chain)]
        yield Played(
            number,
            f"{choice.word} {number}",
            None if choice.source == "legs" else int(facts["hole_id"]),
            facts,
            own,
            _site(tees, int(own["tee_id"].iloc[0])),
            tuple(_site(ends, int(end)) for end in own["end_id"].iloc[:-1]),
            _site(ends, int(own["end_id"].iloc[-1])),
            _pieces(trim, chain) if trim is not None else gpd.GeoDataFrame(geometry=[]),
            _walk_to(walks, number),
            _positions(layers, facts.get("hole_id"), tees, ends),
        )


def _positions(
    layers: Frames, hole: object, tees: gpd.GeoDataFrame, ends: gpd.GeoDataFrame
) -> tuple[Position, ...]:
    """Other tees of a hole, then its other pins; none for a single leg."""
    every = layers.get("hole_positions")
    if every is None or hole is None:
        return ()
    mine = every[every["hole_id"] == hole].sort_values(["position", "position_id"])
    return tuple(
        Position(
            row["position"],
            str(row["level"]),
            _ground_of(point, tees if row["position"] == "tee" else ends, row["site_id"]),
            row,
        )
        for point, row in sorted(
            zip(mine.geometry, rows_of(mine), strict=True),
            key=lambda pair: pair[1]["position"] != "tee",
        )
    )


def _ground_of(point: shapely.Point, sites: gpd.GeoDataFrame, number: int) -> Spot:
    """A place with the ground of its site, where the site is known."""
    if number in sites.index:
        return _site(sites, int(number))
    return Spot(point.x, point.y, float("nan"))


def legs_of_holes(holes: gpd.GeoDataFrame) -> dict[int, tuple[int, ...]]:
    """Numbers of each hole's legs in order of play, by `hole_id`, out of the published column."""
    return {
        int(number): tuple(int(leg) for leg in text.split())
        for number, text in zip(holes["hole_id"], holes["legs"], strict=True)
    }


def _best_apart(frame: gpd.GeoDataFrame, key: str, wanted: int) -> gpd.GeoDataFrame:
    """The best rows by score that keep `APART`; ties by key."""
    ranked = frame.sort_values(["score", key], ascending=[False, True], kind="stable")
    # Straight from tee to basket: a flight bends by metres, and thousands are compared.
    first, last = (shapely.get_point(ranked.geometry.to_numpy(), i) for i in (0, -1))
    ends = [shapely.get_coordinates(points) for points in (first, last)]
    shapes = shapely.linestrings(np.stack(ends, axis=1))
    taken: list[int] = []
    for i, shape in enumerate(shapes):
        if len(taken) == wanted:
            break
        if not taken or shapely.distance(shapes[taken], shape).min() >= APART:
            taken.append(i)
    return ranked.iloc[taken]


def _ordered(rows: gpd.GeoDataFrame, start: Spot | None) -> gpd.GeoDataFrame:
    if rows.empty:
        return rows
    first = shapely.get_coordinates(shapely.get_point(rows.geometry.to_numpy(), 0))
    last = shapely.get_coordinates(shapely.get_point(rows.geometry.to_numpy(), -1))
    return rows.iloc[tour(first, last, start.xy if start else None)]


def _site(sites: gpd.GeoDataFrame, number: int) -> Spot:
    row = sites.loc[number]
    point = row.geometry
    return Spot(point.x, point.y, float(row.get("ground_m", np.nan)))


def _pieces(trim: gpd.GeoDataFrame, chain: tuple[int, ...]) -> gpd.GeoDataFrame:
    mine = trim[trim["leg_id"].isin(chain) & trim["chosen"]]
    place = mine["leg_id"].map({leg: i for i, leg in enumerate(chain)})
    order = np.lexsort((mine["piece_id"], mine["along_m"], place))
    mine = mine.iloc[order]
    # A piece may lie in parts along one throw; that it stands by the next one too is no more work.
    first = mine.groupby("piece_id")["leg_id"].transform("first")
    return mine[mine["leg_id"] == first].reset_index(drop=True)


def _first_step(walks: gpd.GeoDataFrame) -> Spot | None:
    """Where the first walk sets out, which is no hole's basket."""
    out = walks[walks["from_order"] == 0]
    if not len(out):
        return None
    x, y, z = shapely.get_coordinates(out.geometry.iloc[0], include_z=True)[0]
    return Spot(float(x), float(y), float(z))


def _walk_to(walks: gpd.GeoDataFrame | None, number: int) -> Row | None:
    if walks is None:
        return None
    found = rows_of(walks[walks["to_order"] == number])
    return found[0] if found else None
