"""The owner's sheet: the plan to scale on one page, with what it needs and what it may cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book import front, maps
from lanewright.publish.book.maps import Book
from lanewright.publish.book.paper import Column, Paper
from lanewright.publish.book.writer import near
from lanewright.publish.budget import Need, needs_of, total, unit_words, work_of
from lanewright.publish.crossings import met_words
from lanewright.publish.findings import Findings
from lanewright.publish.ownerquestions import owner_questions
from lanewright.publish.phases import phases
from lanewright.publish.report.first import flown_words
from lanewright.publish.report.proposals import not_planned
from lanewright.publish.report.words import (
    NARROW,
    Units,
    holes_named,
    hours_of,
    level_words,
    listed,
    number,
    plural,
    trimming,
)
from lanewright.publish.scoring import SHORT_MODEL, round_words, score_words
from lanewright.publish.whole import beside
from lanewright.settings.costs import costs_of
from lanewright.sources.crs import authority
from lanewright.visit.outing import Outing

SIZES = {"a5": "a3", "half-letter": "tabloid"}
"""Paper of the sheet beside that of the book: whoever prints one has the other."""

_MAP = 0.63  # share of the width
_BODY = tuple(range(78, 50, -1))  # tenths of points of text; the first that fits is taken
_EDGE = 28.0  # points around everything
_GUTTER = 14.0
_FIRST = ("power line", "flying discs", "saws", "open water", "water")  # cautions that can kill
_LAST = len(_FIRST)
_CELL = 8.0  # points between the columns of the hole table, and some to spare
_SMALLEST = 5.6  # points of its text at which cells wrap after all


class Sheet(Paper):
    """One large page whose text stands in a column of one's choice."""

    column = (_EDGE, _EDGE)

    @property
    def left(self) -> float:
        """Left edge of the column."""
        return self.column[0]

    @property
    def right(self) -> float:
        """Right edge of the column."""
        return self.column[1]

    @property
    def bottom(self) -> float:
        """Lower edge of the text."""
        return _EDGE

    def close(self) -> None:
        """Write the file; a sheet is no booklet to be filled up."""
        self.canvas.save()


@dataclass(frozen=True)
class _Maker:
    """The sheet being made."""

    paper: Sheet
    found: Findings
    outing: Outing
    units: Units
    body: float


def write_sheet(path: Path, found: Findings, outing: Outing) -> None:
    """Write the concept plan; replaces an earlier one once whole.

    Raises
    ------
    InputError
        If the file cannot be written, or the table of costs is no such table.
    """
    with beside(path) as part:
        for tenths in _BODY:
            made = _begun(part, found, outing, tenths / 10)
            _right(made, made.paper.y)
            if made.paper.page == 1:
                break
        made = _begun(part, found, outing, made.body)
        top = made.paper.y
        _map(made, top)
        _right(made, top)
        made.paper.close()


def _begun(path: Path, found: Findings, outing: Outing, body: float) -> _Maker:
    """A sheet with its title; nothing is written before it is closed."""
    config = found.config
    paper = Sheet(path, f"{config.name}, concept plan", "Desk study", SIZES[config.field.paper])
    paper.column = (_EDGE, paper.width - _EDGE)
    paper.begin(f"{config.name}: concept plan", _date(found), bookmark="Concept plan")
    return _Maker(paper, found, outing, Units(config.units == "feet"), body)


def _date(found: Findings) -> str:
    """What the plan rests on: its date is that of the survey, for no clock enters a result."""
    return f"Desk study. {flown_words(found)}"


def _map(made: _Maker, top: float) -> None:
    paper, found = made.paper, made.found
    width = _MAP * (paper.width - 2 * _EDGE)
    paper.column = (_EDGE, _EDGE + width)
    checks = found.layers["field_checks"].iloc[:0]  # questions are the book's, not the owner's
    keep_out = found.layer("keep_out")
    book = Book(found.map_data, made.outing, checks, made.units.feet_first, keep_out=keep_out)
    box = (_EDGE + 8, paper.bottom + 128, _EDGE + width, top)
    seen = maps.overview(paper, box, book)
    y = seen.box[1] - 22
    maps.scale_bar(paper, box[0], y, seen.per_metre, 170)
    off = maps.true_north(found.grid.crs, seen.origin)
    maps.north_arrow(paper, box[2] - 18, y - 4, (1.0, 0.0), 11)
    side = "east" if off >= 0 else "west"
    for i, line in enumerate(
        (
            f"1 : {seen.scale:,} when printed in full size",
            f"True north lies {abs(off):.1f}° {side} of grid north",
            f"Grid: {authority(found.grid.crs).split(' ')[0]}, metres",
        )
    ):
        paper.put(box[0] + 190, y + 4 - i * 9.5, line, made.body)
    paper.y = y - 28
    ends = _legend(made, box[0], paper.y, maps.step_of(found.map_data, seen))
    _desk_study(made, max(box[0] + 0.52 * width, ends), paper.y, box[2])


