"""Other ways to play a hole: a bold or a safe route, and other tees and pins."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from lanewright.base.arrays import Floats, Ints
from lanewright.holes import par
from lanewright.holes.furtherlegs import Further, best_throws, with_legs
from lanewright.legs.scores import effective_length
from lanewright.settings.holes import HoleSettings
from lanewright.settings.levels import FAIRWAY_SHARE, Level

NONE = -1
DARING = 3.0  # m of water to carry from which a safe way is looked for
SAFER = 0.15  # clear rate by which a safe way must beat the bold one, unless it spares water
WAYS = 8  # safe ways tried for a hole
LONGER = 1.5  # length of a safe way over that of the bold one, at most
ROUND = 10.0  # m; a safe way leads so far round the line of the bold one, others so far from it
ASIDE = 10.0  # m that another tee may lie off the line of the hole
APART = 6.0  # m; nearer, a tee or a pin is the same one
SECTORS = 24  # directions of a circle
ZONES = 40  # landing zones thrown on from
PIN_RANGE = (8.0, 25.0)  # m from the basket to another pin; several pins spread wear (PDGA, Course
# Design Elements); how far is ours
PINS = 2
THROWS = 100  # at each of these: the standard error is at most 0.05
PIN_SLOPE = 20.0  # percent; steepest ground for another pin, as for a green that plays fair; ours


def second_routes(
    table: gpd.GeoDataFrame, holes: pd.DataFrame, good: Floats, level: Level, further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:  # fmt: skip
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
    table: gpd.GeoDataFrame, holes: pd.DataFrame, level: Level, further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:  # fmt: skip
    """One throw where the hole takes several."""
    tee_x, tee_y, end_x, end_y = holes[["tee_x", "tee_y", "end_x", "end_y"]].to_numpy(float).T
    far = np.hypot(end_x - tee_x, end_y - tee_y)
    which = np.flatnonzero((holes["throws"] > 1).to_numpy() & (far <= level.tee_throw))
    tee = _rows(further.tees, holes["tee_id"].to_numpy()[which])
    end = _rows(further.baskets, holes["end_id"].to_numpy()[which])
    tried = best_throws(further, level.name, tee, end)
    good = tried[tried["clear_rate"] >= settings.least_clear]
    first = len(table)
    routes = [
        (int(which[line]), np.array([first + i], np.int64)) for i, line in enumerate(good["line"])
    ]
    return with_legs(table, good), routes


def _safe(
    table: gpd.GeoDataFrame, holes: pd.DataFrame, good: Floats, level: Level, further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, list[tuple[int, Ints]]]:  # fmt: skip
    """Two throws by a landing zone aside, where one throw is daring."""
    daring = (holes["throws"] == 1) & (
        (holes["carry_water_m"] >= DARING) | (holes["clear_rate"] < settings.gap_share)
    )
    tees, stops = (
        shapely.get_coordinates(s.geometry.to_numpy()) for s in (further.tees, further.baskets)
    )
    if not daring.any() or not len(tees) or not len(stops):
        return table, []
    near, then = cKDTree(tees).query(stops)
    zones = np.flatnonzero((near <= settings.join) & (good >= settings.landing_share))
    nearest = float(further.thrower.players[0].flights.distance[0])
    wanted = []
    for row in np.flatnonzero(daring.to_numpy()):
        hole = holes.iloc[row]
        tee = np.array([hole["tee_x"], hole["tee_y"]])
        basket = np.array([hole["end_x"], hole["end_y"]])
        out, rest = (np.hypot(*(stops[zones] - spot).T) for spot in (tee, basket))
        way, off = basket - tee, stops[zones] - tee
        aside = np.abs(way[0] * off[:, 1] - way[1] * off[:, 0]) / np.hypot(*way)
        fits = (np.minimum(out, rest) >= nearest) & (rest <= level.fairway_throw)
        fits &= (out + rest <= LONGER * hole["length_m"]) & (aside >= ROUND)
        mine = zones[fits][np.lexsort((zones[fits], (out + rest)[fits]))]
        kept: list[int] = []
        for zone in mine:
            if all(np.hypot(*(stops[zone] - stops[k])) >= ROUND for k in kept):
                kept.append(int(zone))
            if len(kept) == WAYS:
                break
        wanted += [(int(row), zone, int(then[zone])) for zone in kept]
    if not wanted:
        return table, []
    rows, zone, start = np.array(wanted).T
    ends = _rows(further.baskets, holes["end_id"].to_numpy()[rows])
    first = best_throws(
        further, level.name, _rows(further.tees, holes["tee_id"].to_numpy()[rows]), zone
    )
    second = best_throws(further, level.name, start, ends)
    both = first.merge(
        second[["line", "clear_rate", "carry_water_m"]], on="line", suffixes=("", "_then")
    )
    bold = holes.iloc[rows[both["line"]]]
    clear = (both["clear_rate"] * both["clear_rate_then"]).to_numpy()
    carry = both[["carry_water_m", "carry_water_m_then"]].max(axis=1).to_numpy()
    spares = carry <= np.minimum(bold["carry_water_m"].to_numpy() / 2, DARING)
    safer = clear >= bold["clear_rate"].to_numpy() + SAFER
    choice = (safer & (carry <= bold["carry_water_m"].to_numpy())) | (
        spares & (clear >= bold["clear_rate"].to_numpy())
    )
    told = pd.DataFrame(
        {
            "line": both["line"], "hole": rows[both["line"]], "clear": clear,
            "carries": carry >= DARING,
        }
    )[choice]  # fmt: skip
    told = told.sort_values(
        ["hole", "carries", "clear", "line"], ascending=[True, True, False, True]
    )
    told = told.drop_duplicates("hole")
    legs = pd.concat(
        [
            frame[frame["line"] == line]
            for line in told["line"]
            for frame in (first, second)
        ]
    ) if len(told) else first.iloc[:0]  # fmt: skip
    at = len(table)
    routes = [
        (int(hole), np.array([at + 2 * i, at + 2 * i + 1])) for i, hole in enumerate(told["hole"])
    ]
    return with_legs(table, gpd.GeoDataFrame(legs, geometry="geometry", crs=table.crs)), routes


def throws_on(
    table: gpd.GeoDataFrame, mine: Ints, lands: Floats, level: Level, further: Further,
    settings: HoleSettings,
) -> gpd.GeoDataFrame:  # fmt: skip
    """Throw on from where legs land well, for land on which too few legs follow one another.

    From each landing zone, best legs first, one line is tried in each of `SECTORS` directions near
    and far, to the roomiest end site there.

    Parameters
    ----------
    table, mine, lands
        The legs table, rows of the level's legs, and share of throws that land well (legs,).
    level, further, settings
        As in `second_routes`.

    Returns
    -------
    GeoDataFrame
        The table with new legs at its end.
    """
    tees, stops = (
        shapely.get_coordinates(s.geometry.to_numpy()) for s in (further.tees, further.baskets)
    )
    good = mine[lands[mine] >= settings.landing_share]
    good = good[np.argsort(-table["score"].to_numpy()[good], kind="stable")]
    if not good.size or not len(tees) or not len(stops):
        return table
    shapes = table.geometry.to_numpy()[good]
    start, end = (shapely.get_coordinates(shapely.get_point(shapes, i)) for i in (0, -1))
    near, tee = cKDTree(tees).query(end)
    room = further.baskets["free_width_m"].to_numpy()
    nearest = float(further.thrower.players[0].flights.distance[0])
    zones: list[int] = []
    wanted: list[tuple[int, int]] = []
    for i in np.flatnonzero(near <= settings.join):
        if any(np.hypot(*(end[i] - end[z])) < ROUND for z in zones):
            continue
        zones.append(int(i))
        off = stops - tees[tee[i]]
        far = np.hypot(*off.T)
        way = end[i] - start[i]
        turn = np.arctan2(way[0] * off[:, 1] - way[1] * off[:, 0], off @ way)
        fits = (far >= nearest) & (far <= level.fairway_throw)
        fits = np.flatnonzero(fits & (np.abs(np.degrees(turn)) <= settings.max_bend))
        sector = np.floor(turn[fits] / (2 * np.pi) * SECTORS).astype(np.int64) * 2
        sector += far[fits] > (nearest + level.fairway_throw) / 2
        roomy = np.argsort(-room[fits], kind="stable")
        first = ~pd.Series(sector[roomy]).duplicated().to_numpy()
        wanted += [(int(tee[i]), int(stop)) for stop in fits[roomy[first]]]
        if len(zones) == ZONES:
            break
    if not wanted:
        return table
    rows, ends = np.array(wanted).T
    tried = best_throws(further, level.name, rows, ends, THROWS)
    return with_legs(table, tried[tried["clear_rate"] >= settings.least_clear])


def _rows(sites: gpd.GeoDataFrame, ids: Ints) -> Ints:
    """Rows of sites by number."""
    return np.asarray(pd.Index(sites["site_id"]).get_indexer(pd.Index(ids)), np.int64)


# ---------------------------------------------------------------------------------------------
# Tees and pins


def other_positions(
    table: gpd.GeoDataFrame, holes: gpd.GeoDataFrame, levels: tuple[Level, ...], further: Further,
    settings: HoleSettings,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:  # fmt: skip
    """Find a tee for every other level and a few more pins for each hole.

    Another level's tee lies on the line of the first throw, as much nearer to its landing or
    farther from it as the level throws shorter or longer; the throw from there is tried. Pins lie
    `PIN_RANGE` from the basket, on ground that holds one. They are not held against other holes.

    Parameters
    ----------
    table
        The legs table.
    holes
        Candidate holes with `hole_id` and what was measured of them.
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
    chains = [numbers.get_indexer([int(i) for i in text.split()]) for text in holes["legs"]]
    frames = []
    wanted = [*_other_tees(table, holes, chains, levels, further),
              *_other_pins(table, holes, chains, levels, further)]  # fmt: skip
    sites = {"tee": further.tees, "pin": further.baskets}
    for level in levels:
        mine = [w for w in wanted if w[2] == level.name]
        if not mine:
            continue
        tried = best_throws(
            further,
            level.name,
            np.array([w[3] for w in mine]),
            np.array([w[4] for w in mine]),
            THROWS,
        )
        tried = tried[tried["clear_rate"] >= settings.least_clear]
        first = int(table["leg_id"].max()) + 1
        table = with_legs(table, tried)
        told = pd.DataFrame(mine, columns=["row", "position", "level", "tee", "end", "rest"])
        told.loc[tried["line"], "leg_id"] = np.arange(first, first + len(tried))
        for name in ("clear_rate", "length_m", "rise_m"):
            told.loc[tried["line"], name] = tried[name].to_numpy()
        told = told[told["leg_id"].notna()]
        hole = holes.iloc[told["row"]]
        told["hole_id"] = hole["hole_id"].to_numpy()
        rest_rise = hole["rise_m"].to_numpy() - _rise_of(table, chains, told)
        length = told["length_m"] + told["rest"]
        effective = effective_length(length.to_numpy(), (told["rise_m"] + rest_rise).to_numpy())
        told["length_m"], told["effective_length_m"] = length, effective
        told["par"] = [
            par.par_of(level, e, f, settings.min_par)
            for e, f in zip(effective, hole["foliage"], strict=True)
        ]
        spot = np.where(told["position"] == "tee", told["tee"], told["end"])
        told["site_id"] = [
            sites[what]["site_id"].iloc[i] for what, i in zip(told["position"], spot, strict=True)
        ]
        told["geometry"] = [
            sites[what].geometry.iloc[i] for what, i in zip(told["position"], spot, strict=True)
        ]
        frames.append(told)
    names = ["hole_id", "position", "level", "site_id", "length_m", "effective_length_m", "par",
             "leg_id", "clear_rate", "geometry"]  # fmt: skip
    if not frames:
        return gpd.GeoDataFrame(columns=["position_id", *names], geometry=[], crs=table.crs), table
    positions = pd.concat(frames, ignore_index=True)[names].sort_values(
        ["hole_id", "position", "level", "site_id"], kind="stable", ignore_index=True
    )
    positions["leg_id"] = positions["leg_id"].astype(np.int64)
    positions.insert(0, "position_id", np.arange(1, len(positions) + 1))
    return gpd.GeoDataFrame(positions, geometry="geometry", crs=table.crs), table


