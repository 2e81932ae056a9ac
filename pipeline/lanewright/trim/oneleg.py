"""The plan of one leg: the least work by throws of its own, promised by those that scored it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import geopandas as gpd
import numba
import numpy as np
import pandas as pd

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.flight.flight import TARGET
from lanewright.legs import throwing
from lanewright.legs.contacts import Contacts
from lanewright.legs.thrower import Player
from lanewright.legs.throwing import Lines
from lanewright.settings.trim import TrimSettings
from lanewright.trim import treework
from lanewright.trim.leastwork import Case, by_worth, choose
from lanewright.trim.pieces import Pieces, find_pieces, offered, with_trees
from lanewright.trim.sorting import REST, Entries, Sorted, entries_of, sort_entries
from lanewright.trim.standing import BRUSH, LIMBS, TREE, Growth, Met

AT_ONCE = 8  # legs whose throws are held in memory together
ROUNDS = 8  # times the choice may be tightened until the promise holds
BIT_OF_IT = 0.9  # share of what can be won that is gone for where the wish is out of reach
WORTH_IT = 0.03  # of clear rate that work must win where the wish is out of reach
VOLUME_PRICE = 0.01  # h per m3: of sets that cost the same, the one that leaves more standing; ours


def wished_of(lane_kind: object, settings: TrimSettings) -> float:
    """Clear rate wished for in a kind of lane."""
    kind = lane_kind if isinstance(lane_kind, str) else "lane"
    return float(getattr(settings.wished, kind))


def bare_row(settings: TrimSettings, leg: pd.Series) -> dict[str, object]:
    """Row of a leg that is clear enough in both seasons; nothing was looked for on it."""
    rate, leafy = float(leg["clear_rate"]), float(leg["clear_rate_leaf_on"])
    return {
        "leg_id": int(leg["leg_id"]),
        "wished": wished_of(leg["lane_kind"], settings),
        "clear_rate": rate,
        "promised": rate,
        "promised_se": float(leg["clear_rate_se"]),
        "leaf_on": leafy,
        "leaf_on_promised": leafy,
        "hours_low": 0.0,
        "hours_high": 0.0,
        "pieces": 0,
        "felled": 0,
        "reached": True,
        "most": np.nan,
        "why": "",
        "gap": np.nan,
        "hours_leaf_low": 0.0,
        "hours_leaf_high": 0.0,
        "reached_leaf": True,
    }


@dataclass(frozen=True)
class Planned:
    """One leg's plan; arrays by piece."""

    leg_id: int
    row: dict[str, object]
    pieces: Pieces
    left: Floats  # m left of the flight
    hours: Floats  # (pieces, 2)
    chosen: Flags
    gain: Floats
    rank: Ints
    length: float


def planned_legs(
    growth: Growth, contacts: Contacts, player: Player, legs: gpd.GeoDataFrame, throws: int
) -> Iterator[Planned]:
    """Plan the legs of one level, one after the other; `throws` are those that scored them."""
    grid, flights, settings = growth.scene.grid, player.flights, growth.settings
    if len(legs) == 0:
        return
    lines = Lines.of(legs)
    tee, end = (
        np.column_stack(grid.xy(lines.tee_row, lines.tee_col)),
        np.column_stack(grid.xy(lines.end_row, lines.end_col)),
    )
    seeds = throwing.seeds_of(player.name, lines, *tee.T, *end.T)
    others = seeds ^ np.uint64(0x7472696D)
    length = throwing.length_of(lines, grid.cell)
    leaf = None if contacts.surveyed_in_leaf else contacts.leaf.astype(float)

    def plan(i: int, ours: Met, scored: Met) -> Planned:
        b = flights.bin_of(length[i : i + 1])[0]
        rise = np.asarray(contacts.ground[lines.end_row[i], lines.end_col[i]], float)
        rise = rise - contacts.ground[lines.tee_row[i], lines.tee_col[i]]
        g = flights.grade_of(length[i : i + 1], np.array([rise]))[0]
        way = flights.path[b, g, lines.arc[i], : TARGET + 1, :2].astype(float)
        return _plan_leg(growth, legs.iloc[i], (ours, scored), float(length[i]), way, leaf)

    for at in range(0, len(legs), AT_ONCE):
        part = np.arange(at, min(at + AT_ONCE, len(legs)))
        mets = [
            _by_line(
                throwing.meetings(
                    lines.take(part), flights, player.paths, contacts, s[part], n, grid.cell
                ),
                len(part),
            )
            for s, n in ((others, settings.throws), (seeds, throws))
        ]
        # Solver and kernels let go of the interpreter.
        with ThreadPoolExecutor(numba.get_num_threads()) as pool:
            yield from pool.map(plan, part, *mets)


def _by_line(met: throwing.Meetings, lines: int) -> list[Met]:
    edges = np.searchsorted(met.line, np.arange(lines + 1))
    return [
        Met(
            **{n: getattr(met, n)[a:b].astype(np.int64) for n in ("throw", "row", "col", "layer")},
            kind=met.kind[a:b],
            **{n: getattr(met, n)[a:b].astype(float) for n in ("depth", "along", "left", "height")},
            enough=met.enough[i].astype(float),
        )
        for i, (a, b) in enumerate(itertools.pairwise(edges))
    ]


