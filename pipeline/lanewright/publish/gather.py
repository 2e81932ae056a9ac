"""From a run's results to what is published: layers, rasters, summary, and what stands behind."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from lanewright.base.rows import Row
from lanewright.features.links import link_features
from lanewright.features.naming import CREEK
from lanewright.holes.holes import Holes
from lanewright.holes.wording import as_layer, in_round
from lanewright.land.plan import Plan
from lanewright.land.survey import Survey
from lanewright.layout.layoutcheck import check_proposals
from lanewright.legs.refused import raster_of, table_of
from lanewright.legs.throwing import LINE
from lanewright.publish.creeks import as_creeks
from lanewright.publish.field import arrival_of, plan_field, plan_first_walk
from lanewright.publish.findings import Findings
from lanewright.publish.hints import with_hints
from lanewright.publish.landwords import land_words
from lanewright.publish.obstacles import obstacle_layers
from lanewright.publish.scoring import with_scores
from lanewright.publish.sky import with_sky
from lanewright.publish.summary import InputFile, Said, summarise
from lanewright.publish.viewlines import with_views
from lanewright.results import Scouting
from lanewright.settings.config import Config
from lanewright.sources.converted import record
from lanewright.sources.crs import authority
from lanewright.sources.files import Fingerprint, with_names
from lanewright.sources.las import PointTile
from lanewright.sources.rasters import ElevationTile
from lanewright.trim.opened import with_outcome
from lanewright.trim.plan import with_hours
from lanewright.trim.tables import Trim
from lanewright.visit.cautions import list_cautions
from lanewright.visit.firstwalk import NAMES, summary
from lanewright.visit.outing import Outing, as_shown


def findings_of(config: Config, scouting: Scouting) -> tuple[Findings, Outing]:
    """Everything that is published, in the GeoPackage's very numbers, and the holes to be seen."""
    survey, vegetation, trim = scouting.survey, scouting.vegetation, scouting.trim
    rasters = rasters_of(scouting)
    layers = {name: as_shown(name, frame) for name, frame in layers_of(config, scouting).items()}
    arrival = arrival_of(config, survey.grid, rasters["ground"])
    outing, checks = plan_field(config, survey, layers, rasters, arrival)
    layers["field_checks"] = as_shown("field_checks", checks)
    walk, begins = plan_first_walk(config, scouting.scene, layers, arrival)
    layers["first_walk"] = as_shown("first_walk", walk)
    found = Findings(
        config=config,
        grid=survey.grid,
        inside=survey.inside,
        layers=layers,
        rasters=rasters,
        summary=_summary(config, scouting, layers, begins),
        columns=vegetation.columns if vegetation is not None else None,
        flights=scouting.flights,
        trimmed=trim.per_leg if len(trim.per_leg) else None,
        proposals=scouting.layouts.proposals,
        arrival=(arrival.x, arrival.y) if arrival is not None else None,
    )
    return found, outing


def layers_of(config: Config, scouting: Scouting) -> dict[str, gpd.GeoDataFrame]:
    """Frames by layer name, without the field checks."""
    survey, terrain = scouting.survey, scouting.terrain
    linked = link_features(
        scouting.features.features,
        scouting.holes.legs,
        scouting.holes.links,
        scouting.trim.per_leg,
    )
    layers = {
        **obstacle_layers(
            config,
            scouting.plan,
            survey,
            scouting.scene,
            shapely.union_all(terrain.water_bodies.geometry.to_numpy()),
        ),
        "property": _outline(config, survey),
        "water": terrain.water_bodies,
        "wet_ground": terrain.wet_ground,
        "drainage": as_creeks(
            terrain.drainage, survey.grid.cell, max(CREEK, config.layout.walk.stream)
        ),
        "cautions": list_cautions(
            survey,
            terrain,
            scouting.scene.buildings,
            scouting.trim,
            config.trim,
            scouting.scene.wires,
        ),
        "features": linked.features,
        "leg_features": linked.of_legs,
        "hole_features": linked.of_holes,
        "tee_sites": scouting.holes.tee_sites,
        "basket_sites": scouting.holes.basket_sites,
        "refused_squares": table_of(scouting.legs.refused, survey.grid),
        # With the throws from landing zones that holes added; Legs.legs has them not.
        "legs": with_outcome(scouting.holes.legs, scouting.trim.legs, "leg_id").drop(
            columns=list(LINE), errors="ignore"
        ),
        "holes": _holes(scouting.holes, scouting.trim),
        "trim_work": scouting.trim.work,
        "cut_lanes": scouting.cuts.lanes,
        "cut_work": scouting.cuts.work,
        "hole_positions": scouting.holes.positions,
        **_rounds(config, scouting),
    }
    if scouting.vegetation is not None and scouting.lanes is not None:
        layers |= {
            "trees": scouting.vegetation.trees,
            "lanes": scouting.lanes.lanes,
            "openings": scouting.lanes.openings,
        }
    layers["layout_holes"] = with_views(layers, scouting.scene, config.features.eye)
    layers["layout_holes"] = with_hints(layers, config.field.beside)
    if scouting.changes is not None:
        layers |= {"changes": scouting.changes.changes, "lane_changes": scouting.changes.lanes}
    return layers


def _outline(config: Config, survey: Survey) -> gpd.GeoDataFrame:
    """The property as one row; none where there is no land."""
    land = survey.land
    source = config.property.name if config.property else "extent of the survey"
    rows = {"name": [config.name], "area_ha": [land.area / 1e4], "source": [source]}
    frame = gpd.GeoDataFrame(rows, geometry=[land], crs=survey.grid.crs)
    return frame.iloc[:0] if land.is_empty else frame


