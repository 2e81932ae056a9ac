"""Stage trim: the least work that opens a leg, in pieces a crew can find.

For each leg the growth that failed throws meet is grouped into pieces (`pieces`), the least work
that makes enough throws clear is chosen (`leastwork`), and the pieces are priced and flagged
(`treework`). The choice rests on throws of its own; the clear rate before and the one promised are
those of the very throws that scored the leg, so the promise is no echo of the choice.

Felling is looked at only where all limbs and brush together do not reach the wished rate. What no
trimming can take, a trunk, growth too thin to point at, space that lidar did not see, is named.
"""

from __future__ import annotations

import itertools
import logging
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numba
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats, Ints
from lanewright.base.grid import Grid
from lanewright.base.outlines import cells_of
from lanewright.base.schema import LAYERS as SCHEMA
from lanewright.base.threads import kernel_threads
from lanewright.base.units import FOOT
from lanewright.flight.flight import TARGET, Flights, LevelFlights
from lanewright.growth.columns import LAYER_HEIGHT, LAYERS
from lanewright.holes.chains import Holes
from lanewright.kernels import trim as kernels
from lanewright.land.survey import Plan
from lanewright.legs import throwing
from lanewright.legs.scene import Scene
from lanewright.legs.throwing import Contacts, Lines
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.store import stage
from lanewright.trim import treework
from lanewright.trim.leastwork import Case, by_worth, choose
from lanewright.trim.pieces import (
    ACTIONS,
    BRUSH,
    KEPT,
    LIMBS,
    NO_TREE,
    REST,
    TREE,
    Growth,
    Met,
    Pieces,
    Sorted,
    cells_of_voxels,
    find_pieces,
    offered,
    outline,
    sort_entries,
    with_trees,
)

log = logging.getLogger(__name__)


AT_ONCE = 8  # legs whose throws are held in memory together
ROUNDS = 8  # times the choice may be tightened until the promise holds
SQUARE = 50.0  # m of ground that shares its places among the legs planned
BIT_OF_IT = 0.9  # share of what can be won that is gone for where the wish is out of reach
HOPELESS = 0.5  # share of the wish under which nothing is proposed if no more can be reached
WORTH_IT = 0.03  # of clear rate that work must win where the wish is out of reach
OVER = 1.0  # m from the line up to which a piece is over it
MIDDLE = 0.3  # m from the line up to which a piece counts for both sides
VOLUME_PRICE = 0.01  # h per m3: of sets that cost the same, the one that leaves more standing; ours
RUN_GAP, RUN_LENGTH, RUN_PIECES = 12.0, 12.0, 3  # m, m: limbs in a row along a side of the lane


@dataclass(frozen=True)
class Trim:
    """Trim work of the legs that were planned.

    Attributes
    ----------
    work
        Pieces in the columns of layer `trim_work`, feet left out; MultiPolygon.
    per_leg
        `leg_id`, `wished`, `clear_rate`, `promised`, `promised_se` (0-1), the same in leaf as
        `leaf_on` and `leaf_on_promised`, `hours_low`, `hours_high`, `pieces`, `felled`, `reached`,
        `most` (clear rate with every piece gone; NaN where none was looked for), `why` (what
        stands in the way, empty where reached), `gap` (share of the work that a better set could
        save at most), `hours_leaf_low`, `hours_leaf_high`, `reached_leaf` (the plan made for the
        leafy season, by hand, without a bound).
    curves
        `leg_id`, `step`, `work_id`, `hours_low`, `hours_high`, `clear_rate`: cutting piece by
        piece in order of `rank`; step 0 is the leg as it is.
    raises
        `leg_id`, `side`, `from_m`, `to_m`, `height_m`, `pieces`, `text`: low limbs in a row.
    trees
        `tree_id`, `legs`, `crown_share` (all chosen work together), `flag`.
    """

    work: gpd.GeoDataFrame
    per_leg: pd.DataFrame
    curves: pd.DataFrame
    raises: pd.DataFrame
    trees: pd.DataFrame
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


Keep = tuple[tuple[str, str], ...]


def read_keep(settings: TrimSettings, plan: Plan, assumed_crs: str | None = None) -> Keep:
    """What must stay, as (kind, WKT) in the working CRS; empty without a keep list.

    Raises
    ------
    InputError
        If the file cannot be read, or holds lines.
    """
    from lanewright.base.errors import InputError
    from lanewright.sources import vectors

    if settings.keep is None:
        return ()
    frame = vectors.in_working(
        settings.keep, vectors.read_vectors(settings.keep, assumed_crs), plan.working
    )
    shapes = shapely.get_parts(frame.geometry.to_numpy())
    wrong = sorted({s.geom_type for s in shapes} - {"Point", "Polygon"})
    if wrong:
        raise InputError(
            settings.keep,
            f"holds {', '.join(wrong)}; only points and polygons can be kept",
            "Draw each tree as a point and each patch as a closed polygon.",
        )
    bad = [i for i, s in enumerate(shapes, start=1) if not s.is_valid]
    if bad:
        raise InputError(
            settings.keep, f"its polygon {bad[0]} crosses itself", "Mend the outline there."
        )
    return tuple((s.geom_type, s.wkt) for s in shapes)


