"""What the inputs hold, in one screen from their headers, with a verdict.

`inputs_of` reads and checks everything that a run needs before its first stage. The run and the
check both call it, so neither finds a fault that the other would not.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections import Counter
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from shapely import MultiPolygon

from lanewright.base.errors import Faults, InputError, some
from lanewright.base.units import ACRE
from lanewright.land.parts import may_be_scattered, parts_of, runs_of_parts
from lanewright.land.plan import Plan, open_all, place_of, plan
from lanewright.land.pointplan import Contents, PointPlan
from lanewright.land.reading import check_points
from lanewright.land.stated import covered_share
from lanewright.layout.designer import Hand
from lanewright.layout.designerfile import read_hand
from lanewright.publish.outputs import OUTPUTS
from lanewright.settings.config import Config
from lanewright.settings.levels import Level, levels_named
from lanewright.sources import crs as crs_of
from lanewright.sources import rasters, reader
from lanewright.sources.las import GPS_EPOCH, PointTile
from lanewright.sources.points import Blocks
from lanewright.sources.rasters import ElevationTile
from lanewright.sources.vectors import read_vectors
from lanewright.store import Written, writable
from lanewright.trim.keep import Keep, read_keep
from lanewright.workplace import LOG, STAGES

SAMPLE = 50_000
"""Points at the start of each tile looked at for classes and dates, which headers lack."""

LAST = 1000
"""Points at the end of each tile that are decoded too: a tile that lacks some shows there."""

FEW_GROUND = 0.02
"""Share of class 2 in the sample under which ground will probably be filtered."""

MANY = 8
"""Tiles up to which each is described; more are summed up by kind."""


@dataclass(frozen=True)
class Inputs:
    """Everything a run needs before its first stage."""

    levels: tuple[Level, ...]
    plan: Plan
    hand: Hand
    keep: Keep


def inputs_of(
    config: Config, faults: Faults | None = None, known: Contents | None = None
) -> Inputs:
    """Read and check everything that a run needs, headers only.

    Parameters
    ----------
    faults
        What was found wrong before, to be reported together.
    known
        Content of files that were looked at before, which are not read again here.

    Raises
    ------
    InputError
        Everything that is wrong, in one message.
    """
    faults = faults if faults is not None else Faults()
    levels = faults.attempt(partial(levels_named, config.levels, config.flight.levels_file))
    found = faults.attempt(partial(plan, config, known or {}))
    if found is None:
        # Without a plan there is no place to hold them against, but they can be opened.
        for path in (config.trim.keep, config.layout.paths):
            if path is not None:
                faults.attempt(partial(read_vectors, path, config.crs.vectors))
        faults.stop()
    assert found is not None
    hand = faults.attempt(partial(read_hand, config, found))
    keep = faults.attempt(partial(read_keep, config.trim, found, config.crs.vectors))
    faults.stop()
    assert levels is not None
    assert hand is not None
    assert keep is not None
    return Inputs(levels, found, hand, keep)


def runs_of(config: Config) -> tuple[Config, ...]:
    """The run as it is, or one for each part of a property whose parts lie kilometres apart.

    A fault of the inputs leaves it as it is: the run itself reports every one.

    Raises
    ------
    InputError
        If the parts are to be worked on one by one and a key belongs to one of them only.
    """
    if config.property is None or config.part is not None:
        return (config,)
    try:
        if not may_be_scattered(read_vectors(config.property, config.crs.vectors)):
            return (config,)
        place = place_of(config, open_all(config, Faults()))
    except InputError:
        return (config,)
    parts = parts_of(place.land or MultiPolygon(), config.ingest.context)
    return runs_of_parts(config, len(parts)) if len(parts) > 1 else (config,)


def check_all(config: Config) -> tuple[str, bool]:
    """`check_inputs` of the run, or of the run of each part; every fault in one message."""
    faults, said = Faults(), []
    for mine in runs_of(config):
        found = faults.attempt(partial(check_inputs, mine))
        said += [found] if found is not None else []
    faults.stop()
    return "\n\n".join(text for text, _ in said), all(usable for _, usable in said)


def check_inputs(config: Config) -> tuple[str, bool]:
    """Text of the findings, and whether a run can work with the inputs; nothing is left behind.

    Raises
    ------
    InputError
        If the inputs are wrong, as the run itself would say it.
    """
    faults = Faults()
    faults.attempt(partial(_check_out, config.out))
    found = inputs_of(config, faults).plan
    lines = [f"{config.name}", ""]
    classes: Counter[int] = Counter()
    if found.points is not None:
        samples = _samples(found, found.points)
        for tile, sample in zip(found.tiles, samples, strict=True):
            faults.attempt(partial(check_points, tile.path, sample))
        if found.earlier is not None:
            before = _samples(found, found.earlier)
            for tile, sample in zip(found.earlier.tiles, before, strict=True):
                faults.attempt(partial(check_points, tile.path, sample))
        faults.stop()
        lines += _about_points(found, samples, classes)
        if found.earlier is not None:
            lines += _about_earlier(found, found.earlier)
    lines += _about_elevation(found)
    lines += _about_land(config, found)
    lines += ["", "taken for granted:", *(f"  {a}" for a in found.assumed)] if found.assumed else []
    lines += ["", "look at:", *(f"  {w}" for w in found.warnings)] if found.warnings else []
    missing = _missing(config, found, classes)
    lines += ["", "missing:", *(f"  {m}" for m in missing)] if missing else []
    verdict = "a run can start"
    if not found.tiles:
        verdict += ", but without lidar it finds terrain and water only, no clearance"
    lines += ["", f"verdict: {verdict}"]
    return "\n".join(lines), True


def _check_out(out: Path) -> None:
    """Whether a run could write there; folders made for the trial are removed again."""
    missing = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        writable(out)
        if not missing:
            stages = out / STAGES
            if stages.is_symlink():
                raise InputError(stages, "is a link", "Remove it, or choose another out folder.")
            Written(out, stages).refuse_taken([LOG, *OUTPUTS])
    finally:
        for folder in missing:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _samples(found: Plan, points: PointPlan) -> list[reader.Tally]:
    """The first points of each tile of a survey, and the last few, decoded as the run will."""
    parts = []
    for tile, content in zip(points.tiles, points.contents, strict=True):
        left, bottom, right, top = _box(found, tile)
        frame = reader.Frame(
            found.working,
            (left - 1, bottom - 1, right + 1, top + 1),
            Blocks(2_000_000_000, 1, 1),
            points.left_out,
            points.keep_overlap,
        )
        total = tile.header.points
        spans = [(0, min(SAMPLE, total))]
        if total > SAMPLE:
            spans.append((max(SAMPLE, total - LAST), min(LAST, total - SAMPLE)))
        parts += [reader.Part(tile, at, count, frame, None, content) for at, count in spans]
    whole: dict[Path, reader.Tally] = {tile.path: reader.Tally() for tile in points.tiles}
    for part, tally in zip(parts, reader.read_parts(parts, 2, points.stall_seconds), strict=True):
        whole[part.tile.path].add(tally)
    return [whole[tile.path] for tile in points.tiles]


def _box(found: Plan, tile: PointTile) -> crs_of.Bounds:
    return crs_of.bounds_in(tile.reference, found.working, tile.header.bounds)


def _area(found: Plan, tile: PointTile) -> float:
    left, bottom, right, top = _box(found, tile)
    return max((right - left) * (top - bottom), 1.0)


# ---------------------------------------------------------------------------------------------
# What is said


def _about_points(found: Plan, samples: list[reader.Tally], classes: Counter[int]) -> list[str]:
    tiles = found.tiles
    lines = [f"points: {len(tiles)} tiles, {sum(t.header.points for t in tiles):,}"]
    if len(tiles) <= MANY:
        for tile in tiles:
            lines += [f"  {tile.path.name}: {_kind_of(tile)}, {_amount(found, [tile])}"]
            lines += [f"    {_reference(tile)}"]
    else:
        lines += _by_kind(found)
    whole = reader.Tally()
    dates: list[dt.date] = []
    for tile, sample in zip(tiles, samples, strict=True):
        whole.add(sample)
        if tile.header.adjusted_time and np.isfinite(sample.first_time):
            seconds = sample.first_time + 1e9
            if 0 <= seconds < 4e9:
                dates.append((GPS_EPOCH + dt.timedelta(seconds=seconds)).date())
    classes.update(whole.classes)
    firsts = sum(t.header.first_returns for t in tiles)
    area = sum(_area(found, t) for t in tiles)
    lines.append(f"  pulses: {firsts / area:.1f} first returns per m2 over the tiles' boxes")
    named = ", ".join(
        f"{k} {_CLASS_NAMES.get(k, 'user')} {100 * v / whole.read:.0f} %"
        for k, v in sorted(whole.classes.items())
    )
    lines.append(f"  classes in the first {whole.read:,} points: {named}")
    if dates:
        lines.append(f"  flown: {min(dates)} to {max(dates)}, by the GPS times of those points")
    else:
        made = sorted({str(t.header.made) for t in tiles if t.header.made})
        lines.append(f"  flown: not known; files made {_span(made) or 'at an unknown date'}")
    return lines


def _about_earlier(found: Plan, earlier: PointPlan) -> list[str]:
    tiles = list(earlier.tiles)
    kinds = sorted({_reference(tile) for tile in tiles})
    return [
        f"earlier survey: {len(tiles)} tiles, {_amount(found, tiles)}",
        *(f"  {kind}" for kind in kinds[:MANY]),
    ]


def _span(dates: list[str]) -> str:
    return ", ".join(dates) if len(dates) <= MANY else f"{dates[0]} to {dates[-1]}"


def _by_kind(found: Plan) -> list[str]:
    """Two lines for each kind of tile instead of two for each tile."""
    kinds: dict[tuple[str, str], list[PointTile]] = {}
    for tile in sorted(found.tiles, key=lambda t: t.path):
        kinds.setdefault((_kind_of(tile), _reference(tile)), []).append(tile)
    lines = []
    for (kind, reference), tiles in sorted(kinds.items(), key=lambda k: (-len(k[1]), k[0])):
        names = some([t.path.name for t in tiles])
        lines += [f"  {len(tiles)} x {kind}, {_amount(found, tiles)}: {names}", f"    {reference}"]
    more = [f"  and {len(kinds) - MANY} more kinds"] if len(kinds) > MANY else []
    return lines[: 2 * MANY] + more


def _kind_of(tile: PointTile) -> str:
    header = tile.header
    packing = " COPC" if header.copc else " LAZ" if header.compressed else ""
    return f"LAS {header.version} format {header.point_format}{packing}"


def _reference(tile: PointTile) -> str:
    xy, z = tile.reference.unit_names
    return f"{tile.reference.found}; x and y in {xy}, heights in {z}"


def _amount(found: Plan, tiles: list[PointTile]) -> str:
    points = [t.header.points for t in tiles]
    dense = sorted(n / _area(found, t) for n, t in zip(points, tiles, strict=True))
    per_m2 = f"{dense[0]:.1f}" if len(tiles) == 1 else f"{dense[0]:.1f} to {dense[-1]:.1f}"
    return f"{sum(points):,} points, {per_m2} per m2"


_CLASS_NAMES = {
    0: "never classified",
    1: "unclassified",
    2: "ground",
    3: "low vegetation",
    4: "medium vegetation",
    5: "high vegetation",
    6: "building",
    7: "noise",
    8: "key point",
    9: "water",
    10: "rail",
    11: "road",
    12: "overlap",
    13: "wire guard",
    14: "wire",
    15: "tower",
    16: "wire connector",
    17: "bridge",
    18: "high noise",
    19: "overhead",
    20: "ignored ground",
    21: "snow",
    22: "other time",
}
"""Point classes of the ASPRS LAS 1.4 R16 specification."""


def _about_elevation(found: Plan) -> list[str]:
    models = found.elevation
    lines = [f"elevation: {len(models)} tiles"] if models else []
    kinds: dict[str, list[ElevationTile]] = {}
    for model in sorted(models, key=lambda m: m.path):
        unit = "metre" if model.vertical == 1 else f"unit of {model.vertical:.7g} m"
        about = (
            f"{model.shape[1]} x {model.shape[0]} cells of {model.cell:g}, heights in {unit}, "
            f"{crs_of.authority(model.crs)}"
        )
        kinds.setdefault(about if len(models) > MANY else f"{about}\0{model.path}", []).append(
            model
        )
    for about, group in list(kinds.items())[:MANY]:
        lines.append(f"  {some([m.path.name for m in group])}: {about.split(chr(0))[0]}")
    if len(kinds) > MANY:
        lines.append(f"  and {len(kinds) - MANY} more kinds")
    return lines


def _about_land(config: Config, found: Plan) -> list[str]:
    grid = found.grid
    lines = [
        f"working CRS: {crs_of.authority(found.working)}",
        f"grid: {grid.cols} x {grid.rows} cells of {grid.cell:g} m",
    ]
    if found.land is not None:
        boxes = [_box(found, t) for t in found.tiles]
        boxes += [rasters.bounds_in_working(m, found.working) for m in found.elevation]
        hectares = found.land.area / 1e4
        lines.append(
            f"property: {hectares:.1f} ha ({hectares / ACRE:.0f} acres), "
            f"{100 * covered_share(found.land, boxes):.0f} % within the tiles"
        )
    if found.skipped:
        lines.append(f"tiles that do not touch the property, not read: {len(found.skipped)}")
    if config.own_holes:
        lines.append(f"own holes: {len(found.own_holes)} lines")
    return lines


def _missing(config: Config, found: Plan, classes: Counter[int]) -> list[str]:
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
