"""The designer's hand: holes to keep, lock, prefer or avoid, areas to stay out of.

What a designer asks for comes from `own_holes` and from the file under `designer`, an edited copy
of the `designer-start.gpkg` that every run writes. Neither is ever written to.

Wishes for a hole:

- keep: it is in every proposal, as drawn; its number may change;
- lock: the same, with its number in the round;
- prefer: it takes part like any other, and counts for more;
- avoid: neither it nor a hole like it is in any proposal.

A hole of the file whose tee, landing zone or basket was moved is kept unless it says otherwise.
Wishes for an area: `keep out` bars it to holes and walks, `avoid` makes holes in it count for less.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats

Ends = tuple[tuple[float, float], tuple[float, float]]
"""Tee and basket of a hole [m]."""

WISHES = ("keep", "lock", "prefer", "avoid")
AREA_WISHES = ("avoid", "keep out")
SAME = 10.0
"""Metres between tees, and between baskets, within which two holes are the same."""

FORMER = "former hole "
"""How a hole that only had a number is called in a run that may give it another."""


@dataclass(frozen=True)
class Drawn:
    """One hole that the designer names.

    Attributes
    ----------
    name
        As the designer calls it.
    key
        Name that its line is scored under; empty where it has no line of its own to score.
    wkt
        Its line, tee first.
    wish
        One of `WISHES`, or empty.
    order
        Number in the round; 0 for none.
    moved
        Whether it was moved since the file was written.
    """

    name: str
    key: str
    wkt: str
    wish: str
    order: int = 0
    moved: bool = False

    @property
    def ends(self) -> Ends:
        """Tee and basket."""
        places = shapely.get_coordinates(shapely.from_wkt(self.wkt))
        return (
            (float(places[0, 0]), float(places[0, 1])),
            (float(places[-1, 0]), float(places[-1, 1])),
        )


@dataclass(frozen=True)
class Hand:
    """All that the designer asks for, in the run's CRS.

    Attributes
    ----------
    holes
        Holes named.
    areas
        Name, wish and WKT of each area.
    before
        Number, name and WKT of each hole of the layout that the file began as.
    arrival
        Where the round starts and ends; None where nobody said.
    paths
        WKT of existing paths; empty for none.
    wanted
        Holes of a round.
    """

    holes: tuple[Drawn, ...] = ()
    areas: tuple[tuple[str, str, str], ...] = ()
    before: tuple[tuple[int, str, str], ...] = ()
    arrival: tuple[float, float] | None = None
    paths: str = ""
    wanted: int = 18

    @property
    def drawn(self) -> tuple[tuple[str, str], ...]:
        """Lines to score besides those of `own_holes`: name and WKT."""
        return tuple((hole.key, hole.wkt) for hole in self.holes if hole.key)

    def area(self, wish: str) -> shapely.Geometry:
        """Areas of one wish as one shape."""
        return shapely.union_all([shapely.from_wkt(wkt) for _, w, wkt in self.areas if w == wish])


def nearest_to(ends: Ends, tee: Floats, basket: Floats) -> tuple[int, float]:
    """Hole whose tee and basket lie nearest to two places, and the larger of the distances [m]."""
    if not len(tee):
        return -1, np.inf
    away = np.maximum(
        np.hypot(*(tee - np.array(ends[0])).T), np.hypot(*(basket - np.array(ends[1])).T)
    )
    return int(away.argmin()), float(away.min())


def start_frames(
    layout: gpd.GeoDataFrame, holes: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, crs: str
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of `designer-start.gpkg`: the best proposal as lines fit to be edited.

    Parameters
    ----------
    layout
        Layer `layout_holes`.
    holes, legs
        The holes and throws it names.
    crs
        WKT of the run.
    """
    best = layout[layout["proposal"] == 1] if len(layout) else layout
    chains = holes.set_index("hole_id")["legs"]
    shapes = legs.set_index("leg_id").geometry
    own = set(best["name"].dropna()) if "name" in best else set()
    rows = []
    for hole in best.sort_values("play_order").to_dict("records"):
        throws = [shapes.loc[int(leg)] for leg in chains.loc[hole["hole_id"]].split()]
        corners = [shapely.get_coordinates(throws[0])[0]]
        corners += [shapely.get_coordinates(throw)[-1] for throw in throws]
        line = shapely.LineString(np.round(corners, 2))
        rows.append(
            {
                "name": _named(hole, own),
                "wish": None,
                "play_order": hole["play_order"],
                "note": hole.get("sentence"),
                "stood": shapely.to_wkt(line, rounding_precision=2),
                "geometry": line,
            }
        )
    names = ["name", "wish", "play_order", "note", "stood", "geometry"]
    drawn = gpd.GeoDataFrame(pd.DataFrame(rows, columns=names), geometry="geometry", crs=crs)
    areas = gpd.GeoDataFrame(
        {name: pd.Series(dtype=object) for name in ("name", "wish", "note")}, geometry=[], crs=crs
    )
    return {"designer_holes": drawn, "designer_areas": areas}


