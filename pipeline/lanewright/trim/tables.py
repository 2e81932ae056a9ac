"""Trim work as tables: pieces, plans by leg, and figures for the summary."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats, Ints
from lanewright.base.grid import Grid
from lanewright.base.schema import LAYERS as SCHEMA
from lanewright.trim import treework
from lanewright.trim.oneleg import Planned
from lanewright.trim.opened import HOLE, LEG
from lanewright.trim.pieces import Pieces
from lanewright.trim.standing import (
    ACTIONS,
    BRUSH,
    NO_TREE,
    TREE,
    Growth,
    cells_of_voxels,
    ground_under,
)
from lanewright.trim.tour import tour
from lanewright.trim.wording import flags_of, wires_away, words

OVER = 1.0  # m from the line up to which a piece is over it
PROVEN = 1e-3  # share of the work up to which a gap is none

PER_LEG = (
    "leg_id",
    "wished",
    "clear_rate",
    "promised",
    "promised_se",
    "leaf_on",
    "leaf_on_promised",
    "hours_low",
    "hours_high",
    "pieces",
    "felled",
    "reached",
    "most",
    "why",
    "gap",
    "hours_leaf_low",
    "hours_leaf_high",
    "reached_leaf",
)


MARKS = ("_x", "_y", "_tree", "_band")


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
        save at most; NaN where no set was solved for), `hours_leaf_low`, `hours_leaf_high`,
        `reached_leaf` (the plan made for the leafy season, by hand, without a bound).
    legs, holes
        Those that the work makes fair, in the columns `opened.LEG` and `opened.HOLE`.
    marks
        Of each piece of work, in the columns `MARKS`: its middle as throws met it [m], row of its
        tree (`NO_TREE` where none is known) and reach band, for numbering pieces.
    """

    work: gpd.GeoDataFrame
    per_leg: pd.DataFrame
    facts: dict[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    legs: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(LEG)))
    holes: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(HOLE)))
    marks: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(MARKS)))


def no_trim(grid: Grid, warning: str | None = None) -> Trim:
    """Trim work of a land without any."""
    names = [c.name for c in SCHEMA["trim_work"].columns if c.derived is None]
    empty = gpd.GeoDataFrame({n: [] for n in names}, geometry=[], crs=grid.crs)
    said = () if warning is None else (warning,)
    return Trim(empty, pd.DataFrame(columns=list(PER_LEG)), {"legs": 0}, said)


def collected(
    growth: Growth,
    planned: list[Planned],
    bare: list[dict[str, object]],
    hole_of: dict[int, int],
    arrival: tuple[float, float] | None,
    warnings: list[str],
) -> Trim:
    """Tables of all legs' plans.

    Parameters
    ----------
    growth
        Who owns which voxel.
    planned, bare
        Plans, and rows of legs that need none.
    hole_of
        Best hole of each leg.
    arrival
        Where the walk past all work begins; by default the south-west.
    warnings
        Said before.
    """
    grid = growth.scene.grid
    if not planned and not bare:
        return replace(no_trim(grid), warnings=tuple(warnings))
    per_leg = pd.DataFrame([*(p.row for p in planned), *bare], columns=list(PER_LEG))
    per_leg = per_leg.sort_values("leg_id", kind="stable", ignore_index=True)
    rows: list[dict[str, object]] = []
    shapes: list[shapely.MultiPolygon] = []
    for p in planned:
        rows += _rows(growth, p, len(rows) + 1)
        shapes += _outlines(growth, p.pieces)
    if not rows:
        empty = no_trim(grid)
        facts = _facts(per_leg, empty.work)
        return replace(empty, per_leg=per_leg, warnings=tuple(warnings), facts=facts)
    work = gpd.GeoDataFrame(rows, geometry=np.array(shapes, object), crs=grid.crs)
    work["hole_id"] = work["leg_id"].map(hole_of)
    over = int((_trees(growth, planned) > treework.MOST_FOLIAGE).sum())
    if over:
        warnings = [
            *warnings,
            f"{over} tree{'s' * (over > 1)} would lose more than a quarter of the live crown if "
            "all chosen trim work were done; see the flags",
        ]
    return _numbered(work, per_leg, grid, arrival, warnings)


