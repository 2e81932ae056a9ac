"""Two pages to each hole: plan, profile and places at the left, what to do and to write right."""

from __future__ import annotations

import numpy as np

from lanewright.base.rows import Row, rows_of
from lanewright.publish.book.paper import Column
from lanewright.publish.book.plan import draw_plan
from lanewright.publish.book.profile import draw_profile
from lanewright.publish.book.writer import Writer, near, number, percent
from lanewright.publish.report.cutlanes import SAWS
from lanewright.publish.report.words import hours_of, trimming
from lanewright.publish.section import fails
from lanewright.visit.outing import CHECK, Played, Spot

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
        paper.paragraph(str(facts["name"]), 8, bold=True, after=1)
    sentence = facts.get("sentence") or (
        f"Finishes {facts['finish']}, {facts['lane_kind'] or 'kind of lane unknown'}; "
        f"{w.length(facts, w.outing.source, 'rise_m')} from tee to basket."
    )
    paper.paragraph(str(sentence), 7.2, after=2)
    uses = w.book.uses.get(hole.hole_id) if hole.hole_id is not None else None
    if uses:
        paper.paragraph(f"Uses {uses}.", 7.2, after=2)
    _pictures(w, hole)
    _places(w, hole)
    _way_to_tee(w, hole)
    _on_foot(w, hole)


def _pictures(w: Writer, hole: Played) -> None:
    paper, book = w.paper, w.book
    below = 78 + 13 * len(hole.spots)  # the table of places and the way to the tee
    free = paper.y - paper.bottom - below
    tall = max(free * 0.54, 80)
    view = draw_plan(paper, (paper.left, paper.y - tall, paper.right, paper.y), book, hole)
    paper.y -= tall + 3
    low = max(free - tall - 14, 60)
    box = (paper.left, paper.y - low, paper.right, paper.y)
    stretch = draw_profile(paper, box, book, hole, view)
    paper.y -= low + 8
    unit = "feet" if book.feet_first else "metres"
    text = (
        f"Plan 1 : {view.scale:,}. Heights in {unit} over the tee, drawn {stretch:g} times as tall "
        "as long."
    )
    paper.put(paper.left, paper.y, text, 6, grey=0.2)
    paper.y -= 2
    if book.data.columns is None:
        paper.put(paper.left, paper.y - 7, "No lidar: what stands on the line is not known.", 6)
        paper.y -= 8


def _places(w: Writer, hole: Played) -> None:
    w.paper.y -= 4
    rows = []
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
                f"{spot.x:.1f} E {spot.y:.1f} N",
                "" if np.isnan(spot.z) else f"{spot.z:.1f} m",
                onward,
            ]
        )
    columns = [
        Column("staked", 0.6),
        Column("WGS 84", 1.85),
        Column(w.crs, 2.0),
        Column("ground", 0.75),
        Column("on, from true north", 1.5),
    ]
    w.paper.table(columns, rows, 6.4, boxes=True)


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
    w.paper.paragraph(text, 7.2, bold=False, after=0)


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
    legs = rows_of(hole.legs)
    _leg_table(w, legs)
    paper.paragraph(_underfoot(w, legs), 7)
    for place, leg in enumerate(legs, start=1):
        if fails(leg) and leg.get("fail_on"):
            paper.paragraph(_failing(w, place, leg), 7)
    _trim(w, hole)
    _checks(w, hole)
    paper.heading("Verdict", 30)
    moves = ["move tee", *(["move landing zone"] if hole.landings else []), "move basket"]
    paper.ticks(["keep", *moves, "throw it first", "drop"])
    paper.ticks(["stands clear of paths", "next tee in sight", "a bench fits", "beautiful"])
    paper.notes(45, "Notes")


def _leg_table(w: Writer, legs: list[Row]) -> None:
    unit = w.unit
    columns = [
        Column("throw", 0.65),
        Column(f"length {unit}", 0.8, "right"),
        Column(f"rise {unit}", 0.85, "right"),
        Column("finish", 1.0),
        Column(f"apex {unit}", 0.75, "right"),
        Column("clear, about (low–high)", 1.95),
        Column("in leaf", 0.85, "right"),
        Column(f"gap, {unit} from throw", 1.3),
        Column("seen", 0.85, "right"),
    ]
    rows = [[str(place), *_leg_row(leg, unit)] for place, leg in enumerate(legs, start=1)]
    w.paper.table(columns, rows, 6.6)


def _leg_row(leg: Row, unit: str) -> list[str]:
    low, high = leg["clear_rate_low"], leg["clear_rate_high"]
    band = "" if low is None else f" ({5 * round(20 * low)}–{5 * round(20 * high)})"
    gap, at = (number(leg, "legs", f"pinch_{what}_{unit}") for what in ("width", "at"))
    return [
        number(leg, "legs", f"length_{unit}"),
        number(leg, "legs", f"rise_{unit}", "+"),
        str(leg["finish"]),
        number(leg, "legs", f"apex_{unit}"),
        near(leg["clear_rate"]) + band,
        near(leg["clear_rate_leaf_on"]),
        f"{gap} at {at}" if gap else "unknown",
        near(leg["seen_share"]),
    ]


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
    pieces = rows_of(hole.trim)
    if not pieces:
        paper.heading("Trim work", 24)
        text = "No trimming was planned in this run."
        if "chosen" in hole.trim.columns:
            said = trimming(low, high, facts.get("clear_rate"))
            text = f"{said[:1].upper()}{said[1:]}."
        paper.paragraph(text, 7)
        return
    if low is None or high is None:
        low, high = (sum(piece[f"hours_{end}"] for piece in pieces) for end in ("low", "high"))
    paper.heading(f"Trim work, {hours_of(low, high)} hours", 40)
    paper.paragraph(SAWS, 6.2, after=2)
    columns = [
        Column("", 0.36),
        Column("what", 0.75),
        Column("heights", 1.4),
        Column("where, from the throw", 1.6),
        Column("who, hours", 1.6),
    ]
    rows = [[str(place), *_piece(w, piece)] for place, piece in enumerate(pieces, start=1)]
    notes = [str(piece["flag"] or "") for piece in pieces]
    paper.table(columns, rows, 6.6, boxes=True, notes=notes)


def _piece(w: Writer, piece: Row) -> list[str]:
    side = str(piece["side"])
    if side != "over":
        beside = {f"offset_{w.unit}": abs(piece[f"offset_{w.unit}"])}
        side += f" {number(beside, 'trim_work', f'offset_{w.unit}')} {w.unit}"
    metres, feet = (
        f"{number(piece, 'trim_work', f'low_{unit}')}–"
        f"{number(piece, 'trim_work', f'high_{unit}')} {unit}"
        for unit in ("m", "ft")
    )
    return [
        str(piece["action"]),
        w.both(metres, feet),
        f"{w.length(piece, 'trim_work', 'along_m')}, {side}",
        f"{piece['reach']}, {hours_of(piece['hours_low'], piece['hours_high'])} h",
    ]


def _checks(w: Writer, hole: Played) -> None:
    checks = w.book.checks
    mine = rows_of(checks[checks["place"] == hole.title])
    if not mine:
        return
    w.paper.heading("Checks on this hole", 40)
    rows = [[f"{CHECK}{row['check_id']}", str(row["look"])] for row in mine]
    w.paper.table([Column("", 0.5), Column("", 5)], rows, 6.8, boxes=True)