def hours_of(growth: Growth, pieces: Pieces) -> Floats:
    """Hours of each piece, low and high (pieces, 2)."""
    settings, hours = growth.settings, np.zeros((len(pieces), 2))
    for action in (BRUSH, LIMBS, TREE):
        mine = pieces.action == action
        if not mine.any():
            continue
        if action == BRUSH:
            low, high = treework.brush_hours(
                pieces.area[mine], pieces.high[mine], pieces.density[mine], settings
            )
        elif action == LIMBS:
            low, high = treework.limb_hours(pieces.band[mine], settings)
        else:
            low, high = treework.fell_hours(growth.dbh[pieces.tree[mine]], settings)
        hours[mine] = np.column_stack([low, high])
    return hours


def cost_of(growth: Growth, pieces: Pieces, hours: Floats) -> Floats:
    """What a choice adds up: middle of the hours, a price on felling, a trifle for volume."""
    price = np.where(pieces.action == TREE, growth.settings.fell_price, 0.0)
    return np.asarray(np.maximum(hours.mean(1) + price + VOLUME_PRICE * pieces.volume, 1e-3))


@dataclass(frozen=True)
class _Thrown:
    """Throws at a leg sorted by the pieces they meet, as surveyed and in leaf."""

    met: Met
    now: Sorted
    leafy: Sorted
    total: Floats
    total_leafy: Floats

    def case(self, cost: Floats, within: Ints, leafy: bool = False) -> Case:
        depth = (self.leafy if leafy else self.now).depth
        total = self.total_leafy if leafy else self.total
        return Case(depth, total - self.met.enough, cost, within, total)


def _thrown(entries: Entries, pieces: Pieces, leaf: Floats | None) -> _Thrown:
    met = entries.met
    now, leafy = sort_entries(entries, pieces, leaf)
    if leaf is None:
        return _Thrown(met, now, now, met.total, met.total)
    factor = np.where(met.kind != 1, leaf[met.layer], 1.0)
    total = np.bincount(met.throw, factor * met.depth, minlength=met.enough.size)
    return _Thrown(met, now, leafy, met.total, np.asarray(total, np.float64))


@dataclass(frozen=True)
class _Offer:
    """Pieces that may be cut on a leg, with the throws that choose among them and that judge."""

    pieces: Pieces
    hours: Floats
    choosing: _Thrown
    judging: _Thrown
    cost: Floats

    def cases(self, leafy: bool = False) -> tuple[Case, Case]:
        """To choose by, and to judge by."""
        within = self.pieces.within
        case = self.choosing.case(self.cost, within, leafy)
        return case, self.judging.case(self.cost, within, leafy)


def _offers(
    growth: Growth, wished: float, ours: Met, scored: Met, length: float, leaf: Floats | None
) -> _Offer:
    """Limbs and brush; trees too where only they bring the wish within reach, or freely."""
    pieces, unsure = offered(find_pieces(growth, ours, length), growth.settings)
    entries = [entries_of(growth, pieces, met, unsure) for met in (ours, scored)]

    def of(pieces: Pieces) -> _Offer:
        hours = hours_of(growth, pieces)
        choosing, judging = (_thrown(some, pieces, leaf) for some in entries)
        return _Offer(pieces, hours, choosing, judging, cost_of(growth, pieces, hours))

    offer = of(pieces)
    case, judged = offer.cases()
    goal = wished * ours.enough.size
    freely = growth.settings.fell == "freely"
    if _bare(judged) < wished and (freely or case.most < goal):
        more = with_trees(growth, pieces, ours, length)
        if len(more) > len(pieces) and ((felled := of(more)).cases()[0].most >= goal or freely):
            return felled
    return offer


def _bare(case: Case) -> float:
    """Clear rate without any work."""
    return case.rate(np.zeros(case.cost.size, bool))