def _rise_of(table: gpd.GeoDataFrame, chains: list[Ints], told: pd.DataFrame) -> Floats:
    """Rise of the throw that another tee or pin does away with: the first, or the last [m]."""
    rise = table["rise_m"].to_numpy()
    return np.array(
        [
            rise[chains[row][0 if what == "tee" else -1]]
            for row, what in zip(told["row"], told["position"], strict=True)
        ]
    )


Wanted = tuple[int, str, str, int, int, float]


def _other_tees(
    table: gpd.GeoDataFrame, holes: gpd.GeoDataFrame, chains: list[Ints],
    levels: tuple[Level, ...], further: Further,
) -> list[Wanted]:  # fmt: skip
    """Hole (row), position, level, rows of tee and end site, and what is left to play [m]."""
    spots = shapely.get_coordinates(further.tees.geometry.to_numpy())
    if not len(spots):
        return []
    tree = cKDTree(spots)
    shapes, length = table.geometry.to_numpy(), table["length_m"].to_numpy()
    end_rows = _rows(further.baskets, table["end_id"].to_numpy())
    throws = {level.name: level.tee_throw for level in levels}
    wanted: list[Wanted] = []
    for row, (chain, own) in enumerate(zip(chains, holes["level"], strict=True)):
        ends = shapely.get_coordinates(shapes[chain[0]])[[0, -1]]
        for level in levels:
            if level.name == own or end_rows[chain[0]] < 0:
                continue
            share = min(throws[level.name] / throws[own], level.tee_throw / length[chain[0]])
            aim = ends[1] + (ends[0] - ends[1]) * share
            near = [i for i in tree.query_ball_point(aim, ASIDE)
                    if np.hypot(*(spots[i] - ends[0])) > APART]  # fmt: skip
            if near:
                tee = min(near, key=lambda i: (np.hypot(*(spots[i] - aim)), i))
                rest = float(length[chain[1:]].sum())
                wanted.append((row, "tee", level.name, tee, int(end_rows[chain[0]]), rest))
    return wanted


