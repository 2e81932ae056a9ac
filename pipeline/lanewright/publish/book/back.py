"""Back pages of the book: field checks in the order of a walk, and what to mind."""

from __future__ import annotations

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book.paper import BODY
from lanewright.publish.book.writer import Writer
from lanewright.publish.report.cutlanes import CAUTIONS
from lanewright.visit.outing import CHECK

_INDENT = 36.0


def check_pages(w: Writer) -> None:
    """Every field check, with its place and the way from the check before."""
    paper, checks = w.paper, w.book.checks
    paper.begin("Field checks", f"{len(checks)} in walking order", bookmark="Field checks")
    if not len(checks):
        paper.paragraph("Nothing was found that calls for a look of its own.", BODY)
        return
    start = "from the first"
    if w.outing.start:
        given = w.outing.start_given
        start = f"from the {'arrival' if given else 'start of the round'} and back to it"
    paper.paragraph(
        f"In the order of a short walk {start}: {w.metres(float(checks['walk_m'].sum()))} from "
        "check to check, straight. Bearings from true north.",
        BODY,
    )
    before = w.outing.start.xy if w.outing.start else None
    for point, check in zip(checks.geometry, rows_of(checks), strict=True):
        at = (point.x, point.y)
        way = ""
        if before is not None:
            degrees, metres = w.bearing(before, at)
            way = f"{degrees:03d}° {w.metres(metres)}" if metres >= 0.5 else "same place"
        before = at
        _check(w, check, ", ".join(w.lonlat(*at)), way)


def _check(w: Writer, check: Row, place: str, way: str) -> None:
    paper = w.paper
    looks = paper.lines(check["look"], paper.wide - _INDENT, BODY)
    whys = paper.lines(check["why"], paper.wide - _INDENT, BODY)
    paper.room(13 + 11.4 * len(looks) + 11.4 * len(whys) + 28)
    top = paper.y
    paper.box(paper.left, top - 8)
    paper.put(paper.left + 9, top - 7.5, f"{CHECK}{check['check_id']}", BODY, bold=True)
    head = f"{check['kind']} · {check['place']}"
    if check["best_seen"] != "any day":
        head += f" · best seen {check['best_seen']}"
    paper.put(paper.left + _INDENT, top - 7.5, head, BODY, bold=True)
    paper.y -= 12
    for line in looks:
        paper.put(paper.left + _INDENT, paper.y - BODY, line, BODY)
        paper.y -= 11.4
    for line in whys:
        paper.put(paper.left + _INDENT, paper.y - BODY, line, BODY, grey=0.2)
        paper.y -= 11.4
    paper.put(paper.left + _INDENT, paper.y - BODY, f"{place}   {way}", BODY)
    paper.y -= 11.4
    # Room for a word of what was found.
    paper.stroke([(paper.left + _INDENT, paper.y - 9), (paper.right, paper.y - 9)], 0.3, 0.5)
    paper.y -= 15


def caution_pages(w: Writer) -> None:
    """What this desk study cannot settle."""
    paper = w.paper
    paper.begin("Before anything is cut or built", bookmark="Cautions")
    paper.heading("Saws and felling", 36)
    for text in CAUTIONS[1:]:
        paper.paragraph(text, BODY, after=2)
    for caution in rows_of(w.about.cautions.drop_duplicates(["caution", "why"])):
        text = str(caution["caution"])
        paper.heading(text[:1].upper() + text[1:], 36)
        paper.paragraph(caution["why"], BODY, after=1)
        paper.paragraph(f"Source: {caution['source']}", BODY, grey=0.25, after=3)
