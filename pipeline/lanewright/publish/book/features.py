"""First pages of the walk: what the land offers, and one way past it."""

from __future__ import annotations

import geopandas as gpd

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book.paper import BODY, Column
from lanewright.publish.book.writer import Writer
from lanewright.publish.report.offers import SURE
from lanewright.publish.report.words import Units, about
from lanewright.visit.firstwalk import FEATURE, NAMES, summary

_INDENT = 30.0


def feature_pages(w: Writer) -> None:
    """Features to see first, each with a line to write on, then the walks of a first visit."""
    features, walk = w.book.features, w.book.walk
    if features is None or not len(features):
        return
    shown = features[features["shown"]]
    paper, units = w.paper, Units(w.book.feet_first)
    paper.begin(
        "What the land offers", f"first {len(shown)} of {len(features)}", bookmark="Features"
    )
    for line, row in zip(shown.geometry, rows_of(shown), strict=True):
        start, end = line.coords[0][:2], line.coords[-1][:2]
        degrees, _ = w.bearing(start, end)
        words = {name: units.turned(str(row[name])) for name in ("name", "reason")}
        _feature(w, row | words, f"{', '.join(w.lonlat(*start))}   {degrees:03d}° from true north")
    if walk is not None and len(walk):
        for visit in NAMES:
            _walk(w, walk, visit)


def _feature(w: Writer, row: Row, place: str) -> None:
    paper = w.paper
    names = paper.lines(row["name"][:1].upper() + row["name"][1:], paper.wide - _INDENT, 9.4)
    reasons = paper.lines(row["reason"], paper.wide - _INDENT, BODY)
    paper.room(12 + 11.6 * len(names) + 11.2 * len(reasons) + 36)
    paper.put(paper.left, paper.y - 7.5, f"{FEATURE}{row['feature_id']}", BODY, bold=True)
    for line in names:
        paper.put(paper.left + _INDENT, paper.y - 7.5, line, 9.4, bold=True)
        paper.y -= 11.6
    for line in reasons:
        paper.put(paper.left + _INDENT, paper.y - BODY, line, BODY)
        paper.y -= 11.2
    who = f"; as it stands for {row['levels']}" if row["levels"] else ""
    sure = "sure" if row["certainty"] >= SURE else f"{about(row['certainty'])} sure"
    facts = f"{place}   {sure}{who}"
    for line in paper.lines(facts, paper.wide - _INDENT, BODY):
        paper.put(paper.left + _INDENT, paper.y - BODY, line, BODY, grey=0.2)
        paper.y -= 11.2
    # Room for a word of what was found.
    paper.stroke([(paper.left + _INDENT, paper.y - 8), (paper.right, paper.y - 8)], 0.3, 0.5)
    paper.y -= 13


def _walk(w: Writer, walk: gpd.GeoDataFrame, visit: str) -> None:
    mine = rows_of(walk[walk["visit"] == visit])
    if not mine:
        return
    paper = w.paper
    paper.heading(f"First walk, {NAMES[visit]}", 60)
    paper.paragraph(
        f"{w.about.begins[:1].upper()}{w.about.begins[1:]}. {summary(walk, visit)}. Found on a "
        "terrain model: fences, banks and footing were not seen.",
        BODY,
    )
    columns = [
        Column("after min", 0.5, "right"),
        Column("stop", 0.6),
        Column("what is there", 2.6),
        Column(f"way {w.unit}", 0.6, "right"),
        Column(f"climb {w.unit}", 0.6, "right"),
    ]
    rows = [
        [
            f"{row['at_min']:.0f}",
            "back" if row["stop"] == "START" else row["stop"],
            Units(w.book.feet_first).turned(str(row["what"])),
            f"{row[f'length_{w.unit}']:.0f}",
            f"{row[f'climb_{w.unit}']:.0f}",
        ]
        for row in mine
    ]
    paper.table(columns, rows, BODY)
