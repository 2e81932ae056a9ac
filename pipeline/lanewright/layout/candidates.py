"""Candidate holes of one level: which may take part, and which pairs of them cannot.

Wishes of the designer are honoured here. What leaves the list is reported with its reason, for the
list of changes since the layout before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.holes import safety
from lanewright.holes.fairways import envelopes, fairways
from lanewright.layout.designer import SAME, Drawn, Hand
from lanewright.layout.firstfeatures import FirstFeatures
from lanewright.legs.cover import covering, squares_of
from lanewright.scene import Scene
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.levels import Level

SQUARE = 10.0
"""Metres; squares of tees take turns where not every candidate can be looked at; ours."""

SAME_PLACE = 12.0
"""Metres from tee to tee and from basket to basket within which two holes are one place; ours."""


@dataclass(frozen=True)
class Candidates:
    """Candidates of one level and what is known of them; arrays over candidates.

    Attributes
    ----------
    holes
        Rows of layer `holes`.
    tee, basket
        Places [m] (n, 2).
    must, place, wish
        Held in every round; number that it must have, or 0; 1 preferred, -1 to avoid, or 0.
    trim
        Hours of trimming, middle and high end of the range (n, 2).
    unplanned
        Where these are a guess, for nobody planned the work.
    conflicts
        Pairs that cannot both be in a round (k, 2).
    fire
        Where throws of each hole may come down or fly by.
    first, uses
        The first features of the land, and which candidates use them (n, features).
    """

    holes: gpd.GeoDataFrame
    tee: Floats
    basket: Floats
    must: Flags
    place: Ints
    wish: Ints
    trim: Floats
    unplanned: Flags
    conflicts: Ints
    fire: NDArray[np.object_]
    first: FirstFeatures
    uses: Flags

    def __len__(self) -> int:
        return len(self.holes)

    def take(self, rows: Ints) -> Candidates:
        """Some of the candidates, in that order."""
        new = np.full(len(self), -1)
        new[rows] = np.arange(len(rows))
        pairs = new[self.conflicts]
        return Candidates(
            holes=self.holes.iloc[rows].reset_index(drop=True),
            tee=self.tee[rows],
            basket=self.basket[rows],
            must=self.must[rows],
            place=self.place[rows],
            wish=self.wish[rows],
            trim=self.trim[rows],
            unplanned=self.unplanned[rows],
            conflicts=pairs[(pairs >= 0).all(1)],
            fire=self.fire[rows],
            first=self.first,
            uses=self.uses[rows],
        )

    def same_places(self, rows: Sequence[int]) -> Ints:
        """Candidates that lie where some of these do: tee and basket both within `SAME_PLACE`."""
        places = np.column_stack([self.tee, self.basket])
        away = np.abs(places[:, None] - places[np.array(rows, np.int64)][None])
        tee, basket = np.hypot(*away[..., :2].T).T, np.hypot(*away[..., 2:].T).T
        return np.flatnonzero(((tee <= SAME_PLACE) & (basket <= SAME_PLACE)).any(1))

    @property
    def apart(self) -> Flags:
        """Whether two candidates are in conflict (n, n)."""
        apart = np.zeros((len(self), len(self)), bool)
        apart[self.conflicts[:, 0], self.conflicts[:, 1]] = True
        return apart | apart.T


@dataclass
class Report:
    """What the designer should know, gathered while candidates are chosen.

    Attributes
    ----------
    warnings
        Sentences.
    gone
        Why a hole that the designer names, or of the layout before, is no candidate, by name.
    """

    warnings: list[str] = field(default_factory=list)
    gone: dict[str, str] = field(default_factory=dict)

    def against_the_rule(self, who: str, fault: dict[object, object], verb: str) -> None:
        """Warn of a rule that holes of the designer break."""
        self.warnings.append(
            f"{who} {verb}, against the rule: {fault['reason']}, {fault['distance_m']:.0f} m "
            f"where {fault['needed_m']:.0f} m are asked for"
        )


def ends_of(holes: gpd.GeoDataFrame) -> tuple[Floats, Floats]:
    """Tees and baskets of holes (n, 2): first and last place of their lines."""
    shapes = holes.geometry.to_numpy()
    return (
        shapely.get_coordinates(shapely.get_point(shapes, 0)).reshape(-1, 2),
        shapely.get_coordinates(shapely.get_point(shapes, -1)).reshape(-1, 2),
    )


@dataclass(frozen=True)
class _Wishes:
    """What the designer asks of each candidate; arrays (n,)."""

    must: Flags
    place: Ints
    wish: Ints
    out: Flags


def candidates_of(
    frame: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    scene: Scene,
    hand: Hand,
    settings: LayoutSettings,
    offered: tuple[FirstFeatures, Flags] | None = None,
) -> tuple[Candidates, list[str], Report]:
    """Candidates that may take part, why pairs of them are in conflict, and what to report.

    Parameters
    ----------
    frame
        Holes of one level.
    legs, levels, scene
        As in `safety.conflicts`.
    hand
        What the designer asks for.
    settings
        The section `layout`.
    offered
        The first features of the land, and which holes of the frame use them; None without.
    """
    report = Report()
    first, uses = offered or (FirstFeatures.none(), np.zeros((len(frame), 0), bool))
    names = frame["name"].astype(object).to_numpy() if len(frame) else np.empty(0, object)
    wishes = _areas(frame, names, hand, _wishes(frame, names, hand, report), report)
    rows = _fit(frame, legs, levels, scene, wishes, settings, report)
    kept = frame.iloc[rows].reset_index(drop=True)
    must = wishes.must[rows]
    pairs = safety.conflicts(kept, legs, levels, scene, settings.safety)
    pairs = _among_kept(pairs, kept, must, hand, report)
    ways = fairways(kept, legs, levels, settings.safety)
    tee, basket = ends_of(kept)
    hours, unplanned = _hours(kept)
    candidates = Candidates(
        holes=kept,
        tee=tee,
        basket=basket,
        must=must,
        place=wishes.place[rows],
        wish=wishes.wish[rows],
        trim=hours,
        unplanned=unplanned,
        conflicts=pairs[["first", "second"]].to_numpy(np.int64),
        fire=envelopes(ways, levels, len(kept), settings.safety),
        first=first,
        uses=uses[rows],
    )
    return candidates, list(pairs["reason"]), report


def _hours(holes: gpd.GeoDataFrame) -> tuple[Floats, Flags]:
    """Hours of trimming, middle and high end of the range (n, 2), and where they are unknown (n,).

    What nobody planned is not free: it counts as long as three in four of the planned ones that
    need any work take at the most, and 0 only where nothing at all was planned.
    """
    unknown = np.ones(len(holes), bool)
    if "trim_hours_low" not in holes:
        return np.zeros((len(holes), 2)), unknown
    low, high = (holes[f"trim_hours_{end}"].to_numpy(float) for end in ("low", "high"))
    hours = np.column_stack([(low + high) / 2, high])
    unknown = np.isnan(hours).any(1)
    work = hours[~unknown & (hours[:, 1] > 0)]
    hours[unknown] = np.quantile(work, 0.75, axis=0) if len(work) else 0.0
    return hours, unknown


def _wishes(
    frame: gpd.GeoDataFrame, names: NDArray[np.object_], hand: Hand, report: Report
) -> _Wishes:
    """What the designer asks of holes by name or, for those to avoid, by place."""
    tee, basket = ends_of(frame)
    count = len(frame)
    must, out = np.zeros((2, count), bool)
    place, wish = np.zeros((2, count), np.int64)
    for hole in hand.holes:
        mine = np.flatnonzero(names == (hole.key or hole.name))
        if hole.wish == "avoid":
            away = np.maximum(
                np.hypot(*(tee - np.array(hole.ends[0])).T),
                np.hypot(*(basket - np.array(hole.ends[1])).T),
            )
            out |= away <= SAME
            report.gone[hole.name] = "the designer avoids it"
        elif not mine.size:
            report.warnings.append(
                f"hole {hole.name} ({hole.wish}) is no hole for the level of the layout: one of "
                "its throws is longer than the level throws, or cannot be scored"
            )
            report.gone[hole.name] = "it cannot be played by the level of the layout"
        elif hole.wish == "prefer":
            wish[mine] = 1
        else:
            best = mine[frame["score"].to_numpy()[mine].argmax()]
            must[best], place[best] = True, hole.order
    return _Wishes(must, place, wish, out)


def _areas(
    frame: gpd.GeoDataFrame, names: NDArray[np.object_], hand: Hand, wishes: _Wishes, report: Report
) -> _Wishes:
    """Wishes with the designer's areas: holes go that come into one to keep out of."""
    no_go, shun = hand.area("keep out"), hand.area("avoid")
    shapes = frame.geometry.to_numpy()
    inside = shapely.intersects(shapes, no_go)
    for row in np.flatnonzero(inside & wishes.must):
        report.warnings.append(
            f"hole {names[row]} is kept though it comes into an area to keep out of"
        )
    for number, name, wkt in hand.before:
        if shapely.intersects(shapely.from_wkt(wkt), no_go):
            report.gone.setdefault(name, f"hole {number} comes into an area to keep out of")
    shunned = shapely.intersects(shapes, shun) & ~wishes.must
    return _Wishes(
        wishes.must,
        wishes.place,
        np.where(shunned, -1, wishes.wish),
        wishes.out | (inside & ~wishes.must),
    )


