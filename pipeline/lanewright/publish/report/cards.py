"""A card per hole: drawings, figures, trim work and what to look at on foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lanewright.base.rows import Row, rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.mapdata import Line
from lanewright.publish.report.facts import facts_of
from lanewright.publish.report.planview import PlanView, plan_view
from lanewright.publish.report.sideview import SideView, side_view
from lanewright.publish.report.space import space_of
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, number, percent
from lanewright.publish.spread import spread_of

_LITTLE_SEEN = 0.6  # seen share of a leg below which the card sends somebody to look
_STALE = 0.15  # clear rate lost in leaf from which the card says so
_NEAR = 1e-6


@dataclass(frozen=True)
class Rates:
    """Clear rate of one throw for one level, in words; the last two empty without trim work."""

    throw: str
    level: str
    now: str
    error: str
    band: str
    leaf: str
    trimmed: str
    trimmed_leaf: str


@dataclass(frozen=True)
class Card:
    """Everything on a card.

    Attributes
    ----------
    name, own
        What the designer calls it, and whether it is the designer's.
    facts
        Label, value, and what it means.
    rates
        Clear rates by throw and level.
    work
        Rows of `trim_work` that are chosen, from the tee on.
    short
        Why the work does not reach the wished clear rate, where it does not.
    checks
        What to look at on foot: the question, and why the desk cannot say.
    """

    key: str
    title: str
    name: str
    own: bool
    lead: str
    subject: Subject
    plan: PlanView
    side: SideView
    facts: tuple[tuple[str, str, str], ...]
    rates: tuple[Rates, ...]
    work: tuple[Row, ...]
    hours: str
    short: tuple[str, ...]
    checks: tuple[tuple[str, str], ...]
    space: Row | None


def cards_of(found: Findings, subjects: list[Subject], units: Units) -> list[Card]:
    """Make the card of each subject."""
    desk = _Desk(found, units)
    return [desk.card(subject) for subject in subjects]


class _Desk:
    """Tables of a run that every card looks things up in."""

    def __init__(self, found: Findings, units: Units) -> None:
        work = found.layer("trim_work")
        self.found, self.units = found, units
        self.work = rows_of(work)
        self.shapes = list(work.geometry) if work is not None else []
        self.checks = rows_of(found.layer("field_checks"))
        self.legs = rows_of(found.layer("legs"))
        self.promises = {int(row["leg_id"]): row for row in _promises(found)}

    def card(self, subject: Subject) -> Card:
        """The card of one hole or leg."""
        found, units, row = self.found, self.units, subject.row
        ids = sorted({int(leg["leg_id"]) for leg in subject.legs})
        line = self._line(subject, ids)
        promises = [self.promises[n] for n in ids if n in self.promises]
        return Card(
            key=subject.key,
            title=subject.title,
            name=str(row.get("name") or row.get("own_hole") or ""),
            own=row.get("origin") == "own",
            lead=_lead(subject, units),
            subject=subject,
            plan=plan_view(found.map_data, line, subject.title, units),
            side=side_view(found.map_data, line, subject.title, units),
            facts=tuple(facts_of(subject, units)),
            rates=tuple(_rates(subject, self.legs, self.promises)),
            work=line.work,
            hours=_hours(line.work),
            short=tuple(str(p["why"]) for p in promises if not p["reached"] and p["why"]),
            checks=tuple(_checks(subject, self.checks, units)),
            space=space_of(found, subject, line.spreads),
        )

    def _line(self, subject: Subject, ids: list[int]) -> Line:
        """The subject as its drawings need it, its chosen trim work from the tee on."""
        rows = self.work
        mine = [i for i, row in enumerate(rows) if row["chosen"] and int(row["leg_id"]) in ids]
        mine.sort(key=lambda i: (rows[i]["leg_id"], rows[i]["along_m"] or 0.0, i))
        return Line(
            subject.legs,
            subject.paths,
            tuple(rows[i] for i in mine),
            tuple(self.shapes[i] for i in mine),
            tuple(
                spread_of(self.found.flights, leg, flown)
                for leg, flown in zip(subject.legs, subject.paths, strict=True)
            ),
        )


def _lead(subject: Subject, units: Units) -> str:
    sentence = subject.row.get("sentence")
    if sentence:
        return str(sentence)
    leg = subject.legs[0]
    parts = [f"{units.length(subject.length)} for {leg['level']}"]
    if leg.get("lane_kind"):
        parts.append(
            {
                "open": "in the open",
                "edge": "along an edge",
                "lane": "down a lane",
                "tunnel": "through a tunnel",
            }[leg["lane_kind"]]
        )
    rise = float(subject.row.get("rise_m") or 0.0)
    parts.append(
        "on the level"
        if abs(rise) < 0.5
        else f"{units.length(abs(rise), 1)} {'up' if rise > 0 else 'down'}"
    )
    parts.append(
        {"straight": "finishing straight"}.get(leg["finish"], f"finishing {leg['finish']}")
    )
    return ", ".join(parts) + "."


def _promises(found: Findings) -> list[Row]:
    """What the planned work of each leg comes to; only where there is work."""
    if found.trimmed is None:
        return []
    rows = found.trimmed[found.trimmed["pieces"] > 0].to_dict("records")
    return [{str(k): v for k, v in row.items()} for row in rows]


def _rates(subject: Subject, legs: list[Row], promises: dict[int, Row]) -> list[Rates]:
    """Rates of the throws, and of other levels' throws between the same two sites."""
    made = []
    for n, leg in enumerate(subject.legs, start=1):
        same = [
            other
            for other in legs
            if other["leg_id"] != leg["leg_id"]
            and other["tee_id"] == leg["tee_id"]
            and other["end_id"] == leg["end_id"]
            and other["level"] != leg["level"]
        ]
        best: dict[str, Row] = {leg["level"]: leg}
        for other in sorted(same, key=lambda r: -(r["clear_rate"] or 0.0)):
            best.setdefault(other["level"], other)
        for level, row in best.items():
            then = promises.get(int(row["leg_id"]), {})
            made.append(
                Rates(
                    f"{n}, {row['finish']}",
                    level,
                    percent(row["clear_rate"]),
                    percent(row["clear_rate_se"], 1),
                    f"{percent(row['clear_rate_low'])} to {percent(row['clear_rate_high'])}",
                    percent(row["clear_rate_leaf_on"]),
                    percent(then["promised"]) if then else "",
                    percent(then["leaf_on_promised"]) if then else "",
                )
            )
    return made


