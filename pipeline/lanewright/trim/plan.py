"""Stage trim: the least work that opens a leg, in pieces a crew can find.

For each leg the growth that failed throws meet is grouped into pieces (`pieces`), the least work
that makes enough throws clear is chosen (`leastwork`), and the pieces are priced and flagged
(`treework`). The choice rests on throws of its own; the clear rate before and the one promised are
those of the very throws that scored the leg, so the choice cannot flatter its own promise.

Felling is looked at only where all limbs and brush together do not reach the wished rate. What no
trimming can take, a trunk, growth too thin to point at, space that lidar did not see, is named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy import ndimage as ndi

from lanewright.base.arrays import Ints
from lanewright.base.outlines import cells_of
from lanewright.base.threads import kernel_threads
from lanewright.base.units import FOOT
from lanewright.flight.flight import Flights
from lanewright.holes.holes import Holes
from lanewright.legs.thrower import Thrower, thrower_of
from lanewright.scene import Scene
from lanewright.settings.legs import LegsSettings
from lanewright.settings.trim import TrimSettings
from lanewright.store import stage
from lanewright.trim.keep import Brief, Keep
from lanewright.trim.oneleg import Planned, bare_row, planned_legs, wished_of
from lanewright.trim.opened import LEG, opened_holes, opened_legs, with_outcome
from lanewright.trim.standing import KEPT, Growth
from lanewright.trim.tables import Trim, collected, no_trim, together

NOTHING_ASKED = Brief()
SQUARE = 50.0  # m of ground that shares its places among the legs planned


@stage("trim", version=11)
def plan_trim(
    scene: Scene,
    flights: Flights,
    found: tuple[Holes, Trim],
    legs_settings: LegsSettings,
    settings: TrimSettings,
    brief: Brief = NOTHING_ASKED,
    *,
    threads: int = 1,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Trim:
    """Plan the least trim work for the legs that holes use, and for the designer's own.

    Parameters
    ----------
    scene, flights
        Results of the stages before; without lidar nothing is planned.
    found
        Holes, and the work that opens lanes to cut, with `lane_id` in place of a leg's number.
    legs_settings, settings
        The sections `legs` and `trim` of the configuration.
    brief
        What must stay, and where the walk past all work begins.
    threads
        For the kernels; the result is the same for any number.
    progress
        Takes the share done.
    """
    if not scene.surveyed:
        return no_trim(scene.grid, "no trim work: there is no lidar to see growth in")
    holes, lanes = found
    with kernel_threads(threads):
        growth, warnings = growth_of(scene, settings, legs_settings, brief.keep)
        standing = np.setdiff1d(holes.leg_ids, holes.lanes["leg_id"])
        hard, clear = chosen_legs(holes.legs, standing, settings)
        planned = plan_legs(
            growth,
            thrower_of(scene, flights, legs_settings),
            holes.legs.iloc[hard],
            clear=holes.legs.iloc[clear],
            hole_of=hole_of(holes),
            arrival=brief.arrival,
            warnings=warnings,
            progress=progress,
        )
        cut = of_lanes(lanes, holes)
        if len(cut.per_leg):
            planned = together(planned, cut, scene.grid, brief.arrival)
        legs = opened_legs(holes.legs, planned.per_leg, legs_settings)
        opened = opened_holes(holes.holes, holes.links, holes.legs, legs, legs_settings)
        return replace(planned, legs=legs[list(LEG)], holes=opened)


def of_lanes(lanes: Trim, holes: Holes) -> Trim:
    """The work that opens those lanes to cut that are holes, under the numbers of their legs."""
    leg = holes.lanes.set_index("lane_id")["leg_id"]
    used = leg[leg.isin(holes.leg_ids)]
    per_leg = lanes.per_leg[lanes.per_leg["leg_id"].isin(used.index)]
    mine = lanes.work["leg_id"].isin(used.index).to_numpy()
    work = lanes.work[mine].reset_index(drop=True)
    number = work["leg_id"].map(used)
    return replace(
        lanes,
        work=work.assign(leg_id=number, hole_id=number.map(hole_of(holes))),
        per_leg=per_leg.assign(leg_id=per_leg["leg_id"].map(used)).reset_index(drop=True),
        marks=lanes.marks[mine].reset_index(drop=True) if len(lanes.marks) else lanes.marks,
        warnings=(),
    )


def growth_of(
    scene: Scene, settings: TrimSettings, legs_settings: LegsSettings, keep: Keep
) -> tuple[Growth, list[str]]:
    """Who owns which voxel, with what must stay marked; and warnings about the keep list."""
    grid = scene.grid
    kept = np.zeros(grid.shape, np.uint8)
    kept[cells_of(scene.keep_out, grid)] = KEPT.index("in a keep-out")
    kept[~cells_of(scene.land, grid)] = KEPT.index("off the property")
    if settings.buffer > 0 and scene.water.any():
        near = ndi.distance_transform_edt(~scene.water) * grid.cell <= settings.buffer
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
        order = np.argsort(-legs["promise"].to_numpy()[rows], kind="stable")
        turn = square.iloc[order].groupby([0, 1]).cumcount().to_numpy()
        rows = rows[order[np.argsort(turn, kind="stable")][: settings.legs]]
    return np.sort(np.r_[np.flatnonzero(own & ~clear), rows]), np.flatnonzero(may & clear)


def plan_legs(
    growth: Growth,
    thrower: Thrower,
    legs: gpd.GeoDataFrame,
    *,
    clear: gpd.GeoDataFrame | None = None,
    hole_of: dict[int, int] | None = None,
    arrival: tuple[float, float] | None = None,
    warnings: list[str] | None = None,
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Trim:
    """Plan the least work of some legs, and add those that are `clear` enough; see `plan_trim`."""
    planned: list[Planned] = []
    for player in thrower.players:
        mine = legs[legs["level"] == player.name]
        for got in planned_legs(growth, thrower.contacts, player, mine, thrower.settings.throws):
            planned.append(got)
            progress(0.95 * len(planned) / max(len(legs), 1))
    planned.sort(key=lambda p: p.leg_id)
    bare = [] if clear is None else [bare_row(growth.settings, leg) for _, leg in clear.iterrows()]
    mine = legs[legs["origin"] == "own"]
    own = {
        int(leg): f"own hole {name}, {level}"
        for leg, name, level in zip(mine["leg_id"], mine["own_hole"], mine["level"], strict=True)
    }
    said = [*(warnings or []), *_out_of_reach(planned, own)]
    return collected(growth, planned, bare, hole_of or {}, arrival, said)


def with_hours(holes: Holes, trim: Trim) -> gpd.GeoDataFrame:
    """Holes with the hours of trimming of their legs, and what these make of score and fairness.

    `trim_hours_low` and `trim_hours_high` are NaN where no work was planned.
    """
    per_leg = trim.per_leg.set_index("leg_id")[["hours_low", "hours_high"]].astype(float)
    legs = holes.links.join(per_leg, on="leg_id")
    out = with_outcome(holes.holes, trim.holes, "hole_id")
    for end in ("low", "high"):
        hours: dict[int, float] = {}  # a sum by groupby leaves out what is not known
        for hole, each in zip(legs["hole_id"], legs[f"hours_{end}"], strict=True):
            hours[hole] = hours.get(hole, 0.0) + each
        out[f"trim_hours_{end}"] = out["hole_id"].map(hours).astype(float)
    if len(trim.holes):
        opened = out["hole_id"].isin(trim.holes["hole_id"])
        work = out.loc[opened, ["trim_hours_low", "trim_hours_high"]].to_numpy(float)
        out.loc[opened, "sentence"] = [
            f"{said.removesuffix('.')}; fair after {low:.1f} to {high:.1f} hours of trimming."
            for said, (low, high) in zip(out.loc[opened, "sentence"], work, strict=True)
        ]
    return out


def _out_of_reach(planned: list[Planned], own: Mapping[int, str]) -> list[str]:
    """Warnings about wished clear rates that no trimming reaches: which legs, and why."""
    short = [p for p in planned if not p.row["reached"]]
    said = [f"{own[p.leg_id]}: {p.row['why']}" for p in short if p.leg_id in own]
    others = len(short) - len(said)
    if others:
        said.append(
            f"{others} legs that holes could use do not reach the wished clear rate by trimming; "
            "summary.json says which and why"
        )
    return said


def hole_of(holes: Holes) -> dict[int, int]:
    """Best hole of each leg."""
    ranked = holes.links.merge(holes.holes[["hole_id", "promise"]], on="hole_id")
    ranked = ranked.sort_values(["promise", "hole_id"], ascending=[False, True], kind="stable")
    best = ranked.drop_duplicates("leg_id")
    return dict(zip(best["leg_id"].astype(int), best["hole_id"].astype(int), strict=True))