@stage("trim", version=7)
def plan_trim(
    scene: Scene,
    flights: Flights,
    holes: Holes,
    legs_settings: LegsSettings,
    settings: TrimSettings,
    keep: Keep = (),
    *,
    arrival: tuple[float, float] | None = None,
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Trim:
    """Plan the least trim work for the legs that holes use, and for the designer's own.

    Parameters
    ----------
    scene, flights, holes
        Results of the stages before; without lidar nothing is planned.
    legs_settings, settings
        The sections `legs` and `trim` of the configuration.
    keep
        What must stay; see `read_keep`.
    arrival
        Where the walk past all work begins, in the working CRS; by default the south-west.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    if not scene.surveyed:
        return _nothing(scene.grid, "no trim work: there is no lidar to see growth in")
    with kernel_threads(threads):
        growth, warnings = growth_of(scene, settings, legs_settings, keep)
        hard, clear = chosen_legs(holes.legs, holes.leg_ids, settings)
        return plan_legs(
            growth, flights, holes.legs.iloc[hard], legs_settings, clear=holes.legs.iloc[clear],
            arrival=arrival, warnings=warnings, progress=progress, holes=holes.holes,
        )  # fmt: skip


def growth_of(
    scene: Scene, settings: TrimSettings, legs_settings: LegsSettings, keep: Keep
) -> tuple[Growth, list[str]]:
    """Who owns which voxel, with what must stay marked; and warnings about the keep list."""
    grid = scene.grid
    kept = np.zeros(grid.shape, np.uint8)
    kept[cells_of(scene.keep_out, grid)] = KEPT.index("in a keep-out")
    kept[~cells_of(scene.land, grid)] = KEPT.index("off the property")
    if settings.buffer > 0 and scene.water.any():
        from scipy import ndimage

        near = ndimage.distance_transform_edt(~scene.water) * grid.cell <= settings.buffer
        kept[near & (kept == 0)] = KEPT.index("within the water's buffer")
    tops = scene.trees.geometry.to_numpy()
    kept_tree = np.zeros(len(tops), bool)
    shapes = [shapely.from_wkt(wkt) for _, wkt in keep]
    said = []
    for number, shape in enumerate(shapes, start=1):
        away = shape.distance(scene.land)
        if away > 0:
            said.append(
                f"keep list: its shape {number} lies {away:.0f} m ({away / FOOT:.0f} ft) off the "
                "property"
            )
        if shape.geom_type == "Polygon":
            kept_tree |= np.asarray(shapely.intersects(shape, tops), bool)
            kept[cells_of(shape, grid)] = KEPT.index("on the keep list")
            continue
        far = shapely.distance(shape, tops)
        if len(tops) and far.min() <= settings.keep_reach:
            kept_tree[far.argmin()] = True
        elif away == 0:
            nearest = f"; the nearest stands {far.min():.0f} m away" if len(tops) else ""
            said.append(
                f"keep list: no tree was found within {settings.keep_reach:g} m of its point "
                f"{number}{nearest}; everything within that reach stays"
            )
        kept[cells_of(shape.buffer(settings.keep_reach), grid)] = KEPT.index("on the keep list")
    return Growth(scene, settings, legs_settings.throw, kept, kept_tree), said


def chosen_legs(
    legs: gpd.GeoDataFrame, wanted: Ints | None, settings: TrimSettings
) -> tuple[Ints, Ints]:
    """Rows of the legs to plan, and of those that are clear enough in both seasons as they are.

    Planned are the designer's own, and of the wanted ones the best, spread over the land, up to
    the number in the settings.
    """
    own = legs["origin"].to_numpy() == "own"
    may = own | (np.ones(len(legs), bool) if wanted is None else np.isin(legs["leg_id"], wanted))
    wished = np.array([wished_of(kind, settings) for kind in legs["lane_kind"]])
    seasons = legs[["clear_rate", "clear_rate_leaf_on"]].to_numpy(float)
    clear = (seasons >= wished[:, None]).all(1)
    rows = np.flatnonzero(may & ~clear & ~own)
    if rows.size > settings.legs:
        start = shapely.get_coordinates(shapely.get_point(legs.geometry.to_numpy()[rows], 0))
        square = pd.DataFrame(np.floor(start / SQUARE).astype(np.int64))
        score = legs["score"].to_numpy()[rows]
        order = np.argsort(-score, kind="stable")
        turn = square.iloc[order].groupby([0, 1]).cumcount().to_numpy()
        rows = rows[order[np.argsort(turn, kind="stable")][: settings.legs]]
    return np.sort(np.r_[np.flatnonzero(own & ~clear), rows]), np.flatnonzero(may & clear)


def plan_legs(
    growth: Growth,
    flights: Flights,
    legs: gpd.GeoDataFrame,
    legs_settings: LegsSettings,
    *,
    clear: gpd.GeoDataFrame | None = None,
    arrival: tuple[float, float] | None = None,
    warnings: list[str] | None = None,
    holes: gpd.GeoDataFrame | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Trim:
    """Plan the least work of some legs, and add those that are `clear` enough; see `plan_trim`."""
    scene, settings = growth.scene, growth.settings
    contacts = throwing.contacts_of(scene, legs_settings.throw, scene.leaf_state)
    planned: list[_Planned] = []
    for level in flights.levels:
        mine = legs[legs["level"] == level.level.name]
        for got in _planned(growth, contacts, level, mine, legs_settings.throws, settings):
            planned.append(got)
            progress(0.95 * len(planned) / max(len(legs), 1))
    planned.sort(key=lambda p: p.leg_id)
    bare = [] if clear is None else [_bare_row(settings, leg) for _, leg in clear.iterrows()]
    own = set(legs["leg_id"][legs["origin"] == "own"])
    said = [*(warnings or []), *_out_of_reach(planned, own)]
    return _told(growth, planned, bare, arrival, said, holes)


# ---------------------------------------------------------------------------------------------
# One leg


def wished_of(lane_kind: object, settings: TrimSettings) -> float:
    """Clear rate wished for in a kind of lane."""
    kind = lane_kind if isinstance(lane_kind, str) else "lane"
    return float(getattr(settings.wished, kind))


def _bare_row(settings: TrimSettings, leg: pd.Series) -> dict[str, object]:
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
        "gap": 0.0,
        "hours_leaf_low": 0.0,
        "hours_leaf_high": 0.0,
        "reached_leaf": True,
    }


@dataclass(frozen=True)
class _Planned:
    """One leg's plan; arrays by piece."""

    leg_id: int
    row: dict[str, object]
    pieces: Pieces
    left: Floats  # m left of the flight
    hours: Floats  # (pieces, 2)
    chosen: Flags
    gain: Floats
    rank: Ints
    curve: Floats  # (steps + 1, 3): hours low, high, clear rate
    length: float


def _planned(
    growth: Growth, contacts: Contacts, flights: LevelFlights, legs: gpd.GeoDataFrame,
    throws: int, settings: TrimSettings,
) -> Iterator[_Planned]:  # fmt: skip
    grid = growth.scene.grid
    if len(legs) == 0:
        return
    lines = Lines.of(legs)
    paths = throwing.paths_of(flights)
    tee, end = (
        np.column_stack(grid.xy(lines.tee_row, lines.tee_col)),
        np.column_stack(grid.xy(lines.end_row, lines.end_col)),
    )
    seeds = throwing.seeds_of(flights.level.name, lines, *tee.T, *end.T)
    others = seeds ^ np.uint64(0x7472696D)
    length = throwing.length_of(lines, grid.cell)
    leaf = None if contacts.surveyed_in_leaf else contacts.leaf.astype(float)

    def plan(i: int, ours: Met, scored: Met) -> _Planned:
        b = flights.bin_of(length[i : i + 1])[0]
        rise = np.asarray(contacts.ground[lines.end_row[i], lines.end_col[i]], float)
        rise = rise - contacts.ground[lines.tee_row[i], lines.tee_col[i]]
        g = flights.grade_of(length[i : i + 1], np.array([rise]))[0]
        way = flights.path[b, g, lines.arc[i], : TARGET + 1, :2].astype(float)
        return _plan_leg(growth, legs.iloc[i], ours, scored, float(length[i]), way, leaf)

    for at in range(0, len(legs), AT_ONCE):
        part = np.arange(at, min(at + AT_ONCE, len(legs)))
        mets = [
            _by_line(
                throwing.meetings(
                    lines.take(part), flights, paths, contacts, s[part], n, grid.cell
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
        return Case(depth, total - self.met.enough, cost, within)


def _thrown(
    growth: Growth, pieces: Pieces, unsure: Pieces, met: Met, leaf: Floats | None
) -> _Thrown:
    now, leafy = sort_entries(growth, pieces, met, unsure, leaf)
    if leaf is None:
        return _Thrown(met, now, now, met.total, met.total)
    factor = np.where(met.kind != 1, leaf[met.layer], 1.0)
    total = np.bincount(met.throw, factor * met.depth, minlength=met.enough.size)
    return _Thrown(met, now, leafy, met.total, np.asarray(total, np.float64))


def _plan_leg(
    growth: Growth, leg: pd.Series, ours: Met, scored: Met, length: float, way: Floats,
    leaf: Floats | None,
) -> _Planned:  # fmt: skip
    settings = growth.settings
    wished = wished_of(leg["lane_kind"], settings)
    pieces, unsure = offered(find_pieces(growth, ours, length), settings)
    hours = hours_of(growth, pieces)
    cost = cost_of(growth, pieces, hours)
    choosing = _thrown(growth, pieces, unsure, ours, leaf)
    case = choosing.case(cost, pieces.within)
    judging = _thrown(growth, pieces, unsure, scored, leaf)
    told = judging.case(cost, pieces.within)
    bare = told.clear(np.zeros(len(pieces), bool)).mean()
    goal = wished * ours.enough.size
    if bare < wished and case.most < goal:
        more = with_trees(growth, pieces, ours, length)
        if len(more) > len(pieces):
            # Trees fall only where that brings the wish within reach.
            hours = hours_of(growth, more)
            cost = cost_of(growth, more, hours)
            choosing = _thrown(growth, more, unsure, ours, leaf)
            with_fell = choosing.case(cost, more.within)
            if with_fell.most >= goal:
                pieces, case = more, with_fell
                judging = _thrown(growth, pieces, unsure, scored, leaf)
                told = judging.case(cost, pieces.within)
            else:
                hours = hours_of(growth, pieces)
                cost = cost_of(growth, pieces, hours)
                choosing = _thrown(growth, pieces, unsure, ours, leaf)
    chosen, gap = _choice(case, told, wished, bare, settings.effort)
    promised = float(told.clear(chosen).mean())
    reached = promised >= wished or bare >= wished
    most = float(told.clear(told.offered).mean())
    leafy_case = choosing.case(cost, pieces.within, leafy=True)
    leafy_told = judging.case(cost, pieces.within, leafy=True)
    leaf_bare = float(leafy_told.clear(np.zeros(len(pieces), bool)).mean())
    leaf_chosen, _ = _choice(leafy_case, leafy_told, wished, leaf_bare, None)
    why = "" if reached else _why_not(growth, choosing, case, wished, most)
    order = [*by_worth(case, among=chosen), *by_worth(case, after=chosen)]
    rank = np.zeros(len(pieces), np.int64)
    rank[:] = len(order)
    rank[order] = np.arange(1, len(order) + 1)
    row: dict[str, object] = {
        "leg_id": int(leg["leg_id"]),
        "wished": wished,
        "clear_rate": float(bare),
        "promised": promised,
        "promised_se": float(throwing.standard_error(np.array([promised]), told.need.size)[0]),
        "leaf_on": leaf_bare,
        "leaf_on_promised": float(leafy_told.clear(chosen).mean()),
        "hours_low": float(hours[chosen, 0].sum()),
        "hours_high": float(hours[chosen, 1].sum()),
        "pieces": int(chosen.sum()),
        "felled": int((chosen & (pieces.action == TREE)).sum()),
        "reached": bool(reached),
        "most": most,
        "why": why,
        "gap": gap,
        "hours_leaf_low": float(hours[leaf_chosen, 0].sum()),
        "hours_leaf_high": float(hours[leaf_chosen, 1].sum()),
        "reached_leaf": bool(leafy_told.clear(leaf_chosen).mean() >= wished),
    }
    return _Planned(
        int(leg["leg_id"]), row, pieces,
        pieces.left - length * np.interp(pieces.along, way[:, 0], way[:, 1]),
        hours, chosen, _gains(told, chosen), rank, _curve(told, order, hours), length,
    )  # fmt: skip


def _choice(
    case: Case, told: Case, wished: float, bare: float, effort: float | None
) -> tuple[Flags, float]:
    """Least work by the choosing throws that holds what it promises on those that scored.

    Without `effort` the solver is not asked, and the gap is not known.
    """
    none = np.zeros(case.cost.size, bool)
    throws = case.need.size
    if bare >= wished or case.cost.size == 0:
        return none, 0.0
    most, now = case.most, int(case.clear(none).sum())
    goal = int(np.ceil(wished * throws - 1e-9))
    if most < HOPELESS * goal:
        return none, 0.0
    if most < goal:
        goal = now + int(BIT_OF_IT * (most - now))
    if goal <= now:
        # The choosing throws already have it; those that scored do not: go for their shortfall.
        goal = now + int(np.ceil((wished - bare) * throws))
    best, gap = none, 0.0
    for _ in range(ROUNDS):
        got = choose(case, min(goal, most), effort)
        best, gap = got.chosen, got.gap
        short = wished - float(told.clear(best).mean())
        if short <= 0 or goal >= most or most < wished * throws:
            break
        goal = min(goal + max(1, int(np.ceil(short * throws))), most)
    if most < wished * throws and told.clear(best).mean() < bare + WORTH_IT:
        return none, 0.0
    return best, gap


def _inside(case: Case, chosen: Flags) -> Flags:
    held = case.within >= 0
    out = np.zeros(chosen.size, bool)
    out[held] = chosen[case.within[held]]
    return out


def _gains(told: Case, chosen: Flags) -> Floats:
    """Clear rate lost without each chosen piece, or won with each other one too."""
    base = told.clear(chosen).mean()
    inside = _inside(told, chosen)
    out = np.zeros(chosen.size)
    for j in range(chosen.size):
        other = chosen.copy()
        if chosen[j]:
            other[j] = False
        elif inside[j]:
            continue
        else:
            other[told.within == j] = False
            other[j] = True
        out[j] = abs(told.clear(other).mean() - base)
    return out


def _curve(told: Case, order: list[int], hours: Floats) -> Floats:
    """Hours and clear rate as piece after piece goes."""
    chosen = np.zeros(told.cost.size, bool)
    out = [(0.0, 0.0, float(told.clear(chosen).mean()))]
    for j in order:
        chosen[told.within == j] = False
        chosen[j] = True
        low, high = hours[chosen].sum(0)
        out.append((float(low), float(high), float(told.clear(chosen).mean())))
    return np.array(out)


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


# ---------------------------------------------------------------------------------------------
# All legs together


def _out_of_reach(planned: list[_Planned], own: set[int]) -> list[str]:
    """Warnings about wished clear rates that no trimming reaches: which legs, and why."""
    short = [p for p in planned if not p.row["reached"]]
    said = [f"own leg {p.leg_id}: {p.row['why']}" for p in short if p.leg_id in own]
    others = len(short) - len(said)
    if others:
        said.append(
            f"{others} legs that holes could use do not reach the wished clear rate by trimming; "
            "summary.json says which and why"
        )
    return said


def _nothing(grid: Grid, warning: str | None = None) -> Trim:
    names = [c.name for c in SCHEMA["trim_work"].columns if c.derived is None]
    empty = gpd.GeoDataFrame({n: [] for n in names}, geometry=[], crs=grid.crs)
    return Trim(
        empty,
        pd.DataFrame(columns=list(_PER_LEG)),
        pd.DataFrame(columns=list(_CURVE)),
        pd.DataFrame(columns=["leg_id", "side", "from_m", "to_m", "height_m", "pieces", "text"]),
        pd.DataFrame(columns=["tree_id", "legs", "crown_share", "flag"]),
        {"legs": 0},
        () if warning is None else (warning,),
    )


_CURVE = ("leg_id", "step", "work_id", "hours_low", "hours_high", "clear_rate")
_PER_LEG = (
    "leg_id", "wished", "clear_rate", "promised", "promised_se", "leaf_on", "leaf_on_promised",
    "hours_low", "hours_high", "pieces", "felled", "reached", "most", "why", "gap",
    "hours_leaf_low", "hours_leaf_high", "reached_leaf",
)  # fmt: skip


def _told(
    growth: Growth, planned: list[_Planned], bare: list[dict[str, object]],
    arrival: tuple[float, float] | None, warnings: list[str], holes: gpd.GeoDataFrame | None,
) -> Trim:  # fmt: skip
    """Frames of all legs' plans."""
    grid = growth.scene.grid
    if not planned and not bare:
        return replace(_nothing(grid), warnings=tuple(warnings))
    per_leg = pd.DataFrame([*(p.row for p in planned), *bare], columns=list(_PER_LEG))
    per_leg = per_leg.sort_values("leg_id", kind="stable", ignore_index=True)
    rows: list[dict[str, object]] = []
    outlines: list[object] = []
    curves, raises = [], []
    taken: dict[int, list[Ints]] = {}
    users: dict[int, set[int]] = {}
    hole_of = _hole_of(holes)
    for p in planned:
        if len(p.pieces) == 0:
            continue
        first = len(rows) + 1
        share = _crown_shares(growth, p)
        for j in range(len(p.pieces)):
            rows.append(_row(growth, p, j, first + j, share[j], hole_of.get(p.leg_id)))
            outlines.append(_outline(growth, p.pieces, j))
            if p.chosen[j] and p.pieces.tree[j] != NO_TREE:
                taken.setdefault(int(p.pieces.tree[j]), []).append(p.pieces.voxels[j])
                users.setdefault(int(p.pieces.tree[j]), set()).add(p.leg_id)
        order = np.argsort(p.rank, kind="stable")
        steps = np.arange(len(p.curve))
        at = np.r_[0, first + order][: len(steps)]
        curves.append(
            pd.DataFrame(
                {
                    "leg_id": p.leg_id, "step": steps, "work_id": at,
                    "hours_low": p.curve[:, 0], "hours_high": p.curve[:, 1],
                    "clear_rate": p.curve[:, 2],
                }
            )
        )  # fmt: skip
        raises += raised(p.leg_id, _limbs_of(p))
    empty = _nothing(grid)
    if not rows:
        facts = _facts(per_leg, empty.work)
        return replace(empty, per_leg=per_leg, warnings=tuple(warnings), facts=facts)
    work = gpd.GeoDataFrame(rows, geometry=np.array(outlines, object), crs=grid.crs)
    work["piece_id"] = _piece_ids(work)
    work["walk_order"] = _walk_order(work, grid, arrival)
    for name in ("hole_id", "tree_id", "nearest_tree_id", "walk_order"):
        work[name] = work[name].astype("Int64")
    trees = _trees(growth, taken, users, planned)
    over = int((trees["crown_share"] > treework.MOST_FOLIAGE).sum())
    if over:
        warnings = [
            *warnings,
            f"{over} tree{'s' * (over > 1)} would lose more than a quarter of the live crown if "
            "all chosen trim work were done; see the flags",
        ]
    names = [c.name for c in SCHEMA["trim_work"].columns if c.derived is None]
    work = work[[*names, "geometry"]]
    return Trim(
        gpd.GeoDataFrame(work, geometry="geometry", crs=grid.crs),
        per_leg,
        pd.concat(curves, ignore_index=True) if curves else empty.curves,
        pd.DataFrame(raises, columns=list(empty.raises.columns)),
        trees,
        _facts(per_leg, work),
        tuple(warnings),
    )


def _hole_of(holes: gpd.GeoDataFrame | None) -> dict[int, int]:
    """Best hole of each leg."""
    out: dict[int, int] = {}
    if holes is None or "legs" not in holes:
        return out
    ordered = holes.sort_values(["score", "hole_id"], ascending=[False, True], kind="stable")
    for hole, legs in zip(ordered["hole_id"], ordered["legs"], strict=True):
        for leg in str(legs).replace(",", " ").split():
            out.setdefault(int(leg), int(hole))
    return out


def _outline(growth: Growth, pieces: Pieces, j: int) -> shapely.MultiPolygon:
    if pieces.action[j] == TREE:
        stem = shapely.Point(pieces.x[j], pieces.y[j]).buffer(float(growth.radius[pieces.tree[j]]))
        return shapely.MultiPolygon([stem])
    return outline(pieces.voxels[j], growth)


def _crown_shares(growth: Growth, p: _Planned) -> Floats:
    """Share of the tree's crown that a leg's chosen work takes; that of the piece if not chosen."""
    out = np.full(len(p.pieces), np.nan)
    for j in np.flatnonzero(p.pieces.tree != NO_TREE):
        t = int(p.pieces.tree[j])
        if p.pieces.action[j] == TREE:
            out[j] = 1.0
            continue
        same = p.chosen & (p.pieces.tree == t) if p.chosen[j] else np.arange(len(p.pieces)) == j
        total = growth.foliage(t).sum()
        out[j] = min(1.0, p.pieces.foliage[same].sum() / total) if total > 0 else 0.0
    return out


def _row(
    growth: Growth, p: _Planned, j: int, work_id: int, share: float, hole: int | None
) -> dict[str, object]:  # fmt: skip
    pieces, t = p.pieces, int(p.pieces.tree[j])
    action = int(pieces.action[j])
    nearest, away = growth.nearest(pieces.x[j : j + 1], pieces.y[j : j + 1])
    along = float(pieces.along[j]) * p.length
    off = float(p.left[j])
    side = "over" if abs(off) <= OVER else "left" if off > 0 else "right"
    flags, by = _flags(growth, p, j, share)
    return {
        "work_id": work_id,
        "piece_id": 0,
        "leg_id": p.leg_id,
        "hole_id": hole,
        "chosen": bool(p.chosen[j]),
        "action": ACTIONS[action],
        "low_m": pieces.low[j],
        "high_m": pieces.high[j],
        "reach": by,
        "hours_low": p.hours[j, 0],
        "hours_high": p.hours[j, 1],
        "clear_rate_gain": p.gain[j],
        "side": side,
        "along_m": along,
        "offset_m": off,
        "tree_id": int(growth.tree_id[t]) if t != NO_TREE else None,
        "nearest_tree_id": int(growth.tree_id[nearest[0]]) if nearest[0] != NO_TREE else None,
        "nearest_tree_m": float(away[0]),
        "volume_m3": pieces.volume[j],
        "area_m2": pieces.area[j],
        "sure": pieces.sure[j],
        "crown_share": share,
        "rank": int(p.rank[j]),
        "walk_order": None,
        "work": _words(growth, pieces, j, along, off, side, p.length),
        "flag": "; ".join(flags) if flags else None,
        "_x": pieces.x[j],
        "_y": pieces.y[j],
        "_tree": t,
        "_band": int(pieces.band[j]),
    }


def _both(metres: float, digits: int = 1) -> str:
    return f"{metres:.{digits}f} m ({metres / FOOT:.0f} ft)"


def _words(
    growth: Growth, pieces: Pieces, j: int, along: float, off: float, side: str, length: float
) -> str:
    """One piece for the crew."""
    place = f"{_both(along, 0)} from the tee, " + (
        "over the line" if side == "over" else f"{_both(abs(off))} {side} of the line"
    )
    t = int(pieces.tree[j])
    if pieces.action[j] == BRUSH:
        kind = treework.brush_class(pieces.high[j : j + 1], pieces.density[j : j + 1])[0]
        name = ("light", "medium", "heavy")[int(kind)]
        area = max(pieces.area[j], 1)
        size = f"{area:.0f} m² ({area / FOOT**2:.0f} ft²), up to {_both(pieces.high[j])} high"
        return f"cut {name} brush, {size}; {place}"
    if pieces.action[j] == TREE:
        return (
            f"fell tree {growth.tree_id[t]}, {_both(growth.height[t], 0)} high, stem about "
            f"{growth.dbh[t]:.0f} cm ({growth.dbh[t] / 2.54:.0f} in); {place}"
        )
    whose = f"tree {growth.tree_id[t]}" if t != NO_TREE else "a tree whose top lidar does not tell"
    low, high = pieces.low[j], pieces.high[j]
    return (
        f"take limbs of {whose} from {low:.1f} to {high:.1f} m ({low / FOOT:.0f} to "
        f"{high / FOOT:.0f} ft) up; {place}"
    )


def _flags(growth: Growth, p: _Planned, j: int, share: float) -> tuple[list[str], str]:
    """What to mind about a piece, and who should do it."""
    pieces, t = p.pieces, int(p.pieces.tree[j])
    action = int(pieces.action[j])
    flags = []
    by = treework.REACHES[
        {BRUSH: treework.HAND, LIMBS: int(pieces.band[j]), TREE: treework.SAWYER}[action]
    ]
    here = shapely.Point(pieces.x[j], pieces.y[j])
    wires = growth.scene.wires
    if len(wires):
        away = float(wires.geometry.distance(here).min())
        tall = growth.height[t] if action == TREE else 0.0
        if away <= max(treework.WIRE_CAUTION, tall):
            flags.append(f"a possible power line {_both(away, 0)} away: the utility first")
            by = treework.REACHES[treework.ARBORIST]
    if action == LIMBS and t != NO_TREE:
        same = p.chosen & (pieces.tree == t) if p.chosen[j] else np.arange(len(pieces)) == j
        flags += _dose(growth, t, [pieces.voxels[i] for i in np.flatnonzero(same)], share)
    if action == TREE:
        flags.append("felling is the last resort: no limbs alone reach the wished clear rate")
        flags.append("make sure there is a stem: of tops found from above, half are none")
        if growth.dbh[t] >= treework.ROOST_DBH_CM:
            flags.append("look for loose bark, cracks and bats first")
    row, col = growth.scene.grid.rowcol(np.array([pieces.x[j]]), np.array([pieces.y[j]]))
    row = np.clip(row, 0, growth.scene.grid.rows - 1)
    col = np.clip(col, 0, growth.scene.grid.cols - 1)
    slope = float(growth.scene.slope_pct[row, col][0])
    if slope >= STEEP_PCT:
        flags.append(f"steep ground ({slope:.0f} %) for a crew")
    if growth.scene.wet[row, col][0]:
        flags.append("wet ground")
    if action != TREE and pieces.sure[j] < 0.8:
        flags.append(f"lidar has searched only {pieces.sure[j]:.0%} of it")
    return flags, by


STEEP_PCT = 25.0
"""Slope from which a crew's footing is flagged; common practice, no source."""


def _dose(growth: Growth, tree: int, voxels: list[Ints], share: float) -> list[str]:
    """Flags for what a tree loses."""
    height, base = float(growth.height[tree]), float(growth.base[tree])
    foliage = growth.foliage(tree)
    every = np.unique(np.concatenate(voxels))
    row, col, layer = cells_of_voxels(every)
    gone = np.bincount(layer, growth.at(row, col, layer), LAYERS)
    crown = max(height - base, 0.5)
    middle = (np.arange(LAYERS) + 0.5) * LAYER_HEIGHT
    lower = middle < base + treework.LOWER_PART * crown
    standing = foliage[:LAYERS][lower].sum()
    left = foliage.sum() - gone.sum()
    kept_low = max(standing - gone[lower].sum(), 0.0)
    top = (layer.max() + 1) * LAYER_HEIGHT
    under = foliage[: int(layer.max()) + 1].sum()
    raised = top if under > 0 and gone.sum() >= 0.8 * under and top > base else 0.0
    return treework.dose_flags(share, kept_low / left if left > 0 else 0.0, raised, height)


def _limbs_of(p: _Planned) -> pd.DataFrame:
    mine = p.chosen & (p.pieces.action == LIMBS)
    return pd.DataFrame(
        {
            "along": p.pieces.along[mine] * p.length,
            "off": p.left[mine],
            "high": p.pieces.high[mine],
            "low": p.pieces.low[mine],
        }
    )


def raised(leg_id: int, limbs: pd.DataFrame) -> list[dict[str, object]]:
    """Stretches of a leg where limbs in a row say: raise the canopy.

    Parameters
    ----------
    leg_id
        The leg.
    limbs
        `along` and `off` [m] (left above 0), `low` and `high` [m] of each limb piece.
    """
    out: list[dict[str, object]] = []
    for side, mine in (("left", limbs["off"] > -MIDDLE), ("right", limbs["off"] < MIDDLE)):
        row = limbs[mine].sort_values("along", kind="stable")
        if row.empty:
            continue
        breaks = (row["along"].diff() > RUN_GAP).cumsum()
        for _, run in row.groupby(breaks):
            start, end = float(run["along"].min()), float(run["along"].max())
            if len(run) < RUN_PIECES or end - start < RUN_LENGTH:
                continue
            height = float(np.ceil(run["high"].max() * 2) / 2)
            text = (
                f"raise the canopy to {_both(height)} from {_both(start, 0)} to {_both(end, 0)}, "
                f"{side} side"
            )
            out.append(
                {
                    "leg_id": leg_id, "side": side, "from_m": start, "to_m": end,
                    "height_m": height, "pieces": len(run), "text": text,
                }
            )  # fmt: skip
    return out


def _piece_ids(work: gpd.GeoDataFrame) -> Ints:
    """One number for what is one piece on the ground, whichever leg asks for it."""
    n = len(work)
    parent = np.arange(n)

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = int(parent[i])
        return i

    owned = work["_tree"].to_numpy() != NO_TREE
    keys: dict[tuple[object, ...], int] = {}
    for i in np.flatnonzero(owned):
        key = (work["action"].iat[i], work["_tree"].iat[i], work["_band"].iat[i])
        parent[i] = keys.setdefault(key, int(i))
    free = np.flatnonzero(~owned)
    shapes = work.geometry.to_numpy()[free]
    if free.size:
        a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
        pairs = a < b
        a, b = a[pairs], b[pairs]
        area = shapely.area(shapely.intersection(shapes[a], shapes[b]))
        least = np.minimum(shapely.area(shapes[a]), shapely.area(shapes[b]))
        action, legs = work["action"].to_numpy()[free], work["leg_id"].to_numpy()[free]
        band = work["_band"].to_numpy()[free]
        same = (area > 0.5 * least) & (action[a] == action[b]) & (legs[a] != legs[b])
        same &= band[a] == band[b]
        for i, j in zip(free[a[same]], free[b[same]], strict=True):
            low, high = sorted((root(int(i)), root(int(j))))
            parent[high] = low
    roots = np.array([root(i) for i in range(n)])
    _, number = np.unique(roots, return_inverse=True)
    return np.asarray(number + 1, np.int64)


def _walk_order(
    work: gpd.GeoDataFrame, grid: Grid, arrival: tuple[float, float] | None
) -> list[int | None]:
    """Place of each chosen piece in one walk past them all; shared pieces have one place."""
    chosen = work[work["chosen"]]
    spots = chosen.groupby("piece_id")[["_x", "_y"]].mean()
    if spots.empty:
        return [None] * len(work)
    x, y = spots["_x"].to_numpy(), spots["_y"].to_numpy()
    start = arrival if arrival is not None else (grid.bounds[0], grid.bounds[1])
    order = np.zeros(len(x), np.int64)
    kernels.walk(x, y, float(start[0]), float(start[1]), order)
    place = pd.Series(np.arange(1, len(x) + 1), index=spots.index[order])
    return [
        int(place[piece]) if is_chosen else None
        for piece, is_chosen in zip(work["piece_id"], work["chosen"], strict=True)
    ]


def _trees(
    growth: Growth, taken: dict[int, list[Ints]], users: dict[int, set[int]],
    planned: list[_Planned],
) -> pd.DataFrame:  # fmt: skip
    """What each tree would lose if all chosen work were done."""
    felled = {
        int(p.pieces.tree[j])
        for p in planned
        for j in np.flatnonzero(p.chosen & (p.pieces.action == TREE))
    }
    rows = []
    for t in sorted(taken):
        if t in felled:
            share, flags = 1.0, ["felled"]
        else:
            every = np.unique(np.concatenate(taken[t]))
            row, col, layer = cells_of_voxels(every)
            total = growth.foliage(t).sum()
            gone = growth.at(row, col, layer).sum()
            share = min(1.0, gone / total) if total > 0 else 0.0
            flags = _dose(growth, t, taken[t], share)
        rows.append(
            {
                "tree_id": int(growth.tree_id[t]),
                "legs": " ".join(map(str, sorted(users[t]))),
                "crown_share": float(share),
                "flag": "; ".join(flags),
            }
        )
    return pd.DataFrame(rows, columns=["tree_id", "legs", "crown_share", "flag"])


def with_hours(holes: gpd.GeoDataFrame, trim: Trim) -> gpd.GeoDataFrame:
    """Holes with `trim_hours_low` and `trim_hours_high`, the sum of their legs; NaN unplanned."""
    known = trim.per_leg.set_index("leg_id")[["hours_low", "hours_high"]].astype(float)
    out = holes.copy()
    for end in ("low", "high"):
        hours = known[f"hours_{end}"].to_dict()
        out[f"trim_hours_{end}"] = [
            sum(hours.get(int(leg), np.nan) for leg in str(legs).split()) for legs in holes["legs"]
        ]
    return out


def _facts(per_leg: pd.DataFrame, work: pd.DataFrame) -> dict[str, object]:
    """For the summary."""
    chosen = work[work["chosen"].astype(bool)] if len(work) else work
    once = chosen.groupby("piece_id")[["hours_low", "hours_high"]].max() if len(chosen) else None
    brush = chosen[chosen["action"] == ACTIONS[BRUSH]] if len(chosen) else chosen
    hectares = float(brush.groupby("piece_id")["area_m2"].max().sum()) / 1e4 if len(brush) else 0.0
    return {
        "legs": len(per_leg),
        "legs_clear_already": int((per_leg["clear_rate"] >= per_leg["wished"]).sum()),
        "legs_reached_by_trimming": int(
            (per_leg["reached"].astype(bool) & (per_leg["pieces"] > 0)).sum()
        ),
        "out_of_reach": {
            str(leg): why for leg, why in zip(per_leg["leg_id"], per_leg["why"], strict=True) if why
        },
        "legs_out_of_reach": int((~per_leg["reached"].astype(bool)).sum()),
        "legs_proven_least": int((per_leg["gap"] <= 1e-3).sum()),
        "largest_gap": round(float(per_leg["gap"].max()), 4) if len(per_leg) else 0.0,
        "pieces": int(work["piece_id"].nunique()) if len(work) else 0,
        "pieces_chosen": 0 if once is None else len(once),
        "hours_low": 0.0 if once is None else round(float(once["hours_low"].sum()), 1),
        "hours_high": 0.0 if once is None else round(float(once["hours_high"].sum()), 1),
        "brush_ha": round(hectares, 3),
        "mulching_machine_hours": [round(h, 2) for h in treework.mulching_hours(hectares)],
        "leaning_or_dead_stems": "not told apart: the columns hold no directions",
        "rates": treework.RATE_SOURCES,
    }