def _fit(
    frame: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    levels: Sequence[Level],
    scene: Scene,
    wishes: _Wishes,
    settings: LayoutSettings,
    report: Report,
) -> Ints:
    """Rows of fair holes that keep the rules towards the land, or that the designer wants."""
    unfit = safety.alone(frame, legs, levels, scene, settings.safety)
    for fault in unfit.to_dict("records"):
        if wishes.must[fault["hole"]]:
            report.against_the_rule(frame["name"].iloc[fault["hole"]], fault, "is kept")
    first = wishes.must | (wishes.wish > 0)
    out = wishes.out | ((frame["fair"].to_numpy() == "no") & ~first)
    alone = unfit["hole"].to_numpy(np.int64)
    out[alone[~wishes.must[alone]]] = True
    rows = np.flatnonzero(~out)
    order = rows[np.lexsort((rows, -frame["score"].to_numpy(float)[rows], ~first[rows]))]
    squares = squares_of(np.column_stack(ends_of(frame)), SQUARE)
    # What the designer asks for is looked at whatever else covers its ground.
    return np.sort(covering(order, squares, [(first, 1.0)], settings.solver.most))


def _among_kept(
    pairs: pd.DataFrame, kept: gpd.GeoDataFrame, must: Flags, hand: Hand, report: Report
) -> pd.DataFrame:
    """Conflicts but for those among holes that the designer keeps; what is lost beside these."""
    names = kept["name"]
    both = must[pairs["first"].to_numpy()] & must[pairs["second"].to_numpy()]
    for pair in pairs[both].to_dict("records"):
        who = f"{names.iloc[pair['first']]} and {names.iloc[pair['second']]}"
        report.against_the_rule(who, pair, "are both kept")
    pairs = pairs[~both]
    tee, basket = ends_of(kept)
    former = [(name, Drawn(name, "", wkt, "").ends) for _, name, wkt in hand.before]
    beside = must[pairs["first"].to_numpy()] | must[pairs["second"].to_numpy()]
    for pair in pairs[beside].to_dict("records"):
        sides = pair["first"], pair["second"]
        for side, held in (sides, sides[::-1]):
            if not must[held]:
                continue
            for name, ends in former:
                away = tee[side] - ends[0], basket[side] - ends[1]
                if all(np.hypot(*off) <= SAME for off in away):
                    why = f"beside {names.iloc[held]}: {pair['reason']}"
                    report.gone.setdefault(name, why)
    return pairs
