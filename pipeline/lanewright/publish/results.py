"""Everything a run found, into the files that people open."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from lanewright.base import schema
from lanewright.base.units import FEET_PER_METRE
from lanewright.growth.vegetation import THROWING
from lanewright.land.reading import threads
from lanewright.layout.designer import start_frames
from lanewright.publish.closing import closing
from lanewright.publish.field import write_field
from lanewright.publish.findings import Findings
from lanewright.publish.gather import findings_of
from lanewright.publish.geopackage import write_geopackage, write_shaped
from lanewright.publish.outputs import DESIGNER_START
from lanewright.publish.project import write_project
from lanewright.publish.rasters import write_cog
from lanewright.publish.report import page as report
from lanewright.publish.sheet import write_sheet
from lanewright.publish.summary import with_costs, write_summary
from lanewright.publish.tables import write_holes_csv
from lanewright.results import Scouting
from lanewright.settings.config import Config
from lanewright.sources.crs import authority
from lanewright.store import Meter, Store, Timing, Written
from lanewright.visit.outing import Outing

log = logging.getLogger(__name__)

VERSION = 35
"""Raise whenever what is written changes for the same results."""


@dataclass(frozen=True)
class Published:
    """What was written.

    Attributes
    ----------
    out
        The folder.
    found
        What the files hold; None where they stand there from an earlier run.
    timings
        What the stages cost, this one last.
    """

    out: Path
    found: Findings | None
    timings: tuple[Timing, ...]

    def __str__(self) -> str:
        if self.found is None:
            return f"nothing changed since the last run; the results in {self.out} stand"
        total = sum(t.seconds for t in self.timings)
        peak = max(t.peak_mb for t in self.timings)
        made = ", ".join(t.stage for t in self.timings if not t.reused)
        lines = [
            *_words(self.found),
            f"  made: {made}; {total:.0f} s, peak {peak:,.0f} MB",
            f"  results: {self.out / 'scout.gpkg'}",
            *closing(self.found),
        ]
        return "\n".join(lines)


def publish(config: Config, scouting: Scouting, store: Store, out: Path) -> Published:
    """Write GeoPackage, rasters, page, book and summary to `out`, unless they stand there already.

    Files are made in a folder of their own and moved into place when all are whole.
    """
    # The summary names all settings and files, whether or not they change any result.
    plan = scouting.plan
    files = sorted((str(path), content.whole) for path, content in plan.contents.items())
    said = [files, plan.assumed, plan.warnings]
    key = store.digest("publish", VERSION, report.VERSION, config, said, _results(scouting))
    root = store.folder.parent
    written, folder = Written(root, store.folder), str(out.relative_to(root))
    if not store.redoes("publish") and written.stands(folder, key):
        log.info("publish: nothing changed, the results stand")
        return Published(out, None, tuple(store.timings))

    began, meter = time.perf_counter(), Meter()
    show = store.show("publish")
    try:
        with store.scratch("publish") as beside:
            found, outing = findings_of(config, scouting)
            show(0.2)
            write_all(beside, found, outing)
            timing = Timing("publish", time.perf_counter() - began, meter.stop(), False)
            timings = (*store.timings, timing)
            write_summary(beside / "summary.json", with_costs(found.summary, timings))
            written.publish(folder, key, beside)
    finally:
        show(None)
    log.info("publish: done in %.1f s, peak %.0f MB", timing.seconds, timing.peak_mb)
    return Published(out, found, timings)


def _results(scouting: Scouting) -> list[object]:
    """Results of the stages that are written, page and book included."""
    return [
        scouting.survey,
        scouting.ground,
        scouting.terrain,
        scouting.vegetation,
        scouting.lanes,
        scouting.features,
        scouting.legs,
        scouting.holes,
        scouting.trim,
        scouting.cuts,
        scouting.layouts,
        scouting.changes,
        scouting.scene,
    ]


def write_all(folder: Path, found: Findings, outing: Outing) -> None:
    """Write every file but the summary."""
    feet_first = found.config.units == "feet"
    # GDAL writes beside the pages, which are made in Python: each file is one thread's alone.
    with ThreadPoolExecutor(1) as beside:
        data = beside.submit(_write_data, folder, found)
        write_holes_csv(folder / "holes.csv", found.layers["layout_holes"], feet_first=feet_first)
        write_field(folder, found, outing)
        write_sheet(folder / "concept-plan.pdf", found, outing)
        report.write_report(folder / "report.html", found)
        data.result()
    write_project(folder, found)


def _write_data(folder: Path, found: Findings) -> None:
    """GeoPackages and rasters."""
    layers, crs, words = found.layers, found.grid.crs, words_of(found.config)
    feet_first = found.config.units == "feet"
    write_shaped(folder / "scout.gpkg", layers, crs, feet_first=feet_first, words=words)
    start = start_frames(layers["layout_holes"], layers["holes"], layers["legs"], crs)
    write_geopackage(folder / DESIGNER_START, start, crs)
    _write_rasters(folder / "rasters", found, words)


def _write_rasters(folder: Path, found: Findings, words: Mapping[str, str]) -> None:
    folder.mkdir()

    def write(name: str) -> None:
        raster = schema.RASTERS[name]
        raster = replace(raster, meaning=raster.meaning.format_map(words))
        write_cog(folder / f"{name}.tif", found.rasters[name], found.grid, raster)

    with ThreadPoolExecutor(threads()) as pool:
        list(pool.map(write, found.rasters))


def words_of(config: Config) -> dict[str, str]:
    """What the settings decide, for the names in braces within the descriptions of the schema."""
    low, high = THROWING
    return {
        "lane_heights": f"{config.lanes.low:g} to {config.lanes.high:g} m",
        "evidence_heights": f"{low:g} to {high:g} m",
        "canopy_from": f"{config.vegetation.canopy_from:g} m",
    }


def _words(found: Findings) -> Iterator[str]:
    """What was found, for the terminal."""
    layers = found.layers
    hectares = float(layers["property"]["area_ha"].sum())
    ground = found.summary["findings"]["ground"]["source"]
    crs = authority(found.grid.crs)
    yield f"{found.config.name}: {hectares:.1f} ha, ground from {ground}, {crs}"
    counts = {n: len(frame) for n, frame in layers.items() if n not in ("property", "cautions")}
    yield "  " + ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items())
    holes, legs = found.layer("holes"), found.layer("legs")
    if holes is not None:
        best = holes.sort_values("score", ascending=False, kind="stable").iloc[0]
        if best["score"] > 0:
            yield f"  best hole: {best['sentence']}"
        else:
            yield "  no hole is fair, neither as it is nor after the work that was planned"
    elif legs is not None:
        best = legs.sort_values("score", ascending=False, kind="stable").iloc[0]
        yield (
            f"  best leg: {best['length_m']:.0f} m ({best['length_m'] * FEET_PER_METRE:.0f} ft), "
            f"grade {best['grade_pct']:.0f} %"
        )
    yield from (f"  note: {warning}" for warning in found.summary["warnings"])
