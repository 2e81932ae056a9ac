"""Two pages to each hole: plan, profile and places at the left, what to do and to write right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book.closeups import closeups
from lanewright.publish.book.paper import BODY, CAPTION, Column
from lanewright.publish.book.plan import draw_plan
from lanewright.publish.book.profile import draw_profile
from lanewright.publish.book.writer import Writer, near, percent
from lanewright.publish.crew import Task, tasks_of, work_of_legs
from lanewright.publish.report.crewlist import instruction
from lanewright.publish.report.words import Units, hours_of, trimming
from lanewright.publish.scoring import others_words
from lanewright.publish.section import fails
from lanewright.publish.sky import sky_words
from lanewright.publish.viewlines import view_words
from lanewright.visit.outing import CHECK, Played, Spot

_ROOM_VERDICT = 138.0  # points below a list, for what found no room, the verdict and some notes
_ROOM_CHECKS = 160.0  # points below the trim work, for the verdict and what finds no room
_ROOM_LINE = 40.0  # points that a heading and a line of a list take
_SAWS = (
    "Saws and felling maim and kill: only trained hands with protective gear, never alone. Read "
    "the cautions at the end first."
)
_TOUCHED = {"limb": "a limb", "trunk": "a trunk", "not seen": "space that was not seen"}


def hole_pages(w: Writer, hole: Played) -> None:
    """The spread of a hole."""
    paper, facts = w.paper, hole.facts
    paper.to_side(even=True)
    parts = [
        f"par {facts['par']}" if "par" in facts else "",
        w.length(facts, w.outing.source, "length_m"),
        str(facts["level"]),
    ]
    paper.begin(hole.title, " · ".join(filter(None, parts)), bookmark=hole.title)
    if facts.get("name"):
        paper.paragraph(str(facts["name"]), BODY, bold=True, after=1)
    sentence = facts.get("sentence") or (
        f"Finishes {facts['finish']}, {facts['lane_kind'] or 'kind of lane unknown'}; "
        f"{w.length(facts, w.outing.source, 'rise_m')} from tee to basket."
    )
    paper.paragraph(Units(w.book.feet_first).sentence(str(sentence)), BODY, after=2)
    uses = w.book.uses.get(hole.hole_id) if hole.hole_id is not None else None
    if uses:
        uses = Units(w.book.feet_first).turned(uses)
        paper.paragraph(f"Uses {uses}.", BODY, after=2)
    more = _score_and_view(facts, Units(w.book.feet_first))
    if more:
        paper.paragraph(more, BODY, after=2)
    _pictures(w, hole)
    _places(w, hole)
    _way_to_tee(w, hole)
    _on_foot(w, hole)


def _pictures(w: Writer, hole: Played) -> None:
    paper, book = w.paper, w.book
    # The table of places and the way to the tee.
    below = 92 + 27 * len(hole.spots) + 16 * len(hole.positions)
    free = paper.y - paper.bottom - below
    tall = max(free * 0.54, 80)
    view = draw_plan(paper, (paper.left, paper.y - tall, paper.right, paper.y), book, hole)
    paper.y -= tall + 3
    low = max(free - tall - 14, 60)
    box = (paper.left, paper.y - low, paper.right, paper.y)
    stretch = draw_profile(paper, box, book, hole, view)
    paper.y -= low + 8
    unit = "feet" if book.feet_first else "metres"
    text = f"Plan 1 : {view.scale:,}. Heights in {unit} over the tee, drawn {stretch:g} times."
    paper.put(paper.left, paper.y, text, CAPTION, grey=0.2)
    paper.y -= 2
    if book.data.columns is None:
        said = "No lidar: what stands on the line is not known."
        paper.put(paper.left, paper.y - 9, said, CAPTION)
        paper.y -= 10


def _places(w: Writer, hole: Played) -> None:
    w.paper.y -= 4
    rows, grids = [], []
    spots = hole.spots
    for name, spot, after in zip(hole.names, spots, [*spots[1:], None], strict=True):
        onward = ""
        if after is not None:
            degrees, metres = w.bearing(spot.xy, after.xy)
            onward = f"{degrees:03d}° {w.metres(metres)}"
        rows.append(
            [
                name,
                ", ".join(w.lonlat(spot.x, spot.y)),
                "" if np.isnan(spot.z) else f"{spot.z:.1f} m",
                onward,
            ]
        )
        grids.append(f"{w.crs} {spot.x:.1f} E {spot.y:.1f} N")
    for name, other in zip(hole.other_names, hole.positions, strict=True):
        spot = other.spot
        ground = "" if np.isnan(spot.z) else f"{spot.z:.1f} m"
        length = w.length(other.facts, "hole_positions", "length_m")
        who = f"{other.level}, {length}, par {other.facts['par']}"
        rows.append([name, ", ".join(w.lonlat(spot.x, spot.y)), ground, who])
        grids.append("")
    columns = [
        Column("staked", 0.55),
        Column("WGS 84", 1.95),
        Column("ground", 0.7),
        Column("on, from true north; others: for whom", 2.1),
    ]
    w.paper.table(columns, rows, BODY, boxes=True, notes=grids)


def _way_to_tee(w: Writer, hole: Played) -> None:
    """How to come to the tee: by the layout's walk where there is one, else straight."""
    before = _before(w, hole)
    if before is None:
        text = "Way to the tee: no arrival is set, so none is given."
    else:
        name, spot = before
        degrees, metres = w.bearing(spot.xy, hole.tee.xy)
        text = (
            f"From {name} to the tee: {degrees:03d}° from true north, {w.metres(metres)} straight"
            f"{_on_the_walk(w, hole.walk) if hole.walk is not None else ''}."
        )
    w.paper.paragraph(text, BODY, after=0)