def _rounds(config: Config, scouting: Scouting) -> dict[str, gpd.GeoDataFrame]:
    """Layers of the proposed rounds."""
    holes, layouts = scouting.holes, scouting.layouts
    mine = in_round(layouts.holes, holes.links, holes.pars, holes.positions)
    levels = [flights.level for flights in scouting.flights.levels]
    mine = with_scores(mine, holes.legs, holes.positions, scouting.trim.per_leg, levels)
    return {
        "layout_holes": with_sky(mine, holes.legs, config.field),
        "layout_walks": layouts.walks,
        "layout_neighbours": layouts.neighbours,
    }


def _holes(holes: Holes, trim: Trim) -> gpd.GeoDataFrame:
    """Candidates with their hours of trimming, and their legs and pars as text."""
    return as_layer(with_hours(holes, trim), holes.links, holes.pars, holes.legs)


def rasters_of(scouting: Scouting) -> dict[str, NDArray[np.floating]]:
    """Arrays by raster name."""
    terrain = scouting.terrain
    level = terrain.water_level
    rasters = {
        "ground": np.where(np.isfinite(level), level, scouting.ground.surface),
        "slope": terrain.slope_pct,
        "aspect_deg": terrain.aspect_deg,
        "wetness": terrain.wetness,
        "ponding": terrain.ponding,
        "height_above_drainage": terrain.height_above_drainage,
    }
    for refused in scouting.legs.refused:
        rasters[f"refused_{refused.what}"] = raster_of(refused, scouting.survey.grid)
    if scouting.vegetation is not None and scouting.lanes is not None:
        vegetation = scouting.vegetation
        rasters |= {
            "canopy_height": vegetation.canopy_height,
            "canopy_cover": vegetation.canopy_cover,
            "brush_density": vegetation.brush_density,
            "seen_share": vegetation.seen_share,
            "free_width": scouting.lanes.free_width,
        }
    return rasters


def warnings_of(scouting: Scouting) -> list[str]:
    """What the reader should know, in the order of the run."""
    said = [*scouting.plan.warnings]
    for result in (
        scouting.survey,
        scouting.ground,
        scouting.vegetation,
        scouting.legs,
        scouting.holes,
        scouting.trim,
        scouting.cuts,
        scouting.layouts,
        scouting.changes,
    ):
        said += getattr(result, "warnings", ())
    # Stored results do not know what a tile is called today.
    return [with_names(text, scouting.plan.contents) for text in said]


def _converted(plan: Plan) -> Row:
    """Files that PDAL read, with its pipelines; nothing where it read none."""
    return {"read_by_pdal": record(plan.converted)} if plan.converted else {}


def _summary(
    config: Config, scouting: Scouting, layers: Mapping[str, gpd.GeoDataFrame], begins: str
) -> Row:
    findings = {
        "ingest": {**scouting.survey.facts, **_converted(scouting.plan)},
        "ground": {"source": scouting.ground.source, **scouting.ground.facts},
        "vegetation": scouting.vegetation.facts if scouting.vegetation else {},
        "features": scouting.features.facts,
        "legs": scouting.legs.facts,
        "holes": scouting.holes.facts,
        "trim": scouting.trim.facts,
        "first_walk": {"begins": begins}
        | {visit: summary(layers["first_walk"], visit) for visit in NAMES},
        "cuts": scouting.cuts.facts,
        "layout": {
            **scouting.layouts.facts,
            "proposals": scouting.layouts.proposals,
            "rules_broken": _rules_broken(config, scouting),
        },
    }
    if scouting.changes is not None:
        findings["changes"] = scouting.changes.facts
    return summarise(
        title=config.name,
        settings=config,
        inputs=_inputs(scouting.plan),
        grid=scouting.survey.grid,
        counts={name: len(frame) for name, frame in layers.items()},
        findings=findings,
        said=Said([*land_words(config, layers), *warnings_of(scouting)], scouting.plan.assumed),
    )


def _rules_broken(config: Config, scouting: Scouting) -> dict[str, list[str]]:
    """Rules of safety that each proposal breaks, by the check of finished lines; none as a rule.

    A hole that the designer keeps may break some: it is kept all the same, and they are listed.
    """
    broken = check_proposals(
        scouting.layouts.holes,
        scouting.layouts.walks,
        scouting.holes.links,
        scouting.holes.legs,
        [flights.level for flights in scouting.flights.levels],
        scouting.scene,
        config.layout.safety,
    )
    return {str(number): [str(rule) for rule in rules] for number, rules in broken.items()}


def _inputs(plan: Plan) -> list[InputFile]:
    files = [_tile(tile, plan.contents[tile.path]) for tile in plan.tiles]
    files += [_model(model, plan.contents[model.path]) for model in plan.elevation]
    return sorted(files, key=lambda f: (f.role, f.checksum))


def _tile(tile: PointTile, content: Fingerprint) -> InputFile:
    header, reference = tile.header, tile.reference
    sideways, upward = reference.unit_names
    return InputFile(
        path=tile.path,
        role="points",
        checksum=f"blake2b-128:{content.whole}",
        size=content.size,
        crs=reference.found,
        horizontal_unit=sideways,
        vertical_unit=upward,
        found={
            "las": header.version,
            "point_format": header.point_format,
            "points": header.points,
            "doubt": reference.doubt,
        },
        assumed=reference.assumed,
    )


def _model(model: ElevationTile, content: Fingerprint) -> InputFile:
    return InputFile(
        path=model.path,
        role="elevation",
        checksum=f"blake2b-128:{content.whole}",
        size=content.size,
        crs=authority(model.crs),
        vertical_unit=f"{model.vertical:.9g} m",
        found={"rows": model.shape[0], "columns": model.shape[1], "cell": model.cell},
        assumed=model.assumed,
    )
