"""The designer's own lines: scored by the rules of the search, and always kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.arrays import Ints
from lanewright.base.errors import InputError
from lanewright.base.units import FOOT
from lanewright.legs import throwing
from lanewright.legs.choose import with_finishes
from lanewright.legs.measure import clearest, scored
from lanewright.legs.search import bounds, cells_of_sites
from lanewright.legs.sites import Sites, add_spots
from lanewright.legs.thrower import Player, Thrower
from lanewright.legs.throwing import Lines
from lanewright.scene import Scene

STRAY = 5.0  # m by which the designer's line may stray from straight and still be one leg

OwnLine = tuple[str, str]
"""Name and WKT of a line to score, tee first; each corner ends one throw and starts the next."""


def own_lines(own: Iterable[OwnLine], drawn: Iterable[OwnLine]) -> tuple[OwnLine, ...]:
    """Lines to score, with a name each: every corner is where one throw ends and the next starts.

    Those of `own_holes` may be drawn as the disc flies, and are made straight first; corners of
    `drawn` are landing zones already, however little the hole bends there.
    """
    straight = ((name, shapely.from_wkt(wkt).simplify(STRAY).wkt) for name, wkt in own)
    return (*straight, *drawn)


@dataclass(frozen=True)
class Scored:
    """One drawn line scored.

    Attributes
    ----------
    sites
        Those given, with the ends of the line added.
    legs
        One frame per level; `own_hole` names the line, `own_order` numbers its throws from 0.
    warnings
        What the designer should know.
    """

    sites: Sites
    legs: list[gpd.GeoDataFrame]
    warnings: list[str]


def score_line(thrower: Thrower, sites: Sites, name: str, line: shapely.LineString) -> Scored:
    """Score a drawn line for each level, one leg per straight.

    Raises
    ------
    InputError
        If it leaves the surveyed land, or a throw starts or ends on unknown ground.
    """
    scene, settings = thrower.scene, thrower.settings
    sites, tee, end = _with_corners(sites, scene, name, line)
    tees, ends = sites.tees.iloc[tee], sites.baskets.iloc[end]
    legs, short, unsafe = [], [], 0.0
    for player in thrower.players:
        mine, there = _best_throws(thrower, player, tees, ends)
        legs.append(mine.assign(origin="own", own_hole=name, own_order=np.arange(len(mine))))
        reach = bounds(player.flights, settings)[1]
        if not there or (mine["length_m"] > reach).any():
            short.append(f"{player.name} ({reach:.0f} m, {reach / FOOT:.0f} ft)")
        unsafe = max(unsafe, float(mine["unsafe_share"].max()))
    said = []
    if short:
        said.append(
            f"own hole {name} asks for a throw that is beyond {' and '.join(short)}, or the ground "
            "is in its way; a corner in its line makes it a hole of two throws"
        )
    if unsafe > settings.most_unsafe:
        said.append(
            f"own hole {name}: up to {unsafe:.0%} of the throws at it end off the property or in a "
            "keep-out's buffer"
        )
    return Scored(sites, legs, said)


def _with_corners(
    sites: Sites, scene: Scene, name: str, line: shapely.LineString
) -> tuple[Sites, Ints, Ints]:
    """Sites with the corners of a line added, and their rows among tees and baskets."""
    corners = shapely.get_coordinates(line)
    try:
        tees, tee = add_spots(sites.tees, scene, *corners[:-1].T)
        baskets, end = add_spots(sites.baskets, scene, *corners[1:].T)
    except ValueError:
        raise InputError(
            "a drawn line", f"{name} leaves the surveyed land", "Redraw it or add tiles."
        ) from None
    row, col = scene.grid.rowcol(*corners.T)
    unknown = np.flatnonzero(~np.isfinite(scene.ground[row, col]))
    if unknown.size:
        what = ("tee", *["landing zone"] * (len(corners) - 2), "basket")[unknown[0]]
        x, y = corners[unknown[0]]
        raise InputError(
            "a drawn line",
            f"the {what} of {name} at {x:.0f}, {y:.0f} lies where no ground is known",
            "Redraw it, or add tiles there.",
        )
    return replace(sites, tees=tees, baskets=baskets), tee, end


def _best_throws(
    thrower: Thrower, player: Player, tees: gpd.GeoDataFrame, ends: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, bool]:
    """Best throw of a level for each straight of a line, and whether it has one for all of them.

    What the level cannot throw is taken only where it can throw nothing at all; then the nearest
    throw it has stands in.
    """
    grid, arcs, n = thrower.scene.grid, len(player.flights.arcs), len(tees)
    cells = [*cells_of_sites(tees, grid), *cells_of_sites(ends, grid)]
    r0, c0, r1, c1 = (np.repeat(c, arcs) for c in cells)
    lines = Lines(r0, c0, r1, c1, np.tile(np.arange(arcs), n))
    which = np.repeat(np.arange(n), arcs)
    tried = scored(thrower, player, tees.iloc[which], ends.iloc[which], lines)
    there = throwing.possible(lines, player.flights, player.paths, thrower.contacts, grid.cell)
    easy = np.where(there, 1.0, 0.0) + clearest(tried) / 2
    best = easy.reshape(n, arcs).argmax(1) + np.arange(n) * arcs
    mine, _, _ = with_finishes(thrower, player, tried.iloc[best], lines.take(best))
    return mine, bool(there[best].all())