def _hours(chosen: Sequence[Row]) -> str:
    if not chosen:
        return ""
    low = sum(w["hours_low"] or 0.0 for w in chosen)
    high = sum(w["hours_high"] or 0.0 for w in chosen)
    return f"{number(low, 1)}–{number(high, 1)}"


def _checks(subject: Subject, checks: list[Row], units: Units) -> list[tuple[str, str]]:
    """Rows of `field_checks` that belong here; else what the numbers themselves send one to see."""
    ids = {int(leg["leg_id"]) for leg in subject.legs}
    hole = subject.row.get("hole_id")
    mine = [
        (str(c["look"]), str(c["why"]))
        for c in checks
        if (hole is not None and c.get("hole_id") == hole) or c.get("leg_id") in ids
    ]
    if mine:
        return mine
    made = [
        (
            "Walk the line and throw it",
            "A desk study; stems under 10 cm (4 in), vines and wire do not show.",
        )
    ]
    for leg in subject.legs:
        seen, now, leaf = leg["seen_share"], leg["clear_rate"], leg["clear_rate_leaf_on"]
        if seen is not None and seen < _LITTLE_SEEN:
            made.append(
                ("What stands in the way", f"Lidar saw only {percent(seen)} of the flight space.")
            )
        if now is not None and leaf is not None and now - leaf > _STALE:
            made.append(
                (
                    "The line in leaf",
                    f"The clear rate is expected to fall from {percent(now)} to {percent(leaf)}.",
                )
            )
        if leg["pinch_width_m"] is not None and leg["pinch_width_m"] < 4.6:
            made.append(
                (
                    f"Measure the narrowest place, {units.length(leg['pinch_at_m'])} from the tee",
                    f"It comes to {units.length(leg['pinch_width_m'], 1)}; wooded fairways pinch "
                    "at 4.6 m, 15 ft (PDGA, Course Design Elements).",
                )
            )
        if (leg["wet_share"] or 0.0) > 0.05:
            made.append(
                (
                    "Footing after rain",
                    f"{percent(leg['wet_share'])} of the ground below is likely wet.",
                )
            )
    return list(dict.fromkeys(made))


def cautions_of(found: Findings) -> list[Row]:
    """Rows of the layer with the share of the property each holds for."""
    frame = found.layer("cautions")
    if frame is None:
        return []
    land = float(found.layers["property"].geometry.area.sum())
    return [
        row | {"share": min(1.0, area / land) if land else None}
        for row, area in zip(rows_of(frame), frame.geometry.area, strict=True)
    ]


@dataclass(frozen=True)
class Crew:
    """The work of all legs as one list.

    Attributes
    ----------
    rows
        Chosen pieces, each once, in the order of one walk.
    totals
        Pieces, hours at the fast and the slow end by who reaches them.
    """

    rows: tuple[Row, ...]
    totals: tuple[tuple[str, int, float, float], ...]


def crew_of(found: Findings, units: Units) -> Crew | None:
    """The crew's list; None where no trim work was planned."""
    frame = found.layer("trim_work")
    if frame is None:
        return None
    chosen = [row for row in rows_of(frame) if row["chosen"]]
    legs: dict[int, list[int]] = {}
    once: dict[int, Row] = {}
    for row in chosen:
        legs.setdefault(row["piece_id"], []).append(row["leg_id"])
        once.setdefault(row["piece_id"], row)
    rows = sorted(once.values(), key=lambda r: (r["walk_order"] or 10**9, r["piece_id"]))
    rows = [row | {"legs": ", ".join(map(str, sorted(legs[row["piece_id"]])))} for row in rows]
    totals = []
    for reach in sorted({row["reach"] for row in rows}):
        mine = [row for row in rows if row["reach"] == reach]
        totals.append(
            (
                reach,
                len(mine),
                sum(r["hours_low"] or 0.0 for r in mine),
                sum(r["hours_high"] or 0.0 for r in mine),
            )
        )
    return Crew(tuple(rows), tuple(totals))