def _on_the_walk(w: Writer, walk: Row) -> str:
    layer = "layout_walks"
    text = (
        f"; on foot {w.length(walk, layer, 'length_m')}, climbing "
        f"{w.length(walk, layer, 'climb_m')}, {walk['minutes']:.1f} min"
    )
    if walk["wet_m"] > 0:
        text += f", {w.length(walk, layer, 'wet_m')} of it wet"
    if walk["crosses"]:
        text += "; " + str(walk["mark"] or f"in the line of fire of hole {walk['crosses']}")
    elif walk["mark"]:
        text += f"; {walk['mark']}"
    return text


def _before(w: Writer, hole: Played) -> tuple[str, Spot] | None:
    place = [h.number for h in w.outing.holes].index(hole.number)
    if place:
        earlier = w.outing.holes[place - 1]
        return f"basket B{earlier.number}", earlier.basket
    if w.outing.start is None:
        return None
    name = "the arrival" if w.outing.start_given else "the start that the layout found"
    return name, w.outing.start


def _on_foot(w: Writer, hole: Played) -> None:
    paper = w.paper
    paper.begin(f"{hole.title}: on foot", bookmark=f"{hole.title}, on foot", level=1)
    legs = [*hole.leg_rows]
    _leg_table(w, legs)
    paper.paragraph(_underfoot(w, legs), BODY)
    aside = Units(w.book.feet_first).turned(_sky_and_bounds(hole.facts))
    if aside:
        paper.paragraph(aside, BODY, after=2)
    for place, leg in enumerate(legs, start=1):
        if fails(leg) and leg.get("fail_on"):
            paper.paragraph(_failing(w, place, leg), BODY, after=2)
    _trim(w, hole)
    _checks(w, hole)
    paper.heading("Verdict", 20)
    moves = ["move tee", *(["move landing zone"] if hole.landings else []), "move basket"]
    paper.ticks(["keep", *moves, "throw it first", "drop"])
    paper.ticks(["stands clear of paths", "next tee in sight", "a bench fits", "beautiful"])
    closeups(paper, w.book, hole)
    paper.notes(0, "Notes, and numbers of the photos from tee and basket")


