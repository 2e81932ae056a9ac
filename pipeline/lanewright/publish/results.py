"""Everything a run found, into the files that people open."""

from __future__ import annotations

import logging
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from lanewright.base import schema
from lanewright.base.grid import Grid
from lanewright.growth.vegetation import THROWING
from lanewright.holes.safety import surroundings_of
from lanewright.land.survey import Plan, threads
from lanewright.layout.designer import start_frames
from lanewright.layout.layoutcheck import check_proposals
from lanewright.legs.throwing import LINE
from lanewright.publish import report
from lanewright.publish.field import arrival_of, plan_field, write_field
from lanewright.publish.findings import findings_of
from lanewright.publish.geopackage import write_geopackage
from lanewright.publish.outputs import DESIGNER_START
from lanewright.publish.rasters import write_cog
from lanewright.publish.summary import InputFile, summarise, write_summary
from lanewright.publish.tables import write_holes_csv
from lanewright.results import Scouting
from lanewright.settings.config import Config
from lanewright.sources.crs import authority
from lanewright.store import Meter, Store, Timing, Written
from lanewright.trim.plan import with_hours
from lanewright.visit.cautions import list_cautions

log = logging.getLogger(__name__)

VERSION = 6
"""Raise whenever what is written changes for the same results."""


def publish(config: Config, scouting: Scouting, store: Store, out: Path) -> str:
    """Write GeoPackage, rasters and summary to `out`, unless they stand there already.

    Files are made in a folder of their own and moved into place when all are whole.

    Returns
    -------
    str
        What came out, in a few lines.
    """
    key = store.digest(
        "publish",
        VERSION,
        report.VERSION,
        config.name,
        config.units,
        config.arrival,
        config.leaf_state,
        config.levels,
        config.holes,
        config.field,
        scouting.survey,
        scouting.ground,
        scouting.terrain,
        scouting.vegetation,
        scouting.lanes,
        scouting.legs,
        scouting.holes,
        scouting.trim,
        config.trim,
        scouting.layouts,
    )
    root = store.folder.parent
    written, folder = Written(root, store.folder), str(out.relative_to(root))
    if not store.redoes("publish") and written.stands(folder, key):
        log.info("publish: nothing changed, the results stand")
        return f"nothing changed since the last run; the results in {out} stand"

    began, meter = time.perf_counter(), Meter()
    show = store.show("publish")
    layers, rasters = _layers(config, scouting), _rasters(scouting)
    try:
        with store.scratch("publish") as beside:
            _write_findings(beside, config, scouting, layers, rasters, store)
            show(0.3)
            _write_rasters(beside, config, rasters, scouting.survey.grid)
            timing = Timing("publish", time.perf_counter() - began, meter.stop(), False)
            timings = [*store.timings, timing]
            write_summary(beside / "summary.json", _summary(config, scouting, layers, timings))
            written.publish(folder, key, beside)
    finally:
        show(None)
    log.info("publish: done in %.1f s, peak %.0f MB", timing.seconds, timing.peak_mb)
    return _told(config, scouting, layers, timings, out)


def _write_findings(
    beside: Path,
    config: Config,
    scouting: Scouting,
    layers: dict[str, gpd.GeoDataFrame],
    rasters: dict[str, NDArray[Any]],
    store: Store,
) -> None:
    """Write everything but rasters and summary; adds the layer `field_checks`."""
    grid, feet_first = scouting.survey.grid, config.units == "feet"
    outing, layers["field_checks"] = plan_field(config, scouting, layers, rasters)
    write_geopackage(
        beside / "scout.gpkg", layers, grid.crs, feet_first=feet_first, words=words_of(config)
    )
    write_holes_csv(beside / "holes.csv", layers["layout_holes"], feet_first=feet_first)
    start = start_frames(layers["layout_holes"], layers["holes"], layers["legs"], grid.crs)
    write_geopackage(beside / DESIGNER_START, start, grid.crs)
    found = findings_of(
        config,
        scouting,
        layers,
        rasters,
        _summary(config, scouting, layers, store.timings),
        arrival_of(config, grid, rasters["ground"]),
    )
    write_field(beside, found, outing)
    report.write_report(beside / "report.html", found)


def _write_rasters(
    beside: Path, config: Config, rasters: dict[str, NDArray[Any]], grid: Grid
) -> None:
    (beside / "rasters").mkdir()

    def write(name: str) -> None:
        raster = schema.RASTERS[name]
        raster = replace(raster, meaning=raster.meaning.format_map(words_of(config)))
        write_cog(beside / "rasters" / f"{name}.tif", rasters[name], grid, raster)

    with ThreadPoolExecutor(threads()) as pool:
        list(pool.map(write, rasters))


def words_of(config: Config) -> dict[str, str]:
    """What the settings decide, for the names in braces within the descriptions of the schema."""
    low, high = THROWING
    return {
        "lane_heights": f"{config.lanes.low:g} to {config.lanes.high:g} m",
        "evidence_heights": f"{low:g} to {high:g} m",
        "canopy_from": f"{config.vegetation.canopy_from:g} m",
    }


