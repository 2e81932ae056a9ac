"""Other tees and pins of a hole."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints
from lanewright.holes import par
from lanewright.holes.furtherlegs import Further, best_throws, rows_of_sites, with_legs
from lanewright.legs.scores import effective_length
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import FAIRWAY_SHARE, Level

ASIDE = 10.0  # m that another tee may lie off the line of the hole
APART = 6.0  # m; nearer, a tee is the same one
PINS = 2
THROWS = 100  # at each of these: the standard error is at most 0.05
NAMES = [
    "hole_id",
    "position",
    "level",
    "site_id",
    "length_m",
    "effective_length_m",
    "par",
    "leg_id",
    "clear_rate",
    "geometry",
]


class Wanted(NamedTuple):
    """A position to try: row of the hole, rows of tee and end site, what is left to play [m]."""

    row: int
    position: str
    level: str
    tee: int
    end: int
    rest: float


def other_positions(
    table: gpd.GeoDataFrame,
    holes: gpd.GeoDataFrame,
    levels: tuple[Level, ...],
    further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Find a tee for every other level and a few more pins for each hole.

    Another level's tee lies on the line of the first throw, as much nearer to its landing or
    farther from it as the level throws shorter or longer; the throw from there is tried. Pins lie
    `pin_from` to `pin_to` from the basket, on ground that holds one. They are not held against
    other holes.

    Parameters
    ----------
    table
        The legs table.
    holes
        Candidate holes with `hole_id`, `legs` (a tuple of leg ids) and what was measured of them.
    levels
        Who plays.
    further
        Throws from sites to sites.
    settings
        Lowest clear rate, and lowest par.

    Returns
    -------
    positions
        In the columns of layer `hole_positions`.
    table
        With the new legs at its end.
    """
    numbers = pd.Index(table["leg_id"])
    chains = [np.asarray(numbers.get_indexer(list(ids)), np.int64) for ids in holes["legs"]]
    frames = []
    wanted = [
        *_other_tees(table, holes, chains, levels, further),
        *_other_pins(table, holes, chains, levels, further, settings),
    ]
    for level in levels:
        mine = pd.DataFrame([w for w in wanted if w.level == level.name])
        if mine.empty:
            continue
        tee, end = mine["tee"].to_numpy(), mine["end"].to_numpy()
        tried = best_throws(further, level.name, tee, end, THROWS)
        tried = tried[(tried["clear_rate"] >= settings.least_clear) & (tried["promise"] > 0)]
        first = int(table["leg_id"].max()) + 1
        table = with_legs(table, tried)
        mine.loc[tried["line"], "leg_id"] = np.arange(first, first + len(tried))
        for name in ("clear_rate", "length_m", "rise_m"):
            mine.loc[tried["line"], name] = tried[name].to_numpy()
        mine = mine[mine["leg_id"].notna()]
        frames.append(_measured(mine, holes, _rise_of(table, chains, mine), level, settings))
    if not frames:
        return gpd.GeoDataFrame(columns=["position_id", *NAMES], geometry=[], crs=table.crs), table
    return _placed(pd.concat(frames, ignore_index=True), further, table.crs), table


def _measured(
    found: pd.DataFrame,
    holes: gpd.GeoDataFrame,
    replaced: Floats,
    level: Level,
    settings: HoleSettings,
) -> pd.DataFrame:
    """Positions with length, effective length and par of the hole so played."""
    hole = holes.iloc[found["row"]]
    rise = found["rise_m"].to_numpy() + hole["rise_m"].to_numpy() - replaced
    length = (found["length_m"] + found["rest"]).to_numpy()
    effective = effective_length(length, rise)
    pars = [
        par.par_of(level, e, f, settings.min_par)
        for e, f in zip(effective, hole["foliage"], strict=True)
    ]
    return found.assign(
        hole_id=hole["hole_id"].to_numpy(), length_m=length, effective_length_m=effective, par=pars
    )


