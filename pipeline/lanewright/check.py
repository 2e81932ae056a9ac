"""What the inputs hold, told in one screen from their headers, with a verdict."""

from __future__ import annotations

import datetime as dt

import numpy as np
from shapely import box, union_all

from lanewright.land.survey import Plan, plan
from lanewright.settings.config import Config
from lanewright.settings.levels import level_named
from lanewright.sources import crs as crs_of
from lanewright.sources import rasters, reader
from lanewright.sources.las import GPS_EPOCH, PointTile

SAMPLE = 50_000
"""Points at the start of each tile looked at for classes and dates, which headers lack."""

FEW_GROUND = 0.02
"""Share of class 2 in the sample under which ground will probably be filtered."""


def check_inputs(config: Config) -> tuple[str, bool]:
    """Text of the findings, and whether a run can work with the inputs.

    Raises
    ------
    InputError
        If the inputs are wrong, as the run itself would say it.
    """
    for name in config.levels:
        level_named(name, config.flight.levels_file)
    found = plan(config)
    lines = [f"{config.name}", ""]
    classes: dict[int, int] = {}
    if found.tiles:
        samples = reader.read_parts(
            [reader.Part(t, 0, min(SAMPLE, t.header.points), None, None) for t in found.tiles],
            2,
            config.ingest.stall_seconds,
        )
        lines += _about_points(found, samples, classes)
    lines += _about_elevation(found)
    lines += _about_land(config, found)
    lines += ["", "taken for granted:", *(f"  {a}" for a in found.assumed)] if found.assumed else []
    lines += ["", "look at:", *(f"  {w}" for w in found.warnings)] if found.warnings else []
    missing = _missing(config, found, classes)
    lines += ["", "missing:", *(f"  {m}" for m in missing)] if missing else []
    if found.tiles:
        verdict = "a run can start"
    else:
        verdict = "a run can start, but without lidar it tells terrain and water only, no clearance"
    lines += ["", f"verdict: {verdict}"]
    return "\n".join(lines), True


def _about_points(found: Plan, samples: list[reader.Tally], classes: dict[int, int]) -> list[str]:
    lines = [f"points: {len(found.tiles)} tiles, {sum(t.header.points for t in found.tiles):,}"]
    whole = reader.Tally()
    dates: list[dt.date] = []
    for tile, sample in zip(found.tiles, samples, strict=True):
        header, (xy, z) = tile.header, tile.reference.unit_names
        area = _area(found, tile)
        lines.append(
            f"  {header.path.name}: LAS {header.version} format {header.point_format}"
            f"{' COPC' if header.copc else ' LAZ' if header.compressed else ''}, "
            f"{header.points:,} points, {header.points / area:.1f} per m2"
        )
        lines.append(f"    {tile.reference.found}; x and y in {xy}, heights in {z}")
        whole.add(sample)
        if header.adjusted_time and np.isfinite(sample.first_time):
            seconds = sample.first_time + 1e9
            if 0 <= seconds < 4e9:
                dates.append((GPS_EPOCH + dt.timedelta(seconds=seconds)).date())
    classes.update(whole.classes)
    firsts = sum(t.header.first_returns for t in found.tiles)
    area = sum(_area(found, t) for t in found.tiles)
    lines.append(f"  pulses: {firsts / area:.1f} first returns per m2 over the tiles' boxes")
    named = ", ".join(
        f"{k} {_CLASS_NAMES.get(k, 'user')} {100 * v / whole.read:.0f} %"
        for k, v in sorted(whole.classes.items())
    )
    lines.append(f"  classes in the first {whole.read:,} points: {named}")
    if dates:
        lines.append(f"  flown: {min(dates)} to {max(dates)}, by the GPS times of those points")
    else:
        made = sorted({str(t.header.made) for t in found.tiles if t.header.made})
        lines.append(f"  flown: not told; files made {', '.join(made) or 'at an unknown date'}")
    return lines


_CLASS_NAMES = {
    0: "never classified", 1: "unclassified", 2: "ground", 3: "low vegetation",
    4: "medium vegetation", 5: "high vegetation", 6: "building", 7: "noise", 8: "key point",
    9: "water", 10: "rail", 11: "road", 12: "overlap", 13: "wire guard", 14: "wire",
    15: "tower", 16: "wire connector", 17: "bridge", 18: "high noise", 19: "overhead",
    20: "ignored ground", 21: "snow", 22: "other time",
}  # fmt: skip
"""Point classes of the ASPRS LAS 1.4 R16 specification."""


def _area(found: Plan, tile: PointTile) -> float:
    left, bottom, right, top = crs_of.bounds_in(tile.reference, found.working, tile.header.bounds)
    return max((right - left) * (top - bottom), 1.0)


def _about_elevation(found: Plan) -> list[str]:
    lines = [f"elevation: {len(found.elevation)} tiles"] if found.elevation else []
    for model in found.elevation:
        unit = "metre" if model.vertical == 1 else f"unit of {model.vertical:.7g} m"
        lines.append(
            f"  {model.path.name}: {model.shape[1]} x {model.shape[0]} cells of {model.cell:g}, "
            f"heights in {unit}, {crs_of.authority(model.crs)}"
        )
    return lines


def _about_land(config: Config, found: Plan) -> list[str]:
    grid = found.grid
    lines = [
        f"working CRS: {crs_of.authority(found.working)}",
        f"grid: {grid.cols} x {grid.rows} cells of {grid.cell:g} m",
    ]
    if found.land is not None:
        boxes = [crs_of.bounds_in(t.reference, found.working, t.header.bounds) for t in found.tiles]
        boxes += [rasters.bounds_in_working(m, found.working) for m in found.elevation]
        covered = union_all([box(*b) for b in boxes]).intersection(found.land).area
        acres = found.land.area / 4046.8564224
        lines.append(
            f"property: {found.land.area / 1e4:.1f} ha ({acres:.0f} acres), "
            f"{100 * covered / found.land.area:.0f} % within the tiles"
        )
    if found.skipped:
        lines.append(f"tiles that do not touch the property, not read: {len(found.skipped)}")
    if config.own_holes:
        lines.append(f"own holes: {len(found.own_holes)} lines")
    return lines


def _missing(config: Config, found: Plan, classes: dict[int, int]) -> list[str]:
    lines = []
    if not found.tiles:
        lines.append("points: without lidar nothing is known of trees")
    elif classes.get(2, 0) < FEW_GROUND * sum(classes.values()):
        lines.append("a ground class worth the name; ground will be filtered from last returns")
    if found.land is None:
        lines.append("property: draw the boundary, or land of neighbours is planned too")
    if not config.keep_out:
        lines.append("keep_out: roads, houses and power lines are not known to the run")
    if config.leaf_state == "unknown":
        lines.append("leaf_state: off or on; a leafless survey flatters a wood")
    return lines