def _legend(made: _Maker, x: float, y: float, step: float) -> float:
    """Signs in two columns; returns where they end at the right."""
    paper, found = made.paper, made.found
    keep_outs = found.layer("keep_out") is not None
    signs = front.plan_signs(found.map_data, made.units.length(step), keep_outs)
    paper.put(x, y - 8, "Legend", 8.5, bold=True)
    rows = -(-len(signs) // 2)
    for column in (signs[:rows], signs[rows:]):
        for i, (draw, text) in enumerate(column):
            row = y - 19 - i * 10.4
            draw(paper, x + 16, row)
            paper.put(x + 40, row - 2.5, text, made.body)
        x += 40 + max((paper.measure(text, made.body) for _, text in column), default=0) + _GUTTER
    return x


def _desk_study(made: _Maker, x: float, y: float, right: float) -> None:
    paper = made.paper
    text = (
        "This plan was made at a desk from public lidar. Nobody has walked it for this sheet. It "
        "is no survey of boundaries, wetland, flood zones, soils, rights, easements or buried "
        "lines, and no leave to cut or build. The walk, the surveyor, the arborist, the utility "
        "and local codes decide. Flying discs hurt: no tee, basket or fairway is safe before "
        "people, paths, roads and neighbours have been looked at on the ground."
    )
    paper.put(x + 7, y - 12, "Desk study only", 9, bold=True)
    lines = paper.lines(text, right - x - 14, made.body)
    for i, line in enumerate(lines):
        paper.put(x + 7, y - 25 - i * 10.0, line, made.body)
    tall = 25 + len(lines) * 10.0
    paper.canvas.setLineWidth(0.9)
    paper.canvas.setStrokeGray(0)
    paper.canvas.rect(x, y - tall, right - x, tall, stroke=1, fill=0)


def _right(made: _Maker, top: float) -> None:
    paper = made.paper
    start = _EDGE + _MAP * (paper.width - 2 * _EDGE) + _GUTTER
    paper.column = (start, paper.width - _EDGE)
    paper.y = top
    _holes(made)
    _totals(made)
    _budget(made)
    _phases(made)
    _cautions(made)


def _holes(made: _Maker) -> None:
    paper, outing = made.paper, made.outing
    if outing.source != "layout_holes":
        paper.paragraph(outing.note, 8)
        return
    rows = [_hole(made, hole.facts) for hole in outing.holes]
    size, columns = _fitting(paper, _HEADS, rows, made.body - 0.2)
    paper.table(columns, rows, size)


_HEADS = (
    "Hole",
    "par",
    "length",
    "others: par, own tee",
    "rise",
    "corridor",
    "clear %",
    "score",
    "trimming",
)


def _fitting(
    paper: Paper, heads: Sequence[str], rows: Sequence[Sequence[str]], most: float
) -> tuple[float, list[Column]]:
    """Largest size of text up to `most` at which no cell wraps, and the columns for it."""
    texts = list(zip(heads, *rows, strict=True))
    wide = [max(paper.measure(text, 1.0) for text in column) for column in texts]
    size = (paper.wide - _CELL * len(wide)) / sum(wide)
    size = max(min(size, most), _SMALLEST)
    return size, [Column(h, width * size + _CELL) for h, width in zip(heads, wide, strict=True)]


def _hole(made: _Maker, row: Row) -> list[str]:
    units = made.units
    work = trimming(row.get("trim_hours_low"), row.get("trim_hours_high"), row["clear_rate"])
    return [
        str(row["play_order"]),
        str(row["par"]),
        units.length(row["length_m"]),
        units.turned(str(row.get("other_levels") or "")).replace(" par ", " "),
        units.length(row["rise_m"]),
        str(row["lane_kind"] or ""),
        near(row["clear_rate"]).rstrip(f"{NARROW}%"),
        score_words(row),
        _SHORTER.get(work, work),
    ]


_SHORTER = {"no work needed": "none needed", "no work helps enough": "none helps"}
"""What is said of trimming in a narrow column."""


def _totals(made: _Maker) -> None:
    paper, found, units = made.paper, made.found, made.units
    layout = found.layer("layout_holes")
    if layout is None or found.best is None:
        return
    best = layout[layout["proposal"] == found.best]
    text = (
        f"{plural(len(best), 'hole')}, par {int(best['par'].sum())} (our default unless the "
        f"settings name a table), {units.length(float(best['length_m'].sum()))}."
    )
    walks, ways = found.layer("layout_walks"), None
    if walks is not None:
        ways = walks[walks["proposal"] == found.best]
        text += f" Walks and trails {units.length(float(ways['length_m'].sum()))}."
    text += "".join(f" {said}" for said in met_words(found, found.best, ways))
    text += _low_sun(best)
    work = work_of(found)
    if work is not None:
        brush = units.area(work.brush) if work.brush >= 100 else units.ground(work.brush)
        text += (
            f" Clearing: {brush} of brush, "
            f"{plural(work.felled, 'tree')} to fell, {plural(work.pieces, 'piece')} of growth in "
            f"all, {hours_of(*work.hours)} hours of trained hands{not_planned(best)}."
        )
    score = round_words(rows_of(best))
    if score:
        text += (
            f" Score: {SHORT_MODEL}, and its spread. The round, {best['level'].iloc[0]}: {score}."
        )
    text += f" {level_words(found.config, units)}"
    paper.paragraph(text, made.body + 0.4)


def _low_sun(holes: gpd.GeoDataFrame) -> str:
    """Holes whose tee looks into a low sun in some month of the season."""
    parts = [
        f"{holes_named(order)} in the {when}"
        for when in ("morning", "evening")
        if (order := holes.loc[holes[f"sun_{when}"].notna(), "play_order"].tolist())
    ]
    return f" Low sun ahead of the tee in some months: {listed(parts)}." if parts else ""


def _budget(made: _Maker) -> None:
    paper, found = made.paper, made.found
    costs = costs_of(found.config.field.costs_file)
    needs = needs_of(found, costs)
    if not needs:
        return
    first = next(iter(costs.values()))
    years = sorted({cost.year for cost in costs.values()})
    paper.heading(f"Budget, {first.currency} of {'–'.join(map(str, dict.fromkeys(years)))}", 20)
    columns = [
        Column("", 1.6),
        Column("how much", 1.1, "right"),
        Column("one, low–high", 1.1, "right"),
        Column("low", 0.7, "right"),
        Column("high", 0.7, "right"),
    ]
    rows = [_need(need) for need in needs]
    low, high = total(needs)
    rows.append(["All of it", "", "", number(_round(low)), number(_round(high))])
    paper.table(columns, rows, made.body - 0.2)
    where = found.config.field.costs_file
    source = (
        f"from {where.name}"
        if where
        else "from memory; copy configs/costs.csv, put in local bids and name it under field: "
        "costs_file"
    )
    paper.paragraph(
        f"Unit costs {source}. Bridges: walks, and at the high end fairways over running water. "
        "Not in it: land, parking, permits, insurance, engineering, upkeep.",
        made.body - 0.6,
    )


def _need(need: Need) -> list[str]:
    unit = unit_words(need)
    low, high = number(need.low), number(need.high)
    much = (low if low == high else f"{low}–{high}") + (f" {unit}" if unit else "")
    if need.cost is None or need.money is None:
        return [need.item, much, "no cost known", "", ""]
    one = f"{number(need.cost.low)}–{number(need.cost.high)}"
    return [need.item, much, one, *(number(_round(value)) for value in need.money)]


def _round(value: float) -> float:
    """Money to two figures: nobody knows more of it at a desk."""
    if value < 100:
        return round(value, -1)
    size = len(str(int(value)))
    return float(round(value, -(size - 2)))


def _phases(made: _Maker) -> None:
    steps = phases(made.found)
    if steps:
        made.paper.heading("Phases", 20)
    for step in steps:
        made.paper.paragraph(step, made.body, after=1.5)


def _cautions(made: _Maker) -> None:
    paper = made.paper
    cautions = made.found.layer("cautions")
    names = list(dict.fromkeys(str(row["caution"]) for row in rows_of(cautions)))
    if names:
        paper.heading("Cautions", 20)
        names.sort(key=lambda name: next((i for i, w in enumerate(_FIRST) if w in name), _LAST))
        said = "; ".join(names)
        paper.paragraph(
            f"{said[:1].upper()}{said[1:]}. See report.html for why, and the source of each.",
            made.body,
        )
    paper.heading("To ask of the owner", 20)
    for asked in owner_questions(made.found, made.units):
        known = f"{asked.subject[:1].upper()}{asked.subject[1:]}: {asked.known}"
        paper.paragraph(known, made.body, after=1.0)
