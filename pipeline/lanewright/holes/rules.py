"""The land, who plays, and what a hole must be; and holes as numbered lines."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Ints
from lanewright.base.schema import LAYERS
from lanewright.holes.chains import PLACES
from lanewright.holes.measure import Played
from lanewright.holes.safety import alone, conflicts
from lanewright.holes.successors import pairs_near
from lanewright.holes.zones import landing_share
from lanewright.scene import Scene
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.judge import InterestSettings
from lanewright.settings.levels import Level


class Rules(NamedTuple):
    """The land, who plays, and what a hole must be."""

    scene: Scene
    levels: tuple[Level, ...]
    settings: HoleSettings
    safety: SafetySettings
    weights: InterestSettings

    def fit(self, played: Played, holes: pd.DataFrame) -> Flags:
        """Which holes keep their distance from what must not be thrown over."""
        frame = numbered([holes], played.legs, self.scene, in_order=False)
        unfit = alone(frame, played.legs, self.levels, self.scene, self.safety)["hole"].unique()
        return np.asarray(~np.isin(np.arange(len(frame)), unfit))

    def with_more(self, played: Played, legs: gpd.GeoDataFrame) -> Played:
        """The legs with more at their end."""
        new = legs.iloc[len(played.legs) :]
        lands = landing_share(self.scene, self.levels, new, self.settings.landing_slope)
        return Played(legs, np.r_[played.lands, lands])

    def clashes(self, played: Played, holes: pd.DataFrame) -> Ints:
        """Pairs of holes that cannot follow each other (k, 2), by row: see `safety.conflicts`."""
        frame = numbered([holes], played.legs, self.scene, in_order=False)
        rules = self.levels, self.scene, self.safety
        near = pairs_near(holes[PLACES].to_numpy(float))
        pairs = conflicts(frame, played.legs, *rules, among=near)
        return np.asarray(pairs[["first", "second"]].to_numpy(np.int64))


def numbered(
    frames: list[pd.DataFrame], legs: gpd.GeoDataFrame, scene: Scene, in_order: bool = True
) -> gpd.GeoDataFrame:
    """All holes with a number and a line each: the designer's own, then the best of each level."""
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        names = [c.name for c in LAYERS["holes"].columns]
        return gpd.GeoDataFrame(columns=names, geometry=[], crs=scene.grid.crs)
    holes = pd.concat(frames, ignore_index=True)
    if in_order:
        holes = holes.assign(theirs=holes["origin"] != "own").sort_values(
            ["theirs", "name", "level", "score", "promise", "tee_id", "end_id"],
            ascending=[True, True, True, False, False, True, True],
            ignore_index=True,
        )
    shapes, ids = legs.geometry.to_numpy(), legs["leg_id"].to_numpy()
    chains = [chain[chain >= 0] for chain in holes["chain"]]
    lines = [
        shapely.LineString(
            np.concatenate([shapely.get_coordinates(shapes[i], include_z=True) for i in chain])
        )
        for chain in chains
    ]
    holes["legs"] = [tuple(int(ids[i]) for i in chain) for chain in chains]
    holes.insert(0, "hole_id", np.arange(1, len(holes) + 1))
    return gpd.GeoDataFrame(holes, geometry=lines, crs=scene.grid.crs)
