"""What the stages found of one parcel, in the figures of its row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from lanewright.base.arrays import Flags
from lanewright.base.outlines import cells_of
from lanewright.base.rows import Row
from lanewright.features.features import Features, find_features
from lanewright.features.naming import KINDS
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import Vegetation, sort_vegetation
from lanewright.holes.par import room_for
from lanewright.land.ground import find_ground
from lanewright.land.reading import read_points
from lanewright.land.survey import Survey, lay_survey, mark_survey
from lanewright.land.terrain import find_terrain
from lanewright.publish.readback import read_layer
from lanewright.scene import TREE, Scene, build_scene
from lanewright.settings.config import Config
from lanewright.settings.levels import Level, levels_named
from lanewright.settings.rank import RankSettings
from lanewright.store import Store

LINES = ("fairway", "tunnel", "gap", "carry", "edge", "drop", "climb")
"""Kinds of features that are lines to throw along."""

FIRST = 10
"""Features that count for what the land offers: as many as a visit sees."""


@dataclass(frozen=True)
class Looked:
    """Results of a quick look."""

    survey: Survey
    vegetation: Vegetation | None
    scene: Scene
    features: Features


def looked_at(stages: Path, surveyed: bool) -> Looked:
    """Results of the last run of a parcel, through stage `features`.

    Parameters
    ----------
    stages
        Its folder of stage results.
    surveyed
        Whether there is lidar.

    Raises
    ------
    Damaged
        If a result is gone or not as it was written.
    """
    store = Store(stages)
    # A result refers to parts of earlier ones, so all before it are read, in the order of the run.
    if surveyed:
        store.last(read_points)
    store.last(lay_survey)
    store.last(find_ground)
    store.last(find_terrain)
    vegetation = store.last(sort_vegetation) if surveyed else None
    if surveyed:
        store.last(find_lanes)
    survey = store.last(mark_survey)
    return Looked(survey, vegetation, store.last(build_scene), store.last(find_features))


def main_level(config: Config) -> Level:
    """The level that rounds are laid out for: `layout.level`, by default the first of the run."""
    levels = levels_named(config.levels, config.flight.levels_file)
    wanted = (config.layout.level or levels[0].name).lower()
    return next((level for level in levels if level.name == wanted), levels[0])


def figures_of(found: Looked, config: Config, level: Level, settings: RankSettings) -> Row:
    """Figures of a quick look, by the columns of layer `ranked`; None where unknown.

    Parameters
    ----------
    level
        Who sets how much ground a hole takes.
    """
    scene = found.scene
    inside = cells_of(scene.land, scene.grid)
    steep = scene.slope_pct > settings.steep
    usable = _usable(scene, config, inside) & ~steep & ~scene.wet
    hectare = 1e4 / scene.grid.cell**2
    wooded = _share(np.nan_to_num(scene.canopy_height) > TREE, inside) if scene.surveyed else 0.0
    flown = found.survey.facts.get("flown")
    width = scene.free_width
    lines = _lines(found.features)
    by_area = room_for(level, float(usable.sum()) / hectare, wooded or 0.0)
    apart = _apart(lines, settings.line_from, settings.line_gap)
    wet = inside if scene.wet_known else inside & False
    return {
        "area_ha": scene.land.area / 1e4,
        "usable_ha": float(usable.sum()) / hectare,
        "wooded_share": wooded if scene.surveyed else None,
        "holes_by_area": by_area,
        "fair_lines": len(lines) if scene.surveyed else None,
        "lines_apart": min(apart, by_area) if scene.surveyed else None,
        "wet_share": _share(scene.wet, wet),
        "maybe_wet_share": _share(scene.maybe_wet, wet),
        "steep_share": _share(steep, inside & np.isfinite(scene.slope_pct)),
        "closed_share": _share(width < settings.open_width, usable & np.isfinite(width)),
        "flown": " to ".join(sorted(set(flown))) if isinstance(flown, list) else None,
        "first_returns": found.survey.first_returns_per_m2 if scene.surveyed else None,
        "covered_share": _share(found.survey.tally.covered, inside) if found.survey.tally else 0.0,
        "seen_share": _mean(found.vegetation.seen_share, inside) if found.vegetation else 0.0,
        **_offers(found.features),
    }


def round_of(out: Path) -> Row:
    """Figures of the first round of a finished run: what was laid out, and what it takes."""
    holes = read_layer(out, "layout_holes")
    first = holes[holes["proposal"] == holes["proposal"].min()] if len(holes) else holes
    hours = first[["trim_hours_low", "trim_hours_high"]].sum()
    return {
        "holes_fit": len(first),
        "fair_holes": int(first["fair"].isin(["yes", "after trim"]).sum()),
        "round_m": float(first["length_m"].sum()) if len(first) else None,
        "trim_hours_low": float(hours.iloc[0]) if len(first) else None,
        "trim_hours_high": float(hours.iloc[1]) if len(first) else None,
    }


def _usable(scene: Scene, config: Config, inside: Flags) -> Flags:
    """Ground that a hole may lie on by the property line, water and what is kept out."""
    free = shapely.difference(
        scene.land.buffer(-config.legs.sites.boundary_setback), scene.off_limits
    )
    known = np.isfinite(scene.ground) & np.isfinite(scene.slope_pct)
    return np.asarray(inside & known & ~scene.water & cells_of(free, scene.grid))


def _share(what: Flags, of: Flags) -> float | None:
    return float(what[of].mean()) if of.any() else None


def _mean(values: np.ndarray, of: Flags) -> float | None:
    known = of & np.isfinite(values)
    return float(values[known].mean()) if known.any() else None


def _lines(features: Features) -> list[shapely.LineString]:
    """Lines that a level of the run can throw as they stand, the best first."""
    table = features.features
    fair = table["kind"].isin(LINES) & table["levels"].notna()
    return list(table[fair].geometry)


def _apart(lines: list[shapely.LineString], least: float, gap: float) -> int:
    """Lines that could be holes at the same time: each in its turn, if far from those taken."""
    taken: list[shapely.LineString] = []
    for line in lines:
        if line.length >= least and all(line.distance(other) >= gap for other in taken):
            taken.append(line)
    return len(taken)


def _offers(features: Features) -> Row:
    table = features.features
    count = table["kind"].value_counts()
    kinds = [counted(int(count[kind]), KINDS[kind]) for kind in KINDS if kind in count]
    return {
        "feature_count": len(table),
        "features": ", ".join(kinds) or None,
        "best_feature": str(table["name"].iloc[0]) if len(table) else None,
        "feature_value": float(table["rank_value"].head(FIRST).sum()),
    }


def counted(count: int, kind: str) -> str:
    """A kind of feature with its number.

    Examples
    --------
    >>> counted(1, "gap"), counted(2, "carry"), counted(3, "bench for a green")
    ('1 gap', '2 carries', '3 benches for a green')
    """
    noun, joint, rest = kind.partition(" for ")
    if count != 1:
        ending = "es" if noun.endswith("ch") else "s"
        noun = noun[:-1] + "ies" if noun.endswith("y") else noun + ending
    return f"{count} {noun}{joint}{rest}"