def _placed(found: pd.DataFrame, further: Further, crs: object) -> gpd.GeoDataFrame:
    """Positions with their site and place, numbered."""
    at_tee = (found["position"] == "tee").to_numpy()
    ids, places = np.zeros(len(found), np.int64), np.empty(len(found), object)
    for here, sites, rows in (
        (at_tee, further.tees, found["tee"]),
        (~at_tee, further.baskets, found["end"]),
    ):
        ids[here] = sites["site_id"].to_numpy()[rows[here]]
        places[here] = sites.geometry.to_numpy()[rows[here]]
    found = found.assign(site_id=ids, geometry=places)[NAMES].sort_values(
        ["hole_id", "position", "level", "site_id"], kind="stable", ignore_index=True
    )
    found["leg_id"] = found["leg_id"].astype(np.int64)
    found.insert(0, "position_id", np.arange(1, len(found) + 1))
    return gpd.GeoDataFrame(found, geometry="geometry", crs=crs)


def _rise_of(table: gpd.GeoDataFrame, chains: list[Ints], found: pd.DataFrame) -> Floats:
    """Rise of the throw that another tee or pin does away with: the first, or the last [m]."""
    rise = table["rise_m"].to_numpy()
    return np.array(
        [
            rise[chains[row][0 if what == "tee" else -1]]
            for row, what in zip(found["row"], found["position"], strict=True)
        ]
    )


def _other_tees(
    table: gpd.GeoDataFrame,
    holes: gpd.GeoDataFrame,
    chains: list[Ints],
    levels: tuple[Level, ...],
    further: Further,
) -> list[Wanted]:
    """Hole (row), position, level, rows of tee and end site, and what is left to play [m]."""
    spots = shapely.get_coordinates(further.tees.geometry.to_numpy())
    if not len(spots):
        return []
    tree = cKDTree(spots)
    shapes, length = table.geometry.to_numpy(), table["length_m"].to_numpy()
    end_rows = rows_of_sites(further.baskets, table["end_id"].to_numpy())
    throws = {level.name: level.tee_throw for level in levels}
    wanted: list[Wanted] = []
    for row, (chain, own) in enumerate(zip(chains, holes["level"], strict=True)):
        ends = shapely.get_coordinates(shapes[chain[0]])[[0, -1]]
        for level in levels:
            if level.name == own or end_rows[chain[0]] < 0:
                continue
            share = min(throws[level.name] / throws[own], level.tee_throw / length[chain[0]])
            aim = ends[1] + (ends[0] - ends[1]) * share
            near = [
                i
                for i in tree.query_ball_point(aim, ASIDE)
                if np.hypot(*(spots[i] - ends[0])) > APART
            ]
            if near:
                tee = min(near, key=lambda i: (np.hypot(*(spots[i] - aim)), i))
                rest = float(length[chain[1:]].sum())
                wanted.append(Wanted(row, "tee", level.name, tee, int(end_rows[chain[0]]), rest))
    return wanted


def _other_pins(
    table: gpd.GeoDataFrame,
    holes: gpd.GeoDataFrame,
    chains: list[Ints],
    levels: tuple[Level, ...],
    further: Further,
    settings: HoleSettings,
) -> list[Wanted]:
    """As `_other_tees`, for pins of the hole's own level."""
    spots = shapely.get_coordinates(further.baskets.geometry.to_numpy())
    if not len(spots):
        return []
    tree = cKDTree(spots)
    slope = further.baskets["slope_pct"].to_numpy()
    shapes, length = table.geometry.to_numpy(), table["length_m"].to_numpy()
    tee_rows = rows_of_sites(further.tees, table["tee_id"].to_numpy())
    reach = {level.name: level.tee_throw for level in levels}
    wanted: list[Wanted] = []
    for row, (chain, level) in enumerate(zip(chains, holes["level"], strict=True)):
        last = chain[-1]
        tee, basket = shapely.get_coordinates(shapes[last])[[0, -1]]
        if tee_rows[last] < 0:
            continue
        longest = reach[level] * (1.0 if len(chain) == 1 else FAIRWAY_SHARE)
        near = np.array(sorted(tree.query_ball_point(basket, settings.pin_to)), np.int64)
        far = np.hypot(*(spots[near] - basket).T)
        thrown = np.hypot(*(spots[near] - tee).T)
        near = near[
            (far >= settings.pin_from) & (slope[near] <= settings.pin_slope) & (thrown <= longest)
        ]
        pins: list[int] = []
        for i in near[np.argsort(slope[near], kind="stable")]:
            if all(np.hypot(*(spots[i] - spots[j])) >= settings.pin_from for j in pins):
                pins.append(int(i))
            if len(pins) == PINS:
                break
        rest = float(length[chain[:-1]].sum())
        wanted += [Wanted(row, "pin", level, int(tee_rows[last]), pin, rest) for pin in pins]
    return wanted