def _named(hole: dict[Hashable, object], own: set[str]) -> str:
    """Its own name, or its number; no two holes of a layout are called the same."""
    name = hole.get("name")
    if isinstance(name, str) and not name.startswith(FORMER):
        return name
    numbered = f"hole {hole['play_order']}"
    while numbered in own:
        numbered += "a"
    return numbered


def changes(
    hand: Hand, layout: gpd.GeoDataFrame, reasons: dict[str, str]
) -> tuple[list[str | None], list[str]]:
    """What became of each hole of the layout before, and why.

    Parameters
    ----------
    hand
        With the layout before.
    layout
        Holes of the best proposal now, in playing order.
    reasons
        Why a hole before is no longer there, by its name, where that is known.

    Returns
    -------
    by_hole, lines
        One text per hole of `layout`, None where there was no layout before; sentences for the
        log and the summary.
    """
    if not hand.before:
        return [None] * len(layout), []
    shapes = layout.geometry.to_numpy()
    now = _Now(
        tee=shapely.get_coordinates(shapely.get_point(shapes, 0)).reshape(-1, 2),
        basket=shapely.get_coordinates(shapely.get_point(shapes, -1)).reshape(-1, 2),
        numbers=[int(number) for number in layout["play_order"]],
        by_hole=["new in the round"] * len(layout),
    )
    lines, still = _since_before(hand, now, reasons)
    lines += _drawn_since(hand, now, reasons)
    fresh = [number for k, number in enumerate(now.numbers) if k not in now.taken]
    if fresh:
        lines.append(f"new in the round: {_holes(fresh)}")
    if not lines:
        return now.by_hole, ["nothing changed since the layout before"]
    if still:
        lines.append(f"unchanged: {_holes(still)}")
    return now.by_hole, lines


@dataclass
class _Now:
    """Holes of the layout as it is, what became of each, and which are accounted for."""

    tee: Floats
    basket: Floats
    numbers: list[int]
    by_hole: list[str | None]
    taken: set[int] = field(default_factory=set)

    def take(self, ends: Ends) -> int | None:
        """The hole that lies there and is not accounted for yet; it is from now on."""
        at, away = nearest_to(ends, self.tee, self.basket)
        if away > SAME or at in self.taken:
            return None
        self.taken.add(at)
        return at


def _since_before(hand: Hand, now: _Now, reasons: dict[str, str]) -> tuple[list[str], list[int]]:
    """Sentences on the holes of the layout before, and numbers of those that are as they were."""
    asked = {hole.name: hole for hole in hand.holes}
    lines: list[str] = []
    still: list[int] = []
    for before, name, wkt in hand.before:
        wished = asked.get(name)
        moved = wished is not None and wished.moved
        line = wished.wkt if wished is not None and moved else wkt
        at = now.take(Drawn(name, "", line, "").ends)
        if at is None:
            why = reasons.get(name, "other holes make a better round with what is kept")
            lines.append(f"{name}: left out; {why}")
            continue
        number = now.numbers[at]
        what = "moved by the designer" if moved else "kept"
        what += (
            f", now hole {number}, before {before}"
            if number != before
            else (f", still hole {number}")
        )
        now.by_hole[at] = what
        if moved or number != before:
            lines.append(f"{name}: {what}")
        else:
            still.append(number)
    return lines, still


def _drawn_since(hand: Hand, now: _Now, reasons: dict[str, str]) -> list[str]:
    """Sentences on the holes that the designer has drawn since the layout before."""
    known = {name for _, name, _ in hand.before}
    lines = []
    for hole in hand.holes:
        if hole.name in known or hole.wish == "avoid":
            continue
        at = now.take(hole.ends)
        if at is not None:
            now.by_hole[at] = "drawn by the designer"
            lines.append(f"{hole.name}: drawn by the designer, hole {now.numbers[at]}")
        elif hole.key:
            why = reasons.get(hole.name, "other holes make a better round")
            lines.append(f"{hole.name}: drawn by the designer, left out; {why}")
    return lines


def _holes(numbers: list[int]) -> str:
    return f"hole{'s' if len(numbers) > 1 else ''} {', '.join(map(str, sorted(numbers)))}"