def _plan_leg(
    growth: Growth,
    leg: pd.Series,
    mets: tuple[Met, Met],
    length: float,
    way: Floats,
    leaf: Floats | None,
) -> Planned:
    settings, wished = growth.settings, wished_of(leg["lane_kind"], growth.settings)
    offer = _offers(growth, wished, *mets, length, leaf)
    pieces, hours = offer.pieces, offer.hours
    case, judged = offer.cases()
    bare = _bare(judged)
    chosen, gap = _choice(case, judged, wished, bare, settings)
    promised, most = judged.rate(chosen), judged.rate(judged.offered)
    reached = promised >= wished or bare >= wished
    leafy_case, leafy_judged = offer.cases(leafy=True)
    leaf_bare = _bare(leafy_judged)
    leaf_chosen, _ = _choice(leafy_case, leafy_judged, wished, leaf_bare, settings, quickly=True)
    order = [*by_worth(case, among=chosen), *by_worth(case, after=chosen)]
    rank = np.full(len(pieces), len(order), np.int64)
    rank[order] = np.arange(1, len(order) + 1)
    row: dict[str, object] = {
        "leg_id": int(leg["leg_id"]),
        "wished": wished,
        "clear_rate": bare,
        "promised": promised,
        "promised_se": float(throwing.standard_error(judged.chances(chosen)[None])[0]),
        "leaf_on": leaf_bare,
        "leaf_on_promised": leafy_judged.rate(chosen),
        "hours_low": float(hours[chosen, 0].sum()),
        "hours_high": float(hours[chosen, 1].sum()),
        "pieces": int(chosen.sum()),
        "felled": int((chosen & (pieces.action == TREE)).sum()),
        "reached": bool(reached),
        "most": most,
        "why": "" if reached else _why_not(growth, offer.choosing, case, wished, most),
        "gap": gap,
        "hours_leaf_low": float(hours[leaf_chosen, 0].sum()),
        "hours_leaf_high": float(hours[leaf_chosen, 1].sum()),
        "reached_leaf": bool(leafy_judged.rate(leaf_chosen) >= wished),
    }
    left = pieces.left - length * np.interp(pieces.along, way[:, 0], way[:, 1])
    return Planned(
        int(leg["leg_id"]), row, pieces, left, hours, chosen, _gains(judged, chosen), rank, length
    )


def _choice(
    case: Case,
    judged: Case,
    wished: float,
    bare: float,
    settings: TrimSettings,
    *,
    quickly: bool = False,
) -> tuple[Flags, float]:
    """Least work by the choosing throws that holds what it promises on those that scored.

    The gap is NaN where the solver was not asked: `quickly`, nothing to choose, or out of reach.
    """
    none = np.zeros(case.cost.size, bool)
    throws = case.need.size
    if bare >= wished or case.cost.size == 0:
        return none, np.nan
    most, now = case.most, int(case.clear(none).sum())
    goal = int(np.ceil(wished * throws - 1e-9))
    if most < settings.hopeless * goal:
        return none, np.nan
    if most < goal:
        goal = now + int(BIT_OF_IT * (most - now))
    if goal <= now:
        # The choosing throws already have it; those that scored do not: go for their shortfall.
        goal = now + int(np.ceil((wished - bare) * throws))
    best, gap = none, np.nan
    for _ in range(ROUNDS):
        got = choose(case, min(goal, most), None if quickly else settings.effort)
        best, gap = got.chosen, got.gap
        short = wished - judged.rate(best)
        if short <= 0 or goal >= most or most < wished * throws:
            break
        goal = min(goal + max(1, int(np.ceil(short * throws))), most)
    if most < wished * throws and judged.rate(best) < bare + WORTH_IT:
        return none, np.nan
    return best, gap


def _inside(case: Case, chosen: Flags) -> Flags:
    held = case.within >= 0
    out = np.zeros(chosen.size, bool)
    out[held] = chosen[case.within[held]]
    return out


def _gains(judged: Case, chosen: Flags) -> Floats:
    """Clear rate lost without each chosen piece, or won with each other one too."""
    base = judged.rate(chosen)
    inside = _inside(judged, chosen)
    out = np.zeros(chosen.size)
    for j in range(chosen.size):
        other = chosen.copy()
        if chosen[j]:
            other[j] = False
        elif inside[j]:
            continue
        else:
            other[judged.within == j] = False
            other[j] = True
        out[j] = abs(judged.rate(other) - base)
    return out


def _why_not(growth: Growth, choosing: _Thrown, case: Case, wished: float, most: float) -> str:
    """What stops the throws that no trimming makes clear, in words."""
    stopped = ~case.clear(case.offered)
    throws = stopped.size
    rest = choosing.now.rest.copy()
    felled = case.depth[:, case.offered].sum(1)
    trunks = choosing.now.trunk
    rest[:, 0] = np.maximum(choosing.total - felled - rest[:, 1:].sum(1), 0)
    main = rest.argmax(1)
    said = []
    for reason in np.argsort(-np.bincount(main[stopped], minlength=len(REST)), kind="stable"):
        share = (main[stopped] == reason).sum() / throws
        if share < 0.01:
            continue
        text = f"{REST[reason]} {share:.0%}"
        if reason == 0 and trunks.shape[1]:
            worst = int(choosing.now.trunk_tree[trunks[stopped].sum(0).argmax()])
            mine = choosing.met.kind == 1
            near = np.hypot(
                *(
                    np.array(growth.scene.grid.xy(choosing.met.row[mine], choosing.met.col[mine]))
                    - np.array([[growth.x[worst]], [growth.y[worst]]])
                )
            )
            text += f" (tree {growth.tree_id[worst]} most" + (
                f", {np.median(choosing.met.along[mine][near <= 1.0]):.0%} of the way)"
                if (near <= 1.0).any()
                else ")"
            )
        said.append(text)
    if most >= wished:
        return f"the wished {wished:.0%} is missed by less than the throws can tell"
    return (
        f"the wished {wished:.0%} is out of reach: with every piece gone {most:.0%} are clear; "
        f"throws stay stopped by {', '.join(said) if said else 'many small things'}"
    )