def _leg_table(w: Writer, legs: list[Row]) -> None:
    columns = [
        Column("throw", 0.7),
        Column("length", 1.7),
        Column("finish", 1.1),
        Column("clear, about (low–high)", 1.6),
        Column("in leaf", 0.8, "right"),
        Column("seen", 0.8, "right"),
    ]
    rows = [[str(place), *_leg_row(w, leg)] for place, leg in enumerate(legs, start=1)]
    w.paper.table(columns, rows, BODY, notes=[_leg_note(w, leg) for leg in legs])


def _leg_row(w: Writer, leg: Row) -> list[str]:
    low, high = leg["clear_rate_low"], leg["clear_rate_high"]
    band = "" if low is None else f" ({5 * round(20 * low)}–{5 * round(20 * high)})"
    return [
        w.length(leg, "legs", "length_m"),
        str(leg["finish"]),
        near(leg["clear_rate"]) + band,
        near(leg["clear_rate_leaf_on"]),
        near(leg["seen_share"]),
    ]


def _leg_note(w: Writer, leg: Row) -> str:
    """Rise, apex and the tightest gap of a throw."""
    parts = [f"rise {w.length(leg, 'legs', 'rise_m')}", f"apex {w.length(leg, 'legs', 'apex_m')}"]
    if leg["pinch_width_m"] is None:
        return ", ".join([*parts, "gap unknown"])
    gap, at = (w.length(leg, "legs", f"pinch_{what}_m") for what in ("width", "at"))
    return ", ".join([*parts, f"gap {gap} wide at {at}"])


def _most(legs: list[Row], name: str) -> float | None:
    return max((leg[name] for leg in legs if leg[name] is not None), default=None)


def _underfoot(w: Writer, legs: list[Row]) -> str:
    """Slopes, wet ground and water of a hole."""
    slopes = (
        ("tee", legs[0]["tee_slope_pct"]),
        ("basket", legs[-1]["landing_slope_pct"]),
        ("across the line", _most(legs, "side_slope_pct")),
    )
    steep = [f"{where} {value:.1f} %" for where, value in slopes if value is not None]
    parts = [
        f"Ground: {', '.join(steep)}." if steep else "Ground: slopes unknown.",
        f"Wet under the line: {percent(_most(legs, 'wet_share'))}.",
    ]
    longest = max(legs, key=lambda leg: leg["carry_water_m"] or 0.0)
    if longest["carry_water_m"]:
        parts.append(f"Over water: {w.length(longest, 'legs', 'carry_water_m')}.")
    return " ".join(parts)


def _score_and_view(facts: Row, units: Units) -> str:
    """Expected score by level, and the longest view."""
    score, view = others_words(facts), view_words(facts, units)
    parts = [
        f"Expected score: {score}." if score else "",
        f"Longest view: {view}." if view else "",
    ]
    return " ".join(filter(None, parts))


def _sky_and_bounds(facts: Row) -> str:
    """Low sun, wind, and where bounds are worth considering."""
    sun, wind, bounds = sky_words(facts), facts.get("wind"), facts.get("consider")
    parts = [
        f"Low sun ahead: {sun}." if sun else "",
        f"Prevailing wind {wind}." if wind else "",
        f"Worth considering: {bounds}." if bounds else "",
    ]
    return " ".join(filter(None, parts))


def _failing(w: Writer, place: int, leg: Row) -> str:
    side = "left" if leg["fail_side_m"] >= 0 else "right"
    beside = {name: abs(leg[name]) for name in ("fail_side_m", "fail_side_ft")}
    return (
        f"Throw {place}: most that fail touch {_TOUCHED.get(leg['fail_on'], leg['fail_on'])}, "
        f"{w.length(leg, 'legs', 'fail_at_m')} out, "
        f"{w.length(leg, 'legs', 'fail_height_m')} up, "
        f"{w.length(beside, 'legs', 'fail_side_m')} {side} of the straight line (crosses in plan "
        "and profile)."
    )


