"""Other ways to play a hole: a bold or a safe route; and throws on from landing zones."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints
from lanewright.holes.chains import PLACES, ends_of
from lanewright.holes.furtherlegs import Further, best_throws, rows_of_sites, with_legs
from lanewright.holes.measure import Played
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import Level

WAYS = 8  # safe ways tried for a hole
LONGER = 1.5  # length of a safe way over that of the bold one, at most
ROUND = 10.0  # m; a safe way leads so far round the line of the bold one, others so far from it
SECTORS = 24  # directions of a circle
ZONES = 40  # landing zones thrown on from
THROWS = 100  # at each of these: the standard error is at most 0.05


def second_routes(
    table: gpd.GeoDataFrame,
    holes: pd.DataFrame,
    good: Floats,
    level: Level,
    further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:
    """Throw at second routes of holes and keep those that are a choice.

    A hole of several throws whose basket one throw reaches may be dared; a hole that carries water
    or squeezes through a gap may have a way round by a landing zone.

    Parameters
    ----------
    table
        The legs table, numbered from its first row on.
    holes
        Holes of one level, with `chain`, places and what was measured of them.
    good : (baskets,)
        Share of the ground around each basket site that takes a landing.
    level
        Who plays.
    further
        Throws from sites to sites.
    settings
        What a landing zone must be.

    Returns
    -------
    table
        With the new legs at its end.
    routes
        Row of the hole in `holes`, and rows of the legs of its second route.
    """
    table, bold = _bold(table, holes, level, further, settings)
    table, safe = _safe(table, holes, good, level, further, settings)
    return table, [*bold, *safe]


def _bold(
    table: gpd.GeoDataFrame,
    holes: pd.DataFrame,
    level: Level,
    further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:
    """One throw where the hole takes several."""
    tee_x, tee_y, end_x, end_y = holes[["tee_x", "tee_y", "end_x", "end_y"]].to_numpy(float).T
    far = np.hypot(end_x - tee_x, end_y - tee_y)
    which = np.flatnonzero((holes["throws"] > 1).to_numpy() & (far <= level.tee_throw))
    tee = rows_of_sites(further.tees, holes["tee_id"].to_numpy()[which])
    end = rows_of_sites(further.baskets, holes["end_id"].to_numpy()[which])
    tried = best_throws(further, level.name, tee, end)
    good = tried[tried["clear_rate"] >= settings.least_clear]
    first = len(table)
    routes = [
        (int(which[line]), np.array([first + i], np.int64)) for i, line in enumerate(good["line"])
    ]
    return with_legs(table, good), routes


def _safe(
    table: gpd.GeoDataFrame,
    holes: pd.DataFrame,
    good: Floats,
    level: Level,
    further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:
    """Two throws by a landing zone aside, where one throw is daring."""
    wanted = _ways_round(holes, good, level, further, settings)
    if not wanted.size:
        return table, []
    rows, zone, start = wanted.T
    begin = rows_of_sites(further.tees, holes["tee_id"].to_numpy()[rows])
    ends = rows_of_sites(further.baskets, holes["end_id"].to_numpy()[rows])
    first = best_throws(further, level.name, begin, zone)
    second = best_throws(further, level.name, start, ends)
    ways = _safest(first, second, holes, rows, settings)
    at, parts = len(table), [first.iloc[:0]]
    for line in ways["line"]:
        parts += [first[first["line"] == line], second[second["line"] == line]]
    legs = gpd.GeoDataFrame(pd.concat(parts), geometry="geometry", crs=table.crs)
    routes = [
        (int(hole), np.array([at + 2 * i, at + 2 * i + 1])) for i, hole in enumerate(ways["hole"])
    ]
    return with_legs(table, legs), routes


def _ways_round(
    holes: pd.DataFrame, good: Floats, level: Level, further: Further, settings: HoleSettings
) -> Ints:
    """Ways to try (n, 3): rows of the hole, of the landing zone's site, of the tee beside it."""
    daring = (holes["throws"] == 1) & (
        (holes["carry_water_m"] >= settings.daring) | (holes["clear_rate"] < settings.gap_share)
    )
    tees, stops = _places(further.tees), _places(further.baskets)
    if not daring.any() or not len(tees) or not len(stops):
        return np.empty((0, 3), np.int64)
    near, then = cKDTree(tees).query(stops)
    zones = np.flatnonzero((near <= settings.join) & (good >= settings.landing_share))
    nearest = float(further.thrower.players[0].flights.distance[0])
    wanted: list[tuple[int, int, int]] = []
    for row in np.flatnonzero(daring.to_numpy()):
        hole = holes.iloc[row]
        tee, basket = hole[PLACES].to_numpy(float).reshape(2, 2)
        out, rest = (np.hypot(*(stops[zones] - spot).T) for spot in (tee, basket))
        way, off = basket - tee, stops[zones] - tee
        aside = np.abs(way[0] * off[:, 1] - way[1] * off[:, 0]) / np.hypot(*way)
        fits = (np.minimum(out, rest) >= nearest) & (rest <= level.fairway_throw)
        fits &= (out + rest <= LONGER * hole["length_m"]) & (aside >= ROUND)
        mine = zones[fits][np.lexsort((zones[fits], (out + rest)[fits]))]
        wanted += [(int(row), zone, int(then[zone])) for zone in _apart(mine, stops, ROUND, WAYS)]
    return np.array(wanted, np.int64).reshape(-1, 3)