def _other_pins(
    table: gpd.GeoDataFrame, holes: gpd.GeoDataFrame, chains: list[Ints],
    levels: tuple[Level, ...], further: Further,
) -> list[Wanted]:  # fmt: skip
    """As `_other_tees`, for pins of the hole's own level."""
    spots = shapely.get_coordinates(further.baskets.geometry.to_numpy())
    if not len(spots):
        return []
    tree = cKDTree(spots)
    slope = further.baskets["slope_pct"].to_numpy()
    shapes, length = table.geometry.to_numpy(), table["length_m"].to_numpy()
    tee_rows = _rows(further.tees, table["tee_id"].to_numpy())
    reach = {level.name: level.tee_throw for level in levels}
    wanted: list[Wanted] = []
    for row, (chain, level) in enumerate(zip(chains, holes["level"], strict=True)):
        last = chain[-1]
        tee, basket = shapely.get_coordinates(shapes[last])[[0, -1]]
        if tee_rows[last] < 0:
            continue
        longest = reach[level] * (1.0 if len(chain) == 1 else FAIRWAY_SHARE)
        near = np.array(sorted(tree.query_ball_point(basket, PIN_RANGE[1])), np.int64)
        far = np.hypot(*(spots[near] - basket).T)
        thrown = np.hypot(*(spots[near] - tee).T)
        near = near[(far >= PIN_RANGE[0]) & (slope[near] <= PIN_SLOPE) & (thrown <= longest)]
        pins: list[int] = []
        for i in near[np.argsort(slope[near], kind="stable")]:
            if all(np.hypot(*(spots[i] - spots[j])) >= PIN_RANGE[0] for j in pins):
                pins.append(int(i))
            if len(pins) == PINS:
                break
        rest = float(length[chain[:-1]].sum())
        wanted += [(row, "pin", level, int(tee_rows[last]), pin, rest) for pin in pins]
    return wanted
