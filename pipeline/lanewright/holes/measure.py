"""What is measured of a hole: the sums, means and extremes of its legs, par, foliage, score."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.rows import Row
from lanewright.holes import par
from lanewright.holes.chains import bend, ends_of
from lanewright.holes.judge import judged
from lanewright.legs.measure import KINDS
from lanewright.legs.scores import effective_length
from lanewright.settings.holes import HoleSettings
from lanewright.settings.judge import InterestSettings
from lanewright.settings.levels import Level

RATES = ("clear_rate", "clear_rate_low", "clear_rate_high", "clear_rate_leaf_on")


@dataclass(frozen=True)
class Played:
    """Legs, and how well each lands.

    Attributes
    ----------
    legs
        The legs table.
    lands : (legs,)
        Share of throws that come down well.
    """

    legs: gpd.GeoDataFrame
    lands: Floats


@dataclass(frozen=True)
class _Chained:
    """Values of the legs of holes, (holes, 3); those past the last leg are empty."""

    legs: gpd.GeoDataFrame
    chains: Ints

    @cached_property
    def there(self) -> Flags:
        return np.asarray(self.chains >= 0)

    @cached_property
    def rows(self) -> Ints:
        return np.where(self.there, self.chains, 0)

    @cached_property
    def throws(self) -> Ints:
        return np.asarray(self.there.sum(1), np.int64)

    @cached_property
    def last(self) -> Ints:
        return self.rows[np.arange(len(self.rows)), self.throws - 1]

    def each(self, name: str, empty: Any = np.nan) -> NDArray[Any]:
        return np.asarray(np.where(self.there, self.legs[name].to_numpy()[self.rows], empty))

    @cached_property
    def length(self) -> Floats:
        return np.asarray(self.each("length_m", 0.0), np.float64)

    @cached_property
    def weight(self) -> Floats:
        """Share of the hole's length."""
        return np.asarray(self.length / self.length.sum(1)[:, None])

    def mean(self, name: str) -> Floats:
        """Mean along the hole."""
        return np.asarray((self.each(name, 0.0) * self.weight).sum(1))


def measured(
    played: Played,
    chains: Ints,
    levels: tuple[Level, ...],
    level: Level,
    settings: HoleSettings,
    weights: InterestSettings | None = None,
) -> pd.DataFrame:
    """Measure holes; one row per chain in the columns of layer `holes` but its last few.

    Parameters
    ----------
    played
        The legs.
    chains : (holes, 3)
        Rows of legs.
    levels, level
        Who plays, and for whom these are.
    settings
        What forces a lay-up, and the lowest par.
    weights
        What each thing that makes a hole interesting counts.

    Returns
    -------
    DataFrame
        Besides, `chain` (rows of legs), `forced` (lay-ups), places of tee and basket, and the par
        of each level in `par_` with its name.
    """
    legs = played.legs
    held = _Chained(legs, chains)
    start, stop = ends_of(legs)
    bends = _bends(held, start, stop)
    forced = (np.abs(bends) >= settings.forced_bend) & held.there[:, 1:]
    total, rise = held.length.sum(1), held.each("rise_m", 0.0).sum(1)
    landing = np.where(held.there[:, 1:], played.lands[held.rows[:, :-1]], np.inf)
    landing = np.where(held.throws > 1, landing.min(1, initial=np.inf), np.nan)
    columns: Row = {
        "name": None,
        "origin": "search",
        "level": level.name,
        "chain": list(chains),
        "throws": held.throws,
        "tee_id": legs["tee_id"].to_numpy()[held.rows[:, 0]],
        "end_id": legs["end_id"].to_numpy()[held.last],
        "length_m": total,
        "effective_length_m": effective_length(total, rise),
        "rise_m": rise,
        "finish": held.each("finish", "")[:, 0],
        "bend_deg": bends.sum(1),
        "forced": forced.sum(1),
        **{name: np.where(held.there, held.each(name, 1.0), 1.0).prod(1) for name in RATES},
    }
    columns |= _kinds(held) | _pinch(held, level)
    columns |= {
        "roof_share": held.mean("roof_share"),
        "carry_water_m": held.each("carry_water_m", 0.0).max(1),
        "wet_share": held.mean("wet_share"),
        "seen_share": held.mean("seen_share"),
        "landing_share": landing,
        "foliage": _foliage(held),
        "tee_slope_pct": legs["tee_slope_pct"].to_numpy()[held.rows[:, 0]],
        "green_slope_pct": legs["landing_slope_pct"].to_numpy()[held.last],
        "miss_cost": _miss_cost(held, level),
        **judged(legs, chains, landing, settings.landing_share, weights or InterestSettings()),
        "tee_x": start[held.rows[:, 0], 0],
        "tee_y": start[held.rows[:, 0], 1],
        "end_x": stop[held.last, 0],
        "end_y": stop[held.last, 1],
    }
    for who in levels:
        columns[f"par_{who.name}"] = _pars(held, who, forced, columns, settings)
    columns |= {"par": columns[f"par_{level.name}"], "par_source": par.par_source(level)}
    return pd.DataFrame(columns)


