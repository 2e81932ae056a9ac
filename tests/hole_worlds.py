"""Planted legs to make holes of."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

import leg_worlds
from lanewright.holes.chains import chains_of
from lanewright.legs.interest import COLUMNS
from lanewright.legs.legs import Legs
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.levels import level_named

BLUE = level_named("blue")
CORNER = np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])
SETTINGS = HoleSettings()

ROOMY = SafetySettings().model_copy(
    update={
        "fairway": (0.0, 0.0), "tee_basket": (0.0, 0.0), "next_tee": (0.0, 0.0),
        "behind": (0.0, 0.0), "tees": 0.0, "near_deg": 0.001, "far_deg": 0.001,
        "keep_out": (0.0, 0.0), "building": (0.0, 0.0), "boundary": (0.0, 0.0),
        "path": (0.0, 0.0), "wire": 0.0,
    }
)  # fmt: skip
"""No room is asked for, but for what a test puts back."""


def legs_of(*throws, world=None, **more):
    """Legs and sites, given as x and y of tee and end from the south-west corner."""
    rows, tees, ends = [], [], []
    for i, throw in enumerate(throws, start=1):
        tee, end = np.array(throw[:2], float), np.array(throw[2:], float)
        line = CORNER + np.array([tee, (tee + end) / 2, end])
        z = np.array([201.4, 204.0, 200.9])
        length = float(np.hypot(*(end - tee)))
        rows.append(
            {
                "leg_id": i, "tee_id": i, "end_id": i, "level": "blue", "finish": "straight",
                "length_m": length, "rise_m": 0.0, "effective_length_m": length, "apex_m": 4.0,
                "clear_rate": 0.9, "clear_rate_low": 0.8, "clear_rate_high": 0.95,
                "clear_rate_leaf_on": 0.85, "pinch_width_m": 20.0, "pinch_at_m": length / 2,
                "lane_kind": "open", "roof_share": 0.0, "wet_share": 0.0, "carry_water_m": 0.0,
                "seen_share": 1.0, "tee_slope_pct": 2.0, "landing_slope_pct": 4.0, "score": 0.8,
                "promise": 0.8, "ease": 0.8, "interest": 0.5, "fair": "yes", "unfair": "",
                "gap_share": 1.0,
                "origin": "search", **dict.fromkeys(COLUMNS, 0.0),
                "geometry": shapely.LineString(np.column_stack([line, z])),
            }
        )  # fmt: skip
        tees.append(line[0])
        ends.append(line[-1])
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=leg_worlds.CRS)
    if "score" in more:
        more = {"promise": more["score"], "ease": more["score"]} | more
    for name, values in more.items():
        frame[name] = values

    def sites(places):
        return gpd.GeoDataFrame(
            {"site_id": np.arange(1, len(places) + 1), "slope_pct": 2.0},
            geometry=shapely.points(np.array(places)), crs=leg_worlds.CRS,
        )  # fmt: skip

    return Legs(sites(tees), sites(ends), frame)


def chains(legs, world=None, settings=SETTINGS, level=BLUE, lands=None, **more):
    world = world or leg_worlds.bare(400.0, 1.0)
    lands = np.ones(len(legs.legs)) if lands is None else lands
    found = chains_of(
        legs.legs, np.arange(len(legs.legs)), level, lands, settings, **more
    )  # fmt: skip
    return {tuple(int(i) for i in row if i >= 0) for row in found}
