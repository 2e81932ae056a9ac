"""A card per hole: drawings, figures, trim work and what to look at on foot."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from lanewright.base.rows import Row, rows_of
from lanewright.holes.wording import climb_of, without_numbers
from lanewright.publish.beyond import beyond_words
from lanewright.publish.crew import tasks_of, work_of_legs
from lanewright.publish.findings import Findings
from lanewright.publish.mapdata import Line
from lanewright.publish.report.crewlist import Instruction, lines_for
from lanewright.publish.report.facts import facts_of
from lanewright.publish.report.otherplaces import others_of
from lanewright.publish.report.planview import PlanView, plan_view
from lanewright.publish.report.sideview import SideView, side_view
from lanewright.publish.report.space import space_of
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, about, hours_of, percent, trimming
from lanewright.publish.scoring import now_words, others_words, score_words
from lanewright.publish.sky import sky_words
from lanewright.publish.spread import spread_of
from lanewright.publish.uses import uses_of
from lanewright.publish.viewlines import view_words

_LITTLE_SEEN = 0.6  # seen share of a leg below which the card sends somebody to look
_STALE = 0.15  # clear rate lost in leaf from which the card says so


RULES = {
    "fairways too near": "fairway beside fairway",
    "fairway too near a tee": "fairway beside a tee",
    "fairway too near a basket": "fairway beside a basket",
    "tee too near a green": "tee beside a green",
    "tees too near": "tee beside tee",
    "past the basket": "past the basket",
    "in the danger cone": "before the tee",
}
"""What a rule is about, in words for a page."""


SIGHTS = {
    "clear": ("in sight", "over the ground and through what grows, as surveyed"),
    "growth": ("hidden by growth", "as surveyed; leaves hide more"),
    None: ("not known", "lidar has not searched all of the way between"),
    "ground": ("blind, behind the ground", "nobody sees who plays ahead; a bell or a spotter"),
}
"""What hides a basket from its tee, and what that means."""


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
    keyline
        What one asks first: par, length, rise, clear rate, hours of trimming.
    tasks
        Chosen trim work, neighbouring pieces as one instruction, from the tee on.
    short
        Why the work does not reach the wished clear rate, where it does not.
    beyond
        What to know of an own line that is longer than its level throws; else empty.
    uses
        Features that the hole uses; empty without.
    room
        The nearest holes of its round: hole, rule, distance, asked for, margin, trees between.
    others
        Other tees and pins: sign, and for whom they are.
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
    keyline: tuple[str, ...]
    tasks: tuple[Instruction, ...]
    hours: str
    short: tuple[str, ...]
    beyond: str
    uses: str
    room: tuple[tuple[str, ...], ...]
    checks: tuple[tuple[str, str], ...]
    space: Row | None
    others: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Group:
    """Cards that stand together on the page; all but the first group are folded."""

    title: str
    cards: tuple[Card, ...]


def groups_of(found: Findings, subjects: list[Subject], units: Units) -> list[Group]:
    """Cards of the first proposal, of holes that only later ones have, and of the rest.

    Views in space are made for the first group alone: they are half of the page.
    """
    desk = _Desk(found, units)
    numbers = [s.places[0][0] if s.places else None for s in subjects]
    groups: list[Group] = []
    for proposal in dict.fromkeys(numbers):
        mine = [s for s, n in zip(subjects, numbers, strict=True) if n == proposal]
        if proposal is not None:
            title = f"{'' if not groups else 'Only in '}proposal {proposal}"
            title = title[0].upper() + title[1:]
        else:
            title = "Your own lines outside the proposals" if groups else "The best candidates"
        groups.append(Group(title, tuple(desk.card(s, in_full=not groups) for s in mine)))
    return groups


class _Desk:
    """Tables of a run that every card looks things up in."""

    def __init__(self, found: Findings, units: Units) -> None:
        work = found.layer("trim_work")
        self.found, self.units = found, units
        self.work = rows_of(work)
        self.chosen: dict[int, list[int]] = {}
        for i, row in enumerate(self.work):
            if row["chosen"]:
                self.chosen.setdefault(int(row["leg_id"]), []).append(i)
        self.work_of = work_of_legs(work)
        self.shapes = list(work.geometry) if work is not None else []
        self.checks = rows_of(found.layer("field_checks"))
        self.legs: dict[tuple[int, int], list[Row]] = {}
        for leg in rows_of(found.layer("legs")):
            self.legs.setdefault((leg["tee_id"], leg["end_id"]), []).append(leg)
        self.uses = uses_of(found.layers)
        self.rounds = {
            (row["proposal"], row["play_order"]): row
            for row in rows_of(found.layer("layout_holes"))
        }
        positions = rows_of(found.layer("hole_positions"))
        self.pins = Counter(row["hole_id"] for row in positions if row["position"] == "pin")
        self.near = rows_of(found.layer("layout_neighbours"))
        self.positions = others_of(found, units)
        self.promises = {int(row["leg_id"]): row for row in _promises(found)}

    def card(self, subject: Subject, in_full: bool) -> Card:
        """The card of one hole or leg; its view in space only in full."""
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
            facts=(*facts_of(subject, units), *self._in_round(subject)),
            rates=tuple(_rates(subject, self.legs, self.promises)),
            keyline=tuple(_keyline(subject, units, score_words(self._place(subject)))),
            tasks=tuple(
                lines_for(tasks_of([int(g["leg_id"]) for g in subject.legs], self.work_of), units)
            ),
            hours=_hours(subject.row, line.work),
            short=tuple(
                without_numbers(str(p["why"])) for p in promises if not p["reached"] and p["why"]
            ),
            beyond=beyond_words(found, [*subject.legs], units),
            uses=units.turned(self.uses.get(int(row["hole_id"]), "")) if "hole_id" in row else "",
            room=self._room(subject),
            checks=tuple(_checks(subject, self.checks, units)),
            space=space_of(found, subject, line.spreads) if in_full else None,
            others=tuple((kind, words) for kind, words, _ in line.others),
        )

    def _place(self, subject: Subject) -> Row:
        """Row of the first round that plays it; empty where none does."""
        return self.rounds.get(subject.places[0], {}) if subject.places else {}

    def _in_round(self, subject: Subject) -> Iterator[tuple[str, str, str]]:
        """What hides the basket from the tee of a hole of a round, and how others play it."""
        row = self._place(subject)
        if not row:
            return
        if said := others_words(row):
            often = f"{row['likeliest_score']} comes {about(row['likeliest_share'])} of the time"
            yield "Expected score", said, "; ".join(filter(None, [often, now_words(row)]))
        yield ("Basket from the tee", *SIGHTS[row["sight"]])
        if said := view_words(row, self.units):
            yield "Longest view", said, "over ground and tree tops, as surveyed"
        sun = sky_words(row) or "none in the season"
        yield "Low sun ahead of the tee", sun, "over open ground; trees hide it"
        if row.get("wind"):
            yield "Prevailing wind", str(row["wind"]), "at the first throw, as the settings say"
        if row.get("consider"):
            said = self.units.turned(str(row["consider"]))
            yield "Worth considering", said, "a suggestion from a desk, no rule"
        if row["other_levels"]:
            said = self.units.turned(str(row["other_levels"]))
            yield "Other levels", said, "a length is from a tee of their own"
        pins = self.pins.get(row["hole_id"], 0)
        if pins:
            yield "Other pins", str(pins), "places in layer hole_positions of scout.gpkg"

    def _room(self, subject: Subject) -> tuple[tuple[str, ...], ...]:
        """Rows of the nearest holes in the first round that the hole is in."""
        length, place = self.units.length, subject.places[0] if subject.places else None
        return tuple(
            (
                f"Hole {row['other_order']}",
                RULES[row["rule"]],
                length(row["distance_m"]),
                length(row["asked_m"]),
                length(row["margin_m"]),
                percent(row["trees_between"]),
            )
            for row in self.near
            if place == (row["proposal"], row["play_order"])
        )

    def _line(self, subject: Subject, ids: list[int]) -> Line:
        """The subject as its drawings need it, its chosen trim work from the tee on."""
        rows = self.work
        mine = [i for n in ids for i in self.chosen.get(n, ())]
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
            self.positions.get(int(subject.row["hole_id"]), ()) if "hole_id" in subject.row else (),
        )


def _lead(subject: Subject, units: Units) -> str:
    sentence = subject.row.get("sentence")
    if sentence:
        return units.sentence(_plainer(str(sentence)))
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
    climb = climb_of(rise, subject.length)
    parts.append(
        "on the level"
        if climb == "level"
        else f"{units.length(abs(rise), 1)} {climb.removesuffix('hill')}"
    )
    parts.append(
        {"straight": "finishing straight"}.get(leg["finish"], f"finishing {leg['finish']}")
    )
    return ", ".join(parts) + "."


def _plainer(sentence: str) -> str:
    r"""A hole's sentence for readers who know neither numbers of candidates nor odd percents.

    Examples
    --------
    >>> _plainer("87 m level; tight, 51 % of throws pass; may be dared by hole 205.")
    '87 m level; tight, about 50\u202f% of throws pass; a bolder way to this basket was found.'
    """
    return re.sub(
        r"(\d+) % of throws",
        lambda m: f"{about(int(m[1]) / 100)} of throws",
        without_numbers(sentence),
    )


def _promises(found: Findings) -> list[Row]:
    """What the planned work of each leg comes to; only where there is work."""
    if found.trimmed is None:
        return []
    rows = found.trimmed[found.trimmed["pieces"] > 0].to_dict("records")
    return [{str(k): v for k, v in row.items()} for row in rows]


def _rates(
    subject: Subject, legs: Mapping[tuple[int, int], list[Row]], promises: dict[int, Row]
) -> list[Rates]:
    """Rates of the throws, and of other levels' throws between the same two sites."""
    made = []
    for n, leg in enumerate(subject.legs, start=1):
        same = [
            other
            for other in legs.get((leg["tee_id"], leg["end_id"]), ())
            if other["leg_id"] != leg["leg_id"] and other["level"] != leg["level"]
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


def _hours(row: Row, chosen: Sequence[Row]) -> str:
    """Hours as the row of the hole has them; of a leg, those of its pieces."""
    if not chosen:
        return ""
    low, high = row.get("trim_hours_low"), row.get("trim_hours_high")
    if low is None or high is None:
        low = sum(w["hours_low"] or 0.0 for w in chosen)
        high = sum(w["hours_high"] or 0.0 for w in chosen)
    return hours_of(low, high)


def _keyline(subject: Subject, units: Units, score: str) -> Iterator[str]:
    row = subject.row
    if row.get("par"):
        yield f"par {row['par']}"
    yield units.length(row.get("length_m"))
    rise = row.get("rise_m")
    if rise is not None:
        climb = climb_of(rise, row.get("length_m") or subject.length)
        up = f"{units.length(abs(rise))} {climb.removesuffix('hill')}"
        yield climb if climb == "level" else up
    if row.get("clear_rate") is not None:
        yield f"{about(row['clear_rate'])} of throws clear"
    if score:
        yield f"expected score {score}"
    if "trim_hours_high" in row:
        hours = (row.get("trim_hours_low"), row.get("trim_hours_high"))
        yield f"trimming: {trimming(*hours, row.get('clear_rate'))}"


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