def _numbered(
    work: gpd.GeoDataFrame,
    per_leg: pd.DataFrame,
    grid: Grid,
    arrival: tuple[float, float] | None,
    warnings: list[str],
) -> Trim:
    """Trim work out of rows with their marks: one number a piece, one walk past all chosen."""
    work["piece_id"] = _piece_ids(work)
    work["walk_order"] = _walk_order(work, grid, arrival)
    for name in ("hole_id", "tree_id", "nearest_tree_id", "walk_order"):
        work[name] = work[name].astype("Int64")
    names = [c.name for c in SCHEMA["trim_work"].columns if c.derived is None]
    layer = gpd.GeoDataFrame(work[[*names, "geometry"]], geometry="geometry", crs=grid.crs)
    marks = pd.DataFrame(work[list(MARKS)])
    return Trim(layer, per_leg, _facts(per_leg, layer), tuple(warnings), marks=marks)


def together(first: Trim, more: Trim, grid: Grid, arrival: tuple[float, float] | None) -> Trim:
    """Trim work of legs that were planned first and of others; what both need is one piece.

    Legs and holes that the work makes fair are those of the first.

    Parameters
    ----------
    first, more
        Of different legs.
    grid, arrival
        As in `collected`.
    """
    per_leg = pd.concat([t.per_leg for t in (first, more) if len(t.per_leg)])
    per_leg = per_leg.sort_values("leg_id", kind="stable", ignore_index=True)
    said = [*first.warnings, *more.warnings]
    some = [t for t in (first, more) if len(t.work)]
    if not some:
        return replace(first, per_leg=per_leg, facts=_facts(per_leg, first.work))
    rows = [t.work.join(t.marks) for t in some]
    work = gpd.GeoDataFrame(pd.concat(rows, ignore_index=True), crs=grid.crs)
    work["work_id"] = np.arange(1, len(work) + 1)
    made = _numbered(work, per_leg, grid, arrival, said)
    return replace(made, legs=first.legs, holes=first.holes)


def _outlines(growth: Growth, pieces: Pieces) -> list[shapely.MultiPolygon]:
    whole = pieces.action == TREE
    cut = iter(ground_under([pieces.voxels[j] for j in np.flatnonzero(~whole)], growth))
    return [
        shapely.MultiPolygon(
            [shapely.Point(pieces.x[j], pieces.y[j]).buffer(float(growth.radius[pieces.tree[j]]))]
        )
        if whole[j]
        else next(cut)
        for j in range(len(pieces))
    ]


def _crown_shares(growth: Growth, p: Planned) -> Floats:
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


def _rows(growth: Growth, p: Planned, first: int) -> list[dict[str, object]]:
    """Columns of a leg's pieces, numbered from `first` on."""
    share = _crown_shares(growth, p)
    wire = wires_away(growth, p.pieces)
    nearest, away = growth.nearest(p.pieces.x, p.pieces.y)
    return [
        _row(growth, p, j, share[j], wire[j])
        | {
            "work_id": first + j,
            "nearest_tree_id": int(growth.tree_id[nearest[j]]) if nearest[j] != NO_TREE else None,
            "nearest_tree_m": float(away[j]),
        }
        for j in range(len(p.pieces))
    ]