def _places(sites: gpd.GeoDataFrame) -> Floats:
    return np.asarray(shapely.get_coordinates(sites.geometry.to_numpy()))


def _apart(which: Ints, places: Floats, least: float, most: int) -> list[int]:
    """The first few of some places that lie at least so far from one another."""
    kept: list[int] = []
    for i in which:
        if all(np.hypot(*(places[i] - places[k])) >= least for k in kept):
            kept.append(int(i))
        if len(kept) == most:
            break
    return kept


def _safest(
    first: gpd.GeoDataFrame,
    second: gpd.GeoDataFrame,
    holes: pd.DataFrame,
    rows: Ints,
    settings: HoleSettings,
) -> pd.DataFrame:
    """Best way round of each hole that is a choice: `line`, `hole` (row)."""
    both = first.merge(
        second[["line", "clear_rate", "carry_water_m"]], on="line", suffixes=("", "_then")
    )
    bold = holes.iloc[rows[both["line"]]]
    clear = (both["clear_rate"] * both["clear_rate_then"]).to_numpy()
    carry = both[["carry_water_m", "carry_water_m_then"]].max(axis=1).to_numpy()
    before, rate = bold["carry_water_m"].to_numpy(), bold["clear_rate"].to_numpy()
    spares = (carry <= np.minimum(before / 2, settings.daring)) & (clear >= rate)
    safer = (clear >= rate + settings.safer) & (carry <= before)
    ways = pd.DataFrame(
        {
            "line": both["line"],
            "hole": rows[both["line"]],
            "clear": clear,
            "carries": carry >= settings.daring,
        }
    )[safer | spares]
    ascending = [True, True, False, True]
    ways = ways.sort_values(["hole", "carries", "clear", "line"], ascending=ascending)
    return pd.DataFrame(ways.drop_duplicates("hole"))


def throws_on(
    played: Played, mine: Ints, level: Level, further: Further, settings: HoleSettings
) -> gpd.GeoDataFrame:
    """Throw on from where legs land well, for land on which too few legs follow one another.

    From each landing zone, best legs first, one line is tried in each of `SECTORS` directions near
    and far, to the roomiest end site there.

    Parameters
    ----------
    played, mine
        The legs with the share of throws that land well, and rows of the level's.
    level, further, settings
        As in `second_routes`.

    Returns
    -------
    GeoDataFrame
        The table with new legs at its end.
    """
    table = played.legs
    tees, stops = _places(further.tees), _places(further.baskets)
    good = mine[played.lands[mine] >= settings.landing_share]
    good = good[np.argsort(-table["promise"].to_numpy()[good], kind="stable")]
    if not good.size or not len(tees) or not len(stops):
        return table
    start, end = ends_of(table.iloc[good])
    near, tee = cKDTree(tees).query(end)
    zones = _apart(np.flatnonzero(near <= settings.join), end, ROUND, ZONES)
    wanted = [
        (int(tee[i]), int(stop))
        for i in zones
        for stop in _directions(tees[tee[i]], end[i] - start[i], stops, level, further, settings)
    ]
    if not wanted:
        return table
    rows, ends = np.array(wanted).T
    tried = best_throws(further, level.name, rows, ends, THROWS)
    return with_legs(table, tried[tried["clear_rate"] >= settings.least_clear])


def _directions(
    place: Floats,
    way: Floats,
    stops: Floats,
    level: Level,
    further: Further,
    settings: HoleSettings,
) -> Ints:
    """Roomiest end site in each direction, near and far, that a throw may go on to."""
    nearest = float(further.thrower.players[0].flights.distance[0])
    off = stops - place
    far = np.hypot(*off.T)
    turn = np.arctan2(way[0] * off[:, 1] - way[1] * off[:, 0], off @ way)
    fits = (far >= nearest) & (far <= level.fairway_throw)
    some = np.flatnonzero(fits & (np.abs(np.degrees(turn)) <= settings.max_bend))
    sector = np.floor(turn[some] / (2 * np.pi) * SECTORS).astype(np.int64) * 2
    sector += far[some] > (nearest + level.fairway_throw) / 2
    room = further.baskets["free_width_m"].to_numpy()
    roomy = np.argsort(-room[some], kind="stable")
    first = ~pd.Series(sector[roomy]).duplicated().to_numpy()
    return np.asarray(some[roomy[first]])