def _layers(config: Config, scouting: Scouting) -> dict[str, gpd.GeoDataFrame]:
    survey, terrain = scouting.survey, scouting.terrain
    outline = gpd.GeoDataFrame(
        {
            "name": [config.name],
            "area_ha": [survey.land.area / 1e4],
            "source": [config.property.name if config.property else "extent of the survey"],
        },
        geometry=[survey.land],
        crs=survey.grid.crs,
    )
    layers = {
        "property": outline if not survey.land.is_empty else outline.iloc[:0],
        "water": terrain.water_bodies,
        "wet_ground": terrain.wet_ground,
        "drainage": terrain.drainage,
        "cautions": list_cautions(
            survey, terrain, scouting.vegetation, scouting.trim, config.trim, scouting.scene.wires
        ),
        "tee_sites": scouting.legs.tee_sites,
        "basket_sites": scouting.legs.basket_sites,
        # With the throws from landing zones that holes added; Legs.legs has them not.
        "legs": scouting.holes.legs.drop(columns=list(LINE), errors="ignore"),
        "holes": with_hours(scouting.holes.holes, scouting.trim),
        "trim_work": scouting.trim.work,
        "hole_positions": scouting.holes.positions,
        "layout_holes": scouting.layouts.holes,
        "layout_walks": scouting.layouts.walks,
    }
    if scouting.vegetation is not None and scouting.lanes is not None:
        layers |= {
            "trees": scouting.vegetation.trees,
            "lanes": scouting.lanes.lanes,
            "openings": scouting.lanes.openings,
        }
    return layers


def _rasters(scouting: Scouting) -> dict[str, NDArray[Any]]:
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
        scouting.layouts,
    ):
        said += getattr(result, "warnings", ())
    return said


def _summary(
    config: Config,
    scouting: Scouting,
    layers: dict[str, gpd.GeoDataFrame],
    timings: list[Timing],
) -> dict[str, Any]:
    counts = {name: len(frame) for name, frame in layers.items()}
    findings = {
        "ingest": scouting.survey.facts,
        "ground": {"source": scouting.ground.source, **scouting.ground.facts},
        "vegetation": scouting.vegetation.facts if scouting.vegetation else {},
        "legs": scouting.legs.facts,
        "holes": scouting.holes.facts,
        "trim": scouting.trim.facts,
        "layout": {
            **scouting.layouts.facts,
            "proposals": scouting.layouts.proposals,
            "rules_broken": _rules_broken(config, scouting),
        },
    }
    return summarise(
        title=config.name,
        settings=config,
        inputs=_inputs(scouting.plan),
        grid=scouting.survey.grid,
        counts=counts,
        stages=timings,
        warnings=warnings_of(scouting),
        assumed=scouting.plan.assumed,
        findings=findings,
    )


def _rules_broken(config: Config, scouting: Scouting) -> dict[str, list[str]]:
    """Rules of safety that each proposal breaks, by the check of finished lines; none as a rule.

    A hole that the designer keeps may break some: it is kept all the same, and told.
    """
    told = check_proposals(
        scouting.layouts.holes, scouting.layouts.walks, scouting.holes.holes, scouting.holes.legs,
        [flights.level for flights in scouting.flights.levels],
        surroundings_of(scouting.scene), config.layout.safety,
    )  # fmt: skip
    return {str(number): [str(rule) for rule in rules] for number, rules in told.items()}


def _inputs(plan: Plan) -> list[InputFile]:
    files = []
    for tile in plan.tiles:
        header = tile.header
        sideways, upward = tile.reference.unit_names
        files.append(
            InputFile(
                tile.path,
                "points",
                f"blake2b-128:{plan.checksums[str(tile.path)]}",
                tile.path.stat().st_size,
                tile.reference.found,
                sideways,
                upward,
                {
                    "las": header.version,
                    "point_format": header.point_format,
                    "points": header.points,
                    "doubt": tile.reference.doubt,
                },
                tile.reference.assumed,
            )
        )
    for model in plan.elevation:
        files.append(
            InputFile(
                model.path,
                "elevation",
                f"blake2b-128:{plan.checksums[str(model.path)]}",
                model.path.stat().st_size,
                authority(model.crs),
                None,
                f"{model.vertical:.9g} m",
                {"rows": model.shape[0], "columns": model.shape[1], "cell": model.cell},
                model.assumed,
            )
        )
    return sorted(files, key=lambda f: (f.role, f.checksum))


def _told(
    config: Config,
    scouting: Scouting,
    layers: dict[str, gpd.GeoDataFrame],
    timings: list[Timing],
    out: Path,
) -> str:
    """What came out, for the terminal."""
    legs = layers["legs"]
    counts = {n: len(frame) for n, frame in layers.items() if n not in ("property", "cautions")}
    lines = [
        f"{config.name}: {scouting.survey.land.area / 1e4:.1f} ha, ground from "
        f"{scouting.ground.source}, {authority(scouting.survey.grid.crs)}",
        "  " + ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items()),
    ]
    if len(layers.get("holes", ())):
        best = layers["holes"].sort_values("score", ascending=False, kind="stable").iloc[0]
        lines.append(f"  best hole: {best['sentence']}")
    elif len(legs):
        best = legs.sort_values("score", ascending=False, kind="stable").iloc[0]
        lines.append(
            f"  best leg: {best['length_m']:.0f} m ({best['length_m'] / 0.3048:.0f} ft), "
            f"grade {best['grade_pct']:.0f} %"
        )
    lines += [f"  note: {warning}" for warning in warnings_of(scouting)]
    total = sum(t.seconds for t in timings)
    peak = max(t.peak_mb for t in timings)
    made = ", ".join(t.stage for t in timings if not t.reused)
    lines.append(f"  made: {made}; {total:.0f} s, peak {peak:,.0f} MB")
    lines.append(f"  results: {out / 'scout.gpkg'}")
    return "\n".join(lines)