def _row(growth: Growth, p: Planned, j: int, share: float, wire: float) -> dict[str, object]:
    pieces, t = p.pieces, int(p.pieces.tree[j])
    action = int(pieces.action[j])
    along = float(pieces.along[j]) * p.length
    off = float(p.left[j])
    side = "over" if abs(off) <= OVER else "left" if off > 0 else "right"
    flags, by = flags_of(growth, p, j, share, wire)
    return {
        "piece_id": 0,
        "leg_id": p.leg_id,
        "hole_id": None,
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
        "volume_m3": pieces.volume[j],
        "area_m2": pieces.area[j],
        "sure": pieces.sure[j],
        "crown_share": share,
        "rank": int(p.rank[j]),
        "walk_order": None,
        "work": words(growth, pieces, j, along, off, side, p.length),
        "flag": "; ".join(flags) if flags else None,
        "_x": pieces.x[j],
        "_y": pieces.y[j],
        "_tree": t,
        "_band": int(pieces.band[j]),
    }


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
    same = ["action", "_tree", "_band"]
    first = work[owned].reset_index().groupby(same, sort=False)["index"].transform("first")
    parent[owned] = first.to_numpy(np.int64)
    free = np.flatnonzero(~owned)
    shapes = work.geometry.to_numpy()[free]
    if free.size:
        action, legs = work["action"].to_numpy()[free], work["leg_id"].to_numpy()[free]
        band = work["_band"].to_numpy()[free]
        a, b = shapely.STRtree(shapes).query(shapes)
        alike = (action[a] == action[b]) & (band[a] == band[b]) & (legs[a] != legs[b]) & (a < b)
        a, b = a[alike], b[alike]
        area = shapely.area(shapely.intersection(shapes[a], shapes[b]))
        same = area > 0.5 * np.minimum(shapely.area(shapes[a]), shapely.area(shapes[b]))
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
    start = arrival if arrival is not None else (grid.bounds[0], grid.bounds[1])
    order = tour(spots.to_numpy(np.float64), home=start, returns=False)
    place = pd.Series(np.arange(1, len(order) + 1), index=spots.index[order])
    return [
        int(place[piece]) if is_chosen else None
        for piece, is_chosen in zip(work["piece_id"], work["chosen"], strict=True)
    ]


def _trees(growth: Growth, planned: list[Planned]) -> pd.Series:
    """Share of the crown that each tree would lose if all chosen work were done, by its index."""
    taken: dict[int, list[Ints]] = {}
    shares: dict[int, float] = {}
    for p in planned:
        for j in np.flatnonzero(p.chosen & (p.pieces.tree != NO_TREE)):
            tree = int(p.pieces.tree[j])
            taken.setdefault(tree, []).append(p.pieces.voxels[j])
            if p.pieces.action[j] == TREE:
                shares[tree] = 1.0
    for tree in taken.keys() - shares.keys():
        row, col, layer = cells_of_voxels(np.unique(np.concatenate(taken[tree])))
        total = growth.foliage(tree).sum()
        gone = growth.at(row, col, layer).sum()
        shares[tree] = min(1.0, gone / total) if total > 0 else 0.0
    return pd.Series(shares, dtype=float)


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
        "legs_proven_least": int((per_leg["gap"] <= PROVEN).sum()),
        "legs_solved": int(per_leg["gap"].notna().sum()),
        "largest_gap": _largest(per_leg["gap"]),
        "pieces": int(work["piece_id"].nunique()) if len(work) else 0,
        "pieces_chosen": 0 if once is None else len(once),
        "hours_low": 0.0 if once is None else round(float(once["hours_low"].sum()), 1),
        "hours_high": 0.0 if once is None else round(float(once["hours_high"].sum()), 1),
        "brush_ha": round(hectares, 3),
        "mulching_machine_hours": [round(h, 2) for h in treework.mulching_hours(hectares)],
        "leaning_or_dead_stems": "not distinguished: the columns hold no directions",
        "rates": treework.RATE_SOURCES,
    }


def _largest(gaps: pd.Series) -> float | None:
    """The largest gap; None where nothing was solved."""
    known = gaps.dropna()
    return round(float(known.max()), 4) if len(known) else None