def _trim(w: Writer, hole: Played) -> None:
    paper, facts = w.paper, hole.facts
    low, high = facts.get("trim_hours_low"), facts.get("trim_hours_high")
    pieces = hole.trim_rows
    if not pieces:
        paper.heading("Trim work", 24)
        text = "No trimming was planned in this run."
        if "chosen" in hole.trim.columns:
            said = trimming(low, high, facts.get("clear_rate"))
            text = f"{said[:1].upper()}{said[1:]}."
        paper.paragraph(text, BODY)
        return
    partly = None
    if low is None or high is None:
        partly = "The hole as a whole is not planned: some of its throws have no plan."
        low, high = (sum(piece[f"hours_{end}"] for piece in pieces) for end in ("low", "high"))
    paper.heading(f"Trim work, {hours_of(low, high)} hours", 40)
    if partly:
        paper.paragraph(partly, BODY)
    paper.paragraph(_SAWS, BODY, after=2)
    legs = [int(leg["leg_id"]) for leg in hole.leg_rows]
    numbers = {int(piece["piece_id"]): n for n, piece in enumerate(pieces, start=1)}
    tasks = tasks_of(legs, work_of_legs(hole.trim))
    units = Units(w.book.feet_first)
    rows = []
    for task in tasks:
        line = instruction(task, units)
        who = f"{line.who}, {line.hours} h"
        rows.append([spans(numbers[n] for n in task.pieces), line.text, who])
    columns = [Column("piece", 0.7), Column("where and what", 3.6), Column("who, hours", 1.5)]
    shown = paper.table(columns, rows, BODY, boxes=True, keep=_ROOM_CHECKS)
    left = [spans(numbers[n] for task in tasks[shown:] for n in task.pieces)] * (shown < len(rows))
    elsewhere = [f"pieces {pieces}" for pieces in left]
    if not _minds(w, tasks, numbers):
        elsewhere.append("what to mind at each piece")
    if elsewhere:
        text = " and ".join(elsewhere)
        paper.paragraph(f"{text[:1].upper()}{text[1:]}: see the crew's list in report.html.", BODY)


def _minds(w: Writer, tasks: Sequence[Task], numbers: Mapping[int, int]) -> bool:
    """What to mind at which pieces, each said once; whether all of it found room."""
    minds: dict[str, list[int]] = {}
    for task in tasks:
        for mind in task.minds:
            minds.setdefault(mind, []).extend(numbers[n] for n in task.pieces)
    rows = [[spans(pieces), mind] for mind, pieces in minds.items()]
    columns = [Column("", 0.9), Column("", 5)]
    return not rows or w.paper.table(columns, rows, BODY, keep=_ROOM_CHECKS) == len(rows)


def spans(numbers: Iterable[int]) -> str:
    """Numbers with runs drawn together.

    Examples
    --------
    >>> spans([3, 1, 2, 7]), spans([4, 5]), spans([])
    ('1–3, 7', '4, 5', '')
    """
    parts: list[list[int]] = []
    for n in sorted(set(numbers)):
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    said = (f"{p[0]}–{p[-1]}" if len(p) > 2 else ", ".join(map(str, p)) for p in parts)
    return ", ".join(said)


def _checks(w: Writer, hole: Played) -> None:
    """Checks of a hole, those with one question together; what finds no room stands at the end."""
    checks = w.book.checks
    asked: dict[str, list[str]] = {}
    for row in rows_of(checks[checks["place"] == hole.title]):
        asked.setdefault(str(row["look"]), []).append(f"{CHECK}{row['check_id']}")
    if not asked:
        return
    rows = [[" ".join(names), look] for look, names in asked.items()]
    shown = 0
    if w.paper.y - w.paper.bottom > _ROOM_VERDICT + _ROOM_LINE:
        w.paper.heading("Checks on this hole", 40)
        columns = [Column("", 0.8), Column("", 5)]
        shown = w.paper.table(columns, rows, BODY, boxes=True, keep=_ROOM_VERDICT)
    if shown < len(rows):
        rest = ", ".join(name for names in list(asked.values())[shown:] for name in names)
        begins = "Also" if shown else "Checks"
        w.paper.paragraph(f"{begins} {rest}: see the list of field checks.", BODY)
