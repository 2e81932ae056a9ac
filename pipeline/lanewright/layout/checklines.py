"""Holes of a finished round as places a metre apart, and what a rule asks between two of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from lanewright.base.arrays import Flags, Floats, Raster
from lanewright.scene import Scene
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import Level

STEP = 1.0  # m between places of a line
LOOK = 0.5  # m between places at which the ground between two of them is looked at
THROWN = range(2, 20)  # layers of 0.25 m from 0.5 to 5 m over the ground
TALL, AROUND = 4.0, 9.0  # m of canopy that counts as trees; m of the square they are counted over


@dataclass(frozen=True)
class Throw:
    """One throw of a hole: from where to where, and the side it fades to (1 left, -1 right)."""

    start: Floats
    end: Floats
    fades: int


@dataclass(frozen=True)
class Line:
    """A hole as places a metre apart; arrays (places,) beside its throws.

    Distance to tee and basket along the hole, part of distances asked, metres flown, which throw.
    """

    number: int
    level: Level
    at: Floats
    gone: Floats
    togo: Floats
    share: Floats
    flown: Floats
    throw: NDArray[np.int64]
    throws: tuple[Throw, ...]

    def only(self, index: int) -> Line:
        """Just one place of it."""
        at = slice(index % len(self.at), index % len(self.at) + 1)
        return Line(
            self.number,
            self.level,
            self.at[at],
            self.gone[at],
            self.togo[at],
            self.share[at],
            self.flown[at],
            self.throw[at],
            self.throws,
        )


@dataclass(frozen=True)
class Asked:
    """What one rule asks between places of two holes.

    Attributes
    ----------
    rule
        In words.
    one, other
        The holes, or places of them.
    metres
        Distance asked over open ground and among trees, as wide as (places of one, of other).
    where
        Pairs of places that it holds for.
    """

    rule: str
    one: Line
    other: Line
    metres: tuple[Floats, Floats]
    where: Flags


class Check:
    """One land, one set of rules."""

    def __init__(self, levels: Sequence[Level], scene: Scene, settings: SafetySettings) -> None:
        self.levels = {level.name: level for level in levels}
        self.scene, self.rules = scene, settings
        self.trees = _trees_of(scene)

    def between(self, a: Floats, b: Floats) -> bool:
        """Whether dense trees stand on the straight from a to b."""
        return bool(self.trees_between(a[None], b[None])[0] >= self.rules.sheltered)

    def trees_between(self, a: Floats, b: Floats) -> Floats:
        """Share of dense trees on the straight from each a to its b (n, 2) -> (n,), 0-1."""
        n = max(2, int(np.ceil(np.hypot(*(b - a).T).max(initial=0.0) / LOOK)))
        u = ((np.arange(n) + 0.5) / n)[None, :, None]
        x, y = np.moveaxis(a[:, None] + u * (b - a)[:, None], -1, 0)
        grid = self.scene.grid
        place = [(grid.top - y) / grid.cell - 0.5, (x - grid.left) / grid.cell - 0.5]
        share = map_coordinates(self.trees, place, order=1, mode="nearest").mean(1)
        return np.asarray(share, np.float64)

    def lines(
        self, holes: gpd.GeoDataFrame, links: pd.DataFrame, legs: gpd.GeoDataFrame
    ) -> list[Line]:
        """Holes of one proposal as places, numbered as they are played."""
        throws: dict[int, list[int]] = {hole: [] for hole in holes["hole_id"]}
        mine = links[links["hole_id"].isin(list(throws))]
        for hole, leg in zip(mine["hole_id"], mine["leg_id"], strict=True):
            throws[hole].append(leg)
        used = [tuple(throws[hole]) for hole in holes["hole_id"]]
        frame = holes.assign(legs=used, hole_id=holes["play_order"])
        return [line_of(row, legs, self) for row in frame.to_dict("records")]


def _trees_of(scene: Scene) -> Raster:
    """Share of the square around each cell that holds trees or brush at throwing height."""
    stands = np.nan_to_num(scene.canopy_height) > TALL
    for layer in THROWN:
        stands |= (np.asarray(scene.blocked) >> np.uint64(layer)) & np.uint64(1) == 1
    side = max(1, round(AROUND / scene.grid.cell))
    padded = np.pad(stands.astype(np.float64), (side // 2, side - 1 - side // 2), mode="edge")
    summed = np.pad(padded.cumsum(0).cumsum(1), (1, 0))
    total = summed[side:, side:] - summed[:-side, side:] - summed[side:, :-side]
    return np.asarray((total + summed[:-side, :-side]) / side**2, np.float32)


def line_of(row: dict[str, object], legs: gpd.GeoDataFrame | None, check: Check) -> Line:
    """A hole as places, along its throws where these are known."""
    level = check.levels[str(row["level"])]
    ids: list[int] = list(row.get("legs") or ())  # type: ignore[call-overload]
    known = legs[legs["leg_id"].isin(ids)].set_index("leg_id") if legs is not None else None
    if known is not None and ids and set(ids) <= set(known.index):
        thrown = [(known.geometry[i], str(known["finish"][i])) for i in ids]
    else:
        thrown = [(row["geometry"], str(row["finish"]))]
    at, flown, gone, throws, walked = [], [], [], [], 0.0
    for line, finish in thrown:
        metres = np.append(np.arange(0, line.length, STEP), line.length)
        xy = shapely.get_coordinates(shapely.line_interpolate_point(line, metres))
        at.append(xy)
        flown.append(np.linalg.norm(xy - xy[0], axis=1))
        gone.append(walked + metres)
        throws.append(Throw(xy[0], xy[-1], {"left": 1, "right": -1}.get(finish, 0)))
        walked += line.length
    away = np.concatenate(flown)
    spread = away / (check.rules.full_at * level.tee_throw)
    along = np.concatenate(gone)
    return Line(
        number=int(str(row["hole_id"])),
        level=level,
        at=np.concatenate(at),
        gone=along,
        togo=walked - along,
        share=np.minimum(1, np.maximum(check.rules.at_tee, spread)),
        flown=away,
        throw=np.repeat(np.arange(len(at)), [len(part) for part in at]),
        throws=tuple(throws),
    )
