"""Front pages of the book: title with the signs, map of the property, table of holes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import zip_longest

from lanewright.publish.book import maps, view
from lanewright.publish.book.paper import BODY, CAPTION, MM, Column, Paper
from lanewright.publish.book.writer import Writer, near, number
from lanewright.publish.mapdata import MapData
from lanewright.publish.report.words import trimming
from lanewright.publish.scoring import SHORT_MODEL, score_words
from lanewright.visit.outing import CHECK, Played

Sign = tuple[Callable[[Paper, float, float], None], str]
"""What draws a sign at a place of the page, and what it means."""


def title_page(w: Writer) -> None:
    """Title, facts of the survey, blanks to fill in, signs."""
    paper = w.paper
    paper.begin("", bookmark="Title")
    paper.y -= 16
    paper.put(paper.left, paper.y, "FIELD BOOK", 8, grey=0.25)
    paper.y -= 8
    paper.rule(paper.y, 1.4)
    paper.y -= 6
    for line in paper.lines(w.about.title, paper.wide, 17, bold=True)[:4]:
        paper.put(paper.left, paper.y - 17, line, 17, bold=True)
        paper.y -= 21
    paper.y -= 8
    paper.paragraph(w.outing.note, BODY)
    paper.table([Column("", 0.27), Column("", 0.73)], [list(fact) for fact in w.about.facts], BODY)
    paper.heading("To fill in")
    paper.blanks(["Walked on", "by"])
    paper.blanks(["Weather", "Leaves", "Ground"])
    paper.heading("Signs")
    _signs(w)


def _signs(w: Writer) -> None:
    paper = w.paper
    every = "50 ft" if w.book.feet_first else "10 m"
    rows: list[Sign] = [
        (_tee, "tee, play to the right"),
        (_basket, "basket; dashed ring: 10 m (33 ft) around it"),
        (_other_tee, "tee of another level"),
        (_other_pin, "other place of the basket"),
        (_landing, "landing zone"),
        (_rest, "two of three throws that nothing stops come to rest inside"),
        (view.cross, "where most failing throws touch something"),
        (_flight, f"flight aimed for; strokes across: every {every}"),
        (_ring, "trim work, by its number on the hole's page; hatched outline from above"),
        (_square, "field check, by its number in the list at the end"),
        (_walk, "walk between holes"),
        (_water, "water; loose strokes: ground that is wet by the shape of the terrain"),
        *_built_signs(w.book.data),
        (
            _greys,
            "growth: in plans the taller, in profiles the denser, the darker; dots in profiles: "
            "lidar never searched there",
        ),
    ]
    half = paper.wide / 2
    short = [row for row in rows if paper.measure(row[1], BODY) <= half - 42]
    for pair in zip_longest(short[::2], short[1::2]):
        paper.room(14)
        for place, sign in enumerate(filter(None, pair)):
            left = paper.left + place * half
            sign[0](paper, left + 16, paper.y - 5)
            paper.put(left + 40, paper.y - 8, sign[1], BODY)
        paper.y -= 12
    for draw, text in (row for row in rows if row not in short):
        lines = paper.lines(text, paper.wide - 40, BODY)
        paper.room(11.2 * len(lines) + 3)
        draw(paper, paper.left + 16, paper.y - 5)
        for i, line in enumerate(lines):
            paper.put(paper.left + 40, paper.y - 8 - i * 11.2, line, BODY)
        paper.y -= max(12.0, 11.2 * len(lines) + 2)


def _picture(paper: Paper, x: float, y: float) -> view.Picture:
    """A picture whose places are those of the page."""
    return view.Picture(
        paper, view.View((0, 0, 1, 1), (x, y), (x, y), (1.0, 0.0), round(MM * 1000))
    )


def _tee(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).tee((x, y), (x + 9, y))


def _basket(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).basket((x, y))


def _other_tee(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).tee((x, y), (x + 9, y), hollow=True)


def _other_pin(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).other_pin((x, y))


def _road(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).road([(x - 14, y), (x + 14, y)])


def _creek(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y - 1), (x - 3, y + 2), (x + 14, y)], 0.9, 0.2, maps.CREEKS)


def _building(paper: Paper, x: float, y: float) -> None:
    paper.canvas.setFillGray(0.35)
    paper.canvas.rect(x - 6, y - 3.5, 12, 7, stroke=0, fill=1)
    paper.canvas.setFillGray(0)


def _wire(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).wire([(x - 14, y), (x + 14, y)])


def _built_signs(data: MapData) -> list[Sign]:
    """Signs of what people built, as far as there is any."""
    names = ", ".join(dict.fromkeys(name for name, _ in data.roads))
    return [
        *([(_creek, "creek, by the terrain")] if data.creeks else []),
        *([(_road, f"{names}, as its file draws it")] if names else []),
        *([(_building, f"{data.built}, from the lidar")] if data.buildings else []),
        *([(_wire, "overhead wire in the lidar; more may hang")] if data.wires else []),
    ]


def _landing(paper: Paper, x: float, y: float) -> None:
    _picture(paper, x, y).landing((x, y))


def _rest(paper: Paper, x: float, y: float) -> None:
    paper.canvas.setStrokeGray(0.2)
    paper.canvas.setLineWidth(0.7)
    paper.canvas.setDash([1.2, 1.6], 0)
    paper.canvas.ellipse(x - 11, y - 3.5, x + 11, y + 3.5, stroke=1, fill=0)
    paper.canvas.setDash([], 0)


def _flight(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y), (x + 14, y)], 1.5)
    for at in (-7, 0, 7):
        paper.stroke([(x + at, y - 2), (x + at, y + 2)], 0.5)


def _ring(paper: Paper, x: float, y: float) -> None:
    view.tag(paper, x, y, "1", "ring")


def _square(paper: Paper, x: float, y: float) -> None:
    view.tag(paper, x, y, f"{CHECK}1", "square")


def _walk(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y), (x + 14, y)], 0.9, 0.0, (0.5, 2.0))


def _water(paper: Paper, x: float, y: float) -> None:
    for i in range(4):
        paper.stroke([(x - 13, y - 3 + 2 * i), (x - 1, y - 3 + 2 * i)], 0.35)
    paper.stroke([(x + 2, y - 2), (x + 13, y - 2)], 0.35, 0.25, (2, 3))
    paper.stroke([(x + 4, y + 2), (x + 13, y + 2)], 0.35, 0.25, (2, 3))


def _greys(paper: Paper, x: float, y: float) -> None:
    for i, grey in enumerate((0.9, 0.75, 0.6)):
        paper.canvas.setFillGray(grey)
        paper.canvas.rect(x - 13 + 9 * i, y - 4, 9, 8, stroke=0, fill=1)
    paper.canvas.setFillGray(0)


def _border(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y), (x + 14, y)], 1.6, 0.0, maps.BORDER)


def _keep_out(paper: Paper, x: float, y: float) -> None:
    paper.canvas.setLineWidth(0.9)
    paper.canvas.setStrokeGray(0)
    paper.canvas.setDash(list(maps.KEEP_OUT), 0)
    paper.canvas.rect(x - 13, y - 3.5, 26, 7, stroke=1, fill=0)
    paper.canvas.setDash([], 0)


def _route(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y), (x + 14, y)], 1.2)


def _contour(paper: Paper, x: float, y: float) -> None:
    paper.stroke([(x - 14, y - 2), (x - 4, y + 1), (x + 5, y - 1), (x + 14, y + 2)], 0.35, 0.35)


def plan_signs(data: MapData, step: str, keep_outs: bool) -> list[Sign]:
    """Signs of a plan of the whole property, with what they mean.

    Parameters
    ----------
    data
        The land, for what stands on it.
    step
        Between contours, in words.
    keep_outs
        Whether there are any.
    """
    return [
        (_tee, "tee, its hole's number in a ring; A: arrival"),
        (_other_tee, "tee of another level"),
        (_landing, "landing zone"),
        (_basket, "basket"),
        (_other_pin, "other place of the basket"),
        (_route, "flight aimed for"),
        (_walk, "walk between holes"),
        (_water, "water; loose strokes: wet by its shape"),
        (_greys, "canopy, the taller the darker"),
        (_contour, f"contours every {step}, with their height"),
        (_border, "property line as given, not surveyed"),
        *([(_keep_out, "keep-out with its buffer")] if keep_outs else []),
        *_built_signs(data),
    ]


def map_page(w: Writer) -> None:
    """The property on a page of its own, with scale, north and grid."""
    paper, outing = w.paper, w.outing
    paper.to_side(even=True)
    paper.begin("Map", f"{len(outing.holes)} to see", bookmark="Map")
    box = (paper.left + 7, paper.bottom + 42, paper.right, paper.y)
    seen = maps.overview(paper, box, w.book)
    y = seen.box[1] - 20
    maps.scale_bar(paper, box[0], y, seen.per_metre, 110)
    off = maps.true_north(w.book.data.grid.crs, seen.origin)
    maps.north_arrow(paper, box[2] - 14, y - 4, (1.0, 0.0), 10)
    words = [
        f"1 : {seen.scale:,} printed in full size",
        f"Grid in {w.crs}, metres",
        f"True north lies {abs(off):.1f}° {'east' if off >= 0 else 'west'} of grid north",
    ]
    for i, line in enumerate(words):
        paper.put(box[0] + 130, y + 4 - i * 9.5, line, CAPTION)
    paper.y = y - 26
    if paper.y - paper.bottom > 60:
        start = "arrival" if outing.start_given else "start of the round"
        paper.paragraph(
            "Rings: holes, at their tees. Squares: field checks. "
            f"{maps.START[outing.start_given]}: {start}. "
            "Dash and dot: the property as given, not surveyed. Short dashes: keep-outs with their "
            f"buffers. Contours every {w.metres(maps.step_of(w.book.data, seen))}, with their "
            "height.",
            BODY,
        )
        paper.notes(0, "Notes")


def table_page(w: Writer) -> None:
    """Every hole, or line, in a row."""
    paper, unit, source = w.paper, w.unit, w.outing.source
    lines = source == "legs"
    paper.begin("Lines" if lines else "Holes", bookmark="Table")
    if not w.outing.holes:
        paper.paragraph(w.outing.note, BODY)
        paper.notes(60, "Notes")
        return
    columns = [
        Column("No.", 0.55),
        Column("leg", 1.2) if lines else Column("par", 0.5),
        Column(f"length {unit}", 0.85, "right"),
        Column(f"rise {unit}", 0.75, "right"),
        Column("clear, about", 0.95, "right"),
        Column("score", 0.7, "right"),
        Column("kind", 0.95),
        Column("trimming", 2.15),
        Column(f"walk to it {unit}", 0.85, "right"),
    ]
    rows = [_hole_row(hole, source, unit) for hole in w.outing.holes]
    used = [i for i in range(len(columns)) if any(row[i] for row in rows)]
    paper.table([columns[i] for i in used], [[row[i] for i in used] for row in rows], BODY)
    levels = sorted({level for hole in w.outing.holes for level in hole.legs["level"]})
    total = sum(float(hole.facts[f"length_{unit}"]) for hole in w.outing.holes)
    paper.paragraph(
        f"Levels thrown: {', '.join(levels)}. Lengths add up to {total:,.0f} {unit}. Clear: share "
        "of throws that touch no growth, as surveyed. Trimming: hours of the work chosen, low to "
        "high, of one trained hand."
        + (f" Score: {SHORT_MODEL}." if score_words(w.outing.holes[0].facts) else ""),
        BODY,
    )
    paper.notes(40, "Notes")


def _hole_row(hole: Played, source: str, unit: str) -> list[str]:
    facts = hole.facts
    return [
        str(hole.number),
        str(facts["par"]) if "par" in facts else f"leg {facts['leg_id']}",
        number(facts, source, f"length_{unit}"),
        number(facts, source, f"rise_{unit}"),
        near(facts["clear_rate"]),
        score_words(facts).split("\u00a0")[0],
        str(facts["lane_kind"] or ""),
        trimming(facts.get("trim_hours_low"), facts.get("trim_hours_high"), facts["clear_rate"])
        if "trim_hours_low" in facts
        else "",
        number(facts, source, f"walk_{unit}") if "walk_m" in facts else "",
    ]