def _bends(held: _Chained, start: Floats, stop: Floats) -> Floats:
    """Turn at each landing zone [degrees] (holes, 2), left above 0."""
    bends = np.zeros((len(held.chains), held.chains.shape[1] - 1))
    for i in range(bends.shape[1]):
        joined = held.there[:, i + 1]
        here, then = held.rows[joined, i], held.rows[joined, i + 1]
        bends[joined, i] = bend(stop[here] - start[here], stop[then] - start[then])
    return bends


def _kinds(held: _Chained) -> Row:
    """Kind of corridor that most of each hole runs in, and how much of it is wooded."""
    kinds = held.each("lane_kind", "none")
    shares = {kind: np.where(kinds == kind, held.weight, 0).sum(1) for kind in KINDS[1:]}
    kind = np.array(KINDS[1:], object)[np.argmax(list(shares.values()), 0)]
    kind[sum(shares.values()) == 0] = None  # without lidar nobody knows
    return {"lane_kind": kind, "wooded_share": shares["lane"] + shares["tunnel"]}


def _pinch(held: _Chained, level: Level) -> dict[str, Floats]:
    """Narrowest place of each hole, and the width that would be fair there; NaN unknown."""
    every = np.arange(len(held.chains))
    pinches = held.each("pinch_width_m", np.inf)
    pinches = np.where(np.isnan(pinches), np.inf, pinches)
    narrow = pinches.argmin(1)
    before = np.cumsum(held.length, 1) - held.length
    pinch, at = pinches[every, narrow], held.each("pinch_at_m")[every, narrow]
    known = np.isfinite(pinch)
    fair = par.fair_width(level.sideways(at))
    return {
        "pinch_width_m": np.where(known, pinch, np.nan),
        "pinch_at_m": np.where(known, before[every, narrow] + at, np.nan),
        "fair_width_m": np.where(known, fair, np.nan),
    }


def _foliage(held: _Chained) -> Floats:
    """Factor on the length of throws for the trees, mean along each hole."""
    pinches = held.each("pinch_width_m", np.inf)
    pinches = np.where(np.isfinite(pinches), pinches, 99.0)
    of = np.vectorize(par.foliage_of, otypes=[float])
    each = np.where(held.there, of(held.each("lane_kind", "none"), pinches), 0)
    return np.asarray((each * held.weight).sum(1))


def _pars(
    held: _Chained, who: Level, forced: Flags, hole: Row, settings: HoleSettings
) -> list[int]:
    """Par of each hole for a level."""
    effective = held.each("effective_length_m", 0.0)
    return [
        par.par_through(
            who,
            list(effective[i, :n]),
            list(forced[i, : n - 1]),
            hole["foliage"][i],
            settings.min_par,
            hole["effective_length_m"][i],
        )
        for i, n in enumerate(held.throws)
    ]


def _miss_cost(held: _Chained, level: Level) -> Floats:
    """Throws that misses cost on average, over the legs of holes.

    A throw that touches something falls where most that fail do, or at the narrowest place where
    that is not known; what is left to the end of the leg is a share of a fairway throw, at most a
    whole one. A throw that ends in water costs itself and a penalty, one off the property or in a
    keep-out the penalty. Where nobody followed the throws, one that misses over water is in it.
    """
    each, there, known = held.each, held.there, set(held.legs.columns)
    at = each("fail_at_m") if "fail_at_m" in known else each("pinch_at_m")
    at = np.where(np.isfinite(at), at, np.nan_to_num(each("pinch_at_m")))
    cost = np.clip((held.length - at) / level.fairway_throw, 0.25, 1.0)
    missed = 1 - np.nan_to_num(each("clear_rate", 1.0), nan=1.0)
    if {"lands_wet_share", "unsafe_share"} <= known:
        wet, unsafe = (np.nan_to_num(each(n, 0.0)) for n in ("lands_wet_share", "unsafe_share"))
        return np.asarray(np.where(there, missed * cost + 2 * wet + unsafe, 0).sum(1))
    cost = np.where(each("carry_water_m", 0.0) > 0, 2.0, cost)
    return np.asarray(np.where(there, missed * cost, 0).sum(1))
