"""A made-up run for pages: plain land, walls of growth, two layouts; every number foreseen."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from lanewright.base.grid import Grid
from lanewright.flight.flight import ARCS, NODES, TARGET, Flights, LevelFlights
from lanewright.growth.columns import DENSITY_TABLE, LAYERS, Columns
from lanewright.publish.findings import Findings
from lanewright.settings.config import Config
from lanewright.settings.levels import levels_named
from lanewright.visit.outing import as_published
from publish.frames import ORIGIN, UTM, all_layers

SIZE = 400
GRID = Grid(UTM, ORIGIN[0], ORIGIN[1] + SIZE, 1.0, SIZE, SIZE)
WALL = 40.0  # m from each tee, of growth from 2 to 5 m up and 3 m deep
DENSE = 200  # a code well over what blocks


def table() -> Flights:
    """A flight table of one level whose throws fly straight and spread by aim alone."""
    (level,) = levels_named(("blue",))
    distance = np.arange(20.0, 110.0, 5.0)
    grade = np.array([-0.2, 0.0, 0.2])
    shape = (distance.size, grade.size, len(ARCS))
    along = np.r_[np.linspace(0, 1, TARGET + 1), np.linspace(1, 1.2, NODES - TARGET)[1:]]
    path = np.zeros((*shape, NODES, 3), np.float32)
    path[..., 0] = along
    path[..., 2] = 12 * along * (1 - along)
    zeros, nodes = np.zeros(shape, np.float32), np.zeros((*shape, NODES), np.float32)
    facts = {
        name: zeros
        for name in LevelFlights.__dataclass_fields__
        if name.startswith(("release_", "arrival_")) or name in ("apex", "offset", "skid")
    }
    return Flights(
        (
            LevelFlights(
                level=level, distance=distance, grade=grade, arcs=ARCS,
                exists=np.ones(shape, bool), path=path,
                spread=np.zeros((*shape, 3, NODES, 3), np.float32), time=nodes, speed=nodes,
                discs=("made up",), farthest=zeros[:, :, 0], release=1.4, end=0.9, scale=1.0,
                apex_margin=1.0, unsure=np.zeros((*shape, 3, NODES, 3), np.float32),
                **facts,
            ),
        )
    )  # fmt: skip


def columns_with_walls(lines: list[shapely.LineString]) -> Columns:
    """Searched everywhere, empty but for a wall across each line."""
    density = np.zeros((*GRID.shape, LAYERS), np.uint8)
    hit = np.zeros(GRID.shape, np.uint64)
    everything = np.full(GRID.shape, 2**64 - 1, np.uint64)
    bits = np.uint64(((1 << 12) - 1) << 8)
    for line in lines:
        middle = line.interpolate(WALL + 1.5)
        row, col = GRID.rowcol(*(np.array([v]) for v in (middle.x, middle.y)))
        near = np.s_[row[0] - 1 : row[0] + 2, col[0] - 1 : col[0] + 2]
        density[(*near, np.s_[8:20])] = DENSE
        hit[near] |= bits
    return Columns(hit, everything, np.zeros(GRID.shape, np.uint64), density, DENSITY_TABLE)


@dataclass(frozen=True)
class Made:
    """Findings, and the frames they came from."""

    found: Findings
    layers: dict[str, gpd.GeoDataFrame]


def made(
    name: str = "Test Land", units: str = "metres", without: tuple[str, ...] = (),
    lidar: bool = True, **more: object,
) -> Made:  # fmt: skip
    """A run with six legs, five holes, two proposals and a piece of trim work on each of two."""
    layers = all_layers()
    _as_a_round(layers)
    layers["property"]["name"] = name
    layers = {k: v for k, v in layers.items() if k not in without}
    y, x = np.indices(GRID.shape)
    ground = 200 + 0.05 * x + 2 * np.sin(y / 40)
    rasters = {
        "ground": ground,
        "slope": np.full(GRID.shape, 5.0),
        "wetness": np.random.default_rng(1).gamma(5, 1, GRID.shape),
    }
    if lidar:
        rasters |= {
            "canopy_height": np.where(x > 200, 12.0, 0.0),
            "free_width": np.where(x > 200, 3.0, 30.0),
            "seen_share": np.where(y > 200, 0.4, 0.9),
        }
    config = Config(name=name, points=("tiles/*.laz",), out=Path("out"), levels=("blue",),
                    holes=5, units=units, **more)  # fmt: skip
    legs = layers.get("legs")
    found = Findings(
        config=config,
        grid=GRID,
        inside=np.ones(GRID.shape, bool),
        layers={k: as_published(k, v) for k, v in layers.items()},
        rasters=rasters,
        summary=_summary(),
        columns=columns_with_walls(list(legs.geometry)) if lidar and legs is not None else None,
        flights=table(),
    )
    return Made(found, layers)


def _as_a_round(layers: dict[str, gpd.GeoDataFrame]) -> None:
    """Frames of random numbers made to refer to each other, and lines laid apart and straight."""
    along = np.linspace(0, 1, 65)
    lines = []
    for i in range(5):
        x0, y0 = ORIGIN[0] + 60, ORIGIN[1] + 60 + 60 * i
        x = x0 + 90 * along
        row, col = GRID.rowcol(x, np.full(65, y0))
        ground = 200 + 0.05 * col + 2 * np.sin(row / 40)
        height = 1.4 + (0.9 - 1.4) * along + 12 * along * (1 - along)
        lines.append(
            shapely.linestrings(np.column_stack([x, np.full(65, float(y0)), ground + height]))
        )
    legs = layers["legs"]
    legs["level"], legs["length_m"], legs["finish"] = "blue", 90.0, "straight"
    legs["length_ft"] = 90 / 0.3048
    legs["unfair"] = ["", "gap", "", "wet, carry", ""]
    legs["pinch_at_m"], legs["pinch_width_m"] = 40.0, 4.0
    layers["legs"] = legs.set_geometry(lines, crs=UTM)
    holes = layers["holes"]
    for name in ("holes", "legs"):  # every other one the designer's
        layers[name]["origin"] = np.where(np.arange(len(layers[name])) % 2, "own", "search")
    holes["legs"] = ["1", "2", "3", "4", "5"]
    holes["level"], holes["par"] = "blue", [3, 3, 4, 3, 5]
    holes["unfair"] = legs["unfair"]
    holes["pinch_at_m"], holes["pinch_width_m"] = 40.0, 4.0
    layers["holes"] = holes.set_geometry(lines, crs=UTM)
    layout = layers["layout_holes"]
    layout["proposal"], layout["play_order"] = [1, 1, 1, 2, 2], [1, 2, 3, 1, 2]
    layout["hole_id"], layout["par"], layout["level"] = [2, 1, 3, 4, 2], [3, 3, 4, 3, 3], "blue"
    layout["rise_m"] = layout["rise_m"] - 15
    layers["layout_holes"] = layout.set_geometry([lines[i - 1] for i in layout["hole_id"]], crs=UTM)
    walks = layers["layout_walks"]
    walks["proposal"] = [1, 1, 1, 2, 2]
    # Less than the holes, or it were no course.
    walks["length_m"], walks["length_ft"] = 2.0, 2 / 0.3048
    work = layers["trim_work"]
    work["leg_id"], work["piece_id"], work["chosen"] = [1, 2, 2, 3, 4], [1, 2, 3, 4, 1], True
    work["chosen"] = [True, True, True, False, True]
    work["low_m"], work["high_m"] = 1.0, 6.0
    spots = [lines[i - 1].interpolate(WALL + 1.5).buffer(3.0) for i in work["leg_id"]]
    layers["trim_work"] = work.set_geometry(spots, crs=UTM)
    checks = layers["field_checks"]
    checks["hole_id"], checks["leg_id"] = [1, 2, 3, 4, 5], [1, 2, 3, 4, 5]


def _summary() -> dict[str, object]:
    return {
        "versions": {"lanewright": "0.0", "numpy": "2.0"},
        "inputs": [
            {
                "path": "/data/a <b>.laz", "role": "points", "bytes": 12_300_000,
                "checksum": "blake2b-128:0123456789abcdef0123", "crs": "EPSG:32617",
                "horizontal_unit": "metre", "vertical_unit": "US survey foot", "assumed": [],
            }
        ],
        "georeference": {"crs": "EPSG:32617 WGS 84 / UTM zone 17N"},
        "assumed": ["a.laz: heights in feet; the file does not say"],
        "warnings": ["the survey is thin in the north"],
        "findings": {
            "ingest": {"flown": ["2021-03-17", "2021-03-19"], "points_kept": 800_000},
            "ground": {"source": "class 2"},
        },
    }  # fmt: skip
