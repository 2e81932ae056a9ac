"""Back pages of the book: field checks in the order of a walk, and what to mind."""

from __future__ import annotations

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book.writer import Writer
from lanewright.visit.outing import CHECK

_INDENT = 30.0


def check_pages(w: Writer) -> None:
    """Every field check, with its place and the way from the check before."""
    paper, checks = w.paper, w.book.checks
    paper.begin("Field checks", f"{len(checks)} in walking order", bookmark="Field checks")
    if not len(checks):
        paper.paragraph("Nothing was found that calls for a look of its own.", 8)
        return
    start = "from the first"
    if w.outing.start:
        given = w.outing.start_given
        start = f"from the {'arrival' if given else 'start of the round'} and back to it"
    paper.paragraph(
        f"In the order of a short walk {start}: {w.metres(float(checks['walk_m'].sum()))} from "
        "check to check, straight. Bearings from true north.",
        7.2,
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
    looks = paper.lines(check["look"], paper.wide - _INDENT, 7.4)
    whys = paper.lines(check["why"], paper.wide - _INDENT, 6.6)
    paper.room(12 + 9.6 * len(looks) + 8.4 * len(whys) + 26)
    top = paper.y
    paper.box(paper.left, top - 8)
    paper.put(paper.left + 9, top - 7.5, f"{CHECK}{check['check_id']}", 7.4, bold=True)
    head = f"{check['kind']} · {check['place']}"
    if check["best_seen"] != "any day":
        head += f" · best seen {check['best_seen']}"
    paper.put(paper.left + _INDENT, top - 7.5, head, 7.2, bold=True)
    paper.y -= 10.5
    for line in looks:
        paper.put(paper.left + _INDENT, paper.y - 7, line, 7.4)
        paper.y -= 9.6
    for line in whys:
        paper.put(paper.left + _INDENT, paper.y - 6.6, line, 6.6, grey=0.2)
        paper.y -= 8.4
    paper.put(paper.left + _INDENT, paper.y - 6.4, f"{place}   {way}", 6.4)
    paper.y -= 9
    # Room for a word of what was found.
    paper.stroke([(paper.left + _INDENT, paper.y - 9), (paper.right, paper.y - 9)], 0.3, 0.5)
    paper.y -= 15


def caution_pages(w: Writer) -> None:
    """What this desk study cannot settle."""
    paper = w.paper
    paper.begin("Before anything is cut or built", bookmark="Cautions")
    for caution in rows_of(w.about.cautions.drop_duplicates(["caution", "why"])):
        text = str(caution["caution"])
        paper.heading(text[:1].upper() + text[1:], 36)
        paper.paragraph(caution["why"], 7.4, after=1)
        paper.paragraph(f"Source: {caution['source']}", 6.4, grey=0.25, after=3)
