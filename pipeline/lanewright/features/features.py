"""Stage features: what the land offers a designer before any hole, found, named and ranked."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.outlines import patches
from lanewright.features.border import minding_the_border
from lanewright.features.found import Found, Squares, squares_of
from lanewright.features.gaps import gaps
from lanewright.features.lines import edges, fairways
from lanewright.features.naming import KINDS, named, places_of
from lanewright.features.rank import order_of, strongest, worth_of
from lanewright.features.relief import falls, green_spots, high_tees
from lanewright.features.trees import specimens
from lanewright.features.views import views
from lanewright.features.waters import carries, peninsulas, ponds
from lanewright.growth.lanes import Lanes
from lanewright.scene import Scene
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.levels import Level
from lanewright.store import stage

log = logging.getLogger(__name__)

FIGURES = (
    "width_m",
    "pinch_width_m",
    "roof_share",
    "drop_m",
    "height_m",
    "slope_pct",
    "carry_water_m",
    "water_share",
    "bow_m",
    "sight_m",
    "open_share",
    "seen_share",
)
"""Columns that only some kinds fill; NaN elsewhere."""


@dataclass(frozen=True)
class Features:
    """What the land offers.

    Attributes
    ----------
    features
        `feature_id` (1 is to be seen first), `kind`, `name`, `reason`, `shown` (on the first page),
        `worth`, `certainty`, `rank_value` (their product), `length_m`,
        `bearing_deg`, `levels`, and `FIGURES`; LineString from where to stand.
    """

    features: gpd.GeoDataFrame

    @property
    def facts(self) -> dict[str, object]:
        """For the summary: how many of each kind."""
        count = self.features["kind"].value_counts()
        return {kind: int(count[kind]) for kind in KINDS if kind in count}


@stage("features", version=9)
def find_features(
    scene: Scene,
    lanes: Lanes | None,
    levels: Sequence[Level],
    settings: FeaturesSettings,
    *,
    setback: float,
) -> Features:
    """Find, name and rank what the land offers.

    Parameters
    ----------
    scene, lanes
        Results of earlier stages; without lidar there are no lanes, and only ground and water
        are looked at.
    levels
        Who will play.
    settings
        The section `features` of the configuration.
    setback
        Metres that sites and flights keep from the property line.
    """
    land = squares_of(scene, settings)
    everything = _search(scene, lanes, land, levels, settings)
    allowed = list(minding_the_border(everything, scene.land, setback, settings))
    found = strongest(allowed, settings.most_of_kind)
    water = np.zeros(land.grid.shape, bool)
    for pond in ponds(land, settings):
        water |= pond
    shapes = shapely.union_all([shape for shape, _ in patches(water, land.grid)])
    places = places_of(scene.land, shapes, scene.drainage, land)
    worth = worth_of(found, settings)
    value = worth * np.array([f.certainty for f in found])
    order = order_of(found, value, settings)
    table = _table([found[k] for k in order], worth[order], scene.grid.crs, settings.shown)
    table["name"] = named([found[k] for k in order], places)
    log.info("%d features; first: %s", len(table), "; ".join(table["name"].head(3)))
    return Features(table)


def _search(
    scene: Scene,
    lanes: Lanes | None,
    land: Squares,
    levels: Sequence[Level],
    settings: FeaturesSettings,
) -> list[Found]:
    found = [
        *falls(scene, land, levels, settings),
        *high_tees(land, settings),
        *green_spots(land, settings),
        *carries(scene, land, levels, settings),
        *peninsulas(scene, land, levels, settings),
    ]
    if lanes is not None and scene.surveyed:
        found += [
            *fairways(scene, land, lanes.pieces, levels, settings),
            *edges(scene, lanes.lanes, levels, settings),
            *gaps(scene, levels, settings),
            *specimens(scene, settings),
            *views(land, settings),
        ]
    return found


def _table(found: list[Found], worth: np.ndarray, crs: str, shown: int) -> gpd.GeoDataFrame:
    certainty = np.array([f.certainty for f in found], float)
    length = np.array([f.line.length for f in found], float)
    columns: dict[str, object] = {
        "feature_id": np.arange(1, len(found) + 1, dtype=np.int64),
        "kind": [f.kind for f in found],
        "reason": [f.reason for f in found],
        "shown": np.arange(len(found)) < shown,
        "worth": worth,
        "certainty": certainty,
        "rank_value": worth * certainty,
        "length_m": length,
        "bearing_deg": np.array([_bearing(f.line) for f in found], float),
        "levels": [", ".join(f.levels) or None for f in found],
    }
    columns |= {
        name: np.array([f.figures.get(name, np.nan) for f in found], float) for name in FIGURES
    }
    return gpd.GeoDataFrame(
        pd.DataFrame(columns), geometry=[shapely.force_2d(f.line) for f in found], crs=crs
    )


def _bearing(line: shapely.LineString) -> float:
    """Compass way from the first to the last point [deg]."""
    (x0, y0), (x1, y1) = line.coords[0][:2], line.coords[-1][:2]
    return float(np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360.0)
