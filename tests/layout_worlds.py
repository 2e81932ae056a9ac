"""A flat land of 400 m with holes drawn on it, small enough to count out every round."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely

import leg_worlds
from lanewright.base import schema
from lanewright.base.grid import Grid
from lanewright.layout.candidates import Candidates, ends_of
from lanewright.layout.checklines import Check, line_of
from lanewright.layout.firstfeatures import FirstFeatures
from lanewright.layout.layoutcheck import round_faults
from lanewright.layout.proposals import Grounds
from lanewright.layout.walks import Wetness, footing
from lanewright.settings.layout import LayoutSettings

UTM = "EPSG:32617"
SIDE = 400.0


def grounds(arrival=(200.0, 20.0), water=None) -> Grounds:
    grid = Grid(UTM, 0.0, SIDE, 2.0, 200, 200)
    none = np.zeros(grid.shape, bool)
    land = shapely.box(0, 0, SIDE, SIDE)
    settings = LayoutSettings().walk
    on_foot = footing(
        grid, np.zeros(grid.shape, np.float32), land, shapely.Polygon(),
        Wetness(none if water is None else water, none, none), settings,
    )  # fmt: skip
    return Grounds(on_foot, land, arrival)


def open_land():
    """The same land as a scene."""
    grid = Grid(UTM, 0.0, SIDE, 2.0, 200, 200)
    return replace(leg_worlds.bare(SIDE, 2.0), grid=grid, land=shapely.box(0, 0, SIDE, SIDE))


def holes_of(lines, **columns) -> gpd.GeoDataFrame:
    """Candidate holes as the stage before gives them, plain ones but for what is given."""
    rng = np.random.default_rng(7)
    count = len(lines)
    lines = [shapely.LineString([(*p, 0.0) for p in line]) for line in lines]
    length = np.array([line.length for line in lines])
    data = {
        "hole_id": np.arange(101, 101 + count), "name": None, "level": "red", "par": 3,
        "pars": "red 3, blue 3", "legs": [(k,) for k in range(count)],
        "tee_id": np.arange(count), "end_id": np.arange(count), "length_m": length,
        "effective_length_m": length, "rise_m": rng.uniform(-4, 4, count).round(1),
        "finish": rng.choice(schema.FINISHES, count),
        "lane_kind": rng.choice(schema.LAYERS["lanes"].column("kind").values, count),
        "carry_water_m": 0.0, "clear_rate": 0.8, "score": rng.uniform(0.4, 1, count).round(2),
        "fair": "yes", "sentence": "A hole.",
    }  # fmt: skip
    return gpd.GeoDataFrame(data | columns, geometry=lines, crs=UTM)


def ring(count=8) -> gpd.GeoDataFrame:
    """Holes of 60 m around the middle of the land, far enough from one another."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False) - np.pi / 2
    half = 30 / 140
    ends = [
        [(200 + 140 * np.cos(a + s * half), 200 + 140 * np.sin(a + s * half)) for s in (-1, 1)]
        for a in angle
    ]
    # Every third is played the other way round.
    return holes_of([e[::-1] if k % 3 == 2 else e for k, e in enumerate(ends)])


def among(frame, conflicts=(), **changes) -> Candidates:
    tee, basket = ends_of(frame)
    count = len(frame)
    fire = np.array([g.buffer(8) for g in shapely.force_2d(frame.geometry.to_numpy())], object)
    made = Candidates(
        frame, tee, basket, np.zeros(count, bool), np.zeros(count, np.int64),
        np.zeros(count, np.int64), np.zeros((count, 2)), np.zeros(count, bool),
        np.array(conflicts, np.int64).reshape(-1, 2), fire,
        FirstFeatures.none(), np.zeros((count, 0), bool),
    )  # fmt: skip
    return replace(made, **changes)


def check_layout(holes, legs, walks, levels, scene, settings):
    """Violations of one round of `holes` whose `legs` column names their throws."""
    check = Check(levels, scene, settings)
    lines = [line_of(row, legs, check) for row in holes.to_dict("records")]
    order = holes["play_order"] if walks is not None else range(len(lines))
    return round_faults(check, dict(zip(order, lines, strict=True)), walks)
